# Values of R for the sets of generate.py, which calls: Rscript reference.R DATA_FOLDER RESULT_FOLDER
suppressWarnings(suppressMessages(library(metafor)))
arguments <- commandArgs(trailingOnly = TRUE)
read <- function(kind) split(read.csv(file.path(arguments[1], paste0(kind, ".csv"))), ~case)
keep <- function(name, rows) {
  made <- do.call(rbind, lapply(rows, function(r) as.data.frame(as.list(r))))
  made[] <- lapply(made, function(v) ifelse(is.finite(v), signif(v, 10), NA))
  write.csv(made, file.path(arguments[2], paste0(name, ".csv")), row.names = FALSE, quote = FALSE, na = "")
}
# metafor stops its searches at 1e-5 or 1e-4 unless told otherwise
tight <- function(method) {
  if (method %in% c("PM")) list(tol = 1e-13, maxiter = 10000)
  else if (method %in% c("ML", "REML", "EB")) list(threshold = 1e-13, maxiter = 100000, stepadj = 0.5)
  else list()
}
rules <- c("DL", "PM", "REML", "ML", "SJ", "HS", "EB")
fit <- function(...) tryCatch(suppressWarnings(rma(...)), error = function(e) NULL)

keep("rules", lapply(read("studies"), function(d) {
  r <- c(case = d$case[1])
  for (m in rules) {
    f <- fit(d$y, d$se^2, method = m, control = tight(m))
    v <- if (is.null(f)) c(NA, NA, NA) else c(f$tau2, coef(f), f$se)
    names(v) <- paste0(m, c("", "_mean", "_se"))
    r <- c(r, v)
  }
  r
}))

keep("rest", lapply(read("studies"), function(d) {
  k <- nrow(d); v <- d$se^2
  ee <- rma(d$y, v, method = "EE"); dl <- rma(d$y, v, method = "DL")
  kn <- rma(d$y, v, method = "DL", test = "knha"); p <- predict(kn)
  ci <- confint(dl, control = list(tol = 1e-13, maxiter = 10000, tau2.max = 1e5))$random
  wide <- qt(0.975, k - 2) * sqrt(dl$se^2 + dl$tau2)
  r <- suppressWarnings(ranktest(d$y, v))
  e <- regtest(d$y, v, model = "lm")
  # it goes back and forth in some sets, and R stops
  t <- tryCatch(trimfill(dl), error = function(e) list(k0 = NA, side = NA, beta = NA, se.k0 = NA))
  mods <- rma(d$y, v, mods = ~ d$x, method = "DL"); hk <- rma(d$y, v, mods = ~ d$x, method = "DL", test = "knha")
  out <- if (d$case[1] %% 4 == 0) suppressWarnings(leave1out(dl)) else list(estimate = NA)
  plain <- predict(dl)
  c(case = d$case[1], fixed = coef(ee)[[1]], fixed_lo = ee$ci.lb, fixed_p = ee$pval, q = ee$QE, q_p = ee$QEp, i2 = dl$I2, h2 = dl$H2,
    tau2_lo = ci["tau^2", "ci.lb"], tau2_hi = ci["tau^2", "ci.ub"], i2_lo = ci["I^2(%)", "ci.lb"], i2_hi = ci["I^2(%)", "ci.ub"],
    knha_se = kn$se, knha_lo = kn$ci.lb, knha_p = kn$pval, pi_knha = p$pi.lb, pi_t = coef(dl)[[1]] - wide, pi_z = plain$pi.lb,
    tau = r$tau[[1]], tau_p = r$pval, egger_t = e$zval[[1]], egger_p = e$pval[[1]], filled = t$k0, filled_right = as.numeric(t$side == "right"),
    filled_mean = t$beta[[1]], filled_se = t$se.k0, slope = mods$beta[[2]], slope_se = mods$se[2], slope_tau2 = mods$tau2,
    slope_qe = mods$QE, slope_knha_p = hk$pval[2], first_out = out$estimate[1])
}))

keep("tables", lapply(read("tables"), function(d) {
  r <- c(case = d$case[1])
  for (m in c("RR", "OR", "RD")) {
    e <- suppressWarnings(escalc(m, ai = a, bi = b, ci = c, di = d, data = d, add = 0, to = "none"))
    ok <- is.finite(e$yi) & is.finite(e$vi) & e$vi > 0
    v <- c(sum(ok), sum(e$yi[ok]), sum(e$vi[ok])); names(v) <- paste0(m, c("_n", "_y", "_v")); r <- c(r, v)
  }
  p <- tryCatch(suppressWarnings(rma.peto(ai = a, bi = b, ci = c, di = d, data = d)), error = function(e) NULL)
  c(r, if (is.null(p)) c(peto = NA, peto_se = NA, peto_p = NA, peto_q = NA) else
    c(peto = coef(p)[[1]], peto_se = p$se, peto_p = p$pval, peto_q = p$QE))
}))

keep("means", lapply(read("means"), function(d) {
  one <- function(m, ...) escalc(m, n1i = n1, m1i = m1, sd1i = s1, n2i = n2, m2i = m2, sd2i = s2, data = d, ...)
  g <- one("SMD"); u <- one("MD"); p <- one("MD", vtype = "HO")
  c(case = d$case[1], g = sum(g$yi), g_v = sum(g$vi), md = sum(u$yi), md_v = sum(u$vi), pooled_v = sum(p$vi))
}))
