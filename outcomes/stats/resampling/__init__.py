"""Bootstrap: draws, percentile and BCa limits, anything computed from totals."""
