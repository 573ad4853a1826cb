"""Sample size, power and precision."""
