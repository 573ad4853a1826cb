"""A folder that cannot take a run is refused before anything is read, in words that fit."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from outcomes.errors import RunError
from outcomes.reporting import atomic
from outcomes.reporting.atomic import write_atomically
from outcomes.reporting.lock import lock_beside
from outcomes.reporting.manifest import manifest_bytes
from outcomes.reporting.places import refuse_unusable


def run_in(target: Path) -> None:
    write_atomically(target, files={"a.txt": b"a"}, private={}, finish=lambda o: manifest_bytes({}, o))


def denied(*_: object, **__: object) -> None:
    raise PermissionError(errno.EACCES, "Permission denied")


def test_a_place_that_can_be_written_to_is_left_as_it_was(tmp_path: Path) -> None:
    refuse_unusable(tmp_path / "run")
    refuse_unusable(tmp_path / "below" / "that" / "run")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("target", ["run", "below/that/run"])
def test_a_folder_that_may_not_be_written_to_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, target: str
) -> None:
    monkeypatch.setattr(atomic.tempfile, "TemporaryFile", denied)
    with pytest.raises(RunError, match="a folder you may write to with --out") as refused:
        refuse_unusable(tmp_path / target)
    assert f"folder {tmp_path} cannot be written to" in str(refused.value)
    assert "lock" not in str(refused.value)


def test_without_a_folder_the_one_below_which_runs_are_made_is_tried(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    refuse_unusable(None)
    monkeypatch.setattr(atomic.tempfile, "TemporaryFile", denied)
    with pytest.raises(RunError, match="cannot be written to"):
        refuse_unusable(None)


def test_a_file_in_the_way_is_named(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("mine")
    with pytest.raises(RunError, match=r"letter\.txt is not a folder"):
        refuse_unusable(tmp_path / "letter.txt" / "run")


def test_a_run_that_is_being_written_is_found(tmp_path: Path) -> None:
    with lock_beside(tmp_path / "run"), pytest.raises(RunError, match="another run is writing"):
        refuse_unusable(tmp_path / "run")
    refuse_unusable(tmp_path / "run")


def test_a_lock_of_somebody_else_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("outcomes.reporting.places.lock_beside", denied)
    with pytest.raises(RunError, match="another user may be writing there"):
        refuse_unusable(tmp_path / "run")


def test_a_check_does_not_go_where_a_run_is(tmp_path: Path) -> None:
    run_in(tmp_path / "run")
    refuse_unusable(tmp_path / "run")
    with pytest.raises(RunError, match="belongs to the run"):
        refuse_unusable(tmp_path / "run", only_private=True)


def test_nobody_is_told_to_close_a_lock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def locked(*_: object, **__: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied", str(tmp_path / ".run.lock"))

    monkeypatch.setattr(atomic, "lock_beside", locked)
    with pytest.raises(RunError, match="name a folder you may write to") as refused:
        run_in(tmp_path / "run")
    assert ".lock" not in str(refused.value)
