"""Bench checks kept in the archive, one JSON file each beside the raw runs it was made from. Owns that subfolder.

``ARCHIVE/qualifications/20260314T091500Z-7f3a2c.leakage.json``: never overwritten; a newer check supersedes an older
one, and both stay. A file that cannot be read is named and left out; it never hides the others.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Final

from chargebench.bounded import json_value
from chargebench.errors import ArchiveError
from chargebench.files import CHECK, RUN, open_file, read_bytes
from chargebench.processing.qualify.qualification import KINDS, Qualification
from chargebench.recording.ids import RUN_ID

__all__ = ["FOLDER", "bad_qualifications", "input_hashes", "is_own_name", "qualifications", "store"]

FOLDER: Final = "qualifications"


def _read(path: Path) -> Qualification:
    """A stored qualification.

    Raises
    ------
    ArchiveError
        When the file is not one, or its content is not what its own checksum says.
    """
    try:
        held = json_value(read_bytes(path, CHECK, own_parts=2))
        body = held.pop("sha256") if isinstance(held, dict) and "sha256" in held else None
        if body != _digest(held):
            raise ValueError("its content disagrees with its own checksum")
        return Qualification.from_json(held)
    except OSError as error:
        raise ArchiveError(f"qualification {path}: cannot be read ({error.strerror or error})") from error
    except ValueError as error:
        raise ArchiveError(f"qualification {path}: {error}; move it away or make the check again") from error


def _digest(content: object) -> str:
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _paths(folder: Path) -> list[Path]:
    kept = folder / FOLDER
    return sorted(p for kind in KINDS for p in kept.glob(f"*.{kind}.json") if is_own_name(p.name))


def is_own_name(name: str) -> bool:
    """Whether a file in the folder of checks has a name that a check gives: of a check, its raw run or its journal."""
    stem, _, rest = name.partition(".")
    return RUN_ID.fullmatch(stem) is not None and rest in {"h5", "journal", *(f"{kind}.json" for kind in KINDS)}


def qualifications(folder: Path, bench: str | None = None) -> list[Qualification]:
    """Readable qualifications of an archive folder, oldest first; of one bench where it is named."""
    found = []
    for path in _paths(folder):
        try:
            found.append(_read(path))
        except ArchiveError:
            continue
    return sorted((q for q in found if bench is None or q.bench == bench), key=lambda q: q.made)


def bad_qualifications(folder: Path) -> list[str]:
    """One line for every qualification file that cannot be used."""
    lines = []
    for path in _paths(folder):
        try:
            _read(path)
        except ArchiveError as error:
            lines.append(str(error))
    return lines


def input_hashes(paths: list[Path]) -> dict[str, str]:
    """File name and SHA-256 of each file a check was made from.

    Raises
    ------
    ArchiveError
        When one cannot be read.
    """
    hashes = {}
    for path in paths:
        try:
            with open_file(path, RUN) as file:
                hashes[path.name] = hashlib.file_digest(file, "sha256").hexdigest()
        except OSError as error:
            raise ArchiveError(f"qualification input {path}: cannot be read ({error.strerror or error})") from error
    return hashes


def store(folder: Path, stem: str, qualification: Qualification) -> Path:
    """Write a qualification into an archive folder, never over another.

    Parameters
    ----------
    folder : Path
        The archive.
    stem : str
        A fresh run id, or that of the raw run it was made from.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    JournalError
        When a link or file is in the place of the subfolder.
    RunFileError
        When it cannot be written, or a file of that name is there already.
    """
    from chargebench.runs.disk import own_folder
    from chargebench.runs.publish import publish

    kept = own_folder(folder, FOLDER)
    content = json.loads(json.dumps(qualification.as_json(), allow_nan=False))
    text = json.dumps({**content, "sha256": _digest(content)}, ensure_ascii=False, indent=1) + "\n"
    path = kept / f"{stem}.{qualification.kind}.json"
    publish(path, text.encode())
    return path
