"""
The firmware onto a board, and news of it later.

In: a serial port that was named by the user. Out: the board's flash holds our
files, checked by their hashes, and the board runs them. It talks to the
prompt of MicroPython through mpremote's transport; a running firmware is
asked to let go first, because a watchdog that was started can't be stopped.
It never touches calibration.json, settings.json or log/.

The order keeps a board that loses its power or cable in the middle
installable: main.py goes first and comes back last, so that no mixture of old
and new files ever runs, and a file is replaced only when its successor stands
on the flash whole.
"""

from __future__ import annotations

import ast
import contextlib
import hashlib
import importlib
import io
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

import serial

from ampledger import boardfiles, link, wire
from ampledger.errors import BoxError, ConfigError, LinkError

_FOLDER = "lib/ampboard/"
_CONFIG = _FOLDER + "config.py"
_CHUNK = 1024
_BACK_S = 15.0  # a restarted board is back on USB well before that
_ANSWERS_S = 8.0
_MIP = ["mip", "install", "ssd1306"]

# Run on the board. Paths are relative: the prompt begins in the root of the flash.
_HASHES = """
import os, hashlib, binascii
def hash_of(name):
    h = hashlib.sha256()
    with open(name, 'rb') as f:
        while True:
            b = f.read(512)
            if not b:
                return binascii.hexlify(h.digest()).decode()
            h.update(b)
def listed(folder):
    try:
        return os.listdir(folder)
    except OSError:
        return []
names = [n for n in listed('.') if n in ('boot.py', 'main.py')]
names += ['lib/ampboard/' + n for n in listed('lib/ampboard')]
found = []
for n in names:
    try:
        found.append((n, hash_of(n)))
    except OSError:
        pass
print(found)
"""


def install(port: str, say: Callable[[str], None] = print) -> int:
    """Put all files of the firmware on the board and start it. Returns how many were written."""
    written, _ = _put(port, say, everything=True)
    return len(written)


def update(port: str, say: Callable[[str], None] = print) -> list[str]:
    """
    Put on the board what differs from our files, remove files of ours that are no longer part of it, start it.

    Returns the paths that were written or removed. Raises ConfigError when the board was set up as another build.
    """
    written, removed = _put(port, say, everything=False)
    return written + removed


def maintenance(port: str, say: Callable[[str], None] = print) -> None:
    """Leave the board at its prompt, without firmware and watchdog, until its next restart."""
    with _prompt(port, say):
        pass
    say(
        f"The board waits at its prompt, without the firmware: `mpremote connect {port}` talks to it. "
        "The next restart is a normal one."
    )


def firmware_on(port: str, say: Callable[[str], None] = print) -> dict[str, str]:
    """Path -> SHA-256 (hex) of the firmware's files on the board; the board restarts for it, twice."""
    with _prompt(port, say) as board:
        found = board.hashes()
        board.reset()
    _wait_for(port)
    return found


def ours() -> dict[str, str]:
    """The same of the files of this program."""
    return {to: hashlib.sha256(path.read_bytes()).hexdigest() for to, path in boardfiles.firmware().items()}


def _put(port: str, say: Callable[[str], None], everything: bool) -> tuple[list[str], list[str]]:
    """Paths written and paths removed."""
    want = ours()
    with _prompt(port, say) as board:
        there = board.hashes()
        if not everything:
            try:
                _same_build(port, board, there)
            except BoxError:
                board.reset()  # nothing was changed: it goes on counting with what it has
                raise
        changed = [name for name in want if everything or there.get(name) != want[name]]
        stale = [name for name in there if name not in want]
        if changed or stale:
            if "main.py" in there:
                board.run("os.remove('main.py')")
            for name in stale:
                say(f"  {name} is no longer part of the firmware: removed")
                board.run(f"os.remove({name!r})")
            # Folders and boot.py first, main.py last.
            for name in sorted(changed, key=lambda n: (n == "main.py", n)):
                if name == "main.py":
                    continue
                board.write(name, want[name], say)
            standing = board.hashes()
            wrong = [n for n in want if n != "main.py" and standing.get(n) != want[n]]
            if wrong:
                raise LinkError(
                    f"After copying, {', '.join(wrong)} on the board are not as they were sent. Install again; if it "
                    "stays so, the board's flash is worn or broken."
                )
            board.write("main.py", want["main.py"], say if "main.py" in changed else lambda text: None)
        display = boardfiles.config().get("DISPLAY") and not board.has_display_driver()
    if display:
        _fetch_display_driver(port, say)
    with _prompt(port, lambda text: None, at_prompt=True) as board:
        board.reset()
    _started(port, say)
    return changed, stale


def _same_build(port: str, board: _Board, there: dict[str, str]) -> None:
    """An update keeps a board the build it is."""
    if not there:
        raise LinkError(
            f"There is no ampledger firmware on the board at {port}: `ampledger board install --serial {port}` puts "
            "it there."
        )
    if _CONFIG not in there:
        return
    theirs, mine = board.config().get("NAME"), boardfiles.config().get("NAME")
    if theirs is not None and theirs != mine:
        raise ConfigError(
            f"The board was set up as {theirs!r}, and the config.py of this program is of {mine!r}. Make the config "
            "of that build first (hardware/README.md says how), or change the board over with `ampledger board "
            f"install --serial {port}`."
        )


def _fetch_display_driver(port: str, say: Callable[[str], None]) -> None:
    """micropython-lib's ssd1306 by mip. Without it the board works, with a dark display."""
    command = [sys.executable, "-m", "mpremote", "connect", port, *_MIP]
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)
        failed = done.returncode != 0
        lines = [line for line in (done.stdout + done.stderr).splitlines() if line.strip()]
        why = lines[-1].strip() if lines else f"code {done.returncode}"
    except (OSError, subprocess.TimeoutExpired) as e:
        failed, why = True, str(e)
    if failed:
        say(
            f"The display's driver could not be fetched ({why}): that needs the internet. The board works without it; "
            f"later: mpremote connect {port} mip install ssd1306"
        )
    else:
        say("  the display's driver, from micropython-lib")


def _started(port: str, say: Callable[[str], None]) -> None:
    """See whether the firmware answers; the line may break once more while the board comes back."""
    for last in (False, True):
        try:
            _wait_for(port)
            info = link.ask(port, _ANSWERS_S)
            break
        except LinkError as e:
            if last:
                raise LinkError(f"The files are on the board, but it does not answer after its restart. {e}") from e
            time.sleep(1.0)
    say(f"The board answers: firmware {info.get('version')}, {info.get('board')}.")


def _wait_for(port: str) -> None:
    """Until the port can be opened; a restarted board is gone from USB for a moment."""
    end = time.monotonic() + _BACK_S
    while True:
        try:
            link.opened(port).close()
            return
        except (serial.SerialException, OSError, ValueError) as e:
            if time.monotonic() > end:
                raise LinkError(f"The board has not come back after its restart: {link.why_not(port, e)}") from e
            time.sleep(0.2)


class _Board:
    """A board at its raw prompt."""

    def __init__(self, port: str, transport: Any) -> None:
        self.port, self._transport = port, transport

    def run(self, code: str) -> str:
        """Run code on the board; returns what it printed."""
        return str(self._transport.exec(code).decode("utf-8", "replace"))

    def hashes(self) -> dict[str, str]:
        """Path -> SHA-256 of what is there of our files."""
        return dict(ast.literal_eval(self.run(_HASHES).strip()))

    def config(self) -> dict[str, Any]:
        """Names and values of its config.py, {} for one that can't be understood."""
        text = self.run(f"with open({_CONFIG!r}, 'rb') as f: print(f.read())").strip()
        try:
            return boardfiles.config(ast.literal_eval(text).decode())
        except (ValueError, SyntaxError):
            return {}

    def has_display_driver(self) -> bool:
        """Whether a module ssd1306 is there."""
        found = self.run("print([n for n in listed('lib') + listed('.') if n.startswith('ssd1306.')])")
        return found.strip() != "[]"

    def watched(self) -> bool:
        """Whether our boot.py is there, so that its flag keeps the firmware away once."""
        found = self.run("import os\nprint('boot.py' in os.listdir() and 'maintenance' in open('boot.py').read())")
        return found.strip() == "True"

    def write(self, name: str, digest: str, say: Callable[[str], None]) -> None:
        """One of our files, whole or not at all."""
        data = boardfiles.firmware()[name].read_bytes()
        say(f"  {name} ({len(data)} bytes)")
        parts = name.split("/")
        for i in range(1, len(parts)):
            folder = "/".join(parts[:i])
            self.run(f"try:\n    os.mkdir({folder!r})\nexcept OSError:\n    pass")
        new = name + ".new"
        self.run(f"f = open({new!r}, 'wb')")
        for at in range(0, len(data), _CHUNK):
            self.run(f"f.write({data[at : at + _CHUNK]!r})")
        if self.run(f"f.close()\nprint(hash_of({new!r}))").strip() != digest:
            raise LinkError(f"{name} did not arrive on the board as it was sent. Install again, with another cable.")
        self.run(f"os.rename({new!r}, {name!r})")

    def reset(self) -> None:
        """Restart the board, a moment later, so that the order is acknowledged; it can't be talked to any more."""
        # A board that goes at once takes the acknowledgement with it: whether it came back is seen afterwards.
        with contextlib.suppress(serial.SerialException, OSError, _mpremote()[1]):
            self._transport.exec_raw_no_follow("import machine, time\ntime.sleep_ms(200)\nmachine.reset()")
            self._transport.serial.flush()
        time.sleep(0.5)


def _mpremote() -> tuple[Any, Any, Any]:
    """Its SerialTransport, TransportError and TransportExecError."""
    try:
        errors = importlib.import_module("mpremote.transport")
        line = importlib.import_module("mpremote.transport_serial")
    except ImportError as e:
        raise ConfigError(f"mpremote is needed to talk to the board ({e}): pip install mpremote") from e
    return line.SerialTransport, errors.TransportError, errors.TransportExecError


@contextlib.contextmanager
def _prompt(port: str, say: Callable[[str], None], at_prompt: bool = False) -> Iterator[_Board]:
    """
    The board at its raw prompt, without firmware and watchdog, and afterwards at its friendly one.

    at_prompt : it is there already.
    """
    if not at_prompt:
        _let_go(port, say)
    with _raw(port) as board:
        # A firmware that did not answer may have left a watchdog behind, which would bite in the middle of the copy.
        again = not at_prompt and not _is_quiet(board)
        if again:
            board.run("with open('maintenance', 'w') as f: f.write('1')")
            board.reset()
        else:
            yield board
    if again:
        _wait_for(port)
        with _raw(port) as board:
            yield board


def _is_quiet(board: _Board) -> bool:
    """Whether this start of the board left the firmware alone."""
    return not board.watched() or board.run("print(globals().get('maintenance'))").strip() == "True"


def _let_go(port: str, say: Callable[[str], None]) -> None:
    """Ask a running firmware to restart without itself; tell what a board printed that has stopped."""
    try:
        handle = link.opened(port)
    except (serial.SerialException, OSError, ValueError) as e:
        raise LinkError(link.why_not(port, e)) from e
    handle.close()
    try:
        link.ask(port)
    except LinkError as e:
        text = _printed(str(e))
        if "Traceback" in text or "Error" in text:
            say(f"The firmware on the board does not run. It printed:\n{text}")
        if "wire version" not in str(e):
            return
    else:
        say("The board restarts for maintenance.")
    with contextlib.suppress(serial.SerialException, OSError), contextlib.closing(link.opened(port)) as handle:
        handle.write(wire.command("maintenance"))
        handle.flush()
        time.sleep(0.3)
    time.sleep(0.7)
    _wait_for(port)


def _printed(sentence: str) -> str:
    """What a board printed, out of the sentence of `link.ask`; without the echo of our own question."""
    _, _, said = sentence.partition(" It printed: ")
    try:
        text = str(ast.literal_eval(said.removesuffix(".")))
    except (ValueError, SyntaxError):
        text = said
    return text.partition("hello;")[0].strip()


@contextlib.contextmanager
def _raw(port: str) -> Iterator[_Board]:
    """mpremote's transport in the raw prompt; its errors become sentences."""
    transport_of, refused, failed = _mpremote()
    transport: Any = None
    began = False
    try:
        # It prints what it does not understand; that is in the errors already.
        with contextlib.redirect_stdout(io.StringIO()):
            for last in (False, True):
                try:
                    transport = transport_of(port)
                    transport.serial.timeout = 10.0
                    transport.enter_raw_repl()
                    break
                except refused:
                    # It may just be starting, or have been restarted by its watchdog in between.
                    _close(transport)
                    if last:
                        raise
                    time.sleep(1.0)
        began = True
        board = _Board(port, transport)
        yield board
        with contextlib.suppress(serial.SerialException, OSError):
            transport.exit_raw_repl()
    except failed as e:
        text = str(getattr(e, "error_output", "")) or str(e)
        if "ENOSPC" in text or re.search(r"OSError: .*\b28\b", text):
            raise LinkError(
                f"The board's flash is full. See what is on it with `mpremote connect {port} fs ls`, remove what is "
                "not ours (its readings in log/ only after they have been fetched), and install again."
            ) from e
        line = text.strip().splitlines()[-1] if text.strip() else "no reason given"
        raise LinkError(f"The board refused a step of the installation ({line}). Unplug it, and install again.") from e
    except refused as e:
        if began:
            raise LinkError(_broken(port, e)) from e
        raise LinkError(
            f"{port} does not come to the prompt of MicroPython ({e}). Is MicroPython on the board? For a Pico: hold "
            "BOOTSEL while plugging it in, and copy MicroPython's .uf2 file onto the drive that appears."
        ) from e
    except (serial.SerialException, OSError) as e:
        raise LinkError(_broken(port, e)) from e
    finally:
        _close(transport)


def _broken(port: str, e: BaseException) -> str:
    return (
        f"The line to the board at {port} broke ({e or type(e).__name__}). Is the cable in? The board waits without "
        "its firmware until it is installed again; calibration and readings on it are untouched."
    )


def _close(transport: Any) -> None:
    if transport is not None:
        with contextlib.suppress(Exception):
            transport.serial.close()
