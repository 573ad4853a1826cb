"""The door opens without the heavy libraries: what is loaded is counted, not how long it takes."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = {"numpy", "pandas", "scipy", "statsmodels", "lifelines", "matplotlib", "openpyxl", "docx", "jinja2"}


def loaded_by(code: str) -> set[str]:
    """Return the top-level modules that a fresh interpreter holds after running `code`."""
    report = "\nimport sys\nprint('\\n' + ' '.join(sorted({name.split('.')[0] for name in sys.modules})))"
    done = subprocess.run(
        [sys.executable, "-c", code + report], capture_output=True, text=True, encoding="utf-8", check=True
    )
    return set(done.stdout.splitlines()[-1].split())


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["analyse", "--help"], []], ids=" ".join)
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    code = f"""
import sys
sys.argv = ["outcomes", *{arguments!r}]
from outcomes.cli import entry_point
try:
    entry_point()
except SystemExit as left:
    code = left.code
else:
    code = 0
if code not in (0, None):
    raise RuntimeError(f"left with {{code}}")
"""
    assert loaded_by(code) & HEAVY == set()


def test_importing_the_package_loads_nothing_heavy() -> None:
    assert loaded_by("import outcomes") & HEAVY == set()


def test_the_check_sees_a_heavy_module() -> None:
    assert "numpy" in loaded_by("import numpy")
