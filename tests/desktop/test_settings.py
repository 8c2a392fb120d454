"""What is remembered between starts, and what is never believed."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chargebench.desktop.app import _paths
from chargebench.desktop.settings import NOTHING, SettingsFile, settings_path
from chargebench.files import SETTINGS

FORMAT = "chargebench window 1"


def test_choices_come_back_at_the_next_start(tmp_path: Path) -> None:
    """Theme, bench and archive are there again, also with letters beyond ASCII; later choices take their place."""
    path = tmp_path / "deep" / "window.json"
    first = SettingsFile(path)
    assert (first.settings, first.problem) == (NOTHING, "")
    assert first.remember({"theme": "dark", "bench": "/bänke/nord.toml"}) == ""
    assert first.remember({"archive": "/läufe", "theme": "light"}) == ""
    again = SettingsFile(path).settings
    assert (again.theme, again.bench, again.archive) == ("light", "/bänke/nord.toml", "/läufe")
    assert [p.name for p in path.parent.iterdir()] == ["window.json"]


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"[1, 2]",
        b"null",
        b'{"theme": "dark"}',
        b'{"format": "chargebench window 2"}',
        b'{"format": "chargebench window 1", "theme": "mauve"}',
        b'{"format": "chargebench window 1", "bench": 7}',
        b'{"format": "chargebench window 1", "geometry": "AdnQywADAAA="}',
        b'\xff\xfe{"format"',
        b"[" * 50_000,
        b'{"format": "chargebench window 1", "bench": "' + b"x" * SETTINGS.most_bytes + b'"}',
    ],
)
def test_a_damaged_or_foreign_file_is_ignored_and_named(tmp_path: Path, content: bytes) -> None:
    """Nothing of it is believed, its name and the fault are said, and the next choice writes a sound one."""
    path = tmp_path / "window.json"
    path.write_bytes(content)
    file = SettingsFile(path)
    assert file.settings == NOTHING
    assert str(path) in file.problem
    assert "ignored" in file.problem
    assert "\n" not in file.problem
    assert file.remember({"theme": "dark"}) == ""
    assert SettingsFile(path).settings.theme == "dark"


@settings(max_examples=60, deadline=None)
@given(content=st.binary(max_size=200) | st.text(max_size=200).map(lambda text: text.encode()))
def test_no_bytes_do_harm(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    """Whatever stands in the file, reading it gives settings."""
    path = tmp_path_factory.mktemp("any") / "window.json"
    path.write_bytes(content)
    assert SettingsFile(path).settings == NOTHING


@pytest.mark.parametrize("wrong", [{"theme": "mauve"}, {"bench": "\udce4"}, {"bench": ""}, {"other": "x"}])
def test_what_has_no_place_in_the_form_is_not_written(tmp_path: Path, wrong: dict[str, str]) -> None:
    """A value outside the form is refused in words and the file stays as it was."""
    file = SettingsFile(tmp_path / "window.json")
    assert "not remembered" in file.remember(wrong)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    """Where the file cannot be made the reason is said and nothing breaks."""
    (tmp_path / "file").write_text("in the way")
    file = SettingsFile(tmp_path / "file" / "window.json")
    assert "not remembered" in file.remember({"theme": "dark"})


def test_paths_named_go_before_those_remembered(tmp_path: Path) -> None:
    """What was named is used; else the last bench and archive, where they are still there."""
    bench, runs = tmp_path / "b.toml", tmp_path / "runs"
    file = SettingsFile(tmp_path / "window.json")
    file.remember({"bench": str(bench), "archive": str(runs)})
    assert _paths(None, None, file) == (None, Path("archive"))
    bench.write_text("")
    runs.mkdir()
    assert _paths(None, None, file) == (bench, runs)
    assert _paths(Path("n.toml"), Path("other"), file) == (Path("n.toml"), Path("other"))


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="place of settings on Linux")
def test_the_place_is_the_platforms(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file lies in the folder that the platform names for settings."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert settings_path() == tmp_path / "chargebench" / "window.json"
    assert os.sep in json.dumps(str(settings_path()))
