"""Can a run be written where it is wanted? Asked before anything long is started."""

from __future__ import annotations

import os
from pathlib import Path

from outcomes.errors import RunError
from outcomes.reporting.atomic import is_run, private_of, refuse_foreign, refuse_links, why_not_writable
from outcomes.reporting.lock import lock_beside


def refuse_unusable(target: Path | None, *, only_private: bool = False) -> None:
    """Refuse a folder that a run could not be written to.

    Parameters
    ----------
    target : Path or None
        Run folder; None stands for a new one below ``runs``.
    only_private : bool
        Only ``DIR-private`` is wanted, as a check of a table does; ``DIR`` must then not be a run.

    Raises
    ------
    RunError
        When it is a link, a file, busy, in a folder that cannot be written to, or holds something that is not ours.
    """
    place = Path(os.path.abspath(Path("runs") / "new" if target is None else target))
    refuse_links(place)
    _refuse_parent(place.parent)
    refuse_foreign(place)
    if only_private and is_run(place):
        raise RunError(
            f"{private_of(place)} belongs to the run {place}; name another folder with --out",
            code="folder_in_use",
        )
    if target is not None and place.parent.is_dir():
        _try_lock(place)


def _refuse_parent(parent: Path) -> None:
    """Try to write into the nearest folder that exists: asking for rights alone misleads on network drives."""
    nearest = next(folder for folder in (parent, *parent.parents) if os.path.lexists(folder))
    if not nearest.is_dir():
        raise RunError(
            f"{nearest} is not a folder, so no run can be written below it; name another folder with --out",
            code="not_a_folder",
        )
    reason = why_not_writable(nearest)
    if reason:
        raise RunError(
            f"folder {nearest} cannot be written to ({reason}); name a folder you may write to with --out; nothing was "
            "read or changed",
            code="cannot_write",
        )


def _try_lock(place: Path) -> None:
    """Take the lock of the run folder and drop it again."""
    try:
        with lock_beside(place):
            pass
    except OSError as error:
        reason = (error.strerror or type(error).__name__).lower()
        raise RunError(
            f"the lock of {place} cannot be taken ({reason}): another user may be writing there, or left it; name another "
            "folder with --out",
            code="cannot_write",
        ) from None
