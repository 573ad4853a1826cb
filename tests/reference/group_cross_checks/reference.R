# Reads the data sets that generate.py made and writes what R computes from them; called by generate.py.
suppressPackageStartupMessages({library(jsonlite); library(coin); library(car); library(emmeans)})
arg <- commandArgs(TRUE); sets <- fromJSON(arg[1], simplifyVector = FALSE)
num <- function(x) as.numeric(unlist(x))
quiet <- function(e) suppressMessages(suppressWarnings(e))
root <- function(f, lo, hi) { r <- uniroot(f, c(lo, hi), tol = 1e-14, maxiter = 1e5, extendInt = "yes")$root; r }
# noncentral F as a Poisson mixture of central betas: pf(ncp =) of R is good to about 9 digits only
pncf <- function(f, d1, d2, nc) { j <- 0:ceiling(nc + 20 * sqrt(nc) + 200); x <- d1 * f / (d1 * f + d2)
  sum(dpois(j, nc / 2) * pbeta(x, d1 / 2 + j, d2 / 2)) }
above <- function(g) { hi <- 10; while (g(hi) > 0) hi <- hi * 2; uniroot(g, c(0, hi), tol = 1e-13, maxiter = 1e5)$root }
f_limits <- function(f, d1, d2) { if (pf(f, d1, d2) < .025 || f > 500) return(c(NA, NA))
  lo <- if (pf(f, d1, d2) <= .975) 0 else above(function(nc) pncf(f, d1, d2, nc) - .975)
  c(lo, above(function(nc) pncf(f, d1, d2, nc) - .025)) }
has <- function(x, n = 2) length(x) >= n

groups <- function(s) {
  g <- lapply(s$groups, num); k <- length(g); n <- lengths(g); y <- unlist(g); f <- factor(rep(seq_len(k), n))
  o <- list()
  vary <- sapply(g, function(v) length(unique(v)) > 1)
  if (sum(n) > k && any(vary)) {
    a <- anova(lm(y ~ f)); o$f <- a$F[1]; o$f_p <- a$`Pr(>F)`[1]
    lim <- f_limits(a$F[1], a$Df[1], a$Df[2]); lim <- lim / (lim + sum(n)); o$eta <- summary(lm(y ~ f))$r.squared
    o$eta_low <- lim[1]; o$eta_high <- lim[2]
    sc <- seq_len(k); cc <- sc - mean(sc); w <- cc / sum(cc^2); m <- sapply(g, mean); s2 <- a$`Mean Sq`[2]
    est <- sum(w * m); se <- sqrt(s2 * sum(w^2 / n)); df <- sum(n) - k
    o$slope <- est; o$slope_se <- se; o$slope_p <- 2 * pt(-abs(est / se), df); o$slope_high <- est + qt(.975, df) * se
    # Tukey: R's own differences and errors; the range distribution is added by generate.py
    for (i in 1:(k - 1)) for (j in (i + 1):k) {
      id <- paste0("t", i, j); d <- m[i] - m[j]; se <- sqrt(s2 * (1 / n[i] + 1 / n[j]))
      o[[paste0(id, "_d")]] <- d; o[[paste0(id, "_se")]] <- se }
    t <- quiet(TukeyHSD(aov(y ~ f)))$f; o$tukey_d21 <- t[1, "diff"]
  }
  for (i in 1:(k - 1)) for (j in (i + 1):k) if (n[i] > 1 && n[j] > 1 && (vary[i] || vary[j])) {
    w <- t.test(g[[i]], g[[j]]); id <- paste0("g", i, j)
    o[[paste0(id, "_se")]] <- w$stderr; o[[paste0(id, "_df")]] <- unname(w$parameter) }
  if (all(vary)) { w <- oneway.test(y ~ f); o$welch_f <- unname(w$statistic)
    o$welch_df <- unname(w$parameter[2]); o$welch_p <- w$p.value
    sc <- seq_len(k); cc <- sc - mean(sc); w <- cc / sum(cc^2); v <- sapply(g, var); vv <- w^2 * v / n
    df <- sum(vv)^2 / sum(vv^2 / (n - 1)); est <- sum(w * sapply(g, mean))
    o$wslope_df <- df; o$wslope_p <- 2 * pt(-abs(est / sqrt(sum(vv))), df) }
  if (length(unique(y)) > 1) {
    q <- kruskal.test(y, f); o$h <- unname(q$statistic); o$h_p <- q$p.value
    # with the groups as numbers, Kendall's S is twice the Jonckheere-Terpstra count less its greatest value
    q <- quiet(cor.test(as.numeric(f), y, method = "kendall", exact = FALSE, continuity = FALSE))
    o$jt_z <- unname(q$statistic); o$jt_p <- q$p.value }
  a <- g[[1]]; b <- g[[2]]; both <- c(a, b)
  if (has(a) && has(b) && (vary[1] || vary[2])) {
    w <- t.test(a, b); p <- t.test(a, b, var.equal = TRUE)
    o$d <- unname(diff(rev(w$estimate))); o$d_se <- w$stderr; o$d_df <- unname(w$parameter); o$d_p <- w$p.value
    o$d_low <- w$conf.int[1]; o$d_high <- w$conf.int[2]; o$p_se <- p$stderr; o$p_p <- p$p.value
    o$p_low <- p$conf.int[1]; o$p_high <- p$conf.int[2]
    t <- unname(p$statistic); df <- unname(p$parameter); r <- sqrt(1 / length(a) + 1 / length(b)); o$cohen <- t * r
    if (abs(t) < 15) {  # pt(ncp =) fails beyond 37.6 o$cohen_low <- root(function(nc) pt(-t, df, -nc) - .025, t - 3, t + 3) * r
      o$cohen_high <- root(function(nc) .025 - pt(t, df, nc), t - 3, t + 3) * r
      j <- exp(lgamma(df / 2) - lgamma((df - 1) / 2)) / sqrt(df / 2); o$hedges <- j * t * r } }
  if (length(unique(both)) > 1) {
    w <- quiet(wilcox.test(a, b, exact = FALSE)); o$u <- unname(w$statistic); o$u_normal <- w$p.value
    if (!anyDuplicated(both)) { w <- quiet(wilcox.test(a, b, exact = TRUE, conf.int = TRUE)); o$u_exact <- w$p.value
      o$hl <- unname(w$estimate)
      # R gives an interval below its level when the level cannot be had; ours gives none
      if (qwilcox(.025, length(a), length(b)) > 0) { o$hl_low <- w$conf.int[1]; o$hl_high <- w$conf.int[2] } }
    h <- factor(rep(1:2, c(length(a), length(b))))
    if (choose(length(both), length(a)) <= 2000) {
      # every arrangement of the two groups; differences beside rounding are equal
      sums <- combn(length(both), length(a), function(i) sum(both[i]) * length(both) - length(a) * sum(both))
      seen <- sum(a) * length(both) - length(a) * sum(both); e <- 1e-7
      o$perm <- mean(abs(sums) >= abs(seen) - e); o$perm_up <- mean(sums >= seen - e)
      med <- combn(length(both), length(a), function(i) median(both[i]) - median(both[-i]))
      o$perm_median <- mean(abs(med) >= abs(median(a) - median(b)) - e)
    }
    if (choose(length(both), length(a)) <= 400 && length(a) > 1 && length(b) > 1)
      o$perm_coin <- as.numeric(pvalue(oneway_test(both ~ h, distribution = "exact"))) }
  o
}

two_factors <- function(s) {
  y <- num(s$y); a <- factor(num(s$a)); b <- factor(num(s$b)); o <- list()
  if (nlevels(a) < 2 || nlevels(b) < 2) return(o)
  full <- lm(y ~ a * b); if (full$df.residual < 1 || deviance(full) / length(y) < 1e-18 * max(y^2)) return(o)
  ms <- deviance(full) / full$df.residual
  add <- function(name, small, large) { q <- small$df.residual - large$df.residual
    if (q > 0) { f <- (deviance(small) - deviance(large)) / q / ms
      o[[paste0(name, "_f")]] <<- f; o[[paste0(name, "_p")]] <<- pf(f, q, full$df.residual, lower.tail = FALSE) } }
  add("a1", lm(y ~ 1), lm(y ~ a)); add("b1", lm(y ~ a), lm(y ~ a + b)); add("a2", lm(y ~ b), lm(y ~ a + b))
  add("ab", lm(y ~ a + b), full); o$ss <- deviance(full)
  if (!anyNA(coef(full))) {
    third <- Anova(lm(y ~ a * b, contrasts = list(a = contr.sum, b = contr.sum)), type = 3)
    o$a3_f <- third["a", "F value"]; o$b3_f <- third["b", "F value"]; o$a3_p <- third["a", "Pr(>F)"]
    second <- Anova(full, type = 2); o$car_a2_f <- second["a", "F value"]; o$car_b2_f <- second["b", "F value"]
    f <- third["b", "F value"]; d <- third["b", "Df"]; l <- f_limits(f, d, full$df.residual)
    o$b3_eta_high <- l[2] / (l[2] + d + full$df.residual + 1) }
  o
}

covariates <- function(s) {
  t <- data.frame(y = num(s$y), g = factor(num(s$g)), x = num(s$x), z = num(s$z)); o <- list()
  fit <- lm(y ~ g + x + z, t); if (anyNA(coef(fit)) || fit$df.residual < 1) return(o)
  e <- as.data.frame(summary(emmeans(fit, "g"))); s <- summary(fit)$coefficients
  for (i in seq_len(nrow(e))) { o[[paste0("m", i)]] <- e$emmean[i]; o[[paste0("m_se", i)]] <- e$SE[i]
    o[[paste0("m_low", i)]] <- e$lower.CL[i] }
  ci <- confint(fit); o$d <- s["g1", 1]; o$d_se <- s["g1", 2]; o$d_p <- s["g1", 4]; o$d_low <- ci["g1", 1]
  o$d_high <- ci["g1", 2]; o$slope <- s["x", 1]; o$slope_p <- s["x", 4]
  small <- lm(y ~ x + z, t); a <- anova(small, fit); o$f <- a$F[2]; o$f_p <- a$`Pr(>F)`[2]
  ll <- as.numeric(2 * (logLik(fit) - logLik(small))); o$lr <- ll
  o$lr_p <- pchisq(ll, nlevels(t$g) - 1, lower.tail = FALSE); o$aic <- AIC(fit); o$bic <- BIC(fit)
  o$aic_small <- AIC(small); o$r2 <- summary(fit)$r.squared
  o$eta <- a$`Sum of Sq`[2] / (a$`Sum of Sq`[2] + deviance(fit))
  slopes <- lm(y ~ g * (x + z), t); a <- anova(fit, slopes)
  if (slopes$df.residual > 0 && a$Df[2] > 0) { o$slopes_f <- a$F[2]; o$slopes_p <- a$`Pr(>F)`[2] }
  o
}

strata <- function(s) {
  y <- num(s$y); g <- factor(num(s$first), c(0, 1)); b <- factor(num(s$stratum)); o <- list()
  useful <- sapply(levels(b), function(l) length(unique(g[b == l])) == 2)
  if (!any(useful)) return(o)
  keep <- b %in% levels(b)[useful]; y <- y[keep]; g <- g[keep]; b <- factor(b[keep])
  if (all(tapply(y, b, function(v) length(unique(v)) == 1))) return(o)
  score <- unsplit(lapply(split(y, b), function(v) rank(v) / (length(v) + 1)), b)
  ranks <- unsplit(lapply(split(y, b), rank), b)
  one <- function(v) if (nlevels(b) > 1) independence_test(v ~ g | b, teststat = "scalar") else
    independence_test(v ~ g, teststat = "scalar")
  # coin takes the first level of the group as its own; ours is the second level
  for (v in c("score", "ranks")) { t <- one(get(v)); z <- statistic(t)
    o[[paste0(v, "_z2")]] <- as.numeric(z)^2; o[[paste0(v, "_p")]] <- as.numeric(pvalue(t)) }
  first <- g == "1"; total <- sum(y[first]) - sum(tapply(seq_along(y), b, function(i) sum(first[i]) * mean(y[i])))
  o$direction <- sign(round(sum(score[first]) - sum(tapply(seq_along(y), b, function(i) sum(first[i]) * mean(score[i]))), 9))
  parts <- lapply(levels(b), function(l) { i <- which(b == l); m <- sum(first[i]); yy <- y[i]
    combn(length(i), m, function(j) sum(yy[j]) - m * mean(yy)) })
  every <- Reduce(function(u, v) as.vector(outer(u, v, "+")), parts)
  o$perm <- mean(abs(every) >= abs(total) - 1e-8); o$perm_less <- mean(every <= total + 1e-8)
  o$arrangements <- length(every); o
}

pairs <- function(s) {
  a <- num(s$a); b <- num(s$b); d <- round(a - b, 8); o <- list()
  if (length(unique(d)) > 1) { t <- t.test(a, b, paired = TRUE); o$d <- unname(t$estimate); o$d_se <- t$stderr
    o$d_p <- t$p.value; o$d_low <- t$conf.int[1]; o$d_high <- t$conf.int[2] }
  e <- d[d != 0]
  if (length(e)) {
    # zeros are taken out first, as wilcox.test does too
    w <- quiet(wilcox.test(e, exact = FALSE)); o$w_normal <- w$p.value
    walsh <- outer(e, e, "+") / 2; o$w_median <- median(walsh[lower.tri(walsh, diag = TRUE)])
    if (!anyDuplicated(abs(e)) && length(e) == length(d)) { w <- quiet(wilcox.test(e, exact = TRUE, conf.int = TRUE))
      o$w_exact <- w$p.value
      if (qsignrank(.025, length(e)) > 0) { o$w_low <- w$conf.int[1]; o$w_high <- w$conf.int[2] } } }
  m <- matrix(num(s$table), 2, byrow = TRUE); p <- m[1, 2]; q <- m[2, 1]
  if (p + q > 0) { o$mc <- unname(mcnemar.test(m, correct = FALSE)$statistic)
    o$mc_p <- mcnemar.test(m, correct = FALSE)$p.value
    if (p != q) o$mc_corrected_p <- mcnemar.test(m, correct = TRUE)$p.value
    o$mc_exact <- binom.test(p, p + q)$p.value
    o$mc_mid <- if (p == q) 1 - dbinom(p, p + q, .5) / 2 else binom.test(p, p + q)$p.value - dbinom(p, p + q, .5)
    if (p > 0 && q > 0) { l <- binom.test(p, p + q)$conf.int; o$mc_low <- l[1] / (1 - l[1]); o$mc_high <- l[2] / (1 - l[2]) } }
  o
}

shares <- function(s) {
  e <- num(s$events); n <- num(s$n); sc <- num(s$scores); m <- sum(e); o <- list()
  if (m == 0 || m == sum(n)) return(o)
  t <- quiet(prop.trend.test(e, n, sc)); o$chi2 <- unname(t$statistic); o$p <- t$p.value
  if (prod(n + 1) <= 5000) {
    x <- as.matrix(expand.grid(lapply(n, function(k) 0:k))); x <- x[rowSums(x) == m, , drop = FALSE]
    w <- apply(x, 1, function(r) prod(choose(n, r))); v <- x %*% sc - m * sum(n * sc) / sum(n)
    seen <- sum(e * sc) - m * sum(n * sc) / sum(n)
    o$exact <- sum(w[abs(v) >= abs(seen) - 1e-9]) / sum(w) }
  o
}

make <- list(groups = groups, `two factors` = two_factors, covariates = covariates, strata = strata, pairs = pairs,
             shares = shares)
out <- lapply(names(sets), function(k) lapply(sets[[k]], make[[k]])); names(out) <- names(sets)
write(toJSON(out, auto_unbox = TRUE, digits = NA, na = "null"), arg[2])
v <- function(p) as.character(packageVersion(p))
cat("R", as.character(getRversion()), " coin", v("coin"), " car", v("car"), " emmeans", v("emmeans"), "\n")
