# Independent values by mice, mitml and base R for the sets that missing_sets.py makes.
suppressMessages({library(mice); library(mitml)})
folder <- commandArgs(trailingOnly = TRUE)[1]
sets <- read.csv(file.path(folder, "sets.csv")); copies <- read.csv(file.path(folder, "copies.csv"))

score_limits <- function(e, n) if (n == 0) c(NA, NA) else suppressWarnings(prop.test(e, n, correct = FALSE)$conf.int)
newcombe <- function(e1, n1, e0, n0) {
  p1 <- e1 / n1; p0 <- e0 / n0; a <- score_limits(e1, n1); b <- score_limits(e0, n0)
  c(p1 - p0 - sqrt((p1 - a[1])^2 + (b[2] - p0)^2), p1 - p0 + sqrt((a[2] - p1)^2 + (p0 - b[1])^2))
}

tight <- list(epsilon = 1e-14, maxit = 100)

one <- function(d) {
  s <- d[1, ]; m <- nrow(d)
  # k = 1, so that the degrees of freedom of the complete data are n - 1
  p <- pool.scalar(d$q, d$u, n = s$df + 1, k = 1)
  l <- pool.scalar(d$q, d$u, n = Inf, k = 1)
  t <- abs(p$qbar) / sqrt(p$t)
  d2 <- mitml:::.D2(d$chi2, s$k)
  lo <- score_limits(s$events1, s$n1 + s$missing1)[1]; hi <- score_limits(s$events1 + s$missing1, s$n1 + s$missing1)[2]
  worst <- newcombe(s$events1, s$n1 + s$missing1, s$events0 + s$missing0, s$n0 + s$missing0)[1]
  best <- newcombe(s$events1 + s$missing1, s$n1 + s$missing1, s$events0, s$n0 + s$missing0)[2]
  c(set = s$set, value = p$qbar, se = sqrt(p$t), df = p$df, df_large = l$df, p = 2 * pt(-t, p$df),
    high = p$qbar + qt(0.975, p$df) * sqrt(p$t), fmi = p$fmi, riv = p$r, d2 = d2$F, d2_df = d2$v,
    d2_p = if (d2$F <= 0) 1 else pf(d2$F, s$k, d2$v, lower.tail = FALSE), share_low = lo, share_high = hi,
    difference_low = worst, difference_high = best)
}
values <- do.call(rbind, lapply(split(sets, sets$set), one))

# D3 by its formula: mice's own refits the intercept beside the mean coefficients, which is another statistic
ratio <- function(d) {
  parts <- split(d, d$imp); m <- length(parts); k <- 2
  full <- lapply(parts, function(e) glm(y ~ x + z, binomial, e, control = tight))
  none <- lapply(parts, function(e) glm(y ~ 1, binomial, e, control = tight))
  mean_full <- rowMeans(sapply(full, coef)); mean_none <- mean(sapply(none, coef))
  own <- mapply(function(f, g) 2 * (logLik(f) - logLik(g)), full, none)
  at <- sapply(parts, function(e) 2 * (sum(dbinom(e$y, 1, plogis(cbind(1, e$x, e$z) %*% mean_full), log = TRUE)) -
                                         sum(dbinom(e$y, 1, plogis(mean_none), log = TRUE))))
  r <- max(0, (m + 1) / (k * (m - 1)) * (mean(own) - mean(at)))
  f <- mean(at) / (k * (1 + r)); t <- k * (m - 1)
  df <- if (t > 4) 4 + (t - 4) * (1 + (1 - 2 / t) / r)^2 else t * (1 + 1 / k) * (1 + 1 / r)^2 / 2
  c(set = d$set[1], d3 = f, d3_df = df, d3_p = if (f <= 0) 1 else pf(f, k, df, lower.tail = FALSE))
}
pooled <- do.call(rbind, lapply(split(copies, copies$set), ratio))
colnames(pooled) <- c("set", "d3", "d3_df", "d3_p")
write.csv(merge(values, pooled, by = "set", all.x = TRUE), file.path(folder, "values.csv"), row.names = FALSE, na = "")
cat(R.version.string, "mice", as.character(packageVersion("mice")), "mitml", as.character(packageVersion("mitml")), "\n")
