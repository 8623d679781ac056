"""From schema 1 to schema 2: nothing is lost, whatever is in the file and whenever it ends."""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import ampledger.store as store_module
import pytest
from ampledger import wire
from ampledger.errors import StoreError
from ampledger.store import Store
from common import TOP

# FROZEN: what the first version made.
SCHEMA_1 = """
CREATE TABLE info (device TEXT, boot INTEGER, received_s REAL, json TEXT, PRIMARY KEY (device, boot)) WITHOUT ROWID;
CREATE TABLE reading (device TEXT, boot INTEGER, seq INTEGER, mono_ms INTEGER, payload BLOB,
    PRIMARY KEY (device, boot, seq)) WITHOUT ROWID;
CREATE TABLE anchor (device TEXT, boot INTEGER, mono_ms INTEGER, unix_ms INTEGER, uncertainty_ms INTEGER,
    PRIMARY KEY (device, boot, mono_ms)) WITHOUT ROWID;
CREATE TABLE event (id INTEGER PRIMARY KEY, time_s REAL, kind TEXT, code TEXT, json TEXT);
CREATE TABLE state (name TEXT PRIMARY KEY, json TEXT) WITHOUT ROWID;
PRAGMA user_version=1;
"""


def payload(boot: int, seq: int, size: int = wire.READING_SIZE) -> bytes:
    out = bytearray(size)
    mono_ms = 100 * (seq + 1)
    wire.put_reading_head(out, 0, 2, boot.to_bytes(4, "little"), seq, mono_ms, 0, 100, 320)
    if size == wire.READING_SIZE:
        for k in range(3):
            at = wire.CHANNEL_AT + k * wire.CHANNEL_SIZE
            wire.put_channel(out, at, 0, 1, 5, 67000, 4187, 4188, 50, 3, 4, (50 * seq).to_bytes(5, "big"), 0, seq)
    return bytes(out)


Rows = dict[tuple[str, int, int], bytes]


def schema_1(path: Path, count: int = 300) -> Rows:
    """A file of the first version; returns its whole records."""
    rows: Rows = {}
    for device, boot, size in (("a", 7, 111), ("a", 9, 113), ("b", 7, 111)):
        for seq in range(count):
            if seq % 100 != 50:
                rows[device, boot, seq] = payload(boot, seq, size)
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.executescript("PRAGMA journal_mode=WAL;" + SCHEMA_1)
        db.executemany(
            "INSERT INTO reading VALUES (?, ?, ?, ?, ?)", [(d, b, s, 100 * (s + 1), p) for (d, b, s), p in rows.items()]
        )
        infos = [("a", 9, 1.0, {"device": "a", "boot": 9, "boots": 2})]
        infos += [("a", 7, 2.0, {"device": "a", "boot": 7, "boots": 1})]
        infos += [("a", 11, 3.0, {"device": "a", "boot": 11, "boots": 3}), ("b", 7, 1.0, {"device": "b", "boot": 7})]
        db.executemany("INSERT INTO info VALUES (?, ?, ?, ?)", [(*i[:3], json.dumps(i[3])) for i in infos])
        db.execute("INSERT INTO anchor VALUES ('a', 7, 100, 1789000000000, 20)")
        db.execute("INSERT INTO event VALUES (3, 1.5, 'happened', 'gap', '{\"x\": 1}')")
        db.execute("INSERT INTO state VALUES ('live', '[1]')")
        db.commit()
    return rows


def harm(path: Path) -> int:
    """Rows such as no program writes; returns how many readings are among them."""
    with contextlib.closing(sqlite3.connect(path)) as db:
        odd = [
            ("a", 7, 1001, 5, b"short"),
            ("a", 7, 1002, 5, "text"),
            ("a", 7, 1003, 5, None),
            ("a", 7, 1004, 5, 12.5),
            ("a", 7, "many", 5, payload(7, 1005)),
            ("a", "seven", 1, 5, payload(7, 1)),
            ("a", 7, 1006, 5, payload(7, 1)),
            ("a", 7, 1007, 5, payload(8, 1007)),
            ("a", 7, b"\xff", 5, payload(7, 3)),
        ]
        db.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?)", odd)
        db.execute("INSERT INTO reading VALUES ('a', 7, 1008, 5, CAST(x'ff80' AS TEXT))")
        db.execute("UPDATE reading SET mono_ms = 'late' WHERE device = 'a' AND boot = 7 AND seq = 3")
        db.execute("INSERT INTO info VALUES ('a', 'nine', 'then', '{')")
        db.execute("INSERT INTO info VALUES ('c', 5, 1, CAST(x'ff80' AS TEXT))")
        db.execute("INSERT INTO anchor VALUES ('a', 7, 'noon', 'x', 'y')")
        db.execute("INSERT INTO event VALUES (4, 'then', 3, NULL, 'no json')")
        db.commit()
    return len(odd) + 1


def held(store: Store) -> Rows:
    out: Rows = {}
    for device in ("a", "b"):
        for boot in (7, 9):
            rows = store.bulk(device, boot)
            out |= {(device, boot, int(row["seq"])): row.tobytes() for row in rows}
    return out


def version_of(path: Path) -> int:
    with contextlib.closing(sqlite3.connect(path)) as db:
        return int(db.execute("PRAGMA user_version").fetchone()[0])


def rows_of_1(path: Path) -> Rows:
    with contextlib.closing(sqlite3.connect(path)) as db:
        found = db.execute("SELECT device, boot, seq, payload FROM reading").fetchall()
    return {(device, boot, seq): p for device, boot, seq, p in found}


def test_everything_comes_over_and_a_copy_stays(tmp_path: Path) -> None:
    path = tmp_path / "box.sqlite"
    rows = schema_1(path)
    (tmp_path / "box.before-schema-2.sqlite").write_text("an older copy")
    with contextlib.closing(Store(path)) as store:
        assert held(store) == rows
        assert [i["boot"] for i in store.infos("a")] == [7, 9, 11] and store.devices() == ["a", "b"]
        assert store.starts("a") == [(i["boot"], i) for i in store.infos("a")]
        assert store.anchors("a", 7) == [wire.Anchor(7, 100, 1789000000000, 20)]
        assert store.get_state("live") == [1]
        assert store.get_state("migrated") == {"from": 1, "to": 2, "copy": "box.before-schema-2-2.sqlite", "harmed": 0}
        assert [(r.first_seq, r.last_seq) for r in store.runs("a", 9)] == [(0, 49), (51, 149), (151, 249), (251, 299)]
        assert store.missing("a", 7, 0, 300) == [(50, 50), (150, 150), (250, 250)]
        summed = [store.rolled(d, b, 60, 0, 1 << 40).tolist() for d, b in (("a", 7), ("a", 9), ("b", 7))]
        # WORKED: 297 records, of which four begin a run; each other one moved 50 counts.
        assert store.rolled("a", 7, 900, 0, 1 << 40)["battery_moved"].tolist() == [50 * (297 - 4)]
        assert store.resum("a") == 2 * 297 and store.resum("b") == 297
        assert [store.rolled(d, b, 60, 0, 1 << 40).tolist() for d, b in (("a", 7), ("a", 9), ("b", 7))] == summed
        assert store.add("a", []) == 0
    assert (tmp_path / "box.before-schema-2.sqlite").read_text() == "an older copy"
    copy = tmp_path / "box.before-schema-2-2.sqlite"
    assert version_of(copy) == 1 and rows_of_1(copy) == rows
    assert sorted(p.name for p in tmp_path.iterdir() if "before" in p.name) == [
        "box.before-schema-2-2.sqlite",
        "box.before-schema-2.sqlite",
    ]
    with contextlib.closing(Store(path)) as store:
        assert held(store) == rows
    assert len(list(tmp_path.glob("*before*"))) == 2, "once is enough"


def test_events_belong_to_the_board_if_there_was_only_one(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.executescript(SCHEMA_1)
        db.execute("INSERT INTO info VALUES ('a', 7, 1, '{\"device\": \"a\", \"boot\": 7}')")
        db.execute("INSERT INTO event VALUES (3, 1.5, 'raised', 'gap', '{\"x\": 1}')")
        db.commit()
    with contextlib.closing(Store(path)) as store:
        assert store.events("a", 0, 2) == [(1.5, "raised", "gap", {"x": 1})] and store.runs("a", 7) == []


def test_harmed_rows_are_kept_and_hold_nothing_up(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    rows = schema_1(path)
    odd = harm(path)
    with contextlib.closing(Store(path)) as store:
        assert held(store) == rows
        assert store.get_state("migrated")["harmed"] == odd
        assert store.missing("a", 7, 1000, 1010) == [(1000, 1009)], "a board that still has them is asked again"
        assert store.anchors("a", 7) == [wire.Anchor(7, 100, 1789000000000, 20)]
        assert len(store.readings("a", 7)) == 297
        with pytest.raises(StoreError, match="description.*harmed"):
            store.infos("c")
    with contextlib.closing(sqlite3.connect(path)) as db:
        kept = db.execute("SELECT boot, seq, CAST(payload AS BLOB) FROM harmed ORDER BY seq").fetchall()
    assert len(kept) == odd and (7, 1001, b"short") in kept and ("seven", 1, payload(7, 1)) in kept


def test_looking_at_schema_1_says_what_to_do_and_changes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    rows = schema_1(path)
    before = path.read_bytes()
    with pytest.raises(StoreError, match="ampledger live.*ampledger rebuild.*copy"):
        Store(path, look=True)
    assert path.read_bytes() == before and rows_of_1(path) == rows


@pytest.mark.parametrize("spare", [1, 3, 20])
@pytest.mark.parametrize("what", ["the copy", "the file"])
def test_a_full_disk_leaves_schema_1_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: str, spare: int
) -> None:
    path = tmp_path / "s.sqlite"
    rows = schema_1(path)
    connect = store_module._connect

    def full(where: Path) -> sqlite3.Connection:
        db = connect(where)
        if (where.suffix == ".part") == (what == "the copy"):
            pages = db.execute("PRAGMA page_count").fetchone()[0]
            db.execute(f"PRAGMA max_page_count={pages + spare}")
        return db

    monkeypatch.setattr(store_module, "_connect", full)
    with pytest.raises(StoreError, match=r"could not be brought up to date.*(full|room).*as it was"):
        Store(path)
    assert version_of(path) == 1 and rows_of_1(path) == rows
    assert not list(tmp_path.glob("*.part*"))
    monkeypatch.undo()
    with contextlib.closing(Store(path)) as store:
        assert held(store) == rows


OPEN = (
    "import sys; from pathlib import Path; from ampledger.store import Store\n"
    "print('go', flush=True); Store(Path(sys.argv[1])).close(); print('done', flush=True)"
)


def child(script: str, *args: object) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-c", script, *map(str, args)],
        env=dict(os.environ, PYTHONPATH=str(TOP / "host")),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="no SIGKILL there")
def test_killed_anywhere_it_is_schema_1_or_schema_2_and_whole(tmp_path: Path) -> None:
    rng = random.Random(4)
    for round_ in range(10):
        path = tmp_path / f"{round_ // 2}.sqlite"
        rows = rows_of_1(path) if path.exists() and version_of(path) == 1 else {}
        if not path.exists():
            rows = schema_1(path, 2000)
        with child(OPEN, path) as process:
            assert process.stdout is not None and process.stdout.readline() == b"go\n"
            # Spread over copy and migration, which take some tenths of a second.
            time.sleep(rng.uniform(0.0, 0.4))
            process.send_signal(signal.SIGKILL)
        for copy in tmp_path.glob("*.before-schema-2*.sqlite"):
            assert version_of(copy) == 1 and len(rows_of_1(copy)) == 5940, "a copy is whole or is not there"
        if version_of(path) == 1:
            assert rows_of_1(path) == rows
        else:
            with contextlib.closing(Store(path)) as store:
                assert len(held(store)) == 5940 and (not rows or held(store) == rows)
                summed = store.rolled("a", 7, 60, 0, 1 << 40).tolist()
                assert store.resum("a") == 2 * 1980 and store.rolled("a", 7, 60, 0, 1 << 40).tolist() == summed
