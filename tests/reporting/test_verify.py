"""A run can be checked years later: files against the manifest, numbers against a second computation."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from outcomes.demo import FILES, demo_files
from outcomes.errors import RunError
from outcomes.reporting.manifest import versions
from outcomes.reporting.run_folder import RunFolder
from outcomes.reporting.verify import agreed_digits, compare_results, read_manifest, verify_run


@pytest.fixture
def copy(run: RunFolder, tmp_path: Path) -> Path:
    """Return a copy of the run that a test may damage."""
    shutil.copytree(run.folder, tmp_path / "run")
    shutil.copytree(run.private, tmp_path / "run-private")
    return tmp_path / "run"


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """Return a copy of the study with its dictionary and table."""
    folder = tmp_path / "study with spaces é"
    folder.mkdir()
    for name in FILES:
        shutil.copy(demo_files() / name, folder)
    return folder / "study.toml"


def test_an_untouched_run_comes_out_the_same(copy: Path) -> None:
    found = verify_run(copy)
    assert found.exit_code == 0
    assert found.rerun == "same"
    assert found.n_numbers > 1000
    assert "numbers agree to every bit\n" in str(found)
    assert "private folder not checked" in str(found)


def test_the_study_may_stand_elsewhere(copy: Path, study: Path) -> None:
    shutil.rmtree(copy.with_name("run-private"))
    without = verify_run(copy)
    assert without.exit_code == 2
    assert "not re-run: input not here" in str(without)
    assert "integrity holds" in str(without)
    assert verify_run(copy, study).exit_code == 0


def test_every_altered_output_is_named(copy: Path) -> None:
    for name in read_manifest(copy)["outputs"]:
        path = copy / name
        content = path.read_bytes()
        path.write_bytes(content[:-1] + bytes([content[-1] ^ 1]))
        found = verify_run(copy)
        assert found.exit_code == 3
        assert f"{name} was altered" in str(found)
        path.write_bytes(content)
    (copy / "methods.md").unlink()
    assert "methods.md is missing" in str(verify_run(copy))


def test_a_changed_input_is_named(copy: Path, study: Path) -> None:
    dictionary = study.with_name("department_dictionary.toml")
    dictionary.write_text(dictionary.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    found = verify_run(copy, study)
    assert found.exit_code == 3
    assert "department_dictionary.toml" in str(found)


def test_numbers_that_come_out_differently_are_named(copy: Path) -> None:
    results = copy / "results.json"
    content = json.loads(results.read_text(encoding="utf-8"))
    content["answers"][0]["reduction"]["estimate"] += 1e-6
    content["flow"][0]["n_cases"] += 1
    results.write_text(json.dumps(content), encoding="utf-8")
    _resign(copy, "results.json")
    found = verify_run(copy)
    assert found.exit_code == 3
    assert "answers[0].reduction.estimate" in str(found)
    assert "flow[0].n_cases" in str(found)
    assert "same version, other code?" in str(found)


def test_other_versions_are_named_when_numbers_move(copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    results = copy / "results.json"
    content = json.loads(results.read_text(encoding="utf-8"))
    content["flow"][0]["n_cases"] += 1
    results.write_text(json.dumps(content), encoding="utf-8")
    _resign(copy, "results.json")
    here = versions()
    monkeypatch.setattr("outcomes.reporting.verify.versions", lambda: {**here, "numpy": "0.0"})
    found = verify_run(copy)
    assert found.exit_code == 3
    assert "versions that are not those of the run: numpy" in str(found)
    assert "other code?" not in str(found)


def test_a_table_is_no_study(copy: Path, study: Path) -> None:
    found = verify_run(copy, study.with_name("department.xlsx"))
    assert found.exit_code == 2
    assert "department.xlsx is a table" in str(found)


def _resign(folder: Path, name: str) -> None:
    """Write a manifest that fits the altered file, as a careful forger would."""
    from outcomes.reporting.manifest import MANIFEST, manifest_bytes, sha256_of

    manifest = read_manifest(folder)
    outputs = manifest.pop("outputs")
    outputs[name]["sha256"] = sha256_of((folder / name).read_bytes())
    rest = {key: value for key, value in manifest.items() if key not in ("format", "own_sha256")}
    (folder / MANIFEST).write_bytes(manifest_bytes(rest, outputs))


def test_other_files_are_said_and_do_no_harm(copy: Path) -> None:
    (copy / "note.txt").write_text("seen")
    found = verify_run(copy)
    assert found.exit_code == 0
    assert "also here, not part of the run: note.txt" in str(found)


def test_a_folder_that_is_no_run_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RunError, match="not a finished run"):
        verify_run(tmp_path)


def test_a_newer_format_is_refused_with_what_to_do(copy: Path) -> None:
    path = copy / "manifest.json"
    content = json.loads(path.read_text(encoding="utf-8")) | {"format": "outcomes manifest 9"}
    path.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(RunError, match="verify with the version that wrote it"):
        verify_run(copy)


def test_the_manifest_names_no_folder_and_no_user(run: RunFolder) -> None:
    text = (run.folder / "manifest.json").read_text(encoding="utf-8")
    assert str(demo_files()) not in text
    assert str(run.folder.parent) not in text
    manifest = json.loads(text)
    assert {entry["role"] for entry in manifest["inputs"]} == {"study", "dictionary", "cohort"}
    assert manifest["ledger"]["balanced"] is True
    assert manifest["criteria"]["id"] == "common-practice"
    assert manifest["plan"]["independent_record"] is None


@pytest.mark.parametrize(
    ("a", "b", "digits"), [(1.0, 1.0, 16), (1.0, 1.0 + 1e-9, 9), (0.0, 1e-14, 16), (1.0, -1.0, -0.3)]
)
def test_digits_agreed(a: float, b: float, digits: float) -> None:
    assert agreed_digits(a, b) == pytest.approx(digits, abs=0.1)


def test_comparison_sees_what_is_gone_and_what_changed_its_kind() -> None:
    assert compare_results({"a": 1, "b": "x"}, {"a": 1}).differences == (".b: only in one of the two",)
    assert compare_results([1, 2], [1]).differences
    assert compare_results({"a": 1}, {"a": 1.0}).differences
    assert compare_results({"a": None}, {"a": 1.0}).differences
