# Reference values of pooling over imputations: run `Rscript pooling.R` here. Writes pooling.json.
# All inputs are invented: drawn here from a seeded generator.
suppressMessages({library(mice); library(mitml); library(jsonlite)})
set.seed(20240601)
out <- list(versions = list(R = R.version.string, mice = as.character(packageVersion("mice")),
                            mitml = as.character(packageVersion("mitml"))))

# one number at a time: mice::pool.scalar
out$scalar <- lapply(1:80, function(i) {
  m <- sample(c(2, 3, 5, 10, 20, 50), 1)
  dfcom <- if (i %% 3 == 0) Inf else sample(c(2, 5, 12, 40, 200, 5000), 1)
  Q <- rnorm(m, runif(1, -20, 20), 10^runif(1, -1.2, 1)); U <- rchisq(m, 8) / 4
  r <- pool.scalar(Q, U, n = dfcom + 1, k = 1)
  list(values = Q, variances = U, df_complete = if (is.infinite(dfcom)) NULL else dfcom,
       qbar = r$qbar, ubar = r$ubar, b = r$b, t = r$t, df = r$df, r = r$r, fmi = r$fmi)
})

# several numbers together: D1 of mitml (Li, Raghunathan and Rubin 1991; Reiter 2007)
out$joint <- lapply(1:40, function(i) {
  m <- sample(c(3, 5, 10, 20), 1); k <- sample(2:4, 1)
  if (k * (m - 1) <= 4) m <- 5
  dfcom <- if (i %% 3 == 0) NULL else sample(c(30, 80, 400, 5000), 1)
  Qhat <- matrix(rnorm(k * m, rep(rnorm(k), m), 10^runif(1, -1, 0)), k, m)
  Uhat <- array(0, c(k, k, m))
  for (j in 1:m) Uhat[, , j] <- crossprod(matrix(rnorm(k * (k + 6)), k + 6, k)) / (k + 6)
  r <- mitml:::.D1(Qhat, Uhat, dfcom)
  list(values = t(Qhat), covariances = lapply(1:m, function(j) Uhat[, , j]), df_complete = dfcom,
       F = c(r$F), v = r$v, r = r$r, p = pf(c(r$F), k, r$v, lower.tail = FALSE))
})
write_json(out, "pooling.json", digits = I(17), auto_unbox = TRUE, null = "null")
