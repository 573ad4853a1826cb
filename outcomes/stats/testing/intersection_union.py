"""One claim made of several: every pair within the margin, every outcome not worse.

Each part is tested at the full level. No correction is needed, because the joint claim is wrong only if some
part is wrong, and that part alone passes with at most its own level.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from outcomes.errors import EstimationError
from outcomes.stats.testing.equivalence import Equivalence


@dataclass(frozen=True, slots=True, kw_only=True)
class JointClaim:
    """The answer to whether all parts of a claim are shown.

    Attributes
    ----------
    shown : bool or None
        True when every part is shown; False when some part is made and not shown; None when no part
        failed but some could not be made (`reason` names them).
    p_value : float or None
        The largest p of the parts; None when one has none.
    weakest : str
        Contrast of the part with the largest p, empty without p.
    n_parts, n_shown, n_not_shown, n_unread : int
    alpha : float
        Level of every part, and of the joint claim.
    parts : tuple of Equivalence
    reason : str
    """

    shown: bool | None
    p_value: float | None
    weakest: str
    n_parts: int
    n_shown: int
    n_not_shown: int
    n_unread: int
    alpha: float
    parts: tuple[Equivalence, ...]
    reason: str = ""

    def tidy(self) -> pd.DataFrame:
        """Return one row a part, with the common column names."""
        return pd.DataFrame([row for part in self.parts for row in part.tidy().to_dict("records")])

    def __str__(self) -> str:
        """Return the sentence one would write in a paper."""
        counted = f"{self.n_shown} of {self.n_parts} parts shown"
        if self.shown is None:
            return f"joint claim not read ({self.reason}; {counted})"
        p = "" if self.p_value is None else f", p = {self.p_value:.3g}"
        return f"joint claim {'shown' if self.shown else 'not shown'} ({counted}{p})"


def intersection_union(parts: Sequence[Equivalence]) -> JointClaim:
    """Judge whether all parts of a claim are shown, each at its full level.

    Parameters
    ----------
    parts : sequence of Equivalence
        Results of :func:`outcomes.stats.testing.equivalence.tost` or `non_inferiority`, all at one alpha.

    Returns
    -------
    JointClaim

    Raises
    ------
    EstimationError
        Without parts, or when their levels differ.

    References
    ----------
    Berger RL. Technometrics 1982; 24: 295-300.

    Examples
    --------
    >>> from outcomes.estimates import Estimate, Margin
    >>> from outcomes.stats.testing.equivalence import tost
    >>> margin = Margin(value=2, unit="kg", source="declared by the authors: example")
    >>> pairs = [Estimate(value=v, conf_low=v - 2, conf_high=v + 2, std_error=1, unit="kg") for v in (0.0, 1.5)]
    >>> print(intersection_union([tost(pair, margin) for pair in pairs]))
    joint claim not shown (1 of 2 parts shown, p = 0.309)
    """
    parts = tuple(parts)
    if not parts:
        raise EstimationError("parts: a joint claim needs at least one part", code="no_parts")
    levels = {part.alpha for part in parts}
    if len(levels) > 1:
        raise EstimationError(
            f"parts: made at {len(levels)} different alphas; make all at one", code="different_levels"
        )
    unread = [part.estimate.contrast or f"part {i + 1}" for i, part in enumerate(parts) if part.shown is None]
    failed = sum(part.shown is False for part in parts)
    tested = [(part.p_value, part.estimate.contrast) for part in parts if part.p_value is not None]
    p, weakest = max(tested) if len(tested) == len(parts) else (None, "")
    return JointClaim(
        shown=False if failed else None if unread else True, p_value=p, weakest=weakest, n_parts=len(parts),
        n_shown=len(parts) - failed - len(unread), n_not_shown=failed, n_unread=len(unread),
        alpha=levels.pop(), parts=parts, reason=f"could not be read: {'; '.join(unread)}" if unread else "",
    )  # fmt: skip
