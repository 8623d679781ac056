"""
The bench: the unmodified firmware in a real interpreter, between a model of
its chips and a model of its USB plug.

In: a physical box (`box.py`) and a speed. Out: a serial port that a host can
open (a pty, or a socket where there are none). The firmware runs as a child
process under MicroPython, or under CPython with a shim where MicroPython has
no wheel; its `machine` sends every bus transfer here, and here the time is
kept: it passes while the firmware waits (paced by the speed) and a little at
each transfer, so a run is repeatable however slow the machine is.

USB, as read from MicroPython's rp2 sources: without DTR (nobody has the port
open) the 256-byte buffer drops its oldest bytes and never blocks; with DTR
and nobody reading, a write that does not fit blocks for 500 ms and is cut.
"""

from __future__ import annotations

import contextlib
import os
import random
import selectors
import shutil
import socket
import struct
import subprocess
import sys
import tempfile
import threading
import time
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ampledger import boardfiles
from ampledger.simbox.chips import Bus, Ds18b20, Ina228

_SHIM = Path(__file__).resolve().parent / "shim"
_I2C_US = 150  # a register read at 400 kHz: about 5 bytes of 9 bits and the overhead of the driver
_ONEWIRE_US = 600  # one byte at 65 us a bit, or a reset
_FIFO = 256
_BLOCK_US = 500_000
# RP2040: about 190 KB for MicroPython's heap. Objects of the 64-bit interpreter are twice the size.
HEAP = 2 * 190 * 1024


def have_micropython() -> bool:
    """Whether a MicroPython interpreter is installed for this Python."""
    try:
        import micropython_unix  # noqa: F401
    except ImportError:
        return False
    return hasattr(os, "openpty")


@dataclass
class Faults:
    """What is wrong with the USB line at present, and counts of what was done."""

    flip: float = 0.0  # share of bytes towards the host with one bit turned
    hold_until: float = 0.0  # wall time until which nothing reaches the host [s, monotonic]
    flipped: int = 0
    dropped: int = 0
    blocked: int = 0
    resets: list[str] = field(default_factory=list)


class Bench:
    """
    One board on the bench; `start()` runs it in a thread of its own.

    box : physical model with advance, mean, battery_c.
    link : path at which the pty appears (a symbolic link), or None for a
        socket on loopback (`url` then holds its address).
    speed : box seconds per second, at most. Above 1 the box's time also waits
        (a second at most) for a connected host to answer what it was sent, so
        that a fast run does not make every host look slow.
    interpreter : "micropython", "cpython", or None to choose.
    ticks_ms : reading of the board's millisecond counter at the start, to
        test its wrap.
    errors : per tap, keyword arguments for the chip model (gain, offset_v, clock).
    """

    def __init__(
        self,
        box: Any,
        link: Path | None = None,
        *,
        speed: float = 1.0,
        interpreter: str | None = None,
        seed: int = 1,
        ticks_ms: int = 0,
        errors: dict[str, dict[str, float]] | None = None,
        script: str = "run_board.py",
        heap: int = HEAP,
    ) -> None:
        self.box, self.speed, self.link, self.heap = box, speed, link, heap
        self.interpreter = interpreter or ("micropython" if have_micropython() else "cpython")
        self.faults = Faults()
        self.sent: bytearray | None = None  # set to a bytearray to keep a copy of all the firmware wrote, unharmed
        self.now_us = 0
        self._ticks0_us = ticks_ms * 1000
        self._random = random.Random(seed)
        board = tomllib.loads(boardfiles.board_toml().read_text(encoding="utf-8"))
        self.chips = {
            c["name"]: Ina228(box, c["name"], c["shunt_uohm"] * 1e-6, **(errors or {}).get(c["name"], {}))
            for c in board["channel"]
        }
        self.bus = Bus({c["address"]: self.chips[c["name"]] for c in board["channel"]})
        self.thermometer = Ds18b20(lambda: float(box.battery_c(self.now_us * 1e-6)))
        self._script = script
        self._flash = Path(tempfile.mkdtemp(prefix="ampledger-flash-"))
        boardfiles.copy_firmware(self._flash)
        self._fifo = bytearray()
        self._child: subprocess.Popen[bytes] | None = None
        self._jobs: list[tuple[float, Callable[[], None]]] = []  # (box time, what)
        self._calls: list[Callable[[], None]] = []
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._selector = selectors.DefaultSelector()
        self._wake_r, self._wake_w = socket.socketpair()
        self._wake_r.setblocking(False)
        self._selector.register(self._wake_r, selectors.EVENT_READ, self._woken)
        self._poll_until_us: int | None = None
        self._poll_answer = b""
        self._dog_us: int | None = None
        self._dog_due_us = 0
        self._debt_us = 0
        self._to_board = bytearray()  # CPython child only: MicroPython reads a real pipe
        self._master: int | None = None
        self._listener: socket.socket | None = None
        self._peer: socket.socket | None = None
        self._watched = False
        self._link_sock: socket.socket | None = None
        self._stdin = self._stdout = self._stdin_probe = -1
        self._thread: threading.Thread | None = None
        self._wall0 = time.monotonic()
        self._unanswered: float | None = None  # wall time since when the host owes an answer
        self.url = ""
        self.plug_in()

    # --- for the owner ---

    def start(self) -> None:
        """Switch the board on and go on in a thread."""
        self._start_child()
        self._wall0 = time.monotonic() - self.now_us * 1e-6 / self.speed
        self._thread = threading.Thread(target=self._run, name="bench", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Switch everything off and tidy up."""
        self._stop.set()
        self._wake()
        if self._thread:
            self._thread.join(10)
        self._kill_child()
        self._unplug_now()
        self._selector.close()
        self._wake_r.close()
        self._wake_w.close()
        shutil.rmtree(self._flash, ignore_errors=True)

    def __enter__(self) -> Bench:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def call(self, what: Callable[[], None]) -> None:
        """Have `what` done by the bench's thread, soon."""
        with self._lock:
            self._calls.append(what)
        self._wake()

    def at(self, box_s: float, what: Callable[[], None]) -> None:
        """Have `what` done when the box's time has come to `box_s`."""
        self.call(lambda: self._jobs.append((box_s, what)))

    def unplug(self, seconds: float | None = None) -> None:
        """Pull the cable; plug it in again after so many seconds of box time. The board keeps its power."""

        def do() -> None:
            self._unplug_now()
            if seconds is not None:
                self._jobs.append((self.now_us * 1e-6 + seconds, self.plug_in))

        self.call(do)

    def power_cycle(self) -> None:
        """Take the board's own power for a moment; the chips keep theirs."""
        self.call(lambda: self._restart("power"))

    @property
    def now_s(self) -> float:
        """Box time. [s]"""
        return self.now_us * 1e-6

    @property
    def flash(self) -> Path:
        """The folder that stands for the board's flash."""
        return self._flash

    def hold(self, seconds: float) -> None:
        """Keep bytes from the host for so many seconds of wall time."""
        self.faults.hold_until = time.monotonic() + seconds

    # --- the plug ---

    def plug_in(self) -> None:
        """Make the port appear."""
        if self.link is None:
            listener = socket.create_server(("127.0.0.1", 0))
            listener.setblocking(False)
            self._listener = listener
            self.url = f"socket://127.0.0.1:{listener.getsockname()[1]}"
            self._selector.register(listener, selectors.EVENT_READ, self._accept)
            return
        import tty

        master, slave = os.openpty()
        tty.setraw(slave)  # before anybody can write: nothing is ever echoed
        name = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(master, False)
        self._master = master
        self._watched = False
        temporary = self.link.with_name(self.link.name + ".new")
        with contextlib.suppress(FileNotFoundError):
            temporary.unlink()
        temporary.symlink_to(name)
        temporary.replace(self.link)
        self.url = str(self.link)

    def _unplug_now(self) -> None:
        self._fifo.clear()
        if self.link is not None:
            with contextlib.suppress(FileNotFoundError):
                self.link.unlink()
        if self._master is not None:
            if self._watched:
                self._selector.unregister(self._master)
            os.close(self._master)
            self._master = None
        for s in (self._peer, self._listener):
            if s is not None:
                with contextlib.suppress(KeyError):
                    self._selector.unregister(s)
                s.close()
        self._peer = self._listener = None

    def _accept(self) -> None:
        assert self._listener is not None
        with contextlib.suppress(BlockingIOError):
            peer, _ = self._listener.accept()
            peer.setblocking(False)
            if self._peer is not None:
                self._selector.unregister(self._peer)
                self._peer.close()
            self._peer = peer
            self._selector.register(peer, selectors.EVENT_READ, self._from_host)

    def _dtr(self) -> bool:
        """Whether a host has the port open; watches it if so."""
        if self.link is None:
            return self._peer is not None
        if self._master is None:
            return False
        import select

        poller = select.poll()
        poller.register(self._master, select.POLLIN)
        # POLLHUP on the master: nobody holds the slave.
        is_open = not any(flag & select.POLLHUP for _, flag in poller.poll(0))
        if is_open != self._watched:
            self._watched = is_open
            if is_open:
                self._selector.register(self._master, selectors.EVENT_READ, self._from_host)
            else:
                self._selector.unregister(self._master)
        return is_open

    def _from_host(self) -> None:
        try:
            data = self._peer.recv(4096) if self._peer is not None else os.read(self._master or 0, 4096)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            if self._peer is not None:
                self._selector.unregister(self._peer)
                self._peer.close()
                self._peer = None
            return
        self._unanswered = None
        if self.interpreter == "micropython":
            with contextlib.suppress(BlockingIOError, BrokenPipeError):
                os.write(self._stdin, data)
        else:
            self._to_board += data
        self._answer_poll()

    def _to_host(self) -> None:
        """Move what the USB buffer holds to a host that is there."""
        if not self._fifo or time.monotonic() < self.faults.hold_until or not self._dtr():
            return
        data = bytes(self._fifo)
        try:
            sent = self._peer.send(data) if self._peer is not None else os.write(self._master or 0, data)
        except BlockingIOError:
            return
        except OSError:
            return
        del self._fifo[:sent]

    def _push(self, data: bytes) -> None:
        """Bytes from the firmware into the USB buffer."""
        if self.sent is not None:
            self.sent += data
        if self.faults.flip:
            noisy = bytearray(data)
            for i in range(len(noisy)):
                if self._random.random() < self.faults.flip:
                    noisy[i] ^= 1 << self._random.randrange(8)
                    self.faults.flipped += 1
            data = bytes(noisy)
        self._fifo += data
        if self._unanswered is None:
            self._unanswered = time.monotonic()
        self._to_host()
        over = len(self._fifo) - _FIFO
        if over > 0:
            if self._dtr():
                self._debt_us += _BLOCK_US
                self.faults.blocked += 1
                del self._fifo[-over:]
            else:
                del self._fifo[:over]
            self.faults.dropped += over

    # --- the board ---

    def _start_child(self) -> None:
        env = dict(os.environ)
        self._poll_until_us = None
        self._dog_us = None
        self._to_board.clear()
        if self.interpreter == "micropython":
            ours, theirs = socket.socketpair()
            in_r, self._stdin = os.pipe()
            self._stdout, out_w = os.pipe()
            os.set_blocking(self._stdin, False)
            os.set_blocking(self._stdout, False)
            self._stdin_probe = in_r
            env["AMPLEDGER_BENCH_FD"] = str(theirs.fileno())
            env["MICROPYPATH"] = f"{_SHIM}:{self._flash / 'lib'}"
            start = "import sys; from micropython_unix import main; sys.exit(main())"
            script = str(_SHIM / self._script) if "/" not in self._script else self._script
            self._child = subprocess.Popen(
                [sys.executable, "-c", start, "-X", f"heapsize={self.heap}", script],
                stdin=in_r,
                stdout=out_w,
                stderr=out_w,
                cwd=self._flash,
                env=env,
                pass_fds=[theirs.fileno()],
            )
            theirs.close()
            os.close(out_w)
            self._selector.register(self._stdout, selectors.EVENT_READ, self._drain)
        else:
            listener = socket.create_server(("127.0.0.1", 0))
            self._child = subprocess.Popen(
                [sys.executable, str(_SHIM.parent / "cpython_board.py"), str(listener.getsockname()[1])],
                stdin=subprocess.DEVNULL,
                cwd=self._flash,
                env=env,
            )
            listener.settimeout(20)
            ours, _ = listener.accept()
            ours.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            listener.close()
        ours.setblocking(True)
        self._link_sock = ours
        self._selector.register(ours, selectors.EVENT_READ, self._request)

    def _kill_child(self) -> None:
        if self._child is None:
            return
        self._child.kill()
        self._child.wait()
        self._child = None
        if self._link_sock is not None:
            self._selector.unregister(self._link_sock)
            self._link_sock.close()
            self._link_sock = None
        if self.interpreter == "micropython":
            self._selector.unregister(self._stdout)
            for fd in (self._stdin, self._stdout, self._stdin_probe):
                os.close(fd)

    def _restart(self, why: str) -> None:
        self.faults.resets.append(why)
        self._kill_child()
        self._fifo.clear()
        self._start_child()

    def _drain(self) -> None:
        """What the firmware has written so far."""
        if self.interpreter != "micropython":
            return
        while True:
            try:
                data = os.read(self._stdout, 65536)
            except BlockingIOError:
                return
            if not data:
                return
            self._push(data)

    def _take(self, n: int) -> bytes:
        data = b""
        assert self._link_sock is not None
        while len(data) < n:
            more = self._link_sock.recv(n - len(data))
            if not more:
                raise ConnectionError
            data += more
        return data

    def _answer(self, data: bytes = b"", error: int = 0) -> None:
        assert self._link_sock is not None
        self._link_sock.sendall(bytes((error,)) + (b"" if error else data))

    def _input_waiting(self) -> bool:
        if self.interpreter != "micropython":
            return bool(self._to_board)
        import fcntl
        import termios

        return bool(struct.unpack("i", fcntl.ioctl(self._stdin_probe, termios.FIONREAD, b"\0\0\0\0"))[0])

    def _answer_poll(self) -> None:
        """A waiting firmware goes on when a byte has come or its time is over."""
        if self._poll_until_us is None:
            return
        ready = self._input_waiting() if self._poll_answer == b"" else False
        if ready or self.now_us >= self._poll_until_us:
            self._poll_until_us = None
            self._answer(bytes((ready,)) if self._poll_answer == b"" else b"")

    def _request(self) -> None:
        try:
            op, a, b, n = self._take(4)
            payload = self._take(n) if op in b"WS" else b""
        except (ConnectionError, OSError):
            if self._child is not None and not self._stop.is_set():
                self._restart("exit")
            return
        self._drain()  # what was written before this request came before it
        if self._debt_us:
            self.now_us += self._debt_us
            self._debt_us = 0
        if op == 0x54:  # T: ticks
            us = self._ticks0_us + self.now_us
            self._answer(struct.pack("<II", us // 1000 & 0x3FFFFFFF, us & 0x3FFFFFFF))
        elif op == 0x52 or op == 0x57:  # R, W: I2C
            self.now_us += _I2C_US
            self.box.advance(self.now_us * 1e-6)
            try:
                if op == 0x52:
                    self._answer(self.bus.read(a, b, n, self.now_us))
                else:
                    self.bus.write(a, b, payload, self.now_us)
                    self._answer()
            except OSError as e:
                self._answer(error=e.errno or 5)
        elif op == 0x50 and n == 4:  # P with POLLOUT: one byte free is enough for "yes"
            self._to_host()
            self._answer(bytes((not self._dtr() or len(self._fifo) < _FIFO,)))
        elif op == 0x50 or op == 0x5A:  # P: poll for input; Z: sleep
            self._poll_until_us = self.now_us + (a | b << 8) * 1000
            self._poll_answer = b"" if op == 0x50 else b"sleep"
            self._answer_poll()
        elif op == 0x4F:  # O: 1-wire
            self.now_us += _ONEWIRE_US * max(1, n if a == 2 else 1)
            self.box.advance(self.now_us * 1e-6)
            if a == 0:
                self._answer(bytes((self.thermometer.reset(self.now_us),)))
            elif a == 1:
                self.thermometer.write(b, self.now_us)
                self._answer()
            else:
                self._answer(self.thermometer.read(n))
        elif op == 0x44:  # D: watchdog started
            self._dog_us = (a | b << 8) * 1000
            self._dog_due_us = self.now_us + self._dog_us
            self._answer()
        elif op == 0x46:  # F: watchdog fed
            if self._dog_us is not None:
                self._dog_due_us = self.now_us + self._dog_us
            self._answer()
        elif op == 0x55:  # U: unique id; an invented one, the same for every bench
            self._answer(bytes.fromhex("a5b0000000000001"))
        elif op == 0x58:  # X: reset
            self._restart("asked")
            return
        elif op == 0x53:  # S: serial out of the CPython child
            self._push(payload)
            self._answer()
        elif op == 0x47:  # G: one serial byte in
            self._answer(bytes((self._to_board.pop(0),)))
        else:
            self._answer(error=22)
        if self._dog_us is not None and self.now_us > self._dog_due_us:
            self._restart("watchdog")

    # --- the loop ---

    def _wake(self) -> None:
        with contextlib.suppress(OSError):
            self._wake_w.send(b"x")

    def _woken(self) -> None:
        with contextlib.suppress(BlockingIOError):
            self._wake_r.recv(4096)

    def _run(self) -> None:
        while not self._stop.is_set():
            self._once()

    def _once(self) -> None:
        with self._lock:
            calls, self._calls = self._calls, []
        for what in calls:
            what()
        due = [job for job in self._jobs if job[0] <= self.now_us * 1e-6]
        for job in due:
            self._jobs.remove(job)
            job[1]()
        self._dtr()
        self._to_host()
        timeout = 0.02
        if self._poll_until_us is not None:
            wall = time.monotonic()
            allowed_us = int((wall - self._wall0) * self.speed * 1e6)
            if allowed_us - self.now_us > 5e6 * max(1.0, self.speed):
                # The machine slept or is much too slow: do not chase after the lost time.
                self._wall0 = wall - self.now_us * 1e-6 / self.speed
                allowed_us = self.now_us
            owed = self._unanswered is not None and self.speed > 1 and wall - self._unanswered < 1.0
            # Time passes while the firmware waits, and no faster than the speed allows.
            if not (owed and self._dtr()):
                self.now_us = max(self.now_us, min(self._poll_until_us, allowed_us))
            self._answer_poll()
            if self._poll_until_us is None:
                timeout = 0.0
            else:
                timeout = min(timeout, max(0.0, (self._poll_until_us - self.now_us) * 1e-6 / self.speed))
                if self._dog_us is not None and self.now_us > self._dog_due_us:
                    self._restart("watchdog")
        for key, _ in self._selector.select(timeout):
            key.data()
