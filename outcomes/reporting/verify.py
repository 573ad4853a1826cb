"""Check a run: its files against the manifest, its numbers against a second computation."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from outcomes.analysis.run import analyse
from outcomes.cohort.table import read_cohort
from outcomes.errors import OutcomesError, RunError
from outcomes.reporting.atomic import private_of
from outcomes.reporting.inputs import read_plan
from outcomes.reporting.manifest import (
    MANIFEST,
    MANIFEST_FORMAT,
    InputFile,
    hash_file,
    own_hash,
    package_version,
    versions,
)
from outcomes.reporting.results_json import results_content
from outcomes.reporting.run_folder import INPUTS

#: Digits to which a number must agree on another machine.
DIGITS = 9.0
_EXACT = 16.0
_MOST_NAMED = 8
#: The private folder may be edited (a query list is answered) or sent elsewhere, so no manifest can hold it.
_NOT_CHECKED = "private folder not checked: it is not part of the manifest"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """What a check of a run found.

    Attributes
    ----------
    folder : Path
    mismatches : tuple of str
        Files or numbers that are not what the manifest or the re-run says, named.
    rerun : {"same", "differs", "not run"}
    why_not_run : str
    n_files, n_numbers : int
        Outputs checked, numbers compared.
    digits : float or None
        Fewest digits to which a number agreed (16 is every bit).
    notes : tuple of str
        What was not checked, other files found, versions that differ.
    """

    folder: Path
    mismatches: tuple[str, ...]
    rerun: Literal["same", "differs", "not run"]
    why_not_run: str
    n_files: int
    n_numbers: int
    digits: float | None
    notes: tuple[str, ...]

    @property
    def exit_code(self) -> int:
        """0 all holds and was re-run, 2 holds but was not re-run, 3 something differs."""
        if self.mismatches:
            return 3
        return 0 if self.rerun == "same" else 2

    def __str__(self) -> str:
        """Return the finding in a few lines."""
        lines = [f"does not hold: {text}" for text in self.mismatches[:_MOST_NAMED]]
        if len(self.mismatches) > _MOST_NAMED:
            lines.append(f"and {len(self.mismatches) - _MOST_NAMED} more")
        if not self.mismatches:
            lines.append(f"integrity holds: {self.n_files} files are as they were written")
        if self.rerun == "not run":
            lines.append(f"not re-run: {self.why_not_run}")
        elif self.rerun == "same":
            exact = self.digits is None or self.digits >= _EXACT
            digits = "every bit" if exact else f"{self.digits:.1f} digits or better"
            lines.append(f"re-run: counts are equal, {self.n_numbers} numbers agree to {digits}")
        return "\n".join([*lines, *self.notes])


def verify_run(folder: str | Path, study: str | Path | None = None) -> Verification:
    """Check every output against the manifest and, where the inputs are found, compute the results again.

    Parameters
    ----------
    folder : path
        A run folder.
    study : path, optional
        The study file; default the one recorded in the private folder beside the run.

    Returns
    -------
    Verification
        The re-run stays in memory: nothing that identifies patients is written anywhere.

    Raises
    ------
    RunError
        When the folder is no run, or its manifest cannot be read.
    """
    place = Path(folder)
    manifest = read_manifest(place)
    mismatches = _check_files(place, manifest)
    notes = _notes(place, manifest)
    if mismatches:
        return _verification(
            place, manifest, mismatches, notes, why="the files are not those that were written"
        )
    files, why = _find_inputs(place, manifest, None if study is None else Path(study))
    if why.startswith("differs: "):
        mismatches = [why.removeprefix("differs: ")]
    if not files:
        return _verification(place, manifest, mismatches, notes, why=why)
    try:
        plan, found = read_plan(files["study"].path)
        named = {entry.role: entry.path for entry in found}
        again = results_content(analyse(read_cohort(named["cohort"], named["dictionary"]), plan))
    except OutcomesError as error:
        return _verification(place, manifest, [f"the inputs are refused now: {error}"], notes, why="")
    written = json.loads((place / "results.json").read_text(encoding="utf-8"))
    comparison = compare_results(written, json.loads(json.dumps(again, allow_nan=False)))
    if comparison.differences:
        notes.append(_why_different(manifest))
    return Verification(
        folder=place,
        mismatches=tuple(f"results.json: {text}" for text in comparison.differences),
        rerun="differs" if comparison.differences else "same",
        why_not_run="",
        n_files=len(manifest["outputs"]),
        n_numbers=comparison.n_numbers,
        digits=comparison.digits,
        notes=tuple(notes),
    )


def _verification(
    place: Path, manifest: dict[str, Any], mismatches: list[str], notes: list[str], *, why: str
) -> Verification:
    return Verification(
        folder=place, mismatches=tuple(mismatches), rerun="not run", why_not_run=why or "see above",
        n_files=len(manifest["outputs"]), n_numbers=0, digits=None, notes=tuple(notes),
    )  # fmt: skip


def read_manifest(folder: Path) -> dict[str, Any]:
    """Return the manifest of a run.

    Raises
    ------
    RunError
        When there is none, it is of a newer format, or it was altered.
    """
    path = folder / MANIFEST
    if not path.is_file() or path.is_symlink():
        raise RunError(
            f"{folder} is not a finished run: it has no {MANIFEST}; name the folder of a run", code="no_run"
        )
    try:
        manifest = json.loads(path.read_text(encoding="utf-8"))
    except ValueError:
        raise RunError(
            f"{path} is not readable JSON: it was altered or cut short", code="bad_manifest"
        ) from None
    if not isinstance(manifest, dict) or manifest.get("format") != MANIFEST_FORMAT:
        found = manifest.get("format") if isinstance(manifest, dict) else None
        raise RunError(
            f"{path}: format is {found!r}; this version ({package_version()}) reads {MANIFEST_FORMAT!r}: verify with the "
            "version that wrote it",
            code="unknown_format",
        )
    if manifest.get("own_sha256") != own_hash(manifest):
        raise RunError(f"{path} was altered: its own hash does not hold", code="bad_manifest")
    return manifest


def _check_files(folder: Path, manifest: dict[str, Any]) -> list[str]:
    """Name every output that is missing, a link, or not what was written."""
    wrong = []
    for name, entry in sorted(manifest["outputs"].items()):
        path = folder / name
        if path.is_symlink():
            wrong.append(f"{name} is a link")
        elif not path.is_file():
            wrong.append(f"{name} is missing")
        elif hash_file(path)[0] != entry["sha256"]:
            wrong.append(f"{name} was altered")
    return wrong


def _notes(folder: Path, manifest: dict[str, Any]) -> list[str]:
    known = {*manifest["outputs"], MANIFEST}
    others = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if not p.is_dir())
    extra = [name for name in others if name not in known]
    notes = [_NOT_CHECKED, *(f"also here, not part of the run: {name}" for name in extra[:_MOST_NAMED])]
    wrote = str(manifest["versions"].get("outcomes", "unknown"))
    if wrote != package_version():
        notes.append(
            f"written by version {wrote}, checked by {package_version()}: see the changelog for numbers that move"
        )
    return notes


def _why_different(manifest: dict[str, Any]) -> str:
    """Say what may have moved the numbers: another version of something, or other code under the same version."""
    now = versions()
    moved = [name for name, version in manifest["versions"].items() if now.get(name) != version]
    if moved:
        return f"versions that are not those of the run: {', '.join(sorted(moved))}"
    return (
        f"same version, other code? The run names version {now['outcomes']} and the same libraries as here; a checkout "
        "keeps its version while its code changes"
    )


def _find_inputs(
    folder: Path, manifest: dict[str, Any], study: Path | None
) -> tuple[dict[str, InputFile], str]:
    """Return the input files by role when they are all here and unchanged; otherwise why not."""
    expected = {str(entry["role"]): str(entry["sha256"]) for entry in manifest["inputs"]}
    if "study" not in expected:
        return {}, "the run was written from Python, without a study file"
    path = study if study is not None else _recorded_study(private_of(folder.resolve()))
    if path is None or not path.is_file():
        return {}, "input not here; give the study file with --study"
    try:
        _, files = read_plan(path)
    except OutcomesError as error:
        return {}, f"input not here: {error}"
    found = {entry.role: entry for entry in files}
    for role, sha256 in expected.items():
        if role not in found:
            return {}, f"input not here: the study names no {role}"
        if found[role].sha256 != sha256:
            text = f"{found[role].path.name} ({role}) is not the file that the run read"
            return {}, f"differs: {text}" if study is not None else text
    return found, ""


def _recorded_study(private: Path) -> Path | None:
    """Return where the study file was, as the private folder remembers it."""
    try:
        content = json.loads((private / INPUTS).read_text(encoding="utf-8"))
        return next((Path(entry["path"]) for entry in content["files"] if entry["role"] == "study"), None)
    except (OSError, ValueError, KeyError, TypeError):
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultsComparison:
    """Two results files against each other: differences by place, numbers compared, fewest digits agreed."""

    differences: tuple[str, ...]
    n_numbers: int
    digits: float | None


def compare_results(written: Any, again: Any) -> ResultsComparison:
    """Compare results: words and counts exactly, numbers by digits agreed.

    Examples
    --------
    >>> found = compare_results({"n": 3, "estimate": 1.0}, {"n": 4, "estimate": 1.0 + 1e-12})
    >>> found.differences, found.n_numbers
    (('n: 3 became 4',), 1)
    """
    differences: list[str] = []
    digits: list[float] = []
    _compare(written, again, "", differences, digits)
    return ResultsComparison(
        differences=tuple(differences), n_numbers=len(digits), digits=min(digits) if digits else None
    )


def _compare(a: Any, b: Any, where: str, differences: list[str], digits: list[float]) -> None:
    if isinstance(a, dict) and isinstance(b, dict):
        for key in sorted({*a, *b}):
            if key in a and key in b:
                _compare(a[key], b[key], f"{where}.{key}" if where else key, differences, digits)
            else:
                differences.append(f"{where}.{key}: only in one of the two")
    elif isinstance(a, list) and isinstance(b, list):
        if len(a) != len(b):
            differences.append(f"{where}: {len(a)} entries became {len(b)}")
        for position, (left, right) in enumerate(zip(a, b, strict=False)):
            _compare(left, right, f"{where}[{position}]", differences, digits)
    elif isinstance(a, float) and isinstance(b, float):
        digits.append(agreed_digits(a, b))
        if digits[-1] < DIGITS:
            differences.append(f"{where}: numbers agree to {max(digits[-1], 0.0):.1f} digits only")
    elif a != b or isinstance(a, float) != isinstance(b, float):
        shown = f"{a} became {b}" if isinstance(a, int) and isinstance(b, int) else "changed"
        differences.append(f"{where}: {shown}")


def agreed_digits(a: float, b: float) -> float:
    """Return to how many significant digits two numbers agree; 16 when they are equal.

    Numbers below 1e-12 in size count as zero.

    Examples
    --------
    >>> agreed_digits(2.0, 2.0), round(agreed_digits(2.0, 2.0002), 1)
    (16.0, 4.0)
    """
    if a == b or max(abs(a), abs(b)) < 1e-12:
        return _EXACT
    return min(_EXACT, -math.log10(abs(a - b) / max(abs(a), abs(b))))
