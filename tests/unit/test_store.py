"""The record store: what is in it, what it refuses, and that a refusal loses nothing."""

from __future__ import annotations

import contextlib
import os
import random
import sqlite3
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterable, Iterator
from pathlib import Path

import ampledger.store as store_module
import pytest
from ampledger import sums, wire
from ampledger.decode import Frame, Scale, Worth, to_intervals
from ampledger.errors import StoreError
from ampledger.packing import READING_1
from ampledger.store import SCHEMA, Estimated, LogBlock, Store
from common import TOP
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st


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
        assert db.execute("SELECT device, boot, life FROM start").fetchall() == [("a", 7, 1)]


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
            "CREATE TRIGGER t BEFORE INSERT ON raw BEGIN SELECT RAISE(ROLLBACK, 'the real reason'); END;"
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
        store.add("a", [reading(1)])
        store._db.executescript("DROP TABLE raw; DROP TABLE run; DROP TABLE anchor; DROP TABLE state;")
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


# --- runs and sums ---

TOP_40, TOP_46 = 1 << 40, 1 << 46


def record(
    seq: int,
    channels: list[tuple[int, int, int, int, int, int]],
    *,
    boot: int = 7,
    mono_ms: int | None = None,
    span_ms: int = 100,
    temp_c16: int = 320,
    version: int = 2,
) -> bytes:
    """A payload; each channel is (status, n, tag, current count, charge, energy)."""
    mono_ms = 100 * (seq + 1) if mono_ms is None else mono_ms
    head = bytearray(18)
    wire.put_reading_head(
        head, 0, 0, boot.to_bytes(4, "little"), seq, mono_ms & 0x1FFFFFFF, mono_ms >> 29, span_ms, temp_c16
    )
    if version == 2:
        out = head + bytes(wire.READING_SIZE - 18)
        for k, (status, n, tag, current, charge, energy) in enumerate(channels):
            wire.put_channel(
                out,
                wire.CHANNEL_AT + k * wire.CHANNEL_SIZE,
                status,
                n,
                tag,
                67000 * n,
                4187 - n,
                4187 + n,
                current * n,
                (current >> 4) - 1,
                (current >> 4) + 1,
                (charge % TOP_40).to_bytes(5, "big"),
                (energy << 8) & 0xFFFFFF,
                wire.signed((energy >> 16) & 0x3FFFFFFF, 30),
            )
        return bytes(out)
    energy = channels[1][5]
    out = head + struct.pack("<Ii", (energy << 8) & 0xFFFFFF, wire.signed((energy >> 16) & 0x3FFFFFFF, 30))
    for status, n, tag, current, charge, _ in channels:
        out += struct.pack("<BBHi", status, n, tag, 67000 * n) + (67000 - n).to_bytes(3, "little")
        out += (67000 + n).to_bytes(3, "little") + struct.pack("<i", current * n)
        out += ((current - 1) & 0xFFFFFF).to_bytes(3, "little") + ((current + 1) & 0xFFFFFF).to_bytes(3, "little")
        out += (charge % TOP_40).to_bytes(5, "big")
    return bytes(out)


def frames(payloads: list[bytes]) -> list[Frame]:
    return [Frame(wire.READING, 0, p) for p in payloads]


@st.composite
def stretches(draw: st.DrawFn) -> list[bytes]:
    """Records of one start with all that happens to counters, some of them missing."""
    version = draw(st.sampled_from([2, 2, 1]))
    charge = [draw(st.sampled_from([0, TOP_40 // 2 - 500, TOP_40 - 300])) for _ in range(3)]
    energy = [draw(st.sampled_from([0, TOP_46 // 2 - 500, -300])) for _ in range(3)]
    tag = [1, 1, 1]
    out, mono_ms = [], draw(st.sampled_from([0, (1 << 29) - 2000]))
    for seq in range(draw(st.integers(3, 60))):
        span_ms = draw(st.sampled_from([100, 100, 1000, 10_000, 60_000]))
        mono_ms += span_ms + draw(st.sampled_from([0, 0, 0, 3]))
        channels = []
        for k in range(3):
            what = draw(st.sampled_from(["good"] * 8 + ["silent", "partial", "restarted", "another"]))
            current = draw(st.integers(-2000, 2000))
            if what in ("restarted", "another"):
                tag[k] += 1
                charge[k] = energy[k] = 0
            status = {"restarted": wire.S_RESTARTED, "partial": wire.S_PARTIAL}.get(what, 0)
            charge[k], energy[k] = charge[k] + current, energy[k] + 3 * current
            n = 0 if what == "silent" else 1 + draw(st.integers(0, 3))
            status = wire.S_MISSING if what == "silent" else status
            channels.append((status, n, tag[k], current, charge[k], energy[k]))
        temp = draw(st.sampled_from([320, -16, wire.NO_TEMP]))
        if draw(st.integers(0, 5)) != 0:
            out.append(record(seq, channels, mono_ms=mono_ms, span_ms=span_ms, temp_c16=temp, version=version))
    return out


def hasty(path: Path) -> Store:
    """A store that does not wait for the disk, for many small tests."""
    store = Store(path)
    assert store._db is not None
    store._db.execute("PRAGMA synchronous=OFF")
    return store


def tables(path: Path) -> dict[str, list[tuple[object, ...]]]:
    with contextlib.closing(sqlite3.connect(path)) as db:
        return {
            "run": db.execute("SELECT * FROM run ORDER BY 1, 2").fetchall(),
            "rollup": db.execute("SELECT * FROM rollup ORDER BY 1, 2, 3").fetchall(),
            "reading": db.execute("SELECT * FROM reading ORDER BY 1, 2").fetchall(),
        }


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.data(), stretches(), st.sampled_from([1, 3, 2000]))
def test_any_order_and_any_batching_give_the_same_sums(
    data: st.DataObject, payloads: list[bytes], waiting: int
) -> None:
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(store_module, "WAITING", waiting)
        path = Path(folder) / "a.sqlite"
        with contextlib.closing(hasty(path)) as store:
            assert store.add("a", frames(payloads)) == len(payloads)
            asked = [store.rolled("a", 7, level, -(1 << 40), 1 << 41).tolist() for level in (1, 60, 900, 3600)]
        at_once = tables(path)
        order = data.draw(st.permutations(range(len(payloads))) | st.just(list(range(len(payloads)))))
        batches, at = [], 0
        while at < len(order):
            count = data.draw(st.integers(1, 12))
            again = data.draw(st.lists(st.sampled_from(order), max_size=3))
            then = data.draw(st.sampled_from(["go on"] * 6 + ["close", "crash"]))
            batches.append(([payloads[i] for i in order[at : at + count] + again], then))
            at += count
        mixed = Path(folder) / "b.sqlite"
        new = 0
        with contextlib.ExitStack() as stack:
            store = stack.enter_context(contextlib.closing(hasty(mixed)))
            for batch, then in batches:
                new += store.add("a", frames(batch))
                if then != "go on":
                    # After a crash the sums lack what waited, and nothing but the file tells.
                    (store.close if then == "close" else store._release)()
                    store = stack.enter_context(contextlib.closing(hasty(mixed)))
            assert new == len(payloads)
            assert [store.rolled("a", 7, level, -(1 << 40), 1 << 41).tolist() for level in (1, 60, 900, 3600)] == asked
            runs = store.runs("a", 7)
            # Whatever still waits since a crash is taken in with the next that comes, new or not.
            assert store.add("a", frames(payloads[:1])) == 0
        assert tables(mixed) == at_once
        with contextlib.closing(hasty(mixed)) as store:
            assert store.resum("a") == len(payloads) and store.runs("a", 7) == runs
        assert tables(mixed) == at_once


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(stretches())
def test_sums_are_what_decode_makes_of_the_same_records(payloads: list[bytes]) -> None:
    """`decode.to_intervals` is the other opinion, with a scale in which every count is worth one."""
    worth = Worth(1.0, 1.0, 1.0)
    scale = Scale((worth, worth, worth), "controller-output", 100)
    with tempfile.TemporaryDirectory() as folder, contextlib.closing(hasty(Path(folder) / "a.sqlite")) as store:
        store.add("a", frames(payloads))
        totals = [store.rolled("a", 7, level, -(1 << 40), 1 << 41) for level in (1, 60, 900, 3600)]
        runs = store.runs("a", 7)
    readings = [wire.take_reading(p) for p in payloads]
    charge_c, energy = dict.fromkeys(wire.CHANNELS, 0.0), dict.fromkeys(wire.CHANNELS, 0)
    for run in runs:
        seen = None
        for r in readings:
            if run.first_seq <= r.seq <= run.last_seq:
                for was, now, tap in zip(seen.counters if seen else (), r.channels, wire.CHANNELS, strict=False):
                    if was and now.n and was.tag == now.tag and was.energy is not None and now.energy is not None:
                        energy[tap] += wire.signed((now.energy - was.energy) % TOP_46, 46)
                seen, intervals = to_intervals(seen, r, scale, r.mono_ms * 1e-3)
                assert len(intervals) == 1
                for tap in wire.CHANNELS:
                    charge_c[tap] += getattr(intervals[0], tap).charge_c or 0.0
    assert [r.seq for r in readings] == [s for run in runs for s in range(run.first_seq, run.last_seq + 1)]
    for total in totals:
        assert total["records"].sum() == len(payloads)
        assert total["span_ms"].sum() == sum(r.span_ms for r in readings)
        temps = [r.temp_c16 for r in readings if r.temp_c16 != wire.NO_TEMP]
        assert (total["temp_n"].sum(), total["temp_sum"].sum()) == (len(temps), sum(temps))
        for k, tap in enumerate(wire.CHANNELS):
            there = [r.channels[k] for r in readings if r.channels[k].n]
            assert total[f"{tap}_n"].sum() == sum(c.n for c in there)
            assert total[f"{tap}_cur_sum"].sum() == sum(c.cur_sum for c in there)
            some = total[total[f"{tap}_n"] > 0]
            if there:
                assert some[f"{tap}_cur_min"].min() == min(c.cur_min for c in there)
                assert some[f"{tap}_bus_max"].max() == max(c.bus_max for c in there)
            own_c = total[f"{tap}_own"].sum() / 256_000
            # Each of the readings counted by itself is rounded down to 1/256 of a count x 1 ms.
            assert abs(total[f"{tap}_moved"].sum() + own_c - charge_c[tap]) <= len(payloads) / 256_000 + 1e-6
            assert total[f"{tap}_energy"].sum() == energy[tap]
            silent = sum(r.span_ms for r in readings if not r.channels[k].n)
            assert total[f"{tap}_moved_ms"].sum() + total[f"{tap}_own_ms"].sum() + silent == total["span_ms"].sum()


def test_a_silence_longer_than_is_remembered_is_the_same_in_any_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sums, "FORGET", 5)
    good, silent = (0, 1, 1, 10, 0, 0), (wire.S_MISSING, 0, 1, 0, 0, 0)
    payloads = []
    for i in range(40):
        channels = [silent if 3 < i < 30 else (*good[:4], 10 * i, 0), silent if 3 < i < 8 else (*good[:4], 10 * i, 0)]
        channels.append((wire.S_PARTIAL if i > 2 else 0, 1, 1, 10, 10 * i, 0))
        payloads.append(record(i, channels))
    found = []
    for name, order in (("a", range(40)), ("b", reversed(range(40))), ("c", [*range(0, 40, 2), *range(1, 40, 2)])):
        with contextlib.closing(hasty(tmp_path / name)) as store:
            for i in order:
                store.add("a", frames([payloads[i]]))
            found.append(store.rolled("a", 7, 60, 0, 1 << 40).tolist())
            total = store.rolled("a", 7, 60, 0, 1 << 40)[0]
        found.append(tables(tmp_path / name)["rollup"])
    assert found[0] == found[2] == found[4] and found[1] == found[3] == found[5]
    # WORKED: records 0 to 3 move 10 each but the first; 4 to 29 are silent, too long; 31 to 39 count again.
    assert total["solar_moved"] == 30 + 90 and total["solar_own_ms"] == 200
    # WORKED: 39 steps of 10, of which record 8 tells five at once: the silence of four records is remembered.
    assert total["battery_moved"] == 390
    # WORKED: certain until record 2; 3 to 8 rest on it (five records and the one that ends it); then unknown for good.
    assert total["load_moved"] == 10 * 7 and total["load_own_ms"] == 100 * (1 + 32)


# --- packing ---


def counting(seqs: Iterable[int], boot: int = 7) -> list[bytes]:
    return [record(s, [(0, 1, 1, 10, 10 * s, 30 * s)] * 3, boot=boot) for s in seqs]


def everything(store: Store) -> dict[str, object]:
    levels = {level: store.rolled("a", 7, level, 0, 1 << 40).tolist() for level in (1, 60, 900, 3600)}
    levels["some"] = [store.rolled("a", 7, level, 130_050, 190_020).tolist() for level in (1, 60, 900, 3600)]
    return {
        "rolled": levels,
        "readings": store.readings("a", 7),
        "since": store.readings("a", 7, since_mono_ms=123_456),
        "after": store.readings("a", 7, after_seq=1500),
        "bulk": store.bulk("a", 7).tobytes(),
        "part": store.bulk("a", 7, 100_000, 150_000).tobytes(),
        "runs": store.runs("a", 7),
        "missing": store.missing("a", 7, 0, 6000),
        "edges": [store.edge("a", 7, s) for s in (0, 1, 1023, 1024, 2500, 4999, 5000, 70_000)],
    }


def packs(store: Store) -> list[tuple[int, int]]:
    return store._rows("SELECT first_seq, last_seq FROM pack ORDER BY 1")


def test_packing_changes_nothing_but_the_size(tmp_path: Path) -> None:
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        stored = [s for s in range(5000) if not 2000 <= s < 2010 and s % 997]
        store.add("a", frames(counting(stored)))
        before = everything(store)
        assert [r.seq for r in store.readings("a", 7)] == stored
        assert store.pack(older_than=1000, at_most=2) == 2048 and len(packs(store)) == 2
        assert everything(store) == before
        assert store.pack(older_than=1000) == 1024 and store.pack(older_than=1000) == 0
        assert everything(store) == before
        assert store.resum("a") == len(stored) and everything(store) == before
        # What was missing comes late: into, between and behind the packs.
        assert store.add("a", frames(counting(range(5000)))) == 5000 - len(stored)
        late = everything(store)
        assert late["bulk"] == b"".join(counting(range(5000))) and late["missing"] == [(5000, 5999)]
        assert store.pack(older_than=1000) > 0 and store.pack(older_than=0) > 0
        assert everything(store) == late
        ends = packs(store)
        assert all(a[1] < b[0] for a, b in zip(ends, ends[1:], strict=False)), "packs never overlap"
        assert store.add("a", frames(counting(range(5000)))) == 0
        assert store.resum("a") == 5000 and everything(store) == late
    with contextlib.closing(Store(tmp_path / "s.sqlite", look=True)) as store:
        assert everything(store) == late


def test_records_of_version_1_are_packed_too(tmp_path: Path) -> None:
    payloads = [record(s, [(0, 1, 1, 10, 10 * s, 30 * s)] * 3, version=1) for s in range(2100)]
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        store.add("a", frames(payloads))
        before = everything(store)
        assert store.pack(older_than=0) == 2048
        assert everything(store) == before and store.bulk("a", 7).dtype == READING_1


def test_a_harmed_pack_is_said(tmp_path: Path) -> None:
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        store.add("a", frames(counting(range(1100))))
        store.pack(older_than=0)
        assert store._db is not None
        store._db.execute("UPDATE pack SET data = zeroblob(100)")
        for ask in (
            lambda: store.readings("a", 7),
            lambda: store.bulk("a", 7),
            lambda: store.edge("a", 7, 5),
            lambda: store.rolled("a", 7, 1, 0, 1 << 40),
        ):
            with pytest.raises(StoreError, match="packed block.*harmed.*copy"):
                ask()


def test_the_ends_of_the_numbers_do_not_meet_in_the_next_start(tmp_path: Path) -> None:
    most = (1 << 32) - 1
    payloads = [record(s, [(0, 1, 1, 10, 10 * (s % 1000), 0)] * 3, mono_ms=s) for s in (most - 1, most)]
    other = [record(s, [(0, 1, 1, 10, 10 * s, 0)] * 3, boot=8) for s in (0, 1)]
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        assert store.add("a", frames([*payloads, *other])) == 4
        assert [r.seq for r in store.readings("a", 7)] == [most - 1, most] and seqs(store, boot=8) == [0, 1]
        assert seqs(store, boot=8) == [r.seq for r in store.readings("a", 8, after_seq=-100)]
        assert store.readings("a", 7, after_seq=most) == store.readings("a", 7, after_seq=1 << 62) == []
        for out in (-1, most + 1, 1 << 70):
            assert store.edge("a", 8, out) is None and store.edge("a", 7, out) is None
        assert [(r.first_seq, r.last_seq) for r in store.runs("a", 7)] == [(most - 1, most)]
        # WORKED: each start has one record that follows on another.
        assert [store.rolled("a", b, 900, 0, 1 << 40)["load_moved_ms"].sum() for b in (7, 8)] == [100, 100]
        assert store.rolled("a", 8, 1, 0, 1 << 40)["load_moved_ms"].sum() == 100
        assert store.resum("a") == 4


def test_numbers_that_begin_again_at_zero_stay_in_their_start(tmp_path: Path) -> None:
    numbers = [(i + (1 << 32) - 40) % (1 << 32) for i in range(80)]
    payloads = [record(s, [(0, 1, 1, 10, 10 * i, 0)] * 3, mono_ms=100 * (i + 1)) for i, s in enumerate(numbers)]
    for size in (1, 7, 80):
        with contextlib.closing(Store(tmp_path / f"{size}.sqlite")) as store:
            assert store.add("a", frames(payloads[:1])) == 1
            new = sum(store.add("a", frames(payloads[i : i + size])) for i in range(0, 80, size))
            assert new == 79 and seqs(store) == sorted(numbers) and store.devices() == ["a"]
            assert store.missing("a", 7, 0, 40) == [] and len(store.runs("a", 7)) == 2


# --- starts ---


def info(boot: int, boots: int, **more: object) -> dict[str, object]:
    return {"device": "a", "boot": boot, "boots": boots, **more}


def test_a_formatted_board_begins_a_new_life(tmp_path: Path) -> None:
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        store.add_info(info(50, 5), 1.0)
        store.add_info_if_new(info(40, 4), 2.0)
        store.add_info_if_new(info(50, 5, x=1), 2.0)
        store.add_info(info(50, 5, y=1), 3.0)
        assert store.infos("a") == [info(40, 4), info(50, 5, y=1)]
        store.add("a", frames(counting([3], boot=10)))
        assert store.starts("a") == [(40, info(40, 4)), (50, info(50, 5, y=1)), (10, {})]
        store.add_info(info(10, 1), 4.0)  # formatted: its count began anew
        store.add_info(info(20, 2), 5.0)
        store.add_info_if_new(info(15, 1), 6.0)
        assert [boot for boot, _ in store.starts("a")] == [40, 50, 10, 15, 20]
        store.add_info(info(11, 2), 7.0)  # and once more
        assert [boot for boot, _ in store.starts("a")] == [40, 50, 10, 15, 20, 11]
        assert store.starts("b") == [] and store.devices() == ["a"]


@pytest.mark.parametrize("boots", [1e400, "x", None, -1, 1 << 70, True, [1], {"a": 1}, 2.5])
def test_a_number_of_starts_that_is_none_does_no_harm(tmp_path: Path, boots: object) -> None:
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        store.add_info({"device": "a", "boot": 7, "boots": boots}, 1.0)
        assert [boot for boot, _ in store.starts("a")] == [7]


@pytest.mark.parametrize(
    "wrong",
    [{}, {"device": "a"}, {"device": "a", "boot": "x"}, {"device": "a", "boot": 1 << 80}]
    + [{"device": "a", "boot": 1e400}, {"device": "\ud800", "boot": 1}, {"device": "a", "boot": 1, "x": {1, 2}}],
)
def test_a_description_that_cannot_be_kept_is_a_store_error(tmp_path: Path, wrong: dict[str, object]) -> None:
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        for keep in (store.add_info, store.add_info_if_new):
            with pytest.raises(StoreError, match="can't be kept"):
                keep(wrong, 1.0)
        assert store.devices() == []
        store.add_info(info(7, 1), 1.0)


def test_a_reading_of_an_unknown_length_is_refused_with_its_batch(tmp_path: Path) -> None:
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        for odd in (b"", b"x" * 112, b"x" * 500):
            with pytest.raises(StoreError, match=f"{len(odd)} bytes"):
                store.add("a", [reading(1), Frame(wire.READING, 0, odd)])
        assert seqs(store) == []


# --- conclusions, what was told, logs ---


def estimated(time_s: float, version: str = "v") -> Estimated:
    return Estimated(time_s, 7, int(time_s), 0.5, 0.4, 0.6, 20.0, 1.0, 2.0, -1.0, "drawing", "battery", version)


def test_conclusions_are_replaced_as_one_and_what_happened_stays(tmp_path: Path) -> None:
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        store.add_event(1.0, "happened", "gap", {"x": 1}, "a", "old")
        store.add_event(2.0, "raised", "stale", {}, "a", "old")
        store.add_event(2.0, "raised", "stale", {}, "b", "old")
        store.add_conclusions("a", [estimated(1.0), estimated(2.0), estimated(2.0, "w")])
        store.add_conclusions("b", [estimated(1.0)])
        assert store.estimates("a", 0, 2.0) == [estimated(1.0)]
        assert store.estimates("a", 0, 9) == [estimated(1.0), estimated(2.0, "w")]

        def broken() -> Iterator[Estimated]:
            yield estimated(5.0)
            raise RuntimeError("on the way")

        for estimates, events in ((broken(), []), ([], [(1.0, "raised", "x", {"set": {1}})])):
            with pytest.raises((RuntimeError, StoreError)):
                store.replace_conclusions("a", estimates, events, "new", {"s": 1})
        assert store.estimates("a", 0, 9) == [estimated(1.0), estimated(2.0, "w")] and store.get_state("s") is None
        store.replace_conclusions("a", [estimated(7.0)], [(7.0, "raised", "cold", {"y": 2})], "new", {"s": [1]})
        assert store.estimates("a", 0, 9) == [estimated(7.0)] and store.get_state("s") == [1]
        assert store.events("a", 0, 9) == [(1.0, "happened", "gap", {"x": 1}), (7.0, "raised", "cold", {"y": 2})]
        assert store.events("b", 0, 9) == [(2.0, "raised", "stale", {})] and len(store.estimates("b", 0, 9)) == 1
        store.replace_conclusions("a", [estimated(8.0)], [], "new", {}, since_s=7.5)
        assert store.estimates("a", 0, 9) == [estimated(7.0), estimated(8.0)] and len(store.events("a", 0, 9)) == 2
        store.tell(5.0, "a", "charge", {"soc": 1.0})
        store.tell(4.0, "a", "battery", {"capacity_ah": 20})
        store.tell(4.0, "b", "battery", {})
        assert store.told("a") == [(4.0, "battery", {"capacity_ah": 20}), (5.0, "charge", {"soc": 1.0})]


def test_an_imported_log_is_kept_once_and_whole(tmp_path: Path) -> None:
    blocks = [LogBlock(1, i * 100, i * 100 + 99, 10, bytes([i])) for i in range(20)] + [LogBlock(60, 0, 1999, 2, b"m")]
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        log = store.add_log("a.csv", "d1", 5.0, {"taps": ["battery"]}, iter(blocks))
        assert store.logs() == [
            {
                "id": log,
                "name": "a.csv",
                "digest": "d1",
                "imported_s": 5.0,
                "rows": 200,
                "first_us": 0,
                "last_us": 1999,
                "values": {"taps": ["battery"]},
            }
        ]
        with pytest.raises(StoreError, match=rf"already, as log:{log} \(a.csv\)"):
            store.add_log("b.csv", "d1", 6.0, {}, [])
        with pytest.raises(StoreError, match="UNIQUE"):
            store.add_log("c.csv", "d2", 6.0, {}, [blocks[0], blocks[0]])
        assert len(store.logs()) == 1
        assert list(store.log_blocks(log, 1)) == blocks[:20] and list(store.log_blocks(log, 60)) == blocks[20:]
        assert [b.first_us for b in store.log_blocks(log, 1, 150, 300)] == [100, 200, 300]
        store.remove_log(log)
        assert store.logs() == [] and list(store.log_blocks(log, 1)) == []
        with pytest.raises(StoreError, match="no log"):
            store.remove_log(log)


# --- copies ---


def test_a_copy_of_a_store_in_use(tmp_path: Path) -> None:
    path, target = tmp_path / "s.sqlite", tmp_path / "copy.sqlite"
    with contextlib.closing(Store(path)) as store:
        store.add("a", frames(counting(range(500))))
        with contextlib.closing(Store(path, look=True)) as look:
            look.backup(target)
            store.add("a", frames(counting(range(500, 600))))
            assert len(look.readings("a", 7)) == 600, "the same look sees what came"
        with pytest.raises(StoreError, match="is there already"):
            store.backup(target)
        store.backup(tmp_path / "second.sqlite")
        with pytest.raises(StoreError, match="could not be written.*nothing was left"):
            store.backup(tmp_path / "no such folder" / "x.sqlite")
    for name, count in (("copy", 500), ("second", 600)):
        with contextlib.closing(Store(tmp_path / f"{name}.sqlite", look=True)) as copy:
            assert len(copy.readings("a", 7)) == count
            assert copy.rolled("a", 7, 60, 0, 1 << 40)["records"].sum() == count
    assert sorted(p.name for p in tmp_path.iterdir() if p.suffix != ".lock") == [
        "copy.sqlite",
        "s.sqlite",
        "second.sqlite",
    ]
    with contextlib.closing(Store(target)) as store:
        assert store.add("a", frames(counting(range(600)))) == 100, "a copy goes on where it was"


# --- a full disk, elsewhere than in `add` ---


def roomy(store: Store) -> None:
    assert store._db is not None
    store._db.execute("PRAGMA max_page_count=1000000")


def test_a_full_disk_in_packing_and_concluding_changes_nothing(tmp_path: Path) -> None:
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        # Bytes that do not get smaller, so that packing needs room of its own.
        rng = random.Random(1)
        store.add("a", frames([p[:18] + rng.randbytes(wire.READING_SIZE - 18) for p in counting(range(3000))]))
        store.add_conclusions("a", [estimated(1.0)])
        before = everything(store)
        full(store)
        with pytest.raises(StoreError, match="disk is full.*full, read-only or gone"):
            store.pack(older_than=0)
        with pytest.raises(StoreError, match="disk is full"):
            store.replace_conclusions("a", map(estimated, map(float, range(5000))), [], "v", {})
        with pytest.raises(StoreError, match="disk is full"):
            store.add_log("x", "d", 1.0, {}, [LogBlock(1, 0, 1, 1, b"x" * 500_000)])
        assert everything(store) == before and store.estimates("a", 0, 9) == [estimated(1.0)]
        assert store.logs() == [] and packs(store) == []
        roomy(store)
        assert store.pack(older_than=0) == 2048 and everything(store) == before
        store.replace_conclusions("a", map(estimated, map(float, range(5000))), [], "v", {})
        assert len(store.estimates("a", 0, 9999)) == 5000


def test_a_full_disk_in_a_copy_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    connect = store_module._connect

    def small(path: Path) -> sqlite3.Connection:
        db = connect(path)
        if path.suffix == ".part":
            db.execute("PRAGMA max_page_count=5")
        return db

    monkeypatch.setattr(store_module, "_connect", small)
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        store.add("a", frames(counting(range(3000))))
        with pytest.raises(StoreError, match="could not be written.*full.*MB.*another place"):
            store.backup(tmp_path / "copy.sqlite")
        assert not list(tmp_path.glob("copy*"))
        monkeypatch.undo()
        store.backup(tmp_path / "copy.sqlite")


def test_a_full_disk_now_and_then_costs_no_record_and_no_count(tmp_path: Path) -> None:
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        waiting: list[Frame] = []
        refused = 0
        for i in range(0, 8000, 10):
            if i % 1000 == 0:
                full(store)
            if i % 1000 == 600:
                roomy(store)
            waiting += frames(counting(range(i, i + 10)))
            try:
                store.add("a", waiting)
                waiting = []
            except StoreError:
                refused += 1
        roomy(store)
        store.add("a", waiting)
        assert refused > 20
        assert store.bulk("a", 7).tobytes() == b"".join(counting(range(8000)))
        summed = [store.rolled("a", 7, level, 0, 1 << 40).tolist() for level in (1, 60, 900, 3600)]
        # WORKED: 7999 steps of 10 counts.
        assert sum(store.rolled("a", 7, 900, 0, 1 << 40)["load_moved"].tolist()) == 79_990
        assert store.resum("a") == 8000
        assert [store.rolled("a", 7, level, 0, 1 << 40).tolist() for level in (1, 60, 900, 3600)] == summed


# --- threads and kills ---


def test_several_threads_share_a_store(tmp_path: Path) -> None:
    errors: list[BaseException] = []
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:

        def write(boot: int) -> None:
            try:
                for i in range(0, 1500, 5):
                    store.add("a", frames(counting(range(i, i + 5), boot)))
            except BaseException as e:
                errors.append(e)

        def read() -> None:
            try:
                for _ in range(60):
                    runs = store.runs("a", 7)
                    some = store.bulk("a", 7)
                    assert len(some) >= (runs[-1].last_seq + 1 if runs else 0)
                    assert store.rolled("a", 7, 60, 0, 1 << 40)["records"].sum() >= len(some)
                    numbers = [r.seq for r in store.each("a", 7)]
                    assert numbers == list(range(len(numbers))) and len(numbers) >= len(some)
                    store.pack(older_than=100)
            except BaseException as e:
                errors.append(e)

        threads = [threading.Thread(target=write, args=(boot,)) for boot in (7, 8)] + [threading.Thread(target=read)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert not errors
        for boot in (7, 8):
            assert store.bulk("a", boot).tobytes() == b"".join(counting(range(1500), boot))


KILLED = """
import sys, threading
from pathlib import Path
from ampledger.decode import Frame
from ampledger.store import Store
folder, first = Path(sys.argv[1]), int(sys.argv[2])
payloads = [bytes.fromhex(line) for line in (folder / "payloads").read_text().split()]
store = Store(folder / "s.sqlite")
copies = 0
for i in range(first, len(payloads), 7):
    store.add("a", [Frame(1, 0, p) for p in payloads[i : i + 7]])
    print(i + 7, flush=True)
    if i // 7 % 20 == 5:
        store.pack(older_than=50)
    if i // 7 % 30 == 7:
        store.backup(folder / f"copy-{first}-{i}.sqlite")
"""


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="no SIGKILL there")
def test_killed_anywhere_what_add_returned_for_is_there(tmp_path: Path) -> None:
    payloads = counting(range(30_000))
    (tmp_path / "payloads").write_text("\n".join(p.hex() for p in payloads))
    rng = random.Random(5)
    first = 0
    for _ in range(8):
        process = subprocess.Popen(
            [sys.executable, "-c", KILLED, str(tmp_path), str(first)],
            env=dict(os.environ, PYTHONPATH=str(TOP / "host")),
            stdout=subprocess.PIPE,
        )
        with process:
            assert process.stdout is not None
            told = int(process.stdout.readline() or first)
            time.sleep(rng.uniform(0.0, 0.5))
            process.kill()
            lines = process.stdout.read().split(b"\n")[:-1]
            told = int(lines[-1]) if lines else told
        with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
            some = store.bulk("a", 7).tobytes()
            count = len(some) // wire.READING_SIZE
            assert count >= min(told, len(payloads)), "what was durable is gone"
            assert some == b"".join(payloads[:count])
            assert [(r.first_seq, r.last_seq) for r in store.runs("a", 7)] == [(0, count - 1)]
            summed = [store.rolled("a", 7, level, 0, 1 << 40).tolist() for level in (1, 60, 900, 3600)]
            assert store.resum("a") == count
            assert [store.rolled("a", 7, level, 0, 1 << 40).tolist() for level in (1, 60, 900, 3600)] == summed
        for copy in tmp_path.glob("copy-*.sqlite"):
            with contextlib.closing(Store(copy, look=True)) as look:
                there = look.bulk("a", 7).tobytes()
                assert there == b"".join(payloads[: len(there) // wire.READING_SIZE])
            copy.unlink()
        first = count


# --- files that are none of ours ---


def test_what_is_no_file_is_refused_and_nothing_is_left(tmp_path: Path) -> None:
    for path in (Path(os.devnull), tmp_path):
        before = sorted(path.parent.iterdir())
        with pytest.raises(StoreError, match="can't be used as the record store.*no file.*--data"):
            Store(path)
        with pytest.raises(StoreError, match="--data"):
            Store(path, look=True)
        assert sorted(path.parent.iterdir()) == before


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_without_permission_is_said(tmp_path: Path) -> None:
    (tmp_path / "shut").mkdir(mode=0o500)
    with pytest.raises(StoreError, match="read-only disk.*--data"):
        Store(tmp_path / "shut" / "s.sqlite")


def test_a_bucket_of_every_length_holds_what_begins_in_it_and_adds_up_to_the_same(tmp_path: Path) -> None:
    frames = []
    for seq in range(3000):  # ten seconds each, 8 h 20 min
        payload = bytearray(reading(seq).payload)
        wire.put_reading_head(payload, 0, 0, (7).to_bytes(4, "little"), seq, (seq + 1) * 10_000, 0, 10_000, 320)
        frames.append(Frame(wire.READING, 0, bytes(payload)))
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        store.add("a", frames)
        totals, counts = [], []
        for level in (1, 60, 900, 3600):
            rows = store.rolled("a", 7, level, 0, 1 << 41)
            assert (rows["bucket"] == rows["t0_ms"] // (1000 * level)).all(), level
            counts.append(len(rows))
            totals.append([int(rows[x].sum()) for x in ("records", "span_ms")])
        # WORKED: 30,000 s are 500 minutes, 33.3 quarters and 8.3 hours.
        assert counts == [3000, 500, 34, 9] and totals == [[3000, 30_000_000]] * 4
