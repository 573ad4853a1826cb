"""List the licence of every locked package and fail when one is GPL: ``licences.py LOCK``."""

from __future__ import annotations

import re
import sys
from importlib.metadata import PackageNotFoundError, metadata
from pathlib import Path

GPL = re.compile(r"(?<!L)\b(A?GPL|GNU (Affero )?General Public)", re.IGNORECASE)


def licence_of(name: str) -> str:
    """Return what the installed package says about its licence."""
    about = metadata(name)
    licences = [line for line in about.get_all("Classifier", []) if line.startswith("License")]
    if "License-Expression" in about:
        return about["License-Expression"]
    if licences:
        return "; ".join(line.split("::")[-1].strip() for line in licences)
    return (about.get("License") or "not stated").split("\n")[0]


def main(lock: str) -> int:
    """Print name, version and licence; return 1 when a GPL licence stands among them."""
    refused = 0
    for line in Path(lock).read_text(encoding="utf-8").splitlines():
        pin = re.match(r"([\w.-]+)==(\S+)", line)
        if not pin:
            continue
        try:
            licence = licence_of(pin[1])
        except PackageNotFoundError:
            licence = "not installed on this platform"
        is_gpl = bool(GPL.search(licence))
        refused += is_gpl
        print(f"{'REFUSED' if is_gpl else 'ok':8}{pin[1]} {pin[2]}: {licence}")
    return 1 if refused else 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
