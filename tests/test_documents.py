"""What the documents promise exists: links, commands, versions; and what the locks promise holds."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from outcomes.reporting import read_first

ROOT = Path(__file__).parents[1]
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md"), *(ROOT / ".github").rglob("*.md")])
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def page_id(page: Path) -> str:
    return page.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("page", PAGES, ids=page_id)
def test_links_lead_somewhere(page: Path) -> None:
    targets = re.findall(r"\]\(([^)#\s]+)", page.read_text(encoding="utf-8"))
    inner = [target for target in targets if not target.startswith(("http:", "https:", "mailto:"))]
    assert [target for target in inner if not (page.parent / target).exists()] == []


@pytest.mark.parametrize("page", PAGES, ids=page_id)
def test_make_targets_exist(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    code = [*re.findall(r"`([^`\n]+)`", text), *re.findall(r"^ *make [a-z]+", text, re.M)]
    named = {found for span in code for found in re.findall(r"\bmake ([a-z]+)", span)}
    targets = set(re.findall(r"^([a-z]+):", (ROOT / "Makefile").read_text(encoding="utf-8"), re.M))
    assert named <= targets


def test_commands_in_the_documents_exist() -> None:
    shown = subprocess.run(
        [sys.executable, "-m", "outcomes", "--help"], capture_output=True, encoding="utf-8", check=True
    ).stdout
    text = "\n".join(page.read_text(encoding="utf-8") for page in PAGES)
    named = set(re.findall(r"(?:`|-m |^ *)outcomes ([a-z]+)\b", text, re.M))
    assert named, "the documents name no command: the pattern no longer fits"
    assert {name for name in named if not re.search(rf"\b{name}\b", shown)} == set()


def test_every_benchmark_stands_on_its_page() -> None:
    page = (ROOT / "docs/benchmarks.md").read_text(encoding="utf-8")
    scripts = {path.name for path in (ROOT / "tests/benchmarks").glob("*.py")}
    assert set(re.findall(r"^\| `python tests/benchmarks/(\w+\.py)`", page, re.M)) == scripts


def test_shares_that_call_for_the_banner_stand_on_their_page() -> None:
    page = (ROOT / "docs/exit_codes.md").read_text(encoding="utf-8")
    limits = {
        "set aside": ("at most", read_first.MOST_SET_ASIDE),
        "strategy is unclear": ("at most", read_first.MOST_UNCLEAR),
        "primary outcome uses": ("at least", read_first.LEAST_USED),
    }
    for words, (which, limit) in limits.items():
        assert f"{words} | {which} {limit:.0%} |".replace("%", " %") in page, words


def test_versions_agree() -> None:
    version = PROJECT["version"]
    assert f"version = {{{version}}}" in (ROOT / "docs/citing.md").read_text(encoding="utf-8")
    changelog = (ROOT / "docs/changelog.md").read_text(encoding="utf-8")
    newest = re.search(r"^## ([\d.]+)", changelog, re.M)
    assert newest is not None
    assert newest[1] == version


def pins(lock: str) -> dict[str, str]:
    text = (ROOT / lock).read_text(encoding="utf-8")
    return dict(re.findall(r"^([a-z0-9.-]+)==(\S+)", text, re.M))


@pytest.mark.parametrize("lock", ["requirements-build.lock", "requirements.lock", "requirements-dev.lock"])
def test_locks_pin_hash_and_name_no_address(lock: str) -> None:
    text = (ROOT / lock).read_text(encoding="utf-8")
    assert not re.search(r"://|index|find-links|file:| @ ", text)
    entries = re.split(r"^(?=[a-z0-9])", text, flags=re.M)[1:]
    assert entries
    assert [entry.split()[0] for entry in entries if "==" not in entry or "--hash=sha256:" not in entry] == []


def test_locks_cover_what_the_project_declares() -> None:
    user, dev = pins("requirements.lock"), pins("requirements-dev.lock")

    def names(requirements: list[str]) -> set[str]:
        return {re.split(r"[<>=!~ \[;]", line)[0].lower() for line in requirements}

    assert names(PROJECT["dependencies"]) <= set(user)
    assert names(PROJECT["optional-dependencies"]["dev"]) <= set(dev)
    assert user.items() <= dev.items(), "users and tests must run the same versions"
