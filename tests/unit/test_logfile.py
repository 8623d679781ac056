"""The log format: what is read, what is refused and with which words, and what is written."""

from __future__ import annotations

import gzip
import io
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from ampledger.core.model import Interval, Tap
from ampledger.errors import BoxError, LogError
from ampledger.logfile import VALUE_COLUMNS, Log, read_log, whole_files, write_log

HOST = Path(__file__).parents[2] / "host"
# 2026-09-12T22:10:00Z. WORKED: date -u -d 2026-09-12T22:10:00Z +%s
T0_S = 1789251000.0


def read(text: str | bytes, name: str = "a.csv") -> Log:
    return read_log(io.BytesIO(text.encode() if isinstance(text, str) else text), name)


def refusal(text: str | bytes, name: str = "a.csv") -> str:
    with pytest.raises(LogError) as caught:
        read(text, name)
    return str(caught.value)


def lengths(log: Log) -> list[float]:
    return [item.dt_s for item in log.intervals]


def log_of(*stamps: str, column: str = "t_s") -> str:
    return f"{column},battery_v,battery_a\n" + "".join(f"{stamp},13.2,1\n" for stamp in stamps)


# -- what a row means ----------------------------------------------------------------------------


def test_a_row_runs_from_its_stamp_to_the_next_and_the_last_is_as_long_as_the_one_before():
    log = read("t_s,battery_v,battery_a,load_a,solar_a\n0,13.2,-2,2.5,0.5\n0.5,13.1,-1,2,1\n3,13.0,4,0,4\n")
    assert lengths(log) == [0.5, 2.5, 2.5]
    assert [item.start_s for item in log.intervals] == [0.0, 0.5, 3.0]
    # WORKED: charge = a * dt
    assert [item.battery.charge_c for item in log.intervals] == [-1.0, -2.5, 10.0]
    assert [item.load.charge_c for item in log.intervals] == [1.25, 5.0, 0.0]
    assert log.intervals[0].battery == Tap(v=13.2, a=-2.0, charge_c=-1.0)
    assert log.intervals[0].solar == Tap(a=0.5, charge_c=0.25)
    assert log.intervals[0].battery_c is None
    assert log.columns == ("battery_v", "battery_a", "load_a", "solar_a")
    assert (log.time_column, log.times_text, list(log.row_interval)) == ("t_s", ["0", "0.5", "3"], [0, 1, 2])
    assert log.warnings == () and log.gaps == 0


def test_every_column_of_the_format_lands_in_its_own_field():
    header = ["t_s", *VALUE_COLUMNS]
    means = {"solar_v": 18.0, "solar_a": 1.0, "battery_v": 13.0, "battery_a": -2.0, "load_v": 12.5, "load_a": 3.0}
    row = [
        means[n] if n in means else 21.5 if n == "battery_c" else means[n[:-4]] + (0.25 if n[-1] == "x" else -0.25)
        for n in VALUE_COLUMNS
    ]
    cells = ",".join(map(str, row))
    first = read(f"{','.join(header)}\n0,{cells}\n2,{cells}\n").intervals[0]
    assert first.battery_c == 21.5
    assert first.solar == Tap(18.0, 1.0, 2.0, 17.75, 18.25, 0.75, 1.25)
    assert first.battery == Tap(13.0, -2.0, -4.0, 12.75, 13.25, -2.25, -1.75)
    assert first.load == Tap(12.5, 3.0, 6.0, 12.25, 12.75, 2.75, 3.25)


def test_a_step_over_sixty_seconds_is_a_gap_of_its_own_and_rows_keep_their_interval():
    log = read(log_of("0", "10", "20", "200", "210"))
    assert [(i.start_s, i.dt_s) for i in log.intervals] == [
        (0, 10),
        (10, 10),
        (20, 10),
        (30, 170),
        (200, 10),
        (210, 10),
    ]
    assert log.intervals[3] == Interval(30.0, 170.0, Tap())
    assert list(log.row_interval) == [0, 1, 2, 4, 5]
    assert log.gaps == 1


def test_sixty_seconds_is_a_row_and_a_little_more_is_a_gap():
    assert lengths(read(log_of("0", "60", "120"))) == [60, 60, 60]
    assert lengths(read(log_of("0", "10", "70.5", "80"))) == [10, 10, 50.5, 9.5, 9.5]


def test_the_row_before_a_gap_is_as_long_as_the_steps_beside_it_not_as_those_far_away():
    slow = [str(10 * n) for n in range(20)]
    quick = [str(1000 + n) for n in range(20)]
    log = read(log_of(*slow, *quick, "2000", "2010"))
    assert log.intervals[19].dt_s == 10.0 and log.intervals[20].dt_s == 800.0
    assert log.intervals[40].dt_s == 1.0 and log.intervals[41].dt_s == 980.0


def test_a_row_alone_between_two_gaps_takes_the_usual_length():
    assert lengths(read(log_of("0", "500", "1000", "1002", "1004"))) == [2, 498, 2, 498, 2, 2, 2]


def test_an_empty_cell_is_none_and_never_nought():
    log = read("t_s,battery_v,battery_a,solar_v,solar_a,battery_c\n0,13.2,1,,,\n1,,,18,0,20\n2,13.2, ,18,,-3\n")
    first, second, third = log.intervals
    assert first.solar is None and first.battery_c is None
    assert second.battery == Tap() and second.solar == Tap(18.0, 0.0, 0.0) and second.battery_c == 20.0
    assert third.battery == Tap(v=13.2) and third.solar == Tap(v=18.0) and third.battery_c == -3.0


# -- times ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "cell",
    [
        "2026-09-12T22:10:00Z",
        "2026-09-12 22:10:00",
        "2026-09-12T22:10:00.000000Z",
        "2026-09-12T16:10:00-06:00",
        "2026-09-13T03:40:00+0530",
        "2026-09-12T22:10Z",
        "2026-09-12T22:10:00-00:00",
        "2026-09-12T23:10+01",
        "2026-09-12t22:10:00z",
    ],
)
def test_one_moment_in_many_spellings(cell):
    log = read(log_of(cell, "2026-09-12T22:10:01.25Z", column="time_utc"))
    assert log.intervals[0].start_s == T0_S
    assert log.intervals[0].dt_s == 1.25
    assert log.times_text == [cell, "2026-09-12T22:10:01.25Z"]


def test_bare_times_are_utc_whatever_the_zone_of_the_machine(monkeypatch):
    monkeypatch.setenv("TZ", "America/Denver")
    if hasattr(time, "tzset"):
        time.tzset()
    try:
        assert (
            read(log_of("2026-09-12T22:10:00", "2026-09-12T22:10:01", column="time_utc")).intervals[0].start_s == T0_S
        )
    finally:
        monkeypatch.undo()
        if hasattr(time, "tzset"):
            time.tzset()


def test_a_leap_second_keeps_every_step_true():
    ends = [
        "2016-12-31T23:59:58Z",
        "2016-12-31T23:59:59Z",
        "2016-12-31T23:59:60Z",
        "2017-01-01T00:00:00Z",
        "2017-01-01T00:00:01Z",
    ]
    assert lengths(read(log_of(*ends, column="time_utc"))) == [1, 1, 1, 1, 1]
    tenths = [f"2016-12-31T23:59:{58 + n // 10}.{n % 10}Z" for n in range(30)] + ["2017-01-01T00:00:00.0Z"]
    assert lengths(read(log_of(*tenths, column="time_utc"))) == [0.1] * 31


def test_a_logger_that_rounds_up_to_sixty_does_not_move_the_clock():
    log = read(log_of("2026-09-12T22:09:50Z", "2026-09-12T22:09:60Z", "2026-09-12T22:10:10Z", column="time_utc"))
    assert [item.start_s for item in log.intervals] == [T0_S - 10, T0_S, T0_S + 10]


def test_twenty_four_hours_is_the_next_midnight():
    log = read(log_of("2026-09-12T23:59:59Z", "2026-09-12T24:00:00Z", "2026-09-13T00:00:01Z", column="time_utc"))
    assert lengths(log) == [1, 1, 1]


@pytest.mark.parametrize(
    "cell",
    [
        "",
        "  ",
        "noon",
        "2026-02-30T00:00:00Z",
        "2026-13-01T00:00:00Z",
        "2026-09-12",
        "12/09/2026 22:10",
        "1789251000",
        "2026-09-12T24:00:01Z",
        "2026-09-12T22:10:61Z",
        "2026-09-12T25:10:00Z",
        "2026-09-12T22:10:00+99:00",
        "2026-09-12T22:10:00 UTC",
        "\u0662026-09-12T22:10:00Z",
    ],
)
def test_a_time_that_is_none_is_named_with_its_line_and_the_right_form(cell):
    say = refusal(log_of("2026-09-12T22:09:59Z", cell, column="time_utc"))
    assert say.startswith("a.csv, line 3, column time_utc: found ")
    assert "2026-09-12T22:10:00Z" in say


def test_times_that_stand_still_or_run_back_are_refused_with_both_lines():
    say = refusal(log_of("1", "2", "2"))
    assert "line 4, column t_s" in say and "the same time as line 3" in say
    say = refusal(log_of("1", "3", "2.5"))
    assert "line 4" in say and "0.5 s before line 3" in say and "Sort the rows" in say


def test_local_time_put_back_in_autumn_is_recognised():
    say = refusal(log_of("2026-11-01T01:59:59", "2026-11-01T01:00:00", column="time_utc"))
    assert "put back by an hour" in say and "UTC" in say


def test_rows_all_minutes_apart_are_not_means_this_format_knows():
    assert "300 s apart" in refusal(log_of("0", "300", "600"))
    assert "milliseconds?" in refusal(log_of("0", "1000", "2000"))


# -- other spellings of CSV ----------------------------------------------------------------------


PLAIN = "t_s,battery_v,battery_a\n0,13.25,-1.5\n1,13.5,2\n"


@pytest.mark.parametrize(
    "text",
    [
        "\ufeff" + PLAIN,
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace("\n", "\r"),
        PLAIN[:-1],
        PLAIN + "\n\n",
        "\n" + PLAIN,
        PLAIN.replace("13.25", '"13.25"'),
        PLAIN.replace(",", ";"),
        PLAIN.replace(",", "\t"),
        PLAIN.replace(",", ";").replace(".", ","),
        PLAIN.replace("t_s,", " T_S ,"),
        PLAIN.replace(",2\n", ", +2.0e0 \n"),
    ],
    ids=[
        "BOM",
        "CRLF",
        "CR",
        "no last line end",
        "blank end",
        "blank start",
        "quoted",
        "semicolons",
        "tabs",
        "decimal commas",
        "capitals",
        "exponent",
    ],
)
def test_spellings_that_mean_the_same_read_the_same(text):
    assert read(text).intervals == read(PLAIN).intervals
    assert read(text).warnings == ()


def test_decimal_commas_between_commas_are_refused():
    assert "line 2: 5 cells" in (say := refusal("t_s,battery_v,battery_a\n0,13,2,1,5\n")) and "semicolons" in say
    say = refusal('t_s,battery_v,battery_a\n0,"13,2",1\n1,13,1\n')
    assert "line 2, column battery_v: found '13,2'" in say and "decimal comma" in say


@pytest.mark.parametrize("rows", ["0;13,2;1.5\n1;13;1\n", "0;13,2;1\n1;13.2;1\n", "0;1.013,2;1\n", "0;1,013,2;1\n"])
def test_two_decimal_marks_in_one_file_are_refused(rows):
    assert "decimal mark" in refusal("t_s;battery_v;battery_a\n" + rows)


def test_rows_without_any_cell_are_left_out_and_said():
    log = read("t_s,battery_v,battery_a\n0,13,1\n,,\n  \n1,13,1\n")
    assert log.times_text == ["0", "1"]
    assert log.warnings == ("1 row with no cell filled in left out.",)


def test_line_numbers_count_blank_lines_too():
    assert "line 6, column battery_v" in refusal("\nt_s,battery_v,battery_a\n0,13,1\n\n,,\n1,x,1\n")


def test_line_numbers_hold_far_into_a_long_file():
    rows = [f"{n},13.2,1.5" for n in range(150_000)]
    rows[140_000] = "140000,13.2,1.5A"
    say = refusal("t_s,battery_v,battery_a\n" + "\n".join(rows))
    assert "line 140002, column battery_a: found '1.5A'" in say


# -- columns -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wrong", "right"),
    [
        ("solar_amp", "solar_a"),
        ("Load A", "load_a"),
        ("battery_temp_c", "battery_c"),
        ("load_v_mim", "load_v_min"),
    ],
)
def test_a_misspelt_extra_column_is_left_out_and_the_right_name_given(wrong, right):
    log = read(f"t_s,battery_v,battery_a,{wrong}\n0,13,1,x\n1,13,1,y\n")
    assert log.columns == ("battery_v", "battery_a")
    assert wrong in log.warnings[0] and log.warnings[0].endswith(f"Did you mean {right}?")


def test_an_extra_column_that_resembles_nothing_is_left_out_without_a_guess():
    assert read("t_s,battery_v,battery_a,note,\n0,13,1,x,\n1,13,1,y,\n").warnings == (
        "Column 'note' is not part of the format and was left out.",
        "A column without a name is not part of the format and was left out.",
    )


def test_a_lowest_without_its_mean_is_left_out_and_said():
    log = read("t_s,battery_v,battery_a,solar_a_min\n0,13,1,9\n1,13,1,9\n")
    assert log.intervals[0].solar is None and "solar_a beside it" in log.warnings[0]


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("time_utc,t_s,battery_v,battery_a", "both time_utc and t_s"),
        ("battery_v,battery_a", "exactly one of time_utc"),
        ("time_utcs,battery_v,battery_a", "Is 'time_utcs' meant to be time_utc?"),
        ("t_s,battery_v", "no column battery_a"),
        ("t_s,load_a", "no column battery_v and battery_a"),
        ("t_s,batery_v,battery_a", "Is 'batery_v' meant to be battery_v?"),
        ("t_s,battery_v,battery_a,battery_v", "battery_v is there 2 times"),
        ("0,13.2,1.5", "column names"),
    ],
)
def test_a_header_that_will_not_do_is_line_1_with_what_is_missing(header, words):
    say = refusal(header + "\n0,1,2,3\n1,2,3,4\n")
    assert say.startswith("a.csv, line 1: ") and words in say


# -- values --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "cell", ["x", "1_0", "0x10", "1.2.3", "--1", "1 2", "1e", "\u0663", "nan", "inf", "-inf", "NA", "1e999"]
)
def test_a_cell_that_is_no_number_is_named_with_line_and_column(cell):
    say = refusal(f"t_s,battery_v,battery_a\n0,13,1\n1,13,{cell}\n")
    assert say.startswith(f"a.csv, line 3, column battery_a: found {cell!r}")
    assert "expected" in say


def test_nan_is_told_to_be_an_empty_cell():
    assert "Leave the cell empty" in refusal("t_s,battery_v,battery_a\n0,NaN,1\n1,13,1\n")


@pytest.mark.parametrize(
    ("column", "cell", "span"),
    [
        ("load_a", "1000.5", "-1000 to 1000 A"),
        ("load_a", "-1001", "-1000 to 1000 A"),
        ("solar_v", "121", "-1 to 120 V"),
        ("solar_v", "-1.01", "-1 to 120 V"),
        ("battery_c", "-60.5", "-60 to 120 degC"),
        ("battery_c", "125", "-60 to 120 degC"),
        ("load_v_max", "13000", "-1 to 120 V"),
        ("load_a_min", "-4000", "-1000 to 1000 A"),
    ],
)
def test_values_no_portable_station_shows_are_refused(column, cell, span):
    names = ["t_s", "battery_v", "battery_a", "load_v", *([column] if column != "load_v" else [])]
    if column == "load_a_min":
        names.append("load_a")
    row = ["1", "13", "1", "12", cell, "1"][: len(names)]
    say = refusal(
        ",".join(names) + "\n" + ",".join(["0", "13", "1", "12", "", "1"][: len(names)]) + "\n" + ",".join(row)
    )
    assert f"line 3, column {column}: found '{cell}'; expected {span}" in say


def test_the_ends_of_the_ranges_are_inside_them():
    log = read("t_s,battery_v,battery_a,battery_c\n0,-1,-1000,-60\n1,120,1000,120\n")
    assert log.intervals[1].battery.v == 120 and log.intervals[0].battery_c == -60


def test_lowest_above_mean_is_refused_unless_rounding_explains_it():
    head = "t_s,battery_v,battery_a,battery_v_min,battery_v_max\n"
    assert len(read(head + "0,13.2,1,13.24,13.2\n1,13.2,1,13.2,13.16\n").intervals) == 2
    assert "line 2, column battery_v_min: 13.26 is above battery_v 13.2" in refusal(
        head + "0,13.2,1,13.26,14\n1,13,1,13,13\n"
    )
    assert "column battery_v: 13.20 is above battery_v_max 13.1" in refusal(head + "0,13.20,1,13,13.1\n1,13,1,13,13\n")
    assert "column battery_v_min: 14 is above battery_v_max 12" in refusal(head + "0,,1,14,12\n1,13,1,13,13\n")


@pytest.mark.parametrize(("row", "count"), [("0,13", 2), ("0,13,1,9", 4), ("0", 1)])
def test_a_ragged_row_says_how_many_cells_it_has(row, count):
    assert f"line 3: {count} cell" in refusal(f"t_s,battery_v,battery_a\n-1,13,1\n{row}\n")


def test_a_long_step_among_short_ones_is_kept_but_said():
    log = read(log_of(*map(str, range(20)), "50", "51"))
    assert log.intervals[19].dt_s == 31.0 and log.gaps == 0
    assert "first on line 21 (31 s against 1 s)" in log.warnings[0]


def test_rows_shorter_than_the_format_is_made_for_are_kept_but_said():
    assert "0.02 s long" in read(log_of("0", "0.02", "0.04")).warnings[0]


# -- files ---------------------------------------------------------------------------------------


def test_gzip_is_known_by_its_content_and_not_by_its_name(tmp_path):
    (tmp_path / "packed.csv").write_bytes(gzip.compress(PLAIN.encode()))
    (tmp_path / "plain.csv.gz").write_text(PLAIN)
    assert read_log(tmp_path / "packed.csv").intervals == read(PLAIN).intervals
    plain = read_log(str(tmp_path / "plain.csv.gz"))
    assert plain.intervals == read(PLAIN).intervals and "not gzip" in plain.warnings[0]


def long_text() -> str:
    numbers = random.Random(1)
    return "t_s,battery_v,battery_a\n" + "".join(f"{n},13.2,{numbers.uniform(-5, 5):.4f}\n" for n in range(5000))


@pytest.mark.parametrize("keep", [15, 200, 20_000, -1, -5])
def test_a_gzip_file_cut_short_is_refused_whole(keep):
    say = refusal(gzip.compress(long_text().encode())[:keep])
    assert "end too early" in say and "Nothing was read" in say


def test_damaged_gzip_is_refused():
    packed = bytearray(gzip.compress(long_text().encode()))
    packed[len(packed) // 2] ^= 0xFF
    assert "damaged" in refusal(bytes(packed)) or "end too early" in refusal(bytes(packed))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (b"\n\n \n", "is empty"),
        (b"\xef\xbb\xbf", "is empty"),
        (gzip.compress(b"", mtime=0), "is empty"),
        (b"t_s,battery_v,battery_a\n", "is all there is"),
        (b"t_s,battery_v,battery_a\n0,13,1\n", "one row only"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "binary"),
        (b"PK\x03\x04....", "zip or spreadsheet"),
        (PLAIN.encode("utf-32"), "UTF-32"),
        (b"t_s,battery_v,battery_a\n0,13,1\n1,13,1\xb0\n", "line 3, column battery_a: found '1°'"),
        (b"t_s,battery_v,battery_a\n0,13,1\n1,13,1\x81\n", "line 3: byte 0x81 is not UTF-8"),
        (b't_s,battery_v,battery_a\n0,"13,1\n1,13,1\n', "line 2"),
        (b't_s,battery_v,battery_a\n0,"13\n",1\n1,13,1\n', "line 2"),
        (b'"t_s"x,battery_v,battery_a\n0,13,1\n1,13,1\n', "line 1"),
    ],
)
def test_what_is_not_a_log_is_refused_with_what_it_is(data, words):
    say = refusal(data)
    assert say.startswith("a.csv") and words in say


def test_a_gz_name_around_other_bytes_is_called_neither():
    assert "not gzip either" in refusal(b"\x00\x01\x02", "a.csv.gz")


def test_an_endless_line_is_refused_before_it_fills_the_memory():
    assert "longer than 1 MiB" in refusal(gzip.compress(b"x" * 30_000_000))


def test_a_missing_file_and_a_folder_are_said_so(tmp_path):
    with pytest.raises(LogError, match=r"none\.csv: can't be read \(No such file"):
        read_log(tmp_path / "none.csv")
    with pytest.raises(BoxError, match="can't be read"):
        read_log(tmp_path)


def test_lines_split_over_blocks_read_like_one_block(monkeypatch):
    text = PLAIN + "".join(f"{n},13.{n % 10},-{n % 7}.5\r\n" for n in range(2, 400))
    whole = read(text)
    for size in (1000, 64, 7, 1):
        monkeypatch.setattr("ampledger.logfile._BLOCK", size)
        assert read(text).intervals == whole.intervals
    assert "line 403, column battery_v" in refusal(text + "400,13,1\n401,x,1\n")


def test_ten_hours_at_1_hz_are_read_whole(tmp_path):
    rows = "\n".join(f"{n},13.2,{n % 7}" for n in range(36_000))
    (tmp_path / "ten.csv").write_text("t_s,battery_v,battery_a\n" + rows)
    log = read_log(tmp_path / "ten.csv")
    assert len(log.intervals) == 36_000
    # WORKED: the sum of n % 7 over 36,000 rows of one second each: 5142 whole weeks of 21 and 0+1+2+3+4+5.
    assert sum(i.battery.charge_c for i in log.intervals) == 5142 * 21 + 15


# -- writing -------------------------------------------------------------------------------------


def series(count: int = 50, dt_s: float = 0.5, start_s: float = T0_S) -> list[Interval]:
    numbers = random.Random(3)

    def tap() -> Tap:
        a = round(numbers.uniform(-5, 5), 6)
        return Tap(round(numbers.uniform(11, 14), 6), a, a * dt_s, a_min=a - 0.25, a_max=a + 0.25)

    return [Interval(start_s + n * dt_s, dt_s, tap(), None, tap() if n % 3 else None, 20.5) for n in range(count)]


@pytest.mark.parametrize("name", ["a.csv", "a.csv.gz"])
@pytest.mark.parametrize("time_column", ["time_utc", "t_s"])
def test_what_is_written_reads_back_the_same(tmp_path, name, time_column):
    items = series()
    assert write_log(tmp_path / name, items, time_column=time_column) == 50
    assert (tmp_path / name).read_bytes().startswith(b"\x1f\x8b" if name.endswith("gz") else time_column.encode())
    log = read_log(tmp_path / name)
    assert log.intervals == items
    assert log.columns == (
        "dt_s",
        "battery_v",
        "battery_a",
        "battery_a_min",
        "battery_a_max",
        "load_v",
        "load_a",
        "load_a_min",
        "load_a_max",
        "battery_c",
        "battery_as",
        "load_as",
    )
    assert os.listdir(tmp_path) == [name]


def written(items: list[Interval], **options) -> str:
    text = io.StringIO()
    write_log(text, items, **options)
    return text.getvalue()


def test_a_hole_is_written_as_a_row_of_empty_cells_and_no_charge_is_stretched_over_it():
    items = [Interval(0, 1, Tap(13, 2, 2.0)), Interval(1, 1, Tap(13, 2, 2.0)), Interval(31, 1, Tap(13, 2, 2.0))]
    text = written(items, time_column="t_s")
    assert text.splitlines() == [
        "t_s,dt_s,battery_v,battery_a,battery_as",
        "0.0,1.0,13.0,2.0,2.0",
        "1.0,1.0,13.0,2.0,2.0",
        "2.0,29.0,,,",
        "31.0,1.0,13.0,2.0,2.0",
    ]
    log = read(text)
    assert sum(i.battery.charge_c or 0.0 for i in log.intervals) == 6.0
    assert log.intervals[2] == Interval(2.0, 29.0, Tap())


@pytest.mark.parametrize(
    "items",
    [
        [Interval(0, 1, Tap(13, 2, 2.0))],
        [Interval(0, 1, Tap(13, 2, 2.0)), Interval(1, 5, Tap(13, 2, 10.0))],
        [Interval(0, 1, Tap(13, 2, 2.0)), Interval(2, 2, Tap(13, 2, 4.0))],
        [Interval(0, 1, Tap(13, 2, 2.0)), Interval(1, 300, Tap()), Interval(301, 1, Tap(13, 2, 2.0))],
        [Interval(0, 1, Tap(13, 2, 2.0)), Interval(500, 2, Tap(13, 2, 4.0))],
        [Interval(0, 1, Tap()), Interval(1, 1, Tap(13, 2, 2.0)), Interval(2, 1, Tap())],
        [Interval(0, 1, Tap(charge_c=2.0)), Interval(1.05, 1, Tap(charge_c=-1.0)), Interval(2, 1, Tap(13, 1, 1.0))],
    ],
    ids=["one", "longer last", "hole then longer", "gap", "far apart", "unseen ends", "jitter"],
)
def test_charge_and_seen_time_survive_writing(items):
    log = read(written(items, time_column="t_s"))
    charge_c = sum(i.battery.charge_c or 0.0 for i in items)
    assert sum(i.battery.charge_c or 0.0 for i in log.intervals) == pytest.approx(charge_c, abs=3e-6)
    seen_s = sum(i.dt_s for i in items if i.battery != Tap())
    assert sum(i.dt_s for i in log.intervals if i.battery != Tap()) == pytest.approx(seen_s, abs=0.06)
    again = written(log.intervals, time_column="t_s")
    assert read(again).intervals == log.intervals, "a second round trip must change nothing"


def test_a_charge_of_its_own_a_gap_with_charge_and_rows_that_overlap_are_kept_as_they_are():
    items = [
        Interval(0, 1.0, Tap(13, 1.0, 1.5, a_min=0.9, a_max=1.1)),
        Interval(1, 90_000.0, Tap(charge_c=-7.0), Tap(), own_a=0.03, own_in_load=True, unsure_s=0.5),
        Interval(90_001, 10.0, Tap(13, 1.0, None)),
        Interval(90_006, 10.0, Tap(13, 1.0, -0.0)),
    ]
    log = read(written(items, time_column="t_s"))
    assert log.intervals == items and log.gaps == 1
    assert len(log.warnings) == 1 and "the worst on line 5, by 5 s" in log.warnings[0]


@pytest.mark.parametrize(
    ("items", "words"),
    [
        ([], "nothing to write"),
        ([Interval(0, 0, Tap(13, 1))], "0 s can't be written"),
        ([Interval(0, -1, Tap(13, 1))], "-1 s can't be written"),
        ([Interval(0, 1, Tap(13, 1), unsure_s=-1.0)], "less than 0 s"),
        ([Interval(0, 1, Tap(float("nan"), 1))], "not a number"),
        ([Interval(1e15, 1, Tap(13, 1))], "not a time"),
    ],
)
def test_what_the_format_can_not_hold_is_refused_and_the_old_file_stays(tmp_path, items, words):
    (tmp_path / "a.csv").write_text("before")
    with pytest.raises(LogError, match=words):
        write_log(tmp_path / "a.csv", items)
    assert (tmp_path / "a.csv").read_text() == "before" and os.listdir(tmp_path) == ["a.csv"]


@pytest.mark.parametrize("error", [KeyboardInterrupt, RuntimeError, LogError])
def test_files_begun_and_broken_off_leave_nothing(tmp_path, error):
    (tmp_path / "one").write_text("before")
    with pytest.raises(error), whole_files(tmp_path / "one", tmp_path / "two.gz") as texts:
        for text in texts:
            text.write("half")
        raise error
    assert (tmp_path / "one").read_text() == "before" and os.listdir(tmp_path) == ["one"]


def test_a_target_that_is_no_plain_file_is_not_replaced(tmp_path):
    with pytest.raises(LogError, match="not a plain file"):
        write_log(tmp_path, series(3))
    if os.path.exists("/dev/null"):
        with pytest.raises(LogError, match="not a plain file"):
            write_log("/dev/null", series(3))
    with pytest.raises(LogError, match="Does the folder exist"):
        write_log(tmp_path / "no" / "a.csv", series(3))


def test_a_link_to_a_log_stays_a_link_and_rights_follow_the_umask(tmp_path):
    if os.name == "nt":
        pytest.skip("links and umask as on Linux and macOS")
    (tmp_path / "link.csv").symlink_to(tmp_path / "real.csv")
    old = os.umask(0o022)
    try:
        write_log(tmp_path / "link.csv", series(3))
    finally:
        os.umask(old)
    assert (tmp_path / "link.csv").is_symlink()
    assert (tmp_path / "real.csv").stat().st_mode & 0o777 == 0o644


def test_a_full_disk_leaves_the_old_file(tmp_path):
    if not hasattr(signal, "SIGXFSZ"):
        pytest.skip("needs a file size limit")
    (tmp_path / "a.csv").write_text("before")
    script = f"""
import resource, signal
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000))
from ampledger.core.model import Interval, Tap
from ampledger.logfile import write_log
write_log({str(tmp_path / "a.csv")!r}, [Interval(float(n), 1.0, Tap(13.0, 1.0)) for n in range(9000)])
"""
    env = {**os.environ, "PYTHONPATH": str(HOST), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, env=env, timeout=20)
    assert "LogError" in done.stderr and "is the disk full?" in done.stderr
    assert (tmp_path / "a.csv").read_text() == "before" and os.listdir(tmp_path) == ["a.csv"]
