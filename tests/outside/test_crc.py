"""The check field against the catalogue of CRC algorithms, and against division done by hand."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargebench.wire.crc import crc16, crc_text


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (b"123456789", 0x29B1),  # the check value of CRC-16/CCITT-FALSE (CRC-16/IBM-3740) in the catalogue; from memory
        (b"", 0xFFFF),  # its start value, for there is no final inversion
    ],
)
def test_catalogue_values(data: bytes, expected: int) -> None:
    """CRC-16/CCITT-FALSE gives its published check value, and its start value for nothing."""
    assert crc16(data) == expected
    assert crc_text(data) == f"{expected:04X}".encode()


def by_long_division(data: bytes) -> int:
    """Remainder by x^16 + x^12 + x^5 + 1, one bit at a time, from 0xFFFF."""
    remainder = 0xFFFF
    for byte in data:
        remainder ^= byte << 8
        for _ in range(8):
            remainder = (remainder << 1) ^ (0x11021 if remainder & 0x8000 else 0)
    return remainder


@given(st.binary(max_size=100))
def test_is_the_remainder_of_the_polynomial(data: bytes) -> None:
    """The library routine divides by 0x1021 without reflection or final inversion."""
    assert crc16(data) == by_long_division(data)
