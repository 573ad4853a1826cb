"""The code in the README runs as it stands, in a folder of its own, and says what it is expected to say."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```python\n(.*?)^```", README, re.M | re.S)
USERS = ("surgeon", "registry", "journal-club", "statistics")

#: What a reader must find in the output; the counts of the third are from the paper (p printed as .78).
SAID = {
    "surgeon": ["rows read", "questions for whoever", "grip strength as share of the other hand", "my-study"],
    "registry": [
        "Northmere, criteria met",
        "Saltby, criteria met",
        "Wickfell, criteria met",
        "% CI",
        "indeterminate",
    ],
    "statistics": ["consistent", "patients", "172"],
    "journal-club": ["operated minus not operated: 4.264 percentage points", "p = 0.782", "not shown"],
}


def test_each_user_has_an_example() -> None:
    assert len(BLOCKS) == len(USERS)


@pytest.mark.parametrize(("user", "code"), [*zip(USERS, BLOCKS, strict=True)], ids=USERS)
def test_example_runs(user: str, code: str, tmp_path: Path) -> None:
    statements = [line for line in code.splitlines() if line.strip() and not line.startswith("#")]
    assert len(statements) <= 18, "about fifteen lines, or nobody reads them"
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        cwd=tmp_path,
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert [words for words in SAID[user] if words not in done.stdout] == []
    assert bool(list(tmp_path.rglob("report.html"))) == (user == "surgeon")


def test_both_commands_are_named() -> None:
    assert "make demo" in README
    assert "make test" in README


def test_picture_is_there() -> None:
    (picture,) = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README)
    assert (ROOT / picture).is_file()
