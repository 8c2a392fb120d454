"""The right decoder for an instrument's lines. Owns the list of line formats."""

from __future__ import annotations

from collections.abc import Sequence

from chargebench.wire.decoder import Decoder
from chargebench.wire.framed import FramedDecoder
from chargebench.wire.printed import PrintedDecoder
from chargebench.wire.scpi import POLL, ScpiDecoder

__all__ = ["LINES", "make_decoder"]

LINES = ("framed", "printed", "scpi")


def make_decoder(
    lines: str, carries: Sequence[str], pattern: str | None = None, *, unit: str | None = None, query: str = POLL
) -> Decoder:
    """A decoder for `lines`, one of ``framed``, ``printed``, ``scpi``.

    Parameters
    ----------
    lines : str
        Line format.
    carries : sequence of str
        Channels to give readings of.
    pattern : str, optional
        For ``printed``: see `chargebench.wire.printed.PrintedDecoder`.
    unit : str, optional
        For ``printed``: the unit of lines that print none.
    query : str
        For ``scpi``: the poll, whose answers are readings.

    Raises
    ------
    ValueError
        When the format is not one of these, cannot carry a channel, or cannot use the pattern.
    """
    if lines == "printed":
        return PrintedDecoder(carries, pattern, unit)
    if pattern is not None:
        raise ValueError(f"pattern {pattern!r}: only printed lines take one, these are {lines}")
    if lines == "framed":
        return FramedDecoder(carries)
    if lines == "scpi":
        return ScpiDecoder(carries, query)
    raise ValueError(f"lines {lines!r}: allowed are {', '.join(LINES)}")
