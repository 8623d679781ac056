"""
The log format: volts and amps in columns, read into `Interval`s and written from them.

What comes in is a CSV file, plain or gzip (told apart by its first bytes, not
by its name); what goes out is a `Log`: the rows' time texts exactly as found,
the intervals they stand for, and which interval belongs to which row. The
rules of the format are in `Gather` and `Table`, which `interchange` feeds with
other kinds of file. What this never does: guess a value, fill a hole, reorder
rows unasked, or hand back a part of a file that is wrong somewhere. Anything
wrong is a `LogError` that says the file, line and column, what was found, what
was expected and what to do.

host/LOGFORMAT.md tells users the columns, units and rules. Two kinds of log:
in a plain one a row lasts until the next; one with `dt_s` is exact, each row
says how long it lasts, and an `Interval` survives it to the bit (its times to
1 us). Rows are handled as columns, NaN for what was not measured, and beyond
`_IN_MEMORY` they lie in a temporary file, so that millions of them take no room.
"""

from __future__ import annotations

import codecs
import csv
import difflib
import gc
import gzip
import io
import math
import os
import re
import secrets
import statistics
import tempfile
import weakref
import zlib
from array import array
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import IO, Any, BinaryIO, TextIO, cast

import numpy as np
from numpy.typing import NDArray

from ampledger.core.model import Interval, Tap
from ampledger.errors import LogError, plain

Floats = NDArray[np.float64]
Times = NDArray[np.int64]

TIME_COLUMNS = ("time_utc", "t_s")
TAPS = ("solar", "battery", "load")
MEAN_COLUMNS = ("solar_v", "solar_a", "battery_v", "battery_a", "load_v", "load_a")
REQUIRED = ("battery_v", "battery_a")
VALUE_COLUMNS = (*(mean + end for mean in MEAN_COLUMNS for end in ("", "_min", "_max")), "battery_c")
#: What it takes beside these for an interval to survive exactly.
EXACT_COLUMNS = (
    *(f"{tap}_{what}" for tap in TAPS for what in ("as", "ws")),
    *("solar_tap", "load_tap", "own_a", "own_in_load", "unsure_s", "at_panel"),
    *(f"{tap}_{what}" for tap in TAPS for what in ("beyond", "trouble")),
)
ALL_COLUMNS = ("dt_s", *VALUE_COLUMNS, *EXACT_COLUMNS)
FLAGS = ("solar_tap", "load_tap", "own_in_load", "at_panel", *EXACT_COLUMNS[-6:])
UNITS = {name: {"v": "V", "a": "A"}[name.split("_")[1]] for name in VALUE_COLUMNS[:-1]}
UNITS |= {name: {"as": "A s", "ws": "W s"}[name[-2:]] for name in EXACT_COLUMNS[:6]}
UNITS |= {"battery_c": "degC", "dt_s": "s", "unsure_s": "s", "own_a": "A", "t_s": "s"}
NOTE = "about"  # a column of text for whoever opens the file; it is not read
LONGEST_ROW_S = 60.0
SHORTEST_ROW_S = 0.1

# Beyond these a cell is a slip (milliamps, a swapped column), not a portable station.
_RANGES = {"v": (-1.0, 120.0, "V"), "a": (-1000.0, 1000.0, "A"), "c": (-60.0, 120.0, "degC")}
_LONGEST_S = 1e11
# Bounds on what one file may make this process hold; a gzip file can unpack to a thousand times its size.
MOST_BYTES = 1 << 30
MOST_ROWS = 4_000_000
LONGEST_LINE_BYTES = 1 << 20
_BLOCK = 1 << 20
_IN_MEMORY = 64 << 20
_AT_ONCE = 8192

_NUMBER = re.compile(r"\s*[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?\s*")
_ISO = re.compile(
    r"\s*([0-9]{4})-([0-9]{2})-([0-9]{2})[T ]([0-9]{2}):([0-9]{2})(?::([0-9]{2})(?:[.,]([0-9]{1,12}))?)?"
    r"(?:([Zz])|([+-])([0-9]{2}):?([0-9]{2})?)?\s*",
    re.IGNORECASE,
)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DAY_US = 86_400_000_000
_YEAR_1_US, _YEAR_10000_US = -62_135_596_800_000_000, 253_402_300_800_000_000
_TIME_HELP = "expected an ISO 8601 date and time such as 2026-09-12T22:10:00Z"


@dataclass(frozen=True, slots=True)
class Log:
    """
    One log, read.

    time_column : "time_utc" or "t_s".
    times_text : each row's time exactly as it stood in the file, one per row.
    intervals : in time order, without holes; a gap is an interval of its own
        whose battery values are all None.
    columns : the value columns read, in the file's order.
    warnings : sentences about what was left out or looked odd.
    row_interval : for each row, the index of its interval in `intervals`.
    """

    time_column: str
    times_text: Sequence[str]
    intervals: Sequence[Interval]
    columns: tuple[str, ...]
    warnings: tuple[str, ...]
    row_interval: Sequence[int]

    @property
    def gaps(self) -> int:
        """How many gaps the log has: steps of more than 60 s, and rows as long that hold no reading."""
        told = sum(i.dt_s > LONGEST_ROW_S and not _read(i) for i in map(self.intervals.__getitem__, self.row_interval))
        return len(self.intervals) - len(self.times_text) + told


@dataclass(frozen=True, slots=True)
class Rows:
    """
    Intervals as columns, all of equal length.

    start_us : microseconds since 1970, or since the start of a log that knows no date.
    values : by the names of the format's columns, always with dt_s, NaN for what is not known; a column that is
        not there is not known throughout.
    """

    start_us: Times
    values: dict[str, Floats]

    def end_us(self) -> Times:
        """Where each row ends, to the microsecond."""
        return self.start_us + np.round(self.values["dt_s"] * 1e6).astype(np.int64)


def seconds_of(us: Times) -> list[float]:
    """The nearest double of each number of microseconds; numpy's own division rounds twice beyond 2**53."""
    if us.size and max(abs(int(us.min())), abs(int(us.max()))) >= 1 << 53:
        return [value / 1_000_000 for value in us.tolist()]
    return cast(list[float], (us / 1e6).tolist())


def us_of(seconds: Floats) -> Times:
    """Microseconds, such that `seconds_of` them and back is the same again in every year."""
    whole = np.floor(seconds)
    return whole.astype(np.int64) * 1_000_000 + np.round((seconds - whole) * 1e6).astype(np.int64)


def intervals_of_rows(rows: Rows) -> list[Interval]:
    """The intervals that rows stand for; where a tap has no column for its charge, that is amps x length."""
    lists = {name: _with_none(values) for name, values in rows.values.items() if not np.isnan(values).all()}
    lengths = rows.values["dt_s"]
    empty: list[None] = [None] * len(lengths)
    taps: dict[str, list[Tap | None]] = {}
    for tap in TAPS:
        amps = rows.values.get(f"{tap}_a")
        charge = lists.get(f"{tap}_as", empty)
        if f"{tap}_as" not in rows.values and amps is not None:
            charge = _with_none(amps * lengths)
        fields: list[Sequence[Any]] = [lists.get(f"{tap}_{field}", empty) for field in ("v", "a")]
        fields.append(charge)
        fields += [lists.get(f"{tap}_{field}", empty) for field in ("v_min", "v_max", "a_min", "a_max", "ws")]
        for what in ("beyond", "trouble"):
            fields.append([bool(x) for x in lists.get(f"{tap}_{what}", empty)])
        made: list[Tap | None] = [Tap(*cells) for cells in zip(*fields, strict=True)]
        if tap != "battery":
            # A tap that did not answer is another thing than a box without one.
            there = lists.get(f"{tap}_tap", empty)
            nothing = Tap()
            made = [None if m == nothing and not t else m for m, t in zip(made, there, strict=True)]
        taps[tap] = made
    plainly = ("own_a", "own_in_load", "unsure_s", "at_panel")
    more = [[0.0 if x is None else x for x in lists.get(name, empty)] for name in plainly]
    battery = cast(list[Tap], taps["battery"])
    parts = (seconds_of(rows.start_us), lengths.tolist(), battery, taps["solar"], taps["load"])
    more[1::2] = [list(map(bool, flags)) for flags in more[1::2]]
    return list(map(Interval, *parts, lists.get("battery_c", empty), *more))


def _with_none(values: Floats) -> list[float | None]:
    found: list[float | None] = values.tolist()
    return [None if x != x else x for x in found] if np.isnan(values).any() else found


def _read(item: Interval) -> bool:
    """Whether anything but charge was measured."""
    return any(
        tap is not None and (tap.v is not None or tap.a is not None) for tap in (item.battery, item.solar, item.load)
    )


# -- a file's rows, gathered ------------------------------------------------------------------------


class Spool:
    """Rows of numbers in the order in which they came; in a temporary file once they are many."""

    def __init__(self, width: int) -> None:
        self._width, self._rows = width, 0
        self._held: list[Floats] = []
        self._file: IO[bytes] | None = None

    def add(self, block: Floats) -> None:
        """Append rows, shape (n, width)."""
        self._rows += len(block)
        if self._file is None:
            self._held.append(block)
            if self._rows * self._width * 8 <= _IN_MEMORY:
                return
            self._file = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the spool
            weakref.finalize(self, self._file.close)
        else:
            self._held = [block]
        for piece in self._held:
            self._file.write(np.ascontiguousarray(piece).tobytes())
        self._held = []

    def whole(self) -> Floats:
        """All rows, shape (rows, width); from now on nothing is added."""
        if self._file is None:
            self._held = [np.concatenate(self._held) if self._held else np.empty((0, self._width))]
            return self._held[0]
        self._file.flush()
        return np.memmap(self._file, np.float64, "r", shape=(self._rows, self._width))


class Gather:
    """
    What any kind of file is checked by: its columns, then its rows, block by block.

    name, unit : the file and what its rows are counted in ("line", "row"), for messages.
    """

    def __init__(self, name: str, unit: str = "line", keep_texts: bool = True) -> None:
        self.name, self.unit, self.keep_texts = name, unit, keep_texts
        self.warnings: list[str] = []
        self.time_column = ""
        self.columns: list[str] = []
        self.exact = False
        self.texts: list[str] = []
        self._times: list[Times] = []
        self._lines: list[NDArray[np.int64]] = []
        self._rows = 0
        self._leaps: list[int] = []
        self._doubts: dict[str, tuple[int, str]] = {}
        self._spool = Spool(0)

    def at(self, line: int, column: str = "") -> str:
        """Where something is, for the beginning of a message."""
        return f"{self.name}, {self.unit} {line}" + (f", column {column}" if column else "")

    def head(self, names: Sequence[str], shown: Sequence[str], where: str) -> None:
        """The names of the columns, as they are matched and as they are shown."""
        for column in (*TIME_COLUMNS, *ALL_COLUMNS):
            if names.count(column) > 1:
                raise LogError(f"{where}: the column {column} is there {names.count(column)} times. Keep one.")
        times = [name for name in names if name in TIME_COLUMNS]
        if len(times) != 1:
            found = "both time_utc and t_s are there" if times else f"no time column in {_short(', '.join(shown), 80)}"
            raise LogError(
                f"{where}: {found}; expected column names with exactly one of time_utc (ISO 8601) and t_s "
                f"(seconds).{'' if times else _nearest_note(names, TIME_COLUMNS)}"
            )
        missing = [column for column in REQUIRED if column not in names]
        if missing:
            raise LogError(
                f"{where}: no column {' and '.join(missing)}; battery_v and battery_a are always needed."
                + _nearest_note([n for n in names if n not in ALL_COLUMNS], missing)
            )
        self.time_column, self.exact = times[0], "dt_s" in names
        self._warn_of_extras(names, shown)
        self.columns = [name for name in names if name in ALL_COLUMNS and _mean_of(name) in names]
        self._spool = Spool(len(self.columns))

    def _warn_of_extras(self, names: Sequence[str], shown: Sequence[str]) -> None:
        for name, cell in zip(names, shown, strict=True):
            if name in TIME_COLUMNS or name == NOTE:
                continue
            if name in ALL_COLUMNS:
                if _mean_of(name) not in names:
                    self.warnings.append(f"Column {name} is left out: it needs {_mean_of(name)} beside it.")
                continue
            left = [column for column in ALL_COLUMNS if column not in names]
            near = _nearest(name, [column for column in left if column in VALUE_COLUMNS]) or _nearest(name, left)
            hint = f" Did you mean {near}?" if near else ""
            what = f"Column {_short(cell)}" if name else "A column without a name"
            self.warnings.append(f"{what} is not part of the format and was left out.{hint}")

    def add(
        self,
        lines: Sequence[int],
        times_us: Sequence[int] | Times,
        texts: Sequence[str],
        values: dict[str, Floats],
        shown: Callable[[str, int], str],
        leaps: Iterable[int] = (),
    ) -> None:
        """
        Rows, checked and kept.

        values : every one of `columns`, NaN where nothing was measured. shown(column, index) : a cell as it stood in
        the file. leaps : rows of this block that are within a leap second.
        """
        self.most_rows(self._rows + len(lines))
        for name in self.columns:
            self._check_range(name, values[name], lines, shown)
        self._check_order(values, lines, shown)
        self._leaps.extend(self._rows + index for index in leaps)
        self._rows += len(lines)
        self._lines.append(np.asarray(lines, np.int64))
        self._times.append(np.asarray(times_us, np.int64))
        if self.keep_texts:
            self.texts.extend(texts)
        try:
            self._spool.add(np.column_stack([values[name] for name in self.columns]))
        except OSError as error:
            raise LogError(
                f"{self.name}: there is no room for its rows in the folder {tempfile.gettempdir()} "
                f"({error.strerror or error}). Free some, or name another with the variable TMPDIR."
            ) from None

    def most_rows(self, rows: int) -> None:
        """Refuse a file of so many."""
        if rows > MOST_ROWS:
            raise LogError(f"{self.name}: more than {MOST_ROWS:,} rows. Split it into shorter logs.")

    def _doubt(self, kind: str, message: str) -> None:
        """In a plain log a slip, which is refused; a program that wrote how long each row is meant what it wrote."""
        if not self.exact:
            raise LogError(message)
        count, first = self._doubts.get(kind, (0, message))
        self._doubts[kind] = count + 1, first

    def _check_range(self, name: str, values: Floats, lines: Sequence[int], shown: Callable[[str, int], str]) -> None:
        if name == "dt_s":
            good, wanted = (values > 0) & (values <= _LONGEST_S), "the seconds a row lasts, more than 0"
        elif name in FLAGS:
            good, wanted = (values == 0) | (values == 1) | np.isnan(values), "0 or 1"
        elif name == "unsure_s":
            good, wanted = (values >= 0) & (values < np.inf) | np.isnan(values), "seconds, 0 or more"
        else:
            good, wanted = ~np.isinf(values), "a number. Leave the cell empty where nothing was measured"
        if not good.all():
            index = int(np.argmin(good))
            raise LogError(f"{self.at(lines[index], name)}: found {shown(name, index)}; expected {wanted}.")
        if name not in VALUE_COLUMNS:
            return
        low, high, unit = _RANGES[name.removesuffix("_min").removesuffix("_max")[-1]]
        for index in np.flatnonzero(~((values >= low) & (values <= high) | np.isnan(values))).tolist():
            self._doubt(
                "beyond what a portable station shows",
                f"{self.at(lines[index], name)}: found {shown(name, index)}; expected {low:g} to {high:g} {unit}. "
                "Is the unit or the column wrong?",
            )

    def _check_order(self, values: dict[str, Floats], lines: Sequence[int], shown: Callable[[str, int], str]) -> None:
        """Lowest <= mean <= highest, up to the rounding of the cells as printed."""
        for mean in MEAN_COLUMNS:
            for small, large in ((mean + "_min", mean), (mean, mean + "_max"), (mean + "_min", mean + "_max")):
                if small not in values or large not in values:
                    continue
                for index in np.flatnonzero(values[small] > values[large]).tolist():
                    texts = [shown(name, index).strip("'") for name in (small, large)]
                    if float(values[small][index]) - float(values[large][index]) > sum(map(_half_digit, texts)) + 1e-9:
                        self._doubt(
                            "with a lowest above its mean, or a mean above its highest",
                            f"{self.at(lines[index], small)}: {texts[0].strip()} is above {large} "
                            f"{texts[1].strip()}; expected lowest <= mean <= highest. Are the columns swapped?",
                        )

    def finish(self, sort: bool = False) -> Table:
        """All rows are there: their order, lengths and gaps."""
        if not self._rows or (self._rows == 1 and not self.exact):
            what = "one row only, so its length can't be known" if self._rows else "the line of names is all there is"
            raise LogError(f"{self.name}: {what}; expected at least {'one row' if self.exact else 'two rows'}.")
        for kind, (count, first) in self._doubts.items():
            self.warnings.append(
                f"{_count(count, 'value')} {kind}, kept as {'it is' if count == 1 else 'they are'}: {first}"
            )
        return Table(
            self, sort, np.concatenate(self._times), np.concatenate(self._lines), self._leaps, self._spool.whole()
        )


class Table:
    """The rows of a whole file in order, with their lengths and the gaps between them."""

    def __init__(
        self, made_by: Gather, sort: bool, times_us: Times, lines: NDArray[np.int64], leaps: list[int], cells: Floats
    ) -> None:
        self.name, self.time_column, self.columns = made_by.name, made_by.time_column, tuple(made_by.columns)
        self.warnings, self.texts = made_by.warnings, made_by.texts
        self._at, self._unit, self._exact = made_by.at, made_by.unit, made_by.exact
        self._cells, self._lines = cells, lines
        self._order: NDArray[np.int64] | None = None
        if sort:
            times_us, leaps = self._sorted(times_us, leaps)
        if leaps:
            spread = times_us.tolist()
            _spread_leap_second(spread, leaps)
            times_us = np.array(spread, np.int64)
        self.start_us = times_us
        self._check_times(np.diff(times_us))
        if self._exact:
            self.dt_s, self._holes_us = self._told_lengths()
        else:
            self.dt_s, self._holes_us = self._lengths(np.diff(times_us))

    @property
    def rows(self) -> int:
        """How many rows."""
        return len(self.start_us)

    def _line(self, row: int) -> int:
        return int(self._lines[row if self._order is None else self._order[row]])

    def _text(self, row: int) -> str:
        one = self.start_us[row : row + 1]
        return _short(
            self.texts[row] if self.texts else str(seconds_of(one)[0]) if self.time_column == "t_s" else stamps(one)[0]
        )

    def take(self, begin: int, end: int) -> Floats:
        """Cells of the rows in [begin, end), in order of time, shape (rows, columns)."""
        if self._order is None:
            return np.asarray(self._cells[begin:end])
        return np.asarray(self._cells[self._order[begin:end]])

    def _sorted(self, times_us: Times, leaps: list[int]) -> tuple[Times, list[int]]:
        """Into order of time; what is there twice goes, what contradicts itself is refused."""
        leap = np.zeros(len(times_us), np.int64)
        leap[leaps] = 1
        # 23:59:60.5 has the number of 00:00:00.5 and comes before 00:00:00.
        second = times_us // 1_000_000 - leap
        order = np.lexsort((times_us % 1_000_000, leap, second))
        moved = int(np.count_nonzero(times_us[1:] < np.maximum.accumulate(times_us)[:-1]))
        same = (np.diff(times_us[order]) == 0) & (np.diff(leap[order]) == 0)
        twice = np.flatnonzero(same) + 1
        for begin in range(0, len(twice), _AT_ONCE):
            later = twice[begin : begin + _AT_ONCE]
            one, other = (np.ascontiguousarray(self._cells[order[i]]).view(np.uint64) for i in (later - 1, later))
            odd = np.flatnonzero((one != other).any(axis=1))
            if odd.size:
                a, b = (int(self._lines[order[i]]) for i in (later[odd[0]] - 1, later[odd[0]]))
                raise LogError(
                    f"{self._at(b, self.time_column)}: the same time as {self._at(a).rpartition(', ')[2]}, but other "
                    "values. Which of the two holds can't be told: remove one."
                )
        keep = np.ones(len(order), bool)
        keep[twice] = False
        self._order = order = order[keep]
        if moved:
            self.warnings.append(f"{_count(moved, 'row')} out of order: put into order of time.")
        if twice.size:
            self.warnings.append(f"{_count(int(twice.size), 'row')} there twice, with the same values: left out once.")
        if self.texts:
            self.texts = [self.texts[i] for i in order.tolist()]
        if not self._exact and len(order) < 2:
            raise LogError(f"{self.name}: all rows are the same row, so its length can't be known; expected two rows.")
        return times_us[order], np.flatnonzero(leap[order]).tolist()

    def _check_times(self, steps_us: Times) -> None:
        if not steps_us.size or steps_us.min() > 0:
            return
        row = int(np.argmax(steps_us <= 0)) + 1
        step_s = steps_us[row - 1] / 1e6
        what = "the same time as" if step_s == 0 else f"{-step_s:g} s before"
        hint = ""
        if self.time_column == "time_utc" and -3600 <= step_s < -3000:
            hint = " Local time put back by an hour? The column is UTC."
        raise LogError(
            f"{self._at(self._line(row), self.time_column)}: {self._text(row)} is {what} "
            f"{self._at(self._line(row - 1)).rpartition(', ')[2]}; expected rows in time order, each time once. Sort "
            f"the rows, or remove what is there twice; `ampledger import --sort` does both.{hint}"
        )

    def _told_lengths(self) -> tuple[Floats, dict[int, int]]:
        """Lengths as the file has them, and after which row how much time nothing is known of. [s], [us]"""
        at = self.columns.index("dt_s")
        dt_s = np.concatenate([self.take(i, i + 65536)[:, at] for i in range(0, self.rows, 65536)])
        rows = Rows(self.start_us, {"dt_s": dt_s})
        holes = _holes(rows)
        late_us = (rows.end_us()[:-1] - self.start_us[1:]) / 1e6
        over = np.flatnonzero(late_us > np.maximum(2e-6, 0.1 * np.minimum(dt_s[:-1], dt_s[1:])))
        if over.size:
            worst = int(over[np.argmax(late_us[over])])
            self.warnings.append(
                f"{_count(int(over.size), 'row')} beginning before the row before has ended, the worst on {self._unit} "
                f"{self._line(worst + 1)}, by {late_us[worst]:g} s: the charge of both counts."
            )
        return dt_s, holes

    def _lengths(self, steps_us: Times) -> tuple[Floats, dict[int, int]]:
        """Lengths from step to step, and after which row a gap follows, and how long. [s], [us]"""
        steps_s = np.round(steps_us / 1e6, 6)
        gap_after = np.flatnonzero(steps_s > LONGEST_ROW_S).tolist()
        ordinary = steps_s[steps_s <= LONGEST_ROW_S]
        if not ordinary.size:
            unit = " Is t_s in milliseconds? It is in seconds." if self.time_column == "t_s" else ""
            raise LogError(
                f"{self.name}: the rows are {np.median(steps_s):g} s apart; expected means over at most "
                f"{LONGEST_ROW_S:g} s, one after the other, or a column dt_s that says how long each row lasts.{unit}"
            )
        self._warn_of_steps(steps_s, float(np.median(ordinary)))
        lengths = np.append(steps_s, steps_s[-1])
        holes: dict[int, int] = {}
        for row in gap_after:
            lengths[row] = _usual_step(steps_s, row)
            holes[row] = int(steps_us[row]) - round(lengths[row] * 1e6)
        # A last row after a gap is as long as the row before it.
        lengths[-1] = lengths[-2]
        return lengths, {row: hole for row, hole in holes.items() if hole > 0}

    def _warn_of_steps(self, steps_s: Floats, usual_s: float) -> None:
        if usual_s < 0.9 * SHORTEST_ROW_S:
            self.warnings.append(f"Rows are {usual_s:g} s long; the format is made for {SHORTEST_ROW_S:g} s and more.")
        # A row is by definition a mean up to the next row, but a logger that paused a while wrote no such mean.
        odd = np.flatnonzero((steps_s > max(10 * usual_s, 5.0)) & (steps_s <= LONGEST_ROW_S))
        if odd.size:
            self.warnings.append(
                f"{_count(int(odd.size), 'row')} more than ten times as long as usual, first on {self._unit} "
                f"{self._line(int(odd[0]))} ({steps_s[odd[0]]:g} s against {usual_s:g} s): each was taken as the mean "
                "up to the next row. If the logger paused there, add a row with empty cells where it stopped."
            )

    def chunks(self, most: int = _AT_ONCE) -> Iterator[Rows]:
        """All rows and gaps in order of time, some thousand at a time."""
        holes = sorted(self._holes_us)
        done = 0
        for begin in range(0, self.rows, most):
            end = min(self.rows, begin + most)
            cells = self.take(begin, end)
            values = {name: cells[:, i] for i, name in enumerate(self.columns)}
            values["dt_s"] = self.dt_s[begin:end]
            upto = done
            while upto < len(holes) and holes[upto] < end:
                upto += 1
            here = holes[done:upto]
            done = upto
            lengths = [self._holes_us[row] for row in here]
            yield _with_holes(Rows(self.start_us[begin:end], values), [row - begin for row in here], lengths)

    def row_interval(self) -> Sequence[int]:
        """Which of the intervals each row is."""
        if not self._holes_us:
            return range(self.rows)
        shift = np.zeros(self.rows, np.int64)
        shift[[row + 1 for row in self._holes_us if row + 1 < self.rows]] = 1
        return array("q", (np.arange(self.rows) + np.cumsum(shift)).tolist())

    @property
    def count(self) -> int:
        """Rows and gaps."""
        return self.rows + len(self._holes_us)


def _holes(rows: Rows) -> dict[int, int]:
    """
    After which rows time passed that no row tells of, and how much. [us]

    Up to a tenth of the row before is the jitter of a logger, and of a board's clock against UTC.
    """
    hole_us = rows.start_us[1:] - rows.end_us()[:-1]
    found = np.flatnonzero(hole_us > np.maximum(2.0, 1e5 * rows.values["dt_s"][:-1]))
    return {int(i): int(hole_us[i]) for i in found}


def _with_holes(rows: Rows, after: Sequence[int], lengths_us: Sequence[int]) -> Rows:
    """The rows with one more for the unseen time after each of `after`."""
    if not after:
        return rows
    at = np.asarray(after) + 1
    start_us = np.insert(rows.start_us, at, rows.end_us()[list(after)])
    # What is not said is nought in these, and not known in all others.
    plainly = (*FLAGS, "own_a", "unsure_s")
    values = {n: np.insert(column, at, 0.0 if n in plainly else np.nan) for n, column in rows.values.items()}
    values["dt_s"] = np.insert(rows.values["dt_s"], at, np.asarray(lengths_us) / 1e6)
    return Rows(start_us, values)


def log_of(table: Table) -> Log:
    """A table as intervals."""
    intervals: list[Interval] = []
    for rows in table.chunks(65536):
        intervals += intervals_of_rows(rows)
    columns = tuple(name for name in table.columns)
    return Log(table.time_column, table.texts, intervals, columns, tuple(table.warnings), table.row_interval())


# -- CSV ---------------------------------------------------------------------------------------------


def read_log(source: str | os.PathLike[str] | BinaryIO, name: str | None = None, sort: bool = False) -> Log:
    """
    Read a log in CSV, plain or gzip.

    Parameters
    ----------
    source : path, or a binary stream that can seek
    name : what to call it in messages; the path's last part when not given.
    sort : put rows into order of time and leave out what is there twice, instead of refusing.

    Returns
    -------
    Log

    Raises
    ------
    LogError
        Anything that keeps the file from being read whole and believed.
    """
    with opened(source, name) as (stream, called), collector_paused():
        return log_of(read_csv(stream, called).finish(sort))


@contextmanager
def opened(source: str | os.PathLike[str] | BinaryIO, name: str | None = None) -> Iterator[tuple[BinaryIO, str]]:
    """The stream and what to call it. Raises LogError when it can't be opened."""
    if not isinstance(source, (str, os.PathLike)):
        yield source, name or "log"
        return
    try:
        if not os.path.isfile(source) and os.path.exists(source) and not os.path.isdir(source):
            raise LogError(f"{plain(source)}: can't be read (it is no plain file). Name a log that is a file.")
        stream = open(source, "rb")  # noqa: SIM115 - closed below; only the opening may fail as "can't be opened"
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise LogError(f"{plain(source)}: can't be read ({why}). Check the path and its rights.") from None
    with stream:
        yield stream, plain(name or os.path.basename(os.fspath(source)), 100)


@contextmanager
def collector_paused() -> Iterator[None]:
    """A million small objects, all kept, none in a cycle: looking for cycles among them doubles the reading time."""
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()


def read_csv(stream: BinaryIO, name: str, keep_texts: bool = True) -> Gather:
    """The rows of a CSV file."""
    reader = _Csv(name, keep_texts)
    for first_line, text in Lines(stream, name, reader.made.warnings).pieces():
        reader.piece(first_line, text)
    return reader.end()


class Lines:
    """A text file, plain or gzip, in pieces of about a block of whole lines."""

    def __init__(self, stream: BinaryIO, name: str, warnings: list[str]) -> None:
        self.name, self.warnings = name, warnings
        stream.seek(0)
        packed = stream.read(2) == b"\x1f\x8b"
        stream.seek(0)
        self._stream: Any = gzip.GzipFile(fileobj=stream) if packed else stream
        self._packed = packed
        self._wide: codecs.IncrementalDecoder | None = None
        self._narrow = False
        if not packed and name.lower().endswith(".gz"):
            stream.seek(0)
            if stream.read(1):
                warnings.append(f"{name} is not gzip in spite of its name; read as plain text.")
            stream.seek(0)

    def pieces(self) -> Iterator[tuple[int, str]]:
        """Each piece with the number of its first line."""
        line, held, total = 1, b"", 0
        while True:
            block = self._block()
            if not total:
                self._look_at(block)
            more = self._widened(block, line)
            total += len(block)
            if total > MOST_BYTES:
                raise LogError(f"{self.name}: more than {MOST_BYTES >> 20} MiB of text. Split it into shorter logs.")
            held += more
            # A carriage return at the very end may be half a line end.
            newline = held.rfind(b"\n")
            cut = len(held) if not block else newline + 1 if newline >= 0 else held.rfind(b"\r", 0, -1) + 1
            if not block and not held:
                return
            if cut == 0 and len(held) > LONGEST_LINE_BYTES:
                raise LogError(f"{self.name}, line {line}: longer than 1 MiB; this is no log of rows.")
            piece, held = held[:cut], held[cut:]
            if piece:
                text = self._decode(piece, line)
                yield line, text
                line += text.count("\n")

    def _block(self) -> bytes:
        try:
            return cast(bytes, self._stream.read(_BLOCK))
        except EOFError:
            fault = "the gzip data end too early: the file was cut short while copying or writing"
        except (gzip.BadGzipFile, zlib.error) as error:
            fault = f"the gzip data are damaged ({error})"
        except OSError as error:
            raise LogError(f"{self.name}: reading failed ({error.strerror or error}).") from None
        raise LogError(f"{self.name}: {fault}. Nothing was read; copy the file again.")

    def _look_at(self, head: bytes) -> None:
        what = None
        if head[:4] == b"PK\x03\x04":
            what = "a zip or spreadsheet file. Unpack it, or save the sheet as CSV"
        elif head[:4] in (b"\xff\xfe\x00\x00", b"\x00\x00\xfe\xff"):
            what = "UTF-32 text. Save it as CSV in UTF-8"
        elif head[:2] in (b"\xff\xfe", b"\xfe\xff"):
            self._wide = codecs.getincrementaldecoder("utf-16")()
        elif b"\x00" in head:
            what = "a binary file, not text" + (" (and not gzip either)" if self.name.lower().endswith(".gz") else "")
            what += ". Choose the log itself"
        if what:
            raise LogError(f"{self.name}: this is {what}.")

    def _widened(self, block: bytes, line: int) -> bytes:
        if self._wide is None:
            return block
        try:
            text = self._wide.decode(block, final=not block).encode()
        except UnicodeError:
            raise LogError(
                f"{self.name}, after line {line}: the UTF-16 text is damaged or cut short. Save it again, as UTF-8."
            ) from None
        if b"\x00" in text:
            raise LogError(f"{self.name}: this is a binary file, not text. Choose the log itself.")
        return text

    def _decode(self, piece: bytes, line: int) -> str:
        try:
            text = piece.decode("utf-8-sig" if line == 1 else "utf-8")
        except UnicodeDecodeError as error:
            text = self._old(piece, line + piece.count(b"\n", 0, error.start), piece[error.start])
        return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text

    def _old(self, piece: bytes, line: int, byte: int) -> str:
        """Older Windows programs: every name and number of the format reads the same in it."""
        try:
            text = piece.decode("cp1252")
        except UnicodeDecodeError:
            raise LogError(
                f"{self.name}, line {line}: byte {byte:#04x} is not UTF-8 text, and the file is not Windows-1252 "
                "either. Is it a log at all? If it is, save it as CSV in UTF-8."
            ) from None
        if not self._narrow:
            self._narrow = True
            self.warnings.append(f"Not UTF-8 from line {line} on; read as Windows-1252 text.")
        return text


class _Csv:
    """Pieces of CSV text into rows of cells, and those into columns."""

    def __init__(self, name: str, keep_texts: bool) -> None:
        self.name = name
        self.made = Gather(name, keep_texts=keep_texts)
        self.header: list[str] = []
        self.delimiter = ""
        self.mark: str | None = None
        self.mark_line = 0
        self.blank_rows = 0

    def piece(self, first_line: int, text: str) -> None:
        """Whole lines."""
        numbers, rows = self._rows(first_line, text)
        if not self.header and rows:
            shown = rows.pop(0)
            self.header = [cell.strip().lower() for cell in shown]
            self.made.head(self.header, shown, f"{self.name}, line {numbers.pop(0)}")
        if rows:
            self._read_rows(rows, numbers, text)

    def end(self) -> Gather:
        """No more lines."""
        if not self.header:
            raise LogError(f"{self.name}: the file is empty; expected a line of column names and rows below it.")
        if self.blank_rows:
            self.made.warnings.append(f"{_count(self.blank_rows, 'row')} with no cell filled in left out.")
        return self.made

    def _rows(self, first_line: int, text: str) -> tuple[list[int], list[list[str]]]:
        """Cells of each row that is not blank, with their line numbers."""
        lines = text.split("\n")
        if not lines[-1]:
            lines.pop()
        if not self.header:
            first_line += self._separator(lines, first_line)
        reader = csv.reader(lines, delimiter=self.delimiter or ",", strict=True)
        try:
            rows = list(reader)
        except csv.Error as error:
            raise LogError(
                f"{self.name}, line {first_line + self._quote_fault(lines)}: can't be split into cells ({error}). "
                "Do its quotation marks pair up? This format needs none; remove them."
            ) from None
        if len(rows) != len(lines):
            raise LogError(
                f"{self.name}, line {first_line + self._quote_fault(lines)}: a quoted cell runs on over the line end. "
                "One row is one line; remove the quotes."
            )
        numbers = list(range(first_line, first_line + len(rows)))
        if any(not row or not row[0].strip() for row in rows):
            kept = [i for i, row in enumerate(rows) if any(cell.strip() for cell in row)]
            self.blank_rows += sum(1 for row in rows if len(row) > 1) - sum(1 for i in kept if len(rows[i]) > 1)
            numbers, rows = [numbers[i] for i in kept], [rows[i] for i in kept]
        return numbers, rows

    def _separator(self, lines: list[str], first_line: int) -> int:
        """Settle what separates cells; a line `sep=;` that spreadsheets write is taken off. Returns lines taken."""
        at = next((i for i, line in enumerate(lines) if line.strip()), None)
        if at is None or self.delimiter:
            return 0
        told = re.fullmatch(r'\s*"?sep=(.*?)"?\s*', lines[at], re.IGNORECASE | re.DOTALL)
        if not told:
            self.delimiter = _delimiter(lines[at])
            return 0
        mark = told[1] or ("\t" if "\t" in lines[at] else "")
        if mark not in (",", ";", "\t"):
            raise LogError(
                f"{self.name}, line {first_line + at}: found {_short(lines[at])}; expected a comma, a semicolon or a "
                "tab as separator. Save it with one of these."
            )
        self.delimiter = mark
        del lines[: at + 1]
        return at + 1

    def _quote_fault(self, lines: list[str]) -> int:
        """Index of the first line that is not a whole number of cells by itself."""
        for index, line in enumerate(lines):
            try:
                next(csv.reader([line], delimiter=self.delimiter or ",", strict=True), None)
            except csv.Error:
                return index
        return 0

    def _read_rows(self, rows: list[list[str]], numbers: list[int], text: str) -> None:
        width = len(self.header)
        if set(map(len, rows)) != {width}:
            row, line = next((r, n) for r, n in zip(rows, numbers, strict=True) if len(r) != width)
            commas = len(row) > width and self.delimiter == ","
            more = " Decimal commas? Then separate cells by semicolons." if commas else ""
            raise LogError(
                f"{self.name}, line {line}: {_count(len(row), 'cell')}, but the line of names has {width}. "
                f"Every row needs the same number.{more}"
            )
        columns = dict(zip(self.header, zip(*rows, strict=True), strict=True))
        # float() takes 1_000 and digits of other scripts; only text that can't hold them goes the quick way.
        strict = "_" in text or not text.isascii()
        leaps: list[int] = []
        times_us: Sequence[int] | Times
        times = columns[self.made.time_column]
        if self.made.time_column == "t_s":
            times_us = self._seconds(times, numbers, strict)
        else:
            times_us, leaps = moments(times, lambda index: self.made.at(numbers[index], "time_utc"))
        values = {name: self._numbers(name, columns[name], numbers, strict) for name in self.made.columns}
        self.made.add(numbers, times_us, times, values, lambda name, index: _short(columns[name][index]), leaps)

    def _seconds(self, cells: Sequence[str], numbers: list[int], strict: bool) -> Times:
        seconds = self._numbers("t_s", cells, numbers, strict)
        good = np.abs(seconds) <= _LONGEST_S
        if not good.all():
            index = int(np.argmin(good))
            raise LogError(
                f"{self.made.at(numbers[index], 't_s')}: found {_short(cells[index])}; expected seconds from the log's "
                "start. A row without a time can't be placed: remove it."
            )
        return us_of(seconds)

    def _numbers(self, name: str, cells: Sequence[str], numbers: list[int], strict: bool) -> Floats:
        """The numbers, NaN for empty cells."""
        cells = self._decimal_points(name, cells, numbers)
        empty = sum(not cell for cell in cells)
        if empty == len(cells) and name != "t_s":
            return np.full(len(cells), np.nan)
        if not strict:
            try:
                quick = np.array(
                    [float(cell) if cell else math.nan for cell in cells] if empty else list(map(float, cells))
                )
                # A NaN typed into the file is not an empty cell.
                if np.count_nonzero(np.isnan(quick)) == empty and name != "t_s" or not np.isnan(quick).any():
                    return quick
            except ValueError:
                pass
        words = {"true": 1.0, "false": 0.0} if name in FLAGS else {}
        values: list[float] = []
        for index, cell in enumerate(cells):
            if _NUMBER.fullmatch(cell):
                values.append(float(cell))
            elif not cell.strip() and name != "t_s":
                values.append(math.nan)
            elif cell.strip().lower() in words:
                values.append(words[cell.strip().lower()])
            else:
                raise LogError(self._not_a_number(name, cell, numbers[index]))
        return np.array(values)

    def _not_a_number(self, name: str, cell: str, line: int) -> str:
        where = self.made.at(line, name)
        if not cell.strip():
            return f"{where}: the cell is empty; expected seconds. A row without a time can't be placed: remove it."
        say = f"{where}: found {_short(cell)}; expected a number with a decimal point."
        if "," in cell:
            say += " A decimal comma is only understood where semicolons or tabs separate the cells."
        if cell.strip().lower() in ("nan", "na", "n/a", "null", "none", "-", "--", "?"):
            say += " Leave the cell empty where nothing was measured."
        return say

    def _decimal_points(self, name: str, cells: Sequence[str], numbers: list[int]) -> Sequence[str]:
        """Cells with points for decimal commas, as long as the whole file uses one of the two."""
        if self.delimiter == ",":
            return cells
        for index, cell in enumerate(cells):
            for mark in ",.":
                if mark in cell:
                    if self.mark not in (None, mark) or cell.count(mark) > 1:
                        raise LogError(
                            f"{self.name}, line {numbers[index]}, column {name}: found {_short(cell)}, though line "
                            f"{self.mark_line or numbers[index]} uses '{self.mark or mark}' as its decimal mark. Which "
                            "is meant can't be told: use one mark throughout and none for thousands."
                        )
                    if self.mark is None:
                        self.mark, self.mark_line = mark, numbers[index]
        return [cell.replace(",", ".") for cell in cells] if self.mark == "," else cells


def moments(cells: Sequence[str], at: Callable[[int], str]) -> tuple[list[int], list[int]]:
    """Microseconds since 1970 of ISO 8601 texts, and which of them are within a leap second."""
    found = _iso_quick(cells)
    leaps: list[int] = []
    if found is None:
        found = []
        for index, cell in enumerate(cells):
            try:
                stamp, leap = _iso_us(cell)
            except ValueError as error:
                raise LogError(f"{at(index)}: found {_short(cell)}; {error}.") from None
            if leap:
                leaps.append(index)
            found.append(stamp)
    return found, leaps


def _delimiter(header: str) -> str:
    """The separator that makes the most known column names of the first line; a comma when it can't be told."""
    known = {*TIME_COLUMNS, *ALL_COLUMNS}

    def names(delimiter: str) -> int:
        return sum(cell.strip().strip('"').lower() in known for cell in header.split(delimiter))

    return max(",;\t", key=names)


def _mean_of(name: str) -> str:
    return name.removesuffix("_min").removesuffix("_max")


def _nearest(name: str, candidates: Sequence[str]) -> str | None:
    """The candidate that looks like a slip of `name`, if any."""
    plain = re.sub(r"[^a-z_]+", "_", name.lower()).strip("_")
    found = difflib.get_close_matches(plain, candidates, 1, 0.72)
    return found[0] if found else None


def _nearest_note(names: Sequence[str], wanted: Sequence[str]) -> str:
    pairs = [(name, near) for name in names if name and (near := _nearest(name, wanted))]
    return "".join(f" Is {_short(name)} meant to be {near}?" for name, near in pairs)


def _short(text: str, most: int = 40) -> str:
    return repr(text if len(text) <= most else text[:most] + "...")


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _half_digit(text: str) -> float:
    """Half of one in the last place a cell shows: what rounding can have moved it by."""
    mantissa, _, exponent = text.strip().lower().replace(",", ".").partition("e")
    places = len(mantissa.partition(".")[2])
    try:
        return 0.5 * 10.0 ** (int(exponent or 0) - places)
    except (OverflowError, ValueError):
        return 0.0


def _iso_quick(cells: Sequence[str]) -> list[int] | None:
    """Microseconds since 1970 of cells that all look alike and plain; None when any needs the careful reader."""
    if len(set(map(len, cells))) != 1 or not _ISO.fullmatch(cells[0]) or not cells[0].isascii():
        return None
    try:
        moments = list(map(datetime.fromisoformat, cells))
        naive = moments[0].tzinfo is None
        epoch = _EPOCH.replace(tzinfo=None) if naive else _EPOCH
        days_s = [(moment - epoch) for moment in moments]
    except (ValueError, TypeError):
        return None
    return [d.days * _DAY_US + d.seconds * 1_000_000 + d.microseconds for d in days_s]


def _iso_us(cell: str) -> tuple[int, bool]:
    """Microseconds since 1970-01-01T00:00Z, and whether the cell is within a leap second (:60)."""
    match = _ISO.fullmatch(cell)
    if not cell.strip():
        raise ValueError(f"{_TIME_HELP}. A row without a time can't be placed: remove it")
    if not match:
        raise ValueError(f"{_TIME_HELP}, an offset in place of Z, or bare for UTC")
    year, month, day, hour, minute = map(int, match.group(1, 2, 3, 4, 5))
    second = int(match[6] or 0)
    micro = int(((match[7] or "") + "000000")[:6])
    if hour > 24 or minute > 59 or second > 60 or (hour == 24 and (minute or second or micro)):
        raise ValueError(f"{_TIME_HELP}; hours go to 23 (or 24:00:00), minutes and seconds to 59")
    try:
        days = (datetime(year, month, day) - datetime(1970, 1, 1)).days
    except ValueError:
        raise ValueError(f"{_TIME_HELP}; there is no such day") from None
    offset_min = int(match[10] or 0) * 60 + int(match[11] or 0)
    if offset_min > 24 * 60 or int(match[11] or 0) > 59:
        raise ValueError(f"{_TIME_HELP}; the offset from UTC can't be right")
    offset_s = 60 * (-offset_min if match[9] == "-" else offset_min)
    seconds = ((days * 24 + hour) * 60 + minute) * 60 + second - offset_s
    return seconds * 1_000_000 + micro, second == 60


def _spread_leap_second(times_us: list[int], leap_rows: list[int]) -> None:
    """
    Make room for a leap second where rows show one.

    Seconds since 1970 have no 23:59:60; its rows fall onto 00:00:00 of the
    next day and collide with the rows there. From such a collision on the
    log's clock runs one second ahead, so that every step stays true. A lone
    ":60" that collides with nothing (a logger that rounds up) moves nothing.
    """
    leaps = set(leap_rows)
    shift_us = 0
    for row in range(1, len(times_us)):
        times_us[row] += shift_us
        behind_us = times_us[row - 1] - times_us[row]
        if row - 1 in leaps and row not in leaps and 0 <= behind_us < 1_000_000:
            shift_us += 1_000_000
            times_us[row] += 1_000_000


def _usual_step(steps_s: Floats, row: int) -> float:
    """Median of the ordinary steps just before `row`, or just after it where there are none, or of all. [s]"""
    for beside in (steps_s[max(0, row - 9) : row], steps_s[row + 1 : row + 10], steps_s):
        ordinary = beside[beside <= LONGEST_ROW_S]
        if ordinary.size:
            return float(statistics.median_low(ordinary.tolist()))
    raise AssertionError("a log without one ordinary step was refused before")


# -- writing -------------------------------------------------------------------------------------


@contextmanager
def whole_files(*paths: str | os.PathLike[str]) -> Iterator[list[TextIO]]:
    """
    Text files that appear under `paths` complete and together, or not at all.

    Lines go to temporary files beside the targets. When the block ends
    without an error all of them are finished first and then put in place;
    otherwise they are removed and what was there before stays. A name ending
    in .gz is written as gzip.

    Raises
    ------
    LogError
        A folder is missing or can't be written, a target is not a plain file,
        the disk is full.
    """
    parts: list[tuple[Path, Path]] = []
    try:
        with ExitStack() as unfinished:
            texts = []
            for path in paths:
                target = Path(os.path.realpath(path))
                if target.exists() and not target.is_file():
                    raise LogError(f"{path}: is not a plain file; choose another name.")
                part = target.with_name(f".{target.name[:100]}.{secrets.token_hex(4)}.part")
                parts.append((part, target))
                texts.append(unfinished.enter_context(_part_file(part, target.name.lower().endswith(".gz"))))
            yield texts
        for part, target in parts:
            os.replace(part, target)
    except OSError as error:
        names, why = " and ".join(str(path) for path in paths), error.strerror or error
        raise LogError(
            f"{names}: can't be written ({why}). Does the folder exist, may you write there, is the disk full?"
        ) from error
    finally:
        for part, _ in parts:
            part.unlink(missing_ok=True)


@contextmanager
def _part_file(part: Path, packed: bool) -> Iterator[TextIO]:
    """A new text file, on the disk to its last byte when the block ends without an error."""
    # Not tempfile: its files are readable by their owner alone, and this one becomes the user's.
    flags = os.O_CREAT | os.O_EXCL | os.O_WRONLY | getattr(os, "O_BINARY", 0)
    with os.fdopen(os.open(part, flags, 0o666), "wb") as raw:
        squeezed = gzip.GzipFile(filename="", mode="wb", fileobj=raw, mtime=0) if packed else None
        text = io.TextIOWrapper(cast(IO[bytes], squeezed or raw), encoding="utf-8", newline="")
        try:
            yield text
        finally:
            text.detach()
            if squeezed:
                squeezed.close()
        raw.flush()
        os.fsync(raw.fileno())


def write_log(
    target: str | os.PathLike[str] | TextIO,
    intervals: Iterable[Interval],
    *,
    time_column: str = "time_utc",
    columns: Sequence[str] | None = None,
) -> int:
    """
    Write intervals as an exact log in CSV, which reads back as the same intervals.

    Parameters
    ----------
    target : path (gzip when it ends in .gz; appears whole or not at all) or an open text file
    intervals : in time order
    time_column : "time_utc" (times are seconds since 1970) or "t_s".
    columns : columns to write beside dt_s; None for all that say anything.

    Returns
    -------
    int
        Rows written.

    Raises
    ------
    LogError
        Intervals the format can't hold, or a target that can't be written.

    Notes
    -----
    Times are kept to 1 us. Time of which no interval tells gets a row without values. Taps of solar and load
    without a value are written as there or not there (`solar_tap`, `load_tap`).
    """
    if time_column not in TIME_COLUMNS:
        raise LogError(f"time column {time_column!r}: expected time_utc or t_s.")
    pieces = list(rows_of(intervals, time_column == "time_utc"))
    if not pieces:
        raise LogError("There is nothing to write: no intervals in this span.")
    if columns is None:
        columns = [name for name in ALL_COLUMNS[1:] if name in REQUIRED or any(_says(rows, name) for rows in pieces)]
    if unknown := [name for name in columns if name not in ALL_COLUMNS]:
        raise LogError(f"columns {', '.join(unknown)}: not part of the format.")
    names = (time_column, "dt_s", *(name for name in columns if name != "dt_s"))
    with ExitStack() as block:
        text = block.enter_context(whole_files(target))[0] if isinstance(target, (str, os.PathLike)) else target
        text.write(",".join(names) + "\n")
        for rows in pieces:
            text.write(csv_text(rows, names))
    return sum(len(rows.start_us) for rows in pieces)


def _says(rows: Rows, name: str) -> bool:
    """Whether reading without this column would give something else."""
    column = rows.values[name]
    if name.endswith("_tap"):
        tap = name.partition("_")[0]
        values = [rows.values[f"{tap}_{what}"] for what in ("v", "a", "v_min", "v_max", "a_min", "a_max", "as", "ws")]
        return bool(((column == 1) & np.isnan(values).all(axis=0)).any())
    if name.startswith("own") or name in ("unsure_s", "at_panel") or name.endswith(("_beyond", "_trouble")):
        return bool((column != 0).any() or np.signbit(column).any())
    if name.endswith("_as"):
        return bool(not np.isnan(column).all() or not np.isnan(rows.values[name[:-1]]).all())
    # The lowest and highest are only read beside their mean.
    ends = [f"{name}_min", f"{name}_max"] if name in MEAN_COLUMNS else []
    return not all(np.isnan(rows.values[n]).all() for n in (name, *ends))


def rows_of(intervals: Iterable[Interval], dated: bool = True) -> Iterator[Rows]:
    """
    Intervals as columns, some thousand at a time, times to 1 us, unseen time as rows without values.

    dated : times are since 1970. Raises LogError for what a log can't hold.
    """
    last: tuple[int, float] | None = None
    source = iter(intervals)
    while items := list(islice(source, _AT_ONCE)):
        rows = _columns(items, dated)
        if last is not None:
            # The last row of the piece before stands in front, for the hole there may be between.
            start_us = np.concatenate(([last[0]], rows.start_us))
            values = {name: np.concatenate(([np.nan], column)) for name, column in rows.values.items()}
            values["dt_s"][0] = last[1]
            rows = Rows(start_us, values)
        _part_times(rows.start_us)
        holes = _holes(rows)
        rows = _with_holes(rows, list(holes), list(holes.values()))
        if last is not None:
            rows = Rows(rows.start_us[1:], {name: column[1:] for name, column in rows.values.items()})
        last = int(rows.start_us[-1]), float(rows.values["dt_s"][-1])
        yield rows


def _part_times(start_us: Times) -> None:
    """Two rows that round to the same microsecond, or the next before it, are put a microsecond apart."""
    step = np.diff(start_us)
    if not ((step <= 0) & (step > -2)).any():
        return
    for i in range(1, len(start_us)):
        if -2 < start_us[i] - start_us[i - 1] <= 0:
            start_us[i] = start_us[i - 1] + 1


def _columns(items: list[Interval], dated: bool) -> Rows:
    nothing = Tap()
    values: dict[str, Floats] = {}

    def put(name: str, cells: list[Any]) -> None:
        column = np.array(cells, dtype=np.float64)
        if np.isinf(column).any() or np.count_nonzero(np.isnan(column)) != cells.count(None):
            raise LogError(f"A value that is not a number can't be written (column {name}).")
        values[name] = column

    put("dt_s", [item.dt_s for item in items])
    for tap_name in TAPS:
        taps: list[Tap | None] = [getattr(item, tap_name) for item in items]
        found = [tap or nothing for tap in taps]
        for field in ("v", "a", "v_min", "v_max", "a_min", "a_max"):
            put(f"{tap_name}_{field}", [getattr(tap, field) for tap in found])
        put(f"{tap_name}_as", [tap.charge_c for tap in found])
        put(f"{tap_name}_ws", [tap.energy_j for tap in found])
        for what in ("beyond", "trouble"):
            put(f"{tap_name}_{what}", [getattr(tap, what) for tap in found])
        if tap_name != "battery":
            put(f"{tap_name}_tap", [tap is not None for tap in taps])
    for name in ("battery_c", "own_a", "own_in_load", "unsure_s", "at_panel"):
        put(name, [getattr(item, name) for item in items])
    start_s = np.array([item.start_s for item in items], dtype=np.float64)
    bad = ~((values["dt_s"] > 0) & (values["dt_s"] <= _LONGEST_S))
    if bad.any():
        raise LogError(
            f"An interval of {values['dt_s'][np.argmax(bad)]:g} s can't be written; a row lasts longer than 0 s."
        )
    far = ~(np.abs(start_s) <= 3e11)
    start_us = us_of(np.where(far, 0.0, start_s))
    far |= (start_us < _YEAR_1_US) | (start_us >= _YEAR_10000_US) if dated else np.abs(start_s) > _LONGEST_S
    if far.any():
        told = "between the years 1 and 9999" if dated else "a log can hold"
        raise LogError(f"{start_s[np.argmax(far)]:g} s is not a time {told}.")
    if (values["unsure_s"] < 0).any():
        raise LogError("A doubt about the time of less than 0 s can't be written.")
    return Rows(start_us, values)


def texts_of(rows: Rows, name: str) -> list[str]:
    """One column as text, "" for what is not known; numbers as the shortest decimals that read back the same."""
    if name == "time_utc":
        return stamps(rows.start_us)
    if name == "t_s":
        return list(map(repr, seconds_of(rows.start_us)))
    column = rows.values[name]
    if name in FLAGS:
        return [str(int(x)) if x == x else "" for x in column.tolist()]
    missing = np.isnan(column)
    if missing.all():
        return [""] * len(column)
    texts = list(map(repr, column.tolist()))
    return [text if text != "nan" else "" for text in texts] if missing.any() else texts


def stamps(start_us: Times) -> list[str]:
    """ISO 8601, UTC, to the microsecond."""
    moments_us = np.datetime_as_string(start_us.astype("datetime64[us]"), unit="us")
    return [text + "Z" for text in moments_us.tolist()]


def csv_text(rows: Rows, names: Sequence[str], note: str | None = None) -> str:
    """Rows as lines of CSV, with a last cell that holds the note in the first of them, when there is one."""
    cells = [texts_of(rows, name) for name in names]
    if note is not None:
        cells.append([text_cell(note), *[""] * (len(rows.start_us) - 1)])
    return "".join(",".join(row) + "\n" for row in zip(*cells, strict=True))


def text_cell(text: str) -> str:
    """
    A text as a cell of CSV, on one line.

    A spreadsheet takes a cell that begins with one of = + - @, a tab or a line end for a formula, so such a text
    gets an apostrophe before it; numbers are never written this way.
    """
    formula = text.strip(" ")[:1] in ("=", "+", "-", "@", "\t", "\r", "\n") and text.strip() != ""
    text = plain(text, 2000)
    line = io.StringIO()
    csv.writer(line, lineterminator="").writerow([("'" if formula else "") + text])
    return line.getvalue() if text else ""
