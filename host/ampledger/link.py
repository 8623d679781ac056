"""
The serial lines to the boards.

In: ports. Out: frames, in one queue, and what happened on each line. It finds
boards by asking and reading the answer, acknowledges what it took in, gives
the boards the time and how far that may be off, and comes back by itself after
whatever happened to a cable or to this computer. Each port has a thread of its
own, so none waits for another. It concludes nothing from the frames it passes
on.

Which ports are asked matters in a radio station: opening a serial port raises
DTR and RTS for a moment, and on a port that keys a transmitter that means
sending. So only ports that belong to a board of the kinds we run on are asked
by themselves; any other port is opened only when it is named.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import queue
import stat
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import serial
from serial.tools import list_ports

from ampledger import wire
from ampledger.decode import Decoder, Frame, Parts
from ampledger.errors import FrameError, LinkError, plain

# USB vendor ids of the makers of boards that run MicroPython's own USB stack:
# 2E8A Raspberry Pi, F055 MicroPython (from memory).
_BOARDS = (0x2E8A, 0xF055)
_BAUD = 115_200  # means nothing on USB; never 1200, which tells some boards to start their loader
_ASK_S = 2.0  # a board may just be starting
_IDLE_S = 0.5
_STALL_S = 3.0
_GIVE_UP_S = 8.0
_GONE_S = 1.0  # a port that is not listed any more and silent for so long is dead
_PAUSE_S = 3.0  # a turn that took longer: this program or computer slept; the board takes a host for gone by then
_TIME_EVERY_S = 600.0
_SYNC_EVERY_S = 2.0
_SET_S = 0.25  # a host clock that moved by more than this was set
_LATE_S = 1.0  # a `time` that was answered later than this may have reached the board late as well
_LATE_TRIES = 3
_AGAIN_S = 0.5
_FAILED_MOST_S = 2.0
_STRANGER_MOST_S = 20.0
_KNOWN_AGAIN_S = 3.0
_REFUSED_S = 10.0
_HELLO_AGAIN_S = 0.7
_OPENING_S = 3.0  # opening a port that works takes milliseconds
_STUCK = 4  # openings of one port that never came back, before it is left alone
_EARLY = 64  # frames kept until the board has said what it is; it sends no more than a few before
_UNSENT = 100  # commands that wait for one line
_CLOSE_S = 4.0

# The board makes an anchor within its turn, a USB frame or two after we said `time`. [s]
_LEAST_UNSURE_S = 0.02
# What a clock is taken to be off by that nothing disciplines. Common practice, no source: a field laptop's clock
# after some weeks.
UNSYNCHRONISED_S = 10.0
_MOST_UNIX_MS = 253_402_300_800_000  # the year 10000: from there on no clock
_MOST_UNSURE_MS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class State:
    """
    How a line is: "searching", "live", "stalled", "lost", "refused"; and a sentence for the operator.

    `port` is None when there is no port to ask at all.
    """

    state: str
    text: str
    port: str | None = None


@dataclass(frozen=True, slots=True)
class Arrived:
    """Frames of one read, the host's clock when they came, counts of that line so far, and its port."""

    at_s: float
    frames: tuple[Frame, ...]
    bad: int
    console: tuple[str, ...]
    port: str = ""


@dataclass(frozen=True, slots=True)
class Hello:
    """A board answered; `info` is what it said of itself, `again` whether it had on this connection before."""

    at_s: float
    info: dict[str, Any]
    port: str
    again: bool


def board_ports(every: bool = False) -> list[str]:
    """
    Serial ports that belong to a board of a kind we run on.

    every : all serial ports there are. Opening one can key a transmitter that is wired to it: only for whoever asks.
    """
    try:
        return [p.device for p in list_ports.comports() if every or p.vid in _BOARDS]
    except (OSError, TypeError, ValueError):
        return []  # pyserial stumbles over a port that goes away while it is looked at; the next look sees it gone


# --- how far this computer's clock may be off ---


class _Timex(ctypes.Structure):
    """
    The beginning of `struct timex`, up to `time` on Linux (linux/timex.h, adjtimex(2)) and up to `tolerance` on macOS
    (sys/timex.h, from memory); what follows is room, more than either has.
    """

    _fields_ = [
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("constant", ctypes.c_long),
        ("precision", ctypes.c_long),
        ("tolerance", ctypes.c_long),
        ("time_s", ctypes.c_long),
        ("time_us", ctypes.c_long),
        ("room", ctypes.c_char * 432),
    ]


_STA_UNSYNC = 0x0040
_TIME_ERROR = 5


def host_clock() -> float:
    """
    How far this computer's clock may be off, as its kernel's time discipline says. [s]

    UNSYNCHRONISED_S where nothing disciplines it, or where that can't be asked.
    """
    try:
        return _kernel_says(sys.platform)
    except Exception:
        return UNSYNCHRONISED_S  # no such call here, or one that we don't understand


def _kernel_says(platform: str) -> float:
    linux = platform.startswith("linux")
    if not linux and platform != "darwin":
        return UNSYNCHRONISED_S
    libc = ctypes.CDLL(None, use_errno=True)
    call = libc.adjtimex if linux else libc.ntp_adjtime
    call.argtypes, call.restype = [ctypes.POINTER(_Timex)], ctypes.c_int
    said = _Timex()  # modes 0: only asks
    state = call(ctypes.byref(said))
    # Where it fills in the time, that proves the layout: fields before it lie where we read them.
    if linux and abs(said.time_s - time.time()) > 2.0:
        return UNSYNCHRONISED_S
    return _unsure_of(state, said.status, said.maxerror)


def _unsure_of(state: int, status: int, maxerror_us: int) -> float:
    if state < 0 or state == _TIME_ERROR or status & _STA_UNSYNC or maxerror_us < 0:
        return UNSYNCHRONISED_S
    return max(_LEAST_UNSURE_S, maxerror_us * 1e-6)


# --- opening a port ---


def _group_hint(port: str) -> str:
    """Linux: which group may open it."""
    try:
        import grp

        there = os.stat(port)
        group = grp.getgrgid(there.st_gid)
    except (ImportError, OSError, KeyError):
        return (
            "add yourself to the group that owns it (often dialout or uucp: sudo usermod -aG dialout $USER), "
            "then log in again"
        )
    if there.st_gid == 0 or there.st_mode & 0o060 != 0o060:
        return "only its owner may open it; the rule (udev) that gives serial ports to a group is missing for it"
    user = os.environ.get("USER", "")
    if user and user in group.gr_mem:
        return f"you are in its group {group.gr_name}, but not since this login: log out and in again"
    return f"it belongs to the group {group.gr_name}: sudo usermod -aG {group.gr_name} $USER, then log in again"


def _holders(port: str) -> list[str]:
    """Linux: programs that have it open, as far as we may see: names with their process numbers."""
    found = []
    with contextlib.suppress(OSError):
        real = os.path.realpath(port)
        for pid in (name for name in os.listdir("/proc") if name.isdigit()):
            with contextlib.suppress(OSError):
                if any(_leads_to(f"/proc/{pid}/fd/{fd}", real) for fd in os.listdir(f"/proc/{pid}/fd")):
                    with open(f"/proc/{pid}/comm", encoding="utf-8", errors="replace") as f:
                        name = plain(f.read().strip(), 40)
                    found.append("this program itself" if int(pid) == os.getpid() else f"{name}, process {pid}")
    return found[:3]


def _leads_to(link: str, real: str) -> bool:
    try:
        return os.readlink(link) == real
    except OSError:
        return False


def _no_port(port: str) -> str:
    """What a name stands for that is there and no serial port, "" if it may be one."""
    if sys.platform == "win32":
        return ""  # looking at a port there may open it
    try:
        mode = os.stat(port).st_mode
    except (OSError, ValueError):
        return ""
    if stat.S_ISDIR(mode):
        return "a folder"
    if stat.S_ISREG(mode):
        return "a file"
    return "" if stat.S_ISCHR(mode) else "something else"


def why_not(port: str, error: BaseException) -> str:
    """What a failed opening means, and what to do, in words."""
    number = getattr(error, "errno", None)
    text = str(error)
    other = _no_port(port)
    if other or number == errno.ENOTTY or "Inappropriate ioctl" in text or "(25," in text:
        return (
            f"{port} is no serial port{', it is ' + other if other else ''}: "
            "`ampledger board list` shows those that boards are on."
        )
    if "not functioning" in text:  # Windows reports it as a lack of permission (from memory)
        return f"{port} is there but does not work: unplug the board and plug it in again."
    if number in (errno.EACCES, errno.EPERM) or "ermission" in text or "Access is denied" in text:
        if sys.platform.startswith("linux"):
            hint = _group_hint(port)
        elif sys.platform == "darwin":
            hint = "close other programs that use it and plug the board in again"
        else:
            hint = "another program has it open: close that one"
        return f"No permission to open {port}: {hint}.{_mac_hint(port)}"
    if number == errno.EBUSY or "exclusively lock" in text or "Resource busy" in text:
        holders = _holders(port) if sys.platform.startswith("linux") else []
        who = f" ({'; '.join(holders)})" if holders else ""
        hint = (
            " ModemManager looks at a port for some seconds when it is plugged in; that passes."
            if sys.platform.startswith("linux") and not holders
            else ""
        )
        return f"{port} is in use by another program{who}: close that one.{hint}{_mac_hint(port)}"
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV) or "No such file" in text or "FileNotFound" in text:
        return f"{port} is not there: is the cable in?"
    return f"{port} can't be opened ({plain(text)}).{_mac_hint(port)}"


def _mac_hint(port: str) -> str:
    if sys.platform == "darwin" and port.startswith("/dev/tty."):
        return f" On a Mac the port to name is /dev/cu.{port.removeprefix('/dev/tty.')}."
    return ""


def opened(port: str) -> Any:
    """
    The port, open: DTR on, which tells the board that somebody listens, RTS off.

    Raises SerialException, OSError or ValueError.
    """
    handle = serial.serial_for_url(port, do_not_open=True)
    handle.baudrate = _BAUD
    handle.timeout = 0.05
    handle.write_timeout = 2.0
    if "://" not in port and sys.platform != "win32":
        handle.exclusive = True
    handle.dtr = True
    handle.rts = False
    try:
        handle.open()
    except (OSError, ValueError):
        raise
    except Exception as e:
        # termios.error, which is none of these, when the cable is pulled in the middle of it.
        raise serial.SerialException(f"{type(e).__name__}: {e}") from e
    return handle


def _opened_soon(port: str) -> Any:
    """As `opened`, but a port that hangs is given up. Raises also LinkError."""
    done: list[Any] = []
    given_up = threading.Event()

    def work() -> None:
        try:
            result = opened(port)
        except BaseException as e:
            result = e
        done.append(result)
        if given_up.is_set() and not isinstance(result, BaseException):
            with contextlib.suppress(Exception):
                result.close()

    thread = threading.Thread(target=work, name=f"open {port}", daemon=True)
    thread.start()
    thread.join(_OPENING_S)
    if not done:
        given_up.set()
        raise LinkError(_hangs(port))
    if isinstance(done[0], BaseException):
        raise done[0]
    return done[0]


def _hangs(port: str) -> str:
    return (
        f"{port} has been opening for {_OPENING_S:.0f} s and does not get ready: close other programs that use it, "
        "unplug the board and plug it in again."
    )


def ask(port: str, wait_s: float = _ASK_S) -> dict[str, Any]:
    """
    What the board on a port says of itself, its INFO.

    Raises LinkError saying why there is none, and what to do.
    """
    try:
        handle = _opened_soon(port)
    except (serial.SerialException, OSError, ValueError) as e:
        raise LinkError(why_not(port, e)) from e
    decoder, parts = Decoder(), Parts()
    try:
        until = time.monotonic() + wait_s
        again = 0.0
        while time.monotonic() < until:
            if time.monotonic() > again:
                again = time.monotonic() + _HELLO_AGAIN_S
                handle.write(wire.command("hello"))
            for frame in decoder.feed(handle.read(handle.in_waiting or 1)):
                handle.write(wire.command("ok", frame.tx))
                if frame.kind == wire.INFO:
                    again = time.monotonic() + _HELLO_AGAIN_S  # a new hello would begin it anew
                info = parts.add(frame.payload) if frame.kind == wire.INFO else None
                if info is not None and info.get("app") == "ampledger":
                    return info
    except FrameError as e:
        raise LinkError(f"{port}: {e}") from e
    except (serial.SerialException, OSError) as e:
        raise LinkError(f"The line to {port} broke ({type(e).__name__}): is the cable in?") from e
    finally:
        with contextlib.suppress(Exception):
            handle.close()
    text = decoder.printed()
    said = f" It printed: {text[-300:]!r}." if text else ""
    raise LinkError(f"{port} does not answer as an ampledger board: is the firmware on it and running?{said}")


class _Prompt:
    """
    Tells MicroPython's prompt by how it answers: it echoes what we say, takes only a carriage return for the end of a
    line, and ends every answer with `>>> `. (From memory, and as our bench does it; an empty line is nothing to the
    firmware.)
    """

    _ECHO = wire.command("hello").rstrip(b"\n")

    def __init__(self) -> None:
        self._tail = b""
        self.seen = False

    def heard(self, data: bytes) -> bytes:
        """Take in what has come; returns what to write in order to find out."""
        self._tail = (self._tail + data)[-100:]
        if self._tail.endswith(self._ECHO):
            self._tail = b""
            return b"\r"
        self.seen = self.seen or self._tail.endswith(b">>> ")
        return b""


def _there(port: str) -> bool:
    """Whether a port that is named by its device file has one."""
    return not port.startswith("/") or os.path.exists(port)


class Links:
    """
    Keeps every board connected that is on one of the ports.

    ports : gives the ports to ask, each time anew.
    out : where State, Hello and Arrived of all lines go.
    clock : the host's UTC. [s]
    ticks : a clock of the same pace that nobody sets; by comparing both it is
        seen when the host's clock was set. [s]
    sync : how far `clock` may be off. [s]
    """

    def __init__(
        self,
        ports: Callable[[], list[str]],
        out: queue.Queue[State | Hello | Arrived],
        clock: Callable[[], float] = time.time,
        ticks: Callable[[], float] = time.monotonic,
        sync: Callable[[], float] = host_clock,
    ) -> None:
        self._ports, self._out = ports, out
        self.clock, self.ticks, self.sync = clock, ticks, sync
        self._stop = threading.Event()
        self._lock = threading.Lock()
        # All below: by port, under the lock.
        self._lines: dict[str, _Line] = {}
        self._stuck: list[_Line] = []  # given up, but their opening has not come back yet
        self._said: dict[str | None, State] = {}
        self._not_before: dict[str, float] = {}
        self._failures: dict[str, int] = {}
        self._known: set[str] = set()
        self._listed: list[str] = []
        self._thread = threading.Thread(target=self._run, name="links", daemon=True)

    def start(self) -> None:
        """Begin to look for boards."""
        self._thread.start()

    def close(self) -> None:
        """
        Let go of all ports; nothing is said afterwards. Takes less than 5 s.

        A thread that the system holds in an opening or a read ends when that comes back.
        """
        self._stop.set()
        until = time.monotonic() + _CLOSE_S
        if self._thread.is_alive():
            self._thread.join(_CLOSE_S)
        with self._lock:
            lines = [*self._lines.values(), *self._stuck]
        for line in lines:
            line.wake()
        for line in lines:
            with contextlib.suppress(RuntimeError):  # not begun yet: it will see that it need not
                line.thread.join(max(0.0, until - time.monotonic()))
        with self._lock:
            for line in lines:
                line.dropped = True

    def refuse(self, port: str) -> None:
        """
        Leave the board on a port alone for a while: its frames are acknowledged here and taken by nobody, and a board
        that is listened to keeps no log.
        """
        with self._lock:
            line = self._lines.get(port)
        if line is not None:
            line.refused = True

    def send(self, port: str, verb: str, *args: object) -> bool:
        """
        Have a command sent to the board on a port, soon; it never waits for the line.

        False when there is no board there, when too many commands wait already, or when the words can't be sent
        (they may stem from a board).
        """
        with self._lock:
            line = self._lines.get(port)
        try:
            data = wire.command(verb, *args)
        except (wire.WireError, ValueError):
            return False
        return line is not None and line.send(data)

    # --- the look-out ---

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self._look()
            except Exception as e:
                # Whatever it was, a board that is plugged in again must be found again.
                fault = f"A fault in looking for the board ({type(e).__name__}: {plain(e)}); trying again."
                with self._lock:
                    self._put(State("lost" if self._known else "searching", fault))
            self._stop.wait(_AGAIN_S)

    def _look(self) -> None:
        """Every port once: whether it is to be asked, whether it has gone."""
        ports = list(dict.fromkeys(self._ports()))
        now = time.monotonic()
        new = []
        with self._lock:
            self._listed = ports
            self._stuck = [line for line in self._stuck if line.thread.is_alive()]
            for port, line in list(self._lines.items()):
                line.listed = port in ports and _there(port)
                opening = line.opening_for(now)
                if opening > _OPENING_S:
                    self._put(State("lost" if port in self._known else "searching", _hangs(port), port))
                    if not line.listed:
                        # Pulled while it hangs: what is plugged in next must not wait for it.
                        line.dropped = True
                        self._stuck.append(line)
                        del self._lines[port]
            self._forget(ports)
            if not ports and not self._lines:
                was = "It keeps counting as long as it has power; plug it in again."
                self._put(
                    State("lost", f"No board is plugged in. {was}")
                    if self._known
                    else State("searching", "No board is plugged in: waiting for one.")
                )
            elif ports:
                self._said.pop(None, None)
            for port in ports:
                hang = sum(line.port == port for line in self._stuck)
                if port not in self._lines and now >= self._not_before.get(port, 0.0) and hang < _STUCK:
                    self._lines[port] = line = _Line(self, port, self._stop)
                    new.append(line)
        for line in new:
            try:
                line.thread.start()
            except RuntimeError:  # no more threads to be had
                self.ended(line, _AGAIN_S)
                raise

    def _forget(self, ports: list[str]) -> None:
        """Ports that are neither listed nor open: if they come back, it is from the beginning."""
        for port in [p for p in self._said if p is not None and p not in ports and p not in self._lines]:
            if self._said[port].state != "lost" and ports:
                self._put(State("lost" if port in self._known else "searching", f"{port} has gone.", port))
            del self._said[port]
        for kept in (self._not_before, self._failures):
            for port in [p for p in kept if p not in ports and p not in self._lines]:
                del kept[port]

    # --- for the lines ---

    def _put(self, item: State) -> None:
        if item != self._said.get(item.port):
            self._said[item.port] = item
            self._out.put(item)

    def say(self, line: _Line, state: str, text: str) -> None:
        """A line has changed; `state` "?" is "lost" for a port that had a board, else "searching"."""
        with self._lock:
            if line.dropped:
                return
            if state == "live":
                self._known.add(line.port)
                self._failures.pop(line.port, None)
            if state == "?":
                state = "lost" if line.port in self._known else "searching"
            self._put(State(state, text, line.port))

    def put(self, line: _Line, item: Hello | Arrived) -> None:
        """Something has come over a line."""
        with self._lock:
            if line.dropped:
                return
            if isinstance(item, Hello):
                line.device = str(item.info.get("device"))[:100]
                for other in self._lines.values():
                    if other is not line and other.device == line.device and not other.listed:
                        # The same board under a new name, as after a sleep: the old line ends before that begins.
                        self._put(State("lost", f"The board is not on {other.port} any more.", other.port))
                        other.dropped = True
            self._out.put(item)

    def again_after(self, line: _Line, why: str) -> float:
        """How long a port is left in peace after it failed, by why: "closed", "stranger"."""
        with self._lock:
            failures = self._failures[line.port] = self._failures.get(line.port, 0) + 1
            soon = _AGAIN_S * 2.0 ** min(failures - 1, 10)
            if why == "closed":
                return min(soon, _FAILED_MOST_S)
            if line.port in self._known:
                return min(2 * soon, _KNOWN_AGAIN_S)
            # One port alone has been named, or is the only candidate: it may be a board that takes long to start.
            return min(2 * soon, _STRANGER_MOST_S if len(self._listed) > 1 else 2 * _AGAIN_S)

    def ended(self, line: _Line, again_s: float) -> None:
        """A conversation is over."""
        with self._lock:
            if self._lines.get(line.port) is line:
                del self._lines[line.port]
                self._not_before[line.port] = time.monotonic() + again_s


class _Line:
    """
    One port from its opening to its break, in a thread of its own.

    The handle is written and read by that thread alone; others leave commands in a queue and wake it.
    """

    def __init__(self, links: Links, port: str, stop: threading.Event) -> None:
        self._links, self.port, self._stop = links, port, stop
        self.dropped = False  # nothing of it counts any more
        self.refused = False  # nobody wants what it sends
        self.listed = True
        self.device: str | None = None
        self.thread = threading.Thread(target=self._run, name=f"link {port}", daemon=True)
        self._lock = threading.Lock()  # of the handle's existence, and of what waits to be sent
        self._handle: Any = None
        self._unsent: deque[bytes] = deque()
        self._ours = False
        self._opening_since: float | None = time.monotonic()

    # --- for others ---

    def opening_for(self, now: float) -> float:
        """How long it has been opening by now; 0 when it is open. [s]"""
        since = self._opening_since
        return 0.0 if since is None else now - since

    def send(self, data: bytes) -> bool:
        """Put a command behind those that wait."""
        with self._lock:
            if not self._ours or len(self._unsent) >= _UNSENT:
                return False
            self._unsent.append(data)
        self.wake()
        return True

    def wake(self) -> None:
        """End a read that waits for bytes, where the port can do that."""
        with self._lock:
            cancel = getattr(self._handle, "cancel_read", None)
            if cancel is not None and sys.platform != "win32":
                with contextlib.suppress(Exception):
                    cancel()

    # --- its thread ---

    def _run(self) -> None:
        again_s = _AGAIN_S
        try:
            again_s = self._open_and_talk()
        except (serial.SerialException, OSError) as e:
            board = f"the board on {self.port}" if self._ours else self.port
            after = " It keeps counting; looking for it." if self._ours else ""
            self._links.say(self, "?", f"The line to {board} broke ({type(e).__name__}): is the cable in?{after}")
        except Exception as e:
            fault = f"A fault in talking to {self.port} ({type(e).__name__}: {plain(e)}); trying again."
            self._links.say(self, "?", fault)
        finally:
            with self._lock:
                handle, self._handle, self._ours = self._handle, None, False
            if handle is not None:
                # What could not be sent would hold up the closing (on Linux for up to 30 s).
                with contextlib.suppress(Exception):
                    handle.reset_output_buffer()
                with contextlib.suppress(Exception):
                    handle.close()
            self._links.ended(self, again_s)

    def _open_and_talk(self) -> float:
        """Returns after how many seconds the port is to be asked again."""
        if self._stop.is_set():
            return _AGAIN_S
        try:
            handle = opened(self.port)
        except (serial.SerialException, OSError, ValueError) as e:
            self._links.say(self, "?", why_not(self.port, e))
            gone = getattr(e, "errno", None) in (errno.ENOENT, errno.ENXIO, errno.ENODEV)
            return _AGAIN_S if gone else self._links.again_after(self, "closed")
        finally:
            self._opening_since = None
        with self._lock:
            self._handle = handle
        if self.dropped or self._stop.is_set():
            return _AGAIN_S
        return self._talk(handle)

    def _prompt(self) -> float:
        self._links.say(
            self,
            "refused",
            f"The board on {self.port} is at MicroPython's prompt, its firmware is not running: unplug it and plug it "
            f"in again; if it comes back to the prompt, `ampledger board update --serial {self.port}`.",
        )
        return _REFUSED_S

    def _talk(self, handle: Any) -> float:
        """One connection, from the question to the break."""
        links, port = self._links, self.port
        decoder, parts = Decoder(), Parts()
        timing = _Timing(links)
        handle.write(wire.command("hello"))
        began = heard = turned = time.monotonic()
        asked_again = nudged = came = 0.0
        tx = bad = 0
        printed, prompt = decoder.console, _Prompt()
        early: list[Frame] = []  # acknowledged before the board had said what it is
        while not (self._stop.is_set() or self.dropped):
            data = handle.read(handle.in_waiting or 1)
            if self.refused:
                return _REFUSED_S
            now = time.monotonic()
            at_s = links.clock()
            if now - turned > _PAUSE_S or timing.slept():
                # This computer or program slept. The time does not count against the board; it has taken us for gone.
                began = heard = nudged = asked_again = now
                timing.forget()
                handle.write(wire.command("hello"))
            turned = now
            if data and (not self._ours or now - heard > _STALL_S):
                probe = prompt.heard(data)
                if probe:
                    handle.write(probe)
            try:
                frames = decoder.feed(data) if data else []
            except FrameError as e:
                links.say(self, "refused", str(e))
                return _REFUSED_S
            if frames:
                heard = came = now
                tx = frames[-1].tx
                handle.write(wire.command("ok", tx))
            elif decoder.bad > bad:
                # A harmed frame has arrived all the same; which one it was follows from the one before. If that is
                # one too many, the board sees that it can't be and waits for the next.
                tx = (tx + decoder.bad - bad) & 0xFF
                handle.write(wire.command("ok", tx))
            for frame in frames:
                if frame.kind == wire.INFO:
                    asked_again = now  # it is coming: a new hello would begin it anew
                    info = parts.add(frame.payload)
                    if info is not None and info.get("app") == "ampledger":
                        again, self._ours = self._ours, True
                        prompt.seen = False
                        links.put(self, Hello(at_s, info, port, again))
                        links.say(self, "live", f"Board on {port}.")
                elif frame.kind == wire.ANCHOR:
                    timing.answered(wire.take_anchor(frame.payload).unix_ms, now)
            if not self._ours:
                early = [*early, *frames][-_EARLY:]
            elif frames or early or decoder.bad > bad or decoder.console is not printed:
                links.put(self, Arrived(at_s, (*early, *frames), decoder.bad, tuple(decoder.console), port))
                early = []
                if frames:
                    links.say(self, "live", f"Board on {port}.")
            bad, printed = decoder.bad, decoder.console
            if not self._ours:
                if now - began > _ASK_S:
                    if prompt.seen:
                        return self._prompt()
                    links.say(
                        self, "?", f"{port} does not answer as an ampledger board: is the firmware on it and running?"
                    )
                    return links.again_after(self, "stranger")
                if now - max(began, asked_again) > _HELLO_AGAIN_S:
                    asked_again = now
                    handle.write(wire.command("hello"))
                continue
            silent = now - heard
            if now - came < _IDLE_S and timing.due(now):
                # Only while frames come: on a line that is held up the words would arrive late, and so be wrong.
                line = timing.words(now)
                if line:
                    handle.write(line)
            self._send_what_waits(handle)
            if silent > _GIVE_UP_S or (silent > _GONE_S and not self.listed):
                links.say(self, "lost", f"The board on {port} has stopped answering; opening the port anew.")
                return _AGAIN_S
            if silent > _STALL_S:
                if now - nudged > _STALL_S:
                    nudged = now
                    handle.write(wire.command("hello"))
                if prompt.seen:
                    return self._prompt()
                links.say(self, "stalled", f"Nothing from the board on {port} for {silent:.0f} s.")
            elif silent > _IDLE_S and now - nudged > _IDLE_S:
                nudged = now
                handle.write(wire.command("idle"))
        return _AGAIN_S

    def _send_what_waits(self, handle: Any) -> None:
        while True:
            with self._lock:
                if not self._unsent:
                    return
                data = self._unsent.popleft()
            handle.write(data)


class _Timing:
    """
    When a board is to be told the time: at the start, now and then, when the host's clock was set, when it began or
    ceased to be disciplined, and when the board took the time too late.
    """

    def __init__(self, links: Links) -> None:
        self._links = links
        self._told: float | None = None
        self._drift = self._drift_before = self._drift_now()
        self._synced = False
        self._looked = -1e9
        self._unix_ms = -1
        self._late = 0
        self._again = False

    def _drift_now(self) -> float | None:
        """The clock against the ticks; None when the two could not be read at one moment."""
        before = self._links.ticks()
        at_s = self._links.clock()
        after = self._links.ticks()
        return None if after - before > 0.1 else at_s - after

    def slept(self) -> bool:
        """Whether the clock has jumped ahead since it was asked last, as it does when a computer wakes up."""
        drift = self._drift_now()
        if drift is None:
            return False
        before, self._drift_before = self._drift_before, drift
        self._drift = drift if self._drift is None else self._drift
        return before is not None and drift - before > _PAUSE_S

    def forget(self) -> None:
        """The time is due."""
        self._told = None

    def _unsure_s(self) -> float:
        try:
            unsure_s = float(self._links.sync())
        except Exception:
            return UNSYNCHRONISED_S
        return unsure_s if unsure_s >= 0 else UNSYNCHRONISED_S

    def due(self, now: float) -> bool:
        """Whether to say it now (monotonic). [s]"""
        if self._told is None or self._again or now - self._told > _TIME_EVERY_S:
            return True
        drift = self._drift_before
        if drift is not None and self._drift is not None and abs(drift - self._drift) > _SET_S:
            return True
        if now - self._looked > _SYNC_EVERY_S:
            self._looked = now
            return (self._unsure_s() < UNSYNCHRONISED_S) != self._synced
        return False

    def words(self, now: float) -> bytes:
        """The command; empty when the host's clock shows no time that can be."""
        unsure_s = self._unsure_s()
        self._synced, self._looked = unsure_s < UNSYNCHRONISED_S, now
        self._told, self._again = now, False
        drift = self._drift_now()
        unix_ms = int(self._links.clock() * 1000)
        self._drift = self._drift_before = drift
        if not 0 <= unix_ms < _MOST_UNIX_MS:
            return b""
        self._unix_ms = unix_ms
        unsure_ms = min(_MOST_UNSURE_MS, int(max(_LEAST_UNSURE_S, unsure_s) * 1000))
        return wire.command("time", unix_ms, unsure_ms)

    def answered(self, unix_ms: int, now: float) -> None:
        """The board has anchored its clock to what we said."""
        if unix_ms != self._unix_ms or self._told is None:
            return
        if now - self._told <= _LATE_S:
            self._late = 0
        elif self._late < _LATE_TRIES:
            self._late += 1
            self._again = True
