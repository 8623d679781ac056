"""The serial line with a pretended port: what is asked, what is said when it fails, and that it goes on looking."""

from __future__ import annotations

import errno
import json
import queue
import re
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
import serial
from ampledger import link, wire
from ampledger.errors import LinkError
from ampledger.link import Arrived, Hello, Link, State
from serial import SerialException

INFO = {"app": "ampledger", "board": "x", "device": "a5", "boot": 7, "version": "0"}


def info_frames(info: dict[str, Any], tx: int = 0) -> bytes:
    pieces = wire.parts(json.dumps(info).encode())
    return b"".join(wire.frame(wire.INFO, tx + i, p) for i, p in enumerate(pieces))


class Port:
    """A pretended serial port: `answer` gets each command line and gives bytes back."""

    def __init__(self, answer: Callable[[list[str]], bytes]) -> None:
        self.answer, self.waiting, self.asked = answer, bytearray(), []
        self.broken: Exception | None = None
        self.closed = False
        self.more = threading.Condition()

    @property
    def in_waiting(self) -> int:
        return len(self.waiting)

    def push(self, data: bytes) -> None:
        with self.more:
            self.waiting += data
            self.more.notify()

    def read(self, n: int) -> bytes:
        with self.more:
            self.more.wait_for(lambda: self.waiting or self.broken, 0.01)
            if self.broken:
                raise self.broken
            out = bytes(self.waiting[:n])
            del self.waiting[:n]
            return out

    def write(self, data: bytes) -> None:
        if self.broken:
            raise self.broken
        words = wire.take_command(data[:-1])
        self.asked.append(words)
        self.push(self.answer(words))

    def close(self) -> None:
        self.closed = True


def board(words: list[str]) -> bytes:
    return info_frames(INFO) if words[0] == "hello" else b""


def mute(words: list[str]) -> bytes:
    return b""


class Running:
    """A link at work, and everything it has said."""

    def __init__(self, ports: Callable[[], list[str]] = lambda: ["/dev/x"]) -> None:
        self.said: list[Any] = []
        self.queue: queue.Queue[State | Hello | Arrived] = queue.Queue()
        self.link = Link(ports, self.queue)
        self.link.start()

    def until(self, what: Callable[[Any], bool], seconds: float = 8.0) -> Any:
        for item in self.said:
            if what(item):
                return item
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            try:
                item = self.queue.get(timeout=0.1)
            except queue.Empty:
                continue
            self.said.append(item)
            if what(item):
                return item
        raise AssertionError(f"not said: {self.said}")

    def state(self, name: str) -> State:
        found = self.until(lambda i: isinstance(i, State) and i.state == name)
        assert isinstance(found, State)
        self.said.clear()
        return found


@pytest.fixture
def running(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Running]]:
    quick = {"_ASK_S": 0.15, "_AGAIN_S": 0.01, "_IDLE_S": 0.05, "_STALL_S": 0.5, "_GIVE_UP_S": 1.6}
    for name, value in quick.items():
        monkeypatch.setattr(link, name, value)
    made: list[Running] = []

    def make(opened: Any, *args: Any) -> Running:
        monkeypatch.setattr(link, "opened", opened)
        made.append(Running(*args))
        return made[-1]

    yield make
    for r in made:
        r.link.close()
        assert not r.link._thread.is_alive()


def opens(port: Port) -> Callable[[str], Port]:
    return lambda name: port


# --- why a port can't be opened ---


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (SerialException(errno.EACCES, "could not open port /dev/x: [Errno 13] Permission denied"), "No permission"),
        (SerialException("could not open port 'COM3': PermissionError(13, 'Access is denied.')"), "No permission"),
        (SerialException(errno.EAGAIN, "Could not exclusively lock port /dev/x: [Errno 11] busy"), "another program"),
        (SerialException(errno.EBUSY, "could not open port /dev/x: [Errno 16] Device or resource busy"), "another"),
        (SerialException(errno.ENOENT, "could not open port /dev/x: [Errno 2] No such file"), "is the cable in"),
        (SerialException("could not open port 'COM9': FileNotFoundError(2, 'not found')"), "is the cable in"),
        (SerialException(errno.ENODEV, "could not open port /dev/x: [Errno 19] No such device"), "is the cable in"),
        (SerialException(errno.EISDIR, "could not open port /dev/x: [Errno 21] Is a directory"), "Is a directory"),
        (ValueError("invalid URL, protocol 'foo' not known"), "can't be opened .invalid URL"),
        (OSError(errno.EIO, "Input/output error"), "can't be opened"),
    ],
)
def test_why_a_port_is_not_open_and_what_to_do(error: Exception, says: str) -> None:
    text = link.why_not("/dev/x", error)
    assert "/dev/x" in text and re.search(says, text), text


def test_linux_is_told_of_the_group(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link.sys, "platform", "linux")
    assert "usermod -aG" in link.why_not("/dev/x", PermissionError(errno.EACCES, "no"))
    monkeypatch.setattr(link.sys, "platform", "win32")
    assert "another program has it open" in link.why_not("COM3", PermissionError(errno.EACCES, "no"))


def test_a_cable_pulled_while_the_port_opens_is_an_error_like_any_other(monkeypatch: pytest.MonkeyPatch) -> None:
    class Odd(Exception):
        """As termios.error: neither OSError nor ValueError."""

    class Handle:
        def open(self) -> None:
            raise Odd("(5, 'Input/output error')")

    monkeypatch.setattr(serial, "serial_for_url", lambda *a, **k: Handle())
    with pytest.raises(LinkError, match="/dev/x can't be opened .*Input/output error"):
        link.ask("/dev/x")


def test_the_port_is_opened_with_dtr_on_and_rts_off_and_never_at_1200_baud(monkeypatch: pytest.MonkeyPatch) -> None:
    class Handle:
        def open(self) -> None:
            self.at_opening = dict(self.__dict__)

    monkeypatch.setattr(serial, "serial_for_url", lambda *a, **k: Handle())
    at = link.opened("/dev/x").at_opening
    assert (at["dtr"], at["rts"]) == (True, False) and at["baudrate"] != 1200 and at["write_timeout"] > 0


def test_only_ports_of_boards_are_asked_unnamed(monkeypatch: pytest.MonkeyPatch) -> None:
    class Found:
        def __init__(self, device: str, vid: int | None) -> None:
            self.device, self.vid = device, vid

    ports = [Found("a", 0x0403), Found("b", 0x2E8A), Found("c", None), Found("d", 0xF055)]
    monkeypatch.setattr(link.list_ports, "comports", lambda: ports)
    assert link.board_ports() == ["b", "d"]


def test_a_port_that_goes_away_while_ports_are_listed_is_no_port(monkeypatch: pytest.MonkeyPatch) -> None:
    def comports() -> list[Any]:
        return [int(None, 16)]  # type: ignore[call-overload]  # what pyserial does when idVendor has just gone

    monkeypatch.setattr(link.list_ports, "comports", comports)
    assert link.board_ports() == []


# --- asking once ---


def test_asking_a_board_gives_its_info_and_lets_go(monkeypatch: pytest.MonkeyPatch) -> None:
    port = Port(board)
    monkeypatch.setattr(link, "opened", opens(port))
    assert link.ask("/dev/x", 1.0) == INFO
    assert port.closed and port.asked[0] == ["hello"]


def test_asking_something_else_says_what_it_printed_though_no_frame_follows(monkeypatch: pytest.MonkeyPatch) -> None:
    port = Port(lambda words: b"MicroPython v1.24 on board\r\n>>> " if words[0] == "hello" else b"")
    monkeypatch.setattr(link, "opened", opens(port))
    with pytest.raises(LinkError, match="does not answer as an ampledger board.*firmware.*printed.*MicroPython v1.24"):
        link.ask("/dev/x", 0.1)
    assert port.closed


def test_asking_a_board_of_another_program_is_no_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link, "opened", opens(Port(lambda words: info_frames(INFO | {"app": "other"}))))
    with pytest.raises(LinkError, match="does not answer as an ampledger board"):
        link.ask("/dev/x", 0.1)


def test_asking_a_board_of_another_wire_version(monkeypatch: pytest.MonkeyPatch) -> None:
    port = Port(lambda words: wire.frame(wire.PULSE, 1, b"", version=3))
    monkeypatch.setattr(link, "opened", opens(port))
    with pytest.raises(LinkError, match="/dev/x: The board speaks wire version 3.*ampledger board update"):
        link.ask("/dev/x", 1.0)
    assert port.closed


def test_asking_a_port_that_breaks_or_is_busy(monkeypatch: pytest.MonkeyPatch) -> None:
    port = Port(mute)
    port.broken = SerialException("gone")
    monkeypatch.setattr(link, "opened", opens(port))
    with pytest.raises(LinkError, match="line to /dev/x broke.*cable"):
        link.ask("/dev/x", 1.0)
    assert port.closed

    def busy(name: str) -> Port:
        raise SerialException(errno.EAGAIN, "Could not exclusively lock port /dev/x")

    monkeypatch.setattr(link, "opened", busy)
    with pytest.raises(LinkError, match="in use by another program"):
        link.ask("/dev/x", 1.0)


# --- keeping it ---


def test_a_board_is_greeted_given_the_time_and_every_frame_acknowledged(running: Callable[..., Running]) -> None:
    port = Port(board)
    r = running(opens(port))
    hello = r.until(lambda i: isinstance(i, Hello))
    assert (hello.info, hello.port, hello.again) == (INFO, "/dev/x", False)
    assert r.state("live").port == "/dev/x"
    for tx in (254, 255, 0):
        port.push(wire.frame(wire.READING, tx, bytes(wire.READING_SIZE)))
        r.until(lambda i, tx=tx: isinstance(i, Arrived) and any(f.tx == tx for f in i.frames))
        assert ["ok", str(tx)] in port.asked
    times = [w for w in port.asked if w[0] == "time"]
    assert len(times) == 1 and abs(int(times[0][1]) / 1000 - time.time()) < 5
    assert r.link.send("recall", 1, 2) and ["recall", "1", "2"] in port.asked


def test_a_harmed_frame_is_acknowledged_by_its_place_and_not_passed_on(running: Callable[..., Running]) -> None:
    port = Port(board)
    r = running(opens(port))
    r.until(lambda i: isinstance(i, Hello))
    port.push(wire.frame(wire.PULSE, 20, b""))
    r.until(lambda i: isinstance(i, Arrived) and any(f.tx == 20 for f in i.frames))
    harmed = bytearray(wire.frame(wire.READING, 21, bytes(range(1, 112))))
    harmed[50] ^= 1
    port.push(bytes(harmed))
    item = r.until(lambda i: isinstance(i, Arrived) and i.bad == 1)
    assert item.frames == ()
    assert ["ok", "21"] in port.asked


def test_a_stranger_is_named_and_asked_again(running: Callable[..., Running]) -> None:
    port = Port(mute)
    r = running(opens(port))
    state = r.state("searching")
    assert "does not answer as an ampledger board" in state.text and "firmware" in state.text
    port.answer = board
    r.state("live")


def test_a_board_of_another_wire_version_is_refused_in_words(running: Callable[..., Running]) -> None:
    port = Port(lambda words: wire.frame(wire.PULSE, 1, b"", version=9))
    state = running(opens(port)).state("refused")
    assert "wire version 9" in state.text and "board update" in state.text
    assert len([w for w in port.asked if w[0] == "hello"]) <= 2, "and left in peace for a while"


def test_a_port_that_vanishes_is_said_and_found_again(running: Callable[..., Running]) -> None:
    first, second = Port(board), Port(board)
    ports = [first, second]
    r = running(lambda name: ports[0])
    r.state("live")
    first.broken = SerialException("device reports readiness to read but returned no data")
    ports.pop(0)
    state = r.state("lost")
    assert "is the cable in" in state.text
    r.state("live")
    assert first.closed and second.asked[0] == ["hello"]


def test_no_port_at_all_is_said_before_and_after_there_was_one(running: Callable[..., Running]) -> None:
    there: list[str] = []
    port = Port(board)
    r = running(opens(port), lambda: list(there))
    assert "No board is plugged in: waiting" in r.state("searching").text
    there.append("/dev/x")
    r.state("live")
    there.clear()
    port.broken = OSError(errno.EIO, "Input/output error")
    state = r.until(lambda i: isinstance(i, State) and i.state == "lost" and "plug it in again" in i.text)
    assert "keeps counting" in state.text
    assert not r.link.send("hello"), "there is nobody to send to"


def test_whatever_goes_wrong_the_link_goes_on_looking(running: Callable[..., Running]) -> None:
    faults = iter([TypeError("int() argument must be a string, not 'NoneType'"), RuntimeError("odd")])

    def ports() -> list[str]:
        for fault in faults:
            raise fault
        return ["/dev/x"]

    r = running(opens(Port(board)), ports)
    assert "fault in looking for the board (TypeError" in r.state("searching").text
    r.state("live")


def test_json_nested_beyond_reason_does_not_end_the_link(running: Callable[..., Running]) -> None:
    deep = wire.parts(b"[" * 20_000)
    port = Port(board)
    r = running(opens(port))
    r.state("live")
    for i, p in enumerate(deep):
        port.push(wire.frame(wire.INFO, i, p))
    port.push(wire.frame(wire.PULSE, 77, b""))
    r.until(lambda i: isinstance(i, Arrived) and any(f.tx == 77 for f in i.frames))


def test_silence_is_first_a_question_then_a_stall_then_a_loss(running: Callable[..., Running]) -> None:
    port = Port(board)
    r = running(opens(port))
    r.state("live")
    port.answer = mute
    assert "Nothing from the board" in r.state("stalled").text
    assert ["idle"] in port.asked
    assert "stopped answering" in r.state("lost").text
    port.answer = board
    r.state("live")


def test_the_board_is_told_the_time_again_when_the_hosts_clock_was_set(monkeypatch: pytest.MonkeyPatch) -> None:
    set_by = [0.0]
    port = Port(board)
    monkeypatch.setattr(link, "opened", opens(port))
    said: queue.Queue[State | Hello | Arrived] = queue.Queue()
    it = Link(lambda: ["/dev/x"], said, clock=lambda: 1e9 + time.monotonic() + set_by[0])
    it.start()
    try:
        end = time.monotonic() + 5

        def times() -> list[int]:
            return [int(w[1]) for w in list(port.asked) if w[0] == "time"]

        while not times() and time.monotonic() < end:
            time.sleep(0.01)
        set_by[0] = -3600.0
        while len(times()) < 2 and time.monotonic() < end:
            time.sleep(0.01)
    finally:
        it.close()
    first, second = times()
    assert second - first == pytest.approx(-3_600_000, abs=5_000)
