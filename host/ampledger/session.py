"""
A conversation with one board, for tools that ask, wait and go: calibration, commissioning.

In: the name of a serial port. Out: what the board says of itself, its
readings over some seconds, answers to commands. It keeps the board's window
open by acknowledging every frame while it waits for something, and greets
the board anew after a pause (an operator who reads a meter), so that nothing
of before the pause is taken for now. It stores nothing and concludes
nothing; the live view has a link of its own (`link.py`).

Everything that fails raises LinkError with a sentence for the operator.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Any

import serial

from ampledger import link, wire
from ampledger.decode import Decoder, Frame, Parts
from ampledger.errors import FrameError, LinkError

_GREET_S = 4.0  # a board may just be starting
_AGAIN_S = 0.7
_IDLE_S = 0.5
_SILENT_S = 4.0
_FRESH_S = 1.0  # after a longer pause the board is greeted anew; it takes a host for gone after 3 s
_RESTART_S = 30.0
_TRIES = 3


@dataclass(frozen=True, slots=True)
class Stamp:
    """The board's clock in answer to `time`: between the host's ticks `sent_s` and `got_s` it read `mono_ms`."""

    sent_s: float
    got_s: float
    mono_ms: int
    unix_ms: int


class Session:
    """
    One board on `port`, as a context manager.

    clock : the host's UTC, given to the board at the start. [s]
    ticks : a clock that nobody sets. [s]
    """

    def __init__(
        self,
        port: str,
        clock: Callable[[], float] = time.time,
        ticks: Callable[[], float] = time.monotonic,
    ) -> None:
        self.port = port
        self.stamps: list[Stamp] = []
        self.bad = 0
        self._info: dict[str, Any] = {}
        self._clock, self._ticks = clock, ticks
        self._handle: Any = None
        self._fresh()

    def _fresh(self) -> None:
        """Forget what was half received."""
        self._decoder, self._infos, self._replies = Decoder(), Parts(), Parts()
        self._heard_s = self._turned_s = self._nudged_s = self._ticks()
        self._tx = self._harmed = 0

    def __enter__(self) -> Session:
        self._open(self.port)
        try:
            self._greet(_GREET_S)
            self.stamp()
        except BaseException:
            self.close()
            raise
        return self

    def __exit__(self, kind: type[BaseException] | None, value: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the port."""
        handle, self._handle = self._handle, None
        if handle is not None:
            with contextlib.suppress(Exception):
                handle.close()

    @property
    def info(self) -> dict[str, Any]:
        """What the board said of itself last."""
        return self._info

    @property
    def boot(self) -> int:
        """Number of the board's present start."""
        boot = self._info.get("boot")
        return boot if isinstance(boot, int) else -1

    # --- the line ---

    def _open(self, port: str) -> None:
        try:
            self._handle = link.opened(port)
        except (serial.SerialException, OSError, ValueError) as e:
            raise LinkError(link.why_not(port, e)) from e
        self.port = port
        self._fresh()

    def _write(self, data: bytes) -> None:
        if self._handle is None:
            raise LinkError(f"The port {self.port} is not open.")
        try:
            self._handle.write(data)
        except (serial.SerialException, OSError) as e:
            raise LinkError(f"The line to {self.port} broke ({type(e).__name__}): is the cable in?") from e

    def _send(self, verb: str, *args: object) -> None:
        try:
            line = wire.command(verb, *args)
        except wire.WireError as e:
            raise LinkError(f"The command {verb} can't be sent: {e}.") from e
        self._write(line)

    def _turn(self) -> list[Frame]:
        """Whatever has arrived within the time limit of a read, acknowledged."""
        handle = self._handle
        if handle is None:
            raise LinkError(f"The port {self.port} is not open.")
        try:
            data = handle.read(handle.in_waiting or 1)
        except (serial.SerialException, OSError) as e:
            raise LinkError(f"The line to {self.port} broke ({type(e).__name__}): is the cable in?") from e
        try:
            frames = self._decoder.feed(data) if data else []
        except FrameError as e:
            raise LinkError(f"{self.port}: {e}") from e
        now = self._turned_s = self._ticks()
        harmed = self._decoder.bad - self._harmed
        if frames:
            self._heard_s, self._tx = now, frames[-1].tx
            self._send("ok", self._tx)
        elif harmed:
            # A harmed frame has arrived all the same; which one follows from the one before.
            self._tx = (self._tx + harmed) & 0xFF
            self._send("ok", self._tx)
        elif now - self._heard_s > _IDLE_S and now - self._nudged_s > _IDLE_S:
            self._nudged_s = now
            self._send("idle")
        self._harmed = self._decoder.bad
        self.bad += harmed
        return frames

    def _greet(self, wait_s: float, other_than: int | None = None) -> dict[str, Any]:
        """Say hello until the board has said what it is; with `other_than`, until it is another boot than that."""
        until = self._ticks() + wait_s
        moved_s = -1e9
        while self._ticks() < until:
            # Only when no part of an answer comes: each hello makes the board begin its many parts anew.
            if self._ticks() - moved_s > _AGAIN_S:
                moved_s = self._ticks()
                self._send("hello")
            for frame in self._turn():
                if frame.kind != wire.INFO:
                    continue
                moved_s = self._ticks()
                info = self._infos.add(frame.payload)
                if info is not None and info.get("app") == "ampledger" and info.get("boot") != other_than:
                    self._info = info
                    return info
        text = self._decoder.printed()
        said = f" It printed: {text[-300:]!r}." if text else ""
        if other_than is not None:
            raise LinkError(f"The board on {self.port} has not restarted.{said}")
        raise LinkError(f"{self.port} does not answer as an ampledger board: is the firmware on it and running?{said}")

    def _wake(self) -> None:
        """After a pause: greet anew, so that what follows is of now."""
        if self._ticks() - self._turned_s > _FRESH_S:
            boot = self.boot
            self._fresh()
            self._greet(_GREET_S)
            if boot not in (-1, self.boot):
                raise LinkError(
                    f"The board restarted meanwhile (start {boot} has become {self.boot}): has it lost power? "
                    "Begin this step anew."
                )

    # --- what tools ask ---

    def stamp(self, wait_s: float = 3.0) -> Stamp:
        """Give the board the time; also returns, and keeps in `stamps`, what its own clock read then."""
        self._wake()
        sent_s = self._ticks()
        unix_ms = int(self._clock() * 1000)
        self._send("time", unix_ms, 20)
        while self._ticks() < sent_s + wait_s:
            for frame in self._turn():
                if frame.kind == wire.ANCHOR:
                    anchor = wire.take_anchor(frame.payload)
                    if anchor.unix_ms == unix_ms:
                        self.stamps.append(Stamp(sent_s, self._ticks(), anchor.mono_ms, unix_ms))
                        return self.stamps[-1]
        raise LinkError(f"The board on {self.port} did not take the time within {wait_s:.0f} s.")

    def readings(self, seconds: float, on_progress: Callable[[float, float], None] | None = None) -> list[wire.Reading]:
        """
        The readings of the next `seconds` of the board's time, in order.

        The record that was under way when this was asked is left out: it
        began before. `on_progress` is told the seconds done and those wanted.
        Raises LinkError when the board falls silent or restarts.
        """
        self._wake()
        out: list[wire.Reading] = []
        done_ms, skipped = 0, False
        began = last = self._ticks()
        while done_ms < seconds * 1000:
            for frame in self._turn():
                if frame.kind != wire.READING:
                    continue
                reading = wire.take_reading(frame.payload)
                last = self._ticks()
                if reading.boot != self.boot:
                    raise LinkError(
                        f"The board restarted in the middle of the measurement (start {self.boot} has become "
                        f"{reading.boot}): has it lost power? Measure again."
                    )
                if not skipped:
                    skipped = True
                    continue
                out.append(reading)
                done_ms += reading.span_ms
                if on_progress is not None:
                    on_progress(min(done_ms / 1000, seconds), seconds)
            now = self._ticks()
            if now - last > _SILENT_S:
                raise LinkError(f"No reading from the board on {self.port} for {now - last:.0f} s: is the cable in?")
            if now - began > 3 * seconds + 30:
                raise LinkError(
                    f"The board on {self.port} gave {done_ms / 1000:.1f} s of readings in {now - began:.0f} s: "
                    "the line is held up. Close other programs and measure again."
                )
        return out

    def command(self, verb: str, *args: object, wait_s: float = 3.0) -> dict[str, Any]:
        """
        Send a command and return the board's REPLY.

        Raises LinkError with the board's own words when it refuses, and when
        no answer comes; a command that arrived harmed was not obeyed and is
        sent again, one that was not answered is not.
        """
        self._wake()
        for _ in range(_TRIES):
            self._send(verb, *args)
            reply = self._reply(verb, wait_s)
            if reply.get("to") != "?":
                break
        error = reply.get("error")
        if error == "unknown command":
            raise LinkError(
                f"The board's firmware does not know `{verb}`: it is older than this program "
                "(`ampledger board update` puts this program's firmware on it)."
            )
        if error:
            raise LinkError(f"The board refuses `{verb}`: {error}")
        return reply

    def _reply(self, verb: str, wait_s: float) -> dict[str, Any]:
        until = self._ticks() + wait_s
        while self._ticks() < until:
            for frame in self._turn():
                reply = self._replies.add(frame.payload) if frame.kind == wire.REPLY else None
                if reply is not None and reply.get("to") in (verb, "?"):
                    return reply
        raise LinkError(
            f"The board on {self.port} did not answer `{verb}` within {wait_s:g} s; whether it obeyed is not known."
        )

    def restart(self, wait_s: float = _RESTART_S) -> dict[str, Any]:
        """
        Restart the board and wait until it answers as a new start; returns its INFO.

        The port goes away meanwhile, and may come back under another name:
        then boards of a kind we run on are asked for the same device id.
        """
        self._wake()
        boot, device, port = self.boot, self._info.get("device"), self.port
        self._send("restart")
        with contextlib.suppress(Exception):
            self._handle.flush()
        time.sleep(0.2)  # what is written may still be on its way when the port is closed
        self.close()
        until = self._ticks() + wait_s
        why = "it was not there"
        while self._ticks() < until:
            time.sleep(0.3)
            for name in [port, *(p for p in link.board_ports() if p != port)]:
                try:
                    self._open(name)
                    info = self._greet(2 * _AGAIN_S, other_than=boot)
                    if info.get("device") != device:
                        raise LinkError(f"{name} is another board.")
                    self.stamp()
                    return info
                except LinkError as e:
                    why = str(e)
                    self.close()
        self.port = port
        raise LinkError(
            f"The board on {port} did not come back within {wait_s:.0f} s of its restart ({why.rstrip('.')}): "
            "unplug it, plug it in again, and see with `ampledger board list` whether it answers."
        )
