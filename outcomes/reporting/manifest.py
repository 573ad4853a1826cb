"""The manifest: which inputs, plan and versions made which files, so that a run can be checked years later."""

from __future__ import annotations

import hashlib
import json
import platform
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Any

from outcomes.errors import RunError

MANIFEST = "manifest.json"
MANIFEST_FORMAT = "outcomes manifest 1"
PRIVATE_MARK = "private.json"
PRIVATE_FORMAT = "outcomes private folder 1"
DISTRIBUTION = "distal-radius-outcomes"
#: Packages whose version can move a number or a page.
PACKAGES = ("numpy", "pandas", "scipy", "statsmodels", "matplotlib", "openpyxl", "jinja2")


@dataclass(frozen=True, slots=True, kw_only=True)
class InputFile:
    """A file that a run read.

    Attributes
    ----------
    role : str
        ``"study"``, ``"dictionary"``, ``"cohort"``, ``"rules"``, ``"criteria"``.
    path : Path
        Where it is; only the name enters the manifest.
    sha256 : str
    size : int
        Bytes.
    """

    role: str
    path: Path
    sha256: str
    size: int

    def as_dict(self) -> dict[str, object]:
        """Return what the manifest says of it: no folder, no date."""
        return {"role": self.role, "name": self.path.name, "sha256": self.sha256, "bytes": self.size}


def sha256_of(content: bytes) -> str:
    """Return the SHA-256 of bytes.

    Examples
    --------
    >>> sha256_of(b"")[:12]
    'e3b0c44298fc'
    """
    return hashlib.sha256(content).hexdigest()


def hash_file(path: Path) -> tuple[str, int]:
    """Return SHA-256 and size of a file, read in pieces."""
    digest, size = hashlib.sha256(), 0
    with path.open("rb") as handle:
        while piece := handle.read(1 << 20):
            digest.update(piece)
            size += len(piece)
    return digest.hexdigest(), size


def note_input(role: str, path: Path) -> InputFile:
    """Return the record of an input file as it is now.

    Raises
    ------
    RunError
        When the file cannot be read.
    """
    try:
        sha256, size = hash_file(path)
    except OSError as error:
        reason = (error.strerror or type(error).__name__).lower()
        raise RunError(
            f"{path.name} cannot be read ({reason}); give its path, close it in other programs and run again",
            code="cannot_read",
        ) from None
    return InputFile(role=role, path=path, sha256=sha256, size=size)


def check_unchanged(inputs: Sequence[InputFile]) -> None:
    """Hash every input again.

    Raises
    ------
    RunError
        ``input_changed`` when one differs from what was read.
    """
    changed = [
        entry.path.name for entry in inputs if note_input(entry.role, entry.path).sha256 != entry.sha256
    ]
    if changed:
        raise RunError(
            f"{', '.join(changed)} changed while the run was reading; nothing was written: save and close it, then run "
            "again",
            code="input_changed",
        )


def versions() -> dict[str, str]:
    """Return versions of the package, of Python and of what it computes with."""
    found = {"outcomes": package_version(), "python": platform.python_version(), "system": platform.system()}
    for name in PACKAGES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = "not installed"
    return found


def package_version() -> str:
    """Return the version of the installed package, or ``"0+source"`` when it is not installed."""
    try:
        return metadata.version(DISTRIBUTION)
    except metadata.PackageNotFoundError:
        return "0+source"


def manifest_bytes(content: Mapping[str, Any], outputs: Mapping[str, Mapping[str, object]]) -> bytes:
    """Return the manifest, with the hash of its own remaining content as its last safeguard."""
    body = {
        "format": MANIFEST_FORMAT,
        **content,
        "outputs": {name: dict(entry) for name, entry in outputs.items()},
    }
    body["own_sha256"] = own_hash(body)
    return json_bytes(body)


def own_hash(body: Mapping[str, Any]) -> str:
    """Return the hash of a manifest without its own hash."""
    rest = {key: value for key, value in body.items() if key != "own_sha256"}
    return sha256_of(json.dumps(rest, sort_keys=True, allow_nan=False, ensure_ascii=False).encode())


def json_bytes(content: Mapping[str, Any]) -> bytes:
    """Return JSON with sorted keys, no NaN and a final newline: the same bytes for the same content."""
    text = json.dumps(content, indent=2, sort_keys=True, allow_nan=False, ensure_ascii=False)
    return (text + "\n").encode("utf-8")
