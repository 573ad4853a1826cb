# Computes the reference values of the tables that make.py hands over (three csv files in the folder given).
# Score limits: the likelihood is maximised under each effect by solving its derivative, no closed form is used.
suppressPackageStartupMessages({library(metafor); library(epiR); library(Epi); library(epitools)})
folder <- commandArgs(TRUE)[1]; z <- qnorm(.975)
solve1 <- function(f, lo, hi) {
  a <- f(lo); b <- f(hi)
  if (is.na(a) || is.na(b)) return(NA)
  if (a == 0) return(lo); if (b == 0) return(hi)
  if (sign(a) == sign(b)) return(NA)
  uniroot(f, c(lo, hi), tol = 1e-15, maxiter = 10000, check.conv = FALSE)$root
}
part <- function(x, y) if (x == 0) 0 else x / y
# likeliest risks under an effect; link gives p1 and its derivative by p0
under <- function(x1, n1, x0, n0, link, lo, hi) {
  g <- function(p) { l <- link(p)
    (part(x1, l[1]) - part(n1 - x1, 1 - l[1])) * l[2] + part(x0, p) - part(n0 - x0, 1 - p) }
  w <- (hi - lo) * 1e-13; a <- g(lo + w); b <- g(hi - w)
  p0 <- if (a <= 0) lo else if (b >= 0) hi else uniroot(g, c(lo + w, hi - w), tol = 1e-16, maxiter = 10000)$root
  c(link(p0)[1], p0)
}
parts <- function(measure, x1, n1, x0, n0, e) {
  if (measure == "rd") { p <- under(x1, n1, x0, n0, function(p) c(p + e, 1), max(0, -e), min(1, 1 - e)); gap <- x1/n1 - x0/n0 - e
    v <- p[1]*(1-p[1])/n1 + p[2]*(1-p[2])/n0 }
  if (measure == "rr") { p <- under(x1, n1, x0, n0, function(p) c(e * p, e), 0, min(1, 1 / e)); gap <- x1/n1 - e * x0/n0
    v <- p[1]*(1-p[1])/n1 + e^2 * p[2]*(1-p[2])/n0 }
  if (measure == "or") { p <- under(x1, n1, x0, n0, function(p) c(e*p/(1-p+e*p), e/(1-p+e*p)^2), 0, 1)
    gap <- (x1/n1 - p[1]) / (p[1]*(1-p[1])) - (x0/n0 - p[2]) / (p[2]*(1-p[2]))
    v <- 1/(n1*p[1]*(1-p[1])) + 1/(n0*p[2]*(1-p[2])) }
  c(gap, v)
}
limits <- function(measure, x1, n1, x0, n0, factor) {
  f <- function(s) function(t) { e <- if (measure == "rd") t else exp(t)
    q <- parts(measure, x1, n1, x0, n0, e); q[1] - s * z * sqrt(factor * q[2]) }
  if (measure == "rd") { est <- x1/n1 - x0/n0; ends <- c(-1 + 1e-12, 1 - 1e-12) } else {
    est <- if (measure == "rr") log(x1/n1) - log(x0/n0) else log(x1) + log(n0-x0) - log(x0) - log(n1-x1); ends <- c(-18, 18) }
  lo <- if (est <= ends[1]) ends[1] else solve1(f(1), ends[1], if (is.finite(est)) est - 1e-9 else ends[2])
  hi <- if (est >= ends[2]) ends[2] else solve1(f(-1), if (is.finite(est)) est + 1e-9 else ends[1], ends[2])
  if (measure == "rd") { if (est == -1) lo <- -1; if (est == 1) hi <- 1; c(lo, hi) } else
    c(if (est == -Inf) 0 else exp(lo), if (est == Inf) NA else exp(hi))
}
dnc <- function(t, s, n1, n0, m) { d <- dhyper(s, n1, n0, m, log = TRUE) + s * t; d <- exp(d - max(d)); d / sum(d) }
exactor <- function(x1, n1, x0, n0) {
  m <- x1 + x0; s <- max(0, m - n0):min(n1, m); up <- function(t, h) { d <- dnc(t, s, n1, n0, m); sum(d[s > x1]) + h * d[s == x1] }
  est <- if (x1 == min(s)) 0 else if (x1 == max(s)) NA else exp(solve1(function(t) sum(s * dnc(t, s, n1, n0, m)) - x1, -40, 40))
  lim <- function(h) c(if (x1 == min(s)) 0 else exp(solve1(function(t) up(t, h) - .025, -40, 40)),
                       if (x1 == max(s)) NA else exp(solve1(function(t) up(t, 1 - h) - .975, -40, 40)))
  mid <- min(1, 2 * min(up(0, .5), 1 - up(0, .5)))
  c(or = est, ex = lim(1), mid = lim(.5), midp = mid)
}
midshare <- function(x, n) c(
  if (x == 0) 0 else solve1(function(p) pbinom(x, n, p, FALSE) + dbinom(x, n, p) / 2 - .025, 0, x / n),
  if (x == n) 1 else solve1(function(p) pbinom(x, n, p, FALSE) + dbinom(x, n, p) / 2 - .975, x / n, 1))
quiet <- function(e) suppressWarnings(suppressMessages(e))
try_ <- function(e, n) { v <- try(quiet(e), silent = TRUE); if (inherits(v, "try-error")) rep(NA, n) else as.numeric(v) }
ok <- function(v) ifelse(is.finite(v), v, NA)

one <- function(r) {
  x1 <- r[1]; n1 <- r[2]; x0 <- r[3]; n0 <- r[4]; N <- n1 + n0; f <- N / (N - 1); X <- rbind(c(x1, n1 - x1), c(x0, n0 - x0))
  v <- c(wilson = try_(prop.test(x0, n0, correct = FALSE)$conf.int, 2), exact = try_(binom.test(x0, n0)$conf.int, 2),
         midshare = midshare(x0, n0))
  both <- n1 > 0; mixed <- both && x1 + x0 > 0 && x1 + x0 < N; some <- both && x1 + x0 > 0
  na <- function(k) rep(NA, k)
  v <- c(v, newcombe = if (both) try_(ci.pd(x1, x0, n1 - x1, n0 - x0, print = FALSE)[6:7], 2) else na(2),
    mn = if (both) limits("rd", x1, n1, x0, n0, f) else na(2), mee = if (both) limits("rd", x1, n1, x0, n0, 1) else na(2),
    mnrr = if (some) limits("rr", x1, n1, x0, n0, f) else na(2), koopman = if (some) limits("rr", x1, n1, x0, n0, 1) else na(2),
    mnor = if (mixed) limits("or", x1, n1, x0, n0, f) else na(2), scor = if (mixed) limits("or", x1, n1, x0, n0, 1) else na(2),
    fm = if (both) { q <- parts("rd", x1, n1, x0, n0, -.1); if (q[2] > 1e-12) pnorm(q[1] / sqrt(q[2]), lower.tail = FALSE) else NA } else NA,
    chi2 = if (mixed) try_(chisq.test(X, correct = FALSE)$statistic, 1) else NA,
    fisher = if (mixed) c(fisher.test(X)$p.value, fisher.test(X, alternative = "less")$p.value, fisher.test(X, alternative = "greater")$p.value) else na(3),
    if (mixed) exactor(x1, n1, x0, n0) else c(or = NA, ex = na(2), mid = na(2), midp = NA))
  katz <- if (x1 > 0 && x0 > 0 && both && !(x1 == n1 && x0 == n0)) try_(summary(escalc("RR", ai = x1, n1i = n1, ci = x0, n2i = n0, add = 0, to = "none"))[c("yi","sei","ci.lb","ci.ub")], 4) else na(4)
  woolf <- if (all(X > 0)) try_(summary(escalc("OR", ai = x1, n1i = n1, ci = x0, n2i = n0))[c("yi","sei","ci.lb","ci.ub")], 4) else na(4)
  c(v, katz = katz, woolf = woolf)
}
tables <- as.matrix(read.csv(file.path(folder, "two_by_two.csv"), header = FALSE))
res <- t(apply(tables, 1, one))
both <- function(...) c(t(outer(c(...), c("low", "high"), paste, sep = ".")))
colnames(res) <- c(both("wilson", "exact", "midshare", "newcombe", "mn", "mee", "mnrr", "koopman", "mnor", "scor"), "fm", "chi2",
  "fisher_two", "fisher_less", "fisher_greater", "or", both("or"), both("mid"), "mid_p",
  "katz", "katz_se", both("katz"), "woolf", "woolf_se", both("woolf"))
write.csv(signif(ok(res), 10), file.path(folder, "two_by_two_r.csv"), row.names = FALSE, na = "", quote = FALSE)

newcombe_strata <- function(a) {
  n1 <- a[, 1] + a[, 2]; n0 <- a[, 3] + a[, 4]; w <- n1 * n0 / (n1 + n0); w <- w / sum(w)
  wl <- function(x, n) { p <- x / n; v <- p * (1 - p) / n; if (all(v == 0)) v <- 1 / n
    q <- z * sqrt(sum(w^2 * v)) / sum(w * sqrt(v)); cl <- 2 * pnorm(q) - 1
    l <- sapply(seq_along(x), function(i) quiet(prop.test(x[i], n[i], conf.level = cl, correct = FALSE)$conf.int))
    c(sum(w * l[1, ]), sum(w * l[2, ])) }
  d <- sum(w * (a[, 1] / n1 - a[, 3] / n0)); l1 <- wl(a[, 1], n1); l0 <- wl(a[, 3], n0); s1 <- sum(w^2 / n1); s0 <- sum(w^2 / n0)
  c(d, max(-1, d - z * sqrt(s1 * l1[1] * (1 - l1[1]) + s0 * l0[2] * (1 - l0[2]))), min(1, d + z * sqrt(s1 * l1[2] * (1 - l1[2]) + s0 * l0[1] * (1 - l0[1]))))
}
mn_strata <- function(a) {
  n1 <- a[, 1] + a[, 2]; n0 <- a[, 3] + a[, 4]; N <- n1 + n0; w <- n1 * n0 / N; w <- w / sum(w); d <- sum(w * (a[, 1] / n1 - a[, 3] / n0))
  f <- function(s) function(e) { q <- sapply(seq_along(N), function(i) parts("rd", a[i, 1], n1[i], a[i, 3], n0[i], e))
    sum(w * q[1, ]) - s * z * sqrt(sum(w^2 * q[2, ] * N / (N - 1))) }
  c(if (d == -1) -1 else solve1(f(1), -1 + 1e-12, d - 1e-9), if (d == 1) 1 else solve1(f(-1), d + 1e-9, 1 - 1e-12))
}
pooled <- function(a) {
  a <- a[a[, 1] + a[, 2] > 0 & a[, 3] + a[, 4] > 0, , drop = FALSE]   # strata without a group
  inf <- a[, 1] + a[, 3] > 0 & a[, 2] + a[, 4] > 0
  mh <- function(m) { q <- try(quiet(rma.mh(measure = m, ai = a[, 1], bi = a[, 2], ci = a[, 3], di = a[, 4], add = 0, to = "none", drop00 = FALSE, correct = FALSE)), silent = TRUE)
    if (inherits(q, "try-error")) rep(NA, 7) else { QE <- if (is.null(q$QE)) NA else q$QE; if (q$k.yi < 2) QE <- NA
      TA <- if (m == "OR" && sum(inf) > 1) q$TA else NA; MH <- if (m == "OR") q$MH else NA
      ok(c(q$beta, q$se, q$ci.lb, q$ci.ub, QE, if (is.null(TA)) NA else TA, MH)) } }
  green <- NA
  if (nrow(a) > 1) { g <- try(quiet(epi.2by2(array(t(a[, c(1, 3, 2, 4)]), c(2, 2, nrow(a))), method = "cohort.count")$massoc.detail$ARisk.mh.green), silent = TRUE)
    if (!inherits(g, "try-error") && !is.null(g)) green <- (as.numeric(g$upper) - as.numeric(g$lower)) / 200 / z }
  X <- array(t(a[inf, c(1, 3, 2, 4), drop = FALSE]), c(2, 2, sum(inf)))
  cmh <- if (sum(inf) > 1) try_(unlist(mantelhaen.test(X, correct = FALSE)[c("statistic", "p.value")]), 2) else c(NA, NA)
  c(or = mh("OR"), rr = mh("RR")[1:5], rd = mh("RD")[1:5], green = green, cmh = cmh, ys = newcombe_strata(a), smn = mn_strata(a))
}
long <- read.csv(file.path(folder, "strata.csv"), header = FALSE)
res <- t(sapply(split(long[, -1], long[, 1]), function(a) pooled(as.matrix(a))))
colnames(res) <- c("or", "or_se", both("or"), "or_q", "tarone", "mh", "rr", "rr_se", both("rr"), "rr_q",
  "rd", "rd_se", both("rd"), "rd_q", "green_se", "cmh", "cmh_p", "ys", both("ys"), both("smn"))
write.csv(signif(res, 10), file.path(folder, "strata_r.csv"), row.names = FALSE, na = "", quote = FALSE)

p <- read.csv(file.path(folder, "families.csv"), header = FALSE, na.strings = "")
res <- do.call(rbind, lapply(split(p[, 2], p[, 1]), function(q) sapply(c("bonferroni", "holm", "hochberg", "hommel", "BH", "BY"), function(m) p.adjust(q, m))))
write.csv(signif(res, 10), file.path(folder, "families_r.csv"), row.names = FALSE, na = "", quote = FALSE)
cat(R.version.string, "; ", paste(sapply(c("metafor", "epiR", "Epi", "epitools"), function(k) paste(k, packageVersion(k))), collapse = ", "), "\n", sep = "")
