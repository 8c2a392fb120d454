"""A folder of runs as one thing: find a run, read it, have its outcome, say what is known of its bench.

Owns the noun `Archive`. Never writes to a run file and never lets one bad file hide the others. Reductions are the
processing room's; nothing is computed here.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from chargebench import __version__
from chargebench.archive.cache import digest_of, keep, kept
from chargebench.archive.index import Entry, refresh
from chargebench.errors import ArchiveError
from chargebench.files import RUN, is_regular, open_file
from chargebench.plain import JsonObject
from chargebench.processing.outcome import NullGrinds, Outcome
from chargebench.recording.ids import RUN_ID
from chargebench.runs.load import load_run
from chargebench.runs.run import Knowledge, Known, Run, TagValue

if TYPE_CHECKING:
    from chargebench.instruments.benchfile import Bench
    from chargebench.processing.recipe import Recipe

__all__ = ["Archive", "Wanted"]

Wanted = TagValue | tuple[float, float]
"""What a tag must be: a value, or a range of numbers with both ends allowed."""


def _matches(found: TagValue | None, wanted: Wanted) -> bool:
    if not isinstance(wanted, tuple):
        return found == wanted
    return isinstance(found, float | int) and wanted[0] <= found <= wanted[1]


def _plain(known: Mapping[str, Known]) -> JsonObject:
    return {key: [k.value, k.u, k.dof, k.source, k.date] for key, k in known.items()}


@lru_cache(maxsize=64)
def _ions_of(
    folder: Path, changed_ns: int, bench: str, day: date, set_aside: frozenset[str]
) -> tuple[dict[str, Known], tuple[str, ...]]:
    """Null grinds looked up once for every state of a folder, which `changed_ns` stands for."""
    from chargebench.archive.null_grinds import ions_of_null_grinds

    return ions_of_null_grinds(Archive(folder), bench, day, set_aside)


class Archive:
    """A folder of sealed runs.

    Parameters
    ----------
    folder : path
        The folder.
    create : bool
        Make it where it does not exist.

    Raises
    ------
    ArchiveError
        When the folder does not exist (and is not to be made), is a file, or cannot be made or listed.
    """

    def __init__(self, folder: Path | str, create: bool = False) -> None:
        self.folder = Path(folder)
        try:
            if create:
                self.folder.mkdir(parents=True, exist_ok=True)
            if not self.folder.is_dir():
                kind = "is a file, an archive is a folder" if self.folder.exists() else "no such folder"
                raise ArchiveError(f"archive {self.folder}: {kind}; name a folder of runs, or record one there first")
        except OSError as error:
            raise ArchiveError(f"archive {self.folder}: cannot be made ({error.strerror or error})") from error

    def run_paths(self) -> list[Path]:
        """Run files of the folder, in order of name, which for names given by this program is order of time.

        Raises
        ------
        ArchiveError
            When the folder cannot be listed.
        """
        try:
            found = [p for p in self.folder.iterdir() if p.suffix == ".h5" and not p.name.startswith(".")]
            return sorted((p for p in found if is_regular(p)), key=lambda p: p.name)
        except OSError as error:
            raise ArchiveError(f"archive {self.folder}: cannot be listed ({error.strerror or error})") from error

    def entries(self) -> list[Entry]:
        """What the index says of every run file, bad ones last and named with their problem."""
        return refresh(self.folder, self.run_paths())

    def find(self, where: Mapping[str, Wanted] | None = None) -> list[Entry]:
        """Readable runs whose tags are as wanted, in order of start time.

        Parameters
        ----------
        where : mapping of str to str, float or (low, high)
            Tag and what it must be. Empty: every readable run.
        """
        wanted = where or {}
        sound = (entry for entry in self.entries() if not entry.problem)
        return [e for e in sound if all(_matches(e.tags.get(key), value) for key, value in wanted.items())]

    def path_of(self, run: str | Path) -> Path:
        """File of a run named by its id, its file name or a path.

        Raises
        ------
        ArchiveError
            When the folder holds no such run.
        """
        if isinstance(run, Path):
            candidates = [run, self.folder / run]
        elif RUN_ID.fullmatch(run):
            candidates = [self.folder / f"{run}.h5"]
        else:
            candidates = [self.folder / run] if Path(run).name == run else [Path(run)]
        for path in candidates:
            if is_regular(path):
                return path
        for entry in self.entries():
            if entry.run_id and entry.run_id == str(run):
                return entry.path
        count = len(self.run_paths())
        raise ArchiveError(f"archive {self.folder}: no run {str(run)!r} among its {count}; ids are shown by `show`")

    def run(self, run: str | Path) -> Run:
        """A run by id, file name or path.

        Raises
        ------
        ArchiveError
            When the folder holds no such run.
        RunFileError
            When its file cannot be read as a run (also `DamagedRunError`, `ForeignRunError`).
        """
        return load_run(self.path_of(run))

    def outcome(self, run: str | Path, recipe: Recipe | None = None, set_aside: Collection[str] = ()) -> Outcome:
        """What a recipe makes of a run, without its curves.

        Kept in this user's cache and taken from there while the run file, the recipe, the software and what else it
        rests on are the same.

        A run with the ioniser on whose bench had no check of it has the background taken off that null grinds of this
        archive show, which its provenance names; `set_aside` are runs that may not speak there.

        Raises
        ------
        ArchiveError, RunFileError
            As `run`.
        """
        from chargebench.processing.recipe import DEFAULT, process

        recipe = recipe or DEFAULT
        path = self.path_of(run)
        rests_on = self._rests_on(path, recipe)
        made_of = digest_of(rests_on)

        def today(held: Outcome) -> str:
            nulls = held.provenance.null_grinds
            if nulls is None:
                return made_of
            known, _ = self._ions(nulls.bench, held.started, set_aside)
            return digest_of({**rests_on, "ions": _plain(known)})

        found = kept(path.parent, made_of, today)
        if found is not None:
            return found
        loaded, nulls = self._with_ions(load_run(path), set_aside)
        made = replace(process(loaded, recipe), curves={})
        if nulls is not None:
            made = replace(made, provenance=replace(made.provenance, null_grinds=nulls))
        keep(path.parent, made_of, today(made), made)
        return made

    def _with_ions(self, run: Run, set_aside: Collection[str]) -> tuple[Run, NullGrinds | None]:
        """A run with what null grinds here tell of its ioniser, and those; as it is where it needs none."""
        from chargebench.archive.null_grinds import bench_name

        ionised = "ionised" in str(run.tags.get("treatment", "")) and run.tags.get("purpose") != "blank"
        if not ionised or run.knowledge.get("ioniser_background_nC") is not None:
            return run, None
        bench = bench_name(run)
        known, runs = self._ions(bench, run.started, set_aside)
        knowledge = Knowledge({**run.knowledge.known, **known})
        return replace(run, knowledge=knowledge), NullGrinds(bench, runs)

    def _ions(self, bench: str, started: str, set_aside: Collection[str]) -> tuple[dict[str, Known], tuple[str, ...]]:
        """`ions_of_null_grinds` for a run of a bench, worked out again only when the folder has changed."""
        try:
            changed_ns, day = self.folder.stat().st_mtime_ns, date.fromisoformat(started[:10])
        except (OSError, ValueError):
            return {}, ()
        return _ions_of(self.folder, changed_ns, bench, day, frozenset(set_aside))

    @staticmethod
    def _rests_on(path: Path, recipe: Recipe) -> JsonObject:
        """What every outcome depends on: the run file's bytes, the recipe, this software."""
        try:
            with open_file(path, RUN) as file:
                raw = hashlib.file_digest(file, "sha256").hexdigest()
        except OSError as error:
            raise ArchiveError(f"run file {path}: cannot be read ({error.strerror or error})") from error
        parts = [recipe.name, recipe.version, list(recipe.steps), dict(recipe.parameters), dict(recipe.thresholds)]
        return {"run": raw, "recipe": parts, "software": __version__}

    def knowledge(self, bench: Bench, on: date) -> Knowledge:
        """What is known of a bench on a day, from its bench file and its newest valid qualifications here.

        See `chargebench.archive.knowledge.merge` for what wins over what. Where no check of blanks is valid, null
        grinds that are here give the floor.
        """
        from chargebench.archive.knowledge import merge
        from chargebench.archive.null_grinds import floor_of_null_grinds
        from chargebench.archive.qualifications import qualifications

        found = merge(bench, qualifications(self.folder, bench.name), on)
        if found.get("net_charge_floor_nC") is not None:
            return found
        return Knowledge({**found.known, **floor_of_null_grinds(self, bench.name, on)})
