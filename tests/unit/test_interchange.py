"""Logs in and out: exact in every kind of file, whole or not at all, and never a traceback for a hostile one."""

from __future__ import annotations

import contextlib
import csv
import gzip
import io
import json
import math
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ampledger import interchange, logfile
from ampledger.core.model import Interval, Tap
from ampledger.errors import LogError, StoreError
from ampledger.interchange import import_log, log_intervals, log_level, read_file, summed, write_file
from ampledger.logfile import Rows, intervals_of_rows, rows_of, seconds_of, text_cell, us_of
from ampledger.store import Store
from hypothesis import example, given, settings
from hypothesis import strategies as st
from unit.malformed import MALFORMED

HOST = Path(__file__).parents[2] / "host"
KINDS = [".csv", ".csv.gz", ".jsonl", ".jsonl.gz", ".parquet"]
# 2026-09-12T22:10:00Z. WORKED: date -u -d 2026-09-12T22:10:00Z +%s
T0_S = 1789251000.0
ABOUT = {"source": "a", "program": "test"}

NUMBER = st.floats(allow_nan=False, allow_infinity=False)
VALUE = st.none() | NUMBER | st.sampled_from([-0.0, 5e-324, -1.7976931348623157e308, 0.1, 1 / 3, 2.0**53 + 2])
TAP = st.builds(Tap, *[VALUE] * 8, st.booleans(), st.booleans())
MICRO = st.integers(100_000, 60_000_000) | st.sampled_from([1, 999, 10**6, 3_600_000_000, 90 * 86_400_000_000])


@st.composite
def sequences(draw: Any) -> list[Interval]:
    """Intervals that touch, of any values and lengths, from any year on, across midnights."""
    last_us = 250_000_000_000_000_000
    start_us = draw(st.integers(-60_000_000_000_000_000, last_us) | st.integers(0, 4_102_444_800_000_000))
    out = []
    # WORKED: up to 2**32 s from 1970 (1834 to 2106) a double tells microseconds apart (2**-20 s), beyond that it does
    # not: rows as short as its steps, which no board makes, can't be told from a gap or an overlap there.
    near = abs(start_us) < 2**32 * 1_000_000
    for dt_us in draw(st.lists(MICRO if near else MICRO.filter(lambda us: us >= 100_000), min_size=1, max_size=12)):
        gap = draw(st.booleans())
        taps = [Tap(charge_c=draw(VALUE), energy_j=draw(VALUE)) if gap else draw(TAP) for _ in range(3)]
        battery, solar, load = taps[0], draw(st.just(taps[1]) | st.none()), draw(st.just(taps[2]) | st.none())
        unsure_s = draw(st.floats(0, 1e9))
        out.append(
            Interval(
                start_us / 1_000_000,
                dt_us / 1_000_000,
                battery,
                solar,
                load,
                draw(VALUE),
                draw(NUMBER),
                draw(st.booleans()),
                unsure_s,
                draw(st.booleans()),
            )
        )
        start_us += dt_us
    return out


def bits(items: Any) -> list[str]:
    """Every field to the bit: repr tells -0.0 from 0.0, and all doubles from each other."""
    return [repr(item) for item in items]


@settings(max_examples=80, deadline=None, database=None)
@given(items=sequences(), kind=st.sampled_from(KINDS))
@example(items=[Interval(T0_S, 0.1, Tap(-0.0, -0.0, -0.0, energy_j=-0.0), own_a=-0.0)], kind=".jsonl")
def test_every_interval_survives_every_kind_of_file_to_the_bit(
    items: list[Interval], kind: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.getbasetemp() / f"x{kind}"
    assert write_file(path, items, ABOUT) == len(items)
    log = read_file(path)
    assert bits(log.intervals) == bits(items)
    assert list(log.row_interval) == list(range(len(items)))
    if kind != ".parquet":
        before = path.read_bytes()
        write_file(path, log.intervals, ABOUT)
        assert path.read_bytes() == before


@settings(max_examples=300, deadline=None, database=None)
@given(st.lists(st.floats(-6e10, 2.5e11, allow_nan=False), min_size=1, max_size=20))
def test_a_time_is_put_to_a_microsecond_once_and_then_stays(times: list[float]) -> None:
    us = us_of(np.array(times))
    again = seconds_of(us)
    assert us_of(np.array(again)).tolist() == us.tolist()
    for before, after in zip(times, again, strict=True):
        # Half a microsecond, and half of the spacing of doubles there, twice.
        assert abs(after - before) <= 0.5e-6 + math.ulp(before)


@settings(max_examples=100, deadline=None, database=None)
@given(items=sequences(), sizes=st.integers(1, 5))
def test_rows_survive_packing_and_the_size_of_pieces_changes_nothing(items: list[Interval], sizes: int) -> None:
    whole = list(rows_of(items))
    for rows in whole:
        back = interchange.unpack_rows(interchange.pack_rows(rows))
        assert bits(intervals_of_rows(back)) == bits(items)
    old, logfile._AT_ONCE = logfile._AT_ONCE, sizes
    try:
        pieces = list(rows_of(items))
    finally:
        logfile._AT_ONCE = old
    assert np.concatenate([p.start_us for p in pieces]).tolist() == whole[0].start_us.tolist()


def some(count: int = 40, dt_s: float = 1.0) -> list[Interval]:
    return [
        Interval(
            T0_S + n * dt_s,
            dt_s,
            Tap(13.25, -2.0, -2.0 * dt_s - 1e-3),
            Tap(14.0, 1.0, 1.0),
            Tap(),
            20.5,
            0.02,
            True,
            0.5,
        )
        for n in range(count)
    ]


@pytest.mark.parametrize("kind", KINDS)
def test_a_gap_with_charge_and_taps_that_are_or_are_not_there_survive(tmp_path: Path, kind: str) -> None:
    items = [
        Interval(T0_S, 10.0, Tap(13.0, 1.0, 10.5), Tap(), None),
        Interval(T0_S + 10, 86_400.0, Tap(charge_c=-7200.0, energy_j=-9e4), Tap(charge_c=0.0), Tap(charge_c=7200.0)),
        Interval(T0_S + 86_410, 0.1, Tap(13.0, 1.0, None), None, Tap()),
    ]
    path = tmp_path / f"x{kind}"
    write_file(path, items, ABOUT)
    log = read_file(path)
    assert log.intervals == items and log.gaps == 1 and log.warnings == ()


@pytest.mark.parametrize("kind", KINDS)
def test_time_of_which_no_interval_tells_is_a_row_without_values_and_stays_one(tmp_path: Path, kind: str) -> None:
    items = [*some(3), *(replace(i, start_s=i.start_s + 500) for i in some(3))]
    path = tmp_path / f"x{kind}"
    assert write_file(path, items, ABOUT) == 7
    log = read_file(path)
    assert log.intervals[:3] + log.intervals[4:] == items
    assert log.intervals[3] == Interval(T0_S + 3, 497.0, Tap())
    again = tmp_path / f"y{kind}"
    write_file(again, log.intervals, ABOUT)
    assert again.read_bytes() == path.read_bytes()


def test_a_hole_between_two_pieces_is_found_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(logfile, "_AT_ONCE", 2)
    items = [*some(2), *(replace(i, start_s=i.start_s + 500) for i in some(4))]
    assert write_file(tmp_path / "x.csv", items, ABOUT) == 7
    assert read_file(tmp_path / "x.csv").intervals[2] == Interval(T0_S + 2, 498.0, Tap())


def test_a_log_with_lengths_that_has_holes_gets_gaps_and_rows_keep_theirs(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_text("t_s,dt_s,battery_v,battery_a\n0,1,13,1\n1,1,13,1\n100,1,13,1\n")
    log = read_file(path)
    assert log.intervals[2] == Interval(2.0, 98.0, Tap())
    assert list(log.row_interval) == [0, 1, 3] and log.gaps == 1


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -float("inf")])
@pytest.mark.parametrize("kind", KINDS)
def test_what_is_no_number_is_not_written_and_the_old_file_stays(tmp_path: Path, kind: str, bad: float) -> None:
    path = tmp_path / f"x{kind}"
    path.write_bytes(b"before")
    for item in (Interval(T0_S, 1.0, Tap(bad)), Interval(T0_S, bad, Tap()), Interval(bad, 1.0, Tap())):
        with pytest.raises(LogError):
            write_file(path, [*some(3), item], ABOUT)
    with pytest.raises(LogError, match="nothing to write"):
        write_file(path, [], ABOUT)
    assert path.read_bytes() == b"before" and os.listdir(tmp_path) == [path.name]


def test_a_name_of_no_kind_is_refused_with_the_kinds(tmp_path: Path) -> None:
    for name in ("x.txt", "x", ".csv", "x.parquet.gz", "x.xlsx"):
        with pytest.raises(LogError, match=r"\.csv, \.csv\.gz"):
            write_file(tmp_path / name, some(), ABOUT)
    assert os.listdir(tmp_path) == []


def test_a_source_that_breaks_off_leaves_nothing(tmp_path: Path) -> None:
    def broken() -> Iterator[Interval]:
        yield from some(20_000)
        raise StoreError("a record is harmed")

    for kind in KINDS:
        with pytest.raises(StoreError):
            write_file(tmp_path / f"x{kind}", broken(), ABOUT)
    assert os.listdir(tmp_path) == []


FORMULAS = ["=1+1", "+1", "-1+2", "@SUM(A1)", "\t=1", "\r=1", "=cmd|' /C calc'!A0", "  =1", '"=1', "-2.5", "\n=1"]


@pytest.mark.parametrize("text", FORMULAS)
def test_no_text_we_write_can_be_a_formula(tmp_path: Path, text: str) -> None:
    path = tmp_path / "x.csv"
    write_file(path, some(2), {text: "x"})
    rows = list(csv.reader(io.StringIO(path.read_text())))
    cell = rows[1][-1]
    assert cell.lstrip(' "')[:1] not in ("=", "+", "-", "@", "\t", "\r") or cell.startswith(('"', "'"))
    assert text_cell(text)[:1] in ("'", '"') and next(csv.reader([text_cell(text)]))[0][:1] in ("'", '"')
    # Numbers stay numbers: a minus is no formula.
    assert rows[1][rows[0].index("battery_a")] == "-2.0"
    assert read_file(path).intervals == some(2)


def test_a_spreadsheet_may_have_gone_over_the_file(tmp_path: Path) -> None:
    write_file(tmp_path / "x.csv", some(), ABOUT)
    text = (tmp_path / "x.csv").read_text()
    rows = list(csv.reader(io.StringIO(text)))
    german = "sep=;\r\n" + "".join(
        ";".join(f'"{c}"' if n and i else c for i, c in enumerate(row)).replace(".", ",") + "\r\n"
        for n, row in enumerate(rows)
    )
    for data in (
        german.encode("utf-16"),
        german.encode(),
        b"\xef\xbb\xbf" + german.encode(),
        b"\xfe\xff" + german.encode("utf-16-be"),
    ):
        (tmp_path / "y.csv").write_bytes(data)
        assert read_file(tmp_path / "y.csv").intervals == some()


def test_windows_text_is_read_and_said(tmp_path: Path) -> None:
    (tmp_path / "x.csv").write_bytes("t_s,battery_v,battery_a,Gerät\n0,13,1,ä\n1,13,1,°\n".encode("cp1252"))
    log = read_file(tmp_path / "x.csv")
    assert len(log.intervals) == 2
    assert "Windows-1252" in log.warnings[0] and "Gerät" in log.warnings[1]


# -- sorting --------------------------------------------------------------------------------------


def rows_text(*rows: str) -> bytes:
    return ("t_s,battery_v,battery_a\n" + "".join(row + "\n" for row in rows)).encode()


def test_rows_out_of_order_and_twice_are_put_right_only_when_asked(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_bytes(rows_text("2,13,3", "0,13,1", "1,13,2", "1,13,2", "3,,"))
    with pytest.raises(LogError, match=r"line 3, column t_s.*2 s before line 2.*--sort"):
        read_file(path)
    log = read_file(path, sort=True)
    assert [i.battery.a for i in log.intervals] == [1.0, 2.0, 3.0, None]
    assert log.times_text == ["0", "1", "2", "3"]
    assert log.warnings == (
        "3 rows out of order: put into order of time.",
        "1 row there twice, with the same values: left out once.",
    )


def test_rows_that_contradict_each_other_are_refused_with_both_lines(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    for other in ("1,13,2.5", "1,,2", "1,13,-2"):
        path.write_bytes(rows_text("1,13,2", "0,13,1", other, "2,13,1"))
        with pytest.raises(LogError, match="line 4, column t_s: the same time as line 2, but other values"):
            read_file(path, sort=True)


def test_a_leap_second_is_sorted_before_the_midnight_it_shares_its_number_with(tmp_path: Path) -> None:
    stamps = [f"2016-12-31T23:59:{s}Z" for s in ("59", "59.5", "60", "60.5")] + [
        "2017-01-01T00:00:00Z",
        "2017-01-01T00:00:00.5Z",
    ]
    path = tmp_path / "x.csv"
    path.write_text("time_utc,battery_v,battery_a\n" + "".join(f"{s},13,1\n" for s in reversed(stamps)))
    log = read_file(path, sort=True)
    assert log.times_text == stamps and [i.dt_s for i in log.intervals] == [0.5] * 6


@settings(max_examples=40, deadline=None, database=None)
@given(
    order=st.permutations(range(12)),
    again=st.lists(st.integers(0, 11), max_size=5),
    kind=st.sampled_from([".csv", ".jsonl"]),
)
def test_any_order_and_any_repetition_sort_to_the_same(
    order: list[int], again: list[int], kind: str, tmp_path_factory: Any
) -> None:
    path = tmp_path_factory.getbasetemp() / f"s{kind}"
    write_file(path, some(12), ABOUT)
    head, *lines = path.read_text().replace("source: a; program: test", "").splitlines()
    path.write_text("\n".join([head, *(lines[i] for i in [*order, *again])]) + "\n")
    assert read_file(path, sort=True).intervals == some(12)


# -- malformed files ------------------------------------------------------------------------------


def test_there_are_at_least_a_hundred_and_no_two_alike() -> None:
    assert len(MALFORMED) >= 100
    assert len({name for name, _, _ in MALFORMED}) == len({data for _, data, _ in MALFORMED}) == len(MALFORMED)


@pytest.mark.parametrize(("name", "data", "expected"), MALFORMED, ids=[name for name, _, _ in MALFORMED])
def test_a_malformed_file_is_refused_in_words_or_read_right(
    name: str, data: bytes, expected: str, tmp_path: Path
) -> None:
    path = tmp_path / name
    path.write_bytes(data)
    for sort in (False, True):
        # What is only out of order is read when that was asked for.
        wanted = "accepted" if sort and "-sort." in name else expected
        try:
            log = read_file(path, sort)
        except LogError as error:
            said = str(error)
            assert wanted == "refused", said
            assert said.startswith(name) and len(said) > len(name) + 25 and said.isprintable()
        else:
            assert wanted == "accepted"
            assert log.intervals and all(i.dt_s > 0 for i in log.intervals)


@pytest.mark.parametrize("data", [b"", b"\x00", b"PAR1", b"PAR1PAR1", os.urandom(500)])
@pytest.mark.parametrize("kind", [*KINDS, ".txt"])
def test_bytes_that_are_no_log_are_refused_under_any_name(tmp_path: Path, kind: str, data: bytes) -> None:
    (tmp_path / f"x{kind}").write_bytes(data)
    with pytest.raises(LogError):
        read_file(tmp_path / f"x{kind}")


def test_places_that_are_no_files(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "none.csv", Path("/dev/zero"), Path("\0.csv")):
        with pytest.raises(LogError, match="can't be read"):
            read_file(path)


def test_parquet_without_pyarrow_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_file(tmp_path / "x.parquet", some(), ABOUT)
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    for act in (lambda: read_file(tmp_path / "x.parquet"), lambda: write_file(tmp_path / "y.parquet", some(), ABOUT)):
        with pytest.raises(LogError, match="pip install pyarrow"):
            act()


def test_parquet_of_other_programs(tmp_path: Path) -> None:
    pa = pytest.importorskip("pyarrow")
    import pyarrow.parquet as pq

    path = tmp_path / "x.parquet"
    us = [int(T0_S) * 10**6 + n * 10**6 for n in range(3)]
    amps = pa.array([1, 2, 3], pa.int32())
    good = [
        {
            "time_utc": pa.array([u * 1000 for u in us], pa.timestamp("ns")),
            "battery_v": pa.array([13.0] * 3),
            "battery_a": amps,
        },
        {
            "Time_UTC ": pa.array(us, pa.timestamp("us", "Europe/Berlin")),
            "battery_v": pa.array([13.0] * 3),
            "battery_a": amps,
        },
        {
            "time_utc": pa.array([f"2026-09-12T22:10:0{n}Z" for n in range(3)]),
            "battery_v": pa.array([13.0, math.nan, 13.0]),
            "battery_a": amps,
        },
        {"t_s": pa.array([0, 1, 2]), "battery_v": pa.nulls(3), "battery_a": amps, "more": pa.array([[1]] * 3)},
    ]
    for columns in good:
        pq.write_table(pa.table(columns), path)
        log = read_file(path)
        assert [i.battery.a for i in log.intervals] == [1.0, 2.0, 3.0] and [i.dt_s for i in log.intervals] == [1.0] * 3
        assert log.intervals[0].start_s == (0.0 if "t_s" in columns else T0_S)
    bad = [
        ({**good[0], "battery_v": pa.array(["x"] * 3)}, "column battery_v: holds string"),
        ({**good[0], "battery_v": pa.array([13.0, math.inf, 13.0])}, "row 2, column battery_v: found 'inf'"),
        ({**good[0], "battery_v": pa.array([13.0, 13.0, 1300.0])}, "row 3, column battery_v: found '1300.0'; expected -1 to 120 V"),  # noqa: E501
        ({**good[0], "time_utc": pa.array([us[0], None, us[2]], pa.timestamp("us"))}, "row 2, column time_utc: the cell is empty"),  # noqa: E501
        ({**good[0], "time_utc": pa.array(us, pa.timestamp("s"))}, "beyond the years"),
        ({**good[0], "time_utc": pa.array(us[::-1], pa.timestamp("us"))}, "row 2, column time_utc: '2026-09-12T22:10:01.000000Z' is 1 s before row 1"),  # noqa: E501
        ({"time_utc": good[0]["time_utc"]}, "no column battery_v and battery_a"),
    ]  # fmt: skip
    for columns, words in bad:
        pq.write_table(pa.table(columns), path)
        with pytest.raises(LogError) as caught:
            read_file(path)
        assert words in str(caught.value)


def test_parquet_carries_units_and_where_it_comes_from(tmp_path: Path) -> None:
    pq = pytest.importorskip("pyarrow.parquet")
    write_file(tmp_path / "x.parquet", some(), ABOUT)
    schema = pq.read_schema(tmp_path / "x.parquet")
    assert schema.field("battery_as").metadata[b"unit"] == b"A s" and json.loads(schema.metadata[b"about"]) == ABOUT
    assert pq.ParquetFile(tmp_path / "x.parquet").metadata.row_group(0).column(0).compression == "ZSTD"


# -- into the store -------------------------------------------------------------------------------


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with contextlib.closing(Store(tmp_path / "records.sqlite")) as opened:
        yield opened


@pytest.mark.parametrize("kind", KINDS)
def test_an_imported_log_comes_back_to_the_bit_in_any_span(store: Store, tmp_path: Path, kind: str) -> None:
    items = [*some(300), *(replace(i, start_s=i.start_s + 5000) for i in some(300))]
    path = tmp_path / f"x{kind}"
    write_file(path, items, ABOUT)
    shares: list[float] = []
    number, log = import_log(store, path, T0_S, progress=shares.append)
    whole = read_file(path)
    assert bits(log_intervals(store, number)) == bits(whole.intervals) == bits(log.intervals)
    assert len(log.intervals) == 601 and len(log.times_text) == 601 and log.intervals[600] == whole.intervals[600]
    assert list(log.times_text) == list(whole.times_text) and log.gaps == whole.gaps
    assert shares == sorted(shares) and shares[-1] == 1.0
    for since, until in ((100.5, 200.25), (0, 1), (299.9, 5000), (5300, None), (None, 0.5), (-5, 0), (900, 901)):
        a, b = (None if x is None else T0_S + x for x in (since, until))
        wanted = [i for i in whole.intervals if (a is None or i.end_s > a) and (b is None or i.start_s < b)]
        assert list(log_intervals(store, number, a, b)) == wanted


def test_the_same_file_twice_is_refused_with_name_and_date_of_the_first(store: Store, tmp_path: Path) -> None:
    write_file(tmp_path / "x.csv", some(), ABOUT)
    import_log(store, tmp_path / "x.csv", T0_S)
    os.rename(tmp_path / "x.csv", tmp_path / "y.csv")
    with pytest.raises(LogError, match=r"y\.csv is in the store already: .*log:1 from x\.csv on 2026-09-12 22:10 UTC"):
        import_log(store, tmp_path / "y.csv", T0_S + 1)
    assert len(store.logs()) == 1


def test_an_import_that_fails_leaves_the_store_as_it_was(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "x.csv"
    path.write_bytes(rows_text(*(f"{n},13,1" for n in range(100)), "100,x,1"))
    with pytest.raises(LogError, match="line 102"):
        import_log(store, path, T0_S)
    path.write_bytes(rows_text(*(f"{n},13,1" for n in range(100))))

    def full(rows: Rows) -> bytes:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(interchange, "pack_rows", full)
        with pytest.raises(LogError, match="no room.*TMPDIR"):
            import_log(store, path, T0_S)
    assert store.logs() == [] and import_log(store, path, T0_S)[0] == 1
    with pytest.raises(StoreError, match="log:7"):
        list(log_intervals(store, 7))
    with pytest.raises(StoreError, match="harmed"):
        interchange.unpack_rows(b"\x01abc")


def test_sums_hold_the_same_charge_and_energy_and_gaps_stay_apart(store: Store, tmp_path: Path) -> None:
    items = [
        *some(2000),
        Interval(T0_S + 2000, 3000.0, Tap(charge_c=-500.0), Tap(charge_c=20.0), Tap()),
        *(
            replace(i, start_s=i.start_s + 5000, battery=Tap(12.0, -1.0, -1.0, 11.0, 12.5, -3.0, 0.5, -12.0))
            for i in some(50)
        ),
    ]
    write_file(tmp_path / "x.csv", items, ABOUT)
    number, _ = import_log(store, tmp_path / "x.csv", T0_S)
    fine = log_level(store, number, 1, None, None)
    assert len(fine["t0"]) == 2051 and set(map(len, fine.values())) == {2051}
    for level in (60, 900):
        sums = log_level(store, number, level, None, None)
        for name in ("battery_charge_c", "solar_charge_c", "battery_energy_j"):
            assert np.nansum(sums[name]) == pytest.approx(np.nansum(fine[name]), rel=1e-12)
        gap = np.flatnonzero(np.isnan(sums["battery_v"]))
        assert len(gap) == 1
        at = int(gap[0])
        assert (sums["t0"][at], sums["t1"][at]) == (T0_S + 2000, T0_S + 5000)
        assert (sums["battery_charge_c"][at], sums["solar_charge_c"][at]) == (-500.0, 20.0)
        assert np.isnan(sums["load_charge_c"]).all() and (sums["unsure_s"][~np.isnan(sums["battery_v"])] == 0.5).all()
        assert sums["t0"][1:].tolist() == sums["t1"][:-1].tolist()
        assert (np.nanmin(sums["battery_v_min"]), np.nanmax(sums["battery_a_max"])) == (11.0, 0.5)
        assert len(sums["t0"]) <= 2051 / level + 10
    part = log_level(store, number, 60, T0_S + 30, T0_S + 61)
    assert part["t0"][0] <= T0_S + 30 and part["t1"][-1] >= T0_S + 61 and len(part["t0"]) <= 3


def test_a_mean_is_weighted_by_time_and_charge_of_plain_rows_is_amps_by_length() -> None:
    rows = Rows(
        np.array([0, 10_000_000, 40_000_000]),
        {
            "dt_s": np.array([10.0, 30.0, 5.0]),
            "battery_a": np.array([1.0, 2.0, np.nan]),
            "battery_v": np.array([13.0, np.nan, 12.0]),
        },
    )
    sums = summed(rows, 60)
    # WORKED: (10 x 1 + 30 x 2) / 40; (13 x 10 + 12 x 5) / 15; 10 + 60
    assert sums.values["battery_a"].tolist() == [1.75]
    assert sums.values["battery_v"].tolist() == [190 / 15]
    assert sums.values["battery_as"].tolist() == [70.0]
    assert (sums.values["battery_a_min"][0], sums.values["battery_a_max"][0]) == (1.0, 2.0)


def test_many_rows_go_through_a_temporary_file_and_are_the_same(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(logfile, "_IN_MEMORY", 1000)
    monkeypatch.setattr(logfile, "_BLOCK", 20_000)
    items = some(3000)
    write_file(tmp_path / "x.csv", items, ABOUT)
    assert read_file(tmp_path / "x.csv").intervals == items
    head, *lines = (tmp_path / "x.csv").read_text().splitlines()
    (tmp_path / "x.csv").write_text("\n".join([head, *reversed(lines)]) + "\n")
    number, _ = import_log(store, tmp_path / "x.csv", T0_S, sort=True)
    assert list(log_intervals(store, number)) == items


def test_an_import_takes_no_room_for_its_rows(tmp_path: Path) -> None:
    if not sys.platform.startswith("linux"):
        pytest.skip("memory as Linux tells it")
    with gzip.open(tmp_path / "x.csv.gz", "wt", compresslevel=1) as out:
        out.write("t_s,battery_v,battery_a,solar_v,solar_a,load_v,load_a\n")
        out.writelines(f"{n},13.2,{n % 7},18,1,13,{n % 5}\n" for n in range(200_000))
    script = (
        "import resource, sys; from pathlib import Path; from ampledger.store import Store\n"
        "from ampledger import logfile; logfile._IN_MEMORY = 1 << 20\n"
        "from ampledger.interchange import import_log\n"
        "room = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "store = Store(Path(sys.argv[1]) / 's.sqlite'); before = room()\n"
        "import_log(store, Path(sys.argv[1]) / 'x.csv.gz', 0.0); print((room() - before) // 1024)"
    )
    env = {**os.environ, "PYTHONPATH": str(HOST), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path)], env=env, capture_output=True, text=True, check=True
    )
    # 200,000 rows as intervals would take about 150 MB; what is held is a block of text, cut into cells, and the times.
    assert int(done.stdout) < 110
