"""Checks on a workbook as an archive, made before anything in it is opened."""

from __future__ import annotations

import io
import zipfile
import zlib

from outcomes.errors import CohortError

MIB = 1024**2
MAX_CONTAINER = 50 * MIB
MAX_UNPACKED = 500 * MIB
MAX_RATIO = 100
RATIO_FROM = 1 * MIB
MAX_MEMBERS = 1_000


def check_archive(file: str, content: bytes) -> zipfile.ZipFile:
    """Return the archive of a workbook after its limits were checked.

    Parameters
    ----------
    file : str
        Name for messages.
    content : bytes
        The whole file.

    Raises
    ------
    CohortError
        When it is too large, packed beyond reason, names paths outside itself, is encrypted, carries a
        document type definition, or is no workbook.
    """
    try:
        archive = zipfile.ZipFile(io.BytesIO(content))
    except (zipfile.BadZipFile, ValueError, NotImplementedError):
        raise CohortError(
            f"{file} is a damaged workbook; save it again from a spreadsheet program", code="broken_workbook"
        ) from None
    members = archive.infolist()
    names = {member.filename for member in members}
    if "xl/workbook.xml" not in names:
        raise CohortError(
            f"{file} is an archive but no .xlsx workbook; save the table as .xlsx or CSV", code="wrong_format"
        )
    _check_sizes(file, content, members)
    for member in members:
        if member.filename.endswith((".xml", ".rels")):
            _refuse_definitions(file, archive, member)
    return archive


def _check_sizes(file: str, content: bytes, members: list[zipfile.ZipInfo]) -> None:
    unpacked = sum(member.file_size for member in members)
    packed_hard = any(
        member.file_size > RATIO_FROM and member.file_size > MAX_RATIO * max(member.compress_size, 1)
        for member in members
    )
    reasons = (
        (len(content) > MAX_CONTAINER, f"it is larger than {MAX_CONTAINER // MIB} MiB"),
        (unpacked > MAX_UNPACKED, f"it unpacks to more than {MAX_UNPACKED // MIB} MiB"),
        (packed_hard, f"a part of it is packed more than {MAX_RATIO} to 1"),
        (len(members) > MAX_MEMBERS, f"it has more than {MAX_MEMBERS} parts"),
        (any(_leaves(member.filename) for member in members), "a part of it has a path outside the archive"),
        (any(member.flag_bits & 1 for member in members), "a part of it is encrypted"),
    )
    for applies, reason in reasons:
        if applies:
            raise CohortError(
                f"{file} is not opened because {reason}; save the table as CSV",
                code="archive_limits",
            )


def _leaves(name: str) -> bool:
    return name.startswith(("/", "\\")) or ":" in name or ".." in name.replace("\\", "/").split("/")


def _refuse_definitions(file: str, archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> None:
    """Refuse a document type definition, which is how entities that expand without end are declared.

    It must stand before the first element, so the beginning is enough; the parser's own guard
    (defusedxml) stands behind this one.
    """
    try:
        with archive.open(member) as part:
            head = part.read(65_536)
    except (zipfile.BadZipFile, EOFError, OSError, ValueError, NotImplementedError, RuntimeError, zlib.error):
        raise CohortError(
            f"{file} is a damaged workbook; save it again from a spreadsheet program", code="broken_workbook"
        ) from None
    if b"<!DOCTYPE" in head or b"<!ENTITY" in head or b"<\0!\0D\0" in head:
        raise CohortError(
            f"{file} carries a document type definition and is not opened", code="archive_limits"
        )
