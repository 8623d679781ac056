"""
`python3 tests bench`: ratios against general-purpose peers doing the same work in the same run.

Medians of five interleaved rounds; nothing is asserted. A ratio above 1 means
ours is faster. After it the page, see `bench_page.py`.
"""

from __future__ import annotations

import json
import os
import platform
import random
import statistics
import sys
import tempfile
import time
import zlib
from collections.abc import Callable
from pathlib import Path

from ampledger import packing, wire
from ampledger.core import balance, estimate
from ampledger.core.engine import Engine
from ampledger.core.model import Battery, Interval, Start, Tap
from ampledger.decode import Decoder
from soak import season

ROUNDS = 5


def seconds(*work: Callable[[], object]) -> list[float]:
    """Median seconds of each, rounds interleaved."""
    took: list[list[float]] = [[] for _ in work]
    for _ in range(ROUNDS):
        for i, one in enumerate(work):
            began = time.perf_counter()
            one()
            took[i].append(time.perf_counter() - began)
    return [statistics.median(t) for t in took]


def records(n: int) -> list[bytes]:
    """Payloads of `n` readings."""
    out = []
    for seq in range(n):
        buf = bytearray(wire.READING_SIZE)
        wire.put_reading_head(buf, 0, 2, b"boot", seq, seq * 100, 0, 100, 320)
        for i in range(3):
            at = wire.CHANNEL_AT + i * wire.CHANNEL_SIZE
            a = 1000 * i - seq % 977
            charge = (seq * 977).to_bytes(5, "big")
            wire.put_channel(buf, at, 0, 1, 77, 67000 + i, 4187, 4188, a, a >> 4, a >> 4, charge, 0, seq)
        out.append(bytes(buf))
    return out


def decoding() -> list[tuple[str, float, str]]:
    """Frames of a live stream, against JSON lines with a CRC that say the same."""
    payloads = records(20_000)
    stream = b"".join(wire.frame(wire.READING, i, p) for i, p in enumerate(payloads))
    lines = []
    for p in payloads:
        r = wire.take_reading(p)
        text = json.dumps({**r._asdict(), "channels": [c._asdict() for c in r.channels]})
        lines.append(f"{text};{zlib.crc32(text.encode()):08x}\n")
    text = "".join(lines).encode()

    def ours() -> None:
        for frame in Decoder().feed(stream):
            wire.take_reading(frame.payload)

    def peer() -> None:
        for line in text.splitlines():
            body, _, check = line.rpartition(b";")
            assert zlib.crc32(body) == int(check, 16)
            json.loads(body)

    a, b = seconds(ours, peer)
    size = len(text) / len(stream)
    return [
        ("decode: records/s", len(payloads) / a, f"{b / a:.2f} x JSON lines + CRC (json, zlib)"),
        ("bytes per record on the wire", len(stream) / len(payloads), f"{size:.1f} x fewer than JSON lines"),
    ]


def storing() -> list[tuple[str, float, str]]:
    """Durable batches of ten records, against bare inserts of the same rows with the same settings."""
    with tempfile.TemporaryDirectory() as folder:
        rate = season.plain_rate(Path(folder), ROUNDS)
    return [("store: durable records/s in tens", rate["records_per_s"], f"{rate['ratio']:.2f} x bare SQLite inserts")]


def packing_up() -> list[tuple[str, float, str]]:
    """Blocks of records squeezed and expanded, against zlib at the same level over the same bytes."""
    size, block = wire.READING_SIZE, 1024
    raw = next(season.days(0, 1, 3, 77))[: 20 * block * size]
    blocks = [raw[i : i + block * size] for i in range(0, len(raw), block * size)]
    lists = [[b[i : i + size] for i in range(0, len(b), size)] for b in blocks]

    def ours() -> int:
        return sum(len(packing.squeeze(payloads)) for payloads in lists)

    def peer() -> int:
        return sum(len(zlib.compress(b, 6)) for b in blocks)

    a, b = seconds(ours, peer)
    n = len(raw) // size
    return [
        ("pack: records/s", n / a, f"{b / a:.2f} x the speed of zlib over the same bytes"),
        ("  bytes per record", ours() / n, f"{peer() / ours():.2f} x fewer than zlib, of {size} raw"),
    ]


def concluding() -> list[tuple[str, float, str]]:
    """Ten minutes of a keyed station at 10 Hz through the core, against counting coulombs in a plain loop."""
    rng = random.Random(1)
    rows = []
    for i in range(6_000):
        a = -8.0 * rng.random() if i % 300 < 90 else 0.4
        battery, solar = Tap(13.1 + a * 0.05, a, a * 0.1), Tap(13.1, 1.0, 0.1)
        rows.append(Interval(i * 0.1, 0.1, battery, solar, Tap(13.1, 1.0 - a, 0.1 - a * 0.1)))

    def whole() -> None:
        engine = Engine(Battery(20.0), Start())
        for row in rows:
            engine.step(row)

    def one(module: object) -> Callable[[], None]:
        def work() -> None:
            state = module.begin(*((Battery(20.0), Start()) if module is estimate else ()))  # type: ignore[attr-defined]
            for row in rows:
                state = module.step(state, row)  # type: ignore[attr-defined]
                state = state if module is estimate else state[0]

        return work

    def peer() -> None:
        charge = 0.0
        for row in rows:
            charge += row.battery.charge_c or 0.0

    a, e, b, p = seconds(whole, one(estimate), one(balance), peer)
    n = len(rows)
    return [
        ("core: us per interval, all of it", a / n * 1e6, f"{a / p:.0f} x the time of a plain coulomb counter"),
        ("  of which the estimate", e / n * 1e6, ""),
        ("  of which the balance", b / n * 1e6, ""),
    ]


def main() -> int:
    """Print the table, or JSON with --json."""
    rows = [*decoding(), *storing(), *packing_up(), *concluding()]
    if "--json" in sys.argv:
        print(json.dumps([{"what": w, "value": v, "note": n} for w, v, n in rows]))
        return 0
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    for what, value, note in rows:
        print(f"{what:34} {value:12,.1f}   {note}")
    print(flush=True)
    import bench_page

    return bench_page.main()


if __name__ == "__main__":
    sys.exit(main())
