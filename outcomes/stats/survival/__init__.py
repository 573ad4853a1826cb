"""Time to event: curves, tests, proportional hazards, competing and recurrent events, interval censoring."""
