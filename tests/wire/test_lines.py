"""Cutting a stream into lines."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargebench.wire.lines import LineSplitter


@pytest.mark.parametrize(
    ("chunks", "expected"),
    [
        ([b"a\nb\n"], [b"a", b"b"]),
        ([b"a\r\nb\r\n"], [b"a", b"b"]),
        ([b"a\r", b"\nb"], [b"a"]),
        ([b"a", b"b\n"], [b"ab"]),
        ([b"\n\n"], [b"", b""]),
        ([b"a\rb\n"], [b"a\rb"]),
        ([b"a\r\nb\nc\r\n"], [b"a", b"b", b"c"]),
        ([b""], []),
    ],
)
def test_lines_end_in_lf_or_cr_lf(chunks: list[bytes], expected: list[bytes]) -> None:
    """LF ends a line, one CR before it belongs to the end, and chunk borders do not show."""
    splitter = LineSplitter(10)
    assert [line for chunk in chunks for line in splitter.feed(chunk)] == expected


def test_either_end() -> None:
    """Where either end counts, a lone CR ends a line."""
    splitter = LineSplitter(10, either_end=True)
    assert [line for line in splitter.feed(b"a\rb\r\nc\nd") if line] == [b"a", b"b", b"c"]


def test_limit_is_exact() -> None:
    """A line of the limit's length passes, one byte more is skipped and counted once, and the next passes."""
    splitter = LineSplitter(4)
    assert splitter.feed(b"1234\n12345\n12\n") == [b"1234", b"12"]
    assert splitter.too_long == 1
    assert splitter.feed(b"123") == []
    assert splitter.feed(b"45") == []
    assert splitter.too_long == 2
    assert splitter.feed(b"67") == []
    assert splitter.feed(b"8\nok\n")[-1] == b"ok"
    assert splitter.too_long == 2


@pytest.mark.parametrize(("start", "cut"), [(b"tail\n", 1), (b"\n", 0), (b"ta", None)])
def test_first_piece_is_dropped(start: bytes, cut: int | None) -> None:
    """The first piece is dropped, and counted where there was one; after a reset again."""
    splitter = LineSplitter(10, drop_first=True)
    for _ in range(2):
        assert splitter.feed(start + b"il\nwhole\n" if cut is None else start + b"whole\n") == [b"whole"]
        splitter.reset()
    assert splitter.cut == 2 * (1 if cut is None else cut)


@given(st.lists(st.binary(max_size=40)), st.booleans(), st.booleans())
def test_pieces_equal_whole(pieces: list[bytes], drop_first: bool, either_end: bool) -> None:
    """Any cutting of a stream gives the same non-empty lines and counts."""
    one = LineSplitter(12, drop_first=drop_first, either_end=either_end)
    many = LineSplitter(12, drop_first=drop_first, either_end=either_end)
    expected = [line for line in one.feed(b"".join(pieces)) if line]
    assert [line for piece in pieces for line in many.feed(piece) if line] == expected
    assert (many.cut, many.too_long) == (one.cut, one.too_long)
