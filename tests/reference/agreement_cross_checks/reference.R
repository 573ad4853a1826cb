# Values of R for the data sets of generate.py, which calls: Rscript reference.R DATA_FOLDER RESULT_FOLDER
suppressWarnings(suppressMessages({library(psych); library(vcd)}))
arguments <- commandArgs(trailingOnly = TRUE)
read <- function(kind) split(read.csv(file.path(arguments[1], paste0(kind, ".csv"))), ~case)
keep <- function(name, rows) {
  made <- do.call(rbind, lapply(rows, function(r) as.data.frame(as.list(r))))
  made[] <- lapply(made, function(v) ifelse(is.finite(v), signif(v, 10), NA))
  write.csv(made, file.path(arguments[2], paste0(name, ".csv")), row.names = FALSE, quote = FALSE, na = "")
}
matrix_of <- function(d) { m <- as.matrix(d[, names(d) != "case"]); m[, colSums(!is.na(m)) > 0, drop = FALSE] }

# limits of a sum of mean squares, Graybill and Wang 1980
graybill <- function(part, df) {
  g <- 1 - df / qchisq(0.975, df); h <- df / qchisq(0.025, df) - 1
  sqrt(c(max(0, sum(part) - sqrt(sum((g * part)^2))), sum(part) + sqrt(sum((h * part)^2))))
}

keep("intraclass", lapply(read("ratings"), function(d) {
  x <- matrix_of(d); n <- nrow(x); k <- ncol(x)
  t <- suppressWarnings(suppressMessages(ICC(x, lmer = FALSE)))$results
  r <- c(case = d$case[1])
  for (i in 1:6) {
    one <- c(t$ICC[i], t$p[i], t$`lower bound`[i], t$`upper bound`[i])
    names(one) <- paste(c("icc", "p", "lo", "hi"), t$type[i], sep = "_")
    r <- c(r, one)
  }
  f <- data.frame(y = c(x), s = factor(rep(1:n, k)), r = factor(rep(1:k, each = n)))
  two <- summary(aov(y ~ s + r, f))[[1]]; one <- summary(aov(y ~ s, f))[[1]]
  ms <- two$`Mean Sq`; w <- one$`Mean Sq`[2]; df <- (n - 1) * (k - 1)
  cv <- sqrt(exp(summary(aov(log(y) ~ s, f))[[1]]$`Mean Sq`[2]) - 1)
  share <- apply(x, 1, var) / rowMeans(x)^2
  a <- c(ms[2] / n, ms[3] * (n - 1) / n)
  c(r, sem_within = sqrt(w), within = graybill(w, n * (k - 1)), sem_residual = sqrt(ms[3]),
    residual = graybill(ms[3], df), sem_absolute = sqrt(sum(a)), absolute = graybill(a, c(k - 1, df)),
    cv_logs = 100 * cv, cv_root = 100 * sqrt(mean(share)), cv_root_hi = 100 * sqrt(t.test(share)$conf.int[2]))
}))

null_z <- function(p, w, n, kappa) {
  r <- rowSums(p); c <- colSums(p); pe <- sum(w * outer(r, c))
  v <- sum(outer(r, c) * (w - outer(as.vector(w %*% c), as.vector(r %*% w), "+"))^2) - pe^2
  kappa / sqrt(v / (n * (1 - pe)^2))
}
keep("kappas", lapply(read("table"), function(d) {
  x <- matrix_of(d); n <- sum(x); k <- nrow(x)
  dimnames(x) <- list(1:k, 1:k)
  distance <- abs(outer(1:k, 1:k, "-")) / (k - 1)
  l <- suppressWarnings(Kappa(as.table(x), weights = "Equal-Spacing"))
  q <- suppressWarnings(Kappa(as.table(x), weights = "Fleiss-Cohen"))
  u <- l$Unweighted
  p <- suppressWarnings(suppressMessages(psych::cohen.kappa(x)))
  margins <- sum(pmin(rowSums(x), colSums(x))) / n; pe <- sum(rowSums(x) * colSums(x)) / n^2
  c(case = d$case[1], none = u[[1]], none_se = u[[2]], none_se_psych = sqrt(p$var.kappa),
    linear = l$Weighted[[1]], linear_se = l$Weighted[[2]], quadratic = q$Weighted[[1]],
    quadratic_se = q$Weighted[[2]], none_z = null_z(x / n, diag(k), n, u[[1]]),
    quadratic_z = null_z(x / n, 1 - distance^2, n, q$Weighted[[1]]), maximum = (margins - pe) / (1 - pe))
}))

keep("fleiss", lapply(read("counts"), function(d) {
  x <- matrix_of(d); n <- nrow(x); m <- sum(x[1, ]); q <- colSums(x) / sum(x)
  pa <- (rowSums(x^2) - m) / (m * (m - 1)); pe <- sum(q^2); kappa <- (mean(pa) - pe) / (1 - pe)
  # Fleiss, Nee and Landis 1979, as in irr 0.84.1
  v <- 2 / (sum(q * (1 - q))^2 * n * m * (m - 1)) * (sum(q * (1 - q))^2 - sum(q * (1 - q) * (1 - 2 * q)))
  # Gwet 2021
  own <- (pa - pe) / (1 - pe) - 2 * (1 - kappa) * (as.vector(x %*% q) / m - pe) / (1 - pe)
  s <- sqrt(sum((own - kappa)^2) / n / (n - 1))
  c(case = d$case[1], kappa = kappa, z = kappa / sqrt(v), se = s, first = 1 - sum(x[, 1] * (m - x[, 1])) /
    (n * m * (m - 1) * q[[1]] * (1 - q[[1]])))
}))

tolerance <- function(n, p, g) {
  reach <- function(z) sapply(z, function(m) uniroot(function(r) pnorm(m + r) - pnorm(m - r) - p, c(0, m + 10), tol = 1e-14)$root)
  f <- function(k) 2 * integrate(function(z) dnorm(z) * pchisq((n - 1) * reach(z / sqrt(n))^2 / k^2, n - 1, lower.tail = FALSE),
                                 0, 9, rel.tol = 1e-11, subdivisions = 500)$value - g
  uniroot(f, c(0.1, 200), tol = 1e-12)$root
}
keep("limits", lapply(read("pairs"), function(d) {
  x <- d$a - d$b; n <- nrow(d); s <- sd(x); z <- qnorm(0.975)
  t <- t.test(d$a, d$b, paired = TRUE); l <- summary(lm(x ~ I((d$a + d$b) / 2)))$coefficients
  ends <- mean(x) + s * qt(c(0.025, 0.975), n - 1, ncp = z * sqrt(n)) / sqrt(n)
  e <- sqrt(1 / n + z^2 / (2 * (n - 1))) * s * qt(0.975, n - 1)
  pair <- if (d$case[1] %% 4 == 0) mean(x) + s * c(tolerance(n, 0.95, 0.025), tolerance(n, 0.95, 0.975)) else c(NA, NA)
  c(case = d$case[1], bias = mean(x), bias_p = t$p.value, bias_lo = t$conf.int[1], sd = s, upper = mean(x) + z * s,
    exact = ends, approximate = mean(x) + z * s + e, pair = pair, slope = l[2, 1], slope_se = l[2, 2], slope_p = l[2, 4])
}))

# Bland and Altman 1999, 2007; intervals of Zou 2013
keep("repeats", lapply(read("repeats"), function(d) {
  d$s <- factor(d$s); d$d <- d$a - d$b; m <- table(d$s); n <- length(m); N <- nrow(d); z <- qnorm(0.975)
  ms <- summary(aov(d ~ s, d))[[1]]$`Mean Sq`
  m0 <- (N - sum(m^2) / N) / (n - 1); between <- max(0, (ms[1] - ms[2]) / m0)
  sd2 <- (ms[1] - ms[2]) / m0 + ms[2]
  v <- graybill(c(ms[1] / m0, ms[2] * (1 - 1 / m0)), c(n - 1, N - n))
  w <- sapply(c("a", "b"), function(k) summary(aov(d[[k]] ~ d$s))[[1]]$`Mean Sq`[2])
  mean_d <- tapply(d$d, d$s, mean); h <- mean(1 / m)
  c2 <- var(mean_d) + (1 - h) * sum(w)
  cv <- graybill(c(var(mean_d), (1 - h) * w), c(n - 1, N - n, N - n))
  half <- qt(0.975, n - 1) * sqrt(var(mean_d) / n)
  c(case = d$case[1], bias = mean(d$d), sd = sqrt(sd2), between = sqrt(between), sd_lo = v[1], sd_hi = v[2],
    bias_constant = mean(mean_d), sd_constant = sqrt(c2), upper_hi = mean(mean_d) + z * sqrt(c2) +
      sqrt(half^2 + z^2 * (cv[2] - sqrt(c2))^2),
    upper_lo = mean(mean_d) + z * sqrt(c2) - sqrt(half^2 + z^2 * (sqrt(c2) - cv[1])^2))
}))
