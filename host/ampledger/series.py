"""
Any span of what is stored, from seconds to seasons, as columns for drawing and as sums.

In: the store's readings of short spans, its sums per second, minute, quarter
of an hour or hour, the board's description and clock of each start, the edges
of what is stored, and what was told of the box's own draw. Out: one dict of
plain lists. It scales counts by the decoder's own functions, finds
the charge of a gap from the two records at its edges as the decoder does,
puts no value into a gap, and writes nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from ampledger import wire
from ampledger.core.books import unaccounted, unaccounted_off_ah
from ampledger.core.clock import Clock
from ampledger.core.model import Interval
from ampledger.decode import PANEL_SIDE, Scale, Seen, Worth, _position, _tap, scale_of, to_intervals
from ampledger.errors import ConfigError, FrameError
from ampledger.recount import clocks_of, told_of
from ampledger.store import Run, Store

Floats = NDArray[np.float64]

#: Sums over so many seconds are taken for spans up to so many; the last for all longer ones. [s]
LEVELS = ((1, 4 * 3600.0), (60, 5 * 86_400.0), (900, 30 * 86_400.0), (3600, float("inf")))
#: The readings themselves are taken for spans that have so much to a column at most, and are so long at most. [s]
_SINGLE_S, _SINGLES_S = 1.0, 900.0
#: Rows that are looked at more finely because a gap lies in them, the longest first.
_REFINED = 24
#: Sums of 1 s are made of the readings when they are asked for: of so many at most, else minutes are taken.
_MOST_READINGS = 40_000
#: Gaps whose charge is found from the records at their edges, the longest first; 90 days of hourly ones are 2160.
_MOST_GAPS = 3000
#: Records before a gap that are looked at when the last one lacks a channel.
_BACK = 32
#: Events that are given, the newest. [-]
_MOST_EVENTS = 300
_BEFORE_S = 2 * 86_400.0  # so long before the span a notice may have begun that still stands in it
_MINUTE_S = 60.0  # estimates are kept once a minute of data
_MOST_ESTIMATES = 400  # that are looked for one by one, in spans that have many more
_VALUES = ("a", "a_min", "a_max", "v", "v_min", "v_max")
#: Of a row, beside its taps: temperature; the board's own draw past the taps as declared, half the range that it leaves
#: open [A]; 1 where the solar tap is on the panel's side.
_BESIDE = ("battery_c", "own_a", "own_off_a", "at_panel")
#: Decimals that are sent: no chip resolves more, and shorter numbers are what keeps the answer small.
_DECIMALS = {"a": 6, "v": 5, "c": 4, "t": 3, "ah": 9}


def series(store: Store, device: str, since_s: float, until_s: float, points: int = 1000) -> dict[str, Any]:
    """
    What is stored of a board, or of an imported log ("log:3"), between two moments.

    since_s, until_s : UTC. [s since 1970]
    points : most columns to give. [-]

    Returns
    -------
    dict
        since, until : as asked; level_s : length of the sums it was made from; 0: of single readings, which is so where
            a column is narrower than a second in spans of up to 15 minutes. [s]
        t0, t1 : lists, begin and end of each column. [s since 1970]
        solar_a, solar_a_min, solar_a_max, solar_v, solar_v_min, solar_v_max, solar_ah, and the same of battery and
            load: lists, mean, lowest and highest, and the charge of the column. [A], [V], [Ah]; None: not known.
        battery_c : list. [degC]
        gaps : list of {"t0", "t1", "solar_ah", "battery_ah", "load_ah"}, whole, also where they reach beyond the span;
            None where a counter began anew. The longest `points` of them; "gaps_more" counts the others.
        total : "solar_ah" in records and "solar_gap_ah" in gaps, of the span alone: of a row or gap that lies across
            its edge, the share of its time; "solar_unknown_s", how long the charge is not known. And so on.
        periods : a ledger by UTC day, or by week or month where those were too many: {"t0", "t1" [s], "sun", "load",
            "into", "out" and "sun_wh" ... [Ah], [Wh], "known_s", "unknown_s" [s], of all taps together}; charge of a
            gap counts where the counters tell it. Into and out of the battery are netted within a row (`level_s`);
            watt-hours are a row's charge times its mean volts, of a gap those of the span. None: nothing is known.
            "own" is what the box takes past the taps over `known_s`: its standing draw as told (the first that was
            told counts before it too) and the board's as declared; None: neither was. "untold_s": of `known_s` without
            a standing draw. "rest": sun + out - load - into - own, either sign; "rest_off": how much of that the
            channels' errors explain nine times in ten, None where one tap was silent. "at_panel": the solar tap was
            on the panel's side, whose amp-hours can't be compared, so "rest" is None and only "rest_wh" is there.
            Empty for spans that are longer than five years.
        whole : the same of the span as one.
        unsure_s : how far times may be off, the worst of them. [s]
        estimates : list of [t, soc, low, high]; events : list of [t, kind, code, {"title", "severity"}].

    A column never holds rows from both sides of a gap that is longer than a column is wide.

    Raises ConfigError for a board or span that there is not, StoreError when the store can't be read.
    """
    if not until_s > since_s or points < 1:
        raise ConfigError("A span needs a beginning before its end, and at least one point.")
    level = next(length for length, most in LEVELS if until_s - since_s <= most)
    if until_s - since_s <= min(_SINGLES_S, _SINGLE_S * points):
        level = 0
    if until_s - since_s < level * points and level == LEVELS[-1][0]:
        level = LEVELS[-2][0]  # a column narrower than that is worth the finer sums
    span = _Span(since_s, until_s, points)
    if device.startswith("log:"):
        rows, gaps, unsure_s = _of_log(store, device, span, level)
    else:
        rows, gaps, unsure_s, level = _of_board(store, device, span, level)
    columns = _merged(rows, span)
    single = level == 0 or (level == LEVELS[0][0] and device.startswith("log:"))  # whose first level are its own rows
    out: dict[str, Any] = {"since": since_s, "until": until_s, "level_s": 0 if single else level}
    out |= {name: _listed(values, name) for name, values in columns.items()}
    listed = gaps.longest(points)
    out["gaps"] = [
        {
            "t0": round(float(gaps.t0[i]), _DECIMALS["t"]),
            "t1": round(float(gaps.t1[i]), _DECIMALS["t"]),
            **{f"{tap}_ah": _or_none(gaps.c[i, k] / 3600) for k, tap in enumerate(wire.CHANNELS)},
        }
        for i in listed
    ]
    out["gaps_more"] = int((gaps.t1 > gaps.t0).sum()) - len(listed)
    out["total"] = _totals(rows, gaps, span)
    draw = _standing(store, device)
    edges = _edges(span)
    out["periods"] = _periods(rows, gaps, span, edges, draw)
    (out["whole"],) = _periods(rows, gaps, span, [since_s, until_s], draw)
    out["unsure_s"] = unsure_s
    out["estimates"] = _estimates(store, device, span, columns["t1"])
    out["events"] = _events(store, device, span)
    return out


class _Span(NamedTuple):
    since_s: float
    until_s: float
    points: int

    @property
    def width_s(self) -> float:
        return (self.until_s - self.since_s) / self.points

    def share(self, t0: Floats, t1: Floats) -> Floats:
        """How much of each stretch of time lies in the span, 0 to 1."""
        inside = np.minimum(t1, self.until_s) - np.maximum(t0, self.since_s)
        moment = (t0 >= self.since_s) & (t0 < self.until_s)
        return np.where(t1 > t0, np.clip(inside / np.where(t1 > t0, t1 - t0, 1.0), 0.0, 1.0), moment)


@dataclass(slots=True)
class _Rows:
    """
    Sums in SI, in order of time.

    t0, t1 : begin and end. [s since 1970]
    weight : time with readings, per tap. [s]
    values : "solar_a" ..., NaN where not known. charge : per tap. [C]
    """

    t0: Floats
    t1: Floats
    weight: dict[str, Floats]
    values: dict[str, Floats]
    charge: dict[str, Floats]


@dataclass(slots=True)
class _Gaps:
    """
    Times without records, in order.

    c : charge of solar, battery, load, NaN: not known; shape (gaps, 3). [C]
    own_a : the board's own draw past the taps. [A] at_panel : 1 where the solar tap is on the panel's side.
    """

    t0: Floats
    t1: Floats
    c: Floats
    own_a: Floats
    at_panel: Floats

    def longest(self, most: int) -> list[int]:
        """Which they are, in order of time."""
        order = np.argsort(self.t0 - self.t1, kind="stable")
        return sorted(int(i) for i in order[:most] if self.t1[i] > self.t0[i])


#: Begin, end, charges; own draw [A], whether the solar tap is on the panel's side.
_Hole = tuple[float, float, Sequence[float | None], float, bool]


def _gaps_of(rows: Sequence[_Hole]) -> _Gaps:
    ordered = sorted(rows, key=lambda row: row[0])
    c = np.array([[np.nan if v is None else v for v in row[2]] for row in ordered], dtype=float).reshape(-1, 3)
    t0, t1, own_a, at_panel = (np.array([row[i] for row in ordered], dtype=float) for i in (0, 1, 3, 4))
    return _Gaps(t0, t1, c, own_a, at_panel)


# --- a board ----------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Start:
    """One start of the board: what its counts are worth, its clock, and what of it is stored."""

    boot: int
    scale: Scale
    clock: Clock
    runs: list[Run]
    begin_s: Floats
    end_s: Floats


def _of_board(store: Store, device: str, span: _Span, level: int) -> tuple[_Rows, _Gaps, float, int]:
    """Rows, gaps, how far times may be off, and the level that was taken."""
    starts = _starts(store, device)
    if level == LEVELS[0][0] and span.until_s - span.since_s > _SINGLES_S:
        there = (s for s in starts if s.end_s[-1] > span.since_s and s.begin_s[0] < span.until_s)
        minutes = (store.rolled(device, s.boot, LEVELS[1][0], *_between(s, span)) for s in there)
        if sum(int(table["records"].sum()) for table in minutes) > _MOST_READINGS:
            level = LEVELS[1][0]
    gaps = _gaps(store, device, starts, span)
    tables = []
    unsure_s = 0.0
    for start in starts:
        if start.end_s[-1] <= span.since_s or start.begin_s[0] >= span.until_s:
            continue
        tables.append(_rows_of(store, device, start, span, level))
        unsure_s = max(unsure_s, _unsure_s(start, span))
    return _joined(tables), gaps, unsure_s, level


def _between(start: _Start, span: _Span) -> tuple[int, int]:
    """The span by the board's clock. [ms]"""
    since, until = (int(min(max(start.clock.mono_s(s) * 1e3, 0.0), 2.0**50)) for s in (span.since_s, span.until_s))
    return since, until + 1


def _starts(store: Store, device: str) -> list[_Start]:
    """
    The starts that can be shown, in order: with a time, a description that makes sense, and records. Of the others
    nothing can be said; they are part of the gap between their neighbours.
    """
    found = store.starts(device)
    if not found and device:
        raise ConfigError("There are no records of that board: choose one that the page offers.")
    clocks = clocks_of(store, device)
    out = []
    for boot, info in found:
        clock = clocks.get(boot)
        runs = store.runs(device, boot) if clock is not None and info else []
        if clock is None or not runs:
            continue
        try:
            scale = scale_of(info)
        except FrameError:
            continue
        edges = np.array([(run.from_ms, run.to_ms) for run in runs], dtype=float) * 1e-3
        out.append(_Start(boot, scale, clock, runs, clock.utc_s(edges[:, 0]), clock.utc_s(edges[:, 1])))
    return out


def _gaps(store: Store, device: str, starts: list[_Start], span: _Span) -> _Gaps:
    """The gaps of the span, with what the records at their edges say of them, by the decoder itself."""
    which = [(start, i) for start in starts for i in range(len(start.runs))]
    if not which:
        return _gaps_of([])
    begin_s = np.concatenate([start.begin_s for start in starts])
    end_s = np.concatenate([start.end_s for start in starts])
    before_s = np.concatenate(([np.inf], end_s[:-1]))  # nothing is known of the time before the first record
    late_s = np.maximum(begin_s, before_s)
    wanted = np.flatnonzero((late_s >= span.since_s) & (before_s < span.until_s))
    order = np.argsort((before_s - begin_s)[wanted], kind="stable")
    found: list[_Hole] = [
        (float(before_s[k]), float(late_s[k]), (None, None, None), 0.0, False) for k in wanted[order[_MOST_GAPS:]]
    ]
    for k in wanted[order[:_MOST_GAPS]].tolist():
        start, i = which[k]
        reading = store.edge(device, start.boot, start.runs[i].first_seq)
        seen = _seen_at(store, device, *which[k - 1])
        if reading is None or seen is None:
            continue
        end_of_first_s = start.clock.utc_s(reading.mono_ms * 1e-3)
        _, intervals = to_intervals(seen, reading, start.scale, end_of_first_s)
        if len(intervals) > 1:
            gap = intervals[0]
            if gap.end_s > span.since_s and gap.start_s < span.until_s:
                own_a = 0.0 if gap.own_in_load else gap.own_a
                found.append((gap.start_s, gap.end_s, _charges(gap), own_a, gap.at_panel))
            continue
        # No room for a gap on the clock: the decoder puts its charge into the record, here it is one without length.
        _, (alone,) = to_intervals(None, reading, start.scale, end_of_first_s)
        both = zip(_charges(intervals[0]), _charges(alone), strict=True)
        more = [None if a is None or b is None else a - b for a, b in both]
        found.append((alone.start_s, alone.start_s, more, 0.0, alone.at_panel))
    return _gaps_of(found)


def _charges(interval: Interval) -> list[float | None]:
    return [tap.charge_c if tap else None for tap in (interval.solar, interval.battery, interval.load)]


def _seen_at(store: Store, device: str, start: _Start, i: int) -> Seen | None:
    """What the last record of a run leaves behind; the ones before it are asked where it lacks a channel."""
    run = start.runs[i]
    readings: list[wire.Reading] = []
    for seq in range(run.last_seq, max(run.first_seq, run.last_seq - _BACK) - 1, -1):
        reading = store.edge(device, start.boot, seq)
        if reading is None:
            break
        readings.append(reading)
        if all(c.n and not c.status & (wire.S_RESTARTED | wire.S_PARTIAL) for c in reading.channels):
            break
    seen: Seen | None = None
    for reading in reversed(readings):
        end_s = start.clock.utc_s(reading.mono_ms * 1e-3)
        before = seen.counters if seen else (None, None, None)
        counters = tuple(_position(was, c) for was, c in zip(before, reading.channels, strict=True))
        seen = Seen(reading.boot, reading.seq, end_s, counters, reading.mono_ms)
    return seen


def _unsure_s(start: _Start, span: _Span) -> float:
    """The worst uncertainty of a start's times within the span: at its ends, or half-way between two anchors."""
    from_s = max(start.runs[0].from_ms * 1e-3, start.clock.mono_s(span.since_s))
    to_s = min(start.runs[-1].to_ms * 1e-3, start.clock.mono_s(span.until_s))
    knots = [knot[0] for knot in start.clock.knots]
    halves = [(a + b) / 2 for a, b in zip(knots, knots[1:], strict=False)]
    at = [from_s, to_s, *(x for x in halves[-1000:] if from_s < x < to_s)]
    return max(start.clock.unsure_s(x) for x in at)


def _rows_of(store: Store, device: str, start: _Start, span: _Span, level: int) -> _Rows:
    from_ms, to_ms = _between(start, span)
    table = store.rolled(device, start.boot, level, from_ms, to_ms)
    if level > 1:
        table = _refined(store, device, start.boot, span, level, table, (from_ms, to_ms - 1))
    t0 = start.clock.utc_s(table["t0_ms"] * 1e-3)
    t1 = start.clock.utc_s(table["t1_ms"] * 1e-3)
    known = table["temp_n"] > 0
    temp_c = np.where(known, table["temp_sum"] / 16 / np.maximum(table["temp_n"], 1), np.nan)
    # Which records were made while a host listened is not in the sums, so the draw is half-way between the two.
    here_a, alone_a = (0.0, 0.0) if start.scale.own_in_load else start.scale.own_a
    beside = {"own_a": (here_a + alone_a) / 2, "own_off_a": abs(here_a - alone_a) / 2}
    beside["at_panel"] = float(start.scale.placement == PANEL_SIDE)
    rows = _Rows(t0, t1, {}, {"battery_c": temp_c, **{k: np.full(len(t0), x) for k, x in beside.items()}}, {})
    most = np.maximum.reduce([table[f"{tap}_n"] for tap in wire.CHANNELS])
    for k, tap in enumerate(wire.CHANNELS):
        _scaled(rows, table, tap, start.scale.channels[k], most)
    touching = (t1 > span.since_s) & (t0 < span.until_s)
    return rows if touching.all() else _picked(rows, np.flatnonzero(touching))


def _scaled(rows: _Rows, table: NDArray[Any], tap: str, worth: Worth, most: NDArray[Any]) -> None:
    """Counts of one tap to SI: the mean, lowest and highest as the decoder makes them of one record."""
    n = table[f"{tap}_n"]
    some = n > 0
    many = np.maximum(n, 1)
    temp_c = rows.values["battery_c"]
    warm = table["temp_n"] / np.maximum(table["records"], 1)  # records without a temperature are not corrected
    corrected = cast(Floats, worth.amp_gain(cast(float, np.where(np.isnan(temp_c), worth.at_c, temp_c))))
    gain = np.asarray(warm * corrected + (1.0 - warm) * worth.gain_a)
    # One sample at the row's mean is scaled just as a record of many is.
    mean = wire.Channel(
        0,
        1,
        0,
        table[f"{tap}_bus_sum"] / many,
        table[f"{tap}_bus_min"],
        table[f"{tap}_bus_max"],
        table[f"{tap}_cur_sum"] / many,
        table[f"{tap}_cur_min"],
        table[f"{tap}_cur_max"],
        0,
        0,
    )
    si = _tap(mean, worth, cast(float, gain), None, None)
    for name in _VALUES:
        rows.values[f"{tap}_{name}"] = np.where(some, cast(Floats, getattr(si, name)), np.nan)
    rows.weight[tap] = np.where(some, table["span_ms"] * 1e-3 * n / np.maximum(most, 1), 0.0)
    # Charge: what the counters moved, and where that is not known (the first record of a run, a counter that began
    # anew) amps times time of those records; a sum of 256 x counts x ms.
    moved_s, own_s = table[f"{tap}_moved_ms"] * 1e-3, table[f"{tap}_own_ms"] * 1e-3
    charge = table[f"{tap}_moved"] * (worth.charge_c * worth.gain_q) * gain
    charge = charge + table[f"{tap}_own"] * (worth.a / 256_000) * gain + worth.zero_a * (moved_s + own_s)
    rows.charge[tap] = np.where(moved_s + own_s > 0, charge, np.nan)


def _refined(
    store: Store, device: str, boot: int, span: _Span, level: int, table: NDArray[Any], edges_ms: tuple[int, int]
) -> NDArray[Any]:
    """The same, finer where an edge of the span lies in a row, and where a gap that can be seen does."""
    lengths = np.full(len(table), level)

    def split(which: NDArray[Any], finer: int) -> None:
        nonlocal table, lengths
        keep = np.ones(len(table), dtype=bool)
        keep[which] = False
        tables, sizes = [table[keep]], [lengths[keep]]
        for row in which.tolist():
            length = int(lengths[row])
            begin_ms = int(table["bucket"][row]) * length * 1000
            part = store.rolled(device, boot, finer, begin_ms, begin_ms + length * 1000)
            part = part[part["bucket"] // (length // finer) == table["bucket"][row]]
            tables.append(part)
            sizes.append(np.full(len(part), finer))
        table, lengths = np.concatenate(tables), np.concatenate(sizes)
        order = np.argsort(table["t0_ms"], kind="stable")
        table, lengths = table[order], lengths[order]

    def across() -> NDArray[np.bool_]:
        t0, t1 = table["t0_ms"], table["t1_ms"]
        return np.asarray(((t0 < edges_ms[0]) & (edges_ms[0] < t1)) | ((t0 < edges_ms[1]) & (edges_ms[1] < t1)))

    for coarse, finer in ((3600, 900), (900, 60), (60, 1)):
        gap_ms = (table["t1_ms"] - table["t0_ms"] - table["span_ms"]) * (lengths == coarse)
        seen = np.argsort(-gap_ms, kind="stable")[:_REFINED]
        seen = seen[gap_ms[seen] > span.width_s * 1e3]
        which = np.union1d(seen, np.flatnonzero(across() & (lengths == coarse)))
        if len(which):
            split(which, finer)
    return table


# --- an imported log --------------------------------------------------------------------------------------------------


def _of_log(store: Store, device: str, span: _Span, level: int) -> tuple[_Rows, _Gaps, float]:
    try:
        number = int(device[4:])
    except ValueError:
        number = -1
    if number not in [log["id"] for log in store.logs()]:
        raise ConfigError("There is no such imported log: choose one that the page offers.")
    from ampledger.interchange import log_level

    columns = log_level(store, number, max(level, LEVELS[0][0]), span.since_s, span.until_s)
    t0, t1 = columns["t0"], columns["t1"]
    nothing = np.full(len(t0), np.nan)
    column = {name: columns.get(name, nothing) for tap in wire.CHANNELS for name in (f"{tap}_{v}" for v in _VALUES)}
    charge = {tap: columns.get(f"{tap}_charge_c", nothing) for tap in wire.CHANNELS}
    # A row without a single reading is a gap, whose charge may be known.
    seen = np.zeros(len(t0), dtype=bool)
    for tap in wire.CHANNELS:
        seen |= ~np.isnan(column[f"{tap}_a"]) | ~np.isnan(column[f"{tap}_v"])
    holes: list[_Hole] = [
        (float(t0[i]), float(t1[i]), [_or_none(charge[tap][i]) for tap in wire.CHANNELS], 0.0, False)
        for i in np.flatnonzero(~seen)
    ]
    holes += [
        (float(t1[i]), float(t0[i + 1]), (None, None, None), 0.0, False)
        for i in np.flatnonzero(t0[1:] - t1[:-1] > 1e-3)
    ]
    weight = {
        tap: np.where(np.isnan(column[f"{tap}_a"]) & np.isnan(column[f"{tap}_v"]), 0.0, t1 - t0) for tap in charge
    }
    beside = dict.fromkeys(_BESIDE, np.zeros(len(t0))) | {"battery_c": columns.get("battery_c", nothing)}
    rows = _Rows(t0, t1, weight, column | beside, charge)
    unsure = columns.get("unsure_s")
    unsure_s = float(np.nanmax(unsure)) if unsure is not None and not np.isnan(unsure).all() else 0.0
    return _picked(rows, np.flatnonzero(seen)), _gaps_of(holes), unsure_s


# --- both -------------------------------------------------------------------------------------------------------------


def _picked(rows: _Rows, which: NDArray[Any]) -> _Rows:
    weight, values, charge = (
        {name: column[which] for name, column in part.items()} for part in (rows.weight, rows.values, rows.charge)
    )
    return _Rows(rows.t0[which], rows.t1[which], weight, values, charge)


def _joined(tables: list[_Rows]) -> _Rows:
    """All of them in order of time."""
    empty: list[Floats] = [np.empty(0)]

    def one(columns: list[Floats]) -> Floats:
        return np.concatenate(columns or empty)

    names = [*_BESIDE, *(f"{tap}_{value}" for tap in wire.CHANNELS for value in _VALUES)]
    rows = _Rows(
        one([t.t0 for t in tables]),
        one([t.t1 for t in tables]),
        {tap: one([t.weight[tap] for t in tables]) for tap in wire.CHANNELS},
        {name: one([t.values[name] for t in tables]) for name in names},
        {tap: one([t.charge[tap] for t in tables]) for tap in wire.CHANNELS},
    )
    return rows if len(tables) < 2 else _picked(rows, np.argsort(rows.t0, kind="stable"))


def _merged(rows: _Rows, span: _Span) -> dict[str, Floats]:
    """Rows to at most so many columns, on a grid of equal widths over the span."""
    t0, t1 = np.maximum(rows.t0, span.since_s), np.minimum(rows.t1, span.until_s)
    share = span.share(rows.t0, rows.t1)
    cell = np.clip((((t0 + t1) / 2 - span.since_s) / span.width_s).astype(np.int64), 0, span.points - 1)
    order = np.argsort(cell, kind="stable")
    cell = cell[order]
    begins = np.flatnonzero(np.concatenate(([True], cell[1:] != cell[:-1]))) if len(cell) else np.empty(0, np.int64)
    if not len(begins):
        names = [f"{tap}_{v}" for tap in wire.CHANNELS for v in (*_VALUES, "ah")]
        return {name: np.empty(0) for name in ("t0", "t1", *names, "battery_c")}

    def mean(values: Floats, weight: Floats) -> Floats:
        weight = np.where(np.isnan(values), 0.0, weight)
        sums = np.add.reduceat((np.nan_to_num(values) * weight)[order], begins)
        weights = np.add.reduceat(weight[order], begins)
        return np.where(weights > 0, sums / np.where(weights > 0, weights, 1.0), np.nan)

    out = {"t0": np.minimum.reduceat(t0[order], begins), "t1": np.maximum.reduceat(t1[order], begins)}
    for tap in wire.CHANNELS:
        weight = rows.weight[tap] * share
        for kind in ("a", "v"):
            name = f"{tap}_{kind}"
            out[name] = mean(rows.values[name], weight)
            out[f"{name}_min"] = np.fmin.reduceat(rows.values[f"{name}_min"][order], begins)
            out[f"{name}_max"] = np.fmax.reduceat(rows.values[f"{name}_max"][order], begins)
        charge = (rows.charge[tap] * share)[order]
        known = np.add.reduceat(~np.isnan(charge), begins, dtype=np.int64) > 0
        out[f"{tap}_ah"] = np.where(known, np.add.reduceat(np.nan_to_num(charge), begins) / 3600, np.nan)
    out["battery_c"] = mean(rows.values["battery_c"], (rows.t1 - rows.t0) * share)
    return out


def _totals(rows: _Rows, gaps: _Gaps, span: _Span) -> dict[str, float | None]:
    """Charge in records and in gaps of the span, and for how long it is not known."""
    out: dict[str, float | None] = {}
    share, gap_share = span.share(rows.t0, rows.t1), span.share(gaps.t0, gaps.t1)
    for k, tap in enumerate(wire.CHANNELS):
        unknown_s = 0.0
        for name, charge, part, length_s in (
            (f"{tap}_ah", rows.charge[tap], share, rows.t1 - rows.t0),
            (f"{tap}_gap_ah", gaps.c[:, k], gap_share, gaps.t1 - gaps.t0),
        ):
            known = ~np.isnan(charge)
            none = len(charge) > 0 and not known.any()
            out[name] = None if none else float((charge[known] * part[known]).sum()) / 3600
            unknown_s += float((length_s * part)[~known].sum())
        out[f"{tap}_unknown_s"] = round(unknown_s, 3)
    return out


#: Most bars of a ledger before days become weeks, and weeks months. [-]
_MOST_PERIODS = 62
_DAY_S = 86_400.0


def _edges(span: _Span) -> list[float]:
    """
    The beginnings of UTC days, of weeks (from Monday) or of months that touch the span, and the end of the last.

    Nothing for spans that are longer than five years.
    """
    first, last = math.floor(span.since_s / _DAY_S), math.ceil(span.until_s / _DAY_S)
    if last - first > 31 * _MOST_PERIODS:
        return []
    if last - first <= _MOST_PERIODS:
        return [_DAY_S * d for d in range(first, last + 1)]
    if last - first <= 7 * _MOST_PERIODS:
        monday = first - (first + 3) % 7  # 1970-01-01 was a Thursday
        return [_DAY_S * d for d in range(monday, last + 7, 7)]
    months = np.arange(
        np.datetime64(first, "D").astype("datetime64[M]"), np.datetime64(last, "D").astype("datetime64[M]") + 2
    )
    return [_DAY_S * float(d) for d in months.astype("datetime64[D]").astype(np.int64)]


class _Standing(NamedTuple):
    """What the box draws past the taps, as told: from when on each counts, the first from ever on; NaN: not told."""

    since_s: Floats
    amps: Floats

    def at(self, t: Floats) -> Floats:
        """At these moments. [A]"""
        if not len(self.amps):
            return np.full(len(t), np.nan)
        return self.amps[np.clip(np.searchsorted(self.since_s, t, side="right") - 1, 0, None)]


def _standing(store: Store, device: str) -> _Standing:
    """By the times at which it was told; one that was never told before counts for all that was before. Judgement."""
    batteries = [] if device.startswith("log:") else [t for t in told_of(store, device) if t.what == "battery"]
    rows: list[tuple[float, float]] = []
    for t in sorted(batteries, key=lambda t: t.time_s):
        told_a = t.values.get("standing_a")
        amps = float(told_a) if isinstance(told_a, (int, float)) and math.isfinite(told_a) else math.nan
        if rows or not math.isnan(amps):
            rows.append((t.time_s, amps))
    return _Standing(np.array([r[0] for r in rows], dtype=float), np.array([r[1] for r in rows], dtype=float))


def _periods(
    rows: _Rows, gaps: _Gaps, span: _Span, edges: list[float], draw: _Standing
) -> list[dict[str, float | bool | None]]:
    # Known is what all taps tell that tell anything: one that is silent for hours leaves the sums out of balance.
    ever = [k for k, tap in enumerate(wire.CHANNELS) if np.isfinite(rows.charge[tap]).any()]
    charges = np.array([rows.charge[wire.CHANNELS[k]] for k in ever]).reshape(len(ever), len(rows.t0))
    sure = np.isfinite(charges).all(axis=0) & bool(ever)
    gap_sure = np.isfinite(gaps.c[:, ever or [1]]).all(axis=1)
    t0, t1 = np.concatenate((rows.t0, gaps.t0)), np.concatenate((rows.t1, gaps.t1))
    standing_a = draw.at((t0 + t1) / 2)
    board_a = np.concatenate((rows.values["own_a"], gaps.own_a))
    board_off_a = np.concatenate((rows.values["own_off_a"], np.zeros(len(gaps.t0))))
    bus_v = np.concatenate((rows.values["battery_v"], np.full(len(gaps.t0), np.nan)))
    bus_v = np.where(np.isfinite(bus_v), bus_v, _usual(bus_v))
    panel = np.concatenate((rows.values["at_panel"], gaps.at_panel)) > 0.0
    # Of a tap that is silent while others tell, the rest can't be what the channels' errors would leave.
    lopsided = np.concatenate((
        np.isfinite(charges).any(axis=0) & ~sure if ever else np.zeros(len(rows.t0), dtype=bool),
        np.isfinite(gaps.c[:, ever or [1]]).any(axis=1) & ~gap_sure,
    ))  # fmt: skip
    sure_all = np.concatenate((sure, gap_sure))
    out = []
    for begin_s, end_s in zip(edges[:-1], edges[1:], strict=True):
        within = _Span(max(begin_s, span.since_s), min(end_s, span.until_s), 1)
        if within.until_s <= within.since_s:
            continue
        share, gap_share = within.share(rows.t0, rows.t1), within.share(gaps.t0, gaps.t1)
        one: dict[str, float | bool | None] = {"t0": begin_s, "t1": end_s}
        known_s = float((sure * share * (rows.t1 - rows.t0)).sum())
        told_s = float((gap_sure * gap_share * (gaps.t1 - gaps.t0)).sum())
        one["known_s"] = round(known_s + told_s, 1)
        one["unknown_s"] = round(max(0.0, within.until_s - within.since_s - known_s - told_s), 1)
        gross_ah = []
        for k, (tap, name) in enumerate(zip(wire.CHANNELS, ("sun", "battery", "load"), strict=True)):
            ah = np.concatenate((rows.charge[tap] * share, gaps.c[:, k] * gap_share)) / 3600.0
            volts = np.concatenate((rows.values[f"{tap}_v"], np.full(len(gaps.t0), np.nan)))
            usual_v = _usual(volts)
            gross_ah.append(float(np.abs(np.nan_to_num(ah)).sum()))
            wh = ah * np.where(np.isfinite(volts), volts, usual_v)
            parts = ((name, 1.0),) if name != "battery" else (("into", 1.0), ("out", -1.0))
            for part, sign in parts:
                known = np.isfinite(ah)
                if name == "battery":
                    known &= sign * np.nan_to_num(ah) >= 0.0
                seen = bool(np.isfinite(ah).any()) and bool((share > 0.0).any() or (gap_share > 0.0).any())
                one[part] = round(sign * float(ah[known].sum()) + 0.0, 6) if seen else None
                energy = sign * float(np.nan_to_num(wh[known]).sum()) + 0.0
                one[f"{part}_wh"] = round(energy, 5) if seen and math.isfinite(usual_v) else None
        part_of = np.concatenate((share, gap_share))
        held_h = sure_all * part_of * (t1 - t0) / 3600.0  # what all taps tell of it
        own_ah = held_h * (board_a + np.nan_to_num(standing_a))
        told = bool((held_h * ((board_a > 0.0) | np.isfinite(standing_a))).any())
        own_wh = float(np.nan_to_num(own_ah * bus_v).sum())
        one["own"] = round(float(own_ah.sum()), 6) if told else None
        one["own_wh"] = round(own_wh, 5) if told and np.isfinite(bus_v).any() else None
        one["untold_s"] = round(float(held_h[np.isnan(standing_a)].sum()) * 3600.0, 1)
        one["at_panel"] = at_panel = bool((panel & (part_of > 0.0)).any())
        off_ah = unaccounted_off_ah(gross_ah, float(held_h.sum())) + float((held_h * board_off_a).sum())
        unsure = bool((lopsided & (part_of > 0.0)).any())
        mean_v = _usual(bus_v)
        for ending, worth, places in (("", 1.0, 6), ("_wh", mean_v, 5)):
            four = (cast("float | None", one[f"{x}{ending}"]) for x in ("sun", "out", "load", "into", "own"))
            rest = None if at_panel and not ending else unaccounted(*four)
            one[f"rest{ending}"] = None if rest is None else round(rest + 0.0, places)
            known_off = rest is not None and not unsure and math.isfinite(worth)
            one[f"rest_off{ending}"] = round(off_ah * worth, places) if known_off else None
        out.append(one)
    return out


def _usual(values: Floats) -> float:
    """Mean of what is known, NaN where nothing is."""
    return float(np.nanmean(values)) if np.isfinite(values).any() else math.nan


def _or_none(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def _listed(values: Floats, name: str) -> list[float | None]:
    kind = "t" if name in ("t0", "t1") else name.split("_")[1]
    numbers = np.round(values, _DECIMALS[kind]).tolist()
    return [None if x != x else x for x in numbers]


def _estimates(store: Store, device: str, span: _Span, ends_s: Floats) -> list[list[float]]:
    """One estimate for each column at most; where there are many, those at the ends of some columns that have data."""
    if span.until_s - span.since_s <= 3 * span.points * _MINUTE_S:
        found = store.estimates(device, span.since_s, span.until_s)
        kept = {int((e.time_s - span.since_s) / span.width_s): e for e in found}
    else:
        kept = {}
        for k, end_s in enumerate(ends_s[:: -(-len(ends_s) // _MOST_ESTIMATES) or 1].tolist()):
            near = store.estimates(device, end_s - _MINUTE_S - 11.0, end_s + 1.0)
            if near:
                kept[k] = near[-1]
    return [[round(e.time_s, 3), round(e.soc, 5), round(e.low, 5), round(e.high, 5)] for e in kept.values()]


def _events(store: Store, device: str, span: _Span) -> list[list[Any]]:
    """The newest of what was noticed in the span, without what only changed its figures."""
    length_s = span.until_s - span.since_s
    back_s = length_s / 64
    while True:
        since_s = max(span.since_s, span.until_s - back_s)
        found = [e for e in store.events(device, since_s, span.until_s) if e[1] != "changed"]
        if len(found) >= _MOST_EVENTS or back_s >= length_s:
            break
        back_s *= 4
    # What was there already when the shown ones begin: a notice that began before.
    first_s = found[-_MOST_EVENTS:][0][0] if len(found) > _MOST_EVENTS else span.since_s
    open_: dict[str, Any] = {}
    for event in store.events(device, first_s - _BEFORE_S, first_s):
        if event[1] in ("raised", "arose"):
            open_[event[2]] = event
        elif event[1] in ("cleared", "over"):
            open_.pop(event[2], None)
    return [
        [t, kind, code, {name: str(values[name])[:300] for name in ("title", "severity") if name in values}]
        for t, kind, code, values in [*open_.values(), *found[-_MOST_EVENTS:]]
    ]
