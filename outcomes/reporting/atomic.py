"""Write a run: all of it or nothing, and never over something that is not ours.

Everything is first written, file by file and forced to disk, into ``DIR.partial`` beside the target on the
same file system; the manifest comes last; then one rename makes it ``DIR``. A process killed at any moment
leaves the earlier run as it was (as ``DIR``, or for the instant between two renames as ``DIR.previous``, which
the next run puts back). What identifies patients goes to ``DIR-private`` beside it, which only its owner can
open.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import errno
import json
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from outcomes.errors import RunError
from outcomes.reporting.lock import lock_beside
from outcomes.reporting.manifest import MANIFEST, PRIVATE_FORMAT, PRIVATE_MARK, sha256_of

_RESERVED = re.compile(r"(?i)^(con|prn|aux|nul|com[0-9]|lpt[0-9])$")
_SYNCHRONISED = ("onedrive", "dropbox", "google drive", "googledrive", "icloud", "nextcloud", "owncloud")

Outputs = Mapping[str, dict[str, object]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """Where a run was written.

    Attributes
    ----------
    folder, private : Path
        The run, and the folder beside it that stays inside the department.
    previous : Path or None
        Where the run that stood there before is kept.
    warnings : tuple of str
    """

    folder: Path
    private: Path
    previous: Path | None
    warnings: tuple[str, ...] = ()


def slug(text: str, *, longest: int = 40) -> str:
    """Return a file name from words: letters, digits and hyphens, no name that a system reserves.

    Examples
    --------
    >>> slug("Reduction or implant? Wrists: 2019–2024"), slug("con"), slug("***")
    ('reduction-or-implant-wrists-2019-2024', 'run-con', 'run')
    """
    plain = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:longest].strip("-")
    if not plain:
        return "run"
    return f"run-{plain}" if _RESERVED.match(plain) else plain


def default_folder(name: str, *, base: Path, now: dt.datetime) -> Path:
    """Return a dated folder that does not exist yet, below `base`."""
    stem = f"{slug(name, longest=24)}-{now:%Y-%m-%d-%H%M}"
    for attempt in range(1, 1000):
        folder = base / (stem if attempt == 1 else f"{stem}-{attempt}")
        if not any(os.path.lexists(path) for path in (folder, private_of(folder), partial_of(folder))):
            return folder
    raise RunError(
        f"{base} already has a thousand runs of this minute; name a folder with --out", code="folder_names"
    )


def private_of(folder: Path) -> Path:
    """Return the private folder that belongs to a run folder."""
    return folder.with_name(f"{folder.name}-private")


def partial_of(folder: Path) -> Path:
    """Return the folder in which a run is prepared."""
    return folder.with_name(f"{folder.name}.partial")


def previous_of(folder: Path) -> Path:
    """Return the folder that keeps the run which stood there before."""
    return folder.with_name(f"{folder.name}.previous")


def write_atomically(
    target: Path,
    *,
    files: Mapping[str, bytes],
    private: Mapping[str, bytes],
    finish: Callable[[Outputs], bytes],
    recheck: Callable[[], None] | None = None,
) -> Written:
    """Write a run atomically.

    Parameters
    ----------
    target : Path
        The run folder. It must not exist, be empty, or be a run of ours, which is then kept once as
        ``DIR.previous``.
    files, private : mapping of relative name to content
        Shareable outputs, and what stays in the department.
    finish : callable
        Gets name -> {sha256, bytes} of the outputs and returns the manifest, which is written last.
    recheck : callable, optional
        Called before the run appears; raises when an input changed meanwhile.

    Returns
    -------
    Written

    Raises
    ------
    RunError
        When the folder is somebody else's, a link, busy, not writable or full. Nothing is left behind then.
    """
    target = Path(os.path.abspath(target))
    refuse_links(target)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with lock_beside(target):
            _put_back(target)
            refuse_foreign(target)
            with _staging(target) as (stage, private_stage):
                outputs = _write_files(stage, files, mode=0o644)
                _write_files(private_stage, {PRIVATE_MARK: _private_mark(), **private}, mode=0o600)
                if recheck is not None:
                    recheck()
                _write_files(stage, {MANIFEST: finish(outputs)}, mode=0o644)
                _sync_folders(stage, private_stage)
                previous = _swap(target, stage, private_stage)
    except OSError as error:
        raise RunError(_explain(error, target), code="cannot_write") from None
    return Written(
        folder=target,
        private=private_of(target),
        previous=previous,
        warnings=_sync_warnings(private_of(target)),
    )


def write_private(target: Path, files: Mapping[str, bytes]) -> Path:
    """Write only ``DIR-private``, as a check of a table does.

    Parameters
    ----------
    target : Path
        ``DIR``; it must not be a run, whose private folder would be lost.
    files : mapping of relative name to content

    Returns
    -------
    Path
        The private folder.

    Raises
    ------
    RunError
        When the folder belongs to a run or to somebody else, is a link, busy, not writable or full.
    """
    target = Path(os.path.abspath(target))
    private = private_of(target)
    refuse_links(target)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with lock_beside(target):
            if is_run(target):
                raise RunError(
                    f"{private} belongs to the run {target}; name another folder with --out",
                    code="folder_in_use",
                )
            refuse_foreign(target)
            with _staging(target) as (_, stage):
                _write_files(stage, {PRIVATE_MARK: _private_mark(), **files}, mode=0o600)
                _sync_folders(stage)
                if private.exists():
                    shutil.rmtree(private)
                stage.rename(private)
                _sync_entry(private.parent)
    except OSError as error:
        raise RunError(_explain(error, private), code="cannot_write") from None
    return private


def is_run(folder: Path) -> bool:
    """Return whether a folder is a finished run of ours."""
    return _format_of(folder / MANIFEST).startswith("outcomes manifest ")


def _is_private(folder: Path) -> bool:
    return _format_of(folder / PRIVATE_MARK) == PRIVATE_FORMAT


def _format_of(path: Path) -> str:
    if path.is_symlink() or not path.is_file():
        return ""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return ""
    return str(content.get("format", "")) if isinstance(content, dict) else ""


def refuse_links(target: Path) -> None:
    """Refuse a link in place of any folder that a run would write, rename or remove."""
    previous = previous_of(target)
    for path in (target, partial_of(target), previous, private_of(target), partial_of(private_of(target)),
                 private_of(previous)):  # fmt: skip
        if path.is_symlink():
            raise RunError(
                f"{path.name} is a link; remove it or name another folder with --out", code="symlink"
            )


def refuse_foreign(target: Path) -> None:
    """Refuse any folder that is neither empty nor a run of ours, and any file of that name."""
    previous = previous_of(target)
    checks = (
        (target, is_run),
        (previous, is_run),
        (private_of(target), _is_private),
        (private_of(previous), _is_private),
    )
    for path, ours in checks:
        if not os.path.lexists(path):
            continue
        if not path.is_dir():
            raise RunError(f"{path} is a file; name a folder with --out", code="not_a_folder")
        if any(path.iterdir()) and not ours(path):
            raise RunError(
                f"folder {path} holds something that is not a run of this package; move it away or name another folder "
                "with --out",
                code="folder_in_use",
            )


def _put_back(target: Path) -> None:
    """Restore the run that a killed process had set aside and not yet replaced."""
    previous = previous_of(target)
    if target.exists() or not is_run(previous):
        return
    if _is_private(private_of(previous)):
        if _is_private(private_of(target)):
            shutil.rmtree(private_of(target))
        private_of(previous).rename(private_of(target))
    previous.rename(target)


@contextlib.contextmanager
def _staging(target: Path) -> Iterator[tuple[Path, Path]]:
    """Make the two folders in which the run is prepared; remove them unless they were renamed away."""
    stages = (partial_of(target), partial_of(private_of(target)))
    try:
        for stage, mode in zip(stages, (0o755, 0o700), strict=True):
            if stage.exists():
                shutil.rmtree(stage)
            stage.mkdir(mode=mode)
        yield stages
    finally:
        for stage in stages:
            if stage.exists():
                shutil.rmtree(stage, ignore_errors=True)


def _write_files(folder: Path, files: Mapping[str, bytes], *, mode: int) -> dict[str, dict[str, object]]:
    """Write files and force them to disk; return name -> hash and size."""
    written: dict[str, dict[str, object]] = {}
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
    for name, content in sorted(files.items()):
        parts = PurePosixPath(name).parts
        if not parts or ".." in parts or PurePosixPath(name).is_absolute():
            raise RunError(f"output name {name!r} leaves the run folder", code="bad_name")
        path = folder.joinpath(*parts)
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700 if mode == 0o600 else 0o755)
        with os.fdopen(os.open(path, flags, mode), "wb") as handle:
            handle.write(content)
            handle.flush()
            os.fsync(handle.fileno())
        written[name] = {"sha256": sha256_of(content), "bytes": len(content)}
    return written


def _sync_folders(*folders: Path) -> None:
    """Force the entries of folders and of their sub-folders to disk where the system offers it."""
    for folder in folders:
        for place in (folder, *(path for path in folder.rglob("*") if path.is_dir())):
            _sync_entry(place)


def _sync_entry(folder: Path) -> None:
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _swap(target: Path, stage: Path, private_stage: Path) -> Path | None:
    """Set the earlier run aside and rename the new one into place."""
    previous = previous_of(target)
    kept = None
    if target.exists() and not any(target.iterdir()):
        target.rmdir()
    if target.exists():
        for old in (previous, private_of(previous)):
            if old.exists():
                shutil.rmtree(old)
        if private_of(target).exists():
            private_of(target).rename(private_of(previous))
        target.rename(previous)
        kept = previous
    elif private_of(target).exists():
        shutil.rmtree(private_of(target))
    private_stage.rename(private_of(target))
    stage.rename(target)
    _sync_entry(target.parent)
    return kept


def _private_mark() -> bytes:
    text = {
        "format": PRIVATE_FORMAT,
        "note": "This folder identifies patients. It stays inside the department and is not part of the run.",
    }
    return (json.dumps(text, indent=2, sort_keys=True) + "\n").encode()


def _sync_warnings(private: Path) -> tuple[str, ...]:
    """Warn when the private folder lies in a folder that is copied to other machines."""
    parts = [part.lower() for part in private.parts[:-1]]
    if any(part.startswith(name) for part in parts for name in _SYNCHRONISED):
        return (
            "the private folder lies in a folder that seems to be synchronised to other machines; move it",
        )
    return ()


def _explain(error: OSError, target: Path) -> str:
    """Say which folder could not be written and what to do."""
    reason = (error.strerror or type(error).__name__).lower()
    remedy = "name another folder with --out"
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        remedy = f"free space or {remedy}"
    elif isinstance(error, PermissionError):
        # Files of our own making (the lock) are no name that anybody could close.
        name = Path(str(error.filename)).name if error.filename else target.name
        remedy = "name a folder you may write to with --out"
        if not name.startswith(".") and not why_not_writable(target.parent):
            remedy = f"close {name} if a program has it open, or {remedy}, and run again"
    return f"the run could not be written to {target} ({reason}); {remedy}; nothing was changed"


def why_not_writable(folder: Path) -> str:
    """Return why no file can be made in a folder, in the words of the system; empty when one can."""
    try:
        with tempfile.TemporaryFile(dir=folder):
            return ""
    except OSError as error:
        return (error.strerror or type(error).__name__).lower()
