"""
A file for the voltage curve of an operator's own pack: read, checked, written.

What comes in is CSV with a head of `# key: value` lines (host/CURVEFORMAT.md
tells users what goes where); what goes out is a `Curve` as `core/cells.py` has
them, or a ConfigError that says file, line and column, what was found, what
was expected and what to do. It never clamps, sorts, smooths or fills in: a
file that is wrong somewhere is refused whole. `write_curve` reads back what it
is about to write, so no file of ours can be one that we refuse.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from ampledger.core.cells import CURVES, Curve
from ampledger.core.learn import LEAST_POINTS, REACH
from ampledger.errors import ConfigError, LogError, plain
from ampledger.logfile import Lines, opened, whole_files

LOWEST_V, HIGHEST_V = 1.5, 4.2  # of one cell; beyond, a cell of the table is a slip or another chemistry
FALLS_V = 0.010  # a branch may fall by so much with rising charge, and charge lie below discharge: noise (judgement)
LOWEST_C, HIGHEST_C = -40.0, 80.0
MOST_BYTES, MOST_ROWS, MOST_TEMPS = 1 << 20, 2001, 20
LONGEST_TEXT = 2000

_NEEDED = ("name", "conditions", "source", "licence", "typed_in")
_KEYS = (*_NEEDED, "accuracy", "series", "usable_share", "own_pack")
_EXAMPLES = {
    "name": "shack-20ah",
    "conditions": "one discharge at 1 A from full, 18 to 21 degC, box at the battery's poles",
    "source": "own measurement, September 2026",
    "licence": "own",
    "typed_in": "by the operator, 2026-09-14",
}
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,2})?")
_COLUMN = re.compile(r"(discharge|charge)_v_(-?[0-9]{1,3}(?:\.[0-9]{1,17})?)c")
_COLUMN_HELP = "expected soc, then discharge_v_25c and charge_v_25c with the temperature in degC in the name"


def find_curve(name_or_path: str) -> Curve:
    """
    A published curve by its name, in any case, or an operator's by the path of its file.

    Raises
    ------
    ConfigError
        Neither, or the file is wrong somewhere.
    """
    if name_or_path in CURVES:
        return CURVES[name_or_path]
    if not os.path.exists(name_or_path):
        if name_or_path.lower() in CURVES:
            return CURVES[name_or_path.lower()]
        near = difflib.get_close_matches(name_or_path.lower(), CURVES, 1)
        raise ConfigError(
            f"There is no curve {plain(name_or_path, 200)!r}: neither a file nor one of {', '.join(CURVES)}."
            + (f" Did you mean {near[0]}?" if near else "")
        )
    return read_curve(name_or_path)


def read_curve(path: str | os.PathLike[str]) -> Curve:
    """
    Read a curve file (format: host/CURVEFORMAT.md).

    Returns
    -------
    Curve
        Temperatures rising; None where a cell is empty, and throughout a branch that has no column.

    Raises
    ------
    ConfigError
        Anything that keeps the file from being read whole and believed.
    """
    try:
        with opened(path) as (stream, name):
            text = ""
            for _, piece in Lines(io.BytesIO(stream.read(MOST_BYTES + 1)), name, []).pieces():
                text += piece
                if len(text) > MOST_BYTES:
                    raise ConfigError(f"{name}: longer than 1 MiB; this is no curve.")
    except LogError as error:
        said = str(error)
        for of_logs, of_curves in (("a log at all", "a curve at all"), ("Choose the log", "Choose the file")):
            said = said.replace(of_logs, of_curves)
        raise ConfigError(said.replace("Name a log that is a file", "Name a plain file")) from None
    except OSError as error:
        raise ConfigError(f"{plain(path, 200)}: can't be read ({error.strerror or error}).") from None
    return _parsed(text.split("\n"), name)


def write_curve(curve: Curve, path: str | os.PathLike[str], series: int | None = None) -> None:
    """
    Write a curve as a file that reads back with the same values and the same digest.

    series : cells in series of the pack it was measured on, said in the head; the volts are of one cell all the same.

    Raises
    ------
    ConfigError
        The curve is one that `read_curve` would refuse, or the file can't be written. The file appears complete or
        not at all.
    """
    head = {key: getattr(curve, key) for key in ("name", "conditions", "accuracy", "source", "licence", "typed_in")}
    lines = [f"# {key}: {_clean(text)}" for key, text in head.items() if _clean(text)]
    lines += [] if series is None else [f"# series: {series}"]
    lines += [] if curve.usable_share == 1.0 else [f"# usable_share: {float(curve.usable_share)!r}"]
    lines += [] if curve.own_pack else ["# own_pack: no"]
    columns: list[tuple[str, Sequence[float | None]]] = [("soc", curve.soc)]
    for index, temp_c in enumerate(curve.temps_c):
        for branch, volts in (("discharge", curve.discharge_v[index]), ("charge", curve.charge_v[index])):
            if any(v is not None for v in volts):
                columns.append((f"{branch}_v_{_short(temp_c)}c", volts))
    lines.append(",".join(name for name, _ in columns))
    for row in zip(*(values for _, values in columns), strict=True):
        lines.append(",".join("" if value is None else repr(float(value)) for value in row))
    again = _parsed(lines, "This curve")
    if (again.digest, again.own_pack) != (curve.digest, curve.own_pack):
        raise ConfigError(f"The curve {plain(curve.name, 60)} has something that the file can't hold; not written.")
    try:
        with whole_files(path) as (out,):
            out.write("\n".join(lines) + "\n")
    except (LogError, ValueError) as error:
        raise ConfigError(str(error)) from None


def _clean(text: str) -> str:
    return " ".join(text.split()).rstrip(",; ")


def _short(temp_c: float) -> str:
    return str(int(temp_c)) if temp_c == int(temp_c) else repr(float(temp_c))


# -- reading -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Column:
    name: str
    branch: str
    temp_c: float


@dataclass(slots=True)
class _Table:
    """What was read so far; `lines` has the line of each row, for messages."""

    name: str
    columns: list[_Column]
    lines: list[int] = field(default_factory=list)
    soc: list[float] = field(default_factory=list)
    volts: list[list[float | None]] = field(default_factory=list)

    def at(self, line: int, column: str = "") -> str:
        return f"{self.name}, line {line}" + (f", column {column}" if column else "")


def _parsed(lines: Sequence[str], name: str) -> Curve:
    numbered = [(number, line) for number, line in enumerate(lines, 1) if line.strip(" ,;\t")]
    if numbered and re.fullmatch(r'"?sep=.{1,3}', numbered[0][1].strip()):
        del numbered[0]
    head: dict[str, str] = {}
    rest: list[tuple[int, str]] = []
    for number, line in numbered:
        said = _remark(line)
        if said is None:
            rest.append((number, line))
        elif not rest:
            _put(head, said, f"{name}, line {number}")
    if not rest:
        raise ConfigError(f"{name}: there is no table in it; {_COLUMN_HELP}, and a row for each state of charge.")
    for key in _NEEDED:
        if not head.get(key):
            raise ConfigError(
                f"{name}: the head doesn't say its {key}. Add a line above the table, such as "
                f"`# {key}: {_EXAMPLES[key]}`; a curve nobody can trace is worth nothing a year later."
            )
    series = _series(head.get("series"), name)
    delimiter = max(";\t,", key=rest[0][1].count)
    cells = _rows(rest, delimiter, name)
    table = _Table(name, _columns(next(cells)[1], f"{name}, line {rest[0][0]}"))
    for number, row in cells:
        _add(table, number, row, delimiter, series)
    _check(table)
    return _curve(head, table)


def _remark(line: str) -> str | None:
    """The text of a `#` line, also as a spreadsheet saves it: quoted, with empty cells behind. None: another line."""
    text = line.strip().rstrip(",;\t ")
    if len(text) > 1 and text[0] == text[-1] == '"':
        text = text[1:-1].replace('""', '"').strip()
    return text[1:] if text.startswith("#") else None


def _put(head: dict[str, str], said: str, where: str) -> None:
    key, colon, value = said.partition(":")
    key = key.strip().lower().replace(" ", "_")
    if not colon or said.startswith("#"):
        return  # a remark
    if key not in _KEYS:
        near = difflib.get_close_matches(key, _KEYS, 1, 0.5)
        raise ConfigError(
            f"{where}: the head has no {plain(key, 40)!r}; it has {', '.join(_KEYS)}."
            + (f" Did you mean {near[0]}?" if near else " A remark of your own begins with ##.")
        )
    if key in head:
        raise ConfigError(f"{where}: {key} is there twice. Keep one.")
    value = " ".join(value.split())
    if len(value) > LONGEST_TEXT or not value.isprintable():
        raise ConfigError(f"{where}: {key} is longer than {LONGEST_TEXT} letters or has signs that can't be shown.")
    if key == "name" and len(value) > 100:
        raise ConfigError(f"{where}: the name is longer than 100 letters. Choose a short one.")
    head[key] = value


def _series(text: str | None, name: str) -> int | None:
    if text is None:
        return None
    if not re.fullmatch("[0-9]{1,2}", text) or not 1 <= int(text) <= 16:
        raise ConfigError(f"{name}: series is {plain(text, 40)!r}; expected 1 to 16 cells (a 12.8 V pack has 4).")
    return int(text)


def _rows(numbered: list[tuple[int, str]], delimiter: str, name: str) -> Iterator[tuple[int, list[str]]]:
    for number, line in numbered:
        try:
            row = next(csv.reader([line], delimiter=delimiter, strict=True))
        except (csv.Error, StopIteration) as error:
            raise ConfigError(f"{name}, line {number}: can't be taken apart into cells ({error}).") from None
        yield number, [cell.strip() for cell in row]


def _columns(names: list[str], where: str) -> list[_Column]:
    names = [name.lower() for name in names]
    while names and not names[-1]:
        names.pop()
    if not names or names[0] != "soc":
        raise ConfigError(f"{where}: the first column is {plain(names[0] if names else '', 40)!r}; {_COLUMN_HELP}.")
    columns: list[_Column] = []
    for name in names[1:]:
        match = _COLUMN.fullmatch(name)
        if not match:
            raise ConfigError(f"{where}: {plain(name, 40)!r} is no column of a curve; {_COLUMN_HELP}.")
        column = _Column(name, match[1], float(match[2]) + 0.0)
        if not LOWEST_C <= column.temp_c <= HIGHEST_C:
            raise ConfigError(f"{where}, column {name}: expected {LOWEST_C:g} to {HIGHEST_C:g} degC.")
        if any((c.branch, c.temp_c) == (column.branch, column.temp_c) for c in columns):
            raise ConfigError(f"{where}: the {match[1]} branch at {column.temp_c:g} degC is there twice. Keep one.")
        columns.append(column)
    if not columns:
        raise ConfigError(f"{where}: there is no column of volts; {_COLUMN_HELP}.")
    if len({c.temp_c for c in columns}) > MOST_TEMPS:
        raise ConfigError(f"{where}: more than {MOST_TEMPS} temperatures.")
    return columns


def _usable_share(text: str | None, name: str) -> float:
    if text is None:
        return 1.0
    share = float(text) if _NUMBER.fullmatch(text) else math.nan
    if not 0.8 <= share <= 1.0:
        raise ConfigError(
            f"{name}: usable_share is {plain(text, 40)!r}; expected a fraction of 0.8 to 1: of the charge between the "
            "curve's ends, what the pack gives in everyday use. Leave it out when you don't know."
        )
    return share


def _own_pack(text: str, name: str) -> bool:
    if text.lower() not in ("yes", "no"):
        raise ConfigError(
            f"{name}: own_pack is {plain(text, 40)!r}; expected yes when it was measured on the very pack it is used "
            "for, or no, such as for one typed in from a sheet. Without it yes is taken."
        )
    return text.lower() == "yes"


def _add(table: _Table, line: int, row: list[str], delimiter: str, series: int | None) -> None:
    wanted = 1 + len(table.columns)
    while len(row) > wanted and not row[-1]:
        row.pop()
    if len(row) != wanted:
        raise ConfigError(
            f"{table.at(line)}: {len(row)} cells where the line of names has {wanted}. Leave a cell empty where there "
            "is no reading, but keep its separator."
            + (" Are decimal commas in a comma-separated file?" if delimiter == "," and len(row) > wanted else "")
        )
    if len(table.soc) >= MOST_ROWS:
        raise ConfigError(f"{table.at(line)}: more than {MOST_ROWS} rows; steps of 1 % are plenty.")
    soc = _number(row[0], delimiter, table.at(line, "soc"))
    if soc is None:
        raise ConfigError(f"{table.at(line, 'soc')}: empty. Every row needs its state of charge, 0 empty to 1 full.")
    if not 0.0 <= soc <= 1.0:
        percent = f" It looks like percent: divide the column by 100 ({soc / 100:g})." if 1.0 < soc <= 100.0 else ""
        raise ConfigError(f"{table.at(line, 'soc')}: {soc:g}; expected a fraction, 0 empty to 1 full.{percent}")
    if table.soc and soc <= table.soc[-1]:
        raise ConfigError(
            f"{table.at(line, 'soc')}: {soc:g} after {table.soc[-1]:g} on line {table.lines[-1]}; expected rising from "
            "row to row. Sort the table by soc, and keep one row for each."
        )
    volts = [
        _volts(cell, delimiter, table.at(line, column.name), series)
        for cell, column in zip(row[1:], table.columns, strict=True)
    ]
    table.lines.append(line)
    table.soc.append(soc + 0.0)
    table.volts.append(volts)


def _number(cell: str, delimiter: str, where: str) -> float | None:
    """A cell's number, None when it is empty; a decimal comma counts where commas don't separate."""
    if not cell:
        return None
    text = cell.replace(",", ".") if delimiter != "," and "." not in cell else cell
    if not _NUMBER.fullmatch(text):
        hint = " Is it a percentage? Write 0.55 for 55 %." if "%" in cell else " Leave it empty if there is no reading."
        raise ConfigError(f"{where}: {plain(cell, 40)!r} is not a number.{hint}")
    return float(text)


def _volts(cell: str, delimiter: str, where: str, series: int | None) -> float | None:
    volts = _number(cell, delimiter, where)
    if volts is None or LOWEST_V <= volts <= HIGHEST_V:
        return volts
    hint = ""
    cells = series if series is not None and series > 1 else round(volts / 3.3)
    if 2 <= cells <= 16 and LOWEST_V <= volts / cells <= HIGHEST_V:
        hint = f" It looks like a pack of {cells} cells in series: divide the column by {cells} ({volts / cells:.4g})."
    elif LOWEST_V <= volts / 1000.0 <= HIGHEST_V:
        hint = f" It looks like millivolts: divide the column by 1000 ({volts / 1000:g})."
    raise ConfigError(f"{where}: {volts:g} V; expected {LOWEST_V:g} to {HIGHEST_V:g} V, of one cell.{hint}")


def _check(table: _Table) -> None:
    """What only shows when the whole table is there."""
    for index, column in enumerate(table.columns):
        points = [(line, soc, row[index]) for line, soc, row in zip(table.lines, table.soc, table.volts, strict=True)]
        read = [(line, soc, v) for line, soc, v in points if v is not None]
        if len(read) < LEAST_POINTS:
            raise ConfigError(
                f"{table.name}, column {column.name}: {len(read)} readings; at least {LEAST_POINTS} are needed to say "
                "anything. Read the volts at more states of charge, or leave the column out."
            )
        if read[0][1] > REACH[0] or read[-1][1] < REACH[1]:
            raise ConfigError(
                f"{table.name}, column {column.name}: readings from {read[0][1]:g} to {read[-1][1]:g}; a branch must "
                f"reach from {REACH[0]:g} or lower to {REACH[1]:g} or higher. Add what is missing, or leave it out."
            )
        highest = read[0]
        for point in read[1:]:
            if point[2] < highest[2] - FALLS_V:
                raise ConfigError(
                    f"{table.at(point[0], column.name)}: {point[2]:g} V is {1000 * (highest[2] - point[2]):.0f} mV "
                    f"below the {highest[2]:g} V on line {highest[0]}, at less charge. A rested cell doesn't do that: "
                    "is a figure mistyped, or is soc counted from full?"
                )
            highest = max(highest, point, key=lambda p: p[2])
    _check_branches(table)


def _check_branches(table: _Table) -> None:
    place = {(c.branch, c.temp_c): index for index, c in enumerate(table.columns)}
    for (branch, temp_c), down in place.items():
        up = place.get(("charge", temp_c))
        if branch == "charge" or up is None:
            continue
        for line, row in zip(table.lines, table.volts, strict=True):
            low, high = row[down], row[up]
            if low is not None and high is not None and high < low - FALLS_V:
                raise ConfigError(
                    f"{table.at(line, table.columns[up].name)}: {high:g} V is {1000 * (low - high):.0f} mV below the "
                    "discharge branch; after charging a cell rests higher, not lower. Are the columns swapped?"
                )


def _curve(head: dict[str, str], table: _Table) -> Curve:
    temps = sorted({c.temp_c for c in table.columns})
    nothing: tuple[float | None, ...] = (None,) * len(table.soc)
    found = {(c.branch, c.temp_c): tuple(row[i] for row in table.volts) for i, c in enumerate(table.columns)}
    curve = Curve(
        name=head["name"],
        soc=tuple(table.soc),
        temps_c=tuple(temps),
        discharge_v=tuple(found.get(("discharge", t), nothing) for t in temps),
        charge_v=tuple(found.get(("charge", t), nothing) for t in temps),
        conditions=head["conditions"],
        accuracy=head.get("accuracy") or "not stated",
        source=head["source"],
        licence=head["licence"],
        typed_in=head["typed_in"],
        usable_share=_usable_share(head.get("usable_share"), table.name),
        own_pack=_own_pack(head.get("own_pack", "no" if head["name"] in CURVES else "yes"), table.name),
    )
    published = CURVES.get(curve.name)
    if published is not None and published.digest != curve.digest:
        raise ConfigError(f"{table.name}: the name {curve.name} is that of a published curve. Choose another.")
    return curve
