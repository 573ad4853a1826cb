# Pooled regressions after mice on invented data: run `Rscript imputing.R` here. Writes incomplete.csv, imputing.json.
suppressMessages({library(mice); library(jsonlite)})
set.seed(20240603)
n <- 400
x2 <- round(rnorm(n), 2)
k <- sample(0:2, n, TRUE, c(0.5, 0.3, 0.2))
x1 <- round(0.5 * x2 + 0.4 * (k == 1) + rnorm(n), 2)
b <- rbinom(n, 1, plogis(-0.4 + 0.8 * x1))
y <- round(10 + 1.5 * x1 - 2 * b + 0.8 * (k == 1) - 1.2 * (k == 2) + 0.5 * x2 + rnorm(n, 0, 2), 2)
d <- data.frame(y, x1, x2, b, k)
# missing at random: chances depend on y and x2, which are complete
p <- plogis(-1.2 + 0.4 * as.numeric(scale(y)))
d$x1[runif(n) < p] <- NA
d$b[runif(n) < plogis(-1.4 + 0.7 * x2)] <- NA
d$k[runif(n) < plogis(-1.6 - 0.5 * as.numeric(scale(y)))] <- NA
write.csv(d, "incomplete.csv", row.names = FALSE, na = "")
d$b <- factor(d$b); d$k <- factor(d$k)
m <- 200
imp <- mice(d, m = m, maxit = 10, seed = 1, printFlag = FALSE,
            method = c(y = "", x1 = "pmm", x2 = "", b = "logreg", k = "polyreg"))
take <- function(fit) {
  s <- summary(pool(fit)); q <- pool(fit)$pooled
  list(term = as.character(s$term), estimate = s$estimate, std_error = s$std.error, between = q$b, df = s$df)
}
out <- list(versions = list(R = R.version.string, mice = as.character(packageVersion("mice"))), m = m,
            outcome = take(with(imp, lm(y ~ x1 + x2 + b + k))), mean_x1 = take(with(imp, lm(x1 ~ 1))),
            share_b = take(with(imp, lm(I(as.numeric(b) - 1) ~ 1))),
            share_k2 = take(with(imp, lm(I(as.numeric(k == "2")) ~ 1))))
write_json(out, "imputing.json", digits = I(12), auto_unbox = TRUE)
