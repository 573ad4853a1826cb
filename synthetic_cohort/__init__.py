"""Synthetic cohorts of distal radius fractures with known truth. Everything in them is invented.

A structural causal model: who the patient is and how the wrist broke drives the choice of strategy;
strategy, severity and surgeon drive the films; reduction, severity, patient and strategy drive grip,
rotation, PRWE, pain and complications. Because every equation is known, so is the true answer.

>>> from synthetic_cohort import generate
>>> generate(5, "both", seed=1)["side"].isin(["left", "right"]).all()
np.True_
"""

from synthetic_cohort.named import scenario_named, scenario_names
from synthetic_cohort.scenarios import Effects, Scenario
from synthetic_cohort.table import Simulation, generate, simulate

__all__ = ["Effects", "Scenario", "Simulation", "generate", "scenario_named", "scenario_names", "simulate"]
