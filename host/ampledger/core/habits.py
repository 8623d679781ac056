"""
How the station has been used and what the sun has brought, in blocks of five minutes.

In: intervals in time order and the balance's view of them. Out: the last hours as arrays that the forecast draws from,
and the last overs' volts, from which it knows how far the pack's keyed volts lie off the curve. It forecasts nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ampledger.core.balance import Balance
from ampledger.core.model import Interval

_Array = NDArray[np.float64]

BLOCK_S = 300.0
_KEPT = 96  # blocks: eight hours
_LEAST_S = 60.0  # a block of which less was seen tells nothing
_LOW_RATE = 1.0 / 30.0  # how fast the receive level within a block may creep up again, per row
_OVER_SHARE = 0.5  # an over's row counts for the volts when its peak is at least this share of the highest lately
_OVERS_KEPT = 12


class Block(NamedTuple):
    """
    One block; currents in A, None never: NaN where nothing was seen.

    end_s : UTC. [s] load_a, solar_a : means. receive_a : the level between overs; key_a : highest in the block, about
    receive_a where nothing was sent. held : share of the time in which a full pack held the controller back. bus_v:
    mean.
    """

    end_s: float
    load_a: float
    receive_a: float
    key_a: float
    solar_a: float
    held: float
    bus_v: float


class Over(NamedTuple):
    """What a keyed row showed: when [s], battery volts at their lowest [V], current out of the pack then [A]."""

    end_s: float
    v: float
    out_a: float


class _Open(NamedTuple):
    """Sums over the block that is not closed yet."""

    begin_s: float = math.nan
    load_s: float = 0.0
    load_c: float = 0.0
    low_a: float = math.inf
    high_a: float = 0.0
    solar_s: float = 0.0
    solar_c: float = 0.0
    held_s: float = 0.0
    v_s: float = 0.0
    v_vs: float = 0.0


@dataclass(frozen=True, slots=True)
class Habits:
    """Everything remembered. blocks : oldest first, at most eight hours of them; overs : the last ones."""

    blocks: tuple[Block, ...] = ()
    overs: tuple[Over, ...] = ()
    open: _Open = _Open()

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "blocks": [[_out(x) for x in b] for b in self.blocks],
            "overs": [list(o) for o in self.overs],
            "open": [_out(x) for x in self.open],
        }

    @classmethod
    def from_dict(cls, saved: dict[str, Any]) -> Habits:
        """What `to_dict` gave. Raises KeyError, TypeError or ValueError for anything else."""
        return cls(
            tuple(Block(*(_in(x) for x in b)) for b in saved["blocks"]),
            tuple(Over(*(float(x) for x in o)) for o in saved["overs"]),
            _Open(*(_in(x) for x in saved["open"])),
        )

    def now(self) -> tuple[Block, ...]:
        """The blocks, with the open one behind them where enough of it was seen."""
        last = _closed(self.open, self.open.begin_s + BLOCK_S)
        return self.blocks if last is None else (*self.blocks, last)


def _out(x: float) -> float | str:
    return x if math.isfinite(x) else repr(x)


def _in(x: Any) -> float:
    return float(x)


def follow(habits: Habits, interval: Interval, balance: Balance, held: bool) -> Habits:
    """One interval on; `held`: a full pack holds the controller back (`BalanceState.held`)."""
    o, blocks = habits.open, habits.blocks
    if not math.isfinite(o.begin_s):
        o = _Open(interval.start_s)
    # A block ends with the row that reaches its end; after a hole, or a clock that was set, another begins.
    if not -BLOCK_S < interval.start_s - o.begin_s < 2.0 * BLOCK_S:
        blocks, o = _close(blocks, o, o.begin_s + BLOCK_S), _Open(interval.start_s)
    o = _gather(o, interval, held)
    if interval.end_s >= o.begin_s + BLOCK_S - 1e-6:
        blocks, o = _close(blocks, o, interval.end_s), _Open(interval.end_s)
    overs = habits.overs
    over = _over(interval, balance, overs)
    if over is not None:
        overs = (*overs, over)[-_OVERS_KEPT:]
    return Habits(blocks, overs, o)


def _charge(a: float | None, charge_c: float | None, dt_s: float) -> float | None:
    if charge_c is not None and math.isfinite(charge_c):
        return charge_c
    return None if a is None or not math.isfinite(a) else a * dt_s


def _gather(o: _Open, interval: Interval, held: bool) -> _Open:
    dt_s, load, solar, v = interval.dt_s, interval.load, interval.solar, interval.battery.v
    begin_s, load_s, load_c, low_a, high_a, solar_s, solar_c, held_s, v_s, v_vs = o
    if load is not None and (c := _charge(load.a, load.charge_c, dt_s)) is not None:
        load_s += dt_s
        load_c += c
        mean_a = c / dt_s
        least_a = load.a_min if load.a_min is not None and math.isfinite(load.a_min) else mean_a
        most_a = load.a_max if load.a_max is not None and math.isfinite(load.a_max) else mean_a
        low_a = max(0.0, least_a) if math.isinf(low_a) else min(max(0.0, least_a), low_a + _LOW_RATE * (mean_a - low_a))
        high_a = max(high_a, most_a)
    if solar is not None and (c := _charge(solar.a, solar.charge_c, dt_s)) is not None:
        solar_s += dt_s
        solar_c += c
        held_s += dt_s if held else 0.0
    if v is not None and math.isfinite(v):
        v_s += dt_s
        v_vs += v * dt_s
    return _Open(begin_s, load_s, load_c, low_a, high_a, solar_s, solar_c, held_s, v_s, v_vs)


def _closed(o: _Open, end_s: float) -> Block | None:
    if max(o.load_s, o.solar_s) < _LEAST_S:
        return None
    load_a = o.load_c / o.load_s if o.load_s else math.nan
    return Block(
        end_s,
        load_a,
        min(o.low_a, load_a) if o.load_s else math.nan,
        o.high_a if o.load_s else math.nan,
        o.solar_c / o.solar_s if o.solar_s else math.nan,
        o.held_s / o.solar_s if o.solar_s else 0.0,
        o.v_vs / o.v_s if o.v_s else math.nan,
    )


def _close(blocks: tuple[Block, ...], o: _Open, end_s: float) -> tuple[Block, ...]:
    block = _closed(o, end_s)
    return blocks if block is None else (*blocks, block)[-_KEPT:]


def _over(interval: Interval, balance: Balance, overs: tuple[Over, ...]) -> Over | None:
    """The row as an over, when its peak shows the key down."""
    tap = interval.battery
    if not balance.keyed or balance.receive_a is None:
        return None
    v, a = (tap.v_min, tap.a_min) if tap.v_min is not None and tap.a_min is not None else (tap.v, tap.a)
    if v is None or a is None or not (math.isfinite(v) and math.isfinite(a)) or -a <= 0.05:
        return None
    over = Over(interval.end_s, v, -a)
    if overs and interval.end_s - overs[-1].end_s < 15.0:  # of one over the lowest only
        return None if over.out_a <= overs[-1].out_a else over
    highest = max((x.out_a for x in overs), default=0.0)
    return over if over.out_a >= _OVER_SHARE * highest or interval.end_s - overs[-1].end_s > 900.0 else None


class Past(NamedTuple):
    """Blocks as arrays, shape (blocks,) each, as in `Block`."""

    end_s: _Array
    load_a: _Array
    receive_a: _Array
    key_a: _Array
    solar_a: _Array
    held: _Array
    bus_v: _Array


def arrays(blocks: tuple[Block, ...]) -> Past:
    """The same, one array for each figure; at least one block."""
    return Past(*(np.array(x, dtype=np.float64) for x in zip(*blocks, strict=True)))
