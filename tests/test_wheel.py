"""The wheel holds every file of both packages and runs the main job away from the repository."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("outcomes", "synthetic_cohort")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the wheel from a copy, so that the tree stays clean, and without any download."""
    source = tmp_path_factory.mktemp("source")
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, source)
    for package in PACKAGES:
        shutil.copytree(ROOT / package, source / package, ignore=shutil.ignore_patterns("__pycache__"))
    target = tmp_path_factory.mktemp("wheel")
    options = ["--quiet", "--no-deps", "--no-build-isolation", "--no-index", "--wheel-dir", str(target)]
    subprocess.run([sys.executable, "-m", "pip", "wheel", *options, str(source)], check=True)
    (built,) = target.glob("*.whl")
    return built


def test_wheel_holds_every_file(wheel: Path) -> None:
    wanted = {
        path.relative_to(ROOT).as_posix()
        for package in PACKAGES
        for path in (ROOT / package).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    with zipfile.ZipFile(wheel) as archive:
        held = set(archive.namelist())
    assert wanted - held == set()


def test_demo_runs_from_the_wheel_alone(wheel: Path, tmp_path: Path) -> None:
    site = tmp_path / "site with spaces é"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    environment = {**os.environ, "PYTHONPATH": str(site), "PYTHONIOENCODING": "utf-8"}

    def python(*arguments: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, *arguments]
        return subprocess.run(
            command, cwd=tmp_path, env=environment, capture_output=True, encoding="utf-8", check=False
        )

    where = python("-c", "import outcomes; print(outcomes.__file__)").stdout
    assert Path(where.strip()).is_relative_to(site), "the repository was imported, not the wheel"
    done = python("-m", "outcomes", "demo")
    assert done.returncode in (0, 2), done.stderr
    folder = tmp_path / done.stdout.splitlines()[-1].strip()
    assert (folder / "report.html").is_file()
    assert (folder / "manifest.json").is_file()
