"""Charts of units and of consecutive cases: funnel limits, standardised ratios, cumulative sums, run rules."""
