"""One printed or planned number: refused by name when it is text, a list or nothing."""

from __future__ import annotations

import numbers as number_kinds

import numpy as np

from outcomes.errors import EstimationError


def check_number(value: object, name: str, example: str = "12.5") -> None:
    """Refuse what is not one number, such as text that looks like one.

    Parameters
    ----------
    value : object
        Never repeated in the message.
    name : str
        What it is called in a message.
    example : str
        A number as it may be written.

    Raises
    ------
    EstimationError
        Text, a list, a table, True or False, or None.

    Examples
    --------
    >>> check_number(49, "mean")
    >>> try:
    ...     check_number("49", "mean")
    ... except EstimationError as refusal:
    ...     print(refusal)
    mean: give one number, such as 12.5, without quotation marks or a unit
    """
    if isinstance(value, bool | np.bool_) or not isinstance(value, number_kinds.Real):
        raise EstimationError(
            f"{name}: give one number, such as {example}, without quotation marks or a unit",
            code="not_a_number",
        )
