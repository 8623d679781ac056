"""
The serial line to the board.

In: ports. Out: frames, in a queue, and what happened on the line. It finds
the board by asking and reading the answer, acknowledges what it took in,
gives the board the time, and comes back by itself after whatever happened to
the cable. It concludes nothing from the frames it passes on.

Which ports are asked matters in a radio station: opening a serial port raises
DTR and RTS for a moment, and on a port that keys a transmitter that means
sending. So only ports that belong to a board of the kinds we run on are asked
by themselves; any other port is opened only when it is named.
"""

from __future__ import annotations

import contextlib
import errno
import queue
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import serial
from serial.tools import list_ports

from ampledger import wire
from ampledger.decode import Decoder, Frame, Parts
from ampledger.errors import FrameError, LinkError

# USB vendor ids of the makers of boards that run MicroPython's own USB stack:
# 2E8A Raspberry Pi, F055 MicroPython (from memory).
_BOARDS = (0x2E8A, 0xF055)
_BAUD = 115_200  # means nothing on USB; never 1200, which tells some boards to start their loader
_ASK_S = 2.0  # a board may just be starting
_IDLE_S = 0.5
_STALL_S = 3.0
_GIVE_UP_S = 8.0
_TIME_EVERY_S = 600.0
_AGAIN_S = 0.5
_HELLO_AGAIN_S = 0.7


@dataclass(frozen=True, slots=True)
class State:
    """How the line is: "searching", "live", "stalled", "lost", "refused"; and a sentence for the operator."""

    state: str
    text: str
    port: str | None = None


@dataclass(frozen=True, slots=True)
class Arrived:
    """Frames of one read, the host's clock when they came, and counts of the line so far."""

    at_s: float
    frames: tuple[Frame, ...]
    bad: int
    console: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Hello:
    """A board answered; `info` is what it said of itself."""

    at_s: float
    info: dict[str, Any]
    port: str
    again: bool


def board_ports() -> list[str]:
    """Serial ports that belong to a board of a kind we run on."""
    try:
        return [p.device for p in list_ports.comports() if p.vid in _BOARDS]
    except (OSError, TypeError, ValueError):
        return []  # pyserial stumbles over a port that goes away while it is looked at; the next look sees it gone


def why_not(port: str, error: BaseException) -> str:
    """What a failed opening means, and what to do, in words."""
    number = getattr(error, "errno", None)
    text = str(error)
    if number in (errno.EACCES, errno.EPERM) or "ermission" in text or "Access is denied" in text:
        if sys.platform.startswith("linux"):
            hint = "add yourself to the group that owns it (often: sudo usermod -aG dialout $USER, then log in again)"
        elif sys.platform == "darwin":
            hint = "close other programs that use it and plug the board in again"
        else:
            hint = "another program has it open: close that one"
        return f"No permission to open {port}: {hint}."
    if number == errno.EBUSY or "exclusively lock" in text:
        return f"{port} is in use by another program: close that one."
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV) or "No such file" in text or "FileNotFound" in text:
        return f"{port} is not there: is the cable in?"
    return f"{port} can't be opened ({text})."


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


def ask(port: str, wait_s: float = _ASK_S) -> dict[str, Any]:
    """
    What the board on a port says of itself, its INFO.

    Raises LinkError saying why there is none, and what to do.
    """
    try:
        handle = opened(port)
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


class Link:
    """
    Keeps one board connected, in a thread of its own.

    ports : gives the ports to ask, each time anew.
    out : where State, Hello and Arrived go.
    clock : the host's UTC. [s]
    ticks : a clock of the same pace that nobody sets; by comparing both it is
        seen when the host's clock was set. [s]
    """

    def __init__(
        self,
        ports: Callable[[], list[str]],
        out: queue.Queue[State | Hello | Arrived],
        clock: Callable[[], float] = time.time,
        ticks: Callable[[], float] = time.monotonic,
    ) -> None:
        self._ports, self._out, self._clock, self._ticks = ports, out, clock, ticks
        self._stop = threading.Event()
        self._serial: Any = None
        self._writing = threading.Lock()
        self._state: State | None = None
        self._known = False
        self._not_ours: dict[str, float] = {}
        self._thread = threading.Thread(target=self._run, name="link", daemon=True)

    def start(self) -> None:
        """Begin to look for the board."""
        self._thread.start()

    def close(self) -> None:
        """Let go of the port."""
        self._stop.set()
        self._thread.join(5)

    def send(self, verb: str, *args: object) -> bool:
        """Send a command; False when there is no board."""
        with self._writing:
            if self._serial is None:
                return False
            try:
                self._serial.write(wire.command(verb, *args))
            except (serial.SerialException, OSError):
                return False
            return True

    def _say(self, state: str, text: str, port: str | None = None) -> None:
        new = State(state, text, port)
        if new != self._state:
            self._state = new
            self._out.put(new)

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self._round()
            except Exception as e:
                # Whatever it was, a board that is plugged in again must be found again.
                self._say(
                    "lost" if self._known else "searching",
                    f"A fault in looking for the board ({type(e).__name__}: {e}); trying again.",
                )
            self._stop.wait(_AGAIN_S)

    def _round(self) -> None:
        """Every port once."""
        ports = self._ports()
        if not ports:
            self._say(
                "lost" if self._known else "searching",
                "No board is plugged in. It keeps counting as long as it has power; plug it in again."
                if self._known
                else "No board is plugged in: waiting for one.",
            )
        for port in ports:
            if self._stop.is_set():
                return
            if time.monotonic() < self._not_ours.get(port, 0.0):
                continue
            try:
                handle = opened(port)
            except (serial.SerialException, OSError, ValueError) as e:
                self._say("lost" if self._known else "searching", why_not(port, e), port)
                continue
            try:
                self._talk(port, handle)
            except (serial.SerialException, OSError) as e:
                self._say(
                    "lost",
                    f"The line to the board broke ({type(e).__name__}): is the cable in? It keeps counting; "
                    "looking for it.",
                    port,
                )
            finally:
                with self._writing:
                    self._serial = None
                with contextlib.suppress(Exception):
                    handle.close()

    def _talk(self, port: str, handle: Any) -> None:
        """One connection, from the question to the break."""
        decoder, parts = Decoder(), Parts()
        with self._writing:
            self._serial = handle
        self.send("hello")
        began = heard = time.monotonic()
        asked_again = nudged = 0.0
        ours = False
        tx = bad = 0
        timed = stepped = 0.0
        while not self._stop.is_set():
            data = handle.read(handle.in_waiting or 1)
            now = time.monotonic()
            at_s = self._clock()
            refused = ""
            frames: list[Frame] = []
            if data:
                try:
                    frames = decoder.feed(data)
                except FrameError as e:
                    refused = str(e)
            if refused:
                self._say("refused", refused, port)
                self._not_ours[port] = now + 10.0
                return
            if frames:
                heard = now
                tx = frames[-1].tx
                self.send("ok", tx)
            elif decoder.bad > bad:
                # A harmed frame has arrived all the same; which one it was follows from the one before. If that is
                # one too many, the board sees that it can't be and waits for the next.
                tx = (tx + decoder.bad - bad) & 0xFF
                self.send("ok", tx)
            bad = decoder.bad
            for frame in frames:
                if frame.kind == wire.INFO:
                    asked_again = now  # it is coming: a new hello would begin it anew
                    info = parts.add(frame.payload)
                    if info is not None and info.get("app") == "ampledger":
                        self._out.put(Hello(at_s, info, port, again=ours))
                        if not ours:
                            ours = self._known = True
                            self._say("live", f"Board on {port}.", port)
            if ours and (frames or data):
                self._out.put(Arrived(at_s, tuple(frames), decoder.bad, tuple(decoder.console)))
                if frames:
                    self._say("live", f"Board on {port}.", port)
            if not ours:
                if now - began > _ASK_S:
                    # A named port, or one that was ours before, is asked again soon; a stranger is left in peace.
                    self._not_ours[port] = now + (3.0 if self._known else 20.0 if len(self._ports()) > 1 else 1.0)
                    self._say(
                        "lost" if self._known else "searching",
                        f"{port} does not answer as an ampledger board: is the firmware on it and running?",
                        port,
                    )
                    return
                if now - max(began, asked_again) > _HELLO_AGAIN_S:
                    asked_again = now
                    self.send("hello")
                continue
            # The board's clock is tied to ours at the start, now and then, and when ours was set.
            drift = at_s - self._ticks()
            if not timed or now - timed > _TIME_EVERY_S or abs(drift - stepped) > 0.25:
                timed, stepped = now, drift
                self.send("time", int(at_s * 1000), 20)
            silent = now - heard
            if silent > _GIVE_UP_S:
                self._say("lost", f"The board on {port} has stopped answering; opening the port anew.", port)
                return
            if silent > _STALL_S:
                if now - nudged > _STALL_S:
                    nudged = now
                    self.send("hello")
                self._say("stalled", f"Nothing from the board on {port} for {silent:.0f} s.", port)
            elif silent > _IDLE_S and now - nudged > _IDLE_S:
                nudged = now
                self.send("idle")
