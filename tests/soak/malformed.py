"""Logs for the import while everything else happens: a good one now and then, mostly ones that are none."""

from __future__ import annotations

import gzip
import random
from pathlib import Path

from ampledger.interchange import read_file, write_file

COLUMNS = "time_utc,solar_v,solar_a,battery_v,battery_a,load_v,load_a,battery_c"
SUFFIXES = (".csv", ".csv", ".csv.gz", ".jsonl", ".jsonl.gz", ".parquet")
PIECES = (b"", b",", b";", b"\n", b"\r", b'"', b"\0", b"\xff\xfe", b"nan", b"1e999", b"-", b"24:00:00", b"\xef\xbb\xbf",
          b"=cmd()", b"{", b"[" * 500, b"null", b"9" * 400, b"+14:00", b"\x1b[2J", b"PAR1", b"\x1f\x8b")  # fmt: skip


def good_log(r: random.Random) -> bytes:
    """A log of a minute and more, of an invented day; every one is different."""
    rows = [COLUMNS]
    day, second = r.randrange(1, 28), r.randrange(80_000)
    for _ in range(r.randrange(2, 400)):
        second += r.choice((1, 1, 1, 5, 60))
        hour, rest = divmod(min(second, 86_399), 3600)
        a, s = r.uniform(-9, 3), r.uniform(0, 4)
        rows.append(
            f"2026-05-{day:02}T{hour:02}:{rest // 60:02}:{rest % 60:02}Z,13.{r.randrange(1000):03},{s:.4f},"
            f"13.{r.randrange(1000):03},{a:.4f},13.1,{s - a:.4f},{r.uniform(-5, 30):.2f}"
        )
        if second >= 86_399:
            break
    return ("\n".join(rows) + "\n").encode()


def harmed(data: bytes, r: random.Random) -> bytes:
    """The same with some of it wrong."""
    out = bytearray(data)
    for _ in range(r.randrange(1, 8)):
        at = r.randrange(len(out) + 1)
        what = r.randrange(4)
        if what == 0:
            out[at : at + r.randrange(40)] = r.choice(PIECES)
        elif what == 1 and len(out) > 1:
            out[at % len(out)] ^= 1 << r.randrange(8)
        elif what == 2:
            del out[at:]
        else:
            out[at:at] = out[: r.randrange(200)]
    return bytes(out)


def make_file(folder: Path, number: int, r: random.Random) -> tuple[Path, bool]:
    """A file to be imported, and whether it is a good one; what harm leaves may still be a log by chance."""
    good = r.random() < 0.3
    suffix = r.choice(SUFFIXES)
    path = folder / f"log-{number}{suffix}"
    plain = folder / f"plain-{number}.csv"
    plain.write_bytes(good_log(r))
    write_file(path, read_file(plain).intervals, {"made": "by the soak"})
    plain.unlink()
    if good:
        return path, True
    data = path.read_bytes()
    if suffix.endswith(".gz") and r.random() < 0.7:
        data = gzip.compress(harmed(gzip.decompress(data), r))
    else:
        data = r.choice((lambda: harmed(data, r), lambda: r.randbytes(r.randrange(2000)), lambda: b""))()
    path.write_bytes(data)
    return path, False
