"""Sample sizes made larger: patients in clusters, clusters of unequal size, patients lost."""

from __future__ import annotations

import dataclasses
import math

from outcomes.errors import EstimationError
from outcomes.stats.numerics.one_number import check_number
from outcomes.stats.planning.plans import SampleSize, round_up


def design_effect(cluster_size: float, icc: float, *, cv: float = 0.0) -> float:
    """Return how many times more patients a comparison between clusters takes.

    Parameters
    ----------
    cluster_size : float
        Mean size of a cluster, 1 or more.
    icc : float
        Correlation of two patients of one cluster, 0 to 1.
    cv : float
        SD of the sizes of clusters over their mean, 0 or more.

    Returns
    -------
    float
        ``1 + ((1 + cv^2) m - 1) icc``, an upper limit when sizes differ.

    Raises
    ------
    EstimationError
        Numbers out of range.

    References
    ----------
    Eldridge SM, Ashby D, Kerry S. International Journal of Epidemiology 2006; 35: 1292-1300.

    Examples
    --------
    >>> design_effect(21, 0.05), design_effect(1, 0.3)
    (2.0, 1.0)
    """
    for value, name in ((cluster_size, "cluster_size"), (icc, "icc"), (cv, "cv")):
        check_number(value, name, "0.05" if name == "icc" else "1")
    if not (math.isfinite(cluster_size) and cluster_size >= 1):
        raise EstimationError("cluster_size must be 1 or more", code="bad_plan")
    if not 0 <= icc <= 1:
        raise EstimationError("icc must be from 0 to 1", code="bad_plan")
    if not (math.isfinite(cv) and cv >= 0):
        raise EstimationError("cv must be 0 or more", code="bad_plan")
    return 1 + ((1 + cv * cv) * cluster_size - 1) * icc


def inflate(
    size: SampleSize, *, cluster_size: float = 1.0, icc: float = 0.0, cv: float = 0.0, lost: float = 0.0
) -> SampleSize:
    """Return a sample size made larger for clusters and losses.

    Parameters
    ----------
    size : SampleSize
        As planned for independent patients without losses.
    cluster_size, icc, cv
        As for :func:`design_effect`.
    lost : float
        Share of patients expected to be lost, from 0 to below 1.

    Returns
    -------
    SampleSize
        Same power; events, where counted, are those needed with clustering.

    Raises
    ------
    EstimationError
        A size that is no SampleSize, numbers out of range.

    References
    ----------
    As for :func:`design_effect`; losses: division by the share that stays.

    Examples
    --------
    64 in each group, twice as many in clusters of 21 with a correlation of 0.05, a fifth lost:

    >>> from outcomes.stats.planning.sample_size_means import size_two_means
    >>> inflate(size_two_means(5, 10), cluster_size=21, icc=0.05, lost=0.2).groups
    (160, 160)
    """
    if not isinstance(size, SampleSize):
        raise EstimationError(
            "size: give the result of a sample size, such as inflate(size_two_means(5, 10), ...), not the number in it",
            code="bad_plan",
        )
    factor = design_effect(cluster_size, icc, cv=cv)
    check_number(lost, "lost", "0.2")
    if not 0 <= lost < 1:
        raise EstimationError("lost must be a share from 0 to below 1", code="bad_plan")
    unrounded = tuple(value * factor / (1 - lost) for value in size.unrounded)
    groups = tuple(max(round_up(value), n) for value, n in zip(unrounded, size.groups, strict=True))
    said = (
        *((f"design effect {factor:.3g}",) if factor > 1 else ()),
        *((f"{100 * lost:g} % lost",) if lost > 0 else ()),
    )
    return dataclasses.replace(
        size, groups=groups, n=sum(groups), unrounded=unrounded, assumed=(*size.assumed, *said),
        events=None if size.events is None else round_up(size.events * factor),
    )  # fmt: skip
