"""
Resistance of the ways that the current takes, learnt from the steps that the key makes, and on which side it grew.

In: intervals in time order, no longer than 2.5 s; longer ones teach nothing. Out: ohms with their uncertainty for each
side, and a jump of one, named. Pure.

Battery side: step of the battery's volts over the step of its own current, whatever made it (key or sun). It is what
answers at once, in cells, leads, fuse and connectors together; apart they can't be told. Between: step of (battery's
volts - load's volts) over the step of the load's current. Steps and not levels, so that a constant error between the
two channels drops out. Where the load's volts or amps are not measured, or differ from the battery's by more than a
drop can be, there is no `between`.

What is not known. What lies beyond the load's tap shows in neither: the caller says so. On a shared stretch, before
the solar current joins, the load's current is not all that flows; `between` then reads between nothing and all of that
stretch. Steps below 0.5 A teach nothing. A jump in a long pause can't be told from what cold and charge do on the
battery side meanwhile: beside 60 mOhm it has to be 30 after a pause of 10 min, 65 after half an hour, 120 after an
hour, and after a night nothing is told; between the taps any pause will do. A contact that is bad at every other step
is not found as a jump, but shows in the mean.

Row means and not extremes: the way is linear, so that means are exact whatever the voice did within the row and
wherever in it the key moved, while extremes pick the noise of both (2 mV and 5 mA a sample, 10 samples a row, two
hours of slots with 3.2 A: 55.2 mOhm by means, 56.4 by extremes, of 55). Polarisation within the second or two of an
edge is taken out by what it does between edges (`_slow`): 40 mOhm beside 30 with 5 s, in rows of 1 s and 2 s, read 42
to 44 so and 44 to 48 without. Steps within speech or Morse are left out: chips that are not read at one instant see
other syllables, and with half a sample between them 12 mOhm read 15, with a whole one 19, and there were jumps. At
the edges of overs it is taken out by what the three amps don't add up to, where the sun's are measured (`_block`).

A jump is a step in the row of edges, five to eight of them against up to ten before, above 25 mOhm and five standard
deviations: design notes of this project. On the battery side a steady growth is fitted along, and what can't be told
from growth at the usual pace is no jump; so cooling and falling charge are none. A way that wears out slowly is not
found.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from ampledger.core.model import Interval, Tap

_ROW_S = 2.5  # as in balance.py: longer rows hold overs whole
_BLOCK_S = 0.9  # shorter rows are joined up to this, so that 0.1 s rows read like those of 1 s
_HOLE_S = 0.25  # the next row begins at the end of the last, give or take rounding; judgement
_STEP_A = 0.5  # 2 mV of noise are 4 mOhm of a smaller step, and 25 mOhm 12 mV; judgement
_MOVES_A = 0.1  # well above 5 mA of noise
_EDGE_BLOCKS = 3  # a step may touch so many blocks: two for the key, one more for a sender that ramps
_STILL, _QUIET = 0.1, 0.25  # of a step: from block to block, and from lowest to highest sample; judgement
_RESTLESS_A = 1e9  # not known
_TAIL = 0.1  # what moves by less than this of the step so far belongs to what comes after
_LEAST_OHM, _MOST_OHM = -0.03, 3.0  # beyond it: a battery that was cut off, a dead channel; no resistance
_APART_V = 3.0  # the radio would be off: a channel whose volts are scaled wrongly, and so are its steps
_FAR = 1e15  # beyond any number of a state
_MOST = 1000.0  # volts and amps that no such box has
# One edge: noise of its two ends, and what polarisation and sampling leave. As measured in tests, rounded up.
_EDGE_V, _EDGE_OHM = 0.002, 0.0015
_GAINS = 0.004  # share of the battery side's that gains of two chips (0.3 % each) bring into `between`; judgement
_SHAPE = 0.03  # of a resistance that is no constant (current, charge); judgement
_FEWEST = 5  # edges before a resistance is told, and before and after a jump
_AFTER = range(_FEWEST, 9)
_BEFORE = 10
_KEPT = _AFTER[-1] + _BEFORE
_JUMP_OHM, _SDS = 0.025, 5.0  # design notes of this project
_LESSER_OHM = 0.003  # a step that is none to be told, but that the mean must not drag along for an hour; judgement
# Steady growth on the battery side, share a second, one standard deviation: 0.3 K/min (1.5 kg that cool by 30 K with
# 90 min) times 2.6 %/K (2200 K of `cells.LFP26650_RESISTANCE`) is 0.8 %/min; near empty more. Of at least 20 mOhm.
_GROWTH_1_S, _GROWS_OHM = 0.01 / 60.0, 0.020
_UNSTEADY = 0.3  # of what grew, what a growth that begins or ends within looks like a jump; judgement, tested
_HALF = 0.5  # of a jump that goes back is enough to be back
_QUARTER = 0.25  # slowly: when so much of it is left
_LEFT = 0.2  # of the mean's weight is left after any pause
_NOISE_EDGES, _NOISE_MOST = 20.0, 9.0
_SLOW_S = 10.0  # shape of the polarisation between edges; those of 5 to 300 s are much the same for some seconds
_SLOW_A2, _SLOW_MEMORY = 0.3, 0.999  # so many A2 of it halve the doubt; blocks of 1 s: a quarter of an hour
_SLOW_MOST_OHM = 0.2
_CHARGED_V = 3.45  # a cell above it is being filled up: it falls by itself as soon as it is asked for more; judgement


@dataclass(frozen=True, slots=True)
class Way:
    """
    One side. ohm, sd_ohm : mean of late and its standard deviation. [ohm] edges : how many it rests on since the
    beginning or the last jump, the newest counting most.
    before_ohm : what it was before it jumped, None: it has not, or has gone back. [ohm] jumped_s : when, UTC. [s]
    """

    ohm: float
    sd_ohm: float
    edges: int
    before_ohm: float | None = None
    jumped_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Paths:
    """
    battery : from the cells to the battery's tap: pack, its leads, fuse and connectors.
    between : from the battery's tap to the load's: the distribution point. None where not known.
    What lies beyond the load's tap, the lead to the radio, no tap shows.
    """

    battery: Way | None = None
    between: Way | None = None


class _Edge(NamedTuple):
    """t_s : on the state's own clock, which only goes on. [s] weight : 1 / variance. [1/ohm2] at_s : UTC. [s]"""

    t_s: float
    ohm: float
    weight: float
    at_s: float


class _Block(NamedTuple):
    """
    Means: y volts, x amps, and what may come aside: of the battery the smoothed amps, of what lies between the amps
    that don't add up. span_a : of its samples. unrest_a : the least step beside which it is calm.
    """

    y: float
    x: float
    aside: float
    span_a: float
    unrest_a: float


class _Run(NamedTuple):
    """A step under way: what moved so far, in how many blocks, and how calm it was before it."""

    y: float
    x: float
    aside: float
    blocks: int
    unrest_a: float


class _Side(NamedTuple):
    """
    part_* : sums of rows that wait to be a block; low_a, high_a : their extremes. last : the block before. slow_a :
    amps, smoothed by 10 s. slow_a2, slow_av : fit of volts that drift between edges. w, wr, w2 : of the mean. noise :
    scatter of edges over what is expected, squared. before_ohm, size_ohm, jumped_s : the jump that is held.
    """

    part_s: float = 0.0
    part_y: float = 0.0
    part_x: float = 0.0
    part_odd: float = 0.0
    low_a: float = 0.0
    high_a: float = 0.0
    last: _Block | None = None
    run: _Run | None = None
    slow_a: float = 0.0
    slow_a2: float = 0.0
    slow_av: float = 0.0
    edges: tuple[_Edge, ...] = ()
    w: float = 0.0
    wr: float = 0.0
    w2: float = 0.0
    seen: int = 0
    noise: float = 1.0
    before_ohm: float | None = None
    size_ohm: float = 0.0
    jumped_s: float = 0.0


class _Now(NamedTuple):
    """
    t_s, at_s : end of the row on the state's clock and in UTC. growth_1_s : of the side. [1/s]
    memory, memory_s : of its mean, in edges and in time: a pack goes with cold and charge, copper stays, and chips
    that are not read at one instant make the difference of two volts noisy. odd_ohm : see `_block`.
    """

    t_s: float
    at_s: float
    growth_1_s: float
    memory: float
    memory_s: float
    odd_ohm: float = 0.0


_PACK = (_GROWTH_1_S, 15.0, 300.0)
_COPPER = (0.0, 60.0, 1800.0)
_EMPTY = _Side()


@dataclass(frozen=True, slots=True)
class PathState:
    """Everything remembered between steps; some hundred numbers at most."""

    clock_s: float = 0.0
    end_s: float | None = None
    battery: _Side = _EMPTY
    between: _Side = _EMPTY

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {"clock_s": self.clock_s, "end_s": self.end_s, "battery": _plain(self.battery),
                "between": _plain(self.between)}  # fmt: skip

    @classmethod
    def from_dict(cls, saved: Mapping[str, Any]) -> PathState:
        """
        The state that `to_dict` gave; of nothing, an empty one. Raises TypeError, ValueError or KeyError when it is of
        another kind.
        """
        if not saved:
            return cls()
        if set(saved) != {"clock_s", "end_s", "battery", "between"}:
            raise ValueError(f"not the state of paths: {sorted(saved)}")
        end_s, clock_s = saved["end_s"], _number(saved["clock_s"])
        sides = _side(saved["battery"]), _side(saved["between"])
        if any(e.t_s > clock_s for side in sides for e in side.edges):
            raise ValueError("not the state of paths: an edge is yet to come")
        return cls(clock_s, None if end_s is None else _number(end_s), *sides)


def step(state: PathState, interval: Interval, keyed: bool, series: int = 0) -> tuple[PathState, Paths]:
    """
    One interval on. `keyed`: an over is going on (`Balance.keyed`); not needed, for any step of the current will do.
    `series`: cells of the pack; then the battery side learns nothing from edges at volts of a pack being filled up.
    0: not known, and not looked at.
    """
    dt_s, start_s = interval.dt_s, interval.start_s
    if not (0.0 < dt_s < 1e7 and abs(start_s) < 1e12):
        gone = PathState(state.clock_s, state.end_s, _cut(state.battery), _cut(state.between))
        return gone, _paths(gone)
    battery, between, clock_s = state.battery, state.between, state.clock_s
    if state.end_s is None or not abs(start_s - state.end_s) <= _HOLE_S or dt_s > _ROW_S:
        battery, between = _cut(battery), _cut(between)
        clock_s += 0.0 if state.end_s is None else max(0.0, start_s - state.end_s)
    clock_s += dt_s
    at_s = interval.end_s
    b = _good(interval.battery) if dt_s <= _ROW_S else None
    if b is None:
        battery, between = _cut(battery), _cut(between)
    else:
        full = series > 0 and b[0] >= _CHARGED_V * series
        pack = _Now(clock_s, at_s, *_PACK)
        battery = _cut(battery) if full else _row(battery, dt_s, b[0], interval.battery, 0.0, pack)
        load = None if interval.load is None else _good(interval.load)
        if load is None or interval.load is None or abs(b[0] - load[0]) > _APART_V:
            between = _cut(between)
        else:
            sun = None if interval.solar is None or interval.at_panel else _good(interval.solar)
            odd_a = 0.0 if sun is None else b[1] + load[1] - sun[1]
            copper = _Now(clock_s, at_s, *_COPPER, battery.wr / battery.w if battery.seen else 0.0)
            between = _row(between, dt_s, b[0] - load[0], interval.load, odd_a, copper)
    new = PathState(clock_s, at_s, battery, between)
    return new, _paths(new)


def _good(tap: Tap) -> tuple[float, float] | None:
    """Volts and amps that can be used."""
    v, a = tap.v, tap.a
    if v is None or a is None or tap.beyond or tap.trouble or not (abs(v) < _MOST and abs(a) < _MOST):
        return None
    return v, a


def _cut(s: _Side) -> _Side:
    """A row is missing: what was under way is not gone on with."""
    if s.last is None and s.part_s == 0.0:
        return s
    return s._replace(part_s=0.0, part_y=0.0, part_x=0.0, part_odd=0.0, last=None, run=None)


def _row(s: _Side, dt_s: float, y: float, tap: Tap, odd_a: float, now: _Now) -> _Side:
    x = tap.a or 0.0
    low, high = tap.a_min, tap.a_max
    low = low if low is not None and -_MOST < low < x else x
    high = high if high is not None and x < high < _MOST else x
    part_s, part_y, part_x = s.part_s + dt_s, s.part_y + y * dt_s, s.part_x + x * dt_s
    part_odd = s.part_odd + odd_a * dt_s
    if s.part_s > 0.0:
        low, high = min(low, s.low_a), max(high, s.high_a)
    if part_s < _BLOCK_S:
        return s._replace(part_s=part_s, part_y=part_y, part_x=part_x, part_odd=part_odd, low_a=low, high_a=high)
    return _block(s, part_s, part_y / part_s, part_x / part_s, part_odd / part_s, high - low, now)


def _block(s: _Side, dt_s: float, y: float, x: float, odd_a: float, span_a: float, now: _Now) -> _Side:
    """
    About a second is complete: an edge goes on, ends or begins, or there is none.

    Chips that are not read at one instant see other syllables of speech, or dots of Morse. Between the taps that makes
    a difference of volts that is none: the battery side's ohms times the amps that came late, and these are what
    battery, load and sun don't add up to. It is taken out where one end of the edge is restless; elsewhere it would
    only bring in the chips' gains. Steps with both ends restless are no edges.
    """
    last, run, pack = s.last, s.run, now.growth_1_s > 0.0
    slow_a = x if last is None else s.slow_a
    gone = math.exp(-dt_s / _SLOW_S)
    aside = x + (slow_a - x) * (1.0 - gone) * _SLOW_S / dt_s if pack else odd_a  # the mean over the block
    slow_a = x + (slow_a - x) * gone
    s = s._replace(part_s=0.0, part_y=0.0, part_x=0.0, part_odd=0.0)
    if last is None:
        return s._replace(last=_Block(y, x, aside, span_a, _RESTLESS_A), slow_a=slow_a)
    dy, dx, beside = y - last.y, x - last.x, aside - last.aside
    block = _Block(y, x, aside, span_a, max(abs(dx) / _STILL, span_a / _QUIET))
    slow_a2, slow_av = s.slow_a2, s.slow_av
    if run is not None and dx * run.x > 0.0 and abs(dx) >= _TAIL * abs(run.x) and run.blocks < _EDGE_BLOCKS:
        run = _Run(run.y + dy, run.x + dx, run.aside + beside, run.blocks + 1, run.unrest_a)
    else:
        if run is not None and abs(run.x) >= _STEP_A:
            after_a = max(abs(dx) / _STILL, last.span_a / _QUIET)
            if min(run.unrest_a, after_a) <= abs(run.x):
                restless = max(run.unrest_a, after_a) > abs(run.x)
                s = _edge(s, run, _slow(s) if pack else now.odd_ohm if restless else 0.0, now)
        run = _Run(dy, dx, beside, 1, last.unrest_a) if abs(dx) >= _MOVES_A else None
        if run is None and pack and s.seen:
            slow_a2 = slow_a2 * _SLOW_MEMORY + beside * beside
            slow_av = slow_av * _SLOW_MEMORY + beside * (dy - s.wr / s.w * dx)
    return s._replace(last=block, slow_a=slow_a, run=run, slow_a2=slow_a2, slow_av=slow_av)


def _slow(s: _Side) -> float:
    """What polarisation adds to the volts for each amp by which the smoothed current moves. [ohm]"""
    return min(max(s.slow_av / (s.slow_a2 + _SLOW_A2), 0.0), _SLOW_MOST_OHM)


def _edge(s: _Side, run: _Run, aside_ohm: float, now: _Now) -> _Side:
    """One more edge: into the mean, and is it the last of a jump? `aside_ohm`: what `run.aside` is taken out with."""
    ohm = (run.y - aside_ohm * run.aside) / run.x
    if not _LEAST_OHM <= ohm <= _MOST_OHM:
        return s
    edge = _Edge(now.t_s, ohm, 1.0 / (_EDGE_OHM**2 + (_EDGE_V / run.x) ** 2), now.at_s)
    noise = s.noise
    if s.edges:
        last = s.edges[-1]
        miss = (ohm - last.ohm) ** 2 / (1.0 / edge.weight + 1.0 / last.weight)
        noise += (min(miss, _NOISE_MOST) - noise) / _NOISE_EDGES
    s = _into_mean(s._replace(noise=noise), edge, now)
    s = s._replace(edges=(*s.edges[1 - _KEPT :], edge))
    ohms = [e.ohm for e in s.edges]
    range_ohm = max(ohms) - min(ohms)
    least = _JUMP_OHM if s.before_ohm is None else min(_JUMP_OHM, _HALF * s.size_ohm)
    if range_ohm >= _LESSER_OHM:
        tries = [(after, least) for after in _AFTER] if range_ohm >= least else []
        for after, least_ohm in (*tries, (_AFTER[-1], _LESSER_OHM)):
            jumped = _jumped(s, after, now, least_ohm)
            if jumped is not None:
                return jumped
    gone_slowly = s.before_ohm is not None and s.seen >= 2 * _FEWEST and (
        s.wr / s.w < s.before_ohm + _QUARTER * s.size_ohm)
    return s._replace(before_ohm=None, size_ohm=0.0, jumped_s=0.0) if gone_slowly else s


def _into_mean(s: _Side, edge: _Edge, now: _Now) -> _Side:
    keep = 1.0
    if s.edges:
        keep = (1.0 - 1.0 / now.memory) * max(_LEFT, math.exp((s.edges[-1].t_s - edge.t_s) / now.memory_s))
    return s._replace(w=s.w * keep + edge.weight, wr=s.wr * keep + edge.weight * edge.ohm,
                      w2=s.w2 * keep * keep + edge.weight, seen=s.seen + 1)  # fmt: skip


def _jumped(s: _Side, after: int, now: _Now, least: float) -> _Side | None:
    """
    The side with a jump told or taken back, if its last `after` edges lie apart from those before by `least` ohm; where
    that is less than a jump, its mean begins anew and nothing is told.

    Weighted least squares of level + growth (t - t of the split) + jump, the growth known beforehand to be 0 within
    `now.growth_1_s` of the level, and not to be steady; in closed form, the two levels taken out first.
    """
    old, new = s.edges[-after - _BEFORE : -after], s.edges[-after:]
    if len(old) < _FEWEST or len(new) < after:
        return None
    t0_s = new[0].t_s
    old, kept = _without_stray(old), _without_stray(new)
    (w0, t0, r0), (w1, t1, r1) = _means(old, t0_s), _means(kept, t0_s)
    if least > _LESSER_OHM and r1 > r0:
        least = _JUMP_OHM
    if abs(r1 - r0) < least:
        return None
    growth, var = 0.0, 1.0 / w0 + 1.0 / w1
    if now.growth_1_s > 0.0:
        usual = now.growth_1_s * max(r0, _GROWS_OHM)
        tt, tr = usual**-2, 0.0
        for edges, t, r in ((old, t0, r0), (kept, t1, r1)):
            tt += sum(e.weight * (e.t_s - t0_s - t) ** 2 for e in edges)
            tr += sum(e.weight * (e.t_s - t0_s - t) * (e.ohm - r) for e in edges)
        growth = tr / tt
        var += (t1 - t0) ** 2 * (1.0 / tt + (_UNSTEADY * usual) ** 2)
    size = r1 - r0 - growth * (t1 - t0)
    # The scatter before the jump and of late; that after it may be the bad contact's own.
    misses = sum(e.weight * (e.ohm - r0 - growth * (e.t_s - t0_s - t0)) ** 2 for e in old)
    sd = math.sqrt(var * max(1.0, s.noise, misses / (len(old) - 2)))
    if size * (r1 - r0) < 0.0 or abs(size) < max(least, _SDS * sd):
        return None
    sign, level = math.copysign(1.0, size), r0 - growth * t0
    clear = [sign * (e.ohm - level - growth * (e.t_s - t0_s)) > _HALF * least for e in new]
    if not clear[0] or sum(clear) < after - after // 4:  # one stray edge neither makes nor hides a jump
        return None
    before_ohm, size_ohm, jumped_s = s.before_ohm, s.size_ohm + size, s.jumped_s
    if least == _LESSER_OHM:
        size_ohm = s.size_ohm
    elif before_ohm is None:
        before_ohm, size_ohm, jumped_s = level, size, new[0].at_s
    if size_ohm < _HALF * _JUMP_OHM:
        before_ohm, size_ohm, jumped_s = None, 0.0, 0.0
    fresh = s._replace(edges=(), w=0.0, wr=0.0, w2=0.0, seen=0, before_ohm=before_ohm, size_ohm=size_ohm,
                       jumped_s=jumped_s)  # fmt: skip
    for e in kept:
        fresh = _into_mean(fresh, e, now)
        fresh = fresh._replace(edges=(*fresh.edges, e))
    return fresh._replace(edges=new, seen=after)


def _without_stray(edges: tuple[_Edge, ...]) -> tuple[_Edge, ...]:
    """All but the one farthest from the rest: a step that was under way as the contact moved is of neither state."""
    middle = sorted(e.ohm for e in edges)[len(edges) // 2]
    stray = max(range(len(edges)), key=lambda i: edges[i].weight * (edges[i].ohm - middle) ** 2)
    return edges[:stray] + edges[stray + 1 :]


def _means(edges: tuple[_Edge, ...], t0_s: float) -> tuple[float, float, float]:
    """Weight in all, mean time after `t0_s` and mean ohms."""
    w = sum(e.weight for e in edges)
    return w, sum(e.weight * (e.t_s - t0_s) for e in edges) / w, sum(e.weight * e.ohm for e in edges) / w


def _paths(state: PathState) -> Paths:
    b = state.battery
    return Paths(_way(b, 0.0), _way(state.between, _GAINS * b.wr / b.w if b.seen else 0.0))


def _way(s: _Side, more_sd_ohm: float) -> Way | None:
    if s.seen < _FEWEST:
        return None
    ohm = s.wr / s.w
    sd_ohm = math.hypot(math.sqrt(s.w2 * max(1.0, s.noise)) / s.w, _SHAPE * ohm, more_sd_ohm)
    if ohm < -2.0 * sd_ohm:  # a channel is reversed, or not what it is taken for
        return None
    before_ohm = None if s.before_ohm is None else max(0.0, s.before_ohm)
    return Way(max(0.0, ohm), sd_ohm, s.seen, before_ohm, s.jumped_s)


def _plain(side: _Side) -> dict[str, Any]:
    values: dict[str, Any] = side._asdict()
    for key in ("last", "run"):
        values[key] = None if values[key] is None else list(values[key])
    values["edges"] = [list(e) for e in side.edges]
    return values


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise TypeError(f"not a number: {value!r}")
    if not abs(value) <= _FAR:
        raise ValueError(f"not a number that can be: {value!r}")
    return float(value)


def _count(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise TypeError(f"not a count: {value!r}")
    return value


def _run(y: Any, x: Any, aside: Any, blocks: Any, unrest_a: Any) -> _Run:
    return _Run(_number(y), _number(x), _number(aside), _count(blocks), _number(unrest_a))


def _side(saved: Mapping[str, Any]) -> _Side:
    if not isinstance(saved, Mapping):
        raise TypeError(f"not one side of paths: {saved!r}")
    if set(saved) != set(_Side._fields):
        raise ValueError(f"not one side of paths: {sorted(saved)}")
    values: dict[str, Any] = {}
    for key, value in saved.items():
        if key == "seen":
            values[key] = _count(value)
        elif key == "edges":
            values[key] = tuple(_Edge(*[_number(x) for x in e]) for e in value)
        elif key == "last":
            values[key] = None if value is None else _Block(*[_number(x) for x in value])
        elif key == "run":
            values[key] = None if value is None else _run(*value)
        else:
            values[key] = None if key == "before_ohm" and value is None else _number(value)
    side = _Side(**values)
    times = [e.t_s for e in side.edges]
    fits = len(times) <= min(_KEPT, side.seen) and times == sorted(times) and all(e.weight > 0.0 for e in side.edges)
    if not fits or min(side.part_s, side.slow_a2, side.w2, side.noise) < 0.0 or (side.seen > 0) != (side.w > 0.0):
        raise ValueError("not one side of paths: its edges and sums don't fit")
    return side
