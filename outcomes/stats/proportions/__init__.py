"""Proportions and tables: one, two, paired, by stratum."""
