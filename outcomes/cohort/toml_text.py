"""Writing the small part of TOML that our files use; the standard library only reads it."""

from __future__ import annotations

import datetime
import json
import re
from collections.abc import Mapping, Sequence
from typing import Any

_BARE = re.compile(r"[A-Za-z0-9_-]+")


def toml_key(key: str) -> str:
    """Return a key, quoted where TOML asks for it.

    Examples
    --------
    >>> print(toml_key("unit"), toml_key("Grip inj 12/12"))
    unit "Grip inj 12/12"
    """
    return key if _BARE.fullmatch(key) else toml_value(key)


def toml_value(value: Any) -> str:
    """Return one value as TOML on one line.

    Examples
    --------
    >>> print(toml_value({"female": ["f", "female"]}))
    { female = ["f", "female"] }
    """
    if isinstance(value, str):
        # JSON escapes are TOML escapes, except that TOML also forbids a bare delete character.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{toml_key(key)} = {toml_value(item)}" for key, item in value.items()) + " }"
    if isinstance(value, Sequence):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    raise TypeError(f"no TOML form for {type(value).__name__}")


def toml_table(name: str, entries: Mapping[str, Any]) -> str:
    """Return one table with its heading and a line a key."""
    lines = [f"{toml_key(key)} = {toml_value(value)}" for key, value in entries.items()]
    return "\n".join([f"[{name}]", *lines]) if name else "\n".join(lines)
