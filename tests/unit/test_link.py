"""The serial lines with pretended ports: what is asked, what is said when it fails, and that it goes on looking."""

from __future__ import annotations

import errno
import json
import os
import queue
import random
import re
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial
from ampledger import link, wire
from ampledger.errors import LinkError
from ampledger.link import UNSYNCHRONISED_S, Arrived, Hello, Links, State
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
    """Links at work, and everything they have said."""

    def __init__(self, ports: Callable[[], list[str]] = lambda: ["x"], **clocks: Callable[[], float]) -> None:
        self.said: list[Any] = []
        self.queue: queue.Queue[State | Hello | Arrived] = queue.Queue()
        self.link = Links(ports, self.queue, **clocks)
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

    def state(self, name: str, port: str | None = None) -> State:
        found = self.until(lambda i: isinstance(i, State) and i.state == name and port in (None, i.port))
        assert isinstance(found, State)
        self.said.clear()
        return found


@pytest.fixture
def running(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Running]]:
    quick = {"_ASK_S": 0.15, "_AGAIN_S": 0.01, "_IDLE_S": 0.05, "_STALL_S": 0.5, "_GIVE_UP_S": 1.6}
    for name, value in quick.items():
        monkeypatch.setattr(link, name, value)
    made: list[Running] = []

    def make(opened: Any, *args: Any, **clocks: Any) -> Running:
        monkeypatch.setattr(link, "opened", opened)
        made.append(Running(*args, **clocks))
        return made[-1]

    yield make
    for r in made:
        r.link.close()
        assert not r.link._thread.is_alive() and not r.link._lines


def threads() -> list[str]:
    return [t.name for t in threading.enumerate() if t.name.startswith(("link", "open "))]


def wait(what: Callable[[], Any], seconds: float = 8.0) -> Any:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if value := what():
            return value
        time.sleep(0.005)
    raise AssertionError(f"not in {seconds} s")


def sent(port: Port, verb: str) -> list[list[str]]:
    return [w for w in list(port.asked) if w[0] == verb]


class Streaming(Port):
    """A board that goes on sending empty frames, a few tens a second, as long as somebody reads."""

    def __init__(self, answer: Callable[[list[str]], bytes] | None = None) -> None:
        super().__init__(answer or board)
        self.tx = 100
        self.silent = False

    def read(self, n: int) -> bytes:
        if not self.silent:
            self.tx = (self.tx + 1) & 0xFF
            self.push(wire.frame(wire.PULSE, self.tx, b""))
            time.sleep(0.01)
        return super().read(4096)


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


DENIED = PermissionError(errno.EACCES, "Permission denied")
BUSY = SerialException(errno.EBUSY, "could not open port: [Errno 16] Device or resource busy")


@pytest.fixture
def owned(monkeypatch: pytest.MonkeyPatch) -> Callable[[str, int, list[str]], None]:
    """A Linux on which every device file belongs to a group."""
    grp = pytest.importorskip("grp")

    def make(group: str, mode: int, members: list[str]) -> None:
        class There:
            st_gid, st_mode = 0 if group == "root" else 987, 0o020000 | mode  # a character device

        monkeypatch.setattr(link.sys, "platform", "linux")
        monkeypatch.setattr(link.os, "stat", lambda path: There)
        monkeypatch.setattr(grp, "getgrgid", lambda gid: grp.struct_group((group, "x", gid, members)))
        monkeypatch.setenv("USER", "op")

    return make


@pytest.mark.parametrize(
    ("group", "mode", "members", "says"),
    [
        ("dialout", 0o660, [], "group dialout: sudo usermod -aG dialout .USER, then log in again"),
        ("uucp", 0o660, ["somebody"], "usermod -aG uucp"),
        ("dialout", 0o660, ["op"], "in its group dialout, but not since this login: log out and in"),
        ("root", 0o660, [], "only its owner may open it.*udev"),
        ("dialout", 0o600, [], "only its owner may open it.*udev"),
    ],
)
def test_linux_is_told_of_the_group_that_owns_the_port(
    owned: Callable[[str, int, list[str]], None], group: str, mode: int, members: list[str], says: str
) -> None:
    owned(group, mode, members)
    text = link.why_not("/dev/ttyACM0", DENIED)
    assert text.startswith("No permission to open /dev/ttyACM0: ") and re.search(says, text), text


def test_a_port_whose_group_can_not_be_had_is_told_of_the_usual_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link.sys, "platform", "linux")
    text = link.why_not("/dev/not-there", DENIED)
    assert "dialout" in text and "uucp" in text and "usermod -aG" in text


@pytest.mark.parametrize(
    ("platform", "port", "error", "says"),
    [
        ("win32", "COM3", DENIED, "another program has it open"),
        (
            "win32",
            "COM3",
            SerialException("could not open port 'COM3': PermissionError(13, 'Access is denied.', None, 5)"),
            "another program has it open: close that one",
        ),
        (
            "win32",
            "COM3",
            SerialException(
                "could not open port 'COM3': PermissionError(13, 'A device attached to the system is not "
                "functioning.', None, 31)"
            ),
            "does not work: unplug the board",
        ),
        ("darwin", "/dev/cu.usbmodem1", DENIED, "close other programs that use it"),
        ("darwin", "/dev/tty.usbmodem1", DENIED, "the port to name is /dev/cu.usbmodem1"),
        (
            "darwin",
            "/dev/tty.usbmodem1",
            SerialException("could not open port: [Errno 16] Resource busy: '/dev/tty.usbmodem1'"),
            "in use by another program.*name is /dev/cu.usbmodem1",
        ),
        ("linux", "/dev/not-there", BUSY, "in use by another program.*ModemManager"),
    ],
)
def test_every_system_is_told_in_its_own_words(
    monkeypatch: pytest.MonkeyPatch, platform: str, port: str, error: Exception, says: str
) -> None:
    monkeypatch.setattr(link.sys, "platform", platform)
    text = link.why_not(port, error)
    assert port in text and re.search(says, text), text
    assert ("ModemManager" in text) == (platform == "linux")
    assert platform == "darwin" or "Mac" not in text


@pytest.mark.skipif(not link.sys.platform.startswith("linux"), reason="reads /proc")
def test_who_holds_a_busy_port_is_named(tmp_path: Path) -> None:
    held = tmp_path / "port"
    held.touch()
    code = "import sys; f = open(sys.argv[1]); print('open', flush=True); sys.stdin.read()"
    child = subprocess.Popen(
        [sys.executable, "-c", code, str(held)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert child.stdout is not None and child.stdout.readline() == "open\n"
        (other,) = link._holders(str(held))
        assert other.endswith(f", process {child.pid}")
        with held.open():
            assert "this program itself" in link._holders(str(held))
    finally:
        child.communicate("")
    assert link._holders(str(held)) == []


@pytest.mark.skipif(link.sys.platform == "win32", reason="device files")
@pytest.mark.parametrize(
    ("what", "says"),
    [
        ("/dev/null", "/dev/null is no serial port: `ampledger board list`"),
        ("file", "is no serial port, it is a file"),
        ("folder", "is no serial port, it is a folder"),
        ("nothing", "is not there: is the cable in"),
        ("no\0name", "can't be opened"),
    ],
)
def test_what_is_no_serial_port_is_said_so_and_left_as_it_was(tmp_path: Path, what: str, says: str) -> None:
    (tmp_path / "file").write_text("dear diary")
    (tmp_path / "folder").mkdir()
    with pytest.raises(LinkError, match=re.escape(says)):
        link.ask(what if what.startswith("/") else str(tmp_path / what))
    assert (tmp_path / "file").read_text() == "dear diary"


def test_a_port_that_hangs_does_not_hang_who_asks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link, "_OPENING_S", 0.1)
    release, port = threading.Event(), Port(mute)

    def opened(name: str) -> Port:
        release.wait(30)
        return port

    monkeypatch.setattr(link, "opened", opened)
    with pytest.raises(LinkError, match="/dev/x has been opening for .*unplug"):
        link.ask("/dev/x")
    release.set()
    wait(lambda: port.closed and not threads())
    assert not port.asked


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


@pytest.mark.skipif(not link.sys.platform.startswith("linux"), reason="watches pyserial's calls on Linux")
def test_what_pyserial_does_to_a_real_line(monkeypatch: pytest.MonkeyPatch) -> None:
    import fcntl
    import pty
    import termios

    from serial import serialposix

    calls: list[tuple[Any, ...]] = []
    real_set, real_ioctl, real_flock = termios.tcsetattr, fcntl.ioctl, fcntl.flock

    def tcsetattr(fd: int, when: int, attributes: list[Any]) -> None:
        calls.append(("speed", attributes[4], attributes[5]))
        real_set(fd, when, attributes)

    def ioctl(fd: int, request: int, *args: Any) -> Any:
        lines = {termios.TIOCM_DTR: "DTR", termios.TIOCM_RTS: "RTS"}
        if request in (termios.TIOCMBIS, termios.TIOCMBIC):
            bits = int.from_bytes(args[0], sys.byteorder)
            calls.append((lines.get(bits, bits), request == termios.TIOCMBIS))
            return args[0]  # a pty has no modem lines and would refuse
        return real_ioctl(fd, request, *args)

    def flock(fd: int, how: int) -> None:
        calls.append(("lock", how))
        real_flock(fd, how)

    monkeypatch.setattr(serialposix.termios, "tcsetattr", tcsetattr)
    monkeypatch.setattr(serialposix.fcntl, "ioctl", ioctl)
    monkeypatch.setattr(serialposix.fcntl, "flock", flock)
    master, slave = pty.openpty()
    try:
        link.opened(os.ttyname(slave)).close()
    finally:
        os.close(master)
        os.close(slave)
    # Before anything is set it is locked; every speed ever set is 115200; within the opening DTR on and RTS off.
    assert calls[0] == ("lock", fcntl.LOCK_EX | fcntl.LOCK_NB)
    speeds = [c for c in calls if c[0] == "speed"]
    assert speeds and set(speeds) == {("speed", termios.B115200, termios.B115200)}
    assert [c for c in calls if c[0] in ("DTR", "RTS")] == [("DTR", True), ("RTS", False)]


def test_only_ports_of_boards_are_asked_unnamed(monkeypatch: pytest.MonkeyPatch) -> None:
    class Found:
        def __init__(self, device: str, vid: int | None) -> None:
            self.device, self.vid = device, vid

    ports = [Found("a", 0x0403), Found("b", 0x2E8A), Found("c", None), Found("d", 0xF055)]
    monkeypatch.setattr(link.list_ports, "comports", lambda: ports)
    assert link.board_ports() == ["b", "d"]
    assert link.board_ports(every=True) == ["a", "b", "c", "d"]


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
    assert (hello.info, hello.port, hello.again) == (INFO, "x", False)
    assert r.state("live").port == "x"
    for tx in (254, 255, 0):
        port.push(wire.frame(wire.READING, tx, bytes(wire.READING_SIZE)))
        r.until(lambda i, tx=tx: isinstance(i, Arrived) and any(f.tx == tx for f in i.frames))
        assert ["ok", str(tx)] in port.asked
    times = [w for w in port.asked if w[0] == "time"]
    assert len(times) == 1 and abs(int(times[0][1]) / 1000 - time.time()) < 5
    assert times[0][2] == str(int(link.host_clock() * 1000))
    assert r.link.send("x", "recall", 1, 2)
    wait(lambda: ["recall", "1", "2"] in port.asked)
    assert not r.link.send("y", "recall", 1, 2), "no such port"
    # What a board has said, and is sent back to it, need not be fit for a command.
    assert not r.link.send("x", "describe", "a\nb") and not r.link.send("x", "describe", "\ud800")


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
    first = r.state("searching")
    assert "No board is plugged in: waiting" in first.text and first.port is None
    there.append("x")
    r.state("live")
    there.clear()
    port.broken = OSError(errno.EIO, "Input/output error")
    state = r.until(lambda i: isinstance(i, State) and i.state == "lost" and "plug it in again" in i.text)
    assert "keeps counting" in state.text and state.port is None
    assert not r.link.send("x", "hello"), "there is nobody to send to"


def test_whatever_goes_wrong_the_link_goes_on_looking(running: Callable[..., Running]) -> None:
    faults = iter([TypeError("int() argument must be a string, not 'NoneType'"), RuntimeError("odd")])

    def ports() -> list[str]:
        for fault in faults:
            raise fault
        return ["x"]

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


# --- the time ---


def test_the_board_is_told_the_time_again_when_the_hosts_clock_was_set(running: Callable[..., Running]) -> None:
    set_by = [0.0]
    port = Streaming()
    running(opens(port), clock=lambda: 1e9 + time.monotonic() + set_by[0], ticks=time.monotonic, sync=lambda: 0.3)
    wait(lambda: sent(port, "time"))
    time.sleep(0.3)
    assert len(sent(port, "time")) == 1, "and not without a reason"
    set_by[0] = -3600.0
    wait(lambda: len(sent(port, "time")) == 2)
    first, second = sent(port, "time")
    assert int(second[1]) - int(first[1]) == pytest.approx(-3_600_000, abs=5_000)
    assert first[2] == "300"
    set_by[0] = -3600.2  # WORKED: less than the 0.25 s by which a clock counts as set
    time.sleep(0.2)
    assert len(sent(port, "time")) == 2
    assert len(sent(port, "hello")) == 1


@pytest.mark.parametrize(
    ("before_s", "after_s", "says"),
    [
        # WORKED: 10 s is what stands for "nothing disciplines it"; less is told as it is, but at least 20 ms.
        (10.0, 0.004, ["10000", "20"]),
        (0.5, 10.0, ["500", "10000"]),
        (0.5, 0.9, ["500"]),
        (float("nan"), 0.1, ["10000", "100"]),
        (-1.0, -2.0, ["10000"]),
    ],
)
def test_the_board_is_told_when_the_hosts_clock_begins_or_ceases_to_be_disciplined(
    running: Callable[..., Running], monkeypatch: pytest.MonkeyPatch, before_s: float, after_s: float, says: list[str]
) -> None:
    monkeypatch.setattr(link, "_SYNC_EVERY_S", 0.05)
    port, unsure_s = Streaming(), [before_s]
    running(opens(port), sync=lambda: unsure_s[0])
    wait(lambda: sent(port, "time"))
    unsure_s[0] = after_s
    if len(says) > 1:
        wait(lambda: len(sent(port, "time")) == len(says))
    time.sleep(0.25)
    assert [w[2] for w in sent(port, "time")] == says


def test_a_sync_that_fails_is_no_sync_and_a_clock_that_can_not_be_is_not_told(running: Callable[..., Running]) -> None:
    def broken() -> float:
        raise OSError("no such call")

    port, at_s = Streaming(), [-5.0]
    r = running(opens(port), clock=lambda: at_s[0], sync=broken)
    r.state("live")
    time.sleep(0.2)
    assert not sent(port, "time")
    at_s[0] = 1e12  # beyond the year 10000
    time.sleep(0.2)
    assert not sent(port, "time")
    at_s[0] = 1e9
    assert wait(lambda: sent(port, "time"))[0][2] == "10000"


def test_the_time_is_told_anew_now_and_then(running: Callable[..., Running], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link, "_TIME_EVERY_S", 0.1)
    port = Streaming()
    running(opens(port))
    wait(lambda: len(sent(port, "time")) >= 4)


def test_a_line_that_is_held_up_is_not_told_a_time_that_would_be_late(running: Callable[..., Running]) -> None:
    set_by = [0.0]
    port = Streaming()
    r = running(opens(port), clock=lambda: 1e9 + time.monotonic() + set_by[0], ticks=time.monotonic)
    wait(lambda: sent(port, "time"))
    port.silent, port.answer = True, mute
    time.sleep(0.1)
    set_by[0] = 5.0  # which looks like a sleep, too
    r.state("stalled")
    assert len(sent(port, "time")) == 1
    port.silent = False
    wait(lambda: len(sent(port, "time")) == 2)


def test_a_time_that_was_taken_late_is_told_again_but_not_for_ever(
    running: Callable[..., Running], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link, "_LATE_S", 0.1)
    port = Streaming()
    running(opens(port))

    def anchor(n: int) -> bytes:
        return wire.frame(wire.ANCHOR, 7, wire.put_anchor(bytes(4), n, int(sent(port, "time")[n][1]), 20))

    for n in range(4):
        wait(lambda n=n: len(sent(port, "time")) == n + 1)
        time.sleep(0.2)
        port.push(anchor(n))
    time.sleep(0.2)
    assert len(sent(port, "time")) == 4


def test_what_the_kernel_says_of_this_computers_clock() -> None:
    said = link.host_clock()
    assert said == UNSYNCHRONISED_S or 0.02 <= said <= 3600


def test_the_layout_of_timex_is_the_documented_one() -> None:
    at = {name: getattr(link._Timex, name).offset for name in ("status", "maxerror", "time_s", "time_us")}
    if link.ctypes.sizeof(link.ctypes.c_long) == 8:
        # WORKED from struct timex in linux/timex.h: unsigned int, 4 longs, int, 3 longs, timeval, aligned to 8.
        assert at == {"maxerror": 24, "status": 40, "time_s": 72, "time_us": 80}
    # WORKED: 208 bytes with 8-byte longs (20 times 8 up to stbcnt, tai and 11 ints of padding), the kernel's own size.
    assert link.ctypes.sizeof(link._Timex) >= 208


@pytest.mark.skipif(not link.sys.platform.startswith("linux"), reason="adjtimex(2) is Linux's")
def test_adjtimex_fills_in_what_only_the_right_layout_shows() -> None:
    said = link._Timex()
    state = link.ctypes.CDLL(None).adjtimex(link.ctypes.byref(said))
    assert state >= 0 and abs(said.time_s - time.time()) <= 2
    # PRINTED, adjtimex(2): TIME_OK 0 to TIME_ERROR 5; tolerance is 32768000, 500 ppm in units of 2**-16 ppm.
    assert 0 <= state <= 5 and said.tolerance == 500 << 16


@pytest.mark.parametrize(
    ("state", "status", "maxerror_us", "unsure_s"),
    [
        # PRINTED, adjtimex(2): 5 TIME_ERROR, 0x40 STA_UNSYNC, 0x2001 STA_PLL and STA_NANO, maxerror in microseconds.
        (0, 0x2001, 312_500, 0.3125),
        (1, 0x2001, 500, 0.02),
        (5, 0x2001, 500, 10.0),
        (0, 0x2041, 500, 10.0),
        (-1, 0, 0, 10.0),
        (0, 0, -7, 10.0),
    ],
)
def test_when_a_clock_counts_as_disciplined(state: int, status: int, maxerror_us: int, unsure_s: float) -> None:
    assert link._unsure_of(state, status, maxerror_us) == unsure_s


def test_a_system_without_such_a_call_is_not_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link.sys, "platform", "win32")
    assert link.host_clock() == UNSYNCHRONISED_S
    monkeypatch.setattr(link.sys, "platform", "linux")

    class Without:
        def __init__(self, *_: Any, **__: Any) -> None:
            pass

    monkeypatch.setattr(link.ctypes, "CDLL", Without)
    assert link.host_clock() == UNSYNCHRONISED_S
    monkeypatch.undo()
    monkeypatch.setattr(link.time, "time", lambda: 12.0)  # a layout that is not ours would show a strange time
    assert link.host_clock() == UNSYNCHRONISED_S


# --- sleep ---


def test_after_a_sleep_that_stopped_all_clocks_but_the_wall_the_board_is_greeted_and_told_the_time(
    running: Callable[..., Running],
) -> None:
    slept = [0.0]
    port = Streaming()
    r = running(opens(port), clock=lambda: 1e9 + time.monotonic() + slept[0], ticks=time.monotonic, sync=lambda: 0.02)
    wait(lambda: sent(port, "time"))
    r.state("live")
    slept[0] = 7200.0
    again = r.until(lambda i: isinstance(i, Hello) and i.again)
    wait(lambda: len(sent(port, "time")) == 2)
    first, second = sent(port, "time")
    assert int(second[1]) - int(first[1]) == pytest.approx(7_200_000, abs=5_000) and again.info == INFO
    assert not [i for i in r.said if isinstance(i, State) and i.state != "live"], "nothing has broken"


def test_after_a_sleep_in_which_the_port_died_the_board_is_found_under_its_new_name(
    running: Callable[..., Running],
) -> None:
    slept = [0.0]
    there = ["old"]
    ports = {"old": Streaming(), "new": Streaming()}
    clock = {"clock": lambda: 1e9 + time.monotonic() + slept[0], "ticks": time.monotonic}
    r = running(lambda name: ports[name], lambda: list(there), **clock)
    r.state("live", "old")
    ports["old"].silent, ports["old"].answer = True, mute  # neither bytes nor an error, as after some suspends
    slept[0] = 30_000.0
    there[:] = ["new"]
    new = r.until(lambda i: isinstance(i, Hello) and i.port == "new")
    # In this order, so that the end of the old line is not taken for that of the new one.
    lost = [i for i in r.said if isinstance(i, State) and (i.state, i.port) == ("lost", "old")]
    assert lost and r.said.index(lost[0]) < r.said.index(new)
    r.state("live", "new")
    wait(lambda: sent(ports["new"], "time"))
    assert int(sent(ports["new"], "time")[0][1]) > (1e9 + 30_000) * 1000
    wait(lambda: ports["old"].closed)
    assert r.link.send("new", "health") and not r.link.send("old", "health")


def test_a_pause_of_the_program_is_not_held_against_the_board(
    running: Callable[..., Running], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link, "_PAUSE_S", 0.4)
    monkeypatch.setattr(link, "_GIVE_UP_S", 0.6)
    port = Streaming()
    r = running(opens(port))
    r.state("live")
    read = Port.read
    paused = threading.Event()

    def sleepy(self: Port, n: int) -> bytes:
        if not paused.is_set():
            paused.set()
            time.sleep(1.0)
            return b""
        return read(self, 4096)

    monkeypatch.setattr(Port, "read", sleepy)
    wait(lambda: len(sent(port, "hello")) == 2)
    wait(lambda: len(sent(port, "time")) == 2)
    assert not port.closed


# --- many ports ---


def test_every_port_has_its_own_board_and_gets_its_own_commands(running: Callable[..., Running]) -> None:
    def as_device(name: str) -> Callable[[list[str]], bytes]:
        return lambda words: info_frames(INFO | {"device": name}) if words[0] == "hello" else b""

    ports = {name: Streaming(as_device(name)) for name in ("a", "b", "c")}
    r = running(lambda name: ports[name], lambda: [*ports, "a"])
    for name in ports:
        hello = r.until(lambda i, name=name: isinstance(i, Hello) and i.port == name)
        assert hello.info["device"] == name
        arrived = r.until(lambda i, name=name: isinstance(i, Arrived) and i.port == name)
        assert arrived.frames
    assert r.link.send("b", "recall", 3, 4)
    wait(lambda: sent(ports["b"], "recall"))
    assert not sent(ports["a"], "recall") and not sent(ports["c"], "recall")
    assert len(threads()) == 4
    ports["b"].broken = OSError(errno.EIO, "Input/output error")
    assert "board on b broke" in r.state("lost", "b").text
    seen = len(r.said)
    r.until(lambda i: isinstance(i, Arrived) and i.port == "a")
    assert not [i for i in r.said[seen:] if isinstance(i, State) and i.port in ("a", "c")]


def test_a_port_that_hangs_while_it_opens_holds_up_nothing_and_is_said(
    running: Callable[..., Running], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link, "_OPENING_S", 0.2)
    release, there = threading.Event(), ["bad", "good"]
    good, bad = Streaming(), [Streaming(), Streaming()]
    tried: list[str] = []

    def opened(name: str) -> Port:
        tried.append(name)
        if name == "good":
            return good
        if tried.count("bad") == 1:
            release.wait(30)
            return bad[0]
        return bad[1]

    r = running(opened, lambda: list(there))
    r.state("live", "good")
    state = r.state("searching", "bad")
    assert "bad has been opening for" in state.text and "unplug" in state.text
    assert tried.count("bad") == 1
    there.remove("bad")  # pulled, and plugged in again: another opening need not wait for the first
    wait(lambda: "bad" not in r.link._lines)
    there.append("bad")
    r.state("live", "bad")
    release.set()
    wait(lambda: bad[0].closed)
    wait(lambda: len(threads()) == 3)
    assert not bad[1].closed and not bad[0].asked, "the late one was closed without a word"


def test_a_port_that_hangs_again_and_again_does_not_collect_threads(
    running: Callable[..., Running], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link, "_OPENING_S", 0.02)
    release, n = threading.Event(), [0]

    def opened(name: str) -> Port:
        release.wait(30)
        raise SerialException("gone")

    def ports() -> list[str]:
        n[0] += 1
        return ["bad"] if n[0] % 10 else []

    r = running(opened, ports)
    wait(lambda: n[0] > 120)
    # WORKED: at most 4 that hang, and the look-out.
    assert len(threads()) == 5
    release.set()
    r.link.close()
    wait(lambda: not threads())


@pytest.mark.parametrize("hangs", ["open", "read"])
def test_closing_takes_less_than_5_s_whatever_hangs_and_nothing_is_said_after(
    running: Callable[..., Running], hangs: str
) -> None:
    release = threading.Event()
    port = Streaming()
    calls = [0]

    def opened(name: str) -> Port:
        if hangs == "open":
            release.wait(30)
        return port

    if hangs == "read":

        def read(n: int) -> bytes:
            calls[0] += 1
            if calls[0] > 20:
                release.wait(30)
                return wire.frame(wire.PULSE, 1, b"")
            return Streaming.read(port, n)

        port.read = read  # type: ignore[method-assign]
    r = running(opened)
    wait(lambda: calls[0] > 20 if hangs == "read" else r.link._lines)
    began = time.monotonic()
    r.link.close()
    # Contract with the program that ends: 5 s.
    assert time.monotonic() - began < 5
    while not r.queue.empty():
        r.queue.get()
    assert all(t.daemon for t in threading.enumerate() if t.name.startswith("link"))
    release.set()
    wait(lambda: not threads())
    assert r.queue.empty() and (hangs == "open" or port.closed) and not r.link.send("x", "hello")


def test_a_line_that_takes_nothing_does_not_hold_up_who_sends_to_it(running: Callable[..., Running]) -> None:
    release = threading.Event()
    port = Streaming()
    r = running(opens(port))
    r.state("live")
    write = port.write

    def blocked(data: bytes) -> None:
        release.wait(30)
        write(data)

    port.write = blocked  # type: ignore[method-assign]
    began = time.monotonic()
    taken = sum(r.link.send("x", "held", i, 0, 0) for i in range(1000))
    assert time.monotonic() - began < 2
    # WORKED: 100 wait; a few may have been taken over before the line was full.
    assert 100 <= taken < 120
    release.set()
    wait(lambda: len(sent(port, "held")) == taken)
    assert [w[1] for w in sent(port, "held")] == [str(i) for i in range(taken)]


def test_garbage_for_ever_is_no_board_costs_no_memory_and_holds_up_nothing(running: Callable[..., Running]) -> None:
    class Garbage(Port):
        def read(self, n: int) -> bytes:
            return bytes(range(256)) * 16

    bad, good = Garbage(mute), Streaming()
    r = running({"bad": bad, "good": good}.__getitem__, lambda: ["bad", "good"])
    r.state("live", "good")
    assert "does not answer" in r.state("searching", "bad").text
    wait(lambda: bad.closed)
    assert not [i for i in r.said if isinstance(i, Arrived) and i.port == "bad"]


def test_200_plug_cycles_leave_no_threads_and_no_notes_behind(running: Callable[..., Running]) -> None:
    there: list[str] = []
    stay = Streaming()
    ports: dict[str, Port] = {"stay": stay}
    r = running(lambda name: ports[name], lambda: ["stay", *there])
    r.state("live", "stay")
    for i in range(200):
        name = f"p{i}"
        ports[name] = Streaming()
        there.append(name)
        r.state("live", name)
        there.clear()
        ports[name].broken = SerialException("device reports readiness to read but returned no data")
        r.state("lost", name)
    wait(lambda: len(threads()) == 2)
    wait(lambda: set(r.link._said) <= {"stay"} and not r.link._not_before and not r.link._failures)
    assert not [i for i in r.said if isinstance(i, State) and i.port == "stay"] and not stay.closed
    r.link.close()
    assert not threads()


def test_failures_are_tried_again_ever_less_often_and_at_once_when_plugged_in_anew(
    running: Callable[..., Running], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link, "_FAILED_MOST_S", 0.3)
    tried: list[float] = []
    there = ["x"]

    def opened(name: str) -> Port:
        tried.append(time.monotonic())
        raise SerialException(errno.EACCES, "could not open port x: [Errno 13] Permission denied: 'x'")

    r = running(opened, lambda: list(there))
    assert "No permission" in r.state("searching").text
    wait(lambda: len(tried) >= 8)
    assert tried[-1] - tried[-2] >= 0.3 and tried[1] - tried[0] < 0.3
    there.clear()
    assert r.state("searching").port is None
    count = len(tried)
    there.append("x")
    wait(lambda: len(tried) >= count + 2)


def test_a_port_that_was_not_a_boards_and_goes_is_said_to_have_gone(running: Callable[..., Running]) -> None:
    there = ["good", "bad"]

    def opened(name: str) -> Port:
        if name == "good":
            return good
        raise SerialException(errno.EBUSY, "could not open port: [Errno 16] Device or resource busy")

    good = Streaming()
    r = running(opened, lambda: list(there))
    r.state("searching", "bad")
    there.remove("bad")
    assert r.state("searching", "bad").text == "bad has gone."


# --- at the prompt ---


class Prompt(Port):
    """As MicroPython's prompt: echoes, ends a line only at a carriage return, and complains of what is no Python."""

    def write(self, data: bytes) -> None:
        for line in data.decode().split("\n"):
            if line != "\r":
                self.asked.append([line])
                self.push(line.encode())
            else:
                text = "".join(words[0] for words in self.asked)
                self.push(f'\r\n  File "<stdin>", line 1\r\nSyntaxError: invalid syntax: {text}\r\n>>> '.encode())


def test_a_board_at_its_prompt_is_refused_in_words(running: Callable[..., Running]) -> None:
    state = running(opens(Prompt(mute))).state("refused")
    assert state.port == "x" and "prompt" in state.text and "unplug it and plug it in again" in state.text
    assert "ampledger board update --serial x" in state.text


def test_what_echoes_and_has_no_prompt_is_a_stranger(running: Callable[..., Running]) -> None:
    class Echo(Port):
        def write(self, data: bytes) -> None:
            self.push(data.rstrip(b"\n"))

    r = running(opens(Echo(mute)))
    assert "does not answer as an ampledger board" in r.state("searching").text


def test_a_board_that_falls_back_to_its_prompt_is_said_so(running: Callable[..., Running]) -> None:
    port = Streaming()
    r = running(opens(port))
    r.state("live")
    port.silent = True
    port.push(wire.frame(wire.READING, 5, bytes(100))[:60])  # in the middle of a frame
    port.write = Prompt.write.__get__(port)  # type: ignore[method-assign]
    assert "prompt" in r.state("refused").text


# --- anything on the line ---


def test_whatever_a_board_sends_the_link_neither_fails_nor_stays_away(running: Callable[..., Running]) -> None:
    chance = random.Random(4)
    whole = [
        wire.frame(wire.READING, 1, bytes(wire.READING_SIZE)),
        wire.frame(wire.ANCHOR, 2, wire.put_anchor(bytes(4), 2**39, 2**47, 2**32 - 1)),
        wire.frame(wire.ANCHOR, 2, b"\xff" * wire.ANCHOR_SIZE),
        wire.frame(wire.REPLY, 3, b"\x00\x01" + b"[" * 100),
        wire.frame(wire.INFO, 4, b"\x00\x01null"),
        wire.frame(wire.INFO, 4, b"\x05\x02"),
        wire.frame(99, 4, b""),
        wire.frame(wire.PULSE, 200, b""),
        info_frames({"app": "ampledger", "device": 1e308, "boot": [[]]}),
        info_frames({"app": ["ampledger"]}),
        b"Traceback (most recent call last):\r\n  nothing of the kind\r\n>>> ",
        b"hello;3610a686",
        b"\0\0\0",
    ]

    def said(words: list[str]) -> bytes:
        if words[0] != "hello":
            return b""
        noise = b""
        for _ in range(30):
            piece = bytearray(chance.choice(whole))
            if chance.random() < 0.5:
                piece[chance.randrange(len(piece))] = chance.randrange(256)
            noise += piece + bytes(
                chance.randrange(256) for _ in range(chance.randrange(40) if chance.random() < 0.3 else 0)
            )
        return noise + b"\0" + info_frames(INFO)

    ports: list[Port] = []

    def opened(name: str) -> Port:
        ports.append(Port(said))
        return ports[-1]

    r = running(opened)
    for n in range(1, 60):
        wait(lambda n=n: len(ports) == n)
        r.until(lambda i: isinstance(i, Hello) and i.info == INFO)
        assert not [i for i in r.said if isinstance(i, State) and "fault" in i.text.lower()], r.said
        r.said.clear()
        ports[-1].broken = OSError(errno.EIO, "Input/output error")
    assert sum(len(p.asked) for p in ports) < 60 * 100
