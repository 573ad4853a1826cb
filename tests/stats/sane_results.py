"""What every result must be, whatever the data were: numbers that are finite, p-values above 0, reasons in words."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Iterator
from typing import Any

from outcomes.estimates import Estimate


def leaves(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Yield every number and text that a result holds, its tables included."""
    if dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            yield from leaves(getattr(value, field.name), f"{path}.{field.name}")
    elif isinstance(value, tuple | list):
        for i, part in enumerate(value):
            yield from leaves(part, f"{path}[{i}]")
    else:
        yield path, value


def sane(result: Any) -> Any:
    """Return a result that holds no NaN, no p of 0, infinity only as degrees of freedom, and says so in words too."""
    for path, value in leaves(result):
        if isinstance(value, float):
            allowed = path.endswith((".df", ".df_within"))
            assert not math.isnan(value), path
            assert math.isfinite(value) or allowed, path
        if ".p_" in path and isinstance(value, float):
            assert value > 0, path
    assert not re.search(r"\b(nan|inf)\b|\bp = 0(\.0*)?(?![\d.])", str(result).lower()), str(result)
    return result


def unestimable(result: Any, words: str) -> None:
    """Check that nothing was estimated, and that the reason holds the words."""
    assert words in result.reason
    if isinstance(result, Estimate):
        assert (result.value, result.conf_low, result.conf_high, result.p_value) == (None,) * 4
        assert "not estimable" in str(result)
    else:
        assert result.p_value is None
