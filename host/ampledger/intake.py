"""
A log file that a page brings in: taken piece by piece, then read by what `ampledger import` reads it with.

In: pieces of a file in their order, the store. Out: an imported log, whole or not at all, and how far it is as `Work`.
The bytes lie in a temporary file beside the store, which has a name of ours and is gone at the end, however that comes
about; never more than a piece of them is in memory. One file at a time.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
import threading
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

from ampledger.errors import BoxError, ConfigError, StoreError, plain
from ampledger.interchange import import_log
from ampledger.logfile import MOST_BYTES
from ampledger.store import Store
from ampledger.work import Stopped, Work

_PREFIX = "being-brought-in-"
_SILENT_S = 30.0  # a page that sends nothing for so long is gone (judgement)
_LEFT_S = 86_400.0  # a file of ours that is so old was left by a kill
_ROOM = 200_000_000  # what must stay free on the disk beside the file and what comes of it (judgement) [byte]
_TAKEN = 0.2  # what taking the bytes is of it all: the rest is reading, summing and writing (judgement)
_NOTHING = "Nothing of it was kept."


class Intake:
    """
    Where files are brought in. For several threads.

    free : how many bytes of the store's disk are free.
    """

    def __init__(
        self,
        store: Store,
        clock: Callable[[], float],
        free: Callable[[], float],
        ticks: Callable[[], float] = time.monotonic,
    ) -> None:
        self._store, self._clock, self._free, self._ticks = store, clock, free, ticks
        self._guard = threading.RLock()
        self._work: Work | None = None
        self._file: IO[bytes] | None = None  # while pieces come
        self._path: Path | None = None
        self._id, self._name, self._size, self._at, self._sort = "", "", 0, 0, False
        self._heard_s = 0.0
        self._thread: threading.Thread | None = None
        for left in store.path.parent.glob(_PREFIX + "*"):
            with contextlib.suppress(OSError):
                if time.time() - left.stat().st_mtime > _LEFT_S:
                    left.unlink()

    def piece(self, file: str, name: str, size: int, at: int, data: bytes, sort: bool) -> None:
        """
        Take a piece; the first begins, with the last the reading begins.

        Parameters
        ----------
        file : by which the pieces of one file are known
        name : what people call it; it names no file here
        size, at : of the whole file, and where in it this piece begins. [byte]
        sort : put rows into order of time and leave out what is there twice, instead of refusing

        Raises ConfigError for what can't be, StoreError when the disk refuses.
        """
        with self._guard:
            self._look()
            if at == 0:
                self._begin(file, name, size, sort)
            if self._file is None or self._path is None or self._work is None or file != self._id:
                raise ConfigError("This file is not being brought in any more: choose it again.")
            if at != self._at or at + len(data) > self._size or size != self._size or not data:
                self._drop("failed", f"A piece of it did not fit the one before. {_NOTHING}")
                raise ConfigError(f"This piece does not follow the one before. {_NOTHING} Choose the file again.")
            try:
                self._file.write(data)
                self._at += len(data)
                if self._at == self._size:
                    self._file.close()
            except OSError as e:
                why = f"There is no room for it beside the records ({e.strerror or e}). {_NOTHING}"
                self._drop("failed", why)
                raise StoreError(why) from e
            self._heard_s = self._ticks()
            self._work.step(_TAKEN * self._at / self._size)
            if self._at == self._size:
                self._file = None
                self._thread = threading.Thread(
                    target=self._read, args=(self._work, self._path), name="intake", daemon=True
                )
                self._thread.start()

    def _begin(self, file: str, name: str, size: int, sort: bool) -> None:
        if self._work is not None and self._work.state == "running":
            raise ConfigError("Another file is being brought in: wait until it is, or stop it.")
        if not 0 < size <= MOST_BYTES:
            raise ConfigError(
                f"An empty file, or one of more than {MOST_BYTES >> 20} MiB, can't be brought in: choose another, or "
                "split it into shorter logs."
            )
        # The file itself, and rows and sums of it, which are smaller.
        if self._free() < 2 * size + _ROOM:
            raise ConfigError(f"There is no room for {size / 1e6:.0f} MB beside the records: free some of that disk.")
        try:
            handle, path = tempfile.mkstemp(prefix=_PREFIX, dir=self._store.path.parent)
        except OSError as e:
            raise StoreError(f"No file can be made beside the records ({e.strerror or e}).") from e
        self._file, self._path = os.fdopen(handle, "wb"), Path(path)
        self._id, self._name, self._size, self._at, self._sort = file, plain(name, 200), size, 0, sort
        self._work = Work("import", f"Bringing in {self._name}", ticks=self._ticks)
        self._heard_s = self._ticks()

    def _drop(self, state: str, why: str) -> None:
        """What has come of a file is thrown away."""
        if self._file is not None:
            with contextlib.suppress(OSError):
                self._file.close()
            self._file = None
        _remove(self._path)
        if self._work is not None:
            self._work.end(state, why)

    def _look(self) -> None:
        """A page that is gone does not keep others from bringing something in."""
        if self._file is not None and self._ticks() - self._heard_s > _SILENT_S:
            self._drop("failed", f"The page that sent it is gone. {_NOTHING} Choose it again.")

    def _read(self, work: Work, path: Path) -> None:
        def tell(share: float) -> None:
            if not work.step(_TAKEN + (1.0 - _TAKEN) * share):
                raise Stopped

        state, why = "failed", ""
        try:
            number, log = import_log(self._store, path, self._clock(), self._sort, tell, called=self._name)
            state, why = "done", f"{len(log.times_text)} rows are in the store as log:{number}."
            if log.warnings:
                more = len(log.warnings) - 1
                why += f" Note: {plain(log.warnings[0])}" + (f" And {more} more notes." if more else "")
        except Stopped:
            state, why = "stopped", _NOTHING
        except BoxError as e:
            why = plain(e, 600)
        except Exception as e:
            traceback.print_exc()
            why = f"A fault in this program: {plain(repr(e))}. {_NOTHING}"
        finally:
            _remove(path)
            work.end(state, why)

    def wish(self, act: str) -> None:
        """Stop what is under way, or close what has ended. Raises ConfigError where there is no such thing."""
        with self._guard:
            work = self._work
            if work is None or (act == "stop") != (work.state == "running") or act not in ("stop", "close"):
                raise ConfigError("There is nothing of that kind to stop or to close.")
            if act == "close":
                self._work = None
            elif work.stop() and self._file is not None:
                self._drop("stopped", _NOTHING)

    def told(self) -> list[dict[str, Any]]:
        """What there is to say of it, for the page."""
        with self._guard:
            self._look()
            return [] if self._work is None else [self._work.told()]

    def close(self) -> None:
        """Stop what is under way; nothing of it stays."""
        with self._guard:
            if self._work is not None and self._work.state == "running":
                self.wish("stop")
            thread = self._thread
        if thread is not None:
            thread.join(30)


def _remove(path: Path | None) -> None:
    if path is not None:
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)
