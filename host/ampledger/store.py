"""
The record store: one SQLite file, raw records exactly as the board sent them.

In: frames and what the board says of itself. Out: the same again, in order,
and sums of them by the minute and the quarter of an hour. A record that is
there already is left alone, so asking a board twice costs nothing. Raw
records (table `raw`, to be read as `reading`) are never changed, only packed
(`packing`) when they are old; what was added up (`run`, `rollup`) or
concluded from them (`estimate`, most of `event`, where the battery's cycles
are too) lives in tables of its own and can be made anew. The newest records
of a start wait outside of `run` and `rollup` until there are enough of them;
they are all that is beyond its last run, and every answer includes them. One
process writes; `synchronous=FULL`, so a committed record survives a power
cut. Several threads may share a store. Nothing here knows volts or wall time.
"""

from __future__ import annotations

import contextlib
import heapq
import json
import os
import sqlite3
import struct
import threading
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ampledger import packing, sums, wire
from ampledger.decode import Frame
from ampledger.errors import StoreError
from ampledger.sums import ROLLED, Positions

__all__ = ["ACTS", "ROLLED", "SCHEMA", "Estimated", "Event", "LogBlock", "Run", "Store"]

SCHEMA = 2
_SIZES = {wire.READING_SIZE, wire.READING_SIZE_1}
LEVELS = (1, 60, 900, 3600)  # seconds of a bucket; those of 1 s are not stored, they are made of the records as quickly
BLOCK = 1024  # records in a packed block
# So many new records may wait to be taken into the sums, which costs less for many at once, and writes a disk's pages
# once instead of four times a second. Whoever asks for sums gets them included.
WAITING = 2000
_AT_ONCE = 2000
_MOST = (1 << 63) - 1
# A record's key is one number, of its start and its own: rows that are appended by such a key cost half the pages.
_SHIFT, _LAST = 32, (1 << 32) - 1
_LONGEST_MS = 0xFFFF  # of a record: as much as its field holds
_KEPT = (60, 900, 3600)
_REDATED_S = 600.0  # the same cycle, concluded again, may end so much earlier

Event = tuple[float, str, str, dict[str, Any]]  # time [s], kind, code, values
#: What the operator does about a notice.
ACTS = ("seen", "later", "again")
# Events that nobody concludes: concluding anew must leave them. What happened on the link; that a notice of the program
# itself began and ended; that the figures of one had moved; what the forecast said; what the operator did about it.
_LIVED = ("happened", "arose", "over", "altered", "foresaw", *ACTS)
_UNTOLD = ("cycle", "altered", "foresaw", *ACTS)  # not among what was noticed

_SUMS = (*sums.ADDED, *sums.LOWEST, *sums.HIGHEST)
_ROLLED_NAMES = ROLLED.names or ()

_TABLES = f"""
CREATE TABLE start (id INTEGER PRIMARY KEY, device TEXT NOT NULL, boot INTEGER NOT NULL, life INTEGER NOT NULL,
    boots INTEGER, received_s REAL, info TEXT, UNIQUE (device, boot));
CREATE TABLE raw (id INTEGER PRIMARY KEY, mono_ms INTEGER, payload BLOB);
CREATE VIEW reading AS SELECT id >> {_SHIFT} AS start, id & {_LAST} AS seq, mono_ms, payload FROM raw;
CREATE TABLE pack (start INTEGER, first_seq INTEGER, last_seq INTEGER, first_ms INTEGER, last_ms INTEGER, data BLOB,
    PRIMARY KEY (start, first_seq)) WITHOUT ROWID;
CREATE INDEX pack_ms ON pack (start, last_ms, first_ms, last_seq);
CREATE TABLE run (start INTEGER, first_seq INTEGER, last_seq INTEGER, from_ms INTEGER, to_ms INTEGER,
    PRIMARY KEY (start, first_seq)) WITHOUT ROWID;
CREATE TABLE rollup (level INTEGER, start INTEGER, bucket INTEGER,
    {", ".join(f"{name} INTEGER" for name in _ROLLED_NAMES[1:])},
    PRIMARY KEY (level, start, bucket)) WITHOUT ROWID;
CREATE TABLE anchor (start INTEGER, mono_ms INTEGER, unix_ms INTEGER, uncertainty_ms INTEGER,
    PRIMARY KEY (start, mono_ms)) WITHOUT ROWID;
CREATE TABLE event (id INTEGER PRIMARY KEY, time_s REAL, kind TEXT, code TEXT, json TEXT, device TEXT, version TEXT);
CREATE INDEX event_time ON event (device, time_s);
CREATE TABLE estimate (device TEXT, time_s REAL, boot INTEGER, seq INTEGER, soc REAL, low REAL, high REAL,
    capacity_ah REAL, supply_a REAL, demand_a REAL, net_a REAL, verdict TEXT, source TEXT, version TEXT,
    PRIMARY KEY (device, time_s)) WITHOUT ROWID;
CREATE TABLE told (id INTEGER PRIMARY KEY, time_s REAL, device TEXT, what TEXT, json TEXT);
CREATE TABLE log (id INTEGER PRIMARY KEY, name TEXT, digest TEXT UNIQUE, imported_s REAL, rows INTEGER,
    first_us INTEGER, last_us INTEGER, json TEXT);
CREATE TABLE log_block (log INTEGER, level INTEGER, first_us INTEGER, last_us INTEGER, rows INTEGER, data BLOB,
    PRIMARY KEY (log, level, first_us)) WITHOUT ROWID;
CREATE TABLE harmed (device, boot, seq, mono_ms, payload);
CREATE TABLE IF NOT EXISTS state (name TEXT PRIMARY KEY, json TEXT) WITHOUT ROWID;
"""

_ADD_UP = (
    f"INSERT INTO rollup (level, start, bucket, {', '.join(_SUMS)}) VALUES (?, ?, ?{', ?' * len(_SUMS)}) "
    "ON CONFLICT DO UPDATE SET "
    + ", ".join(
        [
            *(f"{x} = {x} + excluded.{x}" for x in sums.ADDED),
            *(f"{x} = coalesce(min({x}, excluded.{x}), {x}, excluded.{x})" for x in sums.LOWEST),
            *(f"{x} = coalesce(max({x}, excluded.{x}), {x}, excluded.{x})" for x in sums.HIGHEST),
        ]
    )
)
_GET_SUMS = ", ".join(f"coalesce({x}, 0)" if x.endswith(("min", "max")) else x for x in _ROLLED_NAMES)
_NEW_READING = "INSERT OR REPLACE INTO raw VALUES (?, ?, ?)"
_OF_START = f"id >= ?1 << {_SHIFT} AND id <= (?1 << {_SHIFT}) + {_LAST}"
_RUNS = "SELECT first_seq, last_seq, from_ms, to_ms FROM run WHERE start = ?1"
_NEWEST_RUN = f"{_RUNS} ORDER BY first_seq DESC LIMIT 1"
_LAST_OF_RUNS = "SELECT last_seq FROM run WHERE start = ?1 ORDER BY first_seq DESC LIMIT 1"
_RECORDS = (wire.READING, wire.RECALLED)
_HEADS = struct.Struct("<5xIIB")
_NEW_RUN = "INSERT OR REPLACE INTO run VALUES (?, ?, ?, ?, ?)"


class Run(NamedTuple):
    """Records without a hole: first and last, from the beginning of the first to the end of the last. [ms]"""

    first_seq: int
    last_seq: int
    from_ms: int
    to_ms: int


class Estimated(NamedTuple):
    """What was concluded at the end of a minute; boot and seq say of which record."""

    time_s: float
    boot: int
    seq: int
    soc: float
    low: float
    high: float
    capacity_ah: float
    supply_a: float | None
    demand_a: float | None
    net_a: float | None
    verdict: str
    source: str
    version: str


class LogBlock(NamedTuple):
    """A piece of an imported log; what is in `data` is not the store's business. [us since 1970]"""

    level: int
    first_us: int
    last_us: int
    rows: int
    data: bytes


@dataclass(slots=True)
class _Tail:
    """
    The newest run of a start as it is in the table; where the counters stood at its end; the records that follow on
    it and are not in runs and sums yet; number of the last record.
    """

    run: Run
    positions: Positions
    waiting: list[packing.Records]
    last_seq: int


class Store:
    """
    The open store.

    path : the file; made if it is not there, folders included. One of schema 1 is brought up to date, after a copy
        of it was made beside it.
    look : only read, also while another process writes; a file that is not there is an error then.

    Raises StoreError when it can't be opened, is of a newer program, belongs
    to something else, or is being written by another process. A file that is
    refused is not changed.
    """

    def __init__(self, path: Path, look: bool = False) -> None:
        self.path = path
        self.brought_over = ""  # name of the copy, when this opening has changed the layout of the file
        self._guard = threading.RLock()
        self._lock: IO[bytes] | None = None
        self._db: sqlite3.Connection | None = None
        self._ids: dict[tuple[str, int], int] = {}
        self._tails: dict[int, _Tail] = {}
        self._ends: dict[tuple[int, int], Positions] = {}
        try:
            found = _inspect(path, look)
            if look:
                self._db = _look(path)
                return
            path.parent.mkdir(parents=True, exist_ok=True)
            self._lock = _hold(path)
            self._db = db = _connect(path)
            found = int(db.execute("PRAGMA user_version").fetchone()[0])
            db.execute("PRAGMA journal_mode=WAL")
            db.execute("PRAGMA synchronous=FULL")
            if not found:
                db.executescript(f"BEGIN;{_TABLES}PRAGMA user_version={SCHEMA};COMMIT;")
            elif found == 1:
                self._migrate()
        except (sqlite3.Error, OSError) as e:
            self._release()
            raise StoreError(
                f"{path} can't be used as the record store ({e}): is it another kind of file, on a full or "
                "read-only disk? Choose another with --data."
            ) from e
        except BaseException:
            self._release()
            raise

    def close(self) -> None:
        """Close; everything committed is on the disk."""
        with self._guard:
            if self._lock is not None and any(tail.waiting for tail in self._tails.values()):
                # Only sums: what they miss is taken in with the next records of that start.
                with contextlib.suppress(StoreError), self._writing() as db:
                    for start, tail in self._tails.items():
                        self._settle(db, start, tail)
        self._release()

    def _release(self) -> None:
        with self._guard:
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

    def _forget(self) -> None:
        self._ids.clear()
        self._tails.clear()
        self._ends.clear()

    @contextlib.contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with self._guard:
            db = self._open()
            try:
                db.execute("BEGIN IMMEDIATE")
                yield db
                db.execute("COMMIT")
            except BaseException as e:
                self._forget()
                # A full disk may have ended the transaction by itself; what matters is why.
                with contextlib.suppress(sqlite3.Error):
                    db.execute("ROLLBACK")
                if isinstance(e, sqlite3.Error):
                    locked = "locked" in str(e)
                    todo = "Is its disk full, read-only or gone?"
                    if locked:
                        todo = "Close the other program that has it open."
                    raise StoreError(f"Writing to {self.path} failed: {e}. {todo}") from e
                if isinstance(e, (ValueError, TypeError, KeyError, OverflowError, AttributeError)):
                    raise StoreError(
                        f"This can't be kept in {self.path} ({type(e).__name__}: {e}); nothing was changed. "
                        "Is the firmware of the board, or the file it came from, complete?"
                    ) from e
                raise

    @contextlib.contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        """Several questions to one and the same state of the file."""
        with self._guard:
            db = self._open()
            try:
                db.execute("BEGIN")
                yield db
            except (sqlite3.Error, OverflowError, ValueError, TypeError) as e:
                raise self._unread(e) from e
            finally:
                with contextlib.suppress(sqlite3.Error):
                    db.execute("ROLLBACK")

    def _unread(self, e: Exception) -> StoreError:
        return StoreError(
            f"Reading from {self.path} failed: {e}. Is its disk gone or damaged? Go on with a copy from before."
        )

    def _rows(self, query: str, values: tuple[object, ...] = ()) -> list[Any]:
        with self._guard:
            try:
                return self._open().execute(query, values).fetchall()
            except (sqlite3.Error, OverflowError, ValueError) as e:
                raise self._unread(e) from e

    # --- records ---

    def add(self, device: str, frames: Iterable[Frame]) -> int:
        """
        Store readings, recalled readings and anchors in one transaction.

        Returns how many readings were new. When it returns they are durable;
        when it raises StoreError none of them was stored.
        """
        frames = list(frames)
        payloads = [frame.payload for frame in frames if frame.kind in _RECORDS]
        anchors = [] if len(payloads) == len(frames) else [f.payload for f in frames if f.kind == wire.ANCHOR]
        if not payloads and not anchors:
            return 0
        new = 0
        with self._writing() as db:
            for boot, rows, some in _by_start(payloads):
                new += self._insert(db, self._id(db, device, boot), rows, some)
            for payload in anchors:
                try:
                    anchor = wire.take_anchor(payload)
                except wire.WireError as e:
                    raise ValueError(str(e)) from e
                row = (self._id(db, device, anchor.boot), *anchor[1:])
                db.execute("INSERT OR REPLACE INTO anchor VALUES (?, ?, ?, ?)", row)
        return new

    def _id(self, db: sqlite3.Connection, device: str, boot: int) -> int:
        """The key of a start, made if it is not there."""
        known = self._ids.get((device, boot))
        if known is not None:
            return known
        found = db.execute("SELECT id FROM start WHERE device = ? AND boot = ?", (device, boot)).fetchone()
        if found is None:
            db.execute(
                "INSERT INTO start (device, boot, life) VALUES "
                "(?1, ?2, (SELECT coalesce(max(life), 1) FROM start WHERE device = ?1))",
                (device, boot),
            )
            found = db.execute("SELECT last_insert_rowid()").fetchone()
        if len(self._ids) > 1000:
            self._ids.clear()
        self._ids[device, boot] = int(found[0])
        return int(found[0])

    def _insert(self, db: sqlite3.Connection, start: int, rows: packing.Records, payloads: list[bytes]) -> int:
        """Readings of one start and one length, twice; returns how many were new. Runs and sums follow."""
        first, in_a_row, monos = _numbers(rows, payloads)
        count = len(payloads)
        tail = self._tails.get(start) or self._find_tail(db, start)
        if (
            tail is not None
            and first == tail.last_seq + 1
            and in_a_row
            and (not tail.waiting or tail.waiting[0].dtype == rows.dtype)
        ):
            # What a board sends as it goes: run and sums follow some thousand at a time.
            key = (start << _SHIFT) + first
            db.executemany(_NEW_READING, zip(range(key, key + count), monos, payloads, strict=True))
            tail.waiting.append(rows)
            tail.last_seq += count
            if tail.last_seq - tail.run.last_seq >= WAITING:
                self._settle(db, start, tail)
            return count
        if tail is not None:
            self._settle(db, start, tail)
        seq = rows["seq"]
        if count > 1 and not bool((seq[1:] > seq[:-1]).all()):
            _, order = np.unique(seq, return_index=True)
            rows, payloads = rows[order], [payloads[i] for i in order.tolist()]
            seq = rows["seq"]
        near = self._near(db, start, int(seq[0]), int(seq[-1]))
        new = np.ones(len(seq), np.bool_)
        for run in near:
            new[np.searchsorted(seq, run.first_seq) : np.searchsorted(seq, run.last_seq, "right")] = False
        if not bool(new.any()):
            return 0
        if not bool(new.all()):
            rows, payloads = rows[new], [p for p, is_new in zip(payloads, new.tolist(), strict=True) if is_new]
        columns = packing.columns(rows)
        fresh = set(columns.seq.tolist())
        if any(run.first_seq - 1 in fresh and run.last_seq + 1 in fresh for run in near):
            # What stands after a stored run hangs on what comes before it: one after the other.
            ends = [0, *(np.flatnonzero(np.diff(columns.seq) != 1) + 1).tolist(), len(rows)]
            return sum(
                self._insert(db, start, rows[i:j], payloads[i:j]) for i, j in zip(ends, ends[1:], strict=False)
            )
        self._count(db, start, columns, near)
        keys = columns.seq + (start << _SHIFT)
        db.executemany(_NEW_READING, zip(keys.tolist(), columns.mono_ms.tolist(), payloads, strict=True))
        return len(payloads)

    def _find_tail(self, db: sqlite3.Connection, start: int) -> _Tail | None:
        newest = db.execute(_NEWEST_RUN, (start,)).fetchone()
        if newest is None:
            return None
        run = Run(*newest)
        waiting = self._waiting(db, start)
        last = run.last_seq + len(waiting)
        positions = self._positions(db, start, run.last_seq)
        tail = self._tails[start] = _Tail(run, positions, [waiting] if len(waiting) else [], last)
        while len(self._tails) > 64:
            # What waits of the oldest one is found again, in the file.
            del self._tails[next(iter(self._tails))]
        return tail

    def _settle(self, db: sqlite3.Connection, start: int, tail: _Tail) -> None:
        """Take the records that wait for it into runs and sums."""
        if not tail.waiting:
            return
        c = packing.columns(_joined(tail.waiting))
        movement = self._movement(c, tail.positions)
        self._add_up(db, start, sums.rows_of(c, movement, _KEPT[0]), [])
        tail.run = tail.run._replace(last_seq=tail.last_seq, to_ms=int(c.mono_ms[-1]))
        db.execute(_NEW_RUN, (start, *tail.run))
        tail.positions, tail.waiting = movement.after, []

    def _movement(self, c: packing.Columns, before: Positions) -> sums.Movement:
        """Of records without a hole."""
        begins = np.zeros(len(c.seq), np.bool_)
        begins[0] = True
        return sums.movement(c, begins, {0: before})

    def _waiting(self, db: sqlite3.Connection, start: int) -> packing.Records:
        """The newest records of a start, which are not in runs and sums yet: all that are beyond the newest run."""
        # The bounds as numbers: with the question for the last run inside, SQLite walks the whole start.
        newest = db.execute(_LAST_OF_RUNS, (start,)).fetchone()
        first = (start << _SHIFT) + (0 if newest is None else newest[0] + 1)
        found = "SELECT payload FROM raw WHERE id BETWEEN ? AND ? ORDER BY id"
        rows = db.execute(found, (first, (start << _SHIFT) + _LAST)).fetchall()
        payloads = [payload for (payload,) in rows]
        sizes = {len(p) if isinstance(p, bytes) else 0 for p in payloads}
        if not sizes:
            return np.zeros(0, packing.READING)
        if len(sizes) > 1 or not sizes <= _SIZES:
            raise StoreError(f"Records in {self.path} are harmed: is the disk all right? Take a copy from before.")
        return np.frombuffer(b"".join(payloads), _dtype(sizes.pop()))

    def _near(self, db: sqlite3.Connection, start: int, low: int, high: int) -> list[Run]:
        """Stored runs that records from `low` to `high` meet or touch."""
        found = db.execute(
            f"{_RUNS} AND first_seq <= ?3 + 1 AND "
            "first_seq >= coalesce((SELECT max(first_seq) FROM run WHERE start = ?1 AND first_seq < ?2), 0) "
            "AND last_seq >= ?2 - 1 ORDER BY first_seq",
            (start, low, high),
        )
        return [Run(*row) for row in found]

    def _count(self, db: sqlite3.Connection, start: int, c: packing.Columns, near: list[Run]) -> None:
        """Take new records, in order of their numbers, into the runs and the sums."""
        seq = c.seq
        begins = np.ones(len(seq), np.bool_)
        begins[1:] = np.diff(seq) != 1
        firsts = np.flatnonzero(begins).tolist()
        lasts = [*(i - 1 for i in firsts[1:]), len(seq) - 1]
        by_last = {run.last_seq: run for run in near}
        by_first = {run.first_seq for run in near}
        before: dict[int, Positions] = {}
        for i in firsts:
            if int(seq[i]) - 1 in by_last:
                before[i] = self._positions(db, start, int(seq[i]) - 1)
        movement = sums.movement(c, begins, before)
        rows = sums.rows_of(c, movement, _KEPT[0])
        changes: list[tuple[int, list[int]]] = []
        fresh = []
        for i, j in zip(firsts, lasts, strict=True):
            fresh.append(
                Run(int(seq[i]), int(seq[j]), int(c.mono_ms[i]) - int(c.span_ms[i]), int(c.mono_ms[j]))
            )
            if int(seq[j]) + 1 in by_first:
                at = movement.after if j == len(seq) - 1 else None
                if at is None:
                    at = self._movement(_piece(c, i, j + 1), before.get(i, sums.NOWHERE)).after
                changes += self._changed(db, start, int(seq[j]) + 1, at)
        self._add_up(db, start, rows, changes)
        merged: list[Run] = []
        for run in heapq.merge(sorted(near), fresh):
            if merged and merged[-1].last_seq + 1 == run.first_seq:
                merged[-1] = Run(merged[-1].first_seq, run.last_seq, merged[-1].from_ms, run.to_ms)
            else:
                merged.append(run)
        gone = by_first - {run.first_seq for run in merged}
        if gone:
            db.executemany("DELETE FROM run WHERE start = ? AND first_seq = ?", [(start, first) for first in gone])
        db.executemany(_NEW_RUN, [(start, *run) for run in merged if run not in near])
        if merged[-1].last_seq == int(seq[-1]):
            self._ends[start, int(seq[-1])] = movement.after
            while len(self._ends) > 64:
                del self._ends[next(iter(self._ends))]
        # What is the newest run now, and where its counters stand, is found out when it is needed next.
        self._tails.pop(start, None)

    def _positions(self, db: sqlite3.Connection, start: int, seq: int) -> Positions:
        """Where the counters stood after a stored record, as far as the records without a hole before it tell."""
        tail = self._tails.get(start)
        known = tail.positions if tail is not None and tail.run.last_seq == seq else self._ends.get((start, seq))
        if known is not None:
            return known
        back: list[wire.Reading] = []
        sure = [False] * 3
        at = seq
        while not all(sure) and seq - at <= sums.FORGET:
            reading = self._one(db, start, at)
            if reading is None:
                break
            back.append(reading)
            for k, c in enumerate(reading.channels):
                sure[k] = sure[k] or (c.n and not c.status & (wire.S_RESTARTED | wire.S_PARTIAL))
            at -= 1
        positions = sums.NOWHERE
        for reading in reversed(back):
            positions = sums.follow(positions, reading)
        return positions

    def _changed(
        self, db: sqlite3.Connection, start: int, seq: int, new: Positions
    ) -> Iterator[tuple[int, list[int]]]:
        """What the sums change by when the records from `seq` on turn out to follow on `new`: bucket, changes."""
        old = sums.NOWHERE
        for reading in self._from(db, start, seq):
            if reading.seq != seq:
                return
            yield (reading.mono_ms - reading.span_ms) // (1000 * _KEPT[0]), sums.change(old, new, reading)
            old, new = sums.follow(old, reading), sums.follow(new, reading)
            self._ends.pop((start, seq), None)
            if old == new:
                return
            seq += 1

    def _add_up(
        self, db: sqlite3.Connection, start: int, rows: sums.Rows, changes: Sequence[tuple[int, list[int]]]
    ) -> None:
        if changes:
            more = len(changes)
            rows = sums.together(
                sums.Rows(
                    np.concatenate([rows.bucket, [bucket for bucket, _ in changes]]),
                    np.concatenate([rows.added, np.array([values for _, values in changes]).T], axis=1),
                    np.concatenate([rows.lowest, np.full((len(sums.LOWEST), more), sums.NONE)], axis=1),
                    np.concatenate([rows.highest, np.full((len(sums.HIGHEST), more), -sums.NONE)], axis=1),
                )
            )
        out: list[list[int | None]] = []
        shorter = _KEPT[0]
        for level in _KEPT:
            rows, shorter = sums.coarser(rows, level // shorter), level
            table = np.concatenate([rows.bucket[None], rows.added, rows.lowest, rows.highest])
            values: list[list[int | None]] = table.T.tolist()
            if bool((np.abs(table) == sums.NONE).any()):
                values = [[None if abs(x or 0) == sums.NONE else x for x in row] for row in values]
            out += [[level, start, *row] for row in values]
        db.executemany(_ADD_UP, out)

    def _one(self, db: sqlite3.Connection, start: int, seq: int) -> wire.Reading | None:
        if not 0 <= seq <= _LAST:
            return None
        found = db.execute("SELECT payload FROM raw WHERE id = ?", ((start << _SHIFT) + seq,)).fetchone()
        if found is not None:
            return self._take(found[0], seq)
        found = db.execute(
            "SELECT data FROM pack WHERE start = ?1 AND first_seq = "
            "(SELECT max(first_seq) FROM pack WHERE start = ?1 AND first_seq <= ?2) AND last_seq >= ?2",
            (start, seq),
        ).fetchone()
        for payload in self._expand(found[0]) if found is not None else ():
            if _seq_of(payload) == seq:
                return self._take(payload, seq)
        return None

    def _expand(self, data: bytes) -> list[bytes]:
        try:
            return packing.expand(data)
        except (ValueError, TypeError) as e:
            raise self._harmed_block(e) from e

    def _harmed_block(self, e: Exception) -> StoreError:
        return StoreError(
            f"A packed block in {self.path} is harmed ({e}): is the disk all right? Take a copy of the file from "
            "before."
        )

    def _take(self, payload: Any, seq: Any) -> wire.Reading:
        try:
            return wire.take_reading(payload)
        except (wire.WireError, TypeError) as e:
            raise StoreError(
                f"Record {seq} in {self.path} is harmed ({e}): is the disk all right? Take a copy of the file from "
                "before."
            ) from e

    def _payloads(self, db: sqlite3.Connection, start: int, after: int, since_ms: int = 0) -> list[tuple[int, bytes]]:
        """The next (number, payload) after a record, some thousand, rows and packs together; [] at the end."""
        base, after = start << _SHIFT, max(after, -1)
        while True:
            # Packs never overlap, but records that came late lie as rows between and within them.
            packs = db.execute(
                "SELECT first_seq, last_seq, data FROM pack WHERE start = ?1 AND first_seq >= "
                "coalesce((SELECT max(first_seq) FROM pack WHERE start = ?1 AND first_seq <= ?2), 0) "
                "AND last_seq > ?2 AND last_ms >= ?3 ORDER BY first_seq LIMIT 2",
                (start, after, since_ms),
            ).fetchall()
            end = packs[1][0] - 1 if len(packs) == 2 else _MOST
            rows: list[tuple[int, bytes]] = db.execute(
                f"SELECT id & {_LAST}, payload FROM raw WHERE id > ? AND id <= ? AND mono_ms >= ? "
                f"ORDER BY id LIMIT {_AT_ONCE}",
                (base + min(after, _LAST), base + min(end, _LAST), since_ms),
            ).fetchall()
            if not packs:
                return rows
            until = rows[-1][0] if len(rows) == _AT_ONCE else _MOST
            packed = [(s, p) for p in self._expand(packs[0][2]) if after < (s := _seq_of(p)) <= until]
            if since_ms:
                packed = [(s, p) for s, p in packed if _mono_of(p) >= since_ms]
            if rows or packed:
                return sorted([*rows, *packed]) if rows else packed
            after = end if len(packs) == 2 else packs[0][1]

    def _from(self, db: sqlite3.Connection, start: int, seq: int) -> Iterator[wire.Reading]:
        """Records from a number on, within a transaction."""
        after = seq - 1
        while some := self._payloads(db, start, after):
            for after, payload in some:
                yield self._take(payload, after)

    def missing(self, device: str, boot: int, oldest: int, following: int) -> list[tuple[int, int]]:
        """Spans (first, last) of sequence numbers from `oldest` to before `following` that are not stored."""
        out: list[tuple[int, int]] = []
        at = oldest
        for run in self.runs(device, boot):
            if run.last_seq < oldest:
                continue
            if run.first_seq >= following:
                break
            if run.first_seq > at:
                out.append((at, run.first_seq - 1))
            at = run.last_seq + 1
        if at < following:
            out.append((at, following - 1))
        return out

    def readings(self, device: str, boot: int, since_mono_ms: int = 0, after_seq: int = -1) -> list[wire.Reading]:
        """Stored readings of one boot in order."""
        return list(self.each(device, boot, since_mono_ms, after_seq))

    def each(self, device: str, boot: int, since_mono_ms: int = 0, after_seq: int = -1) -> Iterator[wire.Reading]:
        """The same one by one, some thousand in memory: a start may have millions. What comes meanwhile is taken in."""
        while True:
            with self._reading() as db:
                start = self._found(db, device, boot)
                some = [] if start is None else self._payloads(db, start, after_seq, since_mono_ms)
            if not some:
                return
            for after_seq, payload in some:
                yield self._take(payload, after_seq)

    def edge(self, device: str, boot: int, seq: int) -> wire.Reading | None:
        """One stored reading, None when it is not there."""
        with self._reading() as db:
            start = self._found(db, device, boot)
            return None if start is None else self._one(db, start, seq)

    def bulk(self, device: str, boot: int, from_ms: int = 0, to_ms: int | None = None) -> packing.Records:
        """
        Stored readings of one boot whose ends lie in [from_ms, to_ms) of the board's clock, in order.

        Returns an array of dtype packing.READING; of packing.READING_1 where the board spoke wire version 1.
        """
        with self._reading() as db:
            start = self._found(db, device, boot)
            parts = [] if start is None else self._arrays(db, start, from_ms, _MOST if to_ms is None else to_ms)
        if len(parts) > 1:
            raise StoreError(f"Start {boot} in {self.path} has records of two wire versions: take them one by one.")
        return parts[0] if parts else np.zeros(0, packing.READING)

    def runs(self, device: str, boot: int) -> list[Run]:
        """Stretches of stored records without a hole, in order."""
        with self._reading() as db:
            start = self._found(db, device, boot)
            if start is None:
                return []
            runs = [Run(*row) for row in db.execute(f"{_RUNS} ORDER BY first_seq", (start,))]
            newest = db.execute(
                f"SELECT id & {_LAST}, mono_ms FROM raw WHERE {_OF_START} ORDER BY id DESC LIMIT 1", (start,)
            ).fetchone()
        if newest is not None and newest[0] > runs[-1].last_seq:
            runs[-1] = runs[-1]._replace(last_seq=newest[0], to_ms=newest[1])
        return runs

    def _found(self, db: sqlite3.Connection, device: str, boot: int) -> int | None:
        row = db.execute("SELECT id FROM start WHERE device = ? AND boot = ?", (device, boot)).fetchone()
        return None if row is None else int(row[0])

    def _arrays(self, db: sqlite3.Connection, start: int, from_ms: int, to_ms: int) -> list[packing.Records]:
        """Readings by the time of their end, an array for each wire version there is."""
        found: dict[int, list[packing.Records]] = {}
        for (data,) in db.execute(
            "SELECT data FROM pack WHERE start = ?1 AND first_seq IN "
            "(SELECT first_seq FROM pack WHERE start = ?1 AND last_ms >= ?2 AND first_ms < ?3) ORDER BY first_seq",
            (start, from_ms, to_ms),
        ):
            try:
                block = packing.block(data)
            except (ValueError, TypeError) as e:
                raise self._harmed_block(e) from e
            found.setdefault(block.dtype.itemsize, []).append(block)
        first, last = self._id_at(db, start, from_ms), self._id_at(db, start, to_ms)
        rows: dict[int, list[bytes]] = {}
        for seq, payload in db.execute(
            f"SELECT id & {_LAST}, payload FROM raw WHERE id >= ? AND id < ? ORDER BY id", (first, last)
        ):
            if not isinstance(payload, bytes) or len(payload) not in (wire.READING_SIZE, wire.READING_SIZE_1):
                self._take(payload, seq)
            rows.setdefault(len(payload), []).append(payload)
        for size, payloads in rows.items():
            found.setdefault(size, []).append(np.frombuffer(b"".join(payloads), _dtype(size)))
        out = []
        for parts in found.values():
            whole = _joined(parts)
            seq = whole["seq"]
            if len(parts) > 1 and not bool((seq[1:] > seq[:-1]).all()):
                whole = whole[np.argsort(seq, kind="stable")]
            mono = (whole["mono_hi"].astype(np.int64) << 29) + whole["mono_lo"]
            wanted = (mono >= from_ms) & (mono < to_ms)
            whole = whole if bool(wanted.all()) else whole[wanted]
            if len(whole):
                out.append(whole)
        return out

    def _id_at(self, db: sqlite3.Connection, start: int, ms: int) -> int:
        """Key of the first unpacked record that ends at `ms` or later: a board's clock rises with its records."""
        within = f"FROM raw WHERE {_OF_START} ORDER BY id"
        lowest = db.execute(f"SELECT id {within} LIMIT 1", (start,)).fetchone()
        if lowest is None:
            return 0
        low, high = lowest[0], db.execute(f"SELECT id {within} DESC LIMIT 1", (start,)).fetchone()[0] + 1
        if ms >= _MOST:
            return int(high)
        while low < high:
            middle = (low + high) // 2
            key, mono_ms = db.execute(
                "SELECT id, mono_ms FROM raw WHERE id >= ? ORDER BY id LIMIT 1", (middle,)
            ).fetchone()
            if mono_ms < ms:
                low = key + 1
            else:
                high = middle
        return int(low)

    # --- sums ---

    def rolled(self, device: str, boot: int, level: int, from_ms: int, to_ms: int) -> NDArray[np.void]:
        """
        Sums of the readings of one boot by buckets of 1, 60, 900 or 3600 s of the board's clock; 0: each by itself.

        Returns an array of dtype ROLLED, in order: the buckets whose readings touch [from_ms, to_ms). Those of 1 s are
        made of the readings as they are asked for. Of level 0 the bucket is the reading's number.
        """
        if level and level not in LEVELS:
            raise StoreError(f"There are no sums over {level} s, only over {', '.join(map(str, LEVELS))}.")
        length = 1000 * max(level, 1)
        low, high = (from_ms - _LONGEST_MS) // length, (to_ms - 1) // length
        with self._reading() as db:
            start = self._found(db, device, boot)
            if start is None:
                return np.zeros(0, ROLLED)
            if level <= 1:
                return self._seconds(db, start, low, high, from_ms, to_ms, level)
            rows = db.execute(
                f"SELECT {_GET_SUMS} FROM rollup WHERE level = ? AND start = ? AND bucket BETWEEN ? AND ? "
                "ORDER BY bucket",
                (level, start, low, high),
            ).fetchall()
            out = sums.joined(np.array(rows, ROLLED), self._waiting_sums(db, start, level))
        bucket = out["bucket"]
        return out[(bucket >= low) & (bucket <= high) & (out["t1_ms"] > from_ms) & (out["t0_ms"] < to_ms)]

    def _waiting_sums(self, db: sqlite3.Connection, start: int, level: int) -> NDArray[np.void]:
        """Sums of the newest records, that are not in the table yet."""
        waiting = self._waiting(db, start)
        if not len(waiting):
            return np.zeros(0, ROLLED)
        c = packing.columns(waiting)
        movement = self._movement(c, self._positions(db, start, int(c.seq[0]) - 1))
        return sums.rolled(sums.rows_of(c, movement, level))

    def _seconds(
        self, db: sqlite3.Connection, start: int, low: int, high: int, from_ms: int, to_ms: int, level: int
    ) -> NDArray[np.void]:
        parts = []
        for rows in self._arrays(db, start, low * 1000, (high + 1) * 1000 + _LONGEST_MS):
            c = packing.columns(rows)
            begins = np.ones(len(rows), np.bool_)
            begins[1:] = np.diff(c.seq) != 1
            before = self._positions(db, start, int(c.seq[0]) - 1)
            parts.append(sums.rolled(sums.rows_of(c, sums.movement(c, begins, {0: before}), level)))
        if not parts:
            return np.zeros(0, ROLLED)
        out = parts[0] if len(parts) == 1 else sums.joined(*parts)
        out = out[(out["t1_ms"] > from_ms) & (out["t0_ms"] < to_ms)]
        return out[(out["bucket"] >= low) & (out["bucket"] <= high)] if level else out

    def resum(self, device: str) -> int:
        """Throw away what was added up of a board's records and add it up anew, at once or not at all; how many."""
        count = 0
        with self._writing() as db:
            self._forget()
            for (start,) in db.execute("SELECT id FROM start WHERE device = ?", (device,)).fetchall():
                db.execute("DELETE FROM run WHERE start = ?", (start,))
                db.executemany("DELETE FROM rollup WHERE level = ? AND start = ?", [(x, start) for x in _KEPT])
                after = -1
                while some := self._payloads(db, start, after):
                    after = some[-1][0]
                    for size in (wire.READING_SIZE, wire.READING_SIZE_1):
                        payloads = [p for s, p in some if isinstance(p, bytes) and len(p) == size and _seq_of(p) == s]
                        if payloads:
                            c = packing.columns(np.frombuffer(b"".join(payloads), _dtype(size)))
                            self._count(db, start, c, self._near(db, start, int(c.seq[0]), int(c.seq[-1])))
                            count += len(payloads)
        return count

    # --- packing ---

    def pack(self, older_than: int = 20_000, at_most: int = 50) -> int:
        """
        Pack old records, for idle moments: of each start full blocks, except its newest `older_than` records.

        Each block is one transaction, at most `at_most` of them. Returns how many records were packed. A block is put
        together again and compared byte by byte before its rows are deleted.
        """
        done = 0
        for (start,) in self._rows("SELECT id FROM start ORDER BY id"):
            while at_most > 0:
                packed = self._pack_block(start, older_than)
                if not packed:
                    break
                done += packed
                at_most -= 1
        return done

    def _pack_block(self, start: int, older_than: int) -> int:
        newest = self._rows(
            f"SELECT id FROM raw WHERE {_OF_START} ORDER BY id DESC LIMIT 1 OFFSET ?2", (start, max(0, older_than))
        )
        if not newest:
            return 0
        with self._writing() as db:
            tail = self._tails.get(start) or self._find_tail(db, start)
            if tail is not None:
                self._settle(db, start, tail)
            rows = db.execute(
                f"SELECT id & {_LAST}, payload FROM raw WHERE id >= ? AND id <= ? AND typeof(payload) = 'blob' "
                f"AND length(payload) IN ({wire.READING_SIZE}, {wire.READING_SIZE_1}) ORDER BY id LIMIT {BLOCK}",
                (start << _SHIFT, newest[0][0]),
            ).fetchall()
            rows = [(s, p) for s, p in rows if _seq_of(p) == s]
            if not rows:
                return 0
            beside = db.execute(
                "SELECT first_seq, last_seq, data FROM pack WHERE start = ? AND last_seq >= ? AND first_seq >= "
                "coalesce((SELECT max(first_seq) FROM pack WHERE start = ?1 AND first_seq <= ?2), 0) "
                "ORDER BY first_seq LIMIT 1",
                (start, rows[0][0]),
            ).fetchone()
            if beside is not None and beside[0] <= rows[0][0]:
                # Records that came late, into the pack among whose records they belong.
                rows = [(s, p) for s, p in rows if s <= beside[1]]
            elif beside is not None:
                rows = [(s, p) for s, p in rows if s < beside[0]]
                if len(rows) == BLOCK:
                    beside = None
            elif len(rows) < BLOCK:
                return 0
            whole = rows
            if beside is not None:
                whole = sorted([*rows, *((_seq_of(p), p) for p in self._expand(beside[2]))])
                db.execute("DELETE FROM pack WHERE start = ? AND first_seq = ?", (start, beside[0]))
            half = (len(whole) + 1) // 2 if len(whole) >= 2 * BLOCK else len(whole)
            for i in range(0, len(whole), half):
                self._put_pack(db, start, whole[i : i + half])
            db.executemany("DELETE FROM raw WHERE id = ?", [((start << _SHIFT) + seq,) for seq, _ in rows])
        return len(rows)

    def _put_pack(self, db: sqlite3.Connection, start: int, whole: list[tuple[int, bytes]]) -> None:
        payloads = [p for _, p in whole]
        data = packing.squeeze(payloads)
        if packing.expand(data) != payloads:
            raise StoreError(
                f"Records {whole[0][0]} to {whole[-1][0]} in {self.path} would not come back whole from packing; they "
                "stay as they are. Please report this."
            )
        monos = [_mono_of(p) for p in payloads]
        first_ms = min(mono - _span_of(p) for mono, p in zip(monos, payloads, strict=True))
        db.execute(
            "INSERT INTO pack VALUES (?, ?, ?, ?, ?, ?)",
            (start, whole[0][0], whole[-1][0], first_ms, max(monos), data),
        )

    # --- what a board said of itself, and when ---

    def add_info(self, info: dict[str, Any], received_s: float) -> None:
        """
        Keep what a board said of itself, the newest per boot.

        A start that is new, and whose number is not above those known, says that the board's flash was formatted: it
        and what follows come after all that was.
        """
        self._keep_info(info, received_s, True)

    def add_info_if_new(self, info: dict[str, Any], received_s: float) -> None:
        """Keep a description, of the board's log, for a start of which none is there."""
        self._keep_info(info, received_s, False)

    def _keep_info(self, info: dict[str, Any], received_s: float, live: bool) -> None:
        with self._writing() as db:
            device, boot, boots = str(info["device"]), int(info["boot"]), _boots_of(info)
            start = self._id(db, device, boot)
            if db.execute("SELECT info FROM start WHERE id = ?", (start,)).fetchone()[0] is None:
                life, most = db.execute(
                    "SELECT life, max(boots) FROM start WHERE device = ?1 AND life = "
                    "(SELECT max(life) FROM start WHERE device = ?1)",
                    (device,),
                ).fetchone()
                again = live and most is not None and boots <= most
                db.execute("UPDATE start SET life = ? WHERE id = ?", (life + again, start))
            elif not live:
                return
            db.execute(
                "UPDATE start SET boots = ?, received_s = ?, info = ? WHERE id = ?",
                (boots, received_s, json.dumps(info), start),
            )

    def starts(self, device: str) -> list[tuple[int, dict[str, Any]]]:
        """(boot, what the board said of itself, {} if nothing) for each start of a board, in order."""
        rows = self._rows(
            "SELECT boot, info FROM start WHERE device = ? AND typeof(boot) = 'integer' "
            "ORDER BY life, boots IS NULL, boots, id",
            (device,),
        )
        out = []
        for boot, text in rows:
            try:
                info = {} if text is None else json.loads(text)
                if not isinstance(info, dict):
                    raise ValueError("it is not an object")
            except (ValueError, TypeError, RecursionError) as e:
                raise StoreError(
                    f"A description of the board in {self.path} is harmed ({e}): take a copy of the file from before."
                ) from e
            out.append((int(boot), info))
        return out

    def infos(self, device: str) -> list[dict[str, Any]]:
        """What a board said of itself, once for each of its starts, in the order of the starts."""
        return [info for _, info in self.starts(device) if info]

    def devices(self) -> list[str]:
        """Boards of which there is anything."""
        return [d for (d,) in self._rows("SELECT DISTINCT device FROM start ORDER BY device")]

    def anchors(self, device: str, boot: int) -> list[wire.Anchor]:
        """Anchors of one boot in order of the board's clock."""
        rows = self._rows(
            "SELECT boot, mono_ms, unix_ms, uncertainty_ms FROM anchor JOIN start ON start.id = anchor.start "
            "WHERE device = ? AND boot = ? AND typeof(mono_ms) = 'integer' AND typeof(unix_ms) = 'integer' "
            "AND typeof(uncertainty_ms) = 'integer' ORDER BY mono_ms",
            (device, boot),
        )
        return [wire.Anchor(*row) for row in rows]

    # --- what was concluded, happened and was told ---

    def add_event(
        self, time_s: float, kind: str, code: str, values: dict[str, Any], device: str = "", version: str = ""
    ) -> None:
        """Keep a notice, or with another kind of `_LIVED` what happened beside, with the figures that caused it."""
        with self._writing() as db:
            _put_event(db, device, version, (time_s, kind, code, values))

    def events(self, device: str, since_s: float, until_s: float) -> list[Event]:
        """Time, kind, code and figures of what was kept of a board in [since_s, until_s), in order of time."""
        rows = self._rows(
            "SELECT time_s, kind, code, json FROM event WHERE device = ? AND time_s >= ? AND time_s < ? "
            f"AND kind NOT IN ({', '.join('?' * len(_UNTOLD))}) ORDER BY time_s, id",
            (device, since_s, until_s, *_UNTOLD),
        )
        return [(time_s, kind, code, self._json(text)) for time_s, kind, code, text in rows]

    def newest_events(self, device: str, kinds: Sequence[str]) -> list[Event]:
        """Of each code the newest event of these kinds, such as `ACTS`; in no order."""
        rows = self._rows(
            "SELECT max(id), time_s, kind, code, json FROM event WHERE device = ? AND kind IN "
            f"({', '.join('?' * len(kinds))}) GROUP BY code",
            (device, *kinds),
        )
        return [(time_s, kind, code, self._json(text)) for _, time_s, kind, code, text in rows]

    def foreseen(self, device: str, since_s: float, until_s: float) -> list[Event]:
        """What the forecast said at the time, in [since_s, until_s) and in order; the code is its verdict."""
        rows = self._rows(
            "SELECT time_s, kind, code, json FROM event WHERE device = ? AND time_s >= ? AND time_s < ? "
            "AND kind = 'foresaw' ORDER BY time_s, id",
            (device, since_s, until_s),
        )
        return [(time_s, kind, code, self._json(text)) for time_s, kind, code, text in rows]

    def cycles(self, device: str) -> list[dict[str, Any]]:
        """The battery's cycles as they were kept, events of the kind "cycle", in order of time."""
        rows = self._rows("SELECT json FROM event WHERE device = ? AND kind = 'cycle' ORDER BY time_s, id", (device,))
        return [self._json(text) for (text,) in rows]

    def estimates(self, device: str, since_s: float, until_s: float) -> list[Estimated]:
        """What was concluded of a board in [since_s, until_s), in order."""
        rows = self._rows(
            f"SELECT {', '.join(Estimated._fields)} FROM estimate WHERE device = ? AND time_s >= ? AND time_s < ? "
            "ORDER BY time_s",
            (device, since_s, until_s),
        )
        return [Estimated(*row) for row in rows]

    def concluded_before(self, device: str, time_s: float, boot: int, seq: int, boots: list[int]) -> bool:
        """Whether an estimate from a record after this one, or of one of `boots`, is dated at `time_s` or before."""
        rows = self._rows(
            "SELECT 1 FROM estimate WHERE device = ? AND time_s <= ? AND (boot = ? AND seq > ? OR boot IN "
            f"({', '.join('?' * len(boots))})) LIMIT 1",
            (device, time_s, boot, seq, *boots),
        )
        return bool(rows)

    def add_conclusions(
        self,
        device: str,
        estimates: Iterable[Estimated],
        events: Iterable[Event] = (),
        version: str = "",
    ) -> None:
        """Keep what was concluded, at once or not at all; an estimate that was there of the same moment is replaced."""
        with self._writing() as db:
            _put_estimates(db, device, estimates)
            for event in events:
                _put_event(db, device, version, event)

    def replace_conclusions(
        self,
        device: str,
        estimates: Iterable[Estimated],
        events: Iterable[Event],
        version: str,
        state: dict[str, Any],
        since_s: float | None = None,
    ) -> None:
        """
        Put these in the place of all that was concluded of a board, at once or not at all; what happened on the link
        and what the operator did about notices stays. With `since_s` what was concluded of earlier stays too.
        """
        with self._writing() as db:
            since = -1e300 if since_s is None else since_s
            db.execute("DELETE FROM estimate WHERE device = ? AND time_s >= ?", (device, since))
            stays = ", ".join("?" * len(_LIVED))
            db.execute(
                f"DELETE FROM event WHERE device = ? AND time_s >= ? AND kind NOT IN ({stays})",
                (device, since, *_LIVED),
            )
            _put_estimates(db, device, estimates)
            for event in events:
                _put_event(db, device, version, event)
            for name, value in state.items():
                db.execute("INSERT OR REPLACE INTO state VALUES (?, ?)", (name, json.dumps(value)))

    def tell(self, time_s: float, device: str, what: str, values: dict[str, Any]) -> int:
        """
        Keep what the operator said, and after which record of each board it was said, for clocks may be wrong.

        device : "" for whatever board there is. Returns its number; what is told later has a higher one.
        """
        newest = {d: at for d in ([device] if device else self.devices()) if (at := self.newest(d)) is not None}
        if newest and what != "by":
            values = {**values, "after": newest}
        with self._writing() as db:
            row = db.execute(
                "INSERT INTO told (time_s, device, what, json) VALUES (?, ?, ?, ?)",
                (time_s, device, what, json.dumps(values)),
            )
            return int(row.lastrowid or 0)

    def tellings(self, device: str) -> list[tuple[int, float, str, dict[str, Any]]]:
        """What was said of a board and of whatever board there is: number, time, what, values; as it was said."""
        rows = self._rows(
            "SELECT id, time_s, what, json FROM told WHERE device IN ('', ?) ORDER BY id",
            (device,),
        )
        return [(int(number), time_s, what, self._json(text)) for number, time_s, what, text in rows]

    def newest(self, device: str) -> tuple[int, int] | None:
        """Start and number of a board's last record, None when there is none."""
        for boot, _ in reversed(self.starts(device)):
            runs = self.runs(device, boot)
            if runs:
                return boot, runs[-1].last_seq
        return None

    def told(self, device: str) -> list[tuple[float, str, dict[str, Any]]]:
        """What the operator said of a board: time, what, values, in order of time."""
        rows = self._rows("SELECT time_s, what, json FROM told WHERE device = ? ORDER BY time_s, id", (device,))
        return [(time_s, what, self._json(text)) for time_s, what, text in rows]

    def put_state(self, name: str, value: Any) -> None:
        """Keep one named value, JSON-able."""
        with self._writing() as db:
            db.execute("INSERT OR REPLACE INTO state VALUES (?, ?)", (name, json.dumps(value)))

    def get_state(self, name: str) -> Any:
        """A named value, None when there is none."""
        rows = self._rows("SELECT json FROM state WHERE name = ?", (name,))
        return self._json(rows[0][0]) if rows else None

    def _json(self, text: Any) -> Any:
        try:
            return json.loads(text)
        except (ValueError, TypeError, RecursionError) as e:
            raise self._unread(e) from e

    # --- imported logs ---

    def add_log(
        self, name: str, digest: str, imported_s: float, values: dict[str, Any], blocks: Iterable[LogBlock]
    ) -> int:
        """
        Keep an imported log, whole or not at all; returns its number.

        rows, first_us and last_us are those of its finest level. Raises StoreError when the same file is there already.
        """
        with self._writing() as db:
            there = db.execute("SELECT id, name, imported_s FROM log WHERE digest = ?", (digest,)).fetchone()
            if there is not None:
                raise StoreError(
                    f"This file is in {self.path} already, as log:{there[0]} ({there[1]}): use that, or remove it "
                    "first."
                )
            db.execute(
                "INSERT INTO log (name, digest, imported_s, json) VALUES (?, ?, ?, ?)",
                (name, digest, imported_s, json.dumps(values)),
            )
            log = int(db.execute("SELECT last_insert_rowid()").fetchone()[0])
            db.executemany("INSERT INTO log_block VALUES (?, ?, ?, ?, ?, ?)", ((log, *block) for block in blocks))
            db.execute(
                "UPDATE log SET (rows, first_us, last_us) = (SELECT coalesce(sum(rows), 0), min(first_us), "
                "max(last_us) FROM log_block WHERE log = ?1 AND "
                "level = (SELECT min(level) FROM log_block WHERE log = ?1)) "
                "WHERE id = ?1",
                (log,),
            )
        return log

    def logs(self) -> list[dict[str, Any]]:
        """Imported logs: id, name, digest, imported_s, rows, first_us, last_us, values."""
        names = ("id", "name", "digest", "imported_s", "rows", "first_us", "last_us")
        rows = self._rows(f"SELECT {', '.join(names)}, json FROM log ORDER BY id")
        return [{**dict(zip(names, row, strict=False)), "values": self._json(row[-1])} for row in rows]

    def log_blocks(
        self, log: int, level: int, since_us: int | None = None, until_us: int | None = None
    ) -> Iterator[LogBlock]:
        """Pieces of an imported log that touch [since_us, until_us], in order, a few in memory."""
        since, until = -_MOST if since_us is None else since_us, _MOST if until_us is None else until_us
        after = -_MOST - 1
        while True:
            rows = self._rows(
                "SELECT level, first_us, last_us, rows, data FROM log_block WHERE log = ? AND level = ? "
                "AND first_us > ? AND first_us <= ? AND last_us >= ? ORDER BY first_us LIMIT 8",
                (log, level, after, until, since),
            )
            for row in rows:
                yield LogBlock(*row)
            if len(rows) < 8:
                return
            after = rows[-1][1]

    def remove_log(self, log: int) -> None:
        """Forget an imported log."""
        with self._writing() as db:
            db.execute("DELETE FROM log_block WHERE log = ?", (log,))
            if not db.execute("DELETE FROM log WHERE id = ?", (log,)).rowcount:
                raise StoreError(f"There is no log:{log} in {self.path}.")

    # --- copies and earlier files ---

    def backup(self, target: Path) -> None:
        """
        Copy the whole file while it is in use, by this or another process.

        Raises StoreError, and leaves nothing behind, when `target` is there already or can't be written.
        """
        with self._guard:
            self._open()
        try:
            with contextlib.closing(_look(self.path)) as source:
                _copy(source, target)
        except (sqlite3.Error, OSError) as e:
            raise StoreError(
                f"{target} could not be written ({e}); nothing was left behind. Is the folder there, and is there room "
                f"for {_megabytes(self.path)} MB? Choose another place."
            ) from e

    def _migrate(self) -> None:
        """From schema 1, with a copy of it beside the file first; at once or not at all."""
        path = self.path
        copy, nth = path.with_name(f"{path.stem}.before-schema-{SCHEMA}.sqlite"), 1
        while copy.exists():
            nth += 1
            copy = path.with_name(f"{path.stem}.before-schema-{SCHEMA}-{nth}.sqlite")
        try:
            self.backup(copy)
            with self._writing() as db:
                # What is no text, where there should be some, must not stop it; the copy has it as it was.
                db.text_factory = lambda text: text.decode("utf-8", "replace")
                harmed = self._bring_over(db)
                done = {"from": 1, "to": SCHEMA, "copy": copy.name, "harmed": harmed}
                db.execute("INSERT OR REPLACE INTO state VALUES ('migrated', ?)", (json.dumps(done),))
                db.execute(f"PRAGMA user_version={SCHEMA}")
            self.brought_over = copy.name
        except StoreError as e:
            with contextlib.suppress(OSError):
                copy.unlink(missing_ok=True)  # the file is as it was
            raise StoreError(
                f"{path} is of an earlier version of this program and could not be brought up to date: {e} The file is "
                f"as it was. About {3 * _megabytes(path)} MB of room are needed."
            ) from e
        finally:
            self._open().text_factory = str

    def _bring_over(self, db: sqlite3.Connection) -> int:
        """Returns how many rows were no whole records; they are kept as they are in the table `harmed`."""
        for table in ("info", "reading", "anchor", "event"):
            db.execute(f"ALTER TABLE {table} RENAME TO {table}_1")
        for statement in _TABLES.split(";"):
            db.execute(statement)
        # In schema 1 the order of starts was that of their numbers.
        for device, boot, received_s, text in db.execute(
            "SELECT device, boot, received_s, json FROM info_1 ORDER BY received_s, boot"
        ).fetchall():
            start = self._id(db, device, boot)
            try:
                boots = _boots_of(json.loads(text))
            except (ValueError, TypeError, AttributeError, RecursionError):
                boots = 0
            db.execute(
                "UPDATE start SET boots = ?, received_s = ?, info = ? WHERE id = ?", (boots, received_s, text, start)
            )
        for device, boot, *anchor in db.execute("SELECT * FROM anchor_1").fetchall():
            db.execute("INSERT OR REPLACE INTO anchor VALUES (?, ?, ?, ?)", (self._id(db, device, boot), *anchor))
        devices = db.execute("SELECT DISTINCT device FROM start").fetchall()
        db.execute(
            "INSERT INTO event SELECT id, time_s, kind, code, json, ?, '' FROM event_1",
            (devices[0][0] if len(devices) == 1 else "",),
        )
        whole = (
            "typeof(device) = 'text' AND typeof(boot) = 'integer' AND typeof(seq) = 'integer' "
            f"AND typeof(payload) = 'blob' AND length(payload) IN ({wire.READING_SIZE}, {wire.READING_SIZE_1})"
        )
        harmed = db.execute(f"INSERT INTO harmed SELECT * FROM reading_1 WHERE NOT ({whole})").rowcount
        for device, boot in db.execute(f"SELECT DISTINCT device, boot FROM reading_1 WHERE {whole}").fetchall():
            harmed += self._bring_readings(db, device, boot, whole)
        for table in ("info", "reading", "anchor", "event"):
            db.execute(f"DROP TABLE {table}_1")
        return harmed

    def _bring_readings(self, db: sqlite3.Connection, device: str, boot: int, whole: str) -> int:
        harmed, after = 0, -1
        while found := db.execute(
            f"SELECT seq, payload FROM reading_1 WHERE device = ? AND boot = ? AND seq > ? AND {whole} "
            f"ORDER BY seq LIMIT {_AT_ONCE}",
            (device, boot, after),
        ).fetchall():
            after = found[-1][0]
            by_size: dict[int, list[bytes]] = {}
            for seq, payload in found:
                if _seq_of(payload) == seq and int.from_bytes(payload[1:5], "little") == boot:
                    by_size.setdefault(len(payload), []).append(payload)
                else:
                    harmed += 1
                    db.execute(
                        "INSERT INTO harmed SELECT * FROM reading_1 WHERE device = ? AND boot = ? AND seq = ?",
                        (device, boot, seq),
                    )
            for payloads in by_size.values():
                rows = np.frombuffer(b"".join(payloads), _dtype(len(payloads[0])))
                self._insert(db, self._id(db, device, boot), rows, payloads)
        return harmed


def _by_start(payloads: list[bytes]) -> list[tuple[int, packing.Records, list[bytes]]]:
    """Readings by the start (boot) they are of, and apart where their lengths differ; as an array and as they are."""
    if not payloads:
        return []
    lengths = set(map(len, payloads))
    if not lengths <= _SIZES:
        raise ValueError(f"a reading of {max(lengths - _SIZES)} bytes")
    if len(lengths) == 1:
        rows = np.frombuffer(b"".join(payloads), _dtype(lengths.pop()))
        boots = rows["boot"]
        if len(boots) == 1 or bool((boots == boots[0]).all()):
            return [(int(boots[0]), rows, payloads)]
    apart: dict[tuple[bytes, int], list[bytes]] = {}
    for p in payloads:
        apart.setdefault((p[1:5], len(p)), []).append(p)
    return [
        (int.from_bytes(boot, "little"), np.frombuffer(b"".join(some), _dtype(size)), some)
        for (boot, size), some in apart.items()
    ]


def _numbers(rows: packing.Records, payloads: list[bytes]) -> tuple[int, bool, list[int]]:
    """First number, whether the others follow on it one by one, and the times of readings of one length."""
    count = len(payloads)
    if count < 50:
        heads = [_HEADS.unpack_from(p) for p in payloads]  # the same in both wire versions
        first = heads[0][0]
        in_a_row = [seq for seq, _, _ in heads] == list(range(first, first + count))
        return first, in_a_row, [(high << 29) + low for _, low, high in heads]
    seq = rows["seq"]
    mono = rows["mono_hi"].astype(np.int64)
    mono <<= 29
    mono += rows["mono_lo"]
    first = int(seq[0])
    # 32-bit numbers: the step from the last one to 0 would be 1 as well.
    in_a_row = int(seq[-1]) - first == count - 1 and bool((seq[1:] - seq[:-1] == 1).all())
    return first, in_a_row, mono.tolist()


def _joined(parts: list[packing.Records]) -> packing.Records:
    """As bytes: numpy would go through each field by itself."""
    if len(parts) == 1:
        return parts[0]
    return np.concatenate([part.view(np.uint8) for part in parts]).view(parts[0].dtype)


def _dtype(size: int) -> np.dtype[np.void]:
    return packing.READING if size == wire.READING_SIZE else packing.READING_1


def _piece(c: packing.Columns, i: int, j: int) -> packing.Columns:
    parts = {name: getattr(c, name)[..., i:j] for name in packing.Columns.__slots__ if name != "told"}
    return packing.Columns(**parts, told=c.told)


def _seq_of(payload: bytes) -> int:
    return int.from_bytes(payload[5:9], "little")


def _mono_of(payload: bytes) -> int:
    return (payload[13] << 29) + int.from_bytes(payload[9:13], "little")


def _span_of(payload: bytes) -> int:
    return int.from_bytes(payload[14:16], "little")


def _boots_of(info: dict[str, Any]) -> int:
    """Which start of the board it is by its own count, 0 where that can't be understood."""
    boots = info.get("boots", 0)
    return boots if isinstance(boots, int) and 0 <= boots < 1 << 40 else 0


def _put_event(db: sqlite3.Connection, device: str, version: str, event: Event) -> None:
    time_s, kind, code, values = event
    if kind == "cycle":
        # After a crash the same is concluded again, perhaps dated a little otherwise, and must not count twice.
        db.execute(
            "DELETE FROM event WHERE device = ? AND time_s > ? AND time_s < ? AND kind = 'cycle'",
            (device, values["start_s"], time_s + _REDATED_S),
        )
    db.execute(
        "INSERT INTO event (time_s, kind, code, json, device, version) VALUES (?, ?, ?, ?, ?, ?)",
        (time_s, kind, code, json.dumps(values), device, version),
    )


def _put_estimates(db: sqlite3.Connection, device: str, rows: Iterable[Estimated]) -> None:
    db.executemany(
        f"INSERT OR REPLACE INTO estimate VALUES (?{', ?' * len(Estimated._fields)})", ((device, *row) for row in rows)
    )


def _megabytes(path: Path) -> int:
    with contextlib.suppress(OSError):
        return path.stat().st_size // 1_000_000 + 1
    return 1


def _inspect(path: Path, look: bool) -> int:
    """The schema of a file, 0 when it is new or empty. Raises StoreError for one that is not ours; changes nothing."""
    if not path.exists():
        if look:
            raise StoreError(f"There is no {path}: name the file of the records with --data.")
        return 0
    if not path.is_file():
        raise StoreError(f"{path} can't be used as the record store: it is no file. Choose another with --data.")
    if not path.stat().st_size:
        found, tables = 0, set()
    else:
        with contextlib.closing(_look(path)) as db:
            found = int(db.execute("PRAGMA user_version").fetchone()[0])
            tables = {name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if tables and not {"reading", "raw"} & tables:
        raise StoreError(f"{path} is the database of another program: choose another file with --data.")
    if found > SCHEMA:
        raise StoreError(
            f"{path} was written by a newer ampledger (schema {found}, this one knows {SCHEMA}): "
            "update ampledger, or choose another file with --data."
        )
    if tables and found < 1:
        raise StoreError(f"{path} is the database of another program: choose another file with --data.")
    if look and not tables:
        raise StoreError(f"{path} holds no records.")
    if look and found < SCHEMA:
        raise StoreError(
            f"{path} is of an earlier version of this program: open it once with `ampledger live` or "
            "`ampledger rebuild`, which keeps a copy of it first."
        )
    return found


def _copy(source: sqlite3.Connection, target: Path) -> None:
    """The whole database as a new file, which is there only once it is whole and on the disk."""
    if target.exists():
        raise StoreError(f"{target} is there already and is left alone: choose another name.")
    part = target.with_name(target.name + ".part")
    part.unlink(missing_ok=True)
    try:
        with contextlib.closing(_connect(part)) as db:
            source.backup(db)
            # One file that stands for itself, also on a medium that can't be written.
            db.execute("PRAGMA journal_mode=DELETE")
            said = db.execute("PRAGMA quick_check").fetchone()[0]
            if said != "ok":
                raise StoreError(
                    f"The copy {target} is not whole ({said}), so it was not kept: is the disk all right? Use an "
                    "earlier copy."
                )
        with open(part, "rb+") as handle:
            os.fsync(handle.fileno())
        try:
            os.link(part, target)
        except FileExistsError:
            raise StoreError(f"{target} is there already and is left alone: choose another name.") from None
        except (OSError, AttributeError):
            part.rename(target)  # a file system without links
        _sync_folder(target.parent)
    finally:
        part.unlink(missing_ok=True)
        for rest in ("-journal", "-wal", "-shm"):
            part.with_name(part.name + rest).unlink(missing_ok=True)


def _connect(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(path, isolation_level=None, check_same_thread=False)


def _sync_folder(folder: Path) -> None:
    """A name is on the disk only when its folder is; Windows does that by itself."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _look(path: Path) -> sqlite3.Connection:
    """
    A connection that only reads. A WAL file wants a file beside it even for that; where it can't be made (a folder
    or medium without write permission) and nothing is left in a WAL, nobody writes it either: it can't change.
    """
    where = path.resolve().as_uri()
    db = sqlite3.connect(f"{where}?mode=ro", uri=True, isolation_level=None, check_same_thread=False)
    try:
        db.execute("PRAGMA user_version").fetchone()
    except sqlite3.OperationalError:
        db.close()
        wal = path.with_name(path.name + "-wal")
        if wal.exists() and wal.stat().st_size:
            raise
        db = sqlite3.connect(f"{where}?mode=ro&immutable=1", uri=True, isolation_level=None, check_same_thread=False)
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
