# Independent values by base R, sandwich and numDeriv for the sets that causal_sets.py makes.
# Every quantity is NA where a model of its own has fitted probabilities at 0 or 1 (separation) or lacks rank.
suppressMessages({library(sandwich); library(numDeriv)})
args <- commandArgs(trailingOnly = TRUE)
all <- read.csv(args[1])

refused <- function(fit) {
  any(is.na(coef(fit))) || (inherits(fit, "glm") && (!fit$converged || min(fitted(fit)) < 1e-11 || max(fitted(fit)) > 1 - 1e-11))
}
quiet <- function(expr) suppressWarnings(expr)
logit <- function(f, d, w = NULL) {
  d$w_ <- if (is.null(w)) 1 else w
  quiet(glm(f, binomial, d, weights = w_, control = list(epsilon = 1e-14, maxit = 100)))
}

# ---- stacked estimating equations, differentiated numerically
stacked <- function(psi, theta, cluster) {
  terms <- psi(theta)
  A <- jacobian(function(t) colSums(psi(t)), theta)
  B <- rowsum(terms, cluster)
  g <- nrow(B)
  Ai <- solve(A)
  Ai %*% crossprod(B) %*% t(Ai) * g / (g - 1)
}

weights_part <- function(d, rhs) {
  e <- logit(as.formula(paste("a ~", rhs)), d)
  names <- c("ate", "ate_se", "ate_se_patient", "att", "att_se", "ato", "ato_se", "ate_fitted_se", "att_fitted_se",
             "ato_fitted_se", "aipw", "aipw_se", "rd", "ipo", "ipo_se", "ipo_fitted_se", "ipo_ate", "ipo_ate_fitted_se")
  out <- setNames(rep(NA_real_, length(names)), names)
  if (refused(e)) return(out)
  p <- fitted(e); n <- nrow(d); X <- model.matrix(e); q <- ncol(X)
  w <- list(ate = ifelse(d$a == 1, 1 / p, 1 / (1 - p)), att = ifelse(d$a == 1, 1, p / (1 - p)),
            ato = ifelse(d$a == 1, 1 - p, p))
  of <- function(kind, p) switch(kind, ate = ifelse(d$a == 1, 1 / p, 1 / (1 - p)), att = ifelse(d$a == 1, 1, p / (1 - p)),
                                 ato = ifelse(d$a == 1, 1 - p, p))
  for (kind in names(w)) {
    d$w_ <- w[[kind]]
    fit <- lm(y ~ a, d, weights = w_)
    out[kind] <- coef(fit)[2]
    out[paste0(kind, "_se")] <- sqrt(vcovHC(fit, "HC0")[2, 2] * n / (n - 1))
    if (kind == "ate") out["ate_se_patient"] <- sqrt(vcovCL(fit, d$patient, type = "HC0", cadjust = TRUE)[2, 2])
    psi <- function(t) {
      b <- t[1:q]; pr <- plogis(drop(X %*% b)); v <- of(kind, pr)
      cbind(X * (d$a - pr), v * d$a * (d$y - t[q + 1]), v * (1 - d$a) * (d$y - t[q + 2]))
    }
    th <- c(coef(e), sum(d$w_ * d$a * d$y) / sum(d$w_ * d$a), sum(d$w_ * (1 - d$a) * d$y) / sum(d$w_ * (1 - d$a)))
    V <- stacked(psi, th, d$patient)
    out[paste0(kind, "_fitted_se")] <- sqrt(V[q + 1, q + 1] + V[q + 2, q + 2] - 2 * V[q + 1, q + 2])
  }
  f <- as.formula(paste("y ~ a * x", if (grepl("z", rhs)) "+ z" else ""))
  fit <- lm(f, d)
  m1 <- predict(fit, transform(d, a = 1)); m0 <- predict(fit, transform(d, a = 0))
  s <- m1 - m0 + d$a * (d$y - m1) / p - (1 - d$a) * (d$y - m0) / (1 - p)
  out["aipw"] <- mean(s); out["aipw_se"] <- sd(s) / sqrt(n)
  g <- logit(as.formula(paste("yb ~ a +", rhs)), d)
  if (!refused(g)) out["rd"] <- mean(predict(g, transform(d, a = 1), "response") - predict(g, transform(d, a = 0), "response"))
  # observed outcomes only
  o <- logit(as.formula(paste("seen ~ a +", rhs)), d)
  keep <- d$seen == 1
  if (!refused(o) && length(unique(d$patient[keep & d$a == 1])) > 1 && length(unique(d$patient[keep & d$a == 0])) > 1) {
    po <- fitted(o); Z <- model.matrix(o); r <- ncol(Z)
    d$w_ <- ifelse(keep, 1 / po, 0)
    fit <- lm(y ~ a, d[keep, ], weights = w_)
    k <- sum(keep)
    out["ipo"] <- coef(fit)[2]
    out["ipo_se"] <- sqrt(vcovHC(fit, "HC0")[2, 2] * k / (k - 1))
    yy <- ifelse(keep, d$y, 0)
    for (with in c(FALSE, TRUE)) {
      psi <- function(t) {
        b <- t[1:r]; pr <- plogis(drop(Z %*% b)); v <- ifelse(keep, 1 / pr, 0)
        head <- Z * (d$seen - pr)
        if (with) {
          pe <- plogis(drop(X %*% t[r + 1:q])); v <- v * of("ate", pe)
          head <- cbind(head, X * (d$a - pe))
        }
        j <- ncol(head)
        cbind(head, v * d$a * (yy - t[j + 1]), v * (1 - d$a) * (yy - t[j + 2]))
      }
      v <- d$w_ * (if (with) w$ate else 1)
      mu <- c(sum(v * d$a * yy) / sum(v * d$a), sum(v * (1 - d$a) * yy) / sum(v * (1 - d$a)))
      th <- c(coef(o), if (with) coef(e), mu)
      V <- stacked(psi, th, d$patient); j <- length(th) - 2
      se <- sqrt(V[j + 1, j + 1] + V[j + 2, j + 2] - 2 * V[j + 1, j + 2])
      if (with) { out["ipo_ate"] <- mu[1] - mu[2]; out["ipo_ate_fitted_se"] <- se } else out["ipo_fitted_se"] <- se
    }
  }
  out
}

# ---- greedy matching written as plain loops, ties to the earlier row; scores equal to nine digits are ties
match_loop <- function(score, a, width, ratio = 1, replacement = FALSE, stratum = NULL) {
  score <- signif(score, 12)
  treated <- which(a == 1); treated <- treated[order(-round(score[treated], 9), treated)]
  used <- rep(FALSE, length(a)); pairs <- NULL
  for (round in seq_len(ratio)) for (t in treated) {
    best <- NA; gap <- Inf
    for (k in which(a == 0)) {
      if (!replacement && used[k]) next
      if (replacement && !is.null(pairs) && any(pairs[, 1] == t & pairs[, 2] == k)) next
      if (!is.null(stratum) && stratum[k] != stratum[t]) next
      dist <- abs(score[k] - score[t])
      if (dist < gap - 1e-9) { gap <- dist; best <- k }
    }
    if (!is.na(best) && gap <= width) { pairs <- rbind(pairs, c(t, best)); used[best] <- TRUE }
  }
  pairs
}

matched_part <- function(d, rhs) {
  names <- c(paste0(rep(c("near", "free", "two", "strat"), each = 4), c("_pairs", "_sum", "_diff", "_se")), "near_se_patient")
  out <- setNames(rep(NA_real_, length(names)), names)
  e <- logit(as.formula(paste("a ~", rhs)), d)
  if (refused(e)) return(out)
  score <- drop(model.matrix(e) %*% coef(e)); width <- 0.2 * sd(score)
  runs <- list(near = list(), free = list(replacement = TRUE), two = list(ratio = 2), strat = list(stratum = d$stratum))
  for (name in names(runs)) {
    pairs <- do.call(match_loop, c(list(score, d$a, width), runs[[name]]))
    out[paste0(name, "_pairs")] <- if (is.null(pairs)) 0 else nrow(pairs)
    if (is.null(pairs)) next
    out[paste0(name, "_sum")] <- sum(pairs[, 1] * pairs[, 2])
    set <- match(pairs[, 1], unique(pairs[, 1]))
    size <- tabulate(set)
    long <- data.frame(row = c(unique(pairs[, 1]), pairs[, 2]), set = c(seq_along(size), set),
                       w = c(rep(1, length(size)), 1 / size[set]))
    long$y <- d$y[long$row]; long$a <- d$a[long$row]; long$patient <- d$patient[long$row]
    fit <- lm(y ~ a, long, weights = w)
    out[paste0(name, "_diff")] <- coef(fit)[2]
    if (length(size) < 3 || sum(residuals(fit)^2) < 1e-12) next
    two_way <- function(who) {
      both <- as.integer(factor(paste(long$set, who)))
      V <- vcovCL(fit, long$set, type = "HC1")[2, 2]
      max(V, V + vcovCL(fit, who, type = "HC1")[2, 2] - vcovCL(fit, both, type = "HC1")[2, 2])
    }
    V <- if (name == "free") two_way(long$row) else vcovCL(fit, long$set, type = "HC1")[2, 2]
    out[paste0(name, "_se")] <- sqrt(V)
    if (name == "near" && length(unique(long$patient)) > 1) out["near_se_patient"] <- sqrt(two_way(long$patient))
  }
  out
}

# ---- mediation: means by plain sums (trapezoids for a normal mediator), errors by numDeriv
mediation_part <- function(d, rhs, id) {
  names <- c("total", "direct", "indirect", "total_direct", "pure_indirect", "direct_se", "indirect_se", "total_se")
  out <- setNames(rep(NA_real_, length(names)), names)
  mk <- id %% 4 %in% c(0, 1); yk <- id %% 4 %in% c(0, 2); cross <- id %% 3 != 0; side <- id %% 5 == 4
  d$med <- if (mk) d$m else d$mb; d$out <- if (yk) d$y else d$yb
  fm <- as.formula(paste("med ~", rhs, "+ a")); fl <- as.formula(paste("lb ~", rhs, "+ a"))
  fy <- as.formula(paste("out ~", rhs, "+ a", if (side) "+ lb", "+ med", if (cross) "+ I(a * med)"))
  M <- if (mk) lm(fm, d) else logit(fm, d)
  Y <- if (yk) lm(fy, d) else logit(fy, d)
  L <- if (side) logit(fl, d) else NULL
  if (refused(M) || refused(Y) || (side && refused(L))) return(out)
  X <- model.matrix(as.formula(paste("~", rhs)), d); n <- nrow(X); Z <- model.matrix(Y)
  D <- cbind(X, d$a); q <- ncol(D); r <- ncol(Z)
  left <- n - q
  # trapezoids: the error falls as exp(-2 pi^2 / (steepness x step))
  steep <- if (mk && !yk) sum(abs(tail(coef(Y), 1 + cross))) * sqrt(sum(residuals(M)^2) / left) else 0
  grid <- seq(-8.5, 8.5, by = if (steep > 4) 0.02 else 0.1); dens <- dnorm(grid); dens <- dens / sum(dens)
  mean_of <- function(t, own, under) {
    al <- t[1:q]; s <- t[q + 1]; be <- t[q + 1 + 1:r]; la <- if (side) t[q + 1 + r + 1:q]
    eta <- drop(cbind(X, under) %*% al)
    f <- function(m, l) {
      v <- drop(cbind(X, own) %*% be[1:q])
      j <- q
      if (side) { j <- j + 1; v <- v + be[j] * l }
      v <- v + be[j + 1] * m + (if (cross) be[j + 2] * own * m else 0)
      if (yk) v else plogis(v)
    }
    over_m <- function(l) {
      if (!mk) { p <- plogis(eta); return((1 - p) * f(0, l) + p * f(1, l)) }
      if (yk) return(f(eta, l))
      rowSums(sapply(seq_along(grid), function(k) dens[k] * f(eta + s * grid[k], l)))
    }
    if (!side) return(over_m(0))
    p <- plogis(drop(cbind(X, own) %*% la))
    (1 - p) * over_m(0) + p * over_m(1)
  }
  cells <- list(c(0, 0), c(0, 1), c(1, 0), c(1, 1))
  psi <- function(t) {
    al <- t[1:q]; s <- t[q + 1]; be <- t[q + 1 + 1:r]
    em <- drop(D %*% al); rm <- if (mk) d$med - em else d$med - plogis(em)
    ey <- drop(Z %*% be); ry <- if (yk) d$out - ey else d$out - plogis(ey)
    parts <- cbind(D * rm, if (mk) rm^2 * n / left - s^2 else rep(0, n) + 0 * s, Z * ry)
    j <- q + 1 + r
    if (side) { parts <- cbind(parts, D * (d$lb - plogis(drop(D %*% t[j + 1:q])))); j <- j + q }
    for (k in 1:4) parts <- cbind(parts, mean_of(t, cells[[k]][1], cells[[k]][2]) - t[j + k])
    parts
  }
  sigma <- if (mk) sqrt(sum(residuals(M)^2) / left) else 1
  th <- c(coef(M), sigma, coef(Y), if (side) coef(L))
  mu <- sapply(cells, function(cl) mean(mean_of(th, cl[1], cl[2])))
  th <- c(th, mu)
  if (!mk) { psi0 <- psi; psi <- function(t) { p <- psi0(t); p[, q + 1] <- t[q + 1] - 1; p } }
  V <- stacked(psi, th, d$patient); j <- length(th) - 4
  f <- if (yk) 1 else 100
  eff <- rbind(total = c(-1, 0, 0, 1), direct = c(-1, 0, 1, 0), indirect = c(0, 0, -1, 1), total_direct = c(0, -1, 0, 1),
               pure_indirect = c(-1, 1, 0, 0)) * f
  val <- drop(eff %*% mu); S <- V[j + 1:4, j + 1:4]
  out[rownames(eff)] <- val
  se <- sqrt(diag(eff %*% S %*% t(eff)))
  out["direct_se"] <- se[2]; out["indirect_se"] <- se[3]; out["total_se"] <- se[1]
  out
}

rows <- lapply(split(all, all$set), function(d) {
  id <- d$set[1]; rhs <- if (length(unique(d$z)) > 1) "x + z" else "x"
  c(set = id, weights_part(d, rhs), matched_part(d, rhs), mediation_part(d, rhs, id))
})
write.csv(do.call(rbind, rows), args[2], row.names = FALSE)
cat(R.version.string, "sandwich", as.character(packageVersion("sandwich")), "numDeriv", as.character(packageVersion("numDeriv")), "\n")
