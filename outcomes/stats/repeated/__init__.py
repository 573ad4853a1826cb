"""Repeated measures: mixed models, estimating equations, groups at each visit."""
