"""A short fault campaign; the long one is ``python -m tests.faults --full``."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from chargebench.recording import journal as journal_module
from chargebench.runs import disk
from tests.faults.tally import Tally

if sys.platform != "linux":
    pytest.skip("the campaign forks its victims and replaces system calls as Linux has them", allow_module_level=True)

from tests.faults.abuse import ABUSES, abuse_streams
from tests.faults.device_clocks import KINDS, clock_events
from tests.faults.folders import hostile_folders
from tests.faults.kills import kill_at_changes, kill_moves, kill_recorders, kill_recoveries, kill_sealers
from tests.faults.loaded import record_on_a_busy_machine
from tests.faults.power import cut_power
from tests.faults.refusals import fail_forever, fail_once, fail_removals
from tests.faults.segments import kill_at_calls
from tests.faults.stopping import end_by_exceptions, set_host_clock, share_a_folder
from tests.faults.streams import fuzz
from tests.faults.tags import hostile_tags
from tests.faults.unplugs import unplug
from tests.faults.vanish import WAYS, can_mount, vanish
from tests.faults.watch import Watch

pytestmark = pytest.mark.filterwarnings("ignore:This process:DeprecationWarning")  # fork beside pytest's own threads


STALLED_S = 2.0
"""A machine that runs tests may stall; the promised half second is held to by the long campaign."""


def held(tally: Tally, trials: int) -> None:
    """The faults were injected, and nothing was lost."""
    assert tally.losses == []
    assert tally.wrong == []
    assert tally.trials >= trials


def test_recorders_killed_at_any_moment_lose_nothing() -> None:
    """Kill -9: every chunk taken is in one run, once; the next start seals it, and a second start changes nothing."""
    held(kill_recorders(8), 8)


def test_recorders_killed_between_two_journals_keep_readings_once() -> None:
    """Kill -9 while a journal that waited begins the next segment: no reading is in two runs, none is lost."""
    held(kill_at_changes(10), 10)


def test_recorders_killed_while_a_journal_moves_keep_readings_once() -> None:
    """Kill -9 at any call after a write that failed: the run is in one file, whichever of its segments were left."""
    held(kill_moves(14), 14)


def test_journals_that_cannot_be_removed_give_no_reading_twice() -> None:
    """A segment that stays, for a while or for good, is in no run once it was let go."""
    held(fail_removals(6), 6)


def test_recorders_killed_at_calls_of_segments_keep_readings_once() -> None:
    """Kill -9 right before a call that begins, ends or seals a segment: every reading in one run, once."""
    held(kill_at_calls(20), 5)


def test_a_folder_that_vanishes_in_mid_run_loses_nothing() -> None:
    """Removed, moved, replaced, unmounted or pulled out: said in red, both runs whole, home again at the next start."""
    ways = [way for way in WAYS if can_mount() or way.startswith(("removed", "moved", "replaced"))]
    held(vanish(len(ways)), len(ways))


def test_a_busy_machine_keeps_the_promise() -> None:
    """With processes that burn every core no byte waits longer than half a second for its disk."""
    held(record_on_a_busy_machine(1), 1)


def test_recoveries_killed_at_any_moment_change_nothing() -> None:
    """A recovery that is killed, again and again, is finished by the next."""
    held(kill_recoveries(8), 8)


def test_power_cuts_lose_nothing_that_was_synced() -> None:
    """What a journal had on the disk is in a run afterwards, whatever became of unsynced bytes and names."""
    held(cut_power(15, promise_s=STALLED_S), 15)
    held(cut_power(10, rolling=True, promise_s=STALLED_S), 10)
    held(cut_power(10, moving=True, promise_s=STALLED_S), 10)


@pytest.mark.parametrize("whom", ["sealer", "both"])
def test_sealings_killed_at_any_moment_lose_nothing(whom: str) -> None:
    """Kill -9 of the sealing process alone leaves a recorder that goes on; of both, a start that puts it right."""
    held(kill_sealers(3, whom), 3)


def test_a_call_that_fails_once_loses_nothing() -> None:
    """ENOSPC or EIO once, from a call of any kind: all that was taken ends in a run."""
    held(fail_once(1), 20)


def test_a_disk_that_stays_full_loses_nothing() -> None:
    """Where the archive takes nothing more, recording goes on in the other folder."""
    held(fail_forever(3), 3)


@pytest.mark.parametrize("by_number", [False, True])
def test_pulled_cables_lose_no_line(by_number: bool) -> None:
    """Pulled mid-line and plugged in as another device: every whole line once, every gap stated, reading resumes."""
    held(unplug(5, by_number=by_number), 5)


def test_device_clocks_may_do_anything() -> None:
    """Wraps, restarts, stray stamps, late lines, silence, a host that slept: times stay right to 0.1 s an event."""
    tally = clock_events(120)
    held(tally, 120)
    assert set(tally.seen) == set(KINDS)


def test_mutated_bytes_raise_nothing_and_make_up_nothing() -> None:
    """Mutated lines through every decoder: no exception, bounded memory, no framed value that was not sent."""
    held(fuzz(60_000), 4 * 60_000)


def test_hostile_tags_stay_text(monkeypatch: pytest.MonkeyPatch) -> None:
    """Markup, formulas, control and bidirectional characters, paths and long texts: refused or kept as text."""
    monkeypatch.delenv("COLUMNS", raising=False)  # a narrow terminal wraps lines, and lines are what is counted
    held(hostile_tags(reports=False), 40)


def test_abused_streams_make_up_nothing() -> None:
    """Rubbish, zeros, wrong baud, endless and repeated lines, floods: every byte kept, no value made up, both runs."""
    tally = abuse_streams(1)
    held(tally, 2 * len(ABUSES))
    assert set(tally.seen) == set(ABUSES)


def test_recorders_and_starts_share_a_folder() -> None:
    """Two recorders and many starts in one folder: each run once, no journal taken from who writes it."""
    held(share_a_folder(1), 1)


def test_a_wall_clock_that_is_set_changes_no_time() -> None:
    """Times of a run come from monotonic clocks alone."""
    held(set_host_clock(1), 1)


def test_an_exception_nobody_foresaw_keeps_the_journal() -> None:
    """From the loop it reaches the caller, from a thread whoever listens; journal kept, no thread left."""
    held(end_by_exceptions(4), 4)


def test_the_campaign_finds_a_recorder_that_does_not_sync(monkeypatch: pytest.MonkeyPatch) -> None:
    """Power cuts are found to lose readings where the journal is never synced: the campaign can fail."""
    monkeypatch.setattr(journal_module, "sync_data", lambda descriptor: None)
    assert cut_power(60).losses


def test_the_campaign_finds_a_seal_that_does_not_sync_its_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    """Power cuts are found to lose runs where the journal goes before the run's name is on the disk."""
    monkeypatch.setattr(disk, "sync_folder", lambda folder: None)
    assert cut_power(60).losses


def test_the_watch_sees_what_is_opened(tmp_path: Path) -> None:
    """A file of the decoy that is read, made or removed is told, in a subfolder too; a look at its name is not."""
    (tmp_path / "deep").mkdir()
    for name in ("deep/read", "looked at", "removed"):
        (tmp_path / name).write_text("mine")
    watch = Watch(tmp_path)
    (tmp_path / "looked at").stat()
    list(tmp_path.rglob("*"))
    (tmp_path / "deep/read").read_text()
    (tmp_path / "made").touch()
    (tmp_path / "removed").unlink()
    assert watch.ended() == {"deep/read", "./made", "./removed"}


def test_a_folder_from_a_stranger_does_nothing() -> None:
    """Links, pipes, devices, deep texts and databases under the program's own names: nothing outside is touched."""
    held(hostile_folders(41), 3)
