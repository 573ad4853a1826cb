"""Why a check misses its bar, and what to use instead; a test holds that every miss has a note and every note a miss."""

from __future__ import annotations

WRONG_SPREAD = (
    "Shown as a warning: pooled variances take the spreads to be equal. Use Welch's interval, which is the default of "
    "`mean_difference`, `welch_anova` and `games_howell`; both meet the bar on the same data."
)
ONE_BY_ONE = "Shown as a warning: nothing is adjusted. Use `holm` or `hochberg` for p-values, `max_t_quantile` for intervals."
AS_INDEPENDENT = (
    "Shown as a warning: rows of one patient are taken as independent. Give `clusters` (the patient); the check by patient on "
    "the same data meets the bar."
)
SKEWED = (
    "A skewed outcome in small groups of unequal size or spread: mean and standard error go together, and the t interval misses "
    "on one side. The bootstrap does not mend it (BCa held 90 and 91 % of 1,500 such samples). Use `hodges_lehmann` where the "
    "question is a shift, compare logarithms where it is a ratio, and say of the interval of means that it holds 91 to 93 %. "
    "With 30 against 30 it meets the bar."
)
DISCRETE = (
    "There are few different p-values (exact counting in small groups, ranks without ties, or whole-number scores), so their "
    "distribution is a staircase; the share rejected is at or below 5 %. Nothing to do."
)

FEW_CLUSTERS = (
    "Shown as a warning: CR1 with the t of G - 1 is too narrow with few unequal clusters. Use CR2 with Satterthwaite degrees of "
    "freedom (the default), or `wild_cluster_bootstrap`."
)
MATCHED = (
    "Matching each missing value to five donors among about eighty pulls slopes of the imputed column a little towards 0 (4 % of "
    "the slope, a fifth of its spread) and gives the rest to what goes with it; it halves at 500 rows. Coverage meets the bar. With "
    "fewer than a hundred rows say so, and look at complete cases beside it when missing does not depend on the outcome."
)
FEW_STUDIES = (
    "Shown as a warning: the normal interval takes the variance between few studies as known. Use Hartung-Knapp, the default of "
    "`pool`."
)
PREDICTION = (
    "A prediction interval from few studies leans on a variance between studies that they hardly show; where it is estimated as 0 "
    "the interval is that of the mean. Expect 90 % from fewer than about twenty studies, and read it as a rough range."
)
HOMOGENEITY = (
    "A chi-squared approximation in strata of 24 to 52: the share rejected at 5 % is right, the p-values in the middle are not quite "
    "uniform. Nothing to do at usual levels."
)
RATIO_OF_SQUARES = (
    "The usual estimate, a ratio of mean squares, is on average a tenth of its spread too low with forty cases; the limits are made "
    "from an F distribution and do not use it as their centre. Use it as it is, with its limits."
)
ROOT_OF_VARIANCE = (
    "A standard deviation is the root of an unbiased variance and so a little too small on average (7 % of the spread here); the "
    "limits hold. Use it as it is, with its limits."
)
SAMPLE_MEDIAN = (
    "The sample median of a skewed time lies above the true one on average (a twelfth of its spread with 30 cases, a twenty-seventh "
    "with 100); the limits are right. Use it as it is."
)
NO_VARIANCE = (
    "Studies that do not differ: a variance between them cannot be estimated below 0, so it is too large on average and these "
    "intervals are wide. They are on the safe side; plain Hartung-Knapp, the default of `pool`, meets the bar here."
)

NOTES: dict[tuple[str, str], str] = {
    ("two normal groups, unequal spread", "pooled"): WRONG_SPREAD,
    ("four groups, unequal spread", "analysis of variance"): WRONG_SPREAD,
    ("four groups, unequal spread", "Tukey-Kramer: all six hold"): WRONG_SPREAD,
    ("two skewed groups, unequal size", "Welch"): SKEWED,
    ("two skewed groups, unequal spread", "Welch"): SKEWED,
    ("two skewed groups, unequal size", "Hodges-Lehmann"): (
        "In skewed groups of unequal size the Hodges-Lehmann estimate is off by a small share of its spread (8 % here, seen only "
        "because of 10,000 repetitions); the limits are right. Use it as it is."
    ),
    ("scores with ties", "Hodges-Lehmann"): (
        "Differences of whole-number scores are whole numbers, so limits move in steps of one and are wide: never too narrow. Use "
        "`mean_difference` for a sharper interval of scores."
    ),
    ("scores with ties", "permutation, 999 drawn"): DISCRETE,
    ("two small skewed groups", "Hodges-Lehmann, exact"): DISCRETE,
    ("pairs", "signed rank"): DISCRETE,
    ("five independent outcomes", "unadjusted: any of five"): ONE_BY_ONE,
    ("five correlated outcomes", "unadjusted: any of five"): ONE_BY_ONE,
    **{
        ("five correlated outcomes", f"{name}: any of five"): (
            "Adjusted p-values that know nothing of the correlation are cautious when outcomes go together; the error of the "
            "family stays below 5 %. For contrasts of one regression `max_t_quantile` uses the correlation and is exact."
        )
        for name in ("Holm", "Hochberg", "Hommel")
    },
    ("unequal spread, 60", "classical"): (
        "Shown as a warning: one residual variance for all. Use HC2 or HC3, or CR2 with clusters (the default of `fit_linear`)."
    ),
    ("unequal spread, 200", "classical"): (
        "Shown as a warning: one residual variance for all. Use HC2 or HC3, or CR2 with clusters (the default of `fit_linear`)."
    ),
    ("two wrists in 20 of 80", "mean, wrists as independent"): AS_INDEPENDENT,
    ("two wrists in 50 of 50", "mean, wrists as independent"): AS_INDEPENDENT,
    ("hazards, two wrists", "wrists as independent"): AS_INDEPENDENT,
    ("confounded, two wrists", "inverse probability weights, wrists as independent"): AS_INDEPENDENT,
    ("confounded, two wrists", "AIPW, wrists as independent"): AS_INDEPENDENT,
    ("12 clusters", "CR2, of the cluster"): (
        "Twelve clusters of 4 to 40 rows and an exposure of the whole cluster: CR2 with Satterthwaite degrees of freedom is two "
        "tenths of a point below the bar, as its degrees of freedom suppose independent rows. Use `wild_cluster_bootstrap`, or one "
        "mean a cluster and `mean_difference`. With 30 clusters CR2 meets the bar."
    ),
    ("12 clusters", "CR1, of the cluster"): FEW_CLUSTERS,
    ("12 clusters", "CR1, of the case"): FEW_CLUSTERS,
    ("four arms", "one at a time, classical: all six pairs"): ONE_BY_ONE,
    ("four arms", "one at a time, HC2: three against the first"): ONE_BY_ONE,
    ("Firth, 60 cases", "Firth, Wald"): (
        "With about twelve events the likelihood is no parabola and Wald limits of a Firth fit are too wide. Use `profile_interval`, which "
        "meets the bar on the same data."
    ),
    ("Firth, 60 cases", "maximum likelihood, Wald"): (
        "Shown as a warning: with about twelve events maximum likelihood overstates the log odds ratio (by an eighth of its spread), and "
        "separated data give none. Use `fit_firth` with `profile_interval`."
    ),
    ("confounded", "inverse probability weights, taken as known"): (
        "Errors that take fitted weights as known are too large (by half here). Give `model` to `weighted_difference`; the stacked "
        "error on the same data meets the bar."
    ),
    ("imputed covariates", "pooled by Rubin's rules, x"): MATCHED,
    ("imputed covariates", "pooled by Rubin's rules, z"): MATCHED,
    ("imputed covariates", "complete cases only, x"): (
        "Shown as a warning: whether x is missing depends on the outcome, so complete cases are a selected part. Impute; the bias "
        "is half as large at 120 rows and a fifth at 500."
    ),
    ("one curve, 30", "share at a time, plain"): (
        "Limits symmetric about a share are wrong near 0 and 1 and in small samples. Use `log-log` limits, the default of "
        "`kaplan_meier`, which meet the bar on the same data."
    ),
    ("one curve, 30", "median"): SAMPLE_MEDIAN,
    ("one curve, 100", "median"): SAMPLE_MEDIAN,
    ("one curve, 30", "restricted mean"): (
        "Normal limits with Greenwood's error, which divides by n and is 3 % short with 30 cases of which some are censored. With "
        "100 cases, and for differences of two groups of 50, it meets the bar. With 30, read 93 % for 95."
    ),
    ("6 studies, tau2 0.1", "normal"): FEW_STUDIES,
    ("6 studies, tau2 0.1", "prediction interval holds a new study, t(k-2)"): PREDICTION,
    ("eight strata, none", "Tarone's test of equal odds ratios"): HOMOGENEITY,
    ("eight strata, odds", "Tarone's test of equal odds ratios"): HOMOGENEITY,
    ("hazards", "Efron, model errors"): (
        "A log hazard ratio of 0.5 is overstated by 0.017 with 120 cases (8 % of its spread), as maximum likelihood does; the limits "
        "are right. Use it as it is; `fit_firth_cox` takes the bias away when events are few."
    ),
    ("two ratings", "intraclass correlation, one-way"): RATIO_OF_SQUARES,
    ("two raters", "intraclass correlation, consistency"): RATIO_OF_SQUARES,
    ("two raters", "intraclass correlation, absolute agreement"): RATIO_OF_SQUARES,
    ("two ratings", "standard error of measurement, one-way"): ROOT_OF_VARIANCE,
    ("two ways to measure", "upper limit of agreement, exact"): ROOT_OF_VARIANCE,
    ("two ways to measure", "upper limit of agreement, approximate"): ROOT_OF_VARIANCE,
    ("six raters", "intraclass correlation, consistency"): RATIO_OF_SQUARES,
    ("six raters", "intraclass correlation, absolute agreement"): RATIO_OF_SQUARES,
    ("12 studies, tau2 0.1", "normal"): FEW_STUDIES,
    ("12 studies, tau2 0.1", "prediction interval holds a new study, t(k-2)"): PREDICTION,
    **{
        ("shares, no effect", name): (
            "Where nothing is explained the shares sit at the end of their range and limits are cautious: they hold the truth nearly "
            "always, and their error is too large. A share that is 0 is not called anything else. Nothing to do."
        )
        for name in ("strategy, 4 df", "reduction", "age", "reduction minus strategy")
    },
    ("kappa, 50", "kappa"): (
        "The distribution of kappa leans to the left in small tables while its limits are symmetric. Use `kappa_bootstrap` under a "
        "hundred cases (coverage beside it on the agreement page); with 200 cases the closed form meets the bar."
    ),
    ("yes/no in two wrists", "marginal risk difference, wrists as independent"): AS_INDEPENDENT,
    ("12 studies, tau2 0.0", "normal"): NO_VARIANCE,
    ("12 studies, tau2 0.0", "Hartung-Knapp, not below normal"): NO_VARIANCE,
    ("12 studies, tau2 0.0", "prediction interval holds a new study, t(k-2)"): NO_VARIANCE,
}
