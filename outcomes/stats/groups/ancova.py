"""Analysis of covariance: means of groups adjusted for covariates, their differences, and whether slopes agree."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from outcomes.errors import EstimationError
from outcomes.estimates import Estimate
from outcomes.stats.groups.nested import NestedTest, column_basis, compare_fits, nested_test
from outcomes.stats.numerics.arrays import FloatArray, IntArray, check_level
from outcomes.stats.numerics.inputs import numbers
from outcomes.stats.regression.clusters import Covariance
from outcomes.stats.regression.linear import LinearFit, fit_linear, linear_contrast


@dataclass(frozen=True, slots=True, kw_only=True)
class Ancova:
    """Groups compared at the same values of the covariates.

    Attributes
    ----------
    adjusted_means : tuple of Estimate
        Mean of each group at the mean of every covariate over the cases used.
    differences : tuple of Estimate
        Each other group minus the reference group; intervals one at a time.
    slopes : tuple of Estimate
        Common slope of each covariate, unit of the outcome per unit of the covariate.
    group_test : NestedTest
        Whether the groups differ at all, with partial eta squared.
    covariate_tests : tuple of NestedTest
        Each covariate after the groups and the other covariates.
    common_slope : NestedTest
        Whether the slopes differ between groups: if they do, no one difference holds for all values
        of the covariates.
    fit : LinearFit
        Its rows are the cases used, sorted by group, not in the order given.
    labels : tuple of str
        Groups in order; `reference` is the one subtracted.
    reference : str
    n, n_missing : int
    """

    adjusted_means: tuple[Estimate, ...]
    differences: tuple[Estimate, ...]
    slopes: tuple[Estimate, ...]
    group_test: NestedTest
    covariate_tests: tuple[NestedTest, ...]
    common_slope: NestedTest
    fit: LinearFit
    labels: tuple[str, ...]
    reference: str
    n: int
    n_missing: int

    def tidy(self) -> pd.DataFrame:
        """Return one row for each adjusted mean, difference and slope, with the common column names."""
        rows = [
            {
                "measure": measure, "contrast": e.contrast, "estimate": e.value, "std_error": e.std_error,
                "conf_low": e.conf_low, "conf_high": e.conf_high, "p_value": e.p_value, "n": e.n,
                "n_missing": e.n_missing, "method": e.method,
            }
            for measure, estimates in (
                ("adjusted mean", self.adjusted_means), ("difference", self.differences),
                ("slope", self.slopes),
            )
            for e in estimates
        ]  # fmt: skip
        return pd.DataFrame(rows)

    def __str__(self) -> str:
        """Return the differences, the joint test and the test of the slopes."""
        lines = [str(e) for e in self.differences]
        lines += [f"groups: {self.group_test}", f"slopes of the groups: {self.common_slope}"]
        return "\n".join(lines)


def ancova(
    y: ArrayLike,
    groups: Any,
    covariates: Mapping[str, ArrayLike] | ArrayLike | pd.Series | pd.DataFrame,
    *,
    reference: str | None = None,
    covariance: Covariance = "classical",
    level: float = 0.95,
    unit: str = "",
) -> Ancova:
    """Compare the means of groups at equal values of covariates, with one slope for all groups.

    Parameters
    ----------
    y : array_like, shape (n,)
        Outcome, in `unit`; NaN or None where missing.
    groups : array_like, shape (n,)
        Group of each case; None, NaN or NA where missing. Ordered as a Categorical is, else sorted.
    covariates : mapping of str to array_like, shape (n,); or one covariate, or DataFrame
        By name: a mapping or the columns of a DataFrame. A single one may stand alone: a Series is called by its name,
        a list or array "covariate". Numbers; NaN or None where missing. A case that misses any value is left out and counted.
    reference : str, optional
        Group that the others are compared with; the first one otherwise.
    covariance : {"classical", "HC2", "HC3", ...}
        Of the errors of means, differences and slopes, as for :func:`outcomes.stats.regression.linear.fit_linear`. The
        three joint tests assume one variance.
    level : float
        Confidence level.
    unit : str
        Unit of the outcome.

    Returns
    -------
    Ancova
        The test of the slopes says why when a group has too few cases or a covariate does not vary in it.

    Raises
    ------
    EstimationError
        For fewer than two groups, no covariate, an unknown reference, a covariate that the groups
        or other covariates determine (named), fewer cases than coefficients, values not numeric.

    Notes
    -----
    Adjusting for what the groups themselves changed gives no effect of the groups.

    References
    ----------
    Fisher RA. Statistical Methods for Research Workers. 4th ed. 1932, section 49.1. Huitema BE. The
    Analysis of Covariance and Alternatives. 2nd ed. 2011.

    Examples
    --------
    y = x in one group and x + 3 in the other, give or take 0.1:

    >>> x = [1, 2, 3, 4, 2, 3, 4, 5]
    >>> y = [1.1, 1.9, 2.9, 4.1, 5.1, 5.9, 6.9, 8.1]
    >>> result = ancova(y, list("aaaabbbb"), {"x": x}, unit="kg")
    >>> round(result.differences[0].value, 10), round(result.slopes[0].value, 10)
    (3.0, 1.0)
    >>> [round(mean.value, 10) for mean in result.adjusted_means]
    [3.0, 6.0]
    """
    check_level(level)
    named = _named(covariates)
    outcome, codes, labels, columns, n_missing = _complete(y, groups, named)
    names = tuple(named)
    base = _reference(labels, reference)
    one, dummies = np.ones((len(outcome), 1)), np.eye(len(labels))[codes][:, 1:]
    group_names = [f"group {label}" for label in labels[1:]]
    centred = columns - columns.mean(axis=0)
    design = np.column_stack([one, dummies, centred])
    design_names = ["intercept", *group_names, *names]
    fit = fit_linear(design, outcome, names=design_names, covariance=covariance)

    def without(dropped: list[str], contrast: str) -> NestedTest:
        kept = [i for i, name in enumerate(design_names) if name not in dropped]
        return nested_test(
            design[:, kept], design, outcome, names_small=[design_names[i] for i in kept],
            names_large=design_names, level=level, contrast=contrast, n_missing=n_missing,
        )  # fmt: skip

    means, differences, slopes = _contrasts(
        fit, labels, base, names, np.bincount(codes), level, unit, n_missing
    )
    return Ancova(
        adjusted_means=means, differences=differences, slopes=slopes,
        group_test=without(group_names, "groups"),
        covariate_tests=tuple(without([name], name) for name in names),
        common_slope=_slopes_test(design, dummies, centred, outcome, level, n_missing),
        fit=fit, labels=labels, reference=labels[base], n=len(outcome), n_missing=n_missing,
    )  # fmt: skip


def _named(covariates: Any) -> dict[str, Any]:
    """Return covariates by name, however they were given."""
    if isinstance(covariates, Mapping | pd.DataFrame):
        return {str(name): column for name, column in covariates.items()}
    if isinstance(covariates, pd.Series):
        return {"covariate" if covariates.name is None else str(covariates.name): covariates}
    single = not isinstance(covariates, str | bytes) and isinstance(covariates, Sequence | np.ndarray)
    if not single or any(np.ndim(value) for value in covariates):
        raise EstimationError(
            "covariates: give them by name, such as {'age': age}, a DataFrame, or one column of numbers",
            code="bad_covariates",
        )
    return {"covariate": covariates} if len(covariates) else {}


def _complete(
    y: ArrayLike, groups: Any, covariates: Mapping[str, ArrayLike]
) -> tuple[FloatArray, IntArray, tuple[str, ...], FloatArray, int]:
    """Return outcome, group numbers, group labels and covariates of the complete cases, and how many were not."""
    if not covariates:
        raise EstimationError(
            "no covariate given; without one use one_way_anova or mean_difference", code="no_covariate"
        )
    names = ["y", *covariates]
    columns = [
        numbers(values, f"{name}: every value must be a number, NaN or None; convert the column first")
        for name, values in zip(names, [y, *covariates.values()], strict=True)
    ]
    group = groups if isinstance(groups, pd.Series | pd.Categorical) else np.asarray(groups, dtype=object)
    membership = pd.Categorical(group)
    n = len(membership)
    wrong = [name for name, column in zip(names, columns, strict=True) if column.shape != (n,)]
    if wrong:
        raise EstimationError(
            f"{', '.join(wrong)}: not one value for each of the {n} cases of groups", code="bad_shape"
        )
    infinite = [name for name, column in zip(names, columns, strict=True) if np.isinf(column).any()]
    if infinite:
        raise EstimationError(
            f"{', '.join(infinite)}: infinite values; set them to NaN and count them as missing",
            code="infinite",
        )
    table = np.column_stack(columns)
    present = ~np.isnan(table).any(axis=1) & (membership.codes >= 0)
    # Only groups with complete cases; sorted rows, so that their order does not reach the last digit.
    found, codes = np.unique(membership.codes[present], return_inverse=True)
    labels = tuple(str(membership.categories[code]) for code in found)
    if len(labels) < 2:
        raise EstimationError(
            f"{len(labels)} groups have complete cases; at least 2 are needed", code="too_few_groups"
        )
    order = np.lexsort((*table[present].T, codes))
    kept = table[present][order]
    return kept[:, 0], codes[order], labels, kept[:, 1:], int((~present).sum())


def _reference(labels: tuple[str, ...], reference: str | None) -> int:
    """Return the number of the reference group."""
    if reference is None:
        return 0
    if reference not in labels:
        raise EstimationError(
            f"reference: no complete case in the group named; {len(labels)} other groups have complete cases, name one",
            code="bad_choice",
        )
    return labels.index(reference)


def _contrasts(
    fit: LinearFit, labels: tuple[str, ...], base: int, names: tuple[str, ...], sizes: Any, level: float,
    unit: str, n_missing: int,
) -> tuple[tuple[Estimate, ...], tuple[Estimate, ...], tuple[Estimate, ...]]:  # fmt: skip
    """Return adjusted means, differences from the reference and slopes."""
    k, q = len(labels), len(names)
    means = np.column_stack([np.ones(k), np.eye(k)[:, 1:], np.zeros((k, q))])
    others = [i for i in range(k) if i != base]
    slopes = np.column_stack([np.zeros((q, k)), np.eye(q)])
    adjusted = linear_contrast(
        fit, means, level=level, labels=labels, unit=unit, n=sizes.tolist(), n_missing=n_missing
    )
    differences = linear_contrast(
        fit, means[others] - means[base], level=level, unit=unit, n_missing=n_missing,
        labels=[f"{labels[i]} minus {labels[base]}" for i in others],
        n=[int(sizes[i] + sizes[base]) for i in others],
    )  # fmt: skip
    each = linear_contrast(fit, slopes, level=level, labels=names, unit=unit, n_missing=n_missing)
    return adjusted, differences, each


def _slopes_test(
    design: FloatArray, dummies: FloatArray, centred: FloatArray, y: FloatArray, level: float,
    n_missing: int,
) -> NestedTest:  # fmt: skip
    """Return the test of equal slopes, or the one that says why there is none."""
    products = (dummies[:, :, None] * centred[:, None, :]).reshape(len(y), -1)
    # A group whose covariate does not vary has no slope of its own: it takes no degree of freedom.
    return compare_fits(
        column_basis(design), column_basis(np.column_stack([design, products])), y, level=level,
        contrast="slopes by group", n_missing=n_missing, method="F test of a common slope",
    )  # fmt: skip
