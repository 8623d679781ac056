"""Any bytes into the log reader: a whole, believable log or a LogError with a sentence, and nothing else."""

from __future__ import annotations

import gzip
import io
import math
import random
from pathlib import Path

import pytest
from ampledger.core.model import Interval, Tap
from ampledger.errors import LogError
from ampledger.interchange import read_file
from ampledger.logfile import Log, read_log, write_log
from hypothesis import given, settings
from hypothesis import strategies as st

QUICK = settings(max_examples=250, deadline=None, database=None)


def base() -> bytes:
    numbers = random.Random(4)
    rows = ["time_utc,solar_a,battery_v,battery_a,battery_v_min,battery_v_max,battery_c"]
    for n in range(12):
        v = numbers.uniform(12, 14)
        rows.append(
            f"2026-09-12T22:10:{5 * n:02}Z,{numbers.uniform(0, 3):.3f},{v:.3f},-1.5,{v - 0.1:.3f},{v + 0.1:.3f},21"
        )
    return "\n".join(rows).encode() + b"\n"


BASE = base()
PIECES = [
    b"",
    b",",
    b";",
    b"\n",
    b"\r",
    b'"',
    b"\x00",
    b"\xff",
    b"nan",
    b"1e9",
    b"-",
    b"60",
    b"24:00:00",
    b"\xef\xbb\xbf",
    b"t_s",
    b"_min",
    b"2016-12-31T23:59:60Z",
    b".",
    b"\xd9\xa3",
    b"_",
    b" ",
    b"99999999999999999999",
    b"+14:00",
]


def outcome(data: bytes) -> Log | str:
    try:
        log = read_log(io.BytesIO(data), "f.csv")
    except LogError as error:
        assert str(error).startswith("f.csv") and len(str(error)) > 25
        return str(error)
    check(log)
    return log


def check(log: Log) -> None:
    assert len(log.times_text) == len(log.row_interval) >= 2
    assert len(log.intervals) == len(log.times_text) + log.gaps
    assert len(set(log.row_interval)) == len(log.row_interval) and log.row_interval[-1] == len(log.intervals) - 1
    for item in log.intervals:
        assert item.dt_s > 0 and math.isfinite(item.start_s)
        assert item.battery.a is None or -1000 <= item.battery.a <= 1000
        assert item.battery.v is None or -1 <= item.battery.v <= 120
        assert (item.battery.charge_c is None) == (item.battery.a is None)
    for one, other in zip(log.intervals, log.intervals[1:], strict=False):
        # A large t_s has coarse steps: two numbers next to each other near 1e11 are 1.5e-5 apart.
        assert abs(one.end_s - other.start_s) <= 2e-6 + 4e-16 * abs(other.start_s)


@QUICK
@given(st.binary(max_size=300))
def test_any_bytes_give_a_log_or_a_log_error(data):
    outcome(data)
    outcome(b"t_s,battery_v,battery_a\n" + data)
    outcome(b"\x1f\x8b" + data)
    outcome(gzip.compress(data))


@QUICK
@given(
    st.lists(st.tuples(st.integers(0, len(BASE)), st.integers(0, 8), st.sampled_from(PIECES)), min_size=1, max_size=3)
)
def test_a_log_with_wounds_gives_a_log_or_a_log_error(wounds):
    data = BASE
    for at, cut, piece in wounds:
        data = data[:at] + piece + data[at + cut :]
    outcome(data)


@QUICK
@given(st.lists(st.text("0123456789+-.,;eE_ naif\"'\t", max_size=8), min_size=2, max_size=12))
def test_odd_cells_give_a_log_or_a_log_error(cells):
    for delimiter in ",;":
        rows = [delimiter.join((str(n), cell, "1")) for n, cell in enumerate(cells)]
        outcome((delimiter.join(("t_s", "battery_v", "battery_a")) + "\n" + "\n".join(rows)).encode())


@QUICK
@given(st.integers(0, len(gzip.compress(BASE))))
def test_no_beginning_of_a_packed_log_is_taken_for_the_whole(keep):
    packed = gzip.compress(BASE, mtime=0)
    result = outcome(packed[:keep])
    assert isinstance(result, Log) == (keep >= len(packed))


HOLE = st.sampled_from([0.0, 0.0, 0.0, 3.0, 45.0, 500.0])
VALUE = st.none() | st.floats(-50, 50).map(lambda x: round(x, 6))


@QUICK
@given(st.lists(st.tuples(st.floats(0.1, 60), HOLE, VALUE, VALUE), min_size=1, max_size=15))
def test_charge_of_any_sequence_survives_writing_and_reading(parts):
    start_s, items = 1.7e9, []
    for dt_s, hole_s, battery_a, load_a in parts:
        dt_s = round(dt_s, 3)
        load = None if load_a is None else Tap(a=load_a, charge_c=load_a * dt_s)
        battery = Tap() if battery_a is None else Tap(13.0, battery_a, battery_a * dt_s)
        items.append(Interval(start_s, dt_s, battery, None, load))
        start_s = round(start_s + dt_s + hole_s, 3)
    text = io.StringIO()
    rows = write_log(text, items)
    log = read_log(io.BytesIO(text.getvalue().encode()), "f.csv")
    assert rows == len(log.intervals)
    for tap in ("battery", "load"):
        wanted = [t.charge_c for i in items if (t := getattr(i, tap)) is not None and t.charge_c is not None]
        found = [t.charge_c for i in log.intervals if (t := getattr(i, tap)) is not None and t.charge_c is not None]
        assert found == wanted


def exact_files(folder: Path) -> dict[str, bytes]:
    """A short log with a gap in each kind of file."""
    from ampledger.interchange import write_file

    tap = Tap(13.0, -1.5, -15.25, 12.9, 13.1, -2.0, -1.0, -198.0)
    items = [Interval(1.7e9 + 10 * n, 10.0, tap, tap, None, 21.5, 0.03, True, 0.5) for n in range(5)]
    items.append(Interval(1.7e9 + 50, 4000.0, Tap(charge_c=-99.5)))
    out = {}
    for kind in (".csv", ".jsonl", ".parquet"):
        write_file(folder / f"good{kind}", items, {"source": "a"})
        out[kind] = (folder / f"good{kind}").read_bytes()
    return out


@pytest.mark.parametrize("kind", [".csv", ".jsonl", ".parquet"])
def test_any_bytes_under_any_name_and_any_wounds_give_a_log_or_a_log_error(kind, tmp_path_factory):
    folder = tmp_path_factory.mktemp("fuzz")
    good = exact_files(folder)[kind]
    path = folder / f"f{kind}"
    pieces = [
        *PIECES,
        b"{",
        b"}",
        b"[" * 200,
        b"null",
        b"true",
        b'"columns"',
        b"PAR1",
        b"\xff\xfe",
        b"\x1b[2J",
        b"sep=;\n",
    ]

    def try_out(data: bytes) -> None:
        path.write_bytes(data)
        for sort in (False, True):
            try:
                log = read_file(path, sort)
            except LogError as error:
                assert str(error).startswith("f.") and len(str(error)) > 25 and str(error).isprintable()
            else:
                assert log.intervals and all(i.dt_s > 0 and math.isfinite(i.start_s) for i in log.intervals)
                assert len(log.row_interval) == len(log.times_text)

    @QUICK
    @given(st.binary(max_size=200))
    def any_bytes(data: bytes) -> None:
        try_out(data)
        try_out(
            {".csv": b"t_s,dt_s,battery_v,battery_a\n", ".jsonl": b'{"columns":[', ".parquet": b"PAR1"}[kind] + data
        )
        try_out(good + data)

    wound = st.tuples(st.integers(0, len(good)), st.integers(0, 40), st.sampled_from(pieces) | st.binary(max_size=8))

    @QUICK
    @given(st.lists(wound, min_size=1, max_size=4))
    def wounds(found: list[tuple[int, int, bytes]]) -> None:
        data = good
        for at, cut, piece in found:
            data = data[:at] + piece + data[at + cut :]
        try_out(data)

    any_bytes()
    wounds()
