"""The sample runs that come with the program: sound, small, reduced to what their truth says."""

from pathlib import Path

import pytest

from chargebench.runs.check import check_run
from tests.make_sample_runs import readme_text, shown, truths_of

SAMPLES = Path(__file__).resolve().parents[1] / "sample_runs"
RUNS = sorted(SAMPLES.glob("*.h5"))


@pytest.fixture(scope="module")
def outcomes():
    """What ``chargebench show`` makes of them today, by run."""
    return shown(SAMPLES)


def test_a_dozen_small_files():
    """There are twelve of them, each with its truth, under 3 MB in all."""
    assert len(RUNS) == 12
    assert {run.stem for run in RUNS} == set(truths_of(SAMPLES))
    assert sum(file.stat().st_size for file in SAMPLES.iterdir()) < 3e6


def test_their_readme_says_what_the_program_says_today(outcomes):
    """The README that comes with them is, letter for letter, what is made of them now; `--readme` writes it again."""
    made = readme_text(outcomes, truths_of(SAMPLES))
    assert (SAMPLES / "README.md").read_text(encoding="utf-8") == made


@pytest.mark.parametrize("path", RUNS, ids=lambda path: path.stem)
def test_they_are_sound(path):
    """The check of a run file finds nothing wrong with any of them."""
    assert check_run(path) == ()


def test_answers_hold_the_truth(outcomes):
    """Of the eleven sound ones at least ten hold their true charge-to-mass within U95, all within 1 % or 0.1 nC/g."""
    inside = {}
    for run, truth in truths_of(SAMPLES).items():
        if not _rejected(outcomes[run]):
            ratio, true = outcomes[run]["result"]["charge_to_mass_nC_per_g"], truth["charge_to_mass_nC_per_g"]
            inside[run] = abs(ratio["value"] - true) <= ratio["U95"]
            assert ratio["value"] == pytest.approx(true, rel=0.01, abs=0.1), run
    assert len(inside) == 11
    assert sum(inside.values()) >= 10


def test_what_was_done_shows(outcomes):
    """Treatments and doses are in the tags of each run; of the two accidents only one spoils its run."""
    truths = truths_of(SAMPLES)
    for run, outcome in outcomes.items():
        assert outcome["tags"]["treatment"] == truths[run]["treatment"]
        assert outcome["tags"]["water_uL_per_g"] == truths[run]["water_uL_per_g"]
        assert not outcome["recovered"]
    (touched,) = [o for o in outcomes.values() if "cable" in o["tags"].get("note", "")]
    (zeroed,) = [o for o in outcomes.values() if "zero switch" in o["tags"].get("note", "")]
    assert not _rejected(touched)
    assert _rejected(zeroed)


def test_sound_runs_bear_no_doubt(outcomes):
    """Of the sound ones none bears a doubt but ions that nobody measured: clumps that fall late are no touch."""
    doubts = {run: {f["code"] for f in o["flags"] if f["severity"] == "doubt"} for run, o in outcomes.items()}
    doubted = {run for run, codes in doubts.items() if codes - {"ions-included"}}
    assert doubted <= {run for run, o in outcomes.items() if _rejected(o)}


def _rejected(outcome):
    return any(flag["severity"] == "reject" for flag in outcome["flags"])
