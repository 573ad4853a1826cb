# Reference values of robust covariances on invented data (data.csv): run `Rscript reference.R` here.
# Writes reference.json with 17 significant digits and the versions used.
suppressMessages({library(sandwich); library(clubSandwich); library(brglm2); library(jsonlite)})
d <- read.csv("data.csv", stringsAsFactors = TRUE)
full <- function(m) unname(as.matrix(unclass(m)))
plain <- function(v) unname(as.numeric(v))
out <- list()
out$versions <- list(R = R.version.string, sandwich = as.character(packageVersion("sandwich")),
                     clubSandwich = as.character(packageVersion("clubSandwich")),
                     brglm2 = as.character(packageVersion("brglm2")))
# contrasts in the order intercept, arm, x, c, kb, kc, arm:x
C <- rbind(c(0, 1, 0, 0, 0, 0, 0.5), c(0, 0, 0, 0, -1, 1, 0), c(1, 1, 0.2, 0.4, 0.3, 0.3, 0.2))
out$contrasts <- C
df_of <- function(fit, V) coef_test(fit, vcov = V, test = "Satterthwaite")$df
df_contrast <- function(fit, V) linear_contrast(fit, vcov = V, contrasts = C, test = "Satterthwaite")$df

fit <- lm(y ~ arm + x + c + k + arm:x, data = d)
lin <- list(coefficients = plain(coef(fit)), classical = full(vcov(fit)))
for (type in c("HC0", "HC1", "HC2", "HC3")) lin[[type]] <- full(vcovHC(fit, type = type))
lin$CR0 <- full(vcovCR(fit, d$cluster, "CR0"))
lin$CR1 <- full(vcovCR(fit, d$cluster, "CR1S"))
lin$CR1_sandwich <- full(vcovCL(fit, cluster = d$cluster, type = "HC1", cadjust = TRUE))
V <- vcovCR(fit, d$cluster, "CR2")
lin$CR2 <- full(V)
lin$CR2_df <- df_of(fit, V)
lin$CR2_contrast_df <- df_contrast(fit, V)
V <- vcovCR(fit, factor(seq_len(nrow(d))), "CR2")
lin$HC2_df <- df_of(fit, V)
out$linear <- lin

# weights taken as inverse variances: the working scale
fit <- lm(y ~ arm + x + c + k + arm:x, data = d, weights = weight)
V <- vcovCR(fit, d$cluster, "CR2", inverse_var = TRUE)
out$weighted <- list(coefficients = plain(coef(fit)), CR2 = full(V), CR2_df = df_of(fit, V),
                     CR2_contrast_df = df_contrast(fit, V),
                     CR0 = full(vcovCR(fit, d$cluster, "CR0", inverse_var = TRUE)),
                     HC0 = full(vcovHC(fit, type = "HC0")), HC2 = full(vcovHC(fit, type = "HC2")),
                     HC3 = full(vcovHC(fit, type = "HC3")), classical = full(vcov(fit)))

# CR2 on the working scale: clubSandwich on rows multiplied by the root of their weight. (With
# inverse_var = TRUE it takes another of the possible square roots of the same adjustment; both are
# unbiased under the working variance. Ours is the one that also exists in p x p form.)
on_working_scale <- function(X, y, root) {
  Xw <- X * root; yw <- y * root
  fit <- lm(yw ~ 0 + Xw)
  V <- vcovCR(fit, d$cluster, "CR2")
  list(CR2 = full(V), CR2_df = df_of(fit, V), CR2_contrast_df = df_contrast(fit, V))
}
out$weighted_working <- on_working_scale(model.matrix(fit), d$y, sqrt(d$weight))

# one cluster has a column of its own: its block of the adjustment is singular
d$own <- as.numeric(d$cluster == "c20")
fit <- lm(y ~ arm + x + own, data = d)
V <- vcovCR(fit, d$cluster, "CR2")
out$own_column <- list(coefficients = plain(coef(fit)), CR2 = full(V), CR2_df = df_of(fit, V))

tight <- glm.control(epsilon = 1e-15, maxit = 100)
fit <- glm(event ~ arm + x + c + k + arm:x, data = d, family = binomial, control = tight)
V <- vcovCR(fit, d$cluster, "CR2")
out$logistic <- list(coefficients = plain(coef(fit)), deviance = deviance(fit), classical = full(vcov(fit)),
                     CR0 = full(vcovCR(fit, d$cluster, "CR0")), CR1 = full(vcovCL(fit, cluster = d$cluster, type = "HC1", cadjust = TRUE)),
                     CR1S = full(vcovCR(fit, d$cluster, "CR1S")),
                     CR2 = full(V), CR2_df = df_of(fit, V), CR2_contrast_df = df_contrast(fit, V),
                     HC0 = full(vcovHC(fit, type = "HC0")), HC2 = full(vcovHC(fit, type = "HC2")), HC3 = full(vcovHC(fit, type = "HC3")))
mu <- fitted(fit); root <- sqrt(mu * (1 - mu))
out$logistic_working <- on_working_scale(model.matrix(fit), (d$event - mu) / root^2 + drop(model.matrix(fit) %*% coef(fit)), root)
fit <- glm(event ~ arm + x + c + k + arm:x, data = d, family = binomial, weights = copies, control = tight)
out$logistic_copies <- list(coefficients = plain(coef(fit)), classical = full(vcov(fit)))

fit <- glm(event ~ arm + x + c + k + arm:x, data = d, family = binomial, method = "brglmFit", type = "AS_mean",
           control = brglmControl(epsilon = 1e-13, maxit = 1000))
out$firth <- list(coefficients = plain(coef(fit)), classical = full(vcov(fit)))
# separated: the events of arm 1 with c = 1 are taken away
d$rare <- d$event * (1 - d$arm * d$c)
fit <- glm(rare ~ arm + x + c + arm:c, data = d, family = binomial, method = "brglmFit", type = "AS_mean",
           control = brglmControl(epsilon = 1e-13, maxit = 1000))
out$firth_separated <- list(coefficients = plain(coef(fit)), classical = full(vcov(fit)))
write(toJSON(out, digits = I(17), auto_unbox = TRUE, pretty = TRUE), "reference.json")
