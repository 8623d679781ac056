"""Talking to the board directly, as a bare terminal or a strange host would."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial
from ampledger import wire
from ampledger.decode import Decoder, Parts
from ampledger.simbox.bench import Bench
from ampledger.simbox.box import WaveBox

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("micropython")]


class Line:
    """An open port and what came over it."""

    def __init__(self, url: str) -> None:
        self.port = serial.Serial(url, timeout=0.02)
        self.raw = b""
        self.decoder, self.parts = Decoder(), Parts()
        self.frames: list[Any] = []
        self.answers: list[dict[str, Any]] = []

    def send(self, *words: object) -> None:
        self.port.write(wire.command(str(words[0]), *words[1:]))

    def until(self, what: Callable[[], Any], seconds: float = 10.0, answer: bool = True) -> Any:
        """Read, acknowledging every frame, until `what()`."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            data = self.port.read(256)
            self.raw += data
            for frame in self.decoder.feed(data):
                self.frames.append(frame)
                if frame.kind in (wire.INFO, wire.REPLY):
                    whole = self.parts.add(frame.payload)
                    if whole is not None:
                        self.answers.append(whole)
                if answer:
                    self.send("ok", frame.tx)
            if value := what():
                return value
        raise AssertionError(f"not in {seconds} s; {self.answers} {self.raw[-300:]!r}")

    def kinds(self) -> set[int]:
        return {f.kind for f in self.frames}


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    box = WaveBox({t: [(3600.0, 13.2, a)] for t, a in (("solar", 1.5), ("battery", -2.0), ("load", 3.5))})
    with Bench(box, tmp_path / "port", speed=1.0) as running:
        yield running


@pytest.fixture
def line(bench: Bench) -> Iterator[Line]:
    opened = Line(bench.url)
    yield opened
    opened.port.close()


def test_nothing_is_said_before_somebody_asks(bench: Bench, line: Line) -> None:
    end = bench.now_s + 1.5
    line.until(lambda: bench.now_s > end)
    assert line.raw == b""


def test_hello_brings_info_that_explains_the_capture(line: Line) -> None:
    line.send("hello")
    info = line.until(lambda: next((a for a in line.answers if a.get("app") == "ampledger"), None))
    assert info["wire"] == wire.VERSION and info["boots"] == 1
    assert [c["name"] for c in info["channels"]] == list(wire.CHANNELS)
    needed = {"chip", "shunt_nohm", "amp_fa", "volt_pv", "charge_us", "coarse", "range"}
    assert all(needed <= set(c) for c in info["channels"])
    line.until(lambda: wire.READING in line.kinds())


def test_time_is_answered_with_an_anchor(line: Line) -> None:
    line.send("hello")
    line.send("time", 1_789_000_000_123, 20)
    frame = line.until(lambda: next((f for f in line.frames if f.kind == wire.ANCHOR), None))
    anchor = wire.take_anchor(frame.payload)
    assert (anchor.unix_ms, anchor.uncertainty_ms) == (1_789_000_000_123, 20)
    reading = wire.take_reading(line.until(lambda: [f for f in line.frames if f.kind == wire.READING])[-1].payload)
    assert anchor.boot == reading.boot and abs(anchor.mono_ms - reading.mono_ms) < 2000


def test_a_host_that_stops_answering_gets_two_frames_and_a_pulse_and_no_more(bench: Bench, line: Line) -> None:
    line.send("hello")
    line.until(lambda: wire.READING in line.kinds())
    until = bench.now_s + 1.5
    count = len(line.frames)
    line.until(lambda: bench.now_s > until, answer=False)
    assert len(line.frames) - count <= wire.WINDOW
    line.send("idle")
    line.until(lambda: wire.PULSE in line.kinds(), answer=False)
    line.send("ok", line.frames[-1].tx)
    count = len(line.frames)
    line.until(lambda: len(line.frames) > count)
    # What grew meanwhile comes as one longer record: no number is missing.
    seqs = [wire.take_reading(f.payload).seq for f in line.frames if f.kind == wire.READING]
    assert seqs == sorted(seqs)


def test_what_the_board_does_not_understand_it_says_and_nothing_harmed_is_obeyed(bench: Bench, line: Line) -> None:
    line.send("hello")
    line.until(lambda: line.answers)
    line.send("frobnicate", 1)
    assert line.until(lambda: next((a for a in line.answers if a.get("to") == "frobnicate"), None))["error"]
    line.send("recall", "x", "y")
    assert line.until(lambda: next((a for a in line.answers if a.get("to") == "recall"), None))["error"]
    harmed = bytearray(wire.command("restart"))
    harmed[0] ^= 1
    line.port.write(harmed)
    assert line.until(lambda: next((a for a in line.answers if a.get("to") == "?"), None))["error"]
    line.port.write(b"x" * 5000 + b"\n")
    line.send("hello")
    count = len(line.answers)
    line.until(lambda: len(line.answers) > count)
    assert bench.faults.resets == []


def test_recall_brings_the_same_bytes_again(line: Line) -> None:
    line.send("hello")
    live = line.until(lambda: [f.payload for f in line.frames if f.kind == wire.READING][5:])
    first = wire.take_reading(live[0]).seq
    line.send("recall", 0, first)
    line.until(lambda: sum(f.kind == wire.RECALLED for f in line.frames) >= first + 1)
    again = {wire.take_reading(f.payload).seq: f.payload for f in line.frames if f.kind == wire.RECALLED}
    for frame in line.frames:
        if frame.kind == wire.READING and wire.take_reading(frame.payload).seq <= first:
            assert again[wire.take_reading(frame.payload).seq] == frame.payload


def test_a_bare_terminal_gets_lines_of_figures(line: Line) -> None:
    line.port.write(b"plain\r\n")
    text = line.until(lambda: line.raw.decode("ascii") if line.raw.count(b"\r\n") >= 2 else "", answer=False)
    last = dict(word.split("=") for word in text.splitlines()[1].split())
    # WORKED: 1.5, -2.0 and 3.5 A at 13.2 V, rounded down to milliamps and millivolts.
    assert abs(int(last["solar_ma"]) - 1500) <= 1 and abs(int(last["battery_ma"]) + 2000) <= 1
    assert abs(int(last["load_ma"]) - 3500) <= 1 and abs(int(last["load_mv"]) - 13200) <= 1
    assert float(last["t_s"]) > 0
    line.send("hello")  # a program takes over
    line.until(lambda: line.answers)


def counted(line: Line) -> list[wire.Reading]:
    """Readings in which the battery's chip has answered; the first one after a start may be too early for that."""
    readings = [wire.take_reading(f.payload) for f in line.frames if f.kind == wire.READING]
    return [r for r in readings if r.channels[1].n]


def test_restart_keeps_the_run_of_the_counters(bench: Bench, line: Line) -> None:
    line.send("hello")
    before = line.until(lambda: counted(line))[-1]
    line.send("restart")
    line.until(lambda: bench.faults.resets == ["asked"])
    line.frames.clear()
    line.send("hello")
    after = line.until(lambda: counted(line))[0]
    assert after.boot != before.boot
    assert [c.tag for c in after.channels] == [c.tag for c in before.channels]
    assert after.channels[1].charge < before.channels[1].charge < 0
    line.until(lambda: any(a.get("boots") == 2 for a in line.answers))
