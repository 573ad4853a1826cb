"""Results to tables, figures and pages; the only place where numbers are rounded."""
