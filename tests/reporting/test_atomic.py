"""A run appears whole or not at all, and never over something that is not ours."""

from __future__ import annotations

import errno
import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from outcomes.errors import RunError
from outcomes.reporting import atomic
from outcomes.reporting.atomic import (
    default_folder,
    is_run,
    private_of,
    slug,
    write_atomically,
    write_private,
)
from outcomes.reporting.manifest import check_unchanged, manifest_bytes, note_input
from outcomes.reporting.verify import read_manifest

POSIX = pytest.mark.skipif(os.name != "posix", reason="links and signals of POSIX")

WRITER = """
import sys
from pathlib import Path
from outcomes.reporting.atomic import write_atomically
from outcomes.reporting.manifest import manifest_bytes
target, word, size = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
files = {f"part{i}.txt": (word * size).encode() for i in range(12)}
print("started", flush=True)
write_atomically(target, files=files, private={"p.txt": word.encode()}, finish=lambda o: manifest_bytes({"w": word}, o))
"""


def write(target: Path, word: str = "one", **more: object) -> atomic.Written:
    files = {"a.txt": word.encode(), "figures/b.txt": b"b"}
    return write_atomically(
        target, files=files, private={"p.txt": word.encode()}, finish=lambda o: manifest_bytes({"w": word}, o),
        **more,
    )  # type: ignore[arg-type]  # fmt: skip


def tree(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def left_over(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_run_is_whole(tmp_path: Path) -> None:
    written = write(tmp_path / "run")
    assert is_run(written.folder)
    assert tree(written.folder)["a.txt"] == b"one"
    assert set(read_manifest(written.folder)["outputs"]) == {"a.txt", "figures/b.txt"}
    assert left_over(tmp_path) == ["run", "run-private"]


def test_the_earlier_run_is_kept_once_with_its_private_folder(tmp_path: Path) -> None:
    for word in ("one", "two", "three"):
        written = write(tmp_path / "run", word)
    assert written.previous == tmp_path / "run.previous"
    assert (tmp_path / "run" / "a.txt").read_bytes() == b"three"
    assert (tmp_path / "run.previous" / "a.txt").read_bytes() == b"two"
    assert (tmp_path / "run.previous-private" / "p.txt").read_bytes() == b"two"
    assert left_over(tmp_path) == ["run", "run-private", "run.previous", "run.previous-private"]


def test_an_empty_folder_is_used(tmp_path: Path) -> None:
    (tmp_path / "run").mkdir()
    assert is_run(write(tmp_path / "run").folder)


@pytest.mark.parametrize("name", ["run", "run-private", "run.previous", "run.previous-private"])
def test_somebody_elses_folder_is_refused_untouched(tmp_path: Path, name: str) -> None:
    other = tmp_path / name
    other.mkdir()
    (other / "letter.txt").write_text("mine")
    with pytest.raises(RunError, match="not a run of this package"):
        write(tmp_path / "run")
    assert tree(other) == {"letter.txt": b"mine"}
    assert left_over(tmp_path) == [name]


def test_a_file_of_that_name_is_refused(tmp_path: Path) -> None:
    (tmp_path / "run").write_text("mine")
    with pytest.raises(RunError, match="is a file"):
        write(tmp_path / "run")


@POSIX
@pytest.mark.parametrize("name", ["run", "run.partial", "run-private", "run.previous", "run-private.partial"])
def test_a_planted_link_is_refused_and_its_target_unchanged(tmp_path: Path, name: str) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "kept.txt").write_text("kept")
    (tmp_path / name).symlink_to(outside)
    with pytest.raises(RunError) as refused:
        write(tmp_path / "run")
    assert refused.value.code == "symlink"
    assert tree(outside) == {"kept.txt": b"kept"}


@pytest.mark.parametrize("name", ["../x.txt", "/x.txt", "a/../../x.txt", ""])
def test_no_output_leaves_the_folder(tmp_path: Path, name: str) -> None:
    with pytest.raises(RunError, match="leaves the run folder"):
        write_atomically(
            tmp_path / "run", files={name: b""}, private={}, finish=lambda o: manifest_bytes({}, o)
        )
    assert left_over(tmp_path) == []


@pytest.mark.parametrize("at", range(6))
def test_a_full_disk_leaves_the_earlier_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: int) -> None:
    write(tmp_path / "run", "one")
    before = tree(tmp_path / "run")
    calls = iter(range(1000))
    real = os.fsync

    def full(handle: int) -> None:
        if next(calls) == at:
            raise OSError(errno.ENOSPC, "No space left on device")
        real(handle)

    monkeypatch.setattr(atomic.os, "fsync", full)
    with pytest.raises(RunError, match="no space left on device") as refused:
        write(tmp_path / "run", "two")
    assert str(tmp_path / "run") in str(refused.value)
    assert tree(tmp_path / "run") == before
    assert left_over(tmp_path) == ["run", "run-private"]


def test_a_folder_that_may_not_be_written_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def denied(*_: object, **__: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied", str(tmp_path / "tables.xlsx"))

    monkeypatch.setattr(Path, "rename", denied)
    with pytest.raises(RunError, match=r"close tables\.xlsx"):
        write(tmp_path / "run")


def test_an_input_that_changes_meanwhile_stops_the_run(tmp_path: Path) -> None:
    table = tmp_path / "wrists.csv"
    table.write_text("a\n1\n")
    noted = [note_input("cohort", table)]
    table.write_text("a\n2\n")
    with pytest.raises(RunError) as refused:
        write(tmp_path / "run", recheck=lambda: check_unchanged(noted))
    assert refused.value.code == "input_changed"
    assert "wrists.csv" in str(refused.value)
    assert left_over(tmp_path) == ["wrists.csv"]


def test_interrupting_leaves_nothing(tmp_path: Path) -> None:
    def stop() -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write(tmp_path / "run", recheck=stop)
    assert left_over(tmp_path) == []


def test_a_second_writer_is_told_to_wait(tmp_path: Path) -> None:
    def again() -> None:
        with pytest.raises(RunError) as refused:
            write(tmp_path / "run", "two")
        assert refused.value.code == "busy"

    write(tmp_path / "run", "one", recheck=again)
    assert (tmp_path / "run" / "a.txt").read_bytes() == b"one"
    write(tmp_path / "run", "three")


@pytest.fixture
def random_moments(tmp_path: Path) -> list[float]:
    """Return random times, from none to longer than a writer needs once it has started."""
    started = time.perf_counter()
    subprocess.run([sys.executable, "-c", WRITER, str(tmp_path / "try"), "x", "200000"], check=True)
    whole = time.perf_counter() - started
    chance = random.Random(20260115)
    return [chance.uniform(0, 0.5 * whole) for _ in range(12)]


@POSIX
def test_killed_at_any_moment_there_is_one_whole_run(tmp_path: Path, random_moments: list[float]) -> None:
    target = tmp_path / "run"
    command = [sys.executable, "-c", WRITER, str(target)]
    subprocess.run([*command, "a", "200000"], check=True)
    for k, moment in enumerate(random_moments):
        process = subprocess.Popen([*command, f"{k:02d}", "200000"], stdout=subprocess.PIPE)
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(moment * 0.2)
        process.send_signal(signal.SIGKILL)
        process.wait()
        process.stdout.close()
        whole = [folder for folder in (target, target.with_name("run.previous")) if is_run(folder)]
        assert whole, "no run is left"
        for folder in whole:
            manifest = read_manifest(folder)
            content = tree(folder)
            assert set(content) == {*manifest["outputs"], "manifest.json"}
            assert len({content[name] for name in manifest["outputs"]}) == 1, "two runs were mixed"
    write(target, "last")
    assert (target / "a.txt").read_bytes() == b"last"
    assert [name for name in left_over(tmp_path) if "partial" in name] == []


def test_a_run_set_aside_by_a_killed_process_is_put_back(tmp_path: Path) -> None:
    target = tmp_path / "run"
    write(target, "one")
    private_of(target).rename(private_of(target.with_name("run.previous")))
    target.rename(target.with_name("run.previous"))
    with pytest.raises(KeyboardInterrupt):
        write(target, "two", recheck=_interrupt)
    assert (target / "a.txt").read_bytes() == b"one"
    assert (private_of(target) / "p.txt").read_bytes() == b"one"


def _interrupt() -> None:
    raise KeyboardInterrupt


def test_a_check_never_replaces_the_private_folder_of_a_run(tmp_path: Path) -> None:
    write(tmp_path / "run")
    with pytest.raises(RunError, match="belongs to the run"):
        write_private(tmp_path / "run", {"q.csv": b""})
    folder = write_private(tmp_path / "check", {"q.csv": b"1"})
    assert write_private(tmp_path / "check", {"q.csv": b"2"}) == folder
    assert (folder / "q.csv").read_bytes() == b"2"
    assert left_over(tmp_path) == ["check-private", "run", "run-private"]


@pytest.mark.parametrize(
    "text", ["a:b*c?", "CON", "nul", "COM1", "Größe ≥ 3", "../../x", "x" * 300, "", ".", "Prn", "aux"]
)
def test_names_are_allowed_everywhere(text: str) -> None:
    name = slug(text)
    assert 0 < len(name) <= 44
    assert set(name) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
    assert name.lower() not in {"con", "prn", "aux", "nul", "com1"}


def test_dated_folders_do_not_collide(tmp_path: Path) -> None:
    import datetime as dt

    now = dt.datetime(2026, 1, 15, 9, 5, tzinfo=dt.UTC)
    first = default_folder("My study", base=tmp_path, now=now)
    assert first.name == "my-study-2026-01-15-0905"
    write(first)
    assert default_folder("My study", base=tmp_path, now=now).name == "my-study-2026-01-15-0905-2"


def test_the_private_folder_in_a_synchronised_place_is_warned_about(tmp_path: Path) -> None:
    assert write(tmp_path / "plain").warnings == ()
    assert "synchronised" in write(tmp_path / "OneDrive - Trust" / "run").warnings[0]


def test_an_altered_manifest_is_seen(tmp_path: Path) -> None:
    path = write(tmp_path / "run").folder / "manifest.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    content["w"] = "other"
    path.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(RunError, match="altered"):
        read_manifest(tmp_path / "run")
