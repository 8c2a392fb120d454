"""What a polled electrometer is asked, and what becomes of its answers. On real sockets, against one played here."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator

import pytest

from chargebench.instruments import conversation
from chargebench.wire.reading import RESTART, Reading
from chargebench.wire.scpi import ScpiDecoder
from tests.instruments.far_end import Heard, Listener, bench_with


class Meter:
    """An electrometer on a socket: a start list, bits, an error queue; answers can be held back or changed.

    Attributes
    ----------
    asked : list of str
        Every line that came.
    replies : dict of str to str
        What a query is answered with instead of what it would be; None for silence.
    """

    def __init__(self, end: str = "\n") -> None:
        self.listener = Listener()
        self.asked: list[str] = []
        self.replies: dict[str, str | None] = {}
        self.refuses: set[str] = set()
        self.bits = 128
        self.errors: list[str] = []
        self.charge = "+1.5E-09"
        self.on = True
        self._end = end
        threading.Thread(target=self._serve, daemon=True).start()

    def switch_off_and_on(self) -> None:
        """As a power cut would; the link stays open."""
        self.bits, self.errors, self.charge = 128, [], "+0.0E+00"

    def say(self, text: str) -> None:
        """Something that was not asked for, or comes late."""
        self.listener.write((text + self._end).encode("ascii"))

    def _serve(self) -> None:
        rest = b""
        try:
            while data := self.listener.call().recv(4096):
                *lines, rest = (rest + data).split(b"\n")
                for line in lines:
                    self._hear(line.decode("ascii"))
        except OSError:
            return

    def _hear(self, line: str) -> None:
        self.asked.append(line)
        if not self.on:
            return
        if line in self.refuses:
            self.bits |= 32
            self.errors.append('-113,"Undefined header"')
        if "?" not in line:
            return
        reply = self.replies[line] if line in self.replies else self._answer(line)
        if reply is not None:
            self.say(reply)

    def _answer(self, line: str) -> str | None:
        if line == "*ESR?":
            bits, self.bits = self.bits, 0
            return str(bits)
        if line == "SYST:ERR?":
            return self.errors.pop(0) if self.errors else '0,"No error"'
        return {"*IDN?": "MAKER,MODEL 5,0001,1.0", "READ?": self.charge, "*OPC?": "1"}.get(line)


class HeardTalk(Heard):
    """Chunks so far, and what a decoder makes of them when it is told of the questions as they were asked."""

    def decoded(self) -> tuple[list[Reading], ScpiDecoder]:
        decoder = ScpiDecoder(["charge"])
        found: list[Reading] = []
        for chunk in self.chunks:
            if chunk.kind == "asked":
                decoder.asked(chunk.text)
            elif chunk.kind in ("open", "lost"):
                decoder.reset()
            else:
                found += decoder.feed(chunk.data, chunk.received_ns)
        return found, decoder

    def readings(self) -> list[Reading]:
        return [reading for reading in self.decoded()[0] if reading.channel != "notice"]

    def words(self) -> list[str]:
        return [reading.text for reading in self.decoded()[0] if reading.channel == "notice"]

    def said(self, kind: str) -> list[str]:
        return [chunk.text for chunk in self.chunks if chunk.kind == kind]


@pytest.fixture
def listen(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., HeardTalk]]:
    """Starts a feed on a meter, with short time-outs."""
    monkeypatch.setattr(conversation, "REPLY_S", 0.3)
    monkeypatch.setattr(conversation, "COMMAND_S", 0.5)
    monkeypatch.setattr(conversation, "CHECK_S", 0.1)
    started: list[tuple[HeardTalk, Meter]] = []

    def start(meter: Meter, more: str = "") -> HeardTalk:
        heard = HeardTalk(bench_with(meter.listener.port, f"poll_s = 0.01\n{more}", lines="scpi"))
        heard.feeds.start()
        started.append((heard, meter))
        return heard

    yield start
    for heard, meter in started:
        heard.feeds.stop()
        meter.listener.vanish()


Listen = Callable[..., HeardTalk]


def test_the_order_of_questions(listen: Listen) -> None:
    """Identity, what happened before, each start line with what came of it, then polls with a look in between."""
    meter = Meter()
    heard = listen(meter, 'start = [":FUNC CHAR", "*OPC?"]')
    heard.until(lambda: meter.asked[-1:] == ["READ?"] and meter.asked.count("*ESR?") >= 5)
    look = ["*ESR?", "SYST:ERR?"]
    assert meter.asked[:10] == ["*IDN?", *look, ":FUNC CHAR", *look, "*OPC?", *look, "READ?"]
    after = meter.asked[10:]
    assert set(after) == {"READ?", *look}
    assert all(after[n + 1] == "SYST:ERR?" for n, query in enumerate(after) if query == "*ESR?")


def test_answers_to_a_start_list_are_words(listen: Listen) -> None:
    """``*OPC?`` answered by 1 is kept as words and never as a charge, by whoever decodes the chunks in their order."""
    heard = listen(Meter(), 'start = [":FUNC CHAR", "*OPC?"]')
    heard.until(lambda: len(heard.readings()) > 20)
    assert {reading.value for reading in heard.readings()} == {1.5}
    assert heard.words()[0] == "MAKER,MODEL 5,0001,1.0"
    assert "*OPC? 1" in heard.words()
    assert not heard.decoded()[1].rejects
    assert heard.decoded()[1].vouched_ns


def test_a_refused_command_is_told_at_once(listen: Listen) -> None:
    """What the instrument says of a start line that it refuses is told with that line, before any reading."""
    meter = Meter()
    meter.refuses.add(":FUNK CHAR")
    heard = listen(meter, 'start = [":FUNK CHAR", ":RANG 1e-7"]')
    heard.until(lambda: heard.readings())
    assert heard.said("refused") == ['x: :FUNK CHAR of its start list was refused: -113,"Undefined header"']
    kinds = [(chunk.kind, chunk.text) for chunk in heard.chunks]
    assert kinds.index(("refused", heard.said("refused")[0])) < kinds.index(("asked", "READ?"))


def test_switched_off_and_on_with_the_link_open(listen: Listen) -> None:
    """It is seen by the bit, said, set up again, and the next reading is marked; live and from the chunks alike."""
    meter = Meter()
    heard = listen(meter, 'start = [":FUNC CHAR"]')
    heard.until(lambda: len(heard.readings()) > 10)
    meter.switch_off_and_on()
    heard.until(lambda: len([r for r in heard.readings() if r.value == 0.0]) > 20)
    marked = [n for n, reading in enumerate(heard.readings()) if reading.status & RESTART]
    assert len(marked) == 2
    assert marked[0] == 0
    assert heard.readings()[marked[1]].value == 0.0
    assert meter.asked.count(":FUNC CHAR") == 2
    assert any("switched off and on" in text for text in heard.said("note"))


def test_silent_and_back(listen: Listen) -> None:
    """While it is off nothing is polled; what it says late is no reading; once back it is set up before a poll."""
    meter = Meter()
    heard = listen(meter, 'start = [":FUNC CHAR"]')
    heard.until(lambda: len(heard.readings()) > 10)
    meter.on = False
    heard.until(lambda: meter.asked[-3:] == ["*IDN?"] * 3)
    meter.switch_off_and_on()
    meter.say("+9.0E-09")
    meter.on = True
    before = len(meter.asked)
    heard.until(lambda: any(reading.value == 0.0 for reading in heard.readings()))
    asked = [query for query in meter.asked[before - 1 :] if query != "*IDN?"]
    assert asked[:6] == ["*ESR?", "SYST:ERR?", ":FUNC CHAR", "*ESR?", "SYST:ERR?", "READ?"]
    assert {reading.value for reading in heard.readings()} == {1.5, 0.0}
    assert heard.feeds.timeouts()["x"] >= 4


def test_off_when_the_bench_is_started(listen: Listen) -> None:
    """An instrument that is switched on later gets its start list then, and its questions are not given up."""
    meter = Meter()
    meter.on = False
    heard = listen(meter, 'start = [":FUNC CHAR"]')
    heard.until(lambda: meter.asked.count("*IDN?") >= 4)
    meter.on = True
    heard.until(lambda: len(heard.readings()) > 3)
    assert {reading.value for reading in heard.readings()} == {1.5}
    assert ":FUNC CHAR" in meter.asked
    assert not any("no longer asked" in text for text in heard.said("note"))


@pytest.mark.parametrize("silent", [["*ESR?"], ["SYST:ERR?"], ["*IDN?"], ["*ESR?", "SYST:ERR?", "*IDN?"]])
def test_instruments_that_do_not_know_a_question(listen: Listen, silent: list[str]) -> None:
    """They are read all the same; what is not answered is said, once, and no longer asked."""
    meter = Meter()
    meter.replies = dict.fromkeys(silent)
    heard = listen(meter, 'start = [":FUNC CHAR"]')
    heard.until(lambda: len(heard.readings()) > 60)
    assert {reading.value for reading in heard.readings()} == {1.5}
    said = [text for text in heard.said("note") if "no longer asked" in text]
    assert len(said) == len([query for query in silent if query != "*IDN?"])
    assert any("cannot be seen" in text for text in said) == ("*ESR?" in silent)


@pytest.mark.parametrize("end", ["\n", "\r", "\r\n"])
def test_whatever_ends_a_reply(listen: Listen, end: str) -> None:
    """CR, LF or both end a reply, without waiting for more."""
    heard = listen(Meter(end))
    heard.until(lambda: len(heard.readings()) > 5)
    assert heard.feeds.timeouts() == {"x": 0}


def test_a_late_reply_is_nobodys_answer(listen: Listen) -> None:
    """What an instrument, which answers in order, still says to an earlier question is neither name nor reading."""
    meter = Meter()
    heard = listen(meter)
    heard.until(lambda: len(heard.readings()) > 5)
    meter.replies |= {"READ?": None, "*IDN?": "128\n9E-9\nMAKER,MODEL 5,0001,1.0"}
    heard.until(lambda: meter.asked.count("*IDN?") >= 3)
    del meter.replies["READ?"]
    count = len(heard.readings())
    heard.until(lambda: len(heard.readings()) > count + 20)
    assert {reading.value for reading in heard.readings()} == {1.5}
    assert heard.decoded()[1].rejects["unasked"] >= 4
    assert [n for n, reading in enumerate(heard.readings()) if reading.status] == [0]


def test_the_link_lost_and_the_instrument_left_on(listen: Listen) -> None:
    """After a hang-up an instrument that was not switched off keeps its set-up and its integral; else it is marked."""
    meter = Meter()
    heard = listen(meter, 'start = [":FUNC CHAR"]')
    for number, again in enumerate((False, True), start=1):
        heard.until(lambda: len(heard.readings()) > 5)
        if again:
            meter.switch_off_and_on()
        call, meter.listener._call = meter.listener._call, None
        assert call is not None
        call.close()
        threading.Thread(target=meter._serve, daemon=True).start()
        heard.until(lambda number=number: heard.said("open")[number:] and heard.chunks[-1].text == "READ?")
        count = len(heard.readings())
        heard.until(lambda count=count: len(heard.readings()) > count)
        assert meter.asked.count(":FUNC CHAR") == 1 + again
    assert [n for n, r in enumerate(heard.readings()) if r.status & RESTART][1:]
    assert len([r for r in heard.readings() if r.status & RESTART]) == 2


def test_what_else_is_sent_is_told_too(listen: Listen) -> None:
    """A query sent from elsewhere has its answer kept apart from the readings."""
    heard = listen(Meter())
    heard.until(lambda: len(heard.readings()) > 5)
    heard.feeds.send("x", b"*OPC?\n")
    heard.until(lambda: "*OPC? 1" in heard.words())
    assert {reading.value for reading in heard.readings()} == {1.5}
