"""The contributors' page names what is in the tree, and the tree holds no room that it does not name."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

from test_floor_plan import FLOORS

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
#: Folders from which a path on the page may start.
STARTS = (ROOT, ROOT / "outcomes", ROOT / "outcomes" / "reference", ROOT / "tests")
#: What a run makes, and what stands in the folder that the line before names.
NOT_IN_THE_TREE = {"results.json", "reference.R"}


def tracked() -> list[Path]:
    """Return the files of the tree: what git would keep, or in an archive without git what is there."""
    done = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    if done.returncode == 0:
        return [Path(line) for line in done.stdout.splitlines() if (ROOT / line).exists()]
    return [path.relative_to(ROOT) for path in ROOT.rglob("*") if path.is_file()]


def test_every_path_on_the_page_exists() -> None:
    spans = re.findall(r"`([^`\n]+)`", PAGE)
    paths = {span for span in spans if re.fullmatch(r"[\w./-]+(/|\.(py|toml|md|json|R))", span)}
    assert len(paths) > 40, "the page names hardly any path: the pattern no longer fits"
    lost = {name for name in paths - NOT_IN_THE_TREE if not any((start / name).exists() for start in STARTS)}
    assert lost == set()


def test_every_folder_is_on_the_map() -> None:
    files = tracked()
    folders = {path.parts[0] for path in files if len(path.parts) > 1 and not path.parts[0].startswith(".")}
    rooms = {
        f"outcomes/{path.parts[1]}" for path in files if path.parts[0] == "outcomes" and len(path.parts) > 2
    }
    docs = {f"docs/{path.parts[1]}" for path in files if path.parts[0] == "docs" and len(path.parts) > 2}
    named = {span.rstrip("/") for span in re.findall(r"`([\w/]+/)", PAGE)}
    assert (folders | rooms | docs) - named - {"outcomes", "docs", "docs/images"} == set()


def test_special_folders_of_the_tests_are_named() -> None:
    folders = {path.parts[1] for path in tracked() if path.parts[0] == "tests" and len(path.parts) > 2}
    mirrors = {"analysis", "cohort", "reporting", "stats", "cli", "synthetic_cohort"}
    (row,) = re.findall(r"^\| `tests/` \|.*$", PAGE, re.M)
    assert {"tests"} | folders - mirrors == {name.rstrip("/") for name in re.findall(r"`(\w+/)`", row)}


def test_floors_of_the_page_are_the_tested_floors() -> None:
    drawn = re.search(r"```\n( floor 5.*?)```", PAGE, re.S)
    assert drawn is not None
    words = set(re.findall(r"\w+", drawn[1]))
    assert {room for floor in FLOORS for room in floor} - words == {"__main__"}
