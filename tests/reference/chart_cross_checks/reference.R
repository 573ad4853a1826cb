# Reads data.csv from the folder given, writes results.csv there.
suppressMessages(library(spc))
folder <- commandArgs(TRUE)[1]
d <- read.csv(file.path(folder, "data.csv"))
out <- data.frame(set = d$set)
exact <- t(mapply(function(o, e) { p <- poisson.test(o, e); c(p$conf.int, p$p.value) }, d$observed, d$expected))
out$low <- exact[, 1]; out$high <- exact[, 2]
half <- function(o, m) ppois(o, m) - 0.5 * dpois(o, m)
root <- function(f, a, b) uniroot(f, c(a, b), tol = 1e-13)$root
out$mid_low <- mapply(function(o, e) if (o == 0) 0 else root(function(m) 1 - half(o, m) - 0.025, 1e-9, o + 1) / e, d$observed, d$expected)
out$mid_high <- mapply(function(o, e) root(function(m) half(o, m) - 0.025, max(o, 1e-9), o + 20 + 6 * sqrt(o)) / e, d$observed, d$expected)
r <- qbinom(d$p, d$n, d$target)
out$binomial <- (r - (pbinom(r, d$n, d$target) - d$p) / dbinom(r, d$n, d$target)) / d$n
q <- qpois(d$p, d$expected)
out$poisson <- (q - (ppois(q, d$expected) - d$p) / dpois(q, d$expected)) / d$expected
out$run_one <- mapply(function(k, h, mu) xcusum.arl(k, h, mu, sided = "one", r = 60), d$k, d$h, d$shift)
out$run_two <- mapply(function(k, h, mu) xcusum.arl(k, h, mu, sided = "two", r = 60), d$k, d$h, d$shift)
out[-1] <- lapply(out[-1], function(v) sprintf("%.10g", v))
write.csv(out, file.path(folder, "results.csv"), row.names = FALSE, quote = FALSE)
cat(R.version.string, "spc", as.character(packageVersion("spc")), "\n")
