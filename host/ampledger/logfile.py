"""
The log file: an open CSV of volts and amps, read into `Interval`s and written from them.

What comes in is a file, plain or gzip (told apart by its first bytes, not by
its name); what goes out is a `Log`: the rows' time texts exactly as found, the
intervals they stand for, and which interval belongs to which row. What this
never does: guess a value, reorder rows, fill a hole, or hand back a part of a
file that is wrong somewhere. Anything wrong is a `LogError` that says the
file, line and column, what was found, what was expected and what to do.

The format (host/LOGFORMAT.md says the same to users)
------------------------------------------------------
UTF-8 text, one line of column names, then one line per row; cells separated by
commas, or all by semicolons, or all by tabs. Exactly one time column:

    time_utc   ISO 8601 date and time: 2026-09-12T22:10:00.5Z, an offset in
               place of Z, or bare, which means UTC.                     [-]
    t_s        seconds from any zero, rising.                           [s]

and any of these, `battery_v` and `battery_a` always among them:

    solar_v solar_a battery_v battery_a load_v load_a              [V], [A]
    each also with _min and _max: lowest and highest within the row
    battery_c  temperature at the battery                            [degC]

A row holds means over its interval. Its time stamp is the START of the
interval; its length is the step to the next row, at most 60 s, and the last
row's length is that of the row before. A step longer than 60 s is a gap: the
row before it then has the usual length (the median of the steps beside it)
and the rest is an interval in which nothing was seen. `battery_a` is positive
when charging, `solar_a` when delivering, `load_a` when drawing. An empty cell
is a value that was not measured. With semicolons or tabs a decimal comma is
read, if the file uses one decimal mark throughout.
"""

from __future__ import annotations

import csv
import difflib
import gc
import gzip
import io
import os
import re
import secrets
import statistics
import zlib
from array import array
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import repeat
from operator import attrgetter
from pathlib import Path
from typing import IO, BinaryIO, TextIO, cast

import numpy as np
from numpy.typing import NDArray

from ampledger.core.model import Interval, Tap
from ampledger.errors import LogError

TIME_COLUMNS = ("time_utc", "t_s")
MEAN_COLUMNS = ("solar_v", "solar_a", "battery_v", "battery_a", "load_v", "load_a")
REQUIRED = ("battery_v", "battery_a")
VALUE_COLUMNS = (*(mean + end for mean in MEAN_COLUMNS for end in ("", "_min", "_max")), "battery_c")
LONGEST_ROW_S = 60.0
SHORTEST_ROW_S = 0.1

# Beyond these a cell is a slip (milliamps, a swapped column), not a portable station.
_RANGES = {"v": (-1.0, 120.0, "V"), "a": (-1000.0, 1000.0, "A"), "c": (-60.0, 120.0, "degC")}
# Bounds on what one file may make this process hold; a gzip file can unpack to a thousand times its size.
MOST_BYTES = 1 << 30
MOST_ROWS = 4_000_000
LONGEST_LINE_BYTES = 1 << 20
_BLOCK = 1 << 20

_NUMBER = re.compile(r"\s*[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?\s*")
_ISO = re.compile(
    r"\s*([0-9]{4})-([0-9]{2})-([0-9]{2})[T ]([0-9]{2}):([0-9]{2})(?::([0-9]{2})(?:[.,]([0-9]{1,12}))?)?"
    r"(?:([Zz])|([+-])([0-9]{2}):?([0-9]{2})?)?\s*",
    re.IGNORECASE,
)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DAY_US = 86_400_000_000
_TIME_HELP = "expected an ISO 8601 date and time such as 2026-09-12T22:10:00Z"


@dataclass(frozen=True, slots=True)
class Log:
    """
    One log file, read.

    time_column : "time_utc" or "t_s".
    times_text : each row's time cell exactly as it stood in the file, one per row.
    intervals : in time order, without holes; a gap is an interval of its own
        whose battery values are all None.
    columns : the value columns read, in the file's order.
    warnings : sentences about what was left out or looked odd.
    row_interval : for each row, the index of its interval in `intervals`.
    """

    time_column: str
    times_text: list[str]
    intervals: list[Interval]
    columns: tuple[str, ...]
    warnings: tuple[str, ...]
    row_interval: Sequence[int]

    @property
    def gaps(self) -> int:
        """How many gaps (steps of more than 60 s) the log has."""
        return len(self.intervals) - len(self.times_text)


def read_log(source: str | os.PathLike[str] | BinaryIO, name: str | None = None) -> Log:
    """
    Read a log file, plain or gzip.

    Parameters
    ----------
    source : path, or a binary stream that can seek
    name : what to call it in messages; the path's last part when not given.

    Returns
    -------
    Log

    Raises
    ------
    LogError
        Anything that keeps the file from being read whole and believed.
    """
    if isinstance(source, (str, os.PathLike)):
        name = name or os.path.basename(os.fspath(source))
        try:
            with open(source, "rb") as stream, _collector_paused():
                return _read_stream(stream, name)
        except OSError as error:
            why = error.strerror or error
            raise LogError(f"{name}: can't be read ({why}). Check the path and its rights.") from None
    with _collector_paused():
        return _read_stream(source, name or "log")


@contextmanager
def _collector_paused() -> Iterator[None]:
    """A million small objects, all kept, none in a cycle: looking for cycles among them doubles the reading time."""
    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()


def _read_stream(stream: BinaryIO, name: str) -> Log:
    head = stream.read(4096)
    stream.seek(0)
    if head[:2] == b"\x1f\x8b":
        with gzip.GzipFile(fileobj=stream) as unpacked:
            return _Reader(name).read(cast(BinaryIO, unpacked), packed=True)
    reader = _Reader(name)
    if name.lower().endswith(".gz") and head:
        reader.warnings.append(f"{name} is not gzip in spite of its name; read as plain text.")
    return reader.read(stream, packed=False)


class _Reader:
    """One pass over one file: pieces of about 1 MiB of whole lines, each turned into columns."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.warnings: list[str] = []
        self.header: list[str] = []
        self.delimiter = ","
        self.time_column = ""
        self.times_text: list[str] = []
        self.times_us: list[int] = []
        self.starts_s: list[float] = []
        self.leap_rows: list[int] = []
        self.values: dict[str, list[float | None]] = {}
        self.holes: set[str] = set()
        self.lines = array("L")
        self.mark: str | None = None
        self.mark_line = 0
        self.blank_rows = 0

    # -- bytes to rows ---------------------------------------------------------------------------

    def read(self, stream: BinaryIO, packed: bool) -> Log:
        for first_line, text in self._pieces(stream, packed):
            numbers, rows = self._rows(first_line, text)
            if not self.header and rows:
                self._read_header(rows.pop(0), numbers.pop(0))
            if rows:
                self._read_rows(rows, numbers, text)
        if not self.header:
            raise LogError(f"{self.name}: the file is empty; expected a line of column names and rows below it.")
        return self._finish()

    def _pieces(self, stream: BinaryIO, packed: bool) -> Iterator[tuple[int, str]]:
        """Whole lines of text, about a block at a time, with the number of the first line."""
        line, held, total = 1, b"", 0
        while True:
            block = self._block(stream, packed)
            total += len(block)
            if total == len(block):
                self._refuse_other_files(block)
            if total > MOST_BYTES:
                raise LogError(f"{self.name}: more than {MOST_BYTES >> 20} MiB of text. Split it into shorter logs.")
            held += block
            cut = self._cut(held) if block else len(held)
            if not block and not held:
                return
            if cut == 0 and len(held) > LONGEST_LINE_BYTES:
                raise LogError(f"{self.name}, line {line}: longer than 1 MiB; this is no log of rows.")
            piece, held = held[:cut], held[cut:]
            if piece:
                text = self._decode(piece, line)
                yield line, text
                line += text.count("\n")

    def _block(self, stream: BinaryIO, packed: bool) -> bytes:
        try:
            return stream.read(_BLOCK)
        except EOFError:
            fault = "the gzip data end too early: the file was cut short while copying or writing"
        except (gzip.BadGzipFile, zlib.error) as error:
            fault = f"the gzip data are damaged ({error})"
        except OSError as error:
            raise LogError(f"{self.name}: reading failed ({error.strerror or error}).") from None
        assert packed
        raise LogError(f"{self.name}: {fault}. Nothing was read; copy the file again.")

    @staticmethod
    def _cut(held: bytes) -> int:
        """Length of the whole lines in `held`; a carriage return at the very end may be half a line end."""
        newline = held.rfind(b"\n")
        return newline + 1 if newline >= 0 else held.rfind(b"\r", 0, -1) + 1

    def _refuse_other_files(self, head: bytes) -> None:
        what = None
        if head[:4] == b"PK\x03\x04":
            what = "a zip or spreadsheet file. Unpack it, or save the sheet as CSV"
        elif head[:2] in (b"\xff\xfe", b"\xfe\xff"):
            what = "UTF-16 text. Save it as CSV in UTF-8"
        elif b"\x00" in head:
            what = "a binary file, not text" + (" (and not gzip either)" if self.name.lower().endswith(".gz") else "")
            what += ". Choose the log's .csv or .csv.gz"
        if what:
            raise LogError(f"{self.name}: this is {what}.")

    def _decode(self, piece: bytes, line: int) -> str:
        try:
            text = piece.decode("utf-8-sig" if line == 1 else "utf-8")
        except UnicodeDecodeError as error:
            line += piece.count(b"\n", 0, error.start)
            raise LogError(
                f"{self.name}, line {line}: byte {piece[error.start]:#04x} is not UTF-8 text. "
                "Is it a log at all? If it is, save it as CSV in UTF-8."
            ) from None
        return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text

    def _rows(self, first_line: int, text: str) -> tuple[list[int], list[list[str]]]:
        """Cells of each row that is not blank, with their line numbers."""
        lines = text.split("\n")
        if not lines[-1]:
            lines.pop()
        if not self.header:
            self.delimiter = _delimiter(next((line for line in lines if line.strip()), ""))
        reader = csv.reader(lines, delimiter=self.delimiter, strict=True)
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

    def _quote_fault(self, lines: list[str]) -> int:
        """Index of the first line that is not a whole number of cells by itself."""
        for index, line in enumerate(lines):
            try:
                next(csv.reader([line], delimiter=self.delimiter, strict=True), None)
            except csv.Error:
                return index
        return 0

    # -- header ----------------------------------------------------------------------------------

    def _read_header(self, cells: list[str], line: int) -> None:
        names = [cell.strip().lower() for cell in cells]
        where = f"{self.name}, line {line}"
        for column in (*TIME_COLUMNS, *VALUE_COLUMNS):
            if names.count(column) > 1:
                raise LogError(f"{where}: the column {column} is there {names.count(column)} times. Keep one.")
        times = [name for name in names if name in TIME_COLUMNS]
        if len(times) != 1:
            found = "both time_utc and t_s are there" if times else f"no time column in {_short(', '.join(cells), 80)}"
            raise LogError(
                f"{where}: {found}; expected column names with exactly one of time_utc (ISO 8601) and t_s "
                f"(seconds).{'' if times else _nearest_note(names, TIME_COLUMNS)}"
            )
        missing = [column for column in REQUIRED if column not in names]
        if missing:
            raise LogError(
                f"{where}: no column {' and '.join(missing)}; battery_v and battery_a are always needed."
                + _nearest_note([n for n in names if n not in VALUE_COLUMNS], missing)
            )
        self.header, self.time_column = names, times[0]
        self._warn_of_extras(names, cells)
        self.values = {name: [] for name in names if name in VALUE_COLUMNS and _mean_of(name) in names}

    def _warn_of_extras(self, names: list[str], cells: list[str]) -> None:
        for name, cell in zip(names, cells, strict=True):
            if name in TIME_COLUMNS:
                continue
            if name in VALUE_COLUMNS:
                if _mean_of(name) not in names:
                    self.warnings.append(f"Column {name} is left out: it needs {_mean_of(name)} beside it.")
                continue
            shown = f"Column {_short(cell)}" if name else "A column without a name"
            near = _nearest(name, [column for column in VALUE_COLUMNS if column not in names])
            hint = f" Did you mean {near}?" if near else ""
            self.warnings.append(f"{shown} is not part of the format and was left out.{hint}")

    # -- rows to columns -------------------------------------------------------------------------

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
        if len(self.lines) + len(rows) > MOST_ROWS:
            raise LogError(f"{self.name}: more than {MOST_ROWS:,} rows. Split it into shorter logs.")
        columns = dict(zip(self.header, zip(*rows, strict=True), strict=True))
        # float() takes 1_000 and digits of other scripts; only text that can't hold them goes the quick way.
        strict = "_" in text or not text.isascii()
        self._read_times(columns[self.time_column], numbers, strict)
        arrays = {}
        for name in self.values:
            numeric = self._numbers(name, columns[name], numbers, strict)
            arrays[name] = self._in_range(name, numeric, columns[name], numbers)
            self.values[name].extend(numeric)
            if None in numeric:
                self.holes.add(name)
        self._check_order(arrays, columns, numbers)
        self.lines.extend(numbers)

    def _numbers(self, name: str, cells: Sequence[str], numbers: list[int], strict: bool) -> list[float | None]:
        cells = self._decimal_points(name, cells, numbers)
        if not strict:
            try:
                return list(map(float, cells))
            except ValueError:
                pass
        values: list[float | None] = []
        for index, cell in enumerate(cells):
            if _NUMBER.fullmatch(cell):
                values.append(float(cell))
            elif not cell.strip() and name != "t_s":
                values.append(None)
            else:
                raise LogError(self._not_a_number(name, cell, numbers[index]))
        return values

    def _not_a_number(self, name: str, cell: str, line: int) -> str:
        where = f"{self.name}, line {line}, column {name}"
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

    def _in_range(
        self, name: str, values: list[float | None], cells: Sequence[str], numbers: list[int]
    ) -> NDArray[np.float64]:
        """The values as an array, NaN where missing; refuses what no portable station shows."""
        low, high, unit = _RANGES[name.removesuffix("_min").removesuffix("_max")[-1]]
        numbers_array = np.array(values, dtype=np.float64)
        missing = np.array([value is None for value in values]) if None in values else None
        # A NaN typed into the file fails this as it should: it is not inside the range.
        good = (numbers_array >= low) & (numbers_array <= high)
        if missing is not None:
            good |= missing
        if not good.all():
            index = int(np.argmin(good))
            value = cast(float, values[index])
            say = f"{self.name}, line {numbers[index]}, column {name}: found {_short(cells[index])}; "
            if value != value or abs(value) == float("inf"):
                raise LogError(f"{say}expected a number. Leave the cell empty where nothing was measured.")
            raise LogError(f"{say}expected {low:g} to {high:g} {unit}. Is the unit or the column wrong?")
        return numbers_array

    def _check_order(
        self,
        arrays: dict[str, NDArray[np.float64]],
        columns: dict[str, tuple[str, ...]],
        numbers: list[int],
    ) -> None:
        """Lowest <= mean <= highest, up to the rounding of the cells as printed."""
        for mean in MEAN_COLUMNS:
            for small, large in ((mean + "_min", mean), (mean, mean + "_max"), (mean + "_min", mean + "_max")):
                if small not in arrays or large not in arrays:
                    continue
                for index in np.flatnonzero(arrays[small] > arrays[large]):
                    texts = columns[small][index], columns[large][index]
                    if arrays[small][index] - arrays[large][index] > sum(map(_half_digit, texts)) + 1e-9:
                        raise LogError(
                            f"{self.name}, line {numbers[index]}, column {small}: {texts[0].strip()} is above {large} "
                            f"{texts[1].strip()}; expected lowest <= mean <= highest. Are the columns swapped?"
                        )

    # -- times -----------------------------------------------------------------------------------

    def _read_times(self, cells: Sequence[str], numbers: list[int], strict: bool) -> None:
        first_row = len(self.times_text)
        self.times_text.extend(cells)
        if self.time_column == "t_s":
            seconds = cast(list[float], self._numbers("t_s", cells, numbers, strict))
            for index, value in enumerate(seconds):
                if not abs(value) <= 1e11:
                    where = f"{self.name}, line {numbers[index]}, column t_s"
                    raise LogError(f"{where}: found {_short(cells[index])}; expected seconds from the log's start.")
            self.starts_s.extend(seconds)
            self.times_us.extend([round(value * 1e6) for value in seconds])
            return
        stamps = _iso_quick(cells)
        if stamps is None:
            stamps = []
            for index, cell in enumerate(cells):
                try:
                    stamp, leap = _iso_us(cell)
                except ValueError as error:
                    raise LogError(
                        f"{self.name}, line {numbers[index]}, column time_utc: found {_short(cell)}; {error}."
                    ) from None
                if leap:
                    self.leap_rows.append(first_row + index)
                stamps.append(stamp)
        self.times_us.extend(stamps)

    def _finish(self) -> Log:
        count = len(self.times_us)
        if count < 2:
            what = "the line of names is all there is" if not count else "one row only, so its length can't be known"
            raise LogError(f"{self.name}: {what}; expected at least two rows.")
        if self.blank_rows:
            self.warnings.append(f"{_count(self.blank_rows, 'row')} with no cell filled in left out.")
        if self.leap_rows:
            _spread_leap_second(self.times_us, self.leap_rows)
        times_us = np.array(self.times_us, dtype=np.int64)
        steps_us = times_us[1:] - times_us[:-1]
        self._check_times(steps_us)
        lengths_s, gap_after = self._lengths(steps_us)
        if self.time_column == "time_utc":
            self.starts_s = (times_us / 1e6).tolist()
        rows = self._intervals(lengths_s)
        intervals, row_interval = _with_gaps(rows, gap_after)
        return Log(self.time_column, self.times_text, intervals, tuple(self.values), tuple(self.warnings), row_interval)

    def _check_times(self, steps_us: NDArray[np.int64]) -> None:
        if steps_us.min() > 0:
            return
        row = int(np.argmax(steps_us <= 0)) + 1
        step_s = steps_us[row - 1] / 1e6
        what = "the same time as" if step_s == 0 else f"{-step_s:g} s before"
        hint = ""
        if self.time_column == "time_utc" and -3600 <= step_s < -3000:
            hint = " Local time put back by an hour? The column is UTC."
        raise LogError(
            f"{self.name}, line {self.lines[row]}, column {self.time_column}: {_short(self.times_text[row])} is {what} "
            f"line {self.lines[row - 1]}; expected rows in time order, each time once. Sort the rows, or remove what "
            f"is there twice.{hint}"
        )

    def _lengths(self, steps_us: NDArray[np.int64]) -> tuple[list[float], list[int]]:
        """Length of every row [s], and the rows that a gap follows."""
        steps_s = np.round(steps_us / 1e6, 6)
        gap_after = np.flatnonzero(steps_s > LONGEST_ROW_S).tolist()
        ordinary = steps_s[steps_s <= LONGEST_ROW_S]
        if not ordinary.size:
            unit = " Is t_s in milliseconds? It is in seconds." if self.time_column == "t_s" else ""
            raise LogError(
                f"{self.name}: the rows are {np.median(steps_s):g} s apart; expected means over at most "
                f"{LONGEST_ROW_S:g} s, one after the other.{unit}"
            )
        self._warn_of_steps(steps_s, float(np.median(ordinary)))
        lengths = steps_s.tolist()
        for row in gap_after:
            lengths[row] = _usual_step(steps_s, row)
        return [*lengths, lengths[-1]], gap_after

    def _warn_of_steps(self, steps_s: NDArray[np.float64], usual_s: float) -> None:
        if usual_s < 0.9 * SHORTEST_ROW_S:
            self.warnings.append(f"Rows are {usual_s:g} s long; the format is made for {SHORTEST_ROW_S:g} s and more.")
        # A row is by definition a mean up to the next row, but a logger that paused a while wrote no such mean.
        odd = np.flatnonzero((steps_s > max(10 * usual_s, 5.0)) & (steps_s <= LONGEST_ROW_S))
        if odd.size:
            self.warnings.append(
                f"{_count(int(odd.size), 'row')} more than ten times as long as usual, first on line "
                f"{self.lines[int(odd[0])]} ({steps_s[odd[0]]:g} s against {usual_s:g} s): each was taken as the mean "
                "up to the next row. If the logger paused there, add a row with empty cells where it stopped."
            )

    # -- columns to intervals --------------------------------------------------------------------

    def _intervals(self, lengths_s: list[float]) -> list[Interval]:
        battery = cast(list[Tap], self._taps("battery", lengths_s))
        empty: Iterable[None] = repeat(None)
        solar = self._taps("solar", lengths_s) or empty
        load = self._taps("load", lengths_s) or empty
        celsius: Iterable[float | None] = self.values.get("battery_c") or empty
        return list(map(Interval, self.starts_s, lengths_s, battery, solar, load, celsius))

    def _taps(self, tap: str, lengths_s: list[float]) -> list[Tap | None] | list[Tap] | None:
        """One tap per row; None for a whole tap the file lacks, and for a row of solar or load without a value."""
        names = [name for name in self.values if name.startswith(tap + "_") and name != "battery_c"]
        if not names:
            return None
        fields: dict[str, list[float | None]] = {name[len(tap) + 1 :]: self.values[name] for name in names}
        amps = fields.get("a")
        charge: Iterable[float | None] = repeat(None)
        if amps is not None and f"{tap}_a" not in self.holes:
            charge = (np.array(amps) * np.array(lengths_s)).tolist()
        elif amps is not None:
            charge = [None if a is None else a * dt for a, dt in zip(amps, lengths_s, strict=True)]
        empty: Iterable[None] = repeat(None)
        ends = [fields.get(key) or empty for key in ("v_min", "v_max", "a_min", "a_max")]
        taps = list(map(Tap, fields.get("v") or empty, amps or empty, charge, *ends))
        if tap != "battery" and self.holes.intersection(names):
            nothing = Tap()
            return [None if made == nothing else made for made in taps]
        return taps


def _delimiter(header: str) -> str:
    """The separator that makes the most known column names of the first line; a comma when it can't be told."""
    known = {*TIME_COLUMNS, *VALUE_COLUMNS}

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
    return 0.5 * 10.0 ** (int(exponent or 0) - places)


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


def _usual_step(steps_s: NDArray[np.float64], row: int) -> float:
    """Median of the ordinary steps just before `row`, or just after it where there are none, or of all. [s]"""
    for beside in (steps_s[max(0, row - 9) : row], steps_s[row + 1 : row + 10], steps_s):
        ordinary = beside[beside <= LONGEST_ROW_S]
        if ordinary.size:
            return float(statistics.median_low(ordinary.tolist()))
    raise AssertionError("a log without one ordinary step was refused before")


def _with_gaps(rows: list[Interval], gap_after: list[int]) -> tuple[list[Interval], Sequence[int]]:
    """The rows' intervals with one more for the unseen time after each of `gap_after`, and where each row went."""
    if not gap_after:
        return rows, range(len(rows))
    intervals: list[Interval] = []
    row_interval = array("L")
    begin = 0
    for row in gap_after:
        row_interval.extend(range(len(intervals), len(intervals) + row + 1 - begin))
        intervals.extend(rows[begin : row + 1])
        gap_s = rows[row + 1].start_s - rows[row].end_s
        intervals.append(Interval(rows[row].end_s, round(gap_s, 6), Tap()))
        begin = row + 1
    row_interval.extend(range(len(intervals), len(intervals) + len(rows) - begin))
    return intervals + rows[begin:], row_interval


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
    Write intervals as a log that `read_log` reads back.

    Parameters
    ----------
    target : path (gzip when it ends in .gz; appears whole or not at all) or an open text file
    intervals : in time order, none overlapping the next by more than a tenth of its length
    time_column : "time_utc" (times are seconds since 1970) or "t_s".
    columns : value columns to write; None for all that hold at least one value.

    Returns
    -------
    int
        Rows written, those without a value included.

    Raises
    ------
    LogError
        Intervals the format can't hold, or a target that can't be written.

    Notes
    -----
    A row lasts until the next one, so a hole is written as a row with empty
    cells where it begins. Currents are written as charge / length wherever the
    charge is known, so that reading back gives the same coulombs; to 1 uA and
    1 uV, times to 1 us.
    """
    if time_column not in TIME_COLUMNS:
        raise LogError(f"time column {time_column!r}: expected time_utc or t_s.")
    items = list(intervals)
    if not items:
        raise LogError("There is nothing to write: no intervals in this span.")
    if columns is None:
        columns = _filled_columns(items)
    if unknown := [name for name in columns if name not in VALUE_COLUMNS]:
        raise LogError(f"columns {', '.join(unknown)}: not part of the format.")
    lines = _lines(items, time_column, columns)
    if isinstance(target, (str, os.PathLike)):
        with whole_files(target) as [text]:
            text.writelines(lines)
    else:
        target.writelines(lines)
    return len(lines) - 1


def _filled_columns(items: list[Interval]) -> tuple[str, ...]:
    filled = {*REQUIRED, "battery_c"} if any(item.battery_c is not None for item in items) else set(REQUIRED)
    for tap_name in ("solar", "battery", "load"):
        taps = [tap for tap in map(attrgetter(tap_name), items) if tap is not None]
        for field in ("v", "a", "v_min", "v_max", "a_min", "a_max", "charge_c"):
            if any(value is not None for value in map(attrgetter(field), taps)):
                filled.add(f"{tap_name}_{'a' if field == 'charge_c' else field}")
    # A lowest or highest only means something beside its mean.
    return tuple(name for name in VALUE_COLUMNS if name in filled and _mean_of(name) in filled)


def _cell_value(item: Interval, name: str, length_s: float) -> float | None:
    """The value of one column over one interval written with a length of `length_s`."""
    if name == "battery_c":
        return item.battery_c
    tap_name, _, field = name.partition("_")
    tap: Tap | None = getattr(item, tap_name)
    if tap is None:
        return None
    mean_a = tap.a if tap.charge_c is None else tap.charge_c / length_s
    if field == "a":
        return mean_a
    value: float | None = getattr(tap, field)
    if value is None or field[0] != "a" or mean_a is None:
        return value
    # A counter sees what samples miss: the true extreme can't be inside of the true mean.
    return min(value, mean_a) if field == "a_min" else max(value, mean_a) if field == "a_max" else value


def _seen(item: Interval) -> bool:
    taps = (item.battery, item.solar, item.load)
    quick = any(tap is not None and (tap.v is not None or tap.a is not None) for tap in taps)
    return quick or item.battery_c is not None or any(tap not in (None, Tap()) for tap in taps)


def _lines(items: list[Interval], time_column: str, columns: Sequence[str]) -> list[str]:
    stamp = _stamp_utc if time_column == "time_utc" else _cell_text
    blank = "," * len(columns) + "\n"
    lines = [",".join((time_column, *columns)) + "\n"]
    written_s: float | None = None
    unseen = False
    for index, item in enumerate(items):
        following_s = items[index + 1].start_s if index + 1 < len(items) else None
        seen = _seen(item)
        length_s, hole = _written_length(item, following_s, seen)
        if following_s is None and seen:
            # The last row is read with the length of the row before it; a row of empty cells says otherwise.
            hole = written_s is None or abs(item.start_s - written_s - length_s) > 2e-6
        if seen:
            cells = [_cell_text(_cell_value(item, name, length_s)) for name in columns]
            lines.append(f"{stamp(item.start_s)},{','.join(cells)}\n")
            written_s = item.start_s
        elif not unseen:
            lines.append(stamp(item.start_s) + blank)
            written_s = item.start_s
        if hole and seen:
            lines.append(stamp(item.end_s) + blank)
            written_s = item.end_s
        unseen = hole or not seen
    return lines


def _written_length(item: Interval, following_s: float | None, seen: bool) -> tuple[float, bool]:
    """The length a reader will give the row, and whether a hole follows it."""
    if not item.dt_s > 0 or (seen and item.dt_s > LONGEST_ROW_S):
        raise LogError(f"An interval of {item.dt_s:g} s can't be written; a row lasts up to {LONGEST_ROW_S:g} s.")
    if following_s is None:
        return item.dt_s, False
    step_s = round(following_s - item.start_s, 6)
    if step_s < 0.9 * item.dt_s:
        raise LogError(
            f"The interval at {item.start_s:.6f} s lasts {item.dt_s:g} s, but the next begins after {step_s:g} s. "
            "Intervals that overlap can't be written."
        )
    jitter = step_s <= min(1.1 * item.dt_s, LONGEST_ROW_S)
    return (step_s, False) if jitter else (item.dt_s, True)


def _cell_text(value: float | None) -> str:
    if value is None:
        return ""
    if value != value or abs(value) == float("inf"):
        raise LogError("A value that is not a number can't be written.")
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _stamp_utc(seconds: float) -> str:
    try:
        moment = _EPOCH + timedelta(microseconds=round(seconds * 1e6))
    except (OverflowError, ValueError):
        raise LogError(f"{seconds:g} s is not a time between the years 1 and 9999.") from None
    text = moment.replace(tzinfo=None).isoformat()
    return (text.rstrip("0") if "." in text else text) + "Z"
