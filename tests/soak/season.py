"""
Ninety days of a station at one record a second: made, stored, packed, and measured for size and for the time it takes
to draw any part of it.

The records are invented but have what makes real ones hard to squeeze: noise in every sample, overs, clouds, a
temperature, two counters a channel. They go through `Store.add` like any others. `python -m soak.season FOLDER DAYS`
makes the store (a child process of `bars`); the measuring is done when nothing else runs.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import sqlite3
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from ampledger import packing, wire
from ampledger.decode import Frame
from ampledger.store import Store

DEVICE = "a5b0000000000001"
START_UNIX_S = 1_790_000_000.0
AT_ONCE = 20_000
SAMPLES = 10  # in a record
AMP_FA = 156_402_588_000  # what a count of current is worth, 2 mohm and the lower range [fA]


def info(boot: int, boots: int) -> dict[str, Any]:
    """What the invented board says of itself."""
    channel = {"chip": "ina228", "amp_fa": AMP_FA, "volt_pv": 195_312_500, "charge_us": 1_000_000, "coarse": 4}
    channels = [{"name": name, **channel} for name in wire.CHANNELS]
    about = {"app": "ampledger", "wire": 2, "board": "season", "device": DEVICE, "solar_placement": "controller-output"}
    return about | {"sample_ms": 100, "channels": channels, "boot": boot, "boots": boots}


def days(first: int, count: int, seed: int, boot: int) -> Iterator[bytes]:
    """Payloads of whole days, one bytes object of many records at a time."""
    rng = np.random.default_rng(seed)
    charge, energy = np.zeros(3, np.int64), np.zeros(3, np.int64)
    for day in range(first, first + count):
        n = 86_400
        t = np.arange(n)
        hours = t / 3600.0
        sun = np.clip(np.sin((hours - 6.0) / 12.0 * np.pi), 0.0, None) * 4.5
        clouds = np.repeat(rng.uniform(0.15, 1.0, n // 60), 60)
        on_air = np.repeat(rng.random(n // 20) < 0.35, 20) & (hours > 8) & (hours < 22)
        load = np.where(on_air, 4.5 + 2.0 * rng.random(n), 0.55) + 0.004 * rng.standard_normal(n)
        solar = sun * clouds + 0.003 * rng.standard_normal(n) * (sun > 0)
        volts = 13.15 + 0.06 * (solar - load) + 0.002 * rng.standard_normal(n)
        amps = np.stack([solar, solar - load, load], axis=1)
        counts = np.rint(amps / (AMP_FA * 1e-15)).astype(np.int64)
        bus = np.rint(volts / 195.3125e-6).astype(np.int64)[:, None] + rng.integers(-3, 4, (n, 3))
        out = np.zeros(n, packing.READING)
        out["flags"], out["boot"] = wire.F_ATTENDED, boot
        out["seq"] = day * n + t
        mono = (day * n + t + 1) * 1000 + rng.integers(-2, 3, n)
        out["span_ms"][1:] = np.diff(mono)
        out["span_ms"][0] = 1000
        out["mono_lo"], out["mono_hi"] = mono & ((1 << 29) - 1), mono >> 29
        out["temp_c16"] = np.rint((18 + 8 * np.sin((hours - 9) / 24 * 2 * np.pi)) * 16)
        moved = counts + rng.integers(-2, 3, (n, 3))
        at = charge + np.cumsum(moved, axis=0)
        charge = at[-1]
        joules = energy + np.cumsum(moved * bus >> 8, axis=0)
        energy = joules[-1]
        at &= (1 << 40) - 1
        c = out["channels"]
        c["n"], c["tag"] = SAMPLES, 4711
        c["bus_sum"] = bus * SAMPLES + rng.integers(-20, 21, (n, 3))
        c["bus_min"], c["bus_max"] = bus >> 4, (bus >> 4) + 1
        c["cur_sum"] = counts * SAMPLES + rng.integers(-60, 61, (n, 3))
        spread = rng.integers(0, 20, (n, 3))
        c["cur_min"], c["cur_max"] = (counts >> 4) - spread, (counts >> 4) + 1 + spread
        for i in range(5):
            c["charge"][:, :, i] = at >> (8 * (4 - i)) & 0xFF
        c["energy_lo"], c["energy_hi"] = joules & 0xFFFF, joules >> 16
        yield out.tobytes()


def make(folder: Path, total_days: int, seed: int = 1) -> dict[str, float]:
    """The store `season.sqlite`, its size before and after packing, and the same as Parquet."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    size = wire.READING_SIZE
    boot = 4_242
    path = folder / "season.sqlite"
    figures: dict[str, float] = {}
    writer = deltas = None
    records = 0
    began = time.perf_counter()
    with contextlib.closing(Store(path)) as store:
        store.add_info(info(boot, 1), START_UNIX_S)
        for payloads in days(0, total_days, seed, boot):
            day = [payloads[i : i + size] for i in range(0, len(payloads), size)]
            for i in range(0, len(day), AT_ONCE):
                frames = [Frame(wire.READING, 0, p) for p in day[i : i + AT_ONCE]]
                mono = wire.take_reading(day[i]).mono_ms
                anchor = wire.put_anchor(boot.to_bytes(4, "little"), mono, int(START_UNIX_S * 1000) + mono, 20)
                store.add(DEVICE, [Frame(wire.ANCHOR, 0, anchor), *frames])
            records += len(day)
            table = pa.table(decoded(payloads))
            writer = writer or pq.ParquetWriter(folder / "season.parquet", table.schema, compression="zstd")
            writer.write_table(table)
            deltas = deltas or pq.ParquetWriter(
                folder / "deltas.parquet",
                table.schema,
                compression="zstd",
                use_dictionary=False,
                column_encoding="DELTA_BINARY_PACKED",
            )
            deltas.write_table(table)
            # Packed as it goes, as the program does when it has nothing else to do.
            if "rows_bytes" not in figures:
                with contextlib.closing(sqlite3.connect(path)) as db:
                    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                figures["rows_bytes"] = path.stat().st_size / records
            while store.pack(at_most=200):
                pass
    assert writer is not None and deltas is not None
    writer.close()
    deltas.close()
    with contextlib.closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (free,) = db.execute("PRAGMA freelist_count").fetchone()
        (page,) = db.execute("PRAGMA page_size").fetchone()
        figures["free_bytes"] = free * page / records
        (packed,) = db.execute("SELECT sum(length(data)) FROM pack").fetchone()
        (in_packs,) = db.execute("SELECT sum(last_seq - first_seq + 1) FROM pack").fetchone()
        figures["pack_bytes"] = (packed or 0) / max(1, in_packs or 0)
    figures |= {
        "days": total_days,
        "records": records,
        "file_bytes": path.stat().st_size / records,
        "parquet_bytes": (folder / "season.parquet").stat().st_size / records,
        "parquet_deltas_bytes": (folder / "deltas.parquet").stat().st_size / records,
        "made_per_s": records / (time.perf_counter() - began),
    }
    (folder / "season.json").write_text(json.dumps(figures))
    return figures


def decoded(payloads: bytes) -> dict[str, Any]:
    """The numbers of the records as columns of whole numbers, from which the records could be made again."""
    rows = packing.records(payloads)
    c = packing.columns(rows)
    out: dict[str, Any] = {"flags": rows["flags"].astype("i4"), "boot": rows["boot"].astype("i8")}
    out |= {"seq": c.seq, "mono_ms": c.mono_ms, "span_ms": c.span_ms, "temp_c16": c.temp_c16}
    names = ("status", "n", "tag", "bus_sum", "bus_min", "bus_max", "cur_sum", "cur_min", "cur_max", "charge", "energy")
    for name in names:
        for i, tap in enumerate(wire.CHANNELS):
            out[f"{tap}_{name}"] = np.ascontiguousarray(getattr(c, name)[i])
    return out


SPANS = (("1 hour", 3600.0), ("1 day", 86_400.0), ("90 days", 90 * 86_400.0))


def drawing(folder: Path, seed: int, rounds: int = 40) -> list[dict[str, Any]]:
    """Milliseconds from the question to the JSON, for windows anywhere in the season: a first look, then `rounds`."""
    from ampledger.series import series

    r = random.Random(seed)
    total = json.loads((folder / "season.json").read_text())["days"] * 86_400.0
    out = []
    for name, length in SPANS:
        took: list[float] = []
        first = 0.0
        size = 0
        with contextlib.closing(Store(folder / "season.sqlite", look=True)) as store:
            for i in range(rounds + 1):
                # The longest begins up to a day before the records do, so that no window is asked for twice.
                since = START_UNIX_S + (
                    r.uniform(0.0, total - length) if total > length else r.uniform(-86_400.0, 0.0)
                )
                began = time.perf_counter()
                text = json.dumps(series(store, DEVICE, since, since + length, 1000), allow_nan=False)
                ms = (time.perf_counter() - began) * 1e3
                size = len(text)
                if i:
                    took.append(ms)
                else:
                    first = ms
        took.sort()
        out.append(
            {
                "span": name,
                "first_ms": first,
                "p50_ms": took[len(took) // 2],
                "p95_ms": took[int(len(took) * 0.95) - 1],
                "json_bytes": size,
                "windows": len(took),
            }
        )
    return out


def plain_rate(folder: Path, rounds: int = 5, batches: int = 200) -> dict[str, float]:
    """
    Durable batches of ten records, a second's worth, through `Store.add` and as bare inserts of the same rows with
    the same settings; medians of interleaved rounds.
    """
    size = wire.READING_SIZE
    payloads = next(days(0, 1, 3, 77))
    rows = [payloads[i : i + size] for i in range(0, 10 * batches * size, size)]
    ours: list[float] = []
    bare: list[float] = []
    bare_db = sqlite3.connect(folder / "bare.sqlite", isolation_level=None)
    bare_db.execute("PRAGMA journal_mode=WAL")
    bare_db.execute("PRAGMA synchronous=FULL")
    bare_db.execute(
        "CREATE TABLE reading (start INTEGER, seq INTEGER, mono_ms INTEGER, payload BLOB, PRIMARY KEY (start, seq)) "
        "WITHOUT ROWID"
    )
    with contextlib.closing(Store(folder / "rate.sqlite")) as store, contextlib.closing(bare_db):
        for k in range(rounds):
            began = time.perf_counter()
            for i in range(0, len(rows), 10):
                store.add(f"board{k}", [Frame(wire.READING, 0, p) for p in rows[i : i + 10]])
            ours.append(time.perf_counter() - began)
            began = time.perf_counter()
            for i in range(0, len(rows), 10):
                bare_db.execute("BEGIN IMMEDIATE")
                ten = [(k, i + j, 0, p) for j, p in enumerate(rows[i : i + 10])]
                bare_db.executemany("INSERT INTO reading VALUES (?, ?, ?, ?)", ten)
                bare_db.execute("COMMIT")
            bare.append(time.perf_counter() - began)
    a, b = sorted(ours)[rounds // 2], sorted(bare)[rounds // 2]
    return {"records_per_s": len(rows) / a, "bare_per_s": len(rows) / b, "ratio": b / a}


if __name__ == "__main__":
    os.nice(5)
    print(json.dumps(make(Path(sys.argv[1]), int(sys.argv[2]))))
