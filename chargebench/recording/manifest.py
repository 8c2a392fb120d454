"""The manifest of a folder of runs: one line of JSON a sealed file, each holding the SHA-256 of the line before.

Owns ``manifest.jsonl``. A line that is changed or taken out later breaks the chain; a line torn by a power cut is
passed over and the chain goes on from the last whole one. Runs that were imported had no journal and have no line.
"""

from __future__ import annotations

import hashlib
import json
import os
import time
from pathlib import Path
from typing import Any

from chargebench.errors import DamagedRunError, ForeignRunError, JournalError
from chargebench.recording.disk import lock, sync_folder, unlock, write_all
from chargebench.runs.disk import sync_descriptor
from chargebench.runs.load import load_run

__all__ = ["MANIFEST", "add_to_manifest", "check_manifest"]

MANIFEST = "manifest.jsonl"
LOCK_TRIES = 250
LOCK_PAUSE_S = 0.02
FIELDS = ("file", "sha256", "previous")


def _entries(data: bytes) -> list[tuple[bytes, dict[str, Any]]]:
    """Whole lines that are entries, each with its fields."""
    found = []
    for line in data.split(b"\n"):
        try:
            fields = json.loads(line)
        except (ValueError, RecursionError):
            continue
        if isinstance(fields, dict) and all(isinstance(fields.get(name), str) for name in FIELDS):
            found.append((line, fields))
    return found


def add_to_manifest(path: Path) -> None:
    """Enter a sealed file, unless its name with this content is there already.

    Raises
    ------
    JournalError
        When the manifest cannot be locked or written.
    """
    manifest = path.parent / MANIFEST
    flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0)
    try:
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        descriptor = os.open(manifest, flags, 0o644)
        try:
            _lock_patiently(descriptor, manifest)
            _append(descriptor, path.name, digest, manifest.read_bytes())
        finally:
            unlock(descriptor)
            os.close(descriptor)
        sync_folder(path.parent)
    except OSError as error:
        raise JournalError(f"{manifest}: cannot be written: {error.strerror or error}; the journal is kept") from error


def _append(descriptor: int, name: str, digest: str, data: bytes) -> None:
    """Write the line unless it is there; synced either way, since whoever wrote it may have been killed before that."""
    entries = _entries(data)
    if not any(fields["file"] == name and fields["sha256"] == digest for _, fields in entries):
        previous = hashlib.sha256(entries[-1][0]).hexdigest() if entries else ""
        line = json.dumps({"file": name, "sha256": digest, "previous": previous}).encode() + b"\n"
        start = b"" if not data or data.endswith(b"\n") else b"\n"
        write_all(descriptor, start + line)
    sync_descriptor(descriptor)


def _lock_patiently(descriptor: int, manifest: Path) -> None:
    for _ in range(LOCK_TRIES):
        if lock(descriptor):
            return
        time.sleep(LOCK_PAUSE_S)
    raise JournalError(f"{manifest}: held by another process for {LOCK_TRIES * LOCK_PAUSE_S:g} s; try again")


def check_manifest(folder: Path) -> tuple[str, ...]:
    """What does not hold between a folder's manifest and its files, one sentence each; empty where all does.

    A folder without a manifest has nothing to hold its files against. A run whose journal is still there may have no
    line yet.

    Raises
    ------
    OSError
        When the manifest or a file is there and cannot be read.
    RunFileError
        When a run file without a line cannot be read.
    """
    manifest = folder / MANIFEST
    if not manifest.exists():
        return ()
    findings = []
    previous = ""
    entries = _entries(manifest.read_bytes())
    for line, fields in entries:
        if fields["previous"] != previous:
            findings.append(f"{MANIFEST}: the line of {fields['file']} does not follow the one before it")
        previous = hashlib.sha256(line).hexdigest()
        path = folder / Path(fields["file"]).name
        if not path.is_file():
            findings.append(f"{path.name}: named in {MANIFEST} and not there")
        elif hashlib.sha256(path.read_bytes()).hexdigest() != fields["sha256"]:
            findings.append(f"{path.name}: changed since it was sealed")
    named = {fields["file"] for _, fields in entries}
    for path in sorted(folder.glob("*.h5")):
        if path.name not in named and _needs_line(path):
            findings.append(f"{path.name}: not named in {MANIFEST}")
    return tuple(findings)


def _needs_line(path: Path) -> bool:
    """Whether a file was sealed from a journal, or was once a run of which nobody can tell."""
    if path.with_suffix(".journal").exists():
        return False
    try:
        return load_run(path).origin != "imported"
    except ForeignRunError:
        return False
    except DamagedRunError:
        return True
