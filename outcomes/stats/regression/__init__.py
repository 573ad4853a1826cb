"""Linear, logistic, penalised, Poisson and ordinal regression, with errors by cluster and contrasts."""
