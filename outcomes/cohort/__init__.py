"""The cohort: reading, ledger and labels; knows wrists, no statistics."""
