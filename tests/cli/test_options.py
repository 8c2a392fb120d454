"""Rules of what several commands share in reading their words."""

from __future__ import annotations

import argparse
from pathlib import Path

import pytest

from chargebench.cli.main import main
from chargebench.cli.options import note_odd_tags, number_in
from chargebench.cli.screen import event_words


@pytest.mark.parametrize(
    ("key", "known"),
    [
        ("dose", "dose_g"),
        ("Dose_g", "dose_g"),
        ("DOSE_G", "dose_g"),
        ("cofee", "coffee"),
        ("water_ul_per_g", "water_uL_per_g"),
        ("humidity", "humidity_percent"),
        ("temperature_c", "temperature_C"),
        ("dose_g", ""),
        ("barista mood", ""),
        ("water", "water_g"),
        ("mass", ""),
        ("lot", ""),
    ],
)
def test_a_tag_that_nearly_has_a_known_name_is_noted(key: str, known: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A tag that nearly has a known name is kept, with one line on standard error; any other is nobody's business."""
    note_odd_tags([key])
    out, err = capsys.readouterr()
    assert out == ""
    assert err == (f"chargebench: --tag {key}: kept as a tag of your own; did you mean {known}?\n" if known else "")


def test_a_misspelt_condition_is_noted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A key of --where that nearly is a known tag is noted before it is said that nothing was found."""
    assert main(["study", "--archive", str(tmp_path), "--where", "cofee=x"]) == 1
    assert "did you mean coffee?" in capsys.readouterr().err


def test_a_report_into_no_folder_names_what_was_asked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A folder that is not there is wrong usage, told with the name given, before anything is worked out."""
    out = tmp_path / "none" / "x.html"
    assert main(["report", "--archive", str(tmp_path), "--out", str(out)]) == 2
    err = capsys.readouterr().err
    assert str(out) in err
    assert ".new" not in err


@pytest.mark.parametrize("text", ["0", "51", "nan", "inf", "fast", ""])
def test_a_number_outside_its_range_is_refused(text: str) -> None:
    """Numbers beyond the range, and no numbers, are named with what is allowed."""
    with pytest.raises(argparse.ArgumentTypeError, match="from 1 to 50"):
        number_in(1, 50)(text)


@pytest.mark.parametrize(
    ("event", "line"),
    [
        (
            {"event": "port", "instrument": "cup", "state": "open", "text": "cup: /dev/pts/2 is open"},
            "cup: /dev/pts/2 is open",
        ),
        ({"event": "port", "instrument": "cup", "state": "lost", "text": "unplugged"}, "cup: unplugged"),
        (
            {"event": "notice", "severity": "doubt", "code": "x", "text": "the clock ran back"},
            "doubt: the clock ran back",
        ),
    ],
)
def test_an_instrument_is_named_once(event: dict[str, str], line: str) -> None:
    """What the recorder says of an instrument names it once."""
    assert event_words(event) == line
