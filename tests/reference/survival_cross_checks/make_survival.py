"""Make 600 small invented data sets and let R's survival package analyse them.

Run ``python tests/reference/survival_cross_checks/make_survival.py`` from the top of the repository, with R and its
package survival installed. It writes `curves.csv` and `models.csv` beside this file. The tests make the same data again from
the seed.
"""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).parent
N_SETS = 600
SEED = 20261125
TIES = ("efron", "breslow", "exact")
TRANSFORMS = ("km", "identity", "rank", "log")


def dataset(number: int) -> pd.DataFrame:
    """Return one data set: heavy ties, censoring at event times, groups without events, late entry, weights, clusters."""
    rng = np.random.default_rng([SEED, number])
    n = int(rng.integers(8, 41))
    tied = number % 5 != 4
    time = rng.integers(1, 7, n).astype(float) if tied else rng.integers(1, 3000, n) / 64.0
    event = (rng.integers(0, 10, n) < rng.choice([3, 6, 9])).astype(int)
    group = rng.integers(0, 2 + number % 2, n)
    if number % 7 == 3:  # a group in which no one has the event
        event[group == 1] = 0
    if not event.any():
        event[0] = 1
    return pd.DataFrame(
        {
            "set": number, "time": time, "event": event, "group": group,
            "x": rng.integers(-20, 21, n) / 8.0 if number % 3 else rng.integers(0, 2, n).astype(float),
            "stratum": rng.integers(0, 3, n) if number % 2 else 0,
            "cluster": rng.integers(0, max(3, n // 3), n),
            "entry": time * rng.integers(0, 4, n) / 4.0 if number % 4 == 3 else 0.0,
            "weight": rng.integers(1, 9, n) / 4.0 if number % 6 in (1, 4) else 1.0,
        }
    )  # fmt: skip


R_CODE = r"""
library(survival)
args <- commandArgs(TRUE)
d <- read.csv(args[1]); ties <- c("efron", "breslow", "exact"); transforms <- c("km", "identity", "rank", "log")
control <- coxph.control(eps = 1e-13, toler.chol = 1e-12, iter.max = 60)
curves <- list(); models <- list()
for (i in unique(d$set)) {
  s <- d[d$set == i, ]; late <- i %% 4 == 3; tt <- ties[i %% 3 + 1]; weighted <- any(s$weight != 1) && tt != "exact"
  f <- survfit(Surv(time, event) ~ 1, data = s, conf.type = "log-log")
  fp <- survfit(Surv(time, event) ~ 1, data = s, conf.type = "plain")
  fl <- survfit(Surv(time, event) ~ 1, data = s, conf.type = "log")
  at <- median(s$time); y <- summary(f, times = at); yp <- summary(fp, times = at); yl <- summary(fl, times = at)
  q <- quantile(f, 0.5); q3 <- quantile(f, 0.25)
  s$reversed <- s$time - 0.001 * s$event  # events before the ends of follow-up that are tied with them
  r <- quantile(survfit(Surv(reversed, 1 - event) ~ 1, data = s), 0.5, conf.int = FALSE)
  r <- round(128 * r) / 128  # times are multiples of 1/64: undo the shift
  chi <- function(...) tryCatch(unname(survdiff(...)$chisq), error = function(e) NA)
  rm <- tryCatch(summary(f, rmean = min(at, max(s$time)))$table[c("rmean", "se(rmean)")], error = function(e) c(NA, NA))
  # without clusters, late entry and strata: the curve with late entry
  fe <- tryCatch(summary(survfit(Surv(entry, time, event) ~ 1, data = s), times = at)$surv, error = function(e) NA)
  curves[[length(curves) + 1]] <- data.frame(set = i, surv = y$surv, se = y$std.err, lo = y$lower, hi = y$upper,
    plo = yp$lower, phi = yp$upper, llo = yl$lower, lhi = yl$upper, med = q$quantile, med_lo = q$lower, med_hi = q$upper,
    q25 = q3$quantile, follow = unname(r), late = fe[1], chi = chi(Surv(time, event) ~ group, data = s),
    chi_strat = chi(Surv(time, event) ~ group + strata(stratum), data = s),
    chi_rho = chi(Surv(time, event) ~ group, data = s, rho = 1), rmst = rm[1], rmst_se = rm[2])
  s$y <- if (late) with(s, Surv(entry, time, event)) else with(s, Surv(time, event))
  form <- if (length(unique(s$stratum)) > 1) y ~ x + g + strata(stratum) else y ~ x + g
  s$g <- as.numeric(s$group == 1); s$w <- if (weighted) s$weight else 1
  warned <- ""
  m <- withCallingHandlers(
    tryCatch(if (tt == "exact") coxph(form, s, ties = tt, control = control)
             else coxph(form, s, weights = w, ties = tt, control = control, cluster = cluster, robust = TRUE),
             error = function(e) NULL),
    warning = function(e) { warned <<- "warning"; invokeRestart("muffleWarning") })
  if (is.null(m)) { models[[length(models) + 1]] <- data.frame(set = i, status = "error", b_x = NA, b_g = NA,
    se_x = NA, se_g = NA, r_x = NA, r_g = NA, ll0 = NA, ll = NA, score = NA, mart = NA, z_x = NA, z_g = NA, z_all = NA,
    conc = NA); next }
  v <- if (is.null(m$naive.var)) m$var else m$naive.var
  z <- c(NA, NA, NA)
  if (tt != "exact" && !any(is.na(coef(m)))) z <- tryCatch(cox.zph(m, transforms[i %% 4 + 1])$table[, 1],
    error = function(e) c(NA, NA, NA))
  models[[length(models) + 1]] <- data.frame(set = i, status = paste0("ok", warned), b_x = coef(m)[["x"]],
    b_g = coef(m)[["g"]], se_x = sqrt(v[1, 1]), se_g = sqrt(v[2, 2]),
    r_x = if (tt == "exact") NA else sqrt(m$var[1, 1]), r_g = if (tt == "exact") NA else sqrt(m$var[2, 2]),
    ll0 = m$loglik[1], ll = m$loglik[2], score = m$score, mart = if (tt == "exact") NA else residuals(m)[1],
    z_x = z[1], z_g = z[2], z_all = z[3], conc = if (late || weighted) NA else m$concordance[["concordance"]])
}
write <- function(l, name) { t <- do.call(rbind, l); n <- sapply(t, is.numeric); t[n] <- signif(t[n], 10)
  write.csv(t, name, row.names = FALSE, quote = FALSE, na = "") }
write(curves, args[2]); write(models, args[3])
cat(R.version.string, "survival", as.character(packageVersion("survival")), "\n")
"""


def main() -> None:
    """Write the reference values."""
    with tempfile.TemporaryDirectory() as folder:
        data, code = Path(folder) / "data.csv", Path(folder) / "analyse.R"
        pd.concat([dataset(i) for i in range(N_SETS)]).to_csv(data, index=False, float_format="%.17g")
        code.write_text(R_CODE, encoding="utf-8")
        outputs = [str(HERE / "curves.csv"), str(HERE / "models.csv")]
        done = subprocess.run(
            ["Rscript", str(code), str(data), *outputs], check=True, capture_output=True, text=True
        )
    print(done.stdout.splitlines()[-1])


if __name__ == "__main__":
    main()
