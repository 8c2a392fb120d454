"""The board's side of the bench's own line format: lines out, commands in. No hardware, no I/O, no clock.

Runs unchanged under CPython and MicroPython (only built-in types are used). A board's main program reads its converter
and its uptime, calls `Lines.line` and writes what it gives; it passes received bytes to `Commands.feed` and obeys.
"""

_TABLE = []
for _byte in range(256):
    _rest = _byte << 8
    for _ in range(8):
        _rest = ((_rest << 1) ^ 0x1021) & 0xFFFF if _rest & 0x8000 else _rest << 1
    _TABLE.append(_rest)

LONGEST_COMMAND = 32
FASTEST_RATE = 10000


def crc16(data):
    """CRC-16/CCITT-FALSE of some bytes: polynomial 0x1021, start 0xFFFF, no reflection; b"123456789" gives 0x29B1."""
    rest = 0xFFFF
    for byte in data:
        rest = ((rest << 8) & 0xFFFF) ^ _TABLE[(rest >> 8) ^ byte]
    return rest


def decimal_text(count, decimals):
    """A whole number of steps as decimal text: (-1234, 3) gives "-1.234".

    Whole numbers all the way keep what the converter said; a float on a small board has six or seven digits.
    """
    digits = str(abs(count))
    if decimals:
        digits = "0" * (decimals + 1 - len(digits)) + digits
        digits = digits[:-decimals] + "." + digits[-decimals:]
    return "-" + digits if count < 0 else digits


class Lines:
    """Makes lines, with a counter for each kind."""

    def __init__(self):
        self._next = {}

    def line(self, kind, uptime_ms, value_text, unit, flags=()):
        """One line as bytes, line end included.

        kind: "Q", "Q2", "I", "M", "H", "T" or "N". uptime_ms: any whole number, wrapped here to 32 bits.
        flags: some of "OVER", "RESET", "ZERO", "UNST"; none means "OK".
        """
        sequence = self._next.get(kind, 0)
        self._next[kind] = (sequence + 1) & 0xFFFF
        fields = (kind, str(sequence), str(uptime_ms & 0xFFFFFFFF), value_text, unit, "+".join(flags) or "OK")
        body = ",".join(fields)
        return ("%s*%04X\n" % (body, crc16(body.encode()))).encode()  # noqa: UP031  MicroPython's oldest common way

    def notice(self, uptime_ms, words):
        """A line of words, such as the answer to a command; commas, stars and line ends become spaces."""
        plain = "".join([c if " " <= c <= "~" and c not in ",*" else " " for c in words])
        return self.line("N", uptime_ms, plain[:64] or "-", "-")


class Commands:
    """Cuts received bytes into commands. Keeps at most `LONGEST_COMMAND` bytes of an unfinished one."""

    def __init__(self):
        self._rest = b""
        self._skipping = False

    def feed(self, data):
        """Commands that `data` completes, as a list of (word, number).

        ("ID?", None), ("ZERO", None), ("RATE", 1..10000), and ("?", None) for a line that is none of these: answer that
        with a notice as well, so that the host learns of it.
        """
        found = []
        for byte in data:
            if byte in (10, 13):
                if self._rest or self._skipping:
                    found.append(("?", None) if self._skipping else _command(self._rest))
                self._rest = b""
                self._skipping = False
            elif len(self._rest) < LONGEST_COMMAND:
                self._rest += bytes([byte])
            else:
                self._skipping = True
        return found


def _command(line):
    """What one line asks for."""
    if line == b"ID?":
        return ("ID?", None)
    if line == b"ZERO":
        return ("ZERO", None)
    number = line[5:]
    if line[:5] == b"RATE " and 0 < len(number) <= 5 and all(48 <= digit <= 57 for digit in number):
        rate = int(number.decode())
        if 1 <= rate <= FASTEST_RATE:
            return ("RATE", rate)
    return ("?", None)
