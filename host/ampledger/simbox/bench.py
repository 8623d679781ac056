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
Ctrl-C from the host interrupts the firmware at its next request.

Flash: a plain folder, or a real littlefs on an image file behind NOR rules
(program only clears bits, erase sets a block), every operation counted, with
the power cut at any of them.
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
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from ampledger import boardfiles
from ampledger.simbox.chips import Bus, Ds18b20, make_chip

_T = TypeVar("_T")
_SHIM = Path(__file__).resolve().parent / "shim"
_I2C_US = 150  # a register read at 400 kHz: about 5 bytes of 9 bits and the overhead of the driver
_I2C_BYTE_US = 23  # 9 bits at 400 kHz
_ONEWIRE_US = 600  # one byte at 65 us a bit, or a reset
_FIFO = 256
_BLOCK_US = 500_000
# Typical times of the flash on a Pico (W25Q16JV: page program 0.4 ms, 4 KiB erase 45 ms; from memory of its sheet).
_PROGRAM_US = 400
_ERASE_US = 45_000
PAGE = 256
BLOCK = 4096
BLOCKS = 344  # what the stock firmware of a Pico leaves for files: 1408 KiB of 2 MiB
_START = "import sys; from micropython_unix import main; sys.exit(main())"
_HEAD = struct.Struct("<BII")  # errno, ticks in ms and us
_HISTORY = 10_000
_WITH_PAYLOAD = frozenset(b"WwSmkvQ")
# Not through a file system, and not where no answer is waited for.
_NO_INTERRUPT = frozenset(b"QEIipmuvSG")
_CTRL_C = 3
_KEYBOARD = 255  # boxlink.KEYBOARD
_WAIT_S = 0.02
# How long a tool that has the port open may leave the prompt's output unread before it is given up [s of wall time].
_PROMPT_PATIENCE_S = 0.5
# RP2040: about 190 KB for MicroPython's heap. Objects of the 64-bit interpreter are twice the size.
HEAP = 2 * 190 * 1024
# What the stand-ins themselves take of it, measured with gc.mem_alloc() (test_bench.py): not charged to the firmware.
SHIM_HEAP = 24 * 1024


class PowerCut(Exception):
    """The board's power went at this operation of its flash."""


class Flash:
    """
    NOR flash in an image file: program clears bits, erase sets a block to ones.

    programs, erases : operations so far, a program being one page of 256 bytes.
    wear : erases per block.
    errors : what was done against the rules of the chip; a test asserts that it is empty.
    """

    def __init__(self, path: Path, blocks: int = BLOCKS) -> None:
        self.path, self.blocks = path, blocks
        path.write_bytes(b"\xff" * (blocks * BLOCK))
        self.errors: list[str] = []
        self.wear = [0] * blocks
        self.programs = self.erases = 0
        self._cut_in: int | None = None
        self._torn = 0.5
        self.reload()

    def reload(self) -> None:
        """Take the image as the file now has it."""
        self._image = bytearray(self.path.read_bytes())

    def cut_at(self, n: int, torn: float) -> None:
        """The power goes at the n-th operation from now, when the share `torn` of it is done."""
        self._cut_in, self._torn = n, torn

    def _power_goes(self) -> bool:
        """Whether it goes at the operation that is about to begin."""
        if self._cut_in is None:
            return False
        self._cut_in -= 1
        if self._cut_in > 0:
            return False
        self._cut_in = None
        return True

    def _write(self, at: int, data: bytes) -> None:
        self._image[at : at + len(data)] = data
        with open(self.path, "r+b", buffering=0) as f:
            f.seek(at)
            f.write(data)

    def program(self, page: int, data: bytes) -> bool:
        """Pages from `page` on; False if refused. Raises PowerCut."""
        at = page * PAGE
        if not data or len(data) % PAGE or at + len(data) > len(self._image):
            self.errors.append(f"program of {len(data)} bytes at {at}")
            return False
        for i in range(0, len(data), PAGE):
            new, old = data[i : i + PAGE], self._image[at + i : at + i + PAGE]
            if int.from_bytes(new, "little") & ~int.from_bytes(old, "little"):
                self.errors.append(f"program at {at + i} sets bits that are not erased")
                return False
            self.programs += 1
            if self._power_goes():
                self._write(at + i, new[: int(PAGE * self._torn)])
                raise PowerCut
            self._write(at + i, new)
        return True

    def erase(self, block: int) -> bool:
        """One block; False if refused. Raises PowerCut."""
        if block >= self.blocks:
            self.errors.append(f"erase of block {block}")
            return False
        self.erases += 1
        self.wear[block] += 1
        if self._power_goes():
            self._write(block * BLOCK, b"\xff" * int(BLOCK * self._torn))
            raise PowerCut
        self._write(block * BLOCK, b"\xff" * BLOCK)
        return True


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
    script : run by the board in place of boot.py and main.py, if not "run_board.py".
    flash : "folder", or "littlefs" for the real file system on `blocks` blocks of 4 KiB.
    firmware : False begins with nothing on the flash, as a board comes from the shop.
    board : the parsed toml of another build; None for hardware/board.toml.
    display : I2C address at which a display is fitted, or None.
    usb_gone_s : after a restart the port is gone for so many seconds, as a real one is; 0: it stays.

    echo : True lets the prompt answer every line, as a real board's does, also of a host that takes it for the app;
        False keeps it quiet until a tool sends a control character.

    What the board did is in `pins` and `pwm` (per pin, box seconds first), `display` (lines of text), `uart_sent`,
    `slept_ms`, `flash_chip` (operations, wear, errors) and `faults.resets`.
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
        flash: str = "folder",
        blocks: int = BLOCKS,
        firmware: bool = True,
        board: dict[str, Any] | None = None,
        display: int | None = None,
        usb_gone_s: float = 0.0,
        echo: bool = False,
    ) -> None:
        self.box, self.speed, self.link, self.heap = box, speed, link, heap
        self.interpreter = interpreter or ("micropython" if have_micropython() else "cpython")
        if flash not in ("folder", "littlefs"):
            raise ValueError(f'flash is "folder" or "littlefs", not {flash!r}')
        if flash == "littlefs" and self.interpreter != "micropython":
            raise ValueError("a littlefs needs the MicroPython interpreter")
        self.faults = Faults()
        self.sent: bytearray | None = None  # set to a bytearray to keep a copy of all the firmware wrote, unharmed
        self.now_us = 0
        self._ticks0_us = ticks_ms * 1000
        self._random = random.Random(seed)
        build = tomllib.loads(boardfiles.board_toml().read_text(encoding="utf-8")) if board is None else board
        self.chips = {c["name"]: make_chip(box, c, **(errors or {}).get(c["name"], {})) for c in build["channel"]}
        self.bus = Bus({c["address"]: self.chips[c["name"]] for c in build["channel"]})
        self.thermometer = self._new_thermometer()
        self._sda, self._scl = build["i2c"]["sda_pin"], build["i2c"]["scl_pin"]
        self._vbus = build.get("alone", {}).get("vbus_pin", 24)
        self.pins: dict[int | str, deque[tuple[float, int]]] = {}
        self.pwm: dict[int | str, deque[tuple[float, int, int]]] = {}
        self.pin_inputs: dict[int, int] = {}  # levels that tests put on input pins
        self._driven: dict[int, int] = {}
        self.display: list[str] = []
        self.display_bytes = bytearray()
        self._display_at = display
        self.uart_sent = bytearray()
        self._uart: dict[int, tuple[int, bytearray]] = {}
        self.slept_ms = 0
        self.usb_gone_s, self._echo = usb_gone_s, echo
        self._script = script
        self._folder = Path(tempfile.mkdtemp(prefix="ampledger-flash-"))
        self._staging = self._folder / "files"
        self._staging.mkdir()
        if firmware:
            boardfiles.copy_firmware(self._staging, None if board is None else boardfiles.config_text(board))
        self.flash_chip: Flash | None = None
        if flash == "littlefs":
            self.flash_chip = Flash(self._folder / "image", blocks)
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
        self._polling = False  # what waits is a poll for input, not a sleep
        self._dog_us: int | None = None
        self._dog_due_us = 0
        self._debt_us = 0
        self._cause = 1
        self._requests = bytearray()
        self._to_board = bytearray()  # CPython child only: MicroPython reads a real pipe
        self._maybe_input = False
        self._interruptible = True  # whether Ctrl-C interrupts or is a byte like others
        self._interrupt = False
        self._held = b""  # what the host sent behind a Ctrl-C that is not delivered yet
        self._prompt = False
        self._full_since: float | None = None
        self._master: int | None = None
        self._poller: Any = None
        self._listener: socket.socket | None = None
        self._peer: socket.socket | None = None
        self._watched = False
        self._link_sock: socket.socket | None = None
        self._stdin = self._stdout = self._stdin_probe = -1
        self._thread: threading.Thread | None = None
        self._wall0 = time.monotonic()
        self._unanswered: float | None = None  # wall time since when the host owes an answer
        self._ops: dict[int, Callable[[int, int, int, bytes], None]] = {
            ord("T"): lambda a, b, n, p: self._answer(),
            ord("R"): self._op_read,
            ord("W"): self._op_write,
            ord("w"): self._op_write_raw,
            ord("s"): self._op_scan,
            ord("P"): self._op_poll,
            ord("Z"): lambda a, b, n, p: self._sleep((a | b << 8 | n << 16) * 1000),
            ord("N"): lambda a, b, n, p: self._sleep(a | b << 8 | n << 16),
            ord("z"): self._op_lightsleep,
            ord("O"): self._op_onewire,
            ord("D"): self._op_dog,
            ord("U"): lambda a, b, n, p: self._answer(bytes.fromhex("a5b0000000000001")),  # invented, always the same
            ord("c"): lambda a, b, n, p: self._answer(bytes((self._cause,))),
            ord("X"): self._op_reset,
            ord("I"): self._op_interrupts,
            ord("i"): self._op_i2c,
            ord("p"): self._op_pin,
            ord("g"): self._op_level,
            ord("m"): self._op_pwm,
            ord("u"): lambda a, b, n, p: self._uart.__setitem__(a, (b | n << 8, bytearray())),
            ord("a"): lambda a, b, n, p: self._answer(bytes((min(255, len(self._uart_of(a))),))),
            ord("j"): self._op_uart_read,
            ord("k"): self._op_uart_write,
            ord("v"): self._op_text,
            ord("Q"): lambda a, b, n, p: self._op_flash(True, a | b << 8, p),
            ord("E"): lambda a, b, n, p: self._op_flash(False, a | b << 8, p),
            ord("S"): self._op_serial_out,
            ord("G"): lambda a, b, n, p: self._answer(bytes((self._to_board.pop(0),))),
        }
        self.url = ""
        self.plug_in()

    def _new_thermometer(self) -> Ds18b20:
        return Ds18b20(lambda: float(self.box.battery_c(self.now_us * 1e-6)))

    # --- for the owner ---

    def start(self) -> None:
        """Switch the board on and go on in a thread."""
        self._fill_flash()
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
        shutil.rmtree(self._folder, ignore_errors=True)

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

    def ask(self, what: Callable[[], _T]) -> _T:
        """Have `what` done by the bench's thread, between two requests of the firmware, and wait for its value."""
        if self._thread is None or threading.current_thread() is self._thread or not self._thread.is_alive():
            return what()
        done = threading.Event()
        result: list[_T] = []
        failed: list[BaseException] = []

        def do() -> None:
            try:
                result.append(what())
            except BaseException as e:
                failed.append(e)
            done.set()

        self.call(do)
        if not done.wait(60):
            raise TimeoutError("the bench does not answer")
        if failed:
            raise failed[0]
        return result[0]

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

    def set_speed(self, speed: float) -> None:
        """From now on so many box seconds a second at most."""

        def do() -> None:
            self.speed = speed
            self._wall0 = time.monotonic() - self.now_us * 1e-6 / speed

        self.call(do)

    def power_cycle(self, chips: bool = False) -> None:
        """Take the board's own power for a moment; with `chips` that of the chips on the same supply as well."""

        def do() -> None:
            if chips:
                self._chips_lose_power()
            self._restart("power")

        self.call(do)

    def power_off(self, chips: bool = False) -> None:
        """Take the board's power until `power_on`; the box's time stands still meanwhile."""

        def do() -> None:
            self._kill_child()
            self._fifo.clear()
            if chips:
                self._chips_lose_power()

        self.ask(do)

    def power_on(self, away_s: float = 0.0) -> None:
        """Give it power again, `away_s` seconds of box time later; chips that kept theirs have counted on."""

        def do() -> None:
            until_us = self.now_us + round(away_s * 1e6)
            while self.now_us < until_us:
                # In steps, as boxes forget their past.
                self.now_us = min(until_us, self.now_us + 1_000_000)
                self.box.advance(self.now_us * 1e-6)
                for chip in self.chips.values():
                    chip.advance(self.now_us)
            self.faults.resets.append("power")
            self._cause = 1
            self._start_child()

        self.ask(do)

    def cut_power_at(self, n: int, *, torn: float = 0.5, chips: bool = False) -> None:
        """
        Take the board's power at the n-th program (of one page) or erase of its flash from now, when the share
        `torn` of that operation is done; it starts again at once. `faults.resets` then has a "cut".
        """

        def do() -> None:
            self._need_littlefs().cut_at(n, torn)
            self._cut_chips = chips

        self.ask(do)

    @property
    def flash_ops(self) -> int:
        """Programs (of one page) and erases of the flash so far."""
        chip = self._need_littlefs()
        return chip.programs + chip.erases

    def read_file(self, name: str) -> bytes:
        """A file on the board's flash, at any time: of a running board as it would be found after a power cut."""
        if self.flash_chip is None:
            return (self._staging / name.lstrip("/")).read_bytes()
        out = self._folder / "out"
        self._flashtool("get", name.lstrip("/"), str(out))
        return out.read_bytes()

    def write_file(self, name: str, data: bytes) -> None:
        """Put a file on the board's flash; a littlefs only while the board is off (`power_off`)."""
        self.write_files({name: data})

    def write_files(self, files: dict[str, bytes]) -> None:
        """Several of them."""
        if self.flash_chip is None:
            for name, data in files.items():
                path = self._staging / name.lstrip("/")
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(data)
            return
        if self._child is not None:
            raise RuntimeError("switch the board off first: two writers would ruin its file system")
        self._filled = True
        pairs = []
        for i, (name, data) in enumerate(files.items()):
            (self._folder / f"in{i}").write_bytes(data)
            pairs += [name.lstrip("/"), str(self._folder / f"in{i}")]
        self._flashtool("put", *pairs)

    def list_files(self) -> dict[str, int]:
        """Path -> size of what is on the flash."""
        if self.flash_chip is None:
            found = [p for p in self._staging.rglob("*") if p.is_file()]
            return {p.relative_to(self._staging).as_posix(): p.stat().st_size for p in found}
        lines = self._flashtool("list").splitlines()
        return {name: int(size) for size, _, name in (line.partition(" ") for line in lines)}

    def uart_feed(self, data: bytes, uart: int | None = None) -> None:
        """Bytes from what is wired to a UART; they are lost while the firmware has not opened it."""

        def do() -> None:
            for number, (size, waiting) in self._uart.items():
                if uart in (None, number):
                    waiting += data[: size - len(waiting)]

        self.ask(do)

    @property
    def now_s(self) -> float:
        """Box time. [s]"""
        return self.now_us * 1e-6

    @property
    def flash(self) -> Path:
        """The folder that stands for the board's flash; for a littlefs, that it was filled from."""
        return self._staging

    def hold(self, seconds: float) -> None:
        """Keep bytes from the host for so many seconds of wall time."""
        self.faults.hold_until = time.monotonic() + seconds

    # --- the flash ---

    _filled = False
    _cut_chips = False

    def _need_littlefs(self) -> Flash:
        if self.flash_chip is None:
            raise RuntimeError('this bench has no flash of its own: Bench(..., flash="littlefs")')
        return self.flash_chip

    def _fill_flash(self) -> None:
        """The firmware onto a new littlefs."""
        if self.flash_chip is None or self._filled:
            return
        self._filled = True
        names = sorted(p for p in self._staging.rglob("*") if p.is_file())
        self._flashtool("put", *(s for p in names for s in (p.relative_to(self._staging).as_posix(), str(p))))

    def _flashtool(self, what: str, *pairs: str) -> str:
        """Run flashtool.py on the image, or on a copy of it when it only reads."""
        chip = self._need_littlefs()
        image = chip.path
        if what != "put":
            image = self._folder / "copy"
            self.ask(lambda: shutil.copyfile(chip.path, image))
        done = subprocess.run(
            [sys.executable, "-c", _START, str(_SHIM / "flashtool.py"), str(image), str(chip.blocks), what, *pairs],
            capture_output=True,
            text=True,
            check=False,
            cwd=self._folder,
            env={**os.environ, "MICROPYPATH": str(_SHIM)},
        )
        if done.returncode or "Traceback" in done.stdout + done.stderr:
            text = done.stdout + done.stderr
            if "ENOENT" in text:
                raise FileNotFoundError(f"{' '.join(pairs[::2])} is not on the board's flash")
            raise OSError(f"flashtool {what}: {text}")
        if what == "put":
            chip.reload()
        return done.stdout

    def _chips_lose_power(self) -> None:
        self.box.advance(self.now_us * 1e-6)
        for chip in self.chips.values():
            chip.advance(self.now_us)
            chip.lose_power()
        missing, self.thermometer = self.thermometer.missing, self._new_thermometer()
        self.thermometer.missing = missing
        self.display_bytes.clear()
        self.display = []

    # --- the plug ---

    def plug_in(self) -> None:
        """Make the port appear."""
        if self._master is not None or self._listener is not None:
            return
        if self.link is None:
            listener = socket.create_server(("127.0.0.1", 0))
            listener.setblocking(False)
            self._listener = listener
            self.url = f"socket://127.0.0.1:{listener.getsockname()[1]}"
            self._selector.register(listener, selectors.EVENT_READ, self._accept)
            return
        import select
        import tty

        master, slave = os.openpty()
        tty.setraw(slave)  # before anybody can write: nothing is ever echoed
        name = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(master, False)
        self._master = master
        self._poller = select.poll()
        self._poller.register(master, select.POLLIN)
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
                self._watched = False
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
        # POLLHUP (16) on the master: nobody holds the slave.
        is_open = not any(flag & 16 for _, flag in self._poller.poll(0))
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
        if self._interruptible and _CTRL_C in data:
            self._interrupt = True
            self._held = data[data.rindex(_CTRL_C) + 1 :]
        elif self._interrupt:
            self._held += data
        else:
            self._to_input(data)
        self._answer_poll()

    def _to_input(self, data: bytes) -> None:
        """Bytes into what the firmware reads."""
        if self.interpreter == "micropython":
            self._maybe_input = True
            with contextlib.suppress(BlockingIOError, BrokenPipeError):
                os.write(self._stdin, data)
        else:
            self._to_board += data

    def _take_input(self) -> bytes:
        """Bytes that the firmware has not read yet; it must not be reading."""
        if self.interpreter != "micropython":
            data = bytes(self._to_board)
            self._to_board.clear()
            return data
        waiting = self._input_waiting()
        return os.read(self._stdin_probe, waiting) if waiting else b""

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

    def _start_child(self, raw: bool = False) -> None:
        env = dict(os.environ)
        self._poll_until_us = None
        self._requests.clear()
        self._interruptible, self._interrupt, self._held = True, False, b""
        self._prompt, self._full_since = False, None
        self._driven.clear()
        self._uart.clear()
        if self.interpreter == "micropython":
            ours, theirs = socket.socketpair()
            in_r, self._stdin = os.pipe()
            self._stdout, out_w = os.pipe()
            os.set_blocking(self._stdin, False)
            os.set_blocking(self._stdout, False)
            self._stdin_probe = in_r
            self._maybe_input = False
            env["AMPLEDGER_BENCH_FD"] = str(theirs.fileno())
            env["MICROPYPATH"] = str(_SHIM)
            if self.flash_chip is None:
                env["MICROPYPATH"] += f":{self._staging / 'lib'}"
            else:
                env["AMPLEDGER_FLASH"] = str(self.flash_chip.path)
                env["AMPLEDGER_BLOCKS"] = str(self.flash_chip.blocks)
            env["AMPLEDGER_RAW"] = str(int(raw))
            if self._echo:
                env["AMPLEDGER_ECHO"] = "1"
            if self._display_at is not None:
                env["AMPLEDGER_DISPLAY"] = "1"
            if self._script != "run_board.py":
                env["AMPLEDGER_SCRIPT"] = str(_SHIM / self._script) if "/" not in self._script else self._script
            self._child = subprocess.Popen(
                [sys.executable, "-c", _START, "-X", f"heapsize={self.heap + SHIM_HEAP}", str(_SHIM / "run_board.py")],
                stdin=in_r,
                stdout=out_w,
                stderr=out_w,
                cwd=self._staging,
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
                cwd=self._staging,
                env=env,
            )
            listener.settimeout(20)
            ours, _ = listener.accept()
            ours.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            listener.close()
        if os.name == "posix":
            # A blocking read that gives up by itself costs one call into the system, a Python timeout two.
            ours.setblocking(True)
            ours.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, struct.pack("ll", 0, int(_WAIT_S * 1e6)))
        else:
            ours.settimeout(_WAIT_S)
        self._link_sock = ours
        self._selector.register(ours, selectors.EVENT_READ, self._serve)

    def _kill_child(self) -> None:
        if self._child is None:
            return
        self._child.kill()
        self._child.wait()
        self._child = None
        self._dog_us = None
        self._poll_until_us = None
        self._to_board.clear()
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
        self._cause = 1 if why in ("power", "cut") else 3
        self._kill_child()
        self._fifo.clear()
        if self.usb_gone_s:
            self._unplug_now()
            self._jobs.append((self.now_us * 1e-6 + self.usb_gone_s, self.plug_in))
        self._start_child()

    def _restart_softly(self, raw: bool) -> None:
        """The interpreter anew; the watchdog goes on, and so does the line to the host."""
        self.faults.resets.append("soft")
        dog, unread = self._dog_us, self._take_input()
        self._kill_child()
        self._dog_us = dog
        self._start_child(raw)
        if unread:
            self._to_input(unread)

    def _drain(self) -> bool:
        """Take what the firmware has written so far; False when the prompt's output has to wait for the host."""
        if self.interpreter != "micropython":
            return True
        while True:
            n = 65536
            if self._prompt and self._dtr():
                # A tool reads what the prompt prints at its own pace, and the board waits for it.
                self._to_host()
                n = _FIFO - len(self._fifo)
                wall = time.monotonic()
                if n > 0:
                    self._full_since = None
                else:
                    self._full_since = self._full_since or wall
                    if wall - self._full_since < _PROMPT_PATIENCE_S:
                        time.sleep(0.001)
                        return False
                    n = _FIFO
            try:
                data = os.read(self._stdout, n)
            except BlockingIOError:
                return True
            if not data:
                return True
            if self._full_since is None:
                self._push(data)

    def _answer(self, data: bytes = b"", error: int = 0) -> None:
        assert self._link_sock is not None
        us = self._ticks0_us + self.now_us
        head = _HEAD.pack(error, us // 1000 & 0x3FFFFFFF, us & 0x3FFFFFFF)
        self._link_sock.sendall(head if error else head + data)

    def _input_waiting(self) -> int:
        """How many bytes the firmware has not read yet."""
        if self.interpreter != "micropython":
            return len(self._to_board)
        if not self._maybe_input:
            return 0
        import fcntl
        import termios

        n: int = struct.unpack("i", fcntl.ioctl(self._stdin_probe, termios.FIONREAD, b"\0\0\0\0"))[0]
        self._maybe_input = n > 0
        return n

    def _answer_poll(self) -> None:
        """A waiting firmware goes on when a byte has come or its time is over."""
        if self._poll_until_us is None:
            return
        if self._interrupt:
            self._poll_until_us = None
            self._deliver_interrupt()
            return
        ready = self._input_waiting() if self._polling else 0
        if ready or self.now_us >= self._poll_until_us:
            self._poll_until_us = None
            self._answer(bytes((min(255, ready),)) if self._polling else b"")

    def _deliver_interrupt(self) -> None:
        """Ctrl-C: what was not read before it is gone, the request under way ends with it."""
        held, self._held = self._held, b""
        self._interrupt = False
        self._take_input()
        if held:
            self._to_input(held)
        self._answer(error=_KEYBOARD)

    def _serve(self) -> None:
        """Requests of the firmware, one after another for as long as there is nothing else to do."""
        sock = self._link_sock
        while sock is not None and sock is self._link_sock:
            try:
                data = sock.recv(65536)
            except (BlockingIOError, TimeoutError):
                return  # it computes: look after the rest meanwhile
            except OSError:
                data = b""
            if not data:
                self._drain()
                self._restart("exit")
                return
            self._requests += data
            try:
                while self._request():
                    pass
            except (BrokenPipeError, ConnectionResetError):
                self._drain()
                self._restart("exit")
                return
            if self._poll_until_us is not None and not self._pass_time():
                return
            if self._calls or self._stop.is_set() or self._job_due():
                return

    def _request(self) -> bool:
        """Do one request that has arrived; False when there is none."""
        buffer = self._requests
        if len(buffer) < 4:
            return False
        op, a, b, n = buffer[:4]
        fed, op = op & 0x80, op & 0x7F
        size = 4
        if op in _WITH_PAYLOAD:
            size += n * PAGE if op == 0x51 else n
            if len(buffer) < size:
                return False
        payload = bytes(buffer[4:size])
        del buffer[:size]
        while not self._drain():
            pass  # what was written before this request came before it
        if self._debt_us:
            self.now_us += self._debt_us
            self._debt_us = 0
        if fed and self._dog_us is not None:
            self._dog_due_us = self.now_us + self._dog_us
        if self._interrupt and op not in _NO_INTERRUPT:
            self._deliver_interrupt()
            return True
        what = self._ops.get(op)
        if what is None:
            self._answer(error=22)
        else:
            what(a, b, n, payload)
        if self._dog_us is not None and self.now_us > self._dog_due_us:
            self._restart("watchdog")
        return True

    # --- requests ---

    def _op_read(self, address: int, register: int, n: int, _: bytes) -> None:
        self.now_us += _I2C_US
        self.box.advance(self.now_us * 1e-6)
        try:
            data = self.bus.read(address, register, n, self.now_us)
        except OSError as e:
            self._answer(error=e.errno or 5)
        else:
            self._answer(data)

    def _op_write(self, address: int, register: int, _: int, payload: bytes) -> None:
        self.now_us += _I2C_US
        self.box.advance(self.now_us * 1e-6)
        try:
            self.bus.write(address, register, payload, self.now_us)
        except OSError as e:
            self._answer(error=e.errno or 5)
        else:
            self._answer()

    def _op_write_raw(self, address: int, more: int, n: int, payload: bytes) -> None:
        """Bytes to an address: to the display, or a register and its bytes to a chip."""
        if address != self._display_at or self.bus.stuck:
            self._op_write(address, payload[0] if payload else 0, n, payload[1:])
            return
        self.now_us += _I2C_BYTE_US * (n + 1)
        if not more:
            self.display_bytes.clear()
        self.display_bytes += payload
        self._answer()

    def _op_scan(self, *_: Any) -> None:
        there = bytearray(16)
        self.now_us += 112 * 2 * _I2C_BYTE_US
        if not self.bus.stuck:
            for address in [a for a, chip in self.bus.chips.items() if not chip.missing] + [self._display_at]:
                if address is not None:
                    there[address >> 3] |= 1 << (address & 7)
        self._answer(bytes(there))

    def _op_poll(self, a: int, b: int, mask: int, _: bytes) -> None:
        if mask == 4:  # POLLOUT: one byte free is enough for "yes"
            self._to_host()
            self._answer(bytes((not self._dtr() or len(self._fifo) < _FIFO,)))
            return
        self._poll_until_us = self.now_us + (a | b << 8) * 1000
        self._polling = True
        self._answer_poll()

    def _sleep(self, us: int) -> None:
        self._poll_until_us = self.now_us + us
        self._polling = False
        self._answer_poll()

    def _op_lightsleep(self, a: int, b: int, n: int, _: bytes) -> None:
        ms = a | b << 8 | n << 16
        self.slept_ms += ms
        self._sleep(ms * 1000)

    def _op_onewire(self, what: int, byte: int, n: int, _: bytes) -> None:
        self.now_us += _ONEWIRE_US * max(1, n if what == 2 else 1)
        self.box.advance(self.now_us * 1e-6)
        if what == 0:
            self._answer(bytes((self.thermometer.reset(self.now_us),)))
        elif what == 1:
            self.thermometer.write(byte, self.now_us)
            self._answer()
        else:
            self._answer(self.thermometer.read(n))

    def _op_dog(self, a: int, b: int, *_: Any) -> None:
        self._dog_us = (a | b << 8) * 1000
        self._dog_due_us = self.now_us + self._dog_us
        self._answer()

    def _op_reset(self, kind: int, *_: Any) -> None:
        if kind:
            self._restart_softly(kind == 2)
        else:
            self._restart("asked")

    def _op_interrupts(self, on: int, prompt: int, *_: Any) -> None:
        self._interruptible = bool(on)
        self._prompt = self._prompt or bool(prompt)
        if not on and self._interrupt:
            self._interrupt = False
            self._to_input(self._held)
            self._held = b""

    def _op_i2c(self, *_: Any) -> None:
        self._driven.pop(self._sda, None)
        self._driven.pop(self._scl, None)

    def _op_pin(self, pin: int, level: int, *_: Any) -> None:
        """A pin driven to a level, or let go (255). An open drain at 1 is as good as let go."""
        before = self._driven.get(pin, 1)
        if level == 255:
            self._driven.pop(pin, None)
            level = 1
        else:
            self._driven[pin] = level
            self._history(self.pins, pin).append((self.now_s, level))
        if pin == self._scl and level and not before:
            self.bus.clock()

    def _op_level(self, pin: int, pull: int, *_: Any) -> None:
        if pin == self._sda:
            level = self.bus.sda() and self._driven.get(pin, 1)
        elif pin == self._vbus:
            level = int(self._master is not None or self._listener is not None)
        else:
            level = self.pin_inputs.get(pin, self._driven.get(pin, int(pin == self._scl or pull == 1)))
        self._answer(bytes((level,)))

    def _op_pwm(self, pin: int, _: int, __: int, payload: bytes) -> None:
        hz, duty = struct.unpack("<IH", payload)
        self._history(self.pwm, pin).append((self.now_s, hz, duty))

    @staticmethod
    def _history(of: dict[int | str, deque[Any]], pin: int) -> deque[Any]:
        return of.setdefault("LED" if pin == 25 else pin, deque(maxlen=_HISTORY))

    def _uart_of(self, uart: int) -> bytearray:
        return self._uart.get(uart, (0, bytearray()))[1]

    def _op_uart_read(self, uart: int, _: int, n: int, __: bytes) -> None:
        waiting = self._uart_of(uart)
        self._answer(bytes(waiting[:n]))
        del waiting[:n]

    def _op_uart_write(self, _: int, __: int, ___: int, payload: bytes) -> None:
        self.uart_sent += payload
        self._answer()

    def _op_text(self, _: int, __: int, ___: int, payload: bytes) -> None:
        self.display = payload.decode("utf-8", "replace").split("\n") if payload else []

    def _op_flash(self, program: bool, at: int, data: bytes) -> None:
        chip = self._need_littlefs()
        self.now_us += _PROGRAM_US * (len(data) // PAGE) if program else _ERASE_US
        try:
            good = chip.program(at, data) if program else chip.erase(at)
        except PowerCut:
            if self._cut_chips:
                self._chips_lose_power()
            self._restart("cut")
            return
        self._answer(error=0 if good else 5)

    def _op_serial_out(self, _: int, __: int, ___: int, payload: bytes) -> None:
        self._push(payload)
        self._answer()

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

    def _job_due(self) -> bool:
        return bool(self._jobs) and min(job[0] for job in self._jobs) <= self.now_us * 1e-6

    def _pass_time(self) -> bool:
        """Let time pass for a waiting firmware, no faster than the speed allows; True when it goes on."""
        for key, _ in self._selector.select(0):
            if key.fileobj is not self._link_sock:
                key.data()
        self._dtr()
        self._to_host()
        if self._poll_until_us is None:
            return True
        wall = time.monotonic()
        allowed_us = int((wall - self._wall0) * self.speed * 1e6)
        if allowed_us - self.now_us > 5e6 * max(1.0, self.speed):
            # The machine slept or is much too slow: do not chase after the lost time.
            self._wall0 = wall - self.now_us * 1e-6 / self.speed
            allowed_us = self.now_us
        owed = self._unanswered is not None and self.speed > 1 and wall - self._unanswered < 1.0
        if not (owed and self._dtr()):
            self.now_us = max(self.now_us, min(self._poll_until_us, allowed_us))
        self._answer_poll()
        if self._poll_until_us is None:
            return True
        if self._dog_us is not None and self.now_us > self._dog_due_us:
            self._restart("watchdog")
        return False

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
        timeout = _WAIT_S
        if self._poll_until_us is not None:
            self._pass_time()
            if self._poll_until_us is None:
                timeout = 0.0
            else:
                timeout = min(timeout, max(0.0, (self._poll_until_us - self.now_us) * 1e-6 / self.speed))
        for key, _ in self._selector.select(timeout):
            key.data()
