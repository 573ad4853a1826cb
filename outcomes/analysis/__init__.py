"""One file per question a user asks; the only place where wrists and statistics meet."""
