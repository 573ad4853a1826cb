"""What each column of the clean table means, in the words of a data dictionary, and how to write it as TOML.

The package reads nothing with it: it writes the dictionaries that go with the bundled data.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from synthetic_cohort.levels import COMPONENTS, EVENT_SLOTS, FILM_TIMES, MEASURES, VISITS, columns

FORMAT = "outcomes dictionary 1"
TIME_WORDS = {
    "injury": "injury",
    "post_reduction": "post-reduction",
    "postoperative": "postoperative",
    "union": "union",
    "3_months": "3 months",
    "12_months": "12 months",
}
MEANING: dict[str, dict[str, Any]] = {
    "tilt": {"unit": "degrees", "positive": "volar"},
    "inclination": {"unit": "degrees"},
    "ulnar_variance": {"unit": "mm", "positive": "ulna longer"},
    "shortening": {"unit": "mm", "reference": "other side"},
    "step": {"unit": "mm"},
    "gap": {"unit": "mm"},
    "druj_congruent": {},
    "pronation": {"unit": "degrees"},
    "supination": {"unit": "degrees"},
    "prwe": {"unit": "points"},
    "pain": {"unit": "points"},
}


def declarations() -> dict[str, dict[str, Any]]:
    """Return the declaration of every column of the clean table.

    Returns
    -------
    dict
        Column name -> keys of a dictionary column.

    Examples
    --------
    >>> declarations()["tilt_postoperative_reader2"]["reader"]
    2
    >>> set(declarations()) == set(columns())
    True
    """
    found: dict[str, dict[str, Any]] = {name: {"is": name} for name in columns()[:23]}
    found["age"]["unit"] = "years"
    found["surgeon_experience"]["unit"] = "years"
    for time in FILM_TIMES:
        words = TIME_WORDS[time]
        found[f"film_date_{time}"] = {"is": "film_date", "time": words}
        for measure in MEASURES:
            found[f"{measure}_{time}"] = {"is": measure, "time": words, **MEANING[measure]}
    for measure in MEASURES:
        second = found[f"{measure}_postoperative"] | {"reader": 2}
        found[f"{measure}_postoperative_reader2"] = second
    found["operation_text"] = {"is": "operation_text"}
    found |= {f"component_{part}": {"is": "component", "component": part} for part in COMPONENTS}
    for visit in VISITS:
        words = TIME_WORDS[visit]
        for hand in ("injured", "other"):
            found[f"grip_{hand}_{visit}"] = {"is": "grip", "hand": hand, "time": words, "unit": "kg"}
        for what in ("pronation", "supination", "prwe", "pain"):
            found[f"{what}_{visit}"] = {"is": what, "time": words, **MEANING[what]}
    for slot in range(1, EVENT_SLOTS + 1):
        for what in ("event", "event_date", "event_severity", "event_reason"):
            found[f"{what}_{slot}"] = {"is": what, "slot": slot}
    return {name: found[name] for name in columns()}


def dictionary_text(
    title: str, table: Mapping[str, Any], declared: Mapping[str, Mapping[str, Any]], remark: Sequence[str]
) -> str:
    """Write a data dictionary as TOML.

    Parameters
    ----------
    title : str
    table : mapping
        Keys of ``[table]``.
    declared : mapping
        Heading -> keys of the column.
    remark : sequence of str
        Comment lines on top.

    Returns
    -------
    str
    """
    lines = [f"# {line}".rstrip() for line in remark]
    lines += [f'format = "{FORMAT}"', f"title = {value_text(title)}", "", "[table]"]
    lines += [f"{key} = {value_text(value)}" for key, value in table.items()]
    for heading, keys in declared.items():
        lines += ["", f"[columns.{value_text(heading)}]"]
        lines += [f"{key} = {value_text(value)}" for key, value in keys.items()]
    return "\n".join(lines) + "\n"


def value_text(value: Any) -> str:
    """Write one value as TOML.

    Examples
    --------
    >>> value_text({"male": ["m", "M"], "volar plate": ["VLP"]})
    '{ male = ["m", "M"], "volar plate" = ["VLP"] }'
    """
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, Mapping):
        pairs = (f"{_key(name)} = {value_text(item)}" for name, item in value.items())
        return "{ " + ", ".join(pairs) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(value_text(item) for item in value) + "]"
    return f"{value:g}" if isinstance(value, (int, float)) else value_text(str(value))


def _key(name: str) -> str:
    """Write a TOML key, quoted where it must be."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else value_text(name)
