# Regressions of the random data sets of tests/stats/regression/regression_sets.py, by R.
# Called by generate.py: Rscript reference.R FOLDER, with one CSV a family there; writes FAMILY_out.csv beside it.
suppressMessages({library(sandwich); library(clubSandwich); library(brglm2); library(ordinal); library(Hmisc)
  library(lme4); library(lmerTest); library(pbkrtest); library(geepack); library(numDeriv); library(MASS)})
folder <- commandArgs(TRUE)[1]
tight <- list(epsilon = 1e-15, maxit = 200)
se <- function(v, j) unname(sqrt(diag(v))[j])
quiet <- function(x) suppressWarnings(suppressMessages(x))
families <- list()

# arm is the second column everywhere. Working scale: rows times the root of their weight, residuals on that scale;
# least squares there has the coefficients, residuals and leverages of the fit, so that all packages see a linear model.
on_working_scale <- function(X, z, cluster) {
  m <- lm(z ~ 0 + X)
  hc <- sapply(c("HC0", "HC1", "HC2", "HC3"), function(t) se(vcovHC(m, type = t), 2))
  # CR3 inverts I - H of a cluster, which is singular when the cluster alone fixes a coefficient
  cr <- sapply(c("CR0", "CR1S", "CR2", "CR3"),
               function(t) tryCatch(se(vcovCR(m, cluster = cluster, type = t), 2), error = function(e) NA))
  ct <- coef_test(m, vcov = vcovCR(m, cluster = cluster, type = "CR2"), test = "Satterthwaite")
  c(setNames(hc, names(hc)), CR0 = cr[[1]], CR1 = cr[[2]], CR2 = cr[[3]], CR3 = cr[[4]], df = ct$df[2],
    p = ct$p_Satt[2])
}
families$linear <- function(d) {
  d <- d[d$w > 0, ]
  X <- as.matrix(d[, intersect(c("one", "arm", "x", "f2", "f3", "twice"), names(d)[colSums(!is.na(d)) > 0])])
  Xw <- X * sqrt(d$w); z <- d$y * sqrt(d$w)
  m <- lm(z ~ 0 + Xw)
  if (anyNA(coef(m)) || nrow(X) <= ncol(X)) return("refused")
  c(b = coef(m)[[2]], classical = se(vcov(m), 2), on_working_scale(Xw, z, d$cluster))
}
families$logistic <- function(d) {
  X <- as.matrix(d[, c("one", "arm", "x")])
  m <- quiet(glm(y ~ 0 + X, binomial, d, control = tight))
  if (anyNA(coef(m)) || max(abs(predict(m))) > 15) return("refused")
  eta <- as.vector(X %*% coef(m)); p <- plogis(eta); root <- sqrt(p * (1 - p))
  less <- quiet(glm(y ~ 0 + X[, -2], binomial, d, control = tight))
  drop <- function(v) deviance(quiet(glm(y ~ 0 + X[, -2] + offset(v * X[, 2]), binomial, d, control = tight))) -
    deviance(m)
  s <- se(vcov(m), 2); b <- coef(m)[[2]]
  side <- function(way) { far <- s; while (drop(b + way * far) < qchisq(.95, 1) && far < 40 * s) far <- 1.5 * far
    uniroot(function(v) drop(v) - qchisq(.95, 1), sort(c(b, b + way * far)), tol = 1e-13)$root }
  risks <- function(beta) sapply(1:0, function(a) { Z <- X; Z[, 2] <- a; mean(plogis(Z %*% beta)) })
  rd <- function(beta) { r <- risks(beta); r[1] - r[2] }
  rr <- function(beta) { r <- risks(beta); log(r[1] / r[2]) }
  by_delta <- function(f) { g <- grad(f, coef(m)); sqrt(sum(g * (vcov(m) %*% g))) }
  low <- try(side(-1), TRUE); high <- try(side(1), TRUE)
  if (inherits(low, "try-error") || inherits(high, "try-error")) { low <- NA; high <- NA }
  c(b = b, classical = s, on_working_scale(X * root, (d$y - p) / root + root * eta, d$cluster),
    lr = deviance(less) - deviance(m), low = low, high = high, rd = rd(coef(m)), rd_se = by_delta(rd),
    log_rr = rr(coef(m)), log_rr_se = by_delta(rr))
}
families$firth <- function(d) {
  X <- as.matrix(d[, c("one", "arm", "x")])
  if (qr(X)$rank < 3) return("refused")
  m <- quiet(glm(y ~ 0 + X, binomial, d, method = "brglmFit", type = "AS_mean", epsilon = 1e-12, maxit = 5000))
  c(b0 = coef(m)[[1]], b = coef(m)[[2]], bx = coef(m)[[3]], se0 = se(vcov(m), 1), classical = se(vcov(m), 2),
    sex = se(vcov(m), 3))
}
families$poisson <- function(d) {
  X <- as.matrix(d[, c("one", "arm", "x")]); o <- log(d$time)
  m <- try(quiet(glm(y ~ 0 + X + offset(o), poisson, d, control = tight)), TRUE)
  if (inherits(m, "try-error") || anyNA(coef(m)) || min(predict(m)) < -15) return("refused")
  eta <- as.vector(X %*% coef(m)); mu <- exp(eta + o); root <- sqrt(mu)
  less <- quiet(glm(y ~ 0 + X[, -2] + offset(o), poisson, d, control = tight))
  c(b = coef(m)[[2]], classical = se(vcov(m), 2),
    on_working_scale(X * root, (d$y - mu) / root + root * eta, d$cluster), lr = deviance(less) - deviance(m))
}
families$ordinal <- function(d) {
  K <- d$levels[1]
  if (any(table(factor(d$y, 0:(K - 1))) == 0) || qr(cbind(1, d$arm, d$x))$rank < 3) return("refused")
  d$g <- factor(d$y, 0:(K - 1), ordered = TRUE)
  m <- try(quiet(clm(g ~ arm + x, data = d, control = clm.control(maxIter = 500, gradTol = 1e-10))), TRUE)
  if (inherits(m, "try-error") || max(abs(coef(m))) > 12 || !all(is.finite(diag(vcov(m))))) return("refused")
  theta <- coef(m)
  rows <- function(t) { eta <- t[K] * d$arm + t[K + 1] * d$x; up <- c(t[1:(K - 1)], Inf); lo <- c(-Inf, t[1:(K - 1)])
    log(plogis(up[d$y + 1] - eta) - plogis(lo[d$y + 1] - eta)) }
  # clm stops at its gradient; two Newton steps on numerical derivatives end the climb
  for (i in 1:2) theta <- theta - as.vector(solve(hessian(function(t) sum(rows(t)), theta),
                                                  grad(function(t) sum(rows(t)), theta)))
  V <- vcov(m); S <- rowsum(jacobian(rows, theta), d$cluster); G <- nrow(S); CR1 <- V %*% crossprod(S) %*% V * G / (G - 1)
  risk <- function(t, a, g) mean(plogis(t[K] * a + t[K + 1] * d$x - t[g]))
  out <- c(t1 = theta[[1]], b = theta[[K]], bx = theta[[K + 1]], classical = se(V, K), CR1 = se(CR1, K),
           log_likelihood = sum(rows(theta)))
  for (g in 1:2) {
    f <- function(t) risk(t, 1, g) - risk(t, 0, g); gr <- grad(f, theta); r <- function(t) log(risk(t, 1, g) / risk(t, 0, g))
    out <- c(out, setNames(c(f(theta), sqrt(sum(gr * (V %*% gr))), r(theta)), paste0(c("rd", "rd_se", "log_rr"), g)))
  }
  less <- quiet(clm(g ~ x, data = d, control = clm.control(maxIter = 500, gradTol = 1e-10)))
  X <- cbind(1, d$arm, d$x)
  fits <- lapply(1:(K - 1), function(j) quiet(glm(I(d$y >= j) ~ 0 + X, binomial, control = tight)))
  brant <- NA
  if (max(sapply(fits, function(f) max(abs(predict(f))))) < 15) {
    p <- lapply(fits, fitted); B <- unlist(lapply(fits, function(f) coef(f)[-1])); W <- matrix(0, 2 * (K - 1), 2 * (K - 1))
    for (i in 1:(K - 1)) for (j in i:(K - 1)) {
      inner <- solve(crossprod(X * (p[[i]] * (1 - p[[i]])), X)) %*% crossprod(X * (p[[j]] - p[[i]] * p[[j]]), X) %*%
        solve(crossprod(X * (p[[j]] * (1 - p[[j]])), X))
      W[2 * i - 1:0, 2 * j - 1:0] <- inner[-1, -1]; W[2 * j - 1:0, 2 * i - 1:0] <- t(inner[-1, -1]) }
    D <- cbind(matrix(rep(t(diag(2)), K - 2), ncol = 2, byrow = TRUE), -diag(2 * (K - 2)))
    V2 <- D %*% W %*% t(D); u <- D %*% B
    if (min(eigen(cov2cor(V2))$values) > 1e-8) brant <- sum(u * solve(V2, u))
  }
  c(out, lr = 2 * (sum(rows(theta)) - as.numeric(logLik(less))), brant = brant)
}
families$spline <- function(d) {
  q <- list(c(.1, .5, .9), c(.05, .35, .65, .95), c(.05, .275, .5, .725, .95))[[d$knots[1] - 2]]
  t <- quantile(d$x, q)
  if (any(diff(t) <= 0)) return("refused")
  B <- rcspline.eval(d$x, knots = t, inclx = TRUE)
  m <- lm(d$y ~ B); less <- lm(d$y ~ d$x); a <- anova(less, m)
  c(first = sum(B[, 1]), second = sum(B[, 2]), last = sum(B[, ncol(B)]), squares = sum(B^2), f = a$F[2], p = a$"Pr(>F)"[2])
}
families$mixed <- function(d) {
  d$subject <- factor(d$subject)
  form <- if (d$slope[1] == 1) y ~ arm + time + cross + (time | subject) else y ~ arm + time + cross + (1 | subject)
  d <<- d
  m <- quiet(lmer(form, d, control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-11, maxfun = 1e5),
                                                 calc.derivs = FALSE)))
  m@call$formula <- form; m@call$data <- quote(d)
  # bobyqa ends where the criterion is flat in double precision: Newton steps on numerical derivatives end the search
  dev <- quiet(update(as(m, "lmerMod"), devFunOnly = TRUE)); theta <- getME(m, "theta"); inside <- all(abs(theta[getME(m, "lower") == 0]) > 1e-3)
  if (inside) for (i in 1:3) theta <- theta - as.vector(solve(hessian(dev, theta), grad(dev, theta)))
  v <- as.data.frame(VarCorr(m))
  satt <- quiet(contest1D(m, c(0, 0, 0, 1), ddf = "Satterthwaite"))
  kr <- quiet(contest1D(m, c(0, 0, 0, 1), ddf = "Kenward-Roger"))
  c(b = fixef(m)[[4]], se = satt$"Std. Error", df = satt$df, kr_se = kr$"Std. Error", kr_df = kr$df,
    variance = v$vcov[1], residual = sigma(m)^2, reml = min(dev(getME(m, "theta")), if (inside) dev(theta) else Inf),
    inside = as.numeric(inside))
}
families$gee <- function(d) {
  X <- as.matrix(d[, c("one", "arm", "x")]); link <- d$link[1]
  fam <- list(identity = gaussian(), logit = binomial(), log = poisson())[[link]]
  ind <- quiet(glm(y ~ 0 + X, fam, d, control = tight))
  if (anyNA(coef(ind)) || (link != "identity" && max(abs(predict(ind))) > 15)) return("refused")
  d$X <- X
  m <- try(quiet(geeglm(y ~ 0 + X, fam, d, id = cluster, corstr = d$working[1],
                        control = geese.control(epsilon = 1e-13, maxit = 500))), TRUE)
  if (inherits(m, "try-error") || m$geese$error != 0) return("refused")
  alpha <- if (length(m$geese$alpha)) m$geese$alpha[[1]] else 0
  # Mancl and DeRouen, Kauermann and Carroll from their definitions
  eta <- as.vector(X %*% coef(m)); mu <- fam$linkinv(eta); slope <- fam$mu.eta(eta); v <- fam$variance(mu)
  D <- X * slope; parts <- split(seq_len(nrow(d)), d$cluster); lowest <- -1 / (max(lengths(parts)) - 1)
  if (alpha <= lowest + 1e-6 || alpha >= 1 - 1e-6) return("refused")
  V <- lapply(parts, function(i) { k <- length(i); R <- matrix(alpha, k, k); diag(R) <- 1
    diag(sqrt(v[i]), k) %*% R %*% diag(sqrt(v[i]), k) })
  M <- solve(Reduce(`+`, Map(function(i, W) t(D[i, , drop = FALSE]) %*% solve(W, D[i, , drop = FALSE]), parts, V)))
  meat <- function(power) Reduce(`+`, Map(function(i, W) {
    Di <- D[i, , drop = FALSE]; H <- Di %*% M %*% t(Di) %*% solve(W); e <- eigen(diag(length(i)) - H)
    A <- Re(e$vectors %*% diag(e$values^-power, length(i)) %*% solve(e$vectors))
    u <- t(Di) %*% solve(W, A %*% (d$y[i] - mu[i])); u %*% t(u) }, parts, V))
  c(b = coef(m)[[2]], bx = coef(m)[[3]], CR0 = summary(m)$coefficients[2, 2], CR2 = se(M %*% meat(.5) %*% M, 2),
    CR3 = se(M %*% meat(1) %*% M, 2), alpha = alpha, scale = m$geese$gamma[[1]])
}
for (name in names(families)) {
  all <- read.csv(file.path(folder, paste0(name, ".csv")))
  res <- lapply(split(all, all$set), function(d) {
    d <- d[, colSums(!is.na(d)) > 0]
    r <- tryCatch(families[[name]](d), error = function(e) paste("error", conditionMessage(e)))
    if (is.character(r)) list(status = r) else c(list(status = "ok"), as.list(r))
  })
  cols <- unique(unlist(lapply(res, names)))
  out <- do.call(rbind, lapply(res, function(r) { x <- setNames(as.list(rep(NA, length(cols))), cols); x[names(r)] <- r
    as.data.frame(lapply(x, function(v) if (is.numeric(v)) sprintf("%.12g", v) else v)) }))
  write.csv(cbind(set = names(res), out), file.path(folder, paste0(name, "_out.csv")), row.names = FALSE, na = "")
}
cat(R.version.string, "\n")
for (p in c("sandwich", "clubSandwich", "brglm2", "ordinal", "Hmisc", "lme4", "lmerTest", "pbkrtest", "geepack", "numDeriv"))
  cat(p, as.character(packageVersion(p)), "\n")
