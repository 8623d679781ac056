"""
When the station was sending, told from the load's current alone, looking both ways in time.

In: rows of the load's current (mean, lowest, highest; 0.1 s to 2.5 s each) and the battery's lowest volts. Out: the
overs, each with charge, height and lowest volts, and how the sending was modulated, as a guess with its chances.
Live, `balance` has to decide as it goes; this one is for what was recorded and may look at what came after. Pure.

How. The receive level is what is left of the load when every bump shorter than three minutes is shaved off (erosion
and dilation of two-second blocks), so that a laptop that stays plugged in is a level and an over is not. What stands
clear of that level is sending; gaps of up to 1.2 s, words and breath, belong to it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ampledger.core.model import Interval

Array = NDArray[np.float64]

HANG_S = 1.2          # a longer pause ends an over: a word gap at 10 words a minute. As in `balance`
LONGEST_ROW_S = 2.5   # rows longer than this mix sending and receiving
_BLOCK_S = 2.0
_CONSTANT_S = 180.0   # what stays up so long is no over: common practice, no source
_NEAR_S = 600.0
_LEAST_A, _LEAST_SHARE = 0.12, 0.4   # above the receive level, of it; as in `balance`
_SMALL = 0.2          # of the usual height near by; less is a fan or a relay, not the transmitter. Judgement
#: How an over may be modulated, by what it does to the supply; see `Over.chances`.
KINDS = ("carrier", "keyed", "voice")
# Mean over peak of what sending adds, and how it spreads. Carrier: all the time while keyed; telegraphy 40 to 50 %,
# speech 20 to 40 %, the upper end processed: common practice, no source that could be read. Breadths: judgement.
_FILL = {"carrier": (0.96, 0.06), "keyed": (0.46, 0.08), "voice": (0.31, 0.10)}
# Part of an over's seconds that reach within a tenth of its height: a key gives the same power each time, a voice does
# not. Judgement.
_HELD = {"carrier": (0.98, 0.08), "keyed": (0.92, 0.12), "voice": (0.35, 0.22)}


@dataclass(frozen=True, slots=True)
class Rows:
    """
    begin_s, dt_s : N rows in order of time, not overlapping. [s]
    mean_a, low_a, high_a : of the load; NaN where nothing was measured. [A] low_v : lowest volts of the battery. [V]
    """

    begin_s: Array
    dt_s: Array
    mean_a: Array
    low_a: Array
    high_a: Array
    low_v: Array


def rows_of(intervals: Iterable[Interval]) -> Rows:
    """Rows of intervals in order of time; what was not measured is NaN."""
    none = (None, None, None)
    table = [
        (i.start_s, i.dt_s, *(none if i.load is None else (i.load.a, i.load.a_min, i.load.a_max)), i.battery.v_min)
        for i in intervals
    ]
    return Rows(*np.array(table, dtype=float).reshape(-1, 6).T)


@dataclass(frozen=True, slots=True)
class Over:
    """
    begin_s, end_s : good to a row's length, of rows up to a second to about a tenth of it. [s]
    added_c : charge that sending took beside the receive level. [C] charge_c : all that the load took. [C]
    receive_a : level before and after. [A] height_a : what sending adds at its highest. [A]
    low_v : lowest volts of the battery in it, NaN where not measured. [V]
    fill : mean over peak of what sending adds. [-]
    chances : of `KINDS`, together 1: how it was modulated, by fill and by how many seconds reach the height. [-]
    """

    begin_s: float
    end_s: float
    added_c: float
    charge_c: float
    receive_a: float
    height_a: float
    low_v: float
    fill: float
    chances: tuple[float, float, float]

    @property
    def length_s(self) -> float:
        """[s]"""
        return self.end_s - self.begin_s


def receive_level(rows: Rows) -> Array:
    """The level without sending, a value for each row. [A], shape (N,); NaN where nothing was measured near by."""
    n = rows.begin_s.size
    out = np.full(n, np.nan)
    usable = np.isfinite(rows.mean_a) & (rows.dt_s <= LONGEST_ROW_S) & (rows.dt_s > 0.0)
    if not usable.any():
        return out
    at = np.flatnonzero(usable)
    block = np.floor(rows.begin_s[at] / _BLOCK_S).astype(np.int64)
    first = np.flatnonzero(np.r_[True, block[1:] != block[:-1]])
    # The lowest row of a block; of long rows the lowest sample says more, of short ones it is noise.
    value = np.where(rows.dt_s[at] > 0.5, np.fmin(rows.mean_a[at], rows.low_a[at]), rows.mean_a[at])
    lowest = np.minimum.reduceat(value, first)
    number = block[first]
    # Stretches without a hole of more than a minute are looked at by themselves.
    for part in np.split(np.arange(number.size), np.flatnonzero(np.diff(number) > 60.0 / _BLOCK_S) + 1):
        lowest[part] = _opened(lowest[part], round(_CONSTANT_S / _BLOCK_S))
    out[at] = np.repeat(lowest, np.diff(np.r_[first, at.size]))
    return out


def _opened(values: Array, width: int) -> Array:
    """Grey opening: what is higher for less than `width` values is shaved off; what is longer keeps its edges."""
    width = min(width, values.size)
    if width < 2:
        return values.copy()
    view = np.lib.stride_tricks.sliding_window_view
    eroded = view(values, width).min(axis=1)  # of the windows that lie within
    padded = np.r_[np.full(width - 1, -np.inf), eroded, np.full(width - 1, -np.inf)]
    opened: Array = view(padded, width).max(axis=1)
    return opened


def overs(rows: Rows) -> tuple[Over, ...]:
    """
    The overs in rows, in order of time.

    Rows longer than 2.5 s mix sending and receiving and are left out. An over that is not ended by the last row ends
    there. Raises ValueError for arrays of different lengths.
    """
    n = rows.begin_s.size
    if any(x.size != n for x in (rows.dt_s, rows.mean_a, rows.low_a, rows.high_a, rows.low_v)):
        raise ValueError("rows of different lengths")
    level = receive_level(rows)
    excess = rows.mean_a - level
    peak = np.fmax(rows.high_a, rows.mean_a) - level
    least = np.fmax(_LEAST_A, _LEAST_SHARE * np.abs(level))
    with np.errstate(invalid="ignore"):
        # A row of a second in which the peak is high and the mean is not, holds an end of an over, or a short one.
        above = (excess > least) | ((peak > least) & (excess > 0.1 * np.fmin(0.1 / rows.dt_s, 1.0) * peak))
    at = np.flatnonzero(above)
    if not at.size:
        return ()
    begin, end = rows.begin_s[at], rows.begin_s[at] + rows.dt_s[at]
    cuts = np.flatnonzero(begin[1:] - end[:-1] > HANG_S + 1e-6) + 1
    spans = [(int(part[0]), int(part[-1])) for part in np.split(at, cuts)]
    found = [one for a, b in spans if (one := _over(rows, level, excess, peak, a, b)) is not None]
    return tuple(one for one in found if not _is_small(one, found))


def _over(rows: Rows, level: Array, excess: Array, peak: Array, a: int, b: int) -> Over | None:
    dt = rows.dt_s[a : b + 1]
    added = np.where(np.isfinite(excess[a : b + 1]), excess[a : b + 1], 0.0)
    # Second by second, so that rows of any length mean the same by it.
    second = np.floor((rows.begin_s[a : b + 1] - rows.begin_s[a]) + 1e-6)
    tops = np.fmax.reduceat(peak[a : b + 1], np.flatnonzero(np.r_[True, np.diff(second) > 0]))
    tops = tops[np.isfinite(tops)]
    height = float(np.quantile(tops, 0.9)) if tops.size > 3 else float(tops.max())
    receive = float(np.nanmin(level[a : b + 1]))
    # The end of a block in which a lasting load was switched on looks like a short over.
    after = level[b + 1] if b + 1 < level.size else level[b]
    if dt.sum() <= _BLOCK_S + 1e-6 and after - level[a] > 0.5 * height:
        return None
    begin_s, end_s = float(rows.begin_s[a]), float(rows.begin_s[b] + rows.dt_s[b])
    if height > 0.0 and rows.dt_s[a] > 0.3:  # the first row and the last are in part before it and after it
        begin_s += float(rows.dt_s[a]) * (1.0 - min(1.0, max(0.0, added[0] / height)))
    if height > 0.0 and rows.dt_s[b] > 0.3 and b > a:
        end_s -= float(rows.dt_s[b]) * (1.0 - min(1.0, max(0.0, added[-1] / height)))
    added_c = float((added * dt).sum())
    length = max(1e-9, end_s - begin_s)
    fill = min(1.0, max(0.0, added_c / (length * height))) if height > 0.0 else 0.0
    volts = rows.low_v[a : b + 1]
    low_v = float(np.nanmin(volts)) if np.isfinite(volts).any() else float("nan")
    held = float((tops[1:-1] > 0.9 * height).mean()) if tops.size >= 5 else None
    return Over(begin_s, end_s, added_c, added_c + float((level[a : b + 1] * dt)[np.isfinite(level[a : b + 1])].sum()),
                receive, height, low_v, fill, _chances(fill, held, length))  # fmt: skip


def _is_small(one: Over, all_of: list[Over]) -> bool:
    near = [o.height_a for o in all_of if abs(o.begin_s - one.begin_s) <= _NEAR_S]
    return len(near) > 3 and one.height_a < _SMALL * float(np.median(near))


def _chances(fill: float, held: float | None, length_s: float) -> tuple[float, float, float]:
    """How likely each of `KINDS` is, all alike before; an over of less than six seconds says little."""
    worth = min(1.0, (length_s / 6.0) ** 2)
    logs = []
    for kind in KINDS:
        mean, sd = _FILL[kind]
        log = -0.5 * ((fill - mean) / sd) ** 2 - np.log(sd)
        if held is not None:
            mean, sd = _HELD[kind]
            log += -0.5 * ((held - mean) / sd) ** 2 - np.log(sd)
        logs.append(worth * log)
    odds = np.exp(np.array(logs) - max(logs))
    share = odds / odds.sum()
    return float(share[0]), float(share[1]), float(share[2])


def likely(of: Sequence[Over]) -> tuple[float, float, float]:
    """
    How likely each of `KINDS` is for overs that were sent alike, taken together. [-]

    Thirty overs say no more than ten: they are no independent witnesses of one voice. All alike where there are none.
    """
    if not of:
        return 1 / 3, 1 / 3, 1 / 3
    weight = min(1.0, 10.0 / len(of))
    logs = weight * np.log(np.maximum(np.array([o.chances for o in of]), 1e-6)).sum(axis=0)
    odds = np.exp(logs - logs.max())
    share = odds / odds.sum()
    return float(share[0]), float(share[1]), float(share[2])
