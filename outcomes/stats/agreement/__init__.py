"""Agreement: intraclass correlation, kappa, limits of agreement, error of measurement."""
