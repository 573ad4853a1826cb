"""Checked arrays, quantiles, moments, ranks of matrices: what every other room stands on."""
