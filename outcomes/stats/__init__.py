"""Statistics on arrays and estimates; knows nothing of wrists.

One room a family, one file a method, imports from the rooms above only:

numerics     Checked arrays, quantiles, moments, ranks of matrices: what every other room stands on.
proportions  Proportions and tables: one, two, paired, by stratum.
resampling   Bootstrap: draws, percentile and BCa limits, anything computed from totals.
testing      What may be claimed: margins, families of p-values, several intervals at once.
agreement    Agreement: intraclass correlation, kappa, limits of agreement, error of measurement.
pooling      Pooling of studies: effects, heterogeneity, moderators, small studies.
printed      Printed numbers: what they imply, and whether they can all be true.
regression   Linear, logistic, penalised, Poisson and ordinal regression, with errors by cluster and contrasts.
groups       Two and several groups: means, ranks, effect sizes, permutations, trends, pairs, balance.
planning     Sample size, power and precision.
repeated     Repeated measures: mixed models, estimating equations, groups at each visit.
causal       Weights, doubly robust means, matching, mediation, and what an unmeasured cause would do.
missing      Missing data: imputation, pooling over imputations, shifts, weights, bounds.
survival     Time to event: curves, tests, proportional hazards, competing and recurrent events, interval censoring.
charts       Charts of units and of consecutive cases: funnel limits, standardised ratios, cumulative sums, run rules.
"""
