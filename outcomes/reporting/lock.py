"""One writer a folder: a lock that the operating system drops when its process ends."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path

from outcomes.errors import RunError


@contextlib.contextmanager
def lock_beside(target: Path) -> Iterator[None]:
    """Hold the lock of a run folder while it is being written.

    Raises
    ------
    RunError
        When another run is writing there.
    """
    path = target.with_name(f".{target.name}.lock")
    handle = _acquire(path, target)
    try:
        yield
    finally:
        # Removed while it is held, so that no second process can hold a file that is about to vanish.
        if sys.platform != "win32":
            path.unlink(missing_ok=True)
        os.close(handle)
        if sys.platform == "win32":
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)


def _acquire(path: Path, target: Path) -> int:
    """Open and lock the file; start again when another run removed it in between."""
    for _ in range(20):
        handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o600)
        try:
            _lock(handle)
        except OSError:
            os.close(handle)
            raise RunError(
                f"another run is writing to {target}; wait for it or name another folder with --out",
                code="busy",
            ) from None
        if sys.platform == "win32" or _still_there(path, handle):
            return handle
        os.close(handle)
    raise RunError(f"{target} is being written by other runs; name another folder with --out", code="busy")


def _lock(handle: int) -> None:
    if sys.platform == "win32":
        import msvcrt

        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
    else:
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _still_there(path: Path, handle: int) -> bool:
    """Return whether the name still stands for the file that was locked."""
    try:
        named = path.stat()
    except FileNotFoundError:
        return False
    opened = os.fstat(handle)
    return (named.st_dev, named.st_ino) == (opened.st_dev, opened.st_ino)
