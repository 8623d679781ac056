"""A conversation with a board, against a pretended one that keeps to the board's manners."""

from __future__ import annotations

import json
import random
import struct
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from ampboard.calibration import VOLTS_FULL_U, Calibration
from ampledger import __version__, link, session, wire
from ampledger.errors import LinkError
from ampledger.session import Session
from serial import SerialException

# WORKED: 81.92 A / 2**19 = 156.25 uA = 156.25e9 fA, an INA228 on 2 mOhm; 195.3125 uV a bus count.
AMP_FA, VOLT_PV = 156_250_000_000, 195_312_500
FULL_MA = 81_920
UNIX_S = 1_795_600_000.0


class FakeBoard:
    """
    A board and its port. Time passes only by being waited for: `now_s` is the clock of host and board.

    flow : time -> true (solar, battery, load) [A]; volts : true bus voltage of each. [V]
    errors : per channel (gain, offset): true = shown x (1 + gain) + offset.
    """

    def __init__(self, folder: Path, flow: Callable[[float], tuple[float, float, float]] | None = None) -> None:
        self.folder, self.now_s = f"{folder}/", 100.0
        self.flow = flow or (lambda t: (1.0, 0.49999, 0.5))
        self.volts = [13.2, 13.2, 13.2]
        self.errors = [(0.0, 0.0)] * 3
        self.volt_errors = [(0.0, 0.0)] * 3
        self.noise_a, self.noise_v = 0.002, 0.001
        self.random = random.Random(7)
        self.range, self.device, self.version, self.temp_c16 = "wide", "a5a5", __version__, 21 * 16
        self.status = [0, 0, 0]
        self.more_info: dict[str, Any] = {}
        self.health: dict[str, Any] | None = {}
        self.pace = 1.0
        self.cleared = ""  # a reply instead of the right one
        self.asked: list[list[str]] = []
        self.boots, self.open, self.opened_count = 0, False, 0
        self.off_until = 0.0
        self.deaf: set[str] = set()
        self.start()

    def start(self) -> None:
        self.calibration = Calibration(self.folder)
        self.boots += 1
        self.boot, self.seq, self.tx, self.in_flight = 1000 + self.boots, 0, 0, 0
        self.waiting = bytearray()
        self.ready: list[tuple[int, bytes]] = []
        self.heard_s, self.due_s, self.began_s = -99.0, self.now_s, self.now_s
        self.in_use = {
            (n, q): self.calibration.entry(n, q, self.range) for n in wire.CHANNELS for q in ("amps", "volts", "count")
        }

    # the port

    @property
    def in_waiting(self) -> int:
        return len(self.waiting)

    def read(self, n: int) -> bytes:
        if not self.open:
            raise SerialException("closed")
        if self.now_s < self.off_until:
            raise SerialException("device reports readiness to read but returned no data")
        if not self.waiting:
            self.pass_time(0.05)
        out = bytes(self.waiting[:n])
        del self.waiting[:n]
        return out

    def write(self, data: bytes) -> None:
        if self.now_s < self.off_until or not self.open:
            raise SerialException("gone")
        words = wire.take_command(data[:-1])
        self.asked.append(words)
        if words[0] not in self.deaf:
            self.obey(words)

    def flush(self) -> None:
        pass

    def close(self) -> None:
        self.open = False

    def opener(self, port: str) -> FakeBoard:
        if self.now_s < self.off_until:
            raise SerialException(2, f"could not open port {port}: No such file")
        assert not self.open, "opened twice"
        self.open = True
        self.opened_count += 1
        return self

    # the board

    def pass_time(self, seconds: float) -> None:
        end = self.now_s + seconds
        while self.due_s < end:
            self.now_s = max(self.now_s, self.due_s)
            self.due_s += 0.1
            if self.now_s - self.heard_s < 3.0:
                self.record()
        self.now_s = end
        self.pump()

    def mono_ms(self) -> int:
        return int((self.now_s - self.began_s) * 1000 * self.pace)

    def record(self) -> None:
        self.seq += 1
        if self.in_flight >= wire.WINDOW:
            return
        buf = bytearray(wire.READING_SIZE)
        boot = struct.pack("<I", self.boot)
        wire.put_reading_head(buf, 0, 2, boot, self.seq, self.mono_ms(), 0, 100, self.temp_c16)
        for i, true in enumerate(self.flow(self.now_s)):
            (gain, offset), (vgain, voffset) = self.errors[i], self.volt_errors[i]
            amps = (true - offset) / (1 + gain) + self.random.gauss(0, self.noise_a)
            volts = (self.volts[i] - voffset) / (1 + vgain) + self.random.gauss(0, self.noise_v)
            cur, bus = round(amps / (AMP_FA * 1e-15)), max(0, round(volts / (VOLT_PV * 1e-12)))
            n = 0 if self.status[i] & wire.S_MISSING else 1
            at = wire.CHANNEL_AT + i * wire.CHANNEL_SIZE
            ends = (bus >> 4, (bus + 15) >> 4), (cur >> 4, -(-cur >> 4))
            wire.put_channel(buf, at, self.status[i], n, 7, bus * n, *ends[0], cur * n, *ends[1], bytes(5), 0, 0)
        self.put(wire.READING, bytes(buf))

    def put(self, kind: int, payload: bytes) -> None:
        self.tx = (self.tx + 1) & 0xFF
        self.in_flight += 1
        self.waiting += wire.frame(kind, self.tx, payload)

    def pump(self) -> None:
        if self.ready and not self.in_flight:
            self.put(*self.ready.pop(0))

    def tell(self, kind: int, what: dict[str, Any]) -> None:
        self.ready += [(kind, p) for p in wire.parts(json.dumps(what).encode())]

    def info(self) -> dict[str, Any]:
        channels = []
        for i, name in enumerate(wire.CHANNELS):
            cal = {q: self.in_use[name, q] for q in ("amps", "volts", "count") if self.in_use[name, q]}
            c: dict[str, Any] = {"name": name, "chip": "ina228", "address": (0x40, 0x41, 0x44)[i], "range": self.range}
            c |= {"shunt_nohm": 2_000_000, "amp_fa": AMP_FA, "volt_pv": VOLT_PV, "charge_us": 1_000_000, "coarse": 4}
            c |= {"full_ma": FULL_MA, "counts": True, "alive": not self.status[i] & wire.S_MISSING}
            channels.append(c | ({"cal": cal} if cal else {}))
        told = {"app": "ampledger", "version": self.version, "wire": wire.VERSION, "board": "x", "device": self.device}
        told |= {"boot": self.boot, "boots": self.boots, "solar_placement": "controller-output", "sample_ms": 100}
        told |= {"channels": channels, "own_ua": [100, 4300], "fed_by": "box", "notes": []}
        return told | self.more_info

    def obey(self, words: list[str]) -> None:
        verb = words[0]
        self.heard_s = self.now_s
        if verb == "ok":
            behind = (self.tx - int(words[1])) & 0xFF
            self.in_flight = min(self.in_flight, behind)
        elif verb == "hello":
            self.in_flight, self.ready = 0, []
            self.tell(wire.INFO, self.info())
        elif verb == "time":
            boot = struct.pack("<I", self.boot)
            self.ready.append((wire.ANCHOR, wire.put_anchor(boot, self.mono_ms(), int(words[1]), 20)))
        elif verb == "restart":
            self.off_until = self.now_s + 2.0
            self.start()
        elif self.cleared:
            self.tell(wire.REPLY, {"to": self.cleared, "error": "checksum does not fit"})
            self.cleared = ""
        elif verb == "calibrate":
            numbers = [int(w) for w in words[3:8]]
            full = FULL_MA * 1000 if words[2] == "amps" else VOLTS_FULL_U
            error = self.calibration.set(
                words[1], words[2], self.range, *numbers, words[8], "anyway" in words[9:], full
            )
            self.tell(wire.REPLY, {"to": verb, "error": error} if error else {"to": verb, "ok": True})
        elif verb == "uncalibrate":
            self.tell(wire.REPLY, {"to": verb, "says": self.calibration.undo()})
        elif verb == "calibrations":
            self.tell(wire.REPLY, {"to": verb, "entries": self.calibration.all()})
        elif verb == "health" and self.health is not None:
            self.tell(wire.REPLY, {"to": verb} | self.health)
        elif verb not in ("idle",):
            self.tell(wire.REPLY, {"to": verb, "error": "unknown command"})


@pytest.fixture
def board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeBoard]:
    b = FakeBoard(tmp_path)
    monkeypatch.setattr(link, "opened", b.opener)
    monkeypatch.setattr(link, "board_ports", lambda: ["/dev/x"])
    monkeypatch.setattr(session.time, "sleep", b.pass_time)
    yield b
    assert not b.open, "the port is let go"


def talk(b: FakeBoard, port: str = "/dev/x") -> Session:
    return Session(port, clock=lambda: UNIX_S + b.now_s, ticks=lambda: b.now_s)


def test_a_board_is_greeted_and_given_the_time(board: FakeBoard) -> None:
    with talk(board) as s:
        assert s.info["device"] == "a5a5" and s.boot == 1001
        assert board.asked[0] == ["hello"]
        # WORKED: unix ms of the pretended clock, within the second that the greeting takes.
        told = int(next(w for w in board.asked if w[0] == "time")[1]) / 1000
        assert UNIX_S + 100 <= told <= UNIX_S + 101
        assert len(s.stamps) == 1 and s.stamps[0].sent_s <= s.stamps[0].got_s


def test_readings_come_in_order_without_the_one_under_way(board: FakeBoard) -> None:
    done: list[float] = []
    with talk(board) as s:
        got = s.readings(5.0, lambda d, total: done.append(d / total))
    # WORKED: 5 s of 100 ms each.
    assert len(got) == 50 and sum(r.span_ms for r in got) == 5000
    assert [r.seq for r in got] == list(range(got[0].seq, got[0].seq + 50))
    assert done == sorted(done) and done[-1] == 1.0
    assert all(r.boot == s.boot for r in got)


def test_after_a_pause_nothing_of_before_is_taken(board: FakeBoard) -> None:
    level = [1.0]
    board.flow = lambda t: (level[0], 0.0, 0.0)
    board.noise_a = 0.0
    with talk(board) as s:
        s.readings(1.0)
        board.pass_time(120.0)  # the operator reads a meter; the board takes the host for gone
        level[0] = 2.0
        got = s.readings(1.0)
        hellos = [w for w in board.asked if w[0] == "hello"]
        assert len(hellos) == 2
        # WORKED: 2 A / 156.25 uA = 12800 counts.
        assert {r.channels[0].cur_sum for r in got} == {12800}


def test_a_board_that_restarts_in_between_is_said(board: FakeBoard) -> None:
    with talk(board) as s:
        at = board.now_s
        flow = board.flow

        def cut(t: float) -> tuple[float, float, float]:
            if t > at + 2 and board.boots == 1:
                board.boots += 1
                board.boot += 1
            return flow(t)

        board.flow = cut
        with pytest.raises(LinkError, match="restarted in the middle.*1001 has become 1002.*Measure again"):
            s.readings(5.0)
        board.pass_time(10)
        with pytest.raises(LinkError, match="restarted meanwhile.*lost power"):
            s.command("calibrations")


def test_a_board_that_falls_silent_is_said(board: FakeBoard) -> None:
    with talk(board) as s:
        board.deaf = {"ok", "idle"}
        with pytest.raises(LinkError, match="No reading from the board on /dev/x for 4 s"):
            s.readings(5.0)


def test_a_cable_pulled_is_said(board: FakeBoard) -> None:
    with talk(board) as s:
        board.off_until = 1e9
        with pytest.raises(LinkError, match="line to /dev/x broke.*cable"):
            s.command("calibrations")
    with pytest.raises(LinkError, match="is not open"):
        s.command("calibrations")
    with pytest.raises(LinkError, match="/dev/x is not there"):
        talk(board).__enter__()


def test_a_port_that_is_no_board_is_let_go_and_its_text_shown(board: FakeBoard) -> None:
    board.deaf = {"hello"}
    board.waiting += b"MicroPython v1.24 on a board\r\n>>> "
    with pytest.raises(LinkError, match="does not answer as an ampledger board.*MicroPython v1.24"):
        talk(board).__enter__()
    assert not board.open


def test_an_answer_is_returned_and_a_refusal_raised_in_the_boards_words(board: FakeBoard) -> None:
    with talk(board) as s:
        reply = s.command("calibrate", "load", "amps", 1000, -20, 3, 1_795_600_000, 400, "m")
        assert reply == {"to": "calibrate", "ok": True}
        assert s.command("calibrations")["entries"]["load/amps/wide"]["offset_u"] == -20
        with pytest.raises(LinkError, match="refuses `calibrate`: .*more than 5 %"):
            s.command("calibrate", "load", "amps", 60_000_000, 0, 0, 0, 0, "m")
        with pytest.raises(LinkError, match="does not know `fly`.*board update"):
            s.command("fly")
        with pytest.raises(LinkError, match="can't be sent"):
            s.command("calibrate", "a;b")


def test_a_command_that_arrived_harmed_is_sent_again_one_not_answered_is_not(board: FakeBoard) -> None:
    with talk(board) as s:
        board.cleared = "?"
        assert "entries" in s.command("calibrations")
        board.deaf = {"uncalibrate"}
        with pytest.raises(LinkError, match="did not answer `uncalibrate` within 3 s; whether it obeyed is not known"):
            s.command("uncalibrate")
        assert len([w for w in board.asked if w[0] == "uncalibrate"]) == 1


def test_restart_waits_for_a_new_start_of_the_same_board(board: FakeBoard) -> None:
    with talk(board) as s:
        s.command("calibrate", "load", "amps", 1000, 0, 0, 0, 400, "m")
        info = s.restart()
        assert info["boot"] == 1002 == s.boot and board.opened_count == 2
        assert info["channels"][2]["cal"]["amps"]["gain_ppb"] == 1000
        assert len(s.readings(1.0)) == 10


def test_a_board_that_does_not_come_back_or_does_not_restart_is_said(board: FakeBoard) -> None:
    with talk(board) as s:
        board.deaf = {"restart"}
        with pytest.raises(LinkError, match="did not come back within 5 s.*has not restarted"):
            s.restart(5.0)
    with talk(board) as s:
        board.deaf = set()
        board.start = lambda: None  # type: ignore[method-assign]
        board.obey = lambda words: setattr(board, "off_until", 1e9)  # type: ignore[method-assign]
        with pytest.raises(LinkError, match="did not come back within 30 s.*unplug it"):
            s.restart()


def test_a_board_that_comes_back_under_another_name_is_found_by_its_id(
    board: FakeBoard, monkeypatch: pytest.MonkeyPatch
) -> None:
    with talk(board) as s:

        def opener(port: str) -> Any:
            if port == "/dev/x":
                raise SerialException(2, "could not open port: No such file")
            return board.opener(port)

        monkeypatch.setattr(link, "opened", opener)
        monkeypatch.setattr(link, "board_ports", lambda: ["/dev/y"])
        s.restart()
        assert s.port == "/dev/y" and s.boot == 1002


def test_a_harmed_frame_is_counted_and_the_conversation_goes_on(board: FakeBoard) -> None:
    with talk(board) as s:
        put = board.put
        harmed = [3]

        def bad(kind: int, payload: bytes) -> None:
            put(kind, payload)
            if kind == wire.READING and harmed[0]:
                harmed[0] -= 1
                board.waiting[-20] ^= 1

        board.put = bad  # type: ignore[method-assign]
        got = s.readings(2.0)
        assert len(got) == 20 and s.bad == 3
