"""The record store: what is in it, what it refuses, and that a refusal loses nothing."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from ampledger import wire
from ampledger.decode import Frame
from ampledger.errors import StoreError
from ampledger.store import SCHEMA, Store
from common import TOP


def reading(seq: int, boot: int = 7, kind: int = wire.READING) -> Frame:
    payload = bytearray(wire.READING_SIZE)
    wire.put_reading_head(payload, 0, 0, boot.to_bytes(4, "little"), seq, seq * 100, 0, 100, 320)
    return Frame(kind, seq & 0xFF, bytes(payload))


def anchor(mono_ms: int, unix_ms: int, boot: int = 7) -> Frame:
    return Frame(wire.ANCHOR, 0, wire.put_anchor(boot.to_bytes(4, "little"), mono_ms, unix_ms, 20))


def seqs(store: Store, device: str = "a", boot: int = 7) -> list[int]:
    return [r.seq for r in store.readings(device, boot)]


def test_a_record_that_is_there_already_is_left_alone(tmp_path: Path) -> None:
    with contextlib.closing(Store(tmp_path / "sub" / "s.sqlite")) as store:
        assert store.add("a", [reading(s) for s in (1, 2, 3)]) == 3
        assert store.add("a", [reading(s, kind=wire.RECALLED) for s in (2, 3, 4)]) == 1
        assert store.add("a", [reading(s) for s in (1, 2, 3, 4)]) == 0
        assert store.add("b", [reading(1)]) == 1 and store.add("a", [reading(1, boot=8)]) == 1
        assert seqs(store) == [1, 2, 3, 4] and seqs(store, "b") == [1] and seqs(store, boot=8) == [1]
        assert store.add("a", []) == store.add("a", [Frame(wire.PULSE, 0, b"")]) == 0


def test_what_went_in_comes_out_again_after_closing(tmp_path: Path) -> None:
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        store.add("a", [anchor(100, 1_789_000_000_000), reading(5), anchor(50, 1_788_999_999_950), reading(3)])
        store.add_info({"device": "a", "boot": 7, "app": "ampledger"}, 1.5)
        store.add_event(2.0, "raised", "gap", {"gap_s": 3.0})
        store.put_state("live", {"x": [1, None]})
        store.put_state("live", {"x": [2, None]})
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        assert store.readings("a", 7) == [wire.take_reading(reading(s).payload) for s in (3, 5)]
        assert [r.seq for r in store.readings("a", 7, since_mono_ms=400)] == [5]
        assert [r.seq for r in store.readings("a", 7, after_seq=3)] == [5]
        assert store.anchors("a", 7) == [
            wire.Anchor(7, 50, 1_788_999_999_950, 20),
            wire.Anchor(7, 100, 1_789_000_000_000, 20),
        ]
        assert store.get_state("live") == {"x": [2, None]} and store.get_state("other") is None
    with contextlib.closing(sqlite3.connect(tmp_path / "s.sqlite")) as db:
        assert db.execute("SELECT code, json FROM event").fetchall() == [("gap", '{"gap_s": 3.0}')]
        assert db.execute("SELECT device, boot FROM info").fetchall() == [("a", 7)]


def test_missing_spans(tmp_path: Path) -> None:
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        store.add("a", [reading(s) for s in (3, 4, 7, 9)])
        assert store.missing("a", 7, 0, 12) == [(0, 2), (5, 6), (8, 8), (10, 11)]
        assert store.missing("a", 7, 3, 5) == []
        assert store.missing("a", 7, 4, 8) == [(5, 6)]
        assert store.missing("a", 8, 0, 2) == [(0, 1)]
        assert store.missing("a", 7, 5, 5) == store.missing("a", 7, 9, 3) == []


# --- what it refuses ---


def test_a_second_process_is_refused_and_the_claim_ends_with_the_process(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    script = (
        "import sys; from pathlib import Path; from ampledger.store import Store\n"
        "s = Store(Path(sys.argv[1])); print('open', flush=True); sys.stdin.read()"
    )
    child = subprocess.Popen(
        [sys.executable, "-c", script, str(path)],
        env=dict(os.environ, PYTHONPATH=str(TOP / "host")),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    with child:
        assert child.stdout is not None and child.stdout.readline() == b"open\n"
        with pytest.raises(StoreError, match="being written by another ampledger.*--data"):
            Store(path)
        child.kill()
    with contextlib.closing(Store(path)) as store:
        assert store.add("a", [reading(1)]) == 1


def test_a_newer_schema_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    Store(path).close()
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA user_version={SCHEMA + 1}")
    before = path.read_bytes()
    with pytest.raises(StoreError, match=rf"newer ampledger \(schema {SCHEMA + 1}.*update ampledger.*--data"):
        Store(path)
    assert path.read_bytes() == before


@pytest.mark.parametrize("version", [0, SCHEMA, SCHEMA + 5])
def test_the_database_of_another_program_is_refused_and_not_touched(tmp_path: Path, version: int) -> None:
    path = tmp_path / "other.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.executescript(f"CREATE TABLE bookmarks (url TEXT); PRAGMA user_version={version};")
    before = path.read_bytes()
    with pytest.raises(StoreError, match="database of another program.*--data"):
        Store(path)
    assert path.read_bytes() == before


def test_a_file_that_is_no_database_is_refused_and_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("my notes\n" * 200)
    with pytest.raises(StoreError, match="not a database.*another kind of file.*--data"):
        Store(path)
    assert path.read_text() == "my notes\n" * 200


def test_a_folder_as_file_and_a_file_as_folder_are_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    for path in (tmp_path, tmp_path / "file" / "s.sqlite"):
        with pytest.raises(StoreError, match="can't be used as the record store.*--data"):
            Store(path)


def test_a_refused_opening_leaves_no_claim(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    path.write_text("no database at all, for sure\n" * 100)
    for _ in range(2):
        with pytest.raises(StoreError, match="not a database"):
            Store(path)
    path.unlink()
    Store(path).close()


# --- trouble while it is open ---


def full(store: Store) -> int:
    """Let the file grow no further, as a full disk does; returns the page count that was allowed."""
    assert store._db is not None
    pages = int(store._db.execute("PRAGMA page_count").fetchone()[0])
    assert store._db.execute(f"PRAGMA max_page_count={pages}").fetchone()[0] == pages
    return pages


def test_a_full_disk_is_said_and_costs_nothing_that_was_stored(tmp_path: Path) -> None:
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        store.add("a", [reading(s) for s in range(50)])
        full(store)
        kept = seqs(store)
        with pytest.raises(StoreError, match="disk is full.*full, read-only or gone"):
            store.add("a", [reading(s) for s in range(50, 5000)])
        assert seqs(store) == kept == list(range(50)), "all of a batch or nothing"
        assert store._db is not None
        store._db.execute("PRAGMA max_page_count=1000000")
        assert store.add("a", [reading(s) for s in range(50, 5000)]) == 4950
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        assert seqs(store) == list(range(5000))


def test_why_a_write_failed_is_not_hidden_by_the_tidying_up(tmp_path: Path) -> None:
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        assert store._db is not None
        store._db.executescript(
            "CREATE TRIGGER t BEFORE INSERT ON reading BEGIN SELECT RAISE(ROLLBACK, 'the real reason'); END;"
        )
        with pytest.raises(StoreError, match="the real reason"):
            store.add("a", [reading(1)])
        store._db.execute("DROP TRIGGER t")
        assert store.add("a", [reading(1)]) == 1


def test_a_locked_file_says_who_could_hold_it(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    with contextlib.closing(Store(path)) as store, contextlib.closing(sqlite3.connect(path)) as other:
        assert store._db is not None
        store._db.execute("PRAGMA busy_timeout=0")
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="locked.*Close the other program"):
            store.put_state("x", 1)
        other.rollback()
        store.put_state("x", 1)


def test_reading_trouble_is_a_store_error_as_well(tmp_path: Path) -> None:
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        assert store._db is not None
        store._db.executescript("DROP TABLE reading; DROP TABLE anchor; DROP TABLE state;")
        for ask in (
            lambda: store.missing("a", 7, 0, 5),
            lambda: store.readings("a", 7),
            lambda: store.anchors("a", 7),
            lambda: store.get_state("x"),
        ):
            with pytest.raises(StoreError, match="Reading from .* failed"):
                ask()


def test_a_closed_store_says_so(tmp_path: Path) -> None:
    store = Store(tmp_path / "s.sqlite")
    store.close()
    store.close()
    with pytest.raises(StoreError, match="closed"):
        store.add("a", [reading(1)])
