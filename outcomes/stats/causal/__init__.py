"""Weights, doubly robust means, matching, mediation, and what an unmeasured cause would do."""
