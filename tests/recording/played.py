"""A recorder fed with chunks that were made before, for tests."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from queue import SimpleQueue
from typing import Any

from chargebench.instruments.benchfile import Bench
from chargebench.instruments.feed import Chunk
from chargebench.recording.recorder import Recorder
from chargebench.recording.segments import Row
from chargebench.runs.run import Knowledge
from tests.recording.bench_model import Grind
from tests.recording.byte_bench import BENCH_TEXT, PlayedFeeds, bench
from tests.recording.sealing import finish

Event = Mapping[str, Any]

GRIND = Grind(start_s=15.0, length_s=6.0, end_s=45.0)
IDLE = Grind(dose_g=0.0, start_s=1e9, end_s=20.0)


class Played:
    """A recorder fed with chunks that were made before.

    ``react`` is called with each event and the queue of commands.
    """

    def __init__(
        self,
        folder: Path,
        made: Iterable[Chunk],
        *,
        text: str = BENCH_TEXT,
        react: Callable[[Event, SimpleQueue[dict[str, Any]]], None] = lambda event, commands: None,
        finisher: Callable[[Row], dict[str, Any]] = finish,
    ) -> None:
        self.folder = folder
        self.events: list[Event] = []
        self.commands: SimpleQueue[dict[str, Any]] = SimpleQueue()
        self.feeds: list[PlayedFeeds] = []

        def emit(event: Event) -> None:
            self.events.append(event)
            react(event, self.commands)

        def feeds(bench: Bench, queue: SimpleQueue[Chunk]) -> PlayedFeeds:
            self.feeds.append(PlayedFeeds(made, queue))
            return self.feeds[-1]

        tags = {"coffee": "Hollow Hill"}
        self.recorder = Recorder(
            bench(text),
            folder / "runs",
            tags,
            Knowledge(),
            finisher,
            emit,
            self.commands,
            fallback=folder / "fallback",
            feeds=feeds,
        )

    def kinds(self) -> list[str]:
        """Kind of each event, states by their name; those said again with another count or reason are left out."""
        told: list[str] = []
        last = ("", "")
        for event in self.events:
            now = (event["run"], event["state"]) if event.get("event") == "state" else last
            if event.get("event") != "state":
                told.append(str(event.get("event", "outcome")))
            elif now != last:
                told.append(str(event["state"]))
            last = now
        return told

    def codes(self) -> list[str]:
        """Codes of the notices."""
        return [str(event["code"]) for event in self.events if event.get("event") == "notice"]

    def files(self, where: str = "runs") -> list[str]:
        """Suffixes of what is in a folder."""
        return sorted(path.suffix for path in (self.folder / where).iterdir())
