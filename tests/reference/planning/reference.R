# Plans, p values and fragility of random scenarios by R. Usage: Rscript reference.R scenarios.csv results.csv
args <- commandArgs(trailingOnly = TRUE)
given <- read.csv(args[1], header = FALSE, stringsAsFactors = FALSE)
z <- qnorm

power_shift <- function(shift, df, alpha, sides) {
  q <- qt(1 - alpha / sides, df)
  pt(q, df, shift, lower.tail = FALSE) + if (sides == 2) pt(-q, df, shift) else 0
}
solve_n <- function(f, target, low) {
  high <- 2 * low
  if (f(low) >= target) return(low)
  while (f(high) < target) high <- 2 * high
  uniroot(function(n) f(n) - target, c(low, high), tol = 1e-12)$root
}
fisher2 <- function(e1, n1, e0, n0) fisher.test(matrix(c(e1, n1 - e1, e0, n0 - e0), 2))$p.value

kinds <- list(
  # difference in SDs, alpha, power -> size per group
  "size t" = function(v) {
    high <- power.t.test(delta = v[1], power = v[3], sig.level = v[2])$n
    uniroot(function(n) power.t.test(n = n, delta = v[1], sig.level = v[2], strict = TRUE)$power - v[3],
            c(max(high * 0.8, 1.2), high * 1.2 + 1), tol = 1e-12)$root
  },
  # n1, n0, difference in SDs, alpha, sides
  "power t" = function(v) power_shift(abs(v[3]) / sqrt(1 / v[1] + 1 / v[2]), v[1] + v[2] - 2, v[4], v[5]),
  "size paired" = function(v) solve_n(function(n) power_shift(v[1] * sqrt(n), n - 1, v[2], 2), v[3], 2),
  # n per group, alpha, power
  "detect t" = function(v) uniroot(function(d) power.t.test(n = v[1], delta = d, sig.level = v[2], strict = TRUE)$power - v[3],
                                   c(0.01, 20), tol = 1e-13)$root,
  "size pooled" = function(v) power.prop.test(p1 = v[1], p2 = v[2], sig.level = v[3], power = v[4], tol = 1e-12)$n,
  "power pooled" = function(v) power.prop.test(n = v[1], p1 = v[2], p2 = v[3], sig.level = v[4], strict = TRUE)$power,
  # p1, p0, alpha, power, ratio -> group 0: pooled, unpooled, arcsine, corrected
  "size formulas" = function(v) {
    k <- v[5]; d <- abs(v[1] - v[2]); s <- z(1 - v[3] / 2) + z(v[4])
    own <- v[1] * (1 - v[1]) / k + v[2] * (1 - v[2]); bar <- (k * v[1] + v[2]) / (k + 1)
    pooled <- (z(1 - v[3] / 2) * sqrt(bar * (1 - bar) * (k + 1) / k) + z(v[4]) * sqrt(own))^2 / d^2
    h <- 2 * asin(sqrt(v[1])) - 2 * asin(sqrt(v[2]))
    c(pooled, s^2 * own / d^2, s^2 * (1 + 1 / k) / h^2,
      pooled / 4 * (1 + sqrt(1 + 2 * (k + 1) / (k * pooled * d)))^2)
  },
  # n1, n0, margin, difference, alpha: average over the SD by adaptive quadrature
  "power tost" = function(v) {
    e <- sqrt(1 / v[1] + 1 / v[2]); df <- v[1] + v[2] - 2; q <- qt(1 - v[5], df)
    inside <- function(s) pmax(pnorm((v[3] - v[4]) / e - q * s) - pnorm(-(v[3] + v[4]) / e + q * s), 0)
    density <- function(s) 2 * s * df * dchisq(s^2 * df, df)
    top <- min(v[3] / (e * q), sqrt(qchisq(1e-16, df, lower.tail = FALSE) / df))
    parts <- seq(0, top, length.out = 21)
    sum(sapply(1:20, function(i) integrate(function(s) density(s) * inside(s), parts[i], parts[i + 1],
                                          rel.tol = 1e-12, abs.tol = 1e-15)$value))
  },
  "power noninferior" = function(v) power_shift((v[3] + v[4]) / sqrt(1 / v[1] + 1 / v[2]), v[1] + v[2] - 2, v[5], 1),
  # hazard ratio, hazard of group 0, follow-up, accrual, hazard of loss -> events, share 1, share 0, patients of group 0
  "survival" = function(v) {
    events <- 4 * (z(0.975) + z(0.8))^2 / log(v[1])^2
    seen <- function(h, t) h / (h + v[5]) * (1 - exp(-(h + v[5]) * t))
    chance <- function(h) if (v[4] == 0) seen(h, v[3]) else
      integrate(function(u) seen(h, v[3] + u), 0, v[4], rel.tol = 1e-12)$value / v[4]
    a <- chance(v[1] * v[2]); b <- chance(v[2])
    c(events, a, b, events / (a + b))
  },
  # interaction in SDs, alpha, power, four shares -> total by t, by z
  "interaction" = function(v) {
    f <- sqrt(sum(1 / v[4:7])) / v[1]
    c(solve_n(function(n) power_shift(sqrt(n) / f, n - 4, v[2], 2), v[3], 5),
      ((z(1 - v[2] / 2) + z(v[3])) * f)^2)
  },
  # half width in SDs, p1, p0, level, ratio -> mean, difference (group 0), Wilson, Newcombe (group 0), agreement limits
  "precision" = function(v) {
    q <- z((1 + v[4]) / 2)
    first <- function(f, from) { n <- from; while (f(n) > v[1]) n <- n + 1; n }
    other <- function(n) ceiling(n * v[5])
    wilson <- function(p, n) (p + q^2 / (2 * n) + c(-1, 1) * q * sqrt(p * (1 - p) / n + q^2 / (4 * n^2))) / (1 + q^2 / n)
    newcombe <- function(n) {
      a <- wilson(v[2], other(n)); b <- wilson(v[3], n)
      (sqrt((v[2] - a[1])^2 + (b[2] - v[3])^2) + sqrt((a[2] - v[2])^2 + (v[3] - b[1])^2)) / 2
    }
    tq <- function(df) qt((1 + v[4]) / 2, df)
    c(first(function(n) tq(n - 1) / sqrt(n), 2),
      first(function(n) tq(n + other(n) - 2) * sqrt(1 / n + 1 / other(n)), 2),
      first(function(n) diff(wilson(v[2], n)) / 2, 1), first(newcombe, 1),
      first(function(n) tq(n - 1) * sqrt(1 / n + z(0.975)^2 / (2 * (n - 1))), 2))
  },
  # t, df, F or chi2, df1, df2, r (n = df + 2)
  "p" = function(v) {
    r <- v[6] * sqrt(v[2] / (1 - v[6]^2))
    c(2 * pt(-abs(v[1]), v[2]), pf(v[3], v[4], v[5], lower.tail = FALSE), pchisq(v[3], v[4], lower.tail = FALSE),
      2 * pt(-abs(r), v[2]), 2 * pnorm(-abs(v[1])))
  },
  # mean, SD, n twice -> pooled, Welch at the printed numbers
  "means" = function(v) {
    d <- v[1] - v[4]; a <- v[2]^2 / v[3]; b <- v[5]^2 / v[6]
    pooled <- sqrt(((v[3] - 1) * v[2]^2 + (v[6] - 1) * v[5]^2) / (v[3] + v[6] - 2) * (1 / v[3] + 1 / v[6]))
    c(2 * pt(-abs(d / pooled), v[3] + v[6] - 2),
      2 * pt(-abs(d) / sqrt(a + b), (a + b)^2 / (a^2 / (v[3] - 1) + b^2 / (v[6] - 1))))
  },
  "counts" = function(v) {
    m <- matrix(c(v[1], v[2] - v[1], v[3], v[4] - v[3]), 2)
    c(fisher2(v[1], v[2], v[3], v[4]), chisq.test(m, correct = FALSE)$p.value, chisq.test(m)$p.value)
  },
  # events, n twice, alpha -> index by either rule (-1 when there is none), first and last p of the smaller share
  "fragility" = function(v) {
    walk <- function(arm) {
      e <- c(v[1], v[3]); n <- c(v[2], v[4]); p <- fisher2(e[1], n[1], e[2], n[2]); first <- p
      step <- if (p < v[5]) 1 else -1; k <- 0
      if (step == 1 && e[arm] / n[arm] > e[3 - arm] / n[3 - arm]) return(c(-1, first, first))
      while ((p < v[5]) == (step == 1)) {
        if (e[arm] + step < 0 || e[arm] + step > n[arm]) return(c(-1, first, p))
        e[arm] <- e[arm] + step; k <- k + 1; p <- fisher2(e[1], n[1], e[2], n[2])
      }
      c(k, first, p)
    }
    by_share <- sign(v[1] * v[4] - v[3] * v[2]); by_count <- sign(v[1] - v[3])
    arm <- function(s) if (s <= 0) 1 else 2
    c(walk(arm(if (by_count != 0) by_count else by_share))[1], walk(arm(by_share)))
  },
  # n1, n0, p1, p0, alpha -> power of Fisher's test and of chi-squared, all tables
  "exact power" = function(v) {
    a <- b <- 0
    for (i in 0:v[1]) for (j in 0:v[2]) {
      chance <- dbinom(i, v[1], v[3]) * dbinom(j, v[2], v[4])
      if (fisher2(i, v[1], j, v[2]) < v[5]) a <- a + chance
      if (i + j > 0 && i + j < v[1] + v[2] &&
          suppressWarnings(chisq.test(matrix(c(i, v[1] - i, j, v[2] - j), 2), correct = FALSE)$p.value) < v[5]) b <- b + chance
    }
    c(a, b)
  }
)
options(warn = -1)
lines <- vapply(seq_len(nrow(given)), function(i) {
  v <- as.numeric(given[i, -1]); v <- v[!is.na(v)]
  paste(trimws(formatC(kinds[[given[i, 1]]](v), digits = 12, format = "g")), collapse = ",")
}, "")
writeLines(lines, args[2])
