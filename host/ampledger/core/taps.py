"""
Which channel measures what: three taps can be wired in 48 ways, and a shunt can be bypassed.

In: about a minute of rows while somebody transmits in daylight. Out: the one wiring that fits, with the numbers that
prove it, or a refusal that says what is missing. What the controller gives is what battery, load and board take; that
alone fits a dozen wirings at least. The rest is told by physics: neither sun nor load is ever negative, the load is
what is keyed, and the volts of the bus follow the battery's current and no other.

`Guide` leads through the four steps of a commissioning check (everything off, radio on, sun on, transmit) and makes
a table of what they showed. The first three steps tell the wiring a second time, by what came on when.

What can't be told from the figures: a panel that somebody covers and uncovers sharply in place of keying looks like a
key on a load larger than the sun. That is why `decide` takes the rows of before as `quiet`, and `Guide` gives them.
Pure; it never corrects anything.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ampledger.core.model import Interval, Tap

Verdict = Literal["ok", "look", "wrong"]
Live = Literal["waiting", "seen", "odd", "done"]
_Array = NDArray[np.float64]

#: The taps, and the names of their channels.
NAMES = ("solar", "battery", "load")
_IS = ("the controller's output", "the battery", "the load")

# Output over input of a controller. Design notes of this project: 0.90 to 0.98 for a tracking one above 3 W,
# 0.97 to 1.0 for a simple one, a fault below 0.80 and above 1.02.
EFFICIENCY = (0.80, 1.02)
ENOUGH_W = 3.0  # the same notes: below it the controller's own draw is a large part
# How far three currents may miss: offsets of 10 mA each and what a controller draws for itself (8 to 25 mA, design
# notes), and three standard deviations of gains that are off by 1 % each (a shunt of 1 %, not calibrated).
_CLOSE_A, _CLOSE_SHARE = 0.05, 0.03
# What edges add to that in five seconds, as a share of the step: each chip averages over a part of its tenth of a
# second, and not the same part. A third of the step in each sample of Morse, over the root of 50 samples.
_APART = 0.05
_OUT = 1.5  # another wiring must break a rule by so much more: 4.5 where 1 is three standard deviations (judgement)
_BACK_A = 0.05  # a tap that only gives or only takes may show so much the other way: offset, a controller at night
_SUN_A = 0.2  # four times that: a sun whose sign can't be a controller's draw (judgement)
_STEP_A = 0.3  # the least that keying must change; the audio of a receiver changes a tenth (judgement)
_LEAST_S = 40.0  # "about a minute": two slots of 15 s with their pauses, or three overs (judgement)
_EDGES = 3  # key down, up and down again
_MANY = 8  # more than slots of 15 s make in a minute, and than the sun steps (judgement)
_HELD_CELL_V = 3.5  # an LFP cell from which current is drawn rests below; only a charger holds it above (judgement)
_MOST_CELL_V = 3.75  # a pack above it has other cells, or another number of them: nothing is concluded then (judgement)
_ODD_V = 0.5  # a panel's volts differ from the bus by more, two taps at the bus by less than _SAME_V (judgement)
_SAME_V = 0.3
_FITS = 0.6  # correlation of bus and battery; by chance a minute of rows gives 0.4 once in a thousand (1/sqrt(60) each)
_OHM = (0.001, 1.0)  # of any pack with its leads (judgement)
_REST_OK_A, _REST_WRONG_A = 0.010, 0.050  # design notes: an offset over 10 mA is warned of; the second is a judgement
_ROW_S = 2.5  # longer rows hide the steps of a key
_KEPT = 300  # rows of one second kept of a step


@dataclass(frozen=True, slots=True)
class Row:
    """One thing that was looked at: what was found, whether that is well, and what to do."""

    what: str
    found: str
    verdict: Verdict
    do: str = ""


# --- the ways to wire ---


@dataclass(frozen=True, slots=True)
class Wiring:
    """
    order : which channel (0 solar, 1 battery, 2 load) measures the solar, the battery's and the load's current.
    signs : +1, or -1 where that channel shows it reversed; same order.
    """

    order: tuple[int, ...] = (0, 1, 2)
    signs: tuple[int, ...] = (1, 1, 1)

    @property
    def mistakes(self) -> int:
        """How many there are: a reversed tap is one, two exchanged ones are one, all three two."""
        return self.signs.count(-1) + max(0, sum(c != i for i, c in enumerate(self.order)) - 1)

    def words(self) -> str:
        """In words, channel by channel."""
        said = []
        for channel, name in enumerate(NAMES):
            tap = self.order.index(channel)
            back = self.signs[tap] < 0
            if tap != channel:
                said.append(f"the channel called {name} measures {_IS[tap]}" + (", reversed" if back else ""))
            elif back:
                said.append(f"the channel called {name} is reversed")
        return "; ".join(said) or "every channel measures what it is called"

    def of(self, values: Sequence[float] | _Array) -> tuple[float, float, float]:
        """Solar, battery and load out of what the three channels show. [A]"""
        s, b, q = (sign * float(values[c]) for sign, c in zip(self.signs, self.order, strict=True))
        return s, b, q

    def columns(self, values: _Array) -> _Array:
        """The same of an array (n, 3)."""
        return np.asarray(values[:, list(self.order)] * np.array(self.signs, dtype=float), dtype=float)


#: All 48, fewest mistakes first.
WIRINGS = tuple(
    sorted(
        (Wiring(o, s) for o in itertools.permutations(range(3)) for s in itertools.product((1, -1), repeat=3)),
        key=lambda w: w.mistakes,
    )
)


def fitting(values: Sequence[float], own_a: float, limit_a: float, back_a: float) -> tuple[Wiring, ...]:
    """
    The wirings with the fewest mistakes (one at least) with which three steady currents would add up.

    values : as the channels solar, battery, load show them, the solar tap at the controller's output. [A]
    own_a : what the board draws beside the taps; limit_a : how far they may miss; back_a : how far solar and load
        may be negative. [A]
    Steady currents alone prove none of them: see `decide`.
    """
    found = []
    for w in WIRINGS[1:]:
        solar, battery, load = w.of(values)
        if abs(battery - (solar - load - own_a)) <= limit_a and min(solar, load) >= -back_a:
            found.append(w)
    least = min((w.mistakes for w in found), default=0)
    return tuple(w for w in found if w.mistakes == least)


def efficiency(panel_w: float, bus_v: float, battery_a: float, load_a: float, own_a: float) -> float | None:
    """What the controller gives over what the panel gives; None with too few watts. [-]"""
    return None if panel_w < ENOUGH_W else bus_v * (battery_a + load_a + own_a) / panel_w


# --- rows ---


class _Block(NamedTuple):
    """Rows as arrays, (n, 3) in the order of NAMES; `joined` (n-1,): whether a row follows on the one before."""

    a: _Array
    v: _Array
    low: _Array
    high: _Array
    own_a: float
    joined: NDArray[np.bool_]
    seconds: float


def _merged(part: Sequence[Interval]) -> Interval:
    """Rows that follow on each other as one."""
    if len(part) == 1:
        return part[0]
    spans = [x.dt_s for x in part]
    total = sum(spans)

    def mean(values: Sequence[float | None]) -> float | None:
        known = [v for v in values if v is not None]
        if len(known) < len(values):
            return None
        return sum(v * dt for v, dt in zip(known, spans, strict=True)) / total

    def tap(taps: Sequence[Tap | None]) -> Tap | None:
        have = [t for t in taps if t is not None]
        if len(have) < len(taps):
            return None
        lows = [t.a if t.a_min is None else t.a_min for t in have]
        highs = [t.a if t.a_max is None else t.a_max for t in have]
        return Tap(
            v=mean([t.v for t in have]),
            a=mean([t.a for t in have]),
            a_min=min((x for x in lows if x is not None), default=None),
            a_max=max((x for x in highs if x is not None), default=None),
            beyond=any(t.beyond for t in have),
        )

    battery = tap([x.battery for x in part])
    return replace(
        part[-1],
        start_s=part[0].start_s,
        dt_s=total,
        battery=battery or Tap(),
        solar=tap([x.solar for x in part]),
        load=tap([x.load for x in part]),
    )


def _taps(interval: Interval) -> tuple[Tap, Tap, Tap]:
    return interval.solar or Tap(), interval.battery, interval.load or Tap()


def _joins(before: Interval, after: Interval) -> bool:
    return abs(after.start_s - before.end_s) < 0.6


def _second(part: tuple[Interval, ...], interval: Interval) -> tuple[tuple[Interval, ...], Interval | None]:
    """Gather rows shorter than a second: the part of one that is under way, and one that is whole."""
    if interval.dt_s > _ROW_S or all(t.a is None for t in _taps(interval)):
        return (), None
    if part and not _joins(part[-1], interval):
        part = ()
    part = (*part, interval)
    if sum(x.dt_s for x in part) < 0.95:
        return part, None
    return (), _merged(part)


def _seconds(rows: Sequence[Interval]) -> list[Interval]:
    out: list[Interval] = []
    part: tuple[Interval, ...] = ()
    for interval in rows:
        part, whole = _second(part, interval)
        if whole is not None:
            out.append(whole)
    return out


def _block(rows: Sequence[Interval]) -> _Block:
    """Of rows of about a second; what is not known is NaN."""

    def number(value: float | None, other: float | None = None) -> float:
        return float(value) if value is not None else float(other) if other is not None else math.nan

    taps = [_taps(x) for x in rows]
    a = np.array([[number(t.a) for t in row] for row in taps]).reshape(-1, 3)
    v = np.array([[number(t.v) for t in row] for row in taps]).reshape(-1, 3)
    low = np.array([[number(t.a_min, t.a) for t in row] for row in taps]).reshape(-1, 3)
    high = np.array([[number(t.a_max, t.a) for t in row] for row in taps]).reshape(-1, 3)
    joined = np.array([_joins(x, y) for x, y in itertools.pairwise(rows)], dtype=bool)
    own = 0.0 if not rows or rows[-1].own_in_load else rows[-1].own_a
    return _Block(a, v, low, high, own, joined, float(sum(x.dt_s for x in rows)))


def _odd_volts(v: _Array) -> int | None:
    """The channel whose volts are not those of the other two, which agree: a panel's."""
    if np.isnan(v).any():
        return None
    m = np.median(v, axis=0)
    for i in range(3):
        p, q = (m[k] for k in range(3) if k != i)
        if abs(p - q) <= _SAME_V and abs(m[i] - (p + q) / 2.0) > _ODD_V and m[i] > 1.0:
            return i
    return None


class _Keys(NamedTuple):
    """Steps of a key in a series: how many edges, how large; edges 0: it is not keyed."""

    edges: int
    size_a: float


def _keys(mean: _Array, low: _Array, high: _Array, joined: NDArray[np.bool_]) -> _Keys:
    """
    Whether a current that is positive looks keyed: sharp edges, up and down, from a level that comes again.

    Clouds change over seconds, and to levels that don't come again. Few edges, as slots of data make them, are
    believed only between two levels and in the slots' own time.
    """
    span = float(high.max() - low.min())
    means = float(np.quantile(mean, 0.98) - np.quantile(mean, 0.02))
    none = _Keys(0, span)
    if span < _STEP_A or means < _STEP_A / 3.0:
        return none
    moves = np.where(joined, np.diff(mean), 0.0)
    way = np.sign(moves) * (np.abs(moves) > 0.15 * means)
    # An edge takes one row, or two when it falls between; what takes longer is no key.
    at, ups, downs = 0, list[float](), list[float]()
    for sign, group in itertools.groupby(way.tolist()):
        length = len(list(group))
        if sign and length <= 2:
            (ups if sign > 0 else downs).append(at + length / 2.0)
        at += length
    # Key up and down within a row are two more, and nothing but a key does that all the time.
    edges = max(len(ups) + len(downs), int(np.count_nonzero(high - low > 0.5 * span)))
    # Rest comes again, as it does with a key: within 2 % of the span, and 10 mA for noise (judgement).
    rest, middle = float(np.quantile(low, 0.02)), float(low.min()) + span / 2.0
    visits = _visits(low <= rest + 0.02 * span + 0.01, high > middle)
    if edges < _EDGES or visits < 2 or (edges < _MANY and not (ups and downs)):
        return none
    if edges < _MANY and not (_two_levels(mean, way) and _in_slots(ups) and _in_slots(downs)):
        return none
    return _Keys(edges, span)


def _two_levels(mean: _Array, way: _Array) -> bool:
    """Whether all rows that are not at an edge lie at one of two levels, within 1.5 % of the step and 5 mA."""
    edge = np.zeros(len(mean), dtype=bool)
    edge[:-1] |= way != 0.0
    edge[1:] |= way != 0.0
    calm = mean[~edge]
    if len(calm) < 10:
        return False
    upper = calm > (calm.min() + calm.max()) / 2.0
    if not upper.any() or upper.all():
        return False
    levels = np.where(upper, np.median(calm[upper]), np.median(calm[~upper]))
    close = 0.015 * float(levels.max() - levels.min()) + 0.005  # a transmitter that warms up (judgement)
    return bool(np.mean(np.abs(calm - levels) <= close) >= 0.95)


def _in_slots(edges: Sequence[float]) -> bool:
    """Whether edges of one direction lie whole slots apart, within a row: of 7.5 or 15 s, the usual ones."""
    return all(abs((y - x + 3.75) % 7.5 - 3.75) <= 1.0 for x, y in itertools.pairwise(edges))


def _visits(near: NDArray[np.bool_], away: NDArray[np.bool_]) -> int:
    """How many times a level was come to, from far away each time; a row may hold both."""
    count, left = 0, True
    for here, gone in zip(near.tolist(), away.tolist(), strict=True):
        if here and left:
            count, left = count + 1, False
        left = left or gone
    return count


# --- the decision ---


@dataclass(frozen=True, slots=True)
class Taps:
    """
    What a minute of keying says of the wiring.

    decided : one wiring fits and no other does. wiring : that one, else None.
    silent : the channel that shows nothing although something flows, "" none; missing : the tap that is therefore
        not measured, "" when it can't be told which. With a silent channel `wiring` holds what was concluded of the
        other two, and None where that can't be told.
    found : in words. why, do : why it is refused, and what to do.
    residual_a, rival_a : how far the three currents miss adding up (rms) with the wiring that fits best, and with
        the next; rival : the next in words, and what speaks against it. [A]
    bus_ohm, bus_fits : how far the bus falls per ampere that the battery gives, and the correlation of the two. [ohm]
    edges, step_a : steps of the key that were seen, and how large they are. [A]
    battery_follows, solar_follows : the share of such a step that battery and solar show. [-]
    panel_side : whether the solar tap sits at the panel, by its volts; None: can't be told.
    efficiency : the controller's, solar tap at the panel. [-]
    seconds : how much was looked at. [s]
    """

    decided: bool
    found: str
    why: str = ""
    do: str = ""
    wiring: Wiring | None = None
    silent: str = ""
    missing: str = ""
    residual_a: float | None = None
    rival_a: float | None = None
    rival: str = ""
    bus_ohm: float | None = None
    bus_fits: float | None = None
    edges: int = 0
    step_a: float = 0.0
    battery_follows: float | None = None
    solar_follows: float | None = None
    panel_side: bool | None = None
    efficiency: float | None = None
    seconds: float = 0.0

    @property
    def right(self) -> bool:
        """Whether every channel measures what it is called."""
        return self.decided and not self.silent and self.wiring == WIRINGS[0]

    def proof(self) -> str:
        """The numbers, in words."""
        said = []
        if self.residual_a is not None:
            said.append(f"the currents miss adding up by {self.residual_a * 1e3:.0f} mA")
        if self.rival_a is not None:
            said.append(f"next: {self.rival}, {self.rival_a * 1e3:.0f} mA")
        if self.edges:
            said.append(f"{self.edges} steps of the key of up to {self.step_a:.2f} A")
        if self.battery_follows is not None and self.solar_follows is not None:
            shares = f"battery shows {self.battery_follows * 100:.0f} %, solar {self.solar_follows * 100:.0f} %"
            said.append(f"{shares} of a step")
        if self.bus_ohm is not None and self.bus_fits is not None:
            said.append(f"bus falls {self.bus_ohm * 1e3:.0f} mV per ampere drawn (correlation {self.bus_fits:.2f})")
        if self.efficiency is not None:
            said.append(f"controller gives {self.efficiency * 100:.0f} % of the panel's watts")
        return "; ".join(said)

    def to_dict(self) -> dict[str, Any]:
        """For JSON."""
        plain = asdict(self)
        plain["right"], plain["proof"] = self.right, self.proof()
        return plain


_AGAINST = {
    "adds up": "does not add up",
    "sun": "the sun would draw",
    "load": "the load would give",
    "bus": "the bus does not follow its battery",
    "key": "its load is not keyed",
    "volts": "its volts are not a panel's",
    "follows": "its sun would follow the key",
}


class _Trial(NamedTuple):
    """One wiring tried: how far it breaks each rule (1: just within, _OUT: surely broken), and its figures."""

    wiring: Wiring
    missing: int | None
    broken: Mapping[str, float]
    held: float
    residual_a: float
    ohm: float
    fits: float
    keys: _Keys
    follows: tuple[float, float]
    efficiency: float | None
    x: _Array

    @property
    def worst(self) -> float:
        return max(self.broken.values())

    @property
    def against(self) -> str:
        return max(self.broken, key=lambda k: self.broken[k])


class _Context(NamedTuple):
    block: _Block
    odd: int | None
    bus: _Array  # (n,)
    held_v: float | None
    span_a: float  # largest step of any channel
    moves: _Array  # (m, 3), of the three currents from row to row
    left: float  # share of the bus's moves that the three together leave unexplained


def _corr(x: _Array, y: _Array) -> float:
    xx, yy = float(x @ x), float(y @ y)
    return 0.0 if xx <= 0.0 or yy <= 0.0 else float(x @ y) / math.sqrt(xx * yy)


def _moves(x: _Array, joined: NDArray[np.bool_]) -> _Array:
    """From row to row, (n-1,) or (n-1, k), less their mean: a pack's volts drift while it is charged."""
    d = np.diff(x, axis=0)[joined]
    return np.asarray(d - d.mean(axis=0), dtype=float)


def _left(x: _Array, y: _Array) -> float:
    """
    Share of the squares of y (n,) that x (n, k) leaves. A pack's resistance is not quite a constant: what is below
    1 % proves nothing (judgement).
    """
    yy = float(y @ y)
    if yy <= 0.0:
        return 1.0
    rest = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    return min(max(float(rest @ rest) / yy, 0.01), 1.0)


def _against_bus(c: _Context, x_b: _Array, volts: _Array, rivals: bool) -> tuple[float, float, float]:
    """
    How far a series breaks the rule that the bus follows the battery's current; ohms, and the correlation.

    rivals : whether it must do as well as the other currents, too; one that is made of others can't.
    """
    on = c.block.joined
    db, dv = _moves(x_b, on), _moves(volts, on)
    fits = _corr(db, dv)
    ohm = float(db @ dv) / max(float(db @ db), 1e-12)
    if fits >= _FITS:
        # What the other two channels could explain beside it: a likelihood ratio, with half the rows counted, as
        # neighbours share their edges.
        more = len(dv) / 2.0 * math.log(_left(db[:, None], dv) / _left(c.moves, dv)) if rivals else 0.0
        broken = max(more / 10.0, 0.0 if _OHM[0] <= ohm <= _OHM[1] else 3.0)
    elif _held(c):
        broken = -4.0 * fits  # the controller keeps the volts: only a contradiction counts
    else:
        broken = (1.0 - fits) / 0.2
    return min(broken, 9.0), ohm, fits


def _fives(x: _Array) -> _Array:
    """
    Means of five rows. The chips do not sample at one instant: an edge of the key is in one channel's row before it
    is in another's, which five rows make a fifth of.
    """
    at = np.arange(0, len(x), 5)
    return np.asarray(np.add.reduceat(x, at) / np.diff(np.append(at, len(x))), dtype=float)


def _held(c: _Context) -> bool:
    """Whether the controller keeps the volts of a full pack, so that no current explains what little they move."""
    still = c.left > 1.0 - _FITS * _FITS
    return still and c.held_v is not None and float(np.mean(c.bus > c.held_v)) >= 0.9


def _try(c: _Context, wiring: Wiring, missing: int | None = None) -> _Trial:
    """
    missing : a tap that no channel measures; what it must carry is made from the other two.
    """
    b = c.block
    x = wiring.columns(b.a)
    low, high = wiring.columns(b.low), wiring.columns(b.high)
    low, high = np.minimum(low, high), np.maximum(low, high)
    panel = c.odd is not None
    broken: dict[str, float] = {}
    eta: float | None = None
    beyond = 0.0
    solar = x[:, 0]
    if panel:
        broken["volts"] = 0.0 if wiring.order[0] == c.odd or missing == 0 else 3.0
        panel_w = b.v[:, wiring.order[0]] * x[:, 0]
        if missing is None:
            out_w = c.bus * (x[:, 1] + x[:, 2] + b.own_a)
            power = float(panel_w @ panel_w)
            eta = float(panel_w @ out_w) / power if power > 0.0 else 0.0
            beyond = max(eta - EFFICIENCY[1], EFFICIENCY[0] - eta, 0.0)
            if float(panel_w.mean()) < ENOUGH_W:
                broken["sun"] = 3.0
        else:
            eta = 0.94  # the middle of what tracking controllers give, for the making of a missing one only
        solar = eta * panel_w / c.bus
        eta = eta if missing is None else None
    if missing is not None:
        x = x.copy()
        s, q, bat = solar, x[:, 2], x[:, 1]
        x[:, missing] = (bat + q + b.own_a, s - q - b.own_a, s - bat - b.own_a)[missing]
        if missing == 0:
            solar = x[:, 0]
        low[:, missing] = high[:, missing] = x[:, missing]
        level = float(np.abs(x[:, missing]).max())
        broken["adds up"] = 0.2 / max(level, 1e-3) if level < 0.4 else 0.0
    residual = _fives(solar - x[:, 1] - x[:, 2] - b.own_a)
    miss = float(np.sqrt(np.mean(residual**2)))
    if missing is None:
        norm = float(np.sqrt(np.mean(x[:, 1] ** 2 + x[:, 2] ** 2 + solar**2)))
        mean, apart = _CLOSE_SHARE * norm, _APART * c.span_a
        close = math.hypot(_CLOSE_A, mean, apart)
        level = abs(float(residual.mean())) / math.hypot(_CLOSE_A, mean, apart / math.sqrt(len(residual)))
        # An efficiency that is impossible counts by the amps that it is off.
        off = beyond * abs(float(np.mean(panel_w / c.bus))) if panel else 0.0
        broken["adds up"] = min(max((miss + off) / close, level), 9.0)
        if max(broken["adds up"], broken.get("volts", 0.0)) > 2.5:
            # Out already; most of the 48 are.
            return _Trial(wiring, missing, broken, 0.0, miss, 0.0, 0.0, _Keys(0, 0.0), (0.0, 0.0), eta, x)
    mean_s = float(solar.mean())
    broken["sun"] = max(
        broken.get("sun", 0.0),
        min(_SUN_A / max(mean_s, 1e-3), 9.0),
        float(-np.quantile(_fives(solar) if missing == 0 else solar, 0.05)) / _BACK_A,
    )
    load = _fives(x[:, 2]) if missing == 2 else x[:, 2]
    broken["load"] = max(0.0, float(-np.quantile(load, 0.05)) / _BACK_A)
    # Volts and amps of one chip are of one instant.
    own_v = b.v[:, wiring.order[1]]
    other = missing == 1 or wiring.order[1] == c.odd or bool(np.isnan(own_v).any())
    broken["bus"], ohm, fits = _against_bus(c, x[:, 1], c.bus if other else own_v, rivals=missing is None)
    keys = _keys(x[:, 2], low[:, 2], high[:, 2], b.joined)
    broken["key"] = 0.0 if keys.edges else 3.0
    # At a charger's volts the battery is charged; where they stand still it rests on that alone, and must be plain.
    high_v = c.bus > c.held_v if c.held_v is not None else np.zeros(len(c.bus), dtype=bool)
    held = max(0.0, -float(x[high_v, 1].mean()) / 0.1) if high_v.mean() > 0.3 else 0.0
    if fits < _FITS:
        held = max(held, min(0.2 / max(float(x[:, 1].mean()), 1e-3), 9.0))
    dl, on = np.diff(x[:, 2])[b.joined], b.joined
    square = max(float(dl @ dl), 1e-12)
    follows = float(np.diff(x[:, 1])[on] @ dl) / square, float(np.diff(solar)[on] @ dl) / square
    if missing is not None and high_v.mean() <= 0.3:
        broken["follows"] = max(0.0, (abs(follows[1]) - 0.15) / 0.15)
    return _Trial(wiring, missing, broken, held, miss, ohm, fits, keys, follows, eta, x)


def decide(rows: Sequence[Interval], quiet: Sequence[Interval] = (), series: int | None = 4) -> Taps:
    """
    Which wiring holds, from about a minute in which somebody transmitted now and then, in daylight.

    rows : in time order, 0.05 to 2.5 s long, of the same placement and box; gaps may be among them.
    quiet : rows from before, in which nobody transmitted; when what looks like a key was there too, it is refused.
    series : LFP cells in series, for knowing a pack that is held full by its controller; None: not known.

    Never guesses: refused are nights, reception only, packs held full that take nothing, and whatever fits two
    wirings or none.
    """
    block, dead = _answered(_seconds(rows))
    odd = _odd_volts(block.v) if len(block.v) else None
    same_v = len(block.v) > 0 and not np.isnan(block.v).any() and float(np.ptp(np.median(block.v, axis=0))) <= _SAME_V
    panel = True if odd is not None else False if same_v else None

    def refused(why: str, do: str, **more: Any) -> Taps:
        return Taps(False, f"Not decided: {why}.", why, do, seconds=block.seconds, panel_side=panel, **more)

    if dead:
        return refused(f"the channel called {' and '.join(dead)} does not answer", "First get its chip to answer.")
    if block.seconds < _LEAST_S or np.count_nonzero(block.joined) < _LEAST_S / _ROW_S / 2.0:
        return refused(f"{block.seconds:.0f} s of readings, {_LEAST_S:.0f} are needed", "Go on for about a minute.")
    at_bus = [i for i in range(3) if i != odd and not np.isnan(block.v[:, i]).any()]
    if not at_bus or float(np.median(block.v[:, at_bus])) < 1.0:
        return refused("no channel tells volts", "Is the battery connected, and its fuse in?")
    keyed = (
        _keys(s * block.a[:, i], *_ends(s, block.low[:, i], block.high[:, i]), block.joined).edges > 0
        for i in range(3)
        for s in (1, -1)
    )
    if not any(keyed) and _silent(block) is None:
        why = "no steps of a key are seen: it looks like reception only"
        return refused(why, "Transmit for about a minute, with pauses.")
    c = _context(block, odd, at_bus, series)
    trials = sorted((_try(c, w) for w in WIRINGS), key=lambda t: t.worst)
    best, rival = trials[0], trials[1]
    figures = _figures(best, rival)
    near = [t for t in trials if t.worst < _OUT]
    if len(near) > 1 or best.fits < _FITS:
        near = [t for t in near if t.held < _OUT]  # only a tie is broken by what a charger's volts mean
        near = [] if near and near[0].held > 1.0 else near
    if len(near) == 1 and near[0].worst <= 1.0:
        best = near[0]
        figures = _figures(best, next(t for t in trials if t is not best))
        if _stepped_before(best, quiet):
            why = "the same steps were there before anybody transmitted"
            return refused(why, "Again when the sun is steady, or with nothing else that switches.", **figures)
        words = best.wiring.words()
        words = words[0].upper() + words[1:] + "."
        return Taps(True, words, wiring=best.wiring, panel_side=panel, seconds=block.seconds, **figures)
    if best.worst > 1.0:
        # By night solar shows nothing, and nothing is missing.
        missing = None if _but_for(trials, "sun") else _missing(c, quiet, panel)
        if missing is not None:
            return missing
        if best.against == "adds up":
            return refused(
                "the three currents add up in none of the 48 ways",
                "Look at shunt values in board.toml and at sense leads; compare each channel with a meter "
                "(ampledger board calibrate).",
                **figures,
            )
    return refused(*_why(c, best, trials), **figures)


def _answered(whole: Sequence[Interval]) -> tuple[_Block, list[str]]:
    """The rows in which all channels answered, and the channels that mostly did not."""
    block = _block(whole)
    lost_a, lost_v = np.isnan(block.a), np.isnan(block.v)
    if not len(whole) or not (lost_a.any() or lost_v.any()):
        return block, []
    dead = [name for name, share in zip(NAMES, lost_a.mean(axis=0), strict=True) if share > 0.5]
    bad = lost_a.any(axis=1) | (lost_v & (lost_v.mean(axis=0) <= 0.5)).any(axis=1)
    return _block([x for x, out in zip(whole, bad, strict=True) if not out]), dead


def _ends(sign: int, low: _Array, high: _Array) -> tuple[_Array, _Array]:
    """Lowest and highest of a series times a sign."""
    return (low, high) if sign > 0 else (-high, -low)


def _context(block: _Block, odd: int | None, at_bus: Sequence[int], series: int | None) -> _Context:
    bus = np.maximum(block.v[:, list(at_bus)].mean(axis=1), 0.1)  # a row without volts must divide nothing by 0
    held_v = None
    if series and float(np.median(bus)) < _MOST_CELL_V * series:
        held_v = _HELD_CELL_V * series
    d = _moves(block.a, block.joined)
    spans = np.quantile(block.high, 0.98, axis=0) - np.quantile(block.low, 0.02, axis=0)
    return _Context(block, odd, bus, held_v, float(spans.max()), d, _left(d, _moves(bus, block.joined)))


def _figures(best: _Trial, rival: _Trial | None) -> dict[str, Any]:
    words = f"{rival.wiring.words()} ({_AGAINST[rival.against]})" if rival else ""
    return {
        "residual_a": best.residual_a if best.missing is None else None,
        "rival_a": rival.residual_a if rival else None,
        "rival": words,
        "bus_ohm": best.ohm,
        "bus_fits": best.fits,
        "edges": best.keys.edges,
        "step_a": best.keys.size_a,
        "battery_follows": best.follows[0],
        "solar_follows": best.follows[1],
        "efficiency": best.efficiency,
    }


def _stepped_before(best: _Trial, quiet: Sequence[Interval]) -> bool:
    """Whether what is taken for the load stepped as much when nobody transmitted."""
    block = _block(_seconds(quiet))
    if len(block.a) < 5 or np.isnan(block.a).any():
        return False
    x = best.wiring.columns(block.a)[:, 2]
    span = float(np.quantile(x, 0.98) - np.quantile(x, 0.02))
    return span > 0.3 * best.keys.size_a


def _but_for(trials: Sequence[_Trial], rule: str) -> bool:
    """Whether some wiring breaks this rule and no other."""
    rest = ([v for k, v in t.broken.items() if k != rule] for t in trials if t.broken.get(rule, 0.0) >= 1.0)
    return any(max(others) <= 1.0 for others in rest)


def _why(c: _Context, best: _Trial, trials: Sequence[_Trial]) -> tuple[str, str]:
    """Why several wirings fit, or the best one not well enough; and what to do."""
    near = [t for t in trials if t.worst < _OUT]

    if not near and _but_for(trials, "sun"):
        return "hardly any sun: by night battery and load can't be told apart", "Again in daylight, panel connected."
    if not near and _but_for(trials, "key"):
        return "the load shows no steps of a key: it looks like reception only", "Transmit for a minute, with pauses."
    if len(near) != 1 and c.held_v is not None and float(np.mean(c.bus > c.held_v)) > 0.3:
        return (
            "the controller holds the pack full, and too little flows into it to tell directions",
            "Cover a part of the panel, or transmit with it covered for some minutes, until the volts follow the key.",
        )
    if not near and _but_for(trials, "bus"):
        return (
            "the volts of the bus do not follow the key",
            "Again with more power, or with less sun: the volts must fall by some hundredths of a volt.",
        )
    if len(near) > 1:
        words = " or: ".join(t.wiring.words() for t in near[:2])
        return f"more than one wiring fits ({words})", "Again with more sun, more power and more pauses."
    why = f"the best wiring ({best.wiring.words()}) fits badly: {_AGAINST[best.against]}"
    return why, "Again in steady sun."


def _silent(block: _Block) -> int | None:
    """The one channel that shows nothing all the time."""
    still = [
        i for i in range(3) if abs(float(block.a[:, i].mean())) < _BACK_A and float(np.ptp(block.a[:, i])) < _BACK_A
    ]
    return still[0] if len(still) == 1 else None


def _missing(c: _Context, quiet: Sequence[Interval], panel: bool | None) -> Taps | None:
    """A channel that shows nothing although something must flow; None when that is not it."""
    b = c.block
    dead = _silent(b)
    if dead is None:
        return None
    tried = []
    for w in WIRINGS:
        tap = w.order.index(dead)
        if w.signs[tap] > 0:  # the sign of nothing is no difference
            tried.append(_try(c, w, missing=tap))
    tried.sort(key=lambda t: t.worst)
    best, rival = tried[0], tried[1]
    if best.worst > 1.0 or _stepped_before(best, quiet):
        return None
    name = NAMES[dead]
    do = (
        f"With fuse out and panel covered, look at the sense leads of the {name} shunt, and for a way around it: a "
        "second ground, a branch joined at its wrong side."
    )
    both = {t.missing for t in tried if t.worst < _OUT}
    figures = _figures(best, None)
    if rival.worst < _OUT:
        if len(both) == 1:
            taps = best
            missing = NAMES[taps.missing or 0]
        else:
            missing = ""
        found = f"The channel called {name} shows nothing although the other two do not add up"
        found += f": {_IS[NAMES.index(missing)]} is not measured." if missing else "."
        why = "how the other two are wired can't be told without it"
        return Taps(False, found, why, do, None, name, missing, panel_side=panel, seconds=b.seconds, **figures)
    assert best.missing is not None
    missing = NAMES[best.missing]
    flows = float(best.x[:, best.missing].mean())
    found = f"The channel called {name} shows nothing while {flows:+.2f} A (mean) must flow: "
    found += f"{_IS[best.missing]} is not measured. Of the rest, {_others(best.wiring, dead)}."
    return Taps(True, found, "", do, best.wiring, name, missing, panel_side=panel, seconds=b.seconds, **figures)


def _others(w: Wiring, dead: int) -> str:
    said = []
    for tap in range(3):
        if w.order[tap] != dead:
            back = ", reversed" if w.signs[tap] < 0 else ""
            said.append(f"the channel called {NAMES[w.order[tap]]} measures {_IS[tap]}{back}")
    return " and ".join(said)


# --- the guided check ---


@dataclass(frozen=True, slots=True)
class Stage:
    """One step of the guided check: what to do, with what caution, and what is looked at."""

    name: str
    say: str
    caution: str
    looks: str


STAGES = (
    Stage(
        "everything off",
        "Switch everything off: radio, accessories, and the panel covered or unplugged on its own side of the "
        "controller. The battery stays connected.",
        "The box stays live: no hands, tools or rings near bare ends. Wires are changed only with the battery's fuse "
        "out and the panel covered.",
        "what each channel shows while nothing should flow, and what flows all the same",
    ),
    Stage(
        "radio on",
        "Switch the radio on and leave it on receive.",
        "If anything smells, smokes or gets hot, take the battery's fuse out.",
        "on which two channels the radio's draw appears, and which way round",
    ),
    Stage(
        "sun on",
        "Uncover the panel, or plug it in, as much in the sun as can be. The radio stays on receive.",
        "A panel in the sun is live at its plug: keep it dry and the right way round; battery first.",
        "on which two channels the sun's current appears, and by its volts where the solar tap sits",
    ),
    Stage(
        "transmit",
        "Transmit for about a minute, with pauses: speak, send Morse, or use two or three slots of data.",
        "Into a dummy load, or on a clear frequency as your licence and the rules of the place allow. Keep people away "
        "from the antenna, and feel afterwards which leads got warm.",
        "steps of the key: which channels follow them, and how far the volts fall",
    ),
)
_ENOUGH_ROWS = 5  # seconds that make a level (judgement)
_SEEN_A = 0.05  # the least change that counts, five times an offset of 10 mA
_SUN_SEEN_A = 0.1  # controllers draw up to 25 mA for themselves (design notes); four times that


@dataclass(frozen=True, slots=True)
class Guide:
    """
    The guided check: four steps, what is seen of each as rows come, and the table at its end.

    `take` and `next` hand out a new one; nothing is changed anywhere. Rows may be of 0.05 to 2.5 s.

    series : LFP cells in series; None: not known.
    step : 0 to 3, 4 when all is done. kept : rows of about a second, per step. part : of a second under way.
    """

    series: int | None = 4
    step: int = 0
    kept: tuple[tuple[Interval, ...], ...] = ((), (), (), ())
    part: tuple[Interval, ...] = ()
    _taps: Taps | None = field(default=None, repr=False, compare=False)
    _table: tuple[Row, ...] | None = field(default=None, repr=False, compare=False)

    @property
    def done(self) -> bool:
        """Whether all steps are through."""
        return self.step >= len(STAGES)

    def take(self, interval: Interval) -> Guide:
        """One row on."""
        if self.done:
            return self
        part, whole = _second(self.part, interval)
        if whole is None:
            return replace(self, part=part)
        rows = (*self.kept[self.step], whole)[-_KEPT:]
        kept = (*self.kept[: self.step], rows, *self.kept[self.step + 1 :])
        new = replace(self, part=part, kept=kept)
        # It is a few milliseconds' work, so once in five seconds and when it is asked for at the end.
        if self.step == 3 and len(rows) % 5 == 0:
            return replace(new, _taps=new._decide())
        return new

    def next(self) -> Guide:
        """On to the next step, whatever was seen of this one."""
        if self.done:
            return self
        new = replace(self, step=self.step + 1, part=())
        if new.done:
            new = replace(new, _taps=new._decide())
            return replace(new, _table=new._rows())
        return new

    def again(self) -> Guide:
        """The present step from its beginning."""
        if self.done:
            return self
        kept = (*self.kept[: self.step], (), *self.kept[self.step + 1 :])
        return replace(self, part=(), kept=kept, _taps=None)

    def _decide(self) -> Taps:
        return decide(self.kept[3], quiet=self.kept[2], series=self.series)

    @property
    def taps(self) -> Taps:
        """What the transmitting says so far."""
        return self._taps or self._decide()

    # --- live ---

    def live(self) -> tuple[Live, str, str]:
        """Of the present step: waiting, seen or odd (not as expected); what is seen; what to do."""
        if self.done:
            return "done", self.taps.found, self.taps.do
        rows = self.kept[self.step]
        if not rows:
            return "waiting", "No readings yet.", ""
        dead = [n for n, t in zip(NAMES, _taps(rows[-1]), strict=True) if t.a is None]
        if dead:
            silent = " and ".join(dead)
            return "odd", f"The channel called {silent} does not answer.", "First get its chip to answer."
        return (self._live_off, self._live_radio, self._live_sun, self._live_keys)[self.step]()

    def _level(self, step: int, last: int = _ENOUGH_ROWS) -> _Array | None:
        """
        Amps of the last rows of a step; None: too few, or a channel that does not answer.

        Their median, as somebody may have switched before he said so.
        """
        rows = self.kept[step][-last:]
        if len(rows) < _ENOUGH_ROWS:
            return None
        a = np.median(_block(rows).a, axis=0)
        return None if np.isnan(a).any() else a

    def _change(self, step: int) -> _Array | None:
        before, now = self._level(step - 1, 9), self._level(step)
        return None if before is None or now is None else now - before

    def _own(self) -> tuple[float, float, float]:
        """What the board itself makes the taps solar, battery, load show, as it is told. [A]"""
        rows = next((r for r in self.kept if r), ())
        own = rows[-1].own_a if rows else 0.0
        return 0.0, -own, own if rows and rows[-1].own_in_load else 0.0

    def _live_off(self) -> tuple[Live, str, str]:
        rows = self.kept[0]
        volts = [t.v for t in _taps(rows[-1]) if t.v is not None]
        if volts and max(volts) < 1.0:
            return "odd", "No volts at any channel.", "Connect the battery and put its fuse in."
        level = self._level(0)
        if level is None:
            return "waiting", f"{len(rows)} s of readings; {_ENOUGH_ROWS} are needed.", ""
        text = _three(level)
        flows = [n for n, a in zip(NAMES, level, strict=True) if abs(a) > _REST_WRONG_A - self._own()[1]]
        if flows:
            do = "Is something still on, or the sun on the panel? If surely not, go on: the table says more."
            return "odd", f"{text}: something flows through {' and '.join(flows)}.", do
        return "seen", f"{text}: nothing much flows.", "Go on."

    def _live_radio(self) -> tuple[Live, str, str]:
        change = self._change(1)
        if change is None:
            return "waiting", f"{len(self.kept[1])} s of readings; {_ENOUGH_ROWS} are needed.", ""
        moved = np.abs(change) > _SEEN_A
        text = "Since everything was off: " + _three(change)
        if not moved.any():
            return "waiting", text + ".", ""
        sizes = np.abs(change[moved])
        if moved.sum() == 2 and np.ptp(sizes) <= _near(float(sizes.max())):
            names = " and ".join(n for n, m in zip(NAMES, moved, strict=True) if m)
            return "seen", f"{text}: the radio's draw appears on {names}.", "Go on."
        if moved.sum() == 1:
            name = NAMES[int(np.argmax(moved))]
            do = "If it stays so, a tap is missing: a shunt with a way around it, or a sense lead that is open."
            return "odd", f"{text}: it appears on {name} alone, and should on two channels alike.", do
        do = "Is the panel covered, and nothing else changing? Then go on: the table says more."
        return "odd", f"{text}: it should appear on two channels alike.", do

    def _live_sun(self) -> tuple[Live, str, str]:
        change = self._change(2)
        if change is None:
            return "waiting", f"{len(self.kept[2])} s of readings; {_ENOUGH_ROWS} are needed.", ""
        moved = np.abs(change) > _SUN_SEEN_A
        text = "Since before the sun: " + _three(change)
        odd = _odd_volts(_block(self.kept[2][-_ENOUGH_ROWS:]).v)
        if odd is not None:
            v = [t.v or 0.0 for t in _taps(self.kept[2][-1])]
            text += f"; {NAMES[odd]} shows {v[odd]:.1f} V, the others {sum(v) / 2 - v[odd] / 2:.1f} V"
        if not moved.any():
            return "waiting", text + ".", "Controllers take up to a minute to begin. Without sun taps can't be told."
        if moved.sum() == 2:
            names = " and ".join(n for n, m in zip(NAMES, moved, strict=True) if m)
            return "seen", f"{text}: the sun's current appears on {names}.", "Go on."
        do = "Is the pack full, or the load changing? Then go on: the table says more."
        return "odd", f"{text}: it should appear on two channels.", do

    def _live_keys(self) -> tuple[Live, str, str]:
        seconds = sum(x.dt_s for x in self.kept[3])
        taps = self.taps
        if taps.seconds < _LEAST_S:
            return "waiting", f"{seconds:.0f} s of readings; about a minute is needed.", ""
        keyed = f" {taps.edges} steps of the key, of up to {taps.step_a:.1f} A." if taps.edges else ""
        if taps.right:
            return "seen", taps.found + keyed, "Go on, to the table."
        if taps.decided:
            return "odd", taps.found + keyed, "Go on: the table says what to do."
        if seconds < 90.0:
            return "waiting", f"{seconds:.0f} s of readings: {taps.why}.", taps.do
        return "odd", taps.found, taps.do

    # --- what the switching says ---

    def switched(self) -> Wiring | None:
        """
        The wiring by what came on when: radio on load and battery, sun on solar and battery. None: can't be told.

        It takes the operator's word for what was switched.
        """
        radio, sun = self._change(1), self._change(2)
        if radio is None or sun is None:
            return None
        odd = _odd_volts(_block(self.kept[2][-_ENOUGH_ROWS:]).v)
        fits = []
        for w in WIRINGS:
            (s1, b1, l1), (s2, b2, l2) = w.of(radio), w.of(sun)
            if odd is not None and w.order[0] != odd:
                continue
            near1, near2 = _near(abs(l1)), _near(abs(b2))
            good = l1 > _SEEN_A and abs(s1) < near1 and abs(l1 + b1) < near1
            good = good and s2 > _SUN_SEEN_A and b2 > _SUN_SEEN_A and abs(l2) < max(near2, 0.1 * abs(l1))
            if good and (odd is not None or abs(s2 - b2) < near2):
                fits.append(w)
        return fits[0] if len(fits) == 1 else None

    # --- the table ---

    def table(self) -> tuple[Row, ...]:
        """What the steps showed so far, row by row."""
        return self._rows() if self._table is None else self._table

    def _rows(self) -> tuple[Row, ...]:
        taps, switched = self.taps, self.switched()
        wiring = taps.wiring if taps.decided else switched
        out = [*self._rest_rows(wiring or WIRINGS[0]), *self._switch_rows(wiring)]
        out.append(self._taps_row(taps, switched))
        if taps.decided and not taps.silent:
            out += self._sum_rows(taps)
        out.append(self._placement_row(taps))
        return tuple(out)

    def _rest_rows(self, wiring: Wiring) -> list[Row]:
        level = self._level(0, 9)
        if level is None:
            do = "Again, with everything off at the beginning."
            return [Row("at rest", "not looked at, or a channel does not answer", "look", do)]
        out = []
        for channel, name in enumerate(NAMES):
            tap = wiring.order.index(channel)
            own = self._own()[tap]
            off = wiring.signs[tap] * float(level[channel]) - own
            text = f"{level[channel] * 1e3:+.1f} mA with everything off"
            text += f"; the board draws {abs(own) * 1e3:.1f} mA, as it is told" if own else ""
            if abs(off) <= _REST_OK_A:
                out.append(Row(f"{name} at rest", text, "ok"))
                continue
            text += f": {abs(off) * 24:.2f} Ah in a day" + (" beside that" if own else "")
            do = "The controller's own draw (8 to 25 mA are usual), or an offset: ampledger board calibrate --zero"
            verdict: Verdict = "look"
            if abs(off) > _REST_WRONG_A:
                do = "Something is on, or a sense lead is loose: find it before you trust the counts."
                verdict = "wrong"
            out.append(Row(f"{name} at rest", text, verdict, do))
        return out

    def _switch_rows(self, wiring: Wiring | None) -> list[Row]:
        """Direction and size of each tap, by switching."""
        out = []
        right = ("battery down, load up by the same, solar still", "solar and battery up, load still")
        for step, what, want in zip((1, 2), ("radio on", "sun on"), right, strict=True):
            change = self._change(step)
            if change is None:
                out.append(Row(what, "not looked at", "look", f"Again, with the step: {STAGES[step].say}"))
                continue
            text = _three(change)
            s, b, q = (float(x) for x in change)
            limit = _near(max(abs(s), abs(b), abs(q)))
            if max(abs(s), abs(b), abs(q)) < (_SEEN_A if step == 1 else _SUN_SEEN_A):
                do = "Was it on? By night, or with the pack full, this can't be looked at."
                out.append(Row(what, f"{text}: nothing came on", "look", do))
                continue
            panel = self._panel_side() is not None
            good = abs(s) < limit and abs(b + q) < limit and q > 0.0
            if step == 2:
                good = s > 0.0 and b > 0.0 and abs(q) < max(limit, 0.05) and (panel or abs(s - b) < limit)
            text += f" (right is: {want})"
            if good:
                out.append(Row(what, text, "ok"))
            elif wiring is not None and wiring != WIRINGS[0]:
                out.append(Row(what, text, "wrong", "See the row of the taps."))
            else:
                out.append(Row(what, text, "look", "Did anything else change meanwhile? See the row of the taps."))
        return out

    def _taps_row(self, taps: Taps, switched: Wiring | None) -> Row:
        text = f"{taps.found} {_sentence(taps.proof())}".strip()
        agree = ""
        if switched is not None:
            agree = f" By switching alone: {switched.words()}."
        if not taps.decided:
            if switched is not None and switched != WIRINGS[0] and not taps.silent:
                agree += " That takes your word for what was switched when."
            return Row("taps", text + agree, "wrong" if taps.silent else "look", taps.do)
        if taps.silent:
            return Row("taps", text, "wrong", taps.do)
        if switched is not None and switched != taps.wiring:
            do = "The two disagree: begin anew, with nothing else switching meanwhile."
            return Row("taps", text + agree, "look", do)
        text += " Switching says the same." if switched is not None else ""
        if taps.right:
            return Row("taps", text, "ok")
        do = "With the battery's fuse out and the panel covered, exchange or turn these sense leads; then check again."
        return Row("taps", text, "wrong", do)

    def _panel_side(self) -> int | None:
        rows = self.kept[3] or self.kept[2]
        return _odd_volts(_block(rows[-_KEPT:]).v) if rows else None

    def _placement_row(self, taps: Taps) -> Row:
        rows = self.kept[3] or self.kept[2]
        if not rows:
            return Row("placement", "not looked at", "look", "Again, in the sun.")
        said = "at the panel" if rows[-1].at_panel else "at the controller's output"
        odd = self._panel_side()
        v = np.median(_block(rows).v, axis=0)
        text = ", ".join(f"{n} {x:.2f} V" for n, x in zip(NAMES, v, strict=True) if not np.isnan(x))
        text += f"; the board was told: solar tap {said}"
        if np.isnan(v).any():
            return Row("placement", text + "; not all channels tell volts", "look", "First get all chips to answer.")
        solar = taps.wiring.order[0] if taps.decided and taps.wiring else 0
        if (odd is not None) == rows[-1].at_panel:
            if odd is not None and odd != solar:
                return Row("placement", f"{text}; {NAMES[odd]} has other volts", "wrong", "See the row of the taps.")
            return Row("placement", text, "ok")
        if odd is None and float(np.ptp(v)) > _SAME_V:
            do = "Three taps, three voltages: look for an open sense lead, or one on the wrong side of a fuse."
            return Row("placement", text, "wrong", do)
        if odd is None:
            do = "All volts are alike, as at the output: set solar_placement in hardware/board.toml, or wait for sun."
            return Row("placement", text, "look", do)
        do = "Its volts are not the bus's: set solar_placement in hardware/board.toml, make the config, board update."
        return Row("placement", text, "wrong", do)

    def _sum_rows(self, taps: Taps) -> list[Row]:
        """How far the three add up, the controller's efficiency, and the resistances that the key shows."""
        assert taps.wiring is not None and taps.residual_a is not None
        block = _block(self.kept[3])
        x = taps.wiring.columns(block.a)
        means = "solar {:+.3f} A, battery {:+.3f} A, load {:+.3f} A".format(*x.mean(axis=0))
        text = f"{means}: {taps.residual_a * 1e3:.0f} mA (rms) from adding up while keyed"
        norm = float(np.sqrt(np.mean((x**2).sum(axis=1))))
        limit = math.hypot(_CLOSE_A, _CLOSE_SHARE * norm, _APART * taps.step_a)
        fine = taps.residual_a <= limit
        do = "" if fine else "Zero, then calibrate against a meter: ampledger board calibrate"
        if taps.efficiency is not None:
            text += ", in watts"
        out = [Row("adding up", f"{text}; {limit * 1e3:.0f} mA are allowed", "ok" if fine else "look", do)]
        if taps.efficiency is not None:
            out.append(Row("efficiency", f"{taps.efficiency * 100:.1f} % of the panel's watts reach the bus", "ok"))
        if taps.bus_ohm is not None and taps.bus_fits is not None and taps.bus_fits > _FITS:
            text = f"{taps.bus_ohm * 1e3:.0f} mΩ from the cells to the taps: pack, leads, fuse, connectors"
            out.append(Row("way to the battery", text, "ok"))
        return [*out, *self._between_row(taps)]

    def _between_row(self, taps: Taps) -> list[Row]:
        """Ohms between the battery's tap and the load's."""
        assert taps.wiring is not None
        block = _block(self.kept[3])
        v = block.v[:, list(taps.wiring.order)]
        if np.isnan(v).any():
            return []
        load = taps.wiring.columns(block.a)[:, 2]
        dl, dv = np.diff(load)[block.joined], np.diff(v[:, 1] - v[:, 2])[block.joined]
        ohm = float(dl @ dv) / max(float(dl @ dl), 1e-12)
        rest = dv - ohm * dl
        sd = math.sqrt(float(rest @ rest) / max(len(dl) - 1, 1) / max(float(dl @ dl), 1e-12))
        text = f"{ohm * 1e3:.1f} ± {2e3 * sd:.1f} mΩ between the battery's tap and the load's"
        # 20 mΩ make 0.4 V at 20 A: common practice, no source.
        if ohm - 2.0 * sd > 0.020:
            return [Row("way to the load", text, "look", "Look at fuse, connectors and wire between the two.")]
        return [Row("way to the load", text, "ok")]

    # --- for the page ---

    def to_dict(self) -> dict[str, Any]:
        """
        For JSON: step (1 to 4, 5 when done), of, name, say, caution, looks, verdict (waiting, seen, odd, done), seen,
        do, seconds of readings in this step, taps (see `Taps`), and the table once it is done.
        """
        verdict, seen, do = self.live()
        told = {"step": self.step + 1, "of": len(STAGES), "done": self.done, "verdict": verdict, "seen": seen, "do": do}
        if self.done:
            return {
                **told,
                "name": "done",
                "say": "",
                "caution": "",
                "looks": "",
                "seconds": 0.0,
                "taps": self.taps.to_dict(),
                "table": [asdict(r) for r in self.table()],
            }
        seconds = sum(x.dt_s for x in self.kept[self.step])
        return {**told, **asdict(STAGES[self.step]), "seconds": seconds, "taps": None, "table": []}


def _near(size_a: float) -> float:
    """How far two changes of about this size may differ: offsets drop out; gains, and a load that breathes. [A]"""
    return 0.03 + 0.05 * size_a


def _three(amps: _Array) -> str:
    return ", ".join(f"{n} {a:+.3f} A" for n, a in zip(NAMES, amps, strict=True))


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:] + "." if text else ""
