# Reads data.csv and recurrent.csv from the folder given, writes results.csv there.
suppressMessages({library(survival); library(cmprsk); library(mets)})
folder <- commandArgs(TRUE)[1]
d <- read.csv(file.path(folder, "data.csv")); r <- read.csv(file.path(folder, "recurrent.csv"))
e <- read.csv(file.path(folder, "events.csv"))
times <- c(4, 8)
try0 <- function(expr, n) { out <- tryCatch(suppressWarnings(expr), error = function(err) rep(NA, n)); if (length(out) != n) rep(NA, n) else out }
step <- function(curve, what, t) { # last value of a step curve at t; NA beyond it
  if (t > max(curve$time)) return(NA); i <- sum(curve$time <= t); if (i == 0) 0 else curve[[what]][i] }
incidence <- function(x) { # estimate and variance of cause 1, groups 0 and 1, both times
  out <- c()
  for (g in 0:1) { y <- x[x$group == g, ]
    if (nrow(y) == 0 || !any(y$event == 1)) { out <- c(out, rep(NA, 4)); next }
    tp <- timepoints(cuminc(y$time, y$event), times); i <- grep(" 1$", rownames(tp$est))
    out <- c(out, tp$est[i, ], tp$var[i, ]) }
  out }
jackknife <- function(x) { # error of cause 1 without and with clusters, both from the influence values
  out <- c()
  for (g in 0:1) { y <- x[x$group == g, ]
    if (nrow(y) < 2 || !any(y$event == 1)) { out <- c(out, rep(NA, 4)); next }
    y$id <- seq_len(nrow(y)); y$status <- factor(y$event, 0:2, c("none", "a", "b"))
    f <- survfit(Surv(time, status) ~ 1, data = y, id = id, timefix = FALSE, influence = TRUE)
    inf <- f$influence.pstate; ahead <- dim(inf)[2] - length(f$time) # a first slice for time 0
    for (t in times) { i <- sum(f$time <= t)
      out <- c(out, if (t > max(y$time) || i == 0) c(NA, NA) else
        c(f$std.err[i, 2], sqrt(sum(rowsum(inf[, i + ahead, 2], y$cluster)^2)))) } }
  out }
grays <- function(x) {
  one <- if (length(unique(x$group)) > 1 && any(x$event == 1)) try0(cuminc(x$time, x$event, x$group)$Tests["1", "stat"], 1) else NA
  three <- if (length(unique(x$third)) > 2 && any(x$event == 1)) try0(cuminc(x$time, x$event, x$third, x$stratum)$Tests["1", "stat"], 1) else NA
  c(one, three) }
regress <- function(x) {
  z <- as.matrix(x[, c("x1", "x2")])
  if (qr(cbind(1, z))$rank < 3 || sum(x$event == 1) < 4) return(rep(NA, 7))
  f <- try0({ f <- crr(x$time, x$event, z, failcode = 1, cencode = 0, gtol = 1e-11, maxiter = 50)
    if (!f$converged || any(abs(f$coef) > 6)) rep(NA, 5) else c(f$coef, sqrt(diag(f$var)), f$loglik) }, 5)
  x$status <- factor(x$event, 0:2, c("none", "a", "b")); x$id <- seq_len(nrow(x))
  h <- if (any(is.na(f))) c(NA, NA) else try0({ w <- finegray(Surv(time, status) ~ x1 + x2, data = x, etype = "a")
    coef(coxph(Surv(fgstart, fgstop, fgstatus) ~ x1 + x2, weights = fgwt, data = w, ties = "breslow",
      control = coxph.control(eps = 1e-13, iter.max = 60))) }, 2)
  c(f, h) }
counts <- function(y, ev) { # mean cumulative count without death: value and robust error
  rows <- do.call(rbind, lapply(seq_len(nrow(y)), function(i) {
    t <- sort(ev$when[ev$whose == i - 1]); stop <- unique(c(t, y$end[i]))
    data.frame(id = i, start = c(0, stop[-length(stop)]), stop = stop, status = as.numeric(stop %in% t)) }))
  f <- survfit(Surv(start, stop, status) ~ 1, data = rows, id = id, robust = TRUE, timefix = FALSE)
  out <- c()
  for (t in times) { i <- sum(f$time <= t)
    out <- c(out, if (t > max(y$end) || i == 0) c(NA, NA) else c(f$cumhaz[i], f$std.chaz[i])) }
  out }
after_death <- function(y, ev) { # the same when follow-up may end with death; every time moved a little: no ties
  ev$when <- ev$when + 1e-4 * seq_len(nrow(ev)); y$end <- y$end + 0.05 + 1e-4 * seq_len(nrow(y))
  rows <- do.call(rbind, lapply(seq_len(nrow(y)), function(i) {
    t <- sort(ev$when[ev$whose == i - 1]); stop <- unique(c(t, y$end[i]))
    data.frame(id = i, start = c(0, stop[-length(stop)]), stop = stop, status = as.numeric(stop %in% t),
      death = c(rep(0, length(stop) - 1), y$died[i])) }))
  if (!any(rows$death == 1) || !any(rows$status == 1)) return(rep(NA, 4))
  f <- recurrentMarginal(phreg(Surv(start, stop, status) ~ 1 + cluster(id), data = rows),
    phreg(Surv(start, stop, death) ~ 1 + cluster(id), data = rows))
  out <- c()
  for (t in times) { i <- sum(f$times <= t)
    out <- c(out, if (t > max(y$end) || i == 0) c(NA, NA) else c(f$mu[i], f$se.mu[i])) }
  out }
names <- c("set", paste0(rep(c("est0", "est0", "var0", "var0", "est1", "est1", "var1", "var1"), 1), c("_4", "_8")),
  "se0_4", "cl0_4", "se0_8", "cl0_8", "se1_4", "cl1_4", "se1_8", "cl1_8", "gray", "gray_strata", "b1", "b2", "s1", "s2", "loglik", "h1", "h2",
  "count_4", "count_se_4", "count_8", "count_se_8",
  "alive_4", "alive_se_4", "alive_8", "alive_se_8")
out <- t(sapply(sort(unique(d$set)), function(s) { x <- d[d$set == s, ]
  c(s, try0(incidence(x), 8), try0(jackknife(x), 8), grays(x), try0(regress(x), 7), try0(counts(r[r$set == s, ], e[e$set == s, ]), 4),
    try0(after_death(r[r$set == s, ], e[e$set == s, ]), 4)) }))
colnames(out) <- names
out <- apply(out, 2, function(v) ifelse(is.na(v), "", format(signif(v, 10), digits = 10, trim = TRUE)))
out <- apply(out, 2, function(v) sapply(v, function(s) if (s == "") "" else sprintf("%.10g", as.numeric(s))))
write.csv(out, file.path(folder, "results.csv"), row.names = FALSE, quote = FALSE)
cat(R.version.string, "survival", as.character(packageVersion("survival")), "cmprsk", as.character(packageVersion("cmprsk")), "mets", as.character(packageVersion("mets")), "\n")
