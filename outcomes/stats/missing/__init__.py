"""Missing data: imputation, pooling over imputations, shifts, weights, bounds."""
