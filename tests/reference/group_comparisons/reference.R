# Writes samples.csv, tables.csv and results.csv: random small data sets and what base R makes of them.
# Rscript reference.R     (made with R 4.2.2, Debian 12; base packages only)
RNGversion("4.2.0"); set.seed(20261124)
samples <- NULL; tables <- NULL; results <- NULL
number <- function(x) sprintf("%.15g", x)
keep <- function(set, case, ...) {
  v <- c(...)
  results <<- rbind(results, data.frame(set, case, name = names(v), value = number(v)))
}
data <- function(set, case, groups) for (g in seq_along(groups))
  samples <<- rbind(samples, data.frame(set, case, group = g, value = number(groups[[g]])))
table_of <- function(set, case, counts, stratum = 1)
  tables <<- rbind(tables, data.frame(set, case, stratum, row = c(row(counts)), column = c(col(counts)),
                                      count = c(counts)))
ci <- function(test) setNames(as.numeric(test$conf.int), c("low", "high"))

# two samples: every other one rounded to whole numbers, so that values tie
for (case in 1:60) {
  a <- round(rnorm(sample(4:25, 1), 50, 10), 4)
  b <- round(rnorm(sample(4:25, 1), 45, sample(c(5, 10, 20), 1)), 4)
  if (case %% 2 == 0) { a <- round(a / 4); b <- round(b / 4) }
  data("two samples", case, list(a, b))
  w <- t.test(a, b); p <- t.test(a, b, var.equal = TRUE)
  keep("two samples", case, welch_se = w$stderr, welch_df = unname(w$parameter), welch_p = w$p.value,
       welch = ci(w), pooled_p = p$p.value, pooled = ci(p), mean = mean(a), sd = sd(a),
       q = setNames(quantile(a, c(.25, .5, .75), type = 7), c("1", "2", "3")),
       normal_p = suppressWarnings(wilcox.test(a, b, exact = FALSE)$p.value))
  if (case %% 2 == 1) {
    m <- wilcox.test(a, b, conf.int = TRUE, exact = TRUE)
    keep("two samples", case, u = unname(m$statistic), exact_p = m$p.value, shift = unname(m$estimate),
         shift = ci(m))
  }
}

# several samples
for (case in 1:40) {
  groups <- lapply(seq_len(sample(3:6, 1)), function(i)
    round(rnorm(sample(3:15, 1), 20 + i, sample(1:6, 1)), 4))
  if (case %% 2 == 0) groups <- lapply(groups, round)
  data("several samples", case, groups)
  y <- unlist(groups); g <- factor(rep(seq_along(groups), lengths(groups)))
  o <- oneway.test(y ~ g, var.equal = TRUE); k <- kruskal.test(y, g)
  keep("several samples", case, f = unname(o$statistic), p = o$p.value, h = unname(k$statistic), h_p = k$p.value)
  if (all(tapply(y, g, var) > 0)) {
    v <- oneway.test(y ~ g)
    keep("several samples", case, welch_f = unname(v$statistic), welch_df = unname(v$parameter[2]),
         welch_p = v$p.value)
  }
}

# 2 x 2 tables: rows groups, columns event and no event
dnc <- function(psi, s, n1, n0, m) {
  d <- dhyper(s, n1, n0, m, log = TRUE) + s * log(psi); d <- exp(d - max(d)); d / sum(d)
}
solve_psi <- function(f) exp(uniroot(function(t) f(exp(t)), c(-40, 40), tol = 1e-15, maxiter = 10000)$root)
for (case in 1:120) {
  n <- sample(3:60, 2, TRUE); e <- rbinom(2, n, sample(c(.05, .1, .3, .5, .9), 2, TRUE))
  x <- cbind(e, n - e); table_of("two proportions", case, x)
  w <- suppressWarnings(prop.test(e[1], n[1], correct = FALSE)); b <- binom.test(e[1], n[1])
  v <- suppressWarnings(prop.test(e[2], n[2], correct = FALSE))
  p <- e / n; l <- c(w$conf.int[1], v$conf.int[1]); u <- c(w$conf.int[2], v$conf.int[2])
  d <- p[1] - p[2]
  keep("two proportions", case, wilson = ci(w), exact = ci(b),
       newcombe.low = d - sqrt((p[1] - l[1])^2 + (u[2] - p[2])^2),
       newcombe.high = d + sqrt((u[1] - p[1])^2 + (p[2] - l[2])^2))
  m <- sum(e); if (m == 0 || m == sum(n)) next
  keep("two proportions", case, fisher_two = as.numeric(fisher.test(x)$p.value),
       fisher_less = fisher.test(x, alternative = "less")$p.value[[1]],
       fisher_greater = fisher.test(x, alternative = "greater")$p.value[[1]],
       chi2 = unname(suppressWarnings(chisq.test(x, correct = FALSE))$statistic))
  s <- max(0, m - n[2]):min(n[1], m)
  if (e[1] > min(s) && e[1] < max(s)) keep("two proportions", case,
    or = solve_psi(function(q) sum(s * dnc(q, s, n[1], n[2], m)) - e[1]),
    or.low = solve_psi(function(q) sum(dnc(q, s, n[1], n[2], m)[s >= e[1]]) - .025),
    or.high = solve_psi(function(q) sum(dnc(q, s, n[1], n[2], m)[s <= e[1]]) - .025))
}

# 2 x 2 x k tables; some strata have no events or nobody without
for (case in 1:60) {
  k <- sample(2:6, 1); x <- array(0, c(2, 2, k))
  for (i in 1:k) {
    n <- sample(2:40, 2, TRUE); e <- rbinom(2, n, sample(c(0, .1, .3, .6), 1)); x[, , i] <- cbind(e, n - e)
    table_of("strata", case, x[, , i], i)
  }
  a <- mantelhaen.test(x, correct = TRUE); b <- mantelhaen.test(x, correct = FALSE)
  if (is.finite(b$statistic)) keep("strata", case, corrected = unname(a$statistic), corrected_p = a$p.value,
    plain = unname(b$statistic), plain_p = b$p.value)
  if (is.finite(b$estimate) && b$estimate > 0) keep("strata", case, or = unname(b$estimate), or = ci(b))
}

# r x c tables
for (case in 1:40) {
  size <- sample(2:4, 2, TRUE); x <- matrix(rpois(prod(size), sample(c(1, 2, 5), 1)), nrow = size[1])
  if (any(rowSums(x) == 0) || any(colSums(x) == 0)) next
  table_of("r x c", case, x)
  t <- suppressWarnings(chisq.test(x, correct = FALSE))
  keep("r x c", case, chi2 = unname(t$statistic), p = t$p.value, exact = fisher.test(x)$p.value)
}

# families of p-values, some missing
for (case in 1:20) {
  p <- signif(runif(sample(2:12, 1))^3, 4); p[runif(length(p)) < .2] <- NA
  samples <- rbind(samples, data.frame(set = "family", case, group = 1, value = number(p)))
  results <- rbind(results, data.frame(set = "family", case, name = paste0("p", seq_along(p)),
                                       value = number(p.adjust(p, "holm"))))
}
write.csv(samples, "samples.csv", row.names = FALSE, quote = FALSE)
write.csv(tables, "tables.csv", row.names = FALSE, quote = FALSE)
write.csv(results, "results.csv", row.names = FALSE, quote = FALSE)
cat(nrow(results), "values\n"); cat(R.version.string, "\n")
