"""
The record store: one SQLite file, raw records exactly as the board sent them.

In: frames and what the board says of itself. Out: the same again, in order.
Readings are keyed by (device, boot, seq) and a record that is there already
is left alone, so asking a board twice costs nothing. Raw rows are never
changed; what was concluded from them lives in tables of its own. One process
writes; `synchronous=FULL`, so a committed record survives a power cut.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import IO, Any

from ampledger import wire
from ampledger.decode import Frame
from ampledger.errors import StoreError

SCHEMA = 1
_AT_ONCE = 2000

_TABLES = """
CREATE TABLE info (device TEXT, boot INTEGER, received_s REAL, json TEXT, PRIMARY KEY (device, boot)) WITHOUT ROWID;
CREATE TABLE reading (device TEXT, boot INTEGER, seq INTEGER, mono_ms INTEGER, payload BLOB,
    PRIMARY KEY (device, boot, seq)) WITHOUT ROWID;
CREATE TABLE anchor (device TEXT, boot INTEGER, mono_ms INTEGER, unix_ms INTEGER, uncertainty_ms INTEGER,
    PRIMARY KEY (device, boot, mono_ms)) WITHOUT ROWID;
CREATE TABLE event (id INTEGER PRIMARY KEY, time_s REAL, kind TEXT, code TEXT, json TEXT);
CREATE TABLE state (name TEXT PRIMARY KEY, json TEXT) WITHOUT ROWID;
"""


class Store:
    """
    The open store.

    path : the file; made if it is not there, folders included.
    look : only read, also while another process writes; a file that is not there is an error then.

    Raises StoreError when it can't be opened, is of a newer program, belongs
    to something else, or is being written by another process. A file that is
    refused is not changed.
    """

    def __init__(self, path: Path, look: bool = False) -> None:
        self.path = path
        self._lock: IO[bytes] | None = None
        self._db: sqlite3.Connection | None = None
        try:
            if look and not path.is_file():
                raise StoreError(f"There is no {path}: name the file of the records with --data.")
            if look:
                self._db = db = _look(path)
            else:
                path.parent.mkdir(parents=True, exist_ok=True)
                self._lock = _hold(path)
                self._db = db = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
            found = int(db.execute("PRAGMA user_version").fetchone()[0])
            tables = {name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
            if tables and "reading" not in tables:
                raise StoreError(f"{path} is the database of another program: choose another file with --data.")
            if found > SCHEMA:
                raise StoreError(
                    f"{path} was written by a newer ampledger (schema {found}, this one knows {SCHEMA}): "
                    "update ampledger, or choose another file with --data."
                )
            if look:
                if not tables:
                    raise StoreError(f"{path} holds no records.")
                return
            db.execute("PRAGMA journal_mode=WAL")
            db.execute("PRAGMA synchronous=FULL")
            if not tables:
                db.executescript(f"BEGIN;{_TABLES}PRAGMA user_version={SCHEMA};COMMIT;")
        except (sqlite3.Error, OSError) as e:
            self._release()
            raise StoreError(
                f"{path} can't be used as the record store ({e}): is it another kind of file, on a full or "
                "read-only disk? Choose another with --data."
            ) from e
        except StoreError:
            self._release()
            raise

    def close(self) -> None:
        """Close; everything committed is on the disk."""
        self._release()

    def _release(self) -> None:
        if self._db is not None:
            self._db.close()
            self._db = None
        if self._lock is not None:
            self._lock.close()
            self._lock = None

    def _open(self) -> sqlite3.Connection:
        if self._db is None:
            raise StoreError(f"{self.path} has been closed already.")
        return self._db

    @contextlib.contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        db = self._open()
        try:
            db.execute("BEGIN IMMEDIATE")
            yield db
            db.execute("COMMIT")
        except BaseException as e:
            # A full disk may have ended the transaction by itself; what matters is why.
            with contextlib.suppress(sqlite3.Error):
                db.execute("ROLLBACK")
            if not isinstance(e, sqlite3.Error):
                raise
            locked = "locked" in str(e)
            todo = "Close the other program that has it open." if locked else "Is its disk full, read-only or gone?"
            raise StoreError(f"Writing to {self.path} failed: {e}. {todo}") from e

    def _rows(self, query: str, values: tuple[object, ...]) -> list[Any]:
        try:
            return self._open().execute(query, values).fetchall()
        except sqlite3.Error as e:
            raise StoreError(f"Reading from {self.path} failed: {e}. Is its disk gone or damaged?") from e

    def add(self, device: str, frames: Iterable[Frame]) -> int:
        """
        Store readings, recalled readings and anchors in one transaction.

        Returns how many readings were new. When it returns they are durable;
        when it raises StoreError none of them was stored.
        """
        rows, anchors = [], []
        for frame in frames:
            if frame.kind in (wire.READING, wire.RECALLED):
                r = wire.take_reading(frame.payload)
                rows.append((device, r.boot, r.seq, r.mono_ms, frame.payload))
            elif frame.kind == wire.ANCHOR:
                anchors.append((device, *wire.take_anchor(frame.payload)))
        if not rows and not anchors:
            return 0
        with self._writing() as db:
            before = db.total_changes
            db.executemany("INSERT OR IGNORE INTO reading VALUES (?, ?, ?, ?, ?)", rows)
            new = db.total_changes - before
            db.executemany("INSERT OR REPLACE INTO anchor VALUES (?, ?, ?, ?, ?)", anchors)
        return new

    def add_info(self, info: dict[str, Any], received_s: float) -> None:
        """Keep what a board said of itself, the newest per boot."""
        with self._writing() as db:
            db.execute(
                "INSERT OR REPLACE INTO info VALUES (?, ?, ?, ?)",
                (str(info["device"]), int(info["boot"]), received_s, json.dumps(info)),
            )

    def add_info_if_new(self, info: dict[str, Any], received_s: float) -> None:
        """Keep a description for a start of which none is there."""
        with self._writing() as db:
            db.execute(
                "INSERT OR IGNORE INTO info VALUES (?, ?, ?, ?)",
                (str(info["device"]), int(info["boot"]), received_s, json.dumps(info)),
            )

    def add_event(self, time_s: float, kind: str, code: str, values: dict[str, Any]) -> None:
        """Keep a notice or an event of the link, with the figures that caused it."""
        with self._writing() as db:
            db.execute(
                "INSERT INTO event (time_s, kind, code, json) VALUES (?, ?, ?, ?)",
                (time_s, kind, code, json.dumps(values)),
            )

    def missing(self, device: str, boot: int, oldest: int, following: int) -> list[tuple[int, int]]:
        """Spans (first, last) of sequence numbers from `oldest` to before `following` that are not stored."""
        out: list[tuple[int, int]] = []
        at = oldest
        rows = self._rows(
            "SELECT seq FROM reading WHERE device = ? AND boot = ? AND seq >= ? AND seq < ? ORDER BY seq",
            (device, boot, oldest, following),
        )
        for (seq,) in rows:
            if seq > at:
                out.append((at, seq - 1))
            at = seq + 1
        if at < following:
            out.append((at, following - 1))
        return out

    def readings(self, device: str, boot: int, since_mono_ms: int = 0, after_seq: int = -1) -> list[wire.Reading]:
        """Stored readings of one boot in order."""
        return list(self.each(device, boot, since_mono_ms, after_seq))

    def each(self, device: str, boot: int, since_mono_ms: int = 0, after_seq: int = -1) -> Iterator[wire.Reading]:
        """The same one by one, some thousand in memory: a start may have millions. What comes meanwhile is taken in."""
        while True:
            rows = self._rows(
                "SELECT seq, payload FROM reading WHERE device = ? AND boot = ? AND seq > ? AND mono_ms >= ? "
                f"ORDER BY seq LIMIT {_AT_ONCE}",
                (device, boot, after_seq, since_mono_ms),
            )
            for after_seq, payload in rows:
                try:
                    reading = wire.take_reading(payload)
                except (wire.WireError, TypeError) as e:
                    raise StoreError(
                        f"Record {after_seq} of start {boot} in {self.path} is harmed ({e}): is the disk all right? "
                        "Take a copy of the file from before."
                    ) from e
                yield reading
            if len(rows) < _AT_ONCE:
                return

    def infos(self, device: str) -> list[dict[str, Any]]:
        """What a board said of itself, once for each of its starts, in the order of the starts."""
        rows = self._rows("SELECT json FROM info WHERE device = ?", (device,))
        try:
            return sorted((json.loads(text) for (text,) in rows), key=lambda info: int(info.get("boots", 0)))
        except (ValueError, TypeError, AttributeError) as e:
            raise StoreError(f"A description of the board in {self.path} is harmed ({e}).") from e

    def devices(self) -> list[str]:
        """Boards of which there are readings."""
        return [d for (d,) in self._rows("SELECT DISTINCT device FROM info ORDER BY device", ())]

    def anchors(self, device: str, boot: int) -> list[wire.Anchor]:
        """Anchors of one boot in order of the board's clock."""
        rows = self._rows(
            "SELECT boot, mono_ms, unix_ms, uncertainty_ms FROM anchor WHERE device = ? AND boot = ? ORDER BY mono_ms",
            (device, boot),
        )
        return [wire.Anchor(*row) for row in rows]

    def put_state(self, name: str, value: Any) -> None:
        """Keep one named value, JSON-able."""
        with self._writing() as db:
            db.execute("INSERT OR REPLACE INTO state VALUES (?, ?)", (name, json.dumps(value)))

    def get_state(self, name: str) -> Any:
        """A named value, None when there is none."""
        rows = self._rows("SELECT json FROM state WHERE name = ?", (name,))
        return json.loads(rows[0][0]) if rows else None


def _look(path: Path) -> sqlite3.Connection:
    """
    A connection that only reads. A WAL file wants a file beside it even for that; where it can't be made (a folder
    or medium without write permission) and nothing is left in a WAL, nobody writes it either: it can't change.
    """
    where = path.resolve().as_uri()
    db = sqlite3.connect(f"{where}?mode=ro", uri=True, isolation_level=None)
    try:
        db.execute("PRAGMA user_version").fetchone()
    except sqlite3.OperationalError:
        db.close()
        wal = path.with_name(path.name + "-wal")
        if wal.exists() and wal.stat().st_size:
            raise
        db = sqlite3.connect(f"{where}?mode=ro&immutable=1", uri=True, isolation_level=None)
    return db


def _hold(path: Path) -> IO[bytes]:
    """Claim the file for this process; the claim ends with the process, however that ends."""
    # 'a': never truncates what a running process holds.
    handle = open(path.with_name(path.name + ".lock"), "ab")  # noqa: SIM115
    try:
        if os.name == "nt":
            import msvcrt

            msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as e:
        handle.close()
        raise StoreError(
            f"{path} is being written by another ampledger: use its page, or give this one a file of its own with "
            "--data."
        ) from e
    return handle
