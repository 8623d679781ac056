"""
The three-point balance: what the controller gives is what battery, load and board take, or a channel lies.

In: intervals in time order. Out: the residual, the board's own draw as learnt, which channel lies and how, and with
the solar tap on the panel's side the controller's efficiency; also three counts of charge made to agree. Pure.

How. Rows are joined to blocks of about a second. The residual of a block is judged against what honest channels could
leave, wider where an edge of the key lies within it, for the chips do not look at the same instant. From the moment
on at which blocks fail, sums of squares and products of the three currents are kept, fading; they hold all that a
linear account can be asked. Each account takes one channel for false by a factor, or one constant for false, and the
rest for as good as the error budget says; the misfits (squares in standard deviations) are compared, and a channel is
named when no other account comes near, nor contradicts what currents can do: a load that gives, a panel that takes,
a sun that follows the key by halves. In steady currents all accounts fit and none is named.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Literal, NamedTuple

from ampledger.core.model import Interval, Tap

Lie = Literal["", "gain", "offset", "sign", "missing", "swapped", "unknown"]
CHANNELS = ("solar", "battery", "load")
_SIGNS = (1.0, -1.0, -1.0)  # of solar, battery, load in the residual

# --- sizes. "Notes": the design notes of this project, where prototypes were measured.
_BLOCK_S = 0.95            # notes: means of about 1 s; ten rows of 0.1 s, less what rounding takes
_LONGEST_S = 120.0         # of a row; judgement: twice the longest row of a log, beyond it is a gap
_BASE_A, _BASE_OF = 0.05, 0.015  # notes: fault beyond 0.05 A + 1.5 % of the largest current ...
# ... or beyond so many standard deviations by the budget, where that is more. With 0.5 % a channel 1.5 % is two of
# them when battery and load are large: one honest box in twenty. Four also bear boards that were never calibrated
# (hardware/budget.py: 1.3 % a channel at worst, so 2.6 % of the current). Judgement.
_SDS = 4.0
_BAD_S, _BAD_BLOCKS = 10.0, 3    # notes: for 10 s; judgement: and three rows, where rows are long
_LEAK = 0.25                     # good blocks take back bad time at this rate: overs are short. Judgement
_GOOD_OF, _GOOD_S = 0.6, 60.0    # hysteresis: below this part of the limit, so long. Judgement
_SLOW_GOOD_S = 600.0             # ... of a fault that took minutes to show
_REACH, _PATIENCE_S = 0.3, 1800.0  # ... with currents this near to those that showed it, or for so long. Judgement
# Noise of a block's residual: chips that do not look together or all the time see an edge otherwise. FROZEN: 0.066 of
# the spread with Morse of 2.5 A and emulated INA228 (934 rows of 1 s), where rows without an edge had 2 mA. The
# rest: judgement, on the large side, because errors that last must not pass for evidence.
_EDGE, _EDGES = 0.08, 3.0        # of the spread, at 1 s; how many of these a limit is widened by
_NOISE_A, _NOISE_OF = 0.02, 0.003
_FADE_S = 240.0                  # a few overs; judgement
_SLOW_Q, _SLOW_BLOCKS = 36.0, 30.0  # six standard deviations off an honest box; all 1.3 % off is 20. Judgement
_CALM_Q = 12.0
# The draw beside the taps. Notes: 8 to 25 mA; bounded to 0 to 60.
_EXTRA_A, _EXTRA_SD_A, _EXTRA_MOST_A = 0.0165, 0.02, 0.06
_OWN_EVERY_S, _OWN_LEAST, _OWN_MOST = 10.0, 30, 180  # the usual counts 5 min, half an hour is kept. Judgement
# Accounts.
_NAME_EVERY_S, _AGAIN_S = 5.0, 30.0  # until it has a name, and then
_DECISIVE = 25.0                 # of misfit, against any other account: five standard deviations. Judgement
_ILL = 25.0, 1.5                 # an account whose misfit is above that, plus so much for each block, does not fit
_SMALLEST = 0.03                 # a gain nearer to 1 is named nothing: the budget at its worst, twice. Judgement
_SMALLEST_PANEL = 0.15           # ... on the panel's side: efficiency moves by some 0.03 with power. Judgement
_NONE = 0.1                      # a channel that shows less of its current is missing. Judgement
_FACTORS = 12.0                  # the largest factor: a shunt of another decade typed in. Judgement
_OFFSET_SD_A = 0.5               # of a false zero, so that one of amperes is thought unlikely. Judgement
_AGAINST_A = 0.05                # how far a load may give, a panel take. Notes: 15 mA of back-feed is a fault by itself
# How the sun's amps follow those of the load: not, but for the sag (10 A, 60 mohm, 13 V: 0.046), or wholly, while a
# controller holds a full battery. Judgement.
_FOLLOWS = 0.06
_KEYED_A2, _STEPPED_A2 = 0.1, 1.0  # sum of squared steps of the load from which that is asked: one of 0.3 A, 1 A
# Panel's side. Notes: above 3 W, 0.90 to 0.98 usual; fault > 1.02 or < 0.80 for 60 s.
_LEAST_W, _USUAL, _MOST, _LEAST = 3.0, 0.94, 1.02, 0.80
_PANEL_S, _PANEL_FADE_S = 60.0, 20.0
_USUAL_SD = 0.03                 # of the efficiency, as a nuisance: 0.85 to 1.03 are three of them
_MINUTES, _MINUTES_MOST = 5, 60  # from how many minutes on it is known, and how many it remembers. Judgement
_RATIO_SD = 0.0087               # of a ratio of two powers by three channels of 0.5 %; WORKED: 0.005 x sqrt 3
# A simple controller joins panel and bus: panel volts a little above the bus, current ratio 0.97 to 1.0 (notes). While
# it chops (full battery) mean volts x mean amps are not its watts.
_JOINED_V, _JOINED_RATIO = 1.2, (0.94, 1.03)
# Battery and load exchanged add up as well; but then the bus falls when the "battery" takes more. Steps of half an
# ampere and more, six of late, and a bus that answers as 10 mohm the wrong way round: a pack, its leads and fuse have
# 20 and more the right way. Judgement.
_STEP_A, _ANSWERS, _BACKWARDS_OHM, _STEP_FADES = 0.5, 6.0, -0.01, 0.95
_TRACKS = 1.05                   # output amps over panel amps: only a tracking one gives more


@dataclass(frozen=True, slots=True)
class Errors:
    """
    Standard deviations of one channel: of its gain [-] and of its zero. [A]

    Default: 0.5 % and 5 mA, a calibrated channel of the table in hardware/README.md (0.52 to 0.66 % root of squares at
    1 A and above, a reference meter of 0.5 %).
    """

    gain_sd: float = 0.005
    offset_sd_a: float = 0.005


@dataclass(frozen=True, slots=True)
class Budget:
    """
    Errors of the three channels, and the draw beside the taps (the controller's own) that is reckoned with. [A]

    beside_a, beside_sd_a : 8 to 25 mA by the design notes of this project; the deviation lets it be 0 to 37 mA.
    """

    solar: Errors = Errors()
    battery: Errors = Errors()
    load: Errors = Errors()
    beside_a: float = _EXTRA_A
    beside_sd_a: float = 0.01


USUAL = Budget()


@dataclass(frozen=True, slots=True)
class Cross:
    """
    What the three points say of each other at the end of an interval.

    residual_a : controller output less battery, load and own draw, mean of about 1 s; None where it can't be told. [A]
    own_a : what the board and the controller draw beside the taps, as learnt (with what the zeros of the channels are
        off); None: not yet. [A]
    channel, lie : which channel is believed to lie and how; "" none, channel "" with a lie: one of them, not known
        which. An offset with channel "" may also be a steady draw that passes no tap.
        "swapped" is battery and load exchanged: these add up, and the bus tells (`size`: how it answers. [ohm])
    size : of a gain the factor that it shows, likewise of "sign" (about -1) and "missing" (about 0); of an offset
        amps, of a channel in its own sense, with channel "" as in the residual. [-], [A]
    closed : whether the three agree, None: can't be told. since_s : since when `lie` holds, UTC. [s]
    efficiency : output over input of the controller, low, mid, high (90 %), solar tap on the panel's side; None
        where it is at the output, or not known. [-]
    derived : the channel that is made from the other two, which is then never checked; "" none.
    """

    residual_a: float | None = None
    own_a: float | None = None
    channel: str = ""
    lie: Lie = ""
    size: float = 0.0
    closed: bool | None = None
    since_s: float = 0.0
    efficiency: tuple[float, float, float] | None = None
    derived: str = ""


class _Block(NamedTuple):
    """Rows until they make a second: integrals, and the extremes of the taps."""

    s: float = 0.0
    solar: float = 0.0        # of what is taken for the controller's output: on the panel's side watts x 0.94 / bus
    battery: float = 0.0
    load: float = 0.0         # with the board's declared draw
    low: tuple[float, ...] = ()
    high: tuple[float, ...] = ()
    within: bool = False      # extremes within rows are known
    watts: float = 0.0        # of the panel
    panel: float = 0.0        # its amps
    above: float = 0.0        # its volts over those of the bus


class _Verdict(NamedTuple):
    """What is held of the three."""

    fault: bool = False
    since_s: float = 0.0
    channel: str = ""
    lie: Lie = ""
    size: float = 0.0
    reach_a: float = 0.0      # rms of the largest current that showed it
    slow: bool = False        # it showed in the sums alone


class _Panel(NamedTuple):
    """The controller between panel and bus."""

    amps_in: float = 0.0      # fading sums: panel's watts over bus volts, what battery and load took, and their weight
    amps_out: float = 0.0
    battery: float = 0.0
    load: float = 0.0
    panel: float = 0.0        # its amps
    weight: float = 0.0
    wrong_s: float = 0.0      # beyond the limits since
    right_s: float = 0.0
    s: float = 0.0            # the minute under way
    into: float = 0.0
    out: float = 0.0
    n: int = 0                # minutes, their mean and variance
    mean: float = 0.0
    var: float = 0.0
    simple_s: float = 0.0     # seen with joined volts; with more amps than the panel's
    tracks_s: float = 0.0
    reversed_s: float = 0.0   # current into a panel that has more volts than the bus


class _Seen(NamedTuple):
    """A block as it is judged: its length, weight, steps from the one before, beyond the limit, well within it."""

    s: float
    weight: float
    steps: _Steps | None
    bad: bool
    good: bool


# Fading sums: blocks, weight, w S, w B, w L, w SS, SB, SL, BB, BL, LL, then the same six of the steps from block to
# block, unweighted, and how unsure these are: squares of noise x squares of steps.
_Sums = tuple[float, ...]
_EMPTY: _Sums = (0.0,) * 18
_Steps = tuple[float, float, float, float]  # of the three, and the variance of a step [A], [A2]


@dataclass(frozen=True, slots=True)
class CrossState:
    """Everything remembered between steps: some eighty numbers."""

    end_s: float | None = None
    block: _Block = _Block()
    last: tuple[float, ...] = ()          # the three currents of the block before, and its variance
    sums: _Sums = _EMPTY
    trial: _Sums = ()                     # since blocks began to speak against what is held
    trial_s: float = 0.0
    trial_n: int = 0
    trial_at_s: float = 0.0
    judged_s: float = 0.0                 # with blocks, since the last loss
    lost_s: float = 0.0
    age_s: float = 0.0                    # since the last look at the sums
    residual_a: float | None = None
    extra_a: float = _EXTRA_A             # learnt, beyond the board's declared draw
    extra_n: int = 0
    verdict: _Verdict = _Verdict()
    panel: _Panel = _Panel()
    at_panel: bool = False
    bus_v: float | None = None            # of the block before
    # how the bus answers to steps of the battery: fading counts of all and of those the wrong way round, sums of
    # squares and of products; since when wrong
    answers: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        out = {f.name: getattr(self, f.name) for f in fields(self)}
        return {k: _plain(v) for k, v in out.items()}

    @classmethod
    def from_dict(cls, saved: Mapping[str, Any]) -> CrossState:
        """The state that `to_dict` gave. Raises TypeError, ValueError or KeyError when it is of another kind."""
        kept = dict(saved)
        for name in ("last", "sums", "trial", "answers"):
            if name in kept:
                kept[name] = tuple(float(x) for x in kept[name])
        for name, sizes in (("sums", (18,)), ("trial", (0, 18)), ("last", (0, 4)), ("answers", (5,))):
            if name in kept and len(kept[name]) not in sizes:
                raise ValueError(f"{name} has {len(kept[name])} values")
        if "block" in kept:
            block = dict(kept["block"])
            kept["block"] = _Block(**{**block, "low": tuple(block["low"]), "high": tuple(block["high"])})
        if "verdict" in kept:
            kept["verdict"] = _Verdict(**kept["verdict"])
        if "panel" in kept:
            kept["panel"] = _Panel(**kept["panel"])
        return cls(**kept)


def _plain(value: Any) -> Any:
    if hasattr(value, "_asdict"):
        return {k: _plain(v) for k, v in value._asdict().items()}
    return list(value) if isinstance(value, tuple) else value


# ------------------------------------------------------------------ a step


def step(state: CrossState, interval: Interval, budget: Budget = USUAL) -> tuple[CrossState, Cross]:
    """
    One interval on.

    Parameters
    ----------
    state : CrossState
        From the step before; `CrossState()` at first. Not altered.
    interval : Interval
        0.1 s to 60 s; what is longer than 120 s, incomplete, at the end of a chip's range or troubled is not judged.
        One without a length that can be changes nothing.
    budget : Budget
        How good the channels are.

    Returns
    -------
    tuple of CrossState and Cross
    """
    if not 0.0 < interval.dt_s < math.inf or not math.isfinite(interval.start_s):
        return state, Cross()  # the estimator says what is wrong with it
    if interval.at_panel != state.at_panel:  # the tap was moved: what was found out is of another wiring
        state = CrossState(at_panel=interval.at_panel)
    dt_s = interval.dt_s
    taps = (interval.solar, interval.battery, interval.load)
    row = _row(interval, taps)
    if row is None:
        state = replace(
            state, end_s=interval.end_s, block=_Block(), last=(), lost_s=state.lost_s + dt_s, residual_a=None
        )
        return state, _shown(state, interval, _derived(taps))
    block = state.block
    if block.s and (state.end_s is None or abs(interval.start_s - state.end_s) > 0.5 * min(dt_s, 1.0) + 1e-3):
        block = _Block()  # a clock that was set, or a hole
    block = _joined(block, row)
    if block.s < _BLOCK_S:
        state = replace(state, end_s=interval.end_s, block=block)
        return state, _shown(state, interval, "")
    state = _judge(state, interval, block, budget)
    return state, _shown(state, interval, "")


def _finite(x: float | None) -> bool:
    return x is not None and math.isfinite(x)


def _derived(taps: Sequence[Tap | None]) -> str:
    """The one channel that has no amps, where the two others have."""
    without = [n for n, t in zip(CHANNELS, taps, strict=True) if t is None or not _finite(t.a)]
    return without[0] if len(without) == 1 else ""


def _row(interval: Interval, taps: Sequence[Tap | None]) -> _Block | None:
    """The row as a block of its own; None where it can't be judged."""
    dt_s = interval.dt_s
    if dt_s > _LONGEST_S:
        return None
    amps, low, high, within = [], [], [], True
    for tap in taps:
        if tap is None or tap.beyond or tap.trouble or tap.a is None or not math.isfinite(tap.a):
            return None
        a = tap.a
        amps.append(a)
        if tap.a_min is None or tap.a_max is None or not tap.a_max >= tap.a_min:
            within = False
            low.append(a)
            high.append(a)
        else:
            low.append(min(a, tap.a_min))
            high.append(max(a, tap.a_max))
    solar, battery, load = amps
    own_a = interval.own_a if math.isfinite(interval.own_a) and not interval.own_in_load else 0.0
    watts = above = 0.0
    panel = solar
    if interval.at_panel:
        panel_v, bus_v = taps[0].v if taps[0] else None, interval.battery.v
        if panel_v is None or bus_v is None or not (math.isfinite(panel_v) and math.isfinite(bus_v) and bus_v > 1.0):
            return None
        watts, above = panel_v * solar, panel_v - bus_v
        solar = _USUAL * watts / bus_v
    return _Block(
        dt_s, solar * dt_s, battery * dt_s, (load + own_a) * dt_s, tuple(low), tuple(high), within, watts * dt_s,
        panel * dt_s, above * dt_s,
    )  # fmt: skip


def _joined(block: _Block, row: _Block) -> _Block:
    if not block.s:
        return row
    (a, b, c), (d, e, f), (g, h, i), (j, k, m) = block.low, row.low, block.high, row.high
    return _Block(
        block.s + row.s, block.solar + row.solar, block.battery + row.battery, block.load + row.load,
        (a if a < d else d, b if b < e else e, c if c < f else f),
        (g if g > j else j, h if h > k else k, i if i > m else m),
        True, block.watts + row.watts, block.panel + row.panel, block.above + row.above,
    )  # fmt: skip


def _judge(state: CrossState, interval: Interval, block: _Block, budget: Budget) -> CrossState:
    """A whole block: the residual, its part in the sums, and what follows."""
    s = block.s
    now = (block.solar / s, block.battery / s, block.load / s)
    solar, battery, load = now
    low, high = block.low, block.high
    spread = max(high[0] - low[0], high[1] - low[1], high[2] - low[2])
    if state.last and not block.within:
        a, b, c, _ = state.last
        spread = max(spread, abs(solar - a), abs(battery - b), abs(load - c))
    edge = _EDGE * spread / math.sqrt(s)
    largest = max(abs(solar), abs(battery), abs(load))
    noise = _NOISE_A**2 + (_NOISE_OF * largest) ** 2 + edge * edge
    weight = 1.0 / noise
    steps = None
    if state.last:
        a, b, c, before = state.last
        steps = (solar - a, battery - b, load - c, noise + before)
    lost_s, sums, judged_s = state.lost_s, state.sums, state.judged_s
    faded_s = s
    if lost_s:
        faded_s += lost_s
        if lost_s > _PANEL_S:
            judged_s = 0.0
            state = replace(state, trial=(), trial_s=0.0, trial_n=0)
    residual: float | None = solar - battery - load - state.extra_a
    if state.at_panel:  # by the efficiency as learnt
        known = _efficiency(state.panel)
        residual = None if known is None else solar * known[1] / _USUAL - battery - load
    watts = block.watts / s
    if not state.at_panel or watts >= _LEAST_W:
        sums = _added(sums, faded_s, weight, now, steps)
    state = _answered(state, interval, None if steps is None else steps[1])
    base = replace(
        state, end_s=interval.end_s, block=_Block(), last=(*now, noise), judged_s=judged_s + s, lost_s=0.0,
        age_s=state.age_s + s, residual_a=residual, sums=sums,
    )  # fmt: skip
    if state.at_panel:
        return _judge_panel(base, interval, block, now, weight, steps, faded_s, budget)
    limit, size = _limit(now, budget), abs(residual or 0.0)
    seen = _Seen(s, weight, steps, size > limit + _EDGES * edge, size < _GOOD_OF * limit)
    return (_in_fault if base.verdict.fault else _in_peace)(base, interval, seen, budget)


def _answered(state: CrossState, interval: Interval, step_a: float | None) -> CrossState:
    """How the bus has answered to the battery's step."""
    v, before = interval.battery.v, state.bus_v
    if v is None or not math.isfinite(v):
        return replace(state, bus_v=None)
    n, against, square, product, since_s = state.answers
    if before is not None and step_a is not None and abs(step_a) >= _STEP_A and not state.lost_s:
        by = step_a * (v - before)
        n, square = n * _STEP_FADES + 1.0, square * _STEP_FADES + step_a * step_a
        against = against * _STEP_FADES + (1.0 if by < 0.0 else 0.0)
        product = product * _STEP_FADES + by
        # Not one large step alone: a protection that opens makes one.
        wrong = n >= 0.75 * _ANSWERS and against >= 0.8 * n and product < _BACKWARDS_OHM * square
        since_s = (since_s or interval.end_s) if wrong else 0.0
    return replace(state, bus_v=v, answers=(n, against, square, product, since_s))


def _limit(now: Sequence[float], budget: Budget) -> float:
    """Residual beyond which three honest channels are not believed. [A]"""
    solar, battery, load = now
    s, b, m = budget.solar.gain_sd * solar, budget.battery.gain_sd * battery, budget.load.gain_sd * load
    return _BASE_A + max(_BASE_OF * max(abs(solar), abs(battery), abs(load)), _SDS * math.sqrt(s * s + b * b + m * m))


def _in_peace(state: CrossState, interval: Interval, seen: _Seen, budget: Budget) -> CrossState:
    """Nothing is wrong so far."""
    s, weight, steps, bad, good = seen
    now = state.last[:3]
    if bad or state.trial:
        began = state.trial_at_s if state.trial else interval.end_s - s
        trial = _added(state.trial or _EMPTY, s, weight, now, steps if state.trial else None)
        bad_s = state.trial_s + (s if bad else -_LEAK * s if good else 0.0)
        bad_n = state.trial_n + bad
        if bad_s >= _BAD_S - 1e-6 and bad_n >= _BAD_BLOCKS:
            verdict = _Verdict(True, began, "", "unknown", 0.0, _reach(trial))
            state = replace(state, sums=trial, trial=(), trial_s=0.0, trial_n=0, age_s=0.0, verdict=verdict)
            return _named(state, budget)
        if bad_s <= 0.0:
            trial, bad_s, bad_n = (), 0.0, 0
        return replace(state, trial=trial, trial_s=bad_s, trial_n=bad_n, trial_at_s=began)
    if state.age_s < _OWN_EVERY_S:
        return state
    doubt = _doubt(state, state.sums, budget)
    if doubt > _SLOW_Q and state.sums[0] >= _SLOW_BLOCKS:
        verdict = _Verdict(True, interval.end_s, "", "unknown", 0.0, _reach(state.sums), True)
        return _named(replace(state, age_s=0.0, verdict=verdict), budget)
    if doubt > _CALM_Q:
        return replace(state, age_s=0.0)
    # The constant that fits the last minutes best, low currents counting most, what is usual where gains hide it.
    _, extra = _honest(state.sums, _EXTRA_A, _EXTRA_SD_A, budget, False)
    n = min(state.extra_n + 1, _OWN_MOST)
    learnt = state.extra_a + (extra - state.extra_a) / min(n + _OWN_LEAST, _OWN_MOST)
    return replace(state, age_s=0.0, extra_a=min(max(learnt, 0.0), _EXTRA_MOST_A), extra_n=n)


def _in_fault(state: CrossState, interval: Interval, seen: _Seen, budget: Budget) -> CrossState:
    """A channel lies; is it over?"""
    s, weight, steps, bad, good = seen
    now, verdict = state.last[:3], state.verdict
    if bad:
        state = replace(state, trial=(), trial_s=0.0, trial_n=0)
    elif good or state.trial:
        trial = _added(state.trial or _EMPTY, s, weight, now, steps if state.trial else None)
        good_s = state.trial_s + (s if good else 0.0)
        state = replace(state, trial=trial, trial_s=good_s, trial_n=state.trial_n + good)
        if good_s >= (_SLOW_GOOD_S if verdict.slow else _GOOD_S) and state.trial_n >= _BAD_BLOCKS:
            shown = _reach(trial, verdict.channel) >= _REACH * verdict.reach_a or good_s >= _PATIENCE_S
            if shown and _doubt(state, trial, budget) < _CALM_Q:
                return replace(state, sums=trial, trial=(), trial_s=0.0, trial_n=0, verdict=_Verdict(), age_s=0.0)
    if state.age_s < (_AGAIN_S if verdict.channel else _NAME_EVERY_S):
        return state
    return _named(replace(state, age_s=0.0), budget)


def _reach(sums: _Sums, channel: str = "") -> float:
    """Root mean square of a channel's current, made of the two others; "": of the largest reading. [A]"""
    ss, sb, sm, bb, bm, mm = sums[5:11]
    square = max(ss, bb, mm)
    if channel == "solar":
        square = bb + 2.0 * bm + mm
    elif channel == "battery":
        square = ss - 2.0 * sm + mm
    elif channel == "load":
        square = ss - 2.0 * sb + bb
    return math.sqrt(max(square, 0.0) / sums[1]) if sums[1] > 0.0 else 0.0


def _added(
    sums: _Sums, faded_s: float, weight: float, now: tuple[float, ...], steps: _Steps | None
) -> _Sums:
    f = math.exp(-faded_s / _FADE_S)
    n, w, s, b, m, ss, sb, sm, bb, bm, mm, dss, dsb, dsm, dbb, dbm, dmm, q = sums
    x, y, z = now
    wx, wy, wz = weight * x, weight * y, weight * z
    if steps is None:
        dx = dy = dz = noise = 0.0
    else:
        dx, dy, dz, noise = steps
    return (
        n * f + 1.0, w * f + weight, s * f + wx, b * f + wy, m * f + wz,
        ss * f + wx * x, sb * f + wx * y, sm * f + wx * z, bb * f + wy * y, bm * f + wy * z, mm * f + wz * z,
        dss * f + dx * dx, dsb * f + dx * dy, dsm * f + dx * dz,
        dbb * f + dy * dy, dbm * f + dy * dz, dmm * f + dz * dz, q * f + noise * max(dx * dx, dy * dy, dz * dz),
    )  # fmt: skip


# ------------------------------------------------------------------ accounts

_Matrix = list[list[float]]


def _matrix(sums: _Sums) -> _Matrix:
    """Weighted second moments of (1, solar, battery, load)."""
    _, w, s, b, m, ss, sb, sm, bb, bm, mm = sums[:11]
    return [[w, s, b, m], [s, ss, sb, sm], [b, sb, bb, bm], [m, sm, bm, mm]]


_Four = tuple[float, float, float, float]


def _times(m: _Matrix, v: _Four) -> _Four:
    """Written out, as is what follows: this is most of what a look at the sums costs."""
    a, b, c, d = v
    p, q, r, s = m
    return (
        p[0] * a + p[1] * b + p[2] * c + p[3] * d,
        q[0] * a + q[1] * b + q[2] * c + q[3] * d,
        r[0] * a + r[1] * b + r[2] * c + r[3] * d,
        s[0] * a + s[1] * b + s[2] * c + s[3] * d,
    )


def _dot(v: _Four, w: _Four) -> float:
    return v[0] * w[0] + v[1] * w[1] + v[2] * w[2] + v[3] * w[3]


def _products(m: _Matrix, columns: Sequence[_Four], base: _Four) -> tuple[_Matrix, list[float]]:
    """Columns by columns, and columns by minus the base: the normal equations of base + columns x found."""
    by = [_times(m, c) for c in columns]
    return [[_dot(p, q) for q in by] for p in columns], [-_dot(base, q) for q in by]


def _left(m: _Matrix, columns: Sequence[_Four], base: _Four, found: Sequence[float]) -> float:
    """Weighted squares of what is left."""
    p, q, r, s = found
    a, b, c, d = columns
    left = (
        base[0] + p * a[0] + q * b[0] + r * c[0] + s * d[0],
        base[1] + p * a[1] + q * b[1] + r * c[1] + s * d[1],
        base[2] + p * a[2] + q * b[2] + r * c[2] + s * d[2],
        base[3] + p * a[3] + q * b[3] + r * c[3] + s * d[3],
    )
    return _dot(left, _times(m, left))


def _solved(a: _Matrix, b: list[float]) -> list[float]:
    """Of a small positive definite system, by elimination; alters both."""
    n = len(b)
    for i in range(n):
        pivot = a[i][i]
        for j in range(i + 1, n):
            f = a[j][i] / pivot
            if f:
                for k in range(i, n):
                    a[j][k] -= f * a[i][k]
                b[j] -= f * b[i]
    for i in reversed(range(n)):
        b[i] = (b[i] - sum(a[i][k] * b[k] for k in range(i + 1, n))) / a[i][i]
    return b


def _gains(budget: Budget, at_panel: bool) -> tuple[float, float, float]:
    """Standard deviations of the three gains; on the panel's side the efficiency counts as solar's."""
    solar = math.hypot(budget.solar.gain_sd, _USUAL_SD) if at_panel else budget.solar.gain_sd
    return max(solar, 1e-6), max(budget.battery.gain_sd, 1e-6), max(budget.load.gain_sd, 1e-6)


def _honest(sums: _Sums, extra_a: float, extra_sd: float, budget: Budget, at_panel: bool) -> tuple[float, float]:
    """
    Misfit (-) and constant [A] where every gain is within the budget: residual = gains x currents + constant.

    The zeros of the three are part of the constant.
    """
    zeros = budget.solar.offset_sd_a**2 + budget.battery.offset_sd_a**2 + budget.load.offset_sd_a**2
    sd = math.sqrt(extra_sd**2 + zeros)
    m = _matrix(sums)
    base = (0.0, *_SIGNS)
    columns = ((0.0, -1.0, 0.0, 0.0), (0.0, 0.0, 1.0, 0.0), (0.0, 0.0, 0.0, 1.0), (-1.0, 0.0, 0.0, 0.0))
    priors = [1.0 / g**2 for g in _gains(budget, at_panel)] + [1.0 / sd**2]
    a, b = _products(m, columns, base)
    b[3] += priors[3] * extra_a
    for i in range(4):
        a[i][i] += priors[i]
    found = _solved(a, b)
    w, x, y, z = found
    misfit = _left(m, columns, base, found)
    misfit += priors[0] * w * w + priors[1] * x * x + priors[2] * y * y + priors[3] * (z - extra_a) ** 2
    return misfit, z


def _by_factor(
    m: _Matrix, i: int, extra_a: float, budget: Budget, at_panel: bool, free: bool = False
) -> tuple[float, float, float]:
    """
    Misfit, factor and constant [A] where channel `i` shows `factor` times its current, made of the two others.

    free : a constant of any size besides. The channel's reading is factor x (the others less the extra draw) + rest:
    linear once the widths, which go with the factor, are taken from the round before.
    """
    gains = _gains(budget, at_panel)
    j, k = (n for n in range(3) if n != i)

    def of(n: int, size: float) -> _Four:
        return (0.0, size if n == 0 else 0.0, size if n == 1 else 0.0, size if n == 2 else 0.0)

    base, one, two = of(i, _SIGNS[i]), of(j, -_SIGNS[j]), of(k, -_SIGNS[k])
    whole = (-extra_a, -one[1] - two[1], -one[2] - two[2], -one[3] - two[3])
    columns = (whole, one, two, (-1.0, 0.0, 0.0, 0.0))
    products, onto = _products(m, columns, base)
    factor, rest, found = 1.0, 0.0, [1.0, 0.0, 0.0, 0.0]
    others = [budget.solar, budget.battery, budget.load]
    for _ in range(3):
        size = max(abs(factor), 0.02)
        scale = 3.0 / (1.0 + 2.0 * factor * factor)  # of the three taps' noise, two go through the factor
        zeros = (size * _EXTRA_SD_A) ** 2 + others[i].offset_sd_a ** 2
        zeros += size**2 * (others[j].offset_sd_a ** 2 + others[k].offset_sd_a ** 2)
        rest_prior = 1e-6 if free else 1.0 / zeros
        priors = [1e-9, 1.0 / (size * gains[j]) ** 2, 1.0 / (size * gains[k]) ** 2, rest_prior]
        a = [[scale * x for x in row] for row in products]
        for n in range(4):
            a[n][n] += priors[n]
        found = _solved(a, [scale * x for x in onto])
        factor = min(max(found[0], -_FACTORS), _FACTORS)
        if factor != found[0]:
            return math.inf, factor, 0.0
        rest = found[3]
    scale = 3.0 / (1.0 + 2.0 * factor * factor)
    misfit = scale * _left(m, columns, base, found)
    misfit += priors[1] * found[1] ** 2 + priors[2] * found[2] ** 2 + priors[3] * rest * rest
    return misfit, factor, rest


def _can_be(sums: _Sums, i: int, extra_a: float, lie: Lie = "") -> bool:
    """
    Whether currents can be so, channel `i` being made of the two others: loads draw, panels give, see _FOLLOWS.

    lie : "sign" asks for more, for two channels in each other's place look like a third that is reversed: a sun that
        does not follow the key, nor equals the load; and a battery's sign for a load that steps more than the sun.
    """
    w = sums[1]
    solar, battery, load = sums[2] / w, sums[3] / w, sums[4] / w
    if i == 0:
        solar = battery + load + extra_a
    if i == 2:
        load = solar - battery - extra_a
    if solar < -_AGAINST_A or load < -_AGAINST_A:
        return False
    dss, dsb, dsm, dbb, dbm, dmm, noise = sums[11:]
    keyed, both, suns = dmm, dsm, dss  # sums of squares of the true steps: load, load x solar, solar
    if i == 0:
        both, suns = dbm + dmm, dbb + 2.0 * dbm + dmm
    if i == 2:
        keyed, both = dss - 2.0 * dsb + dbb, dss - dsb
    if lie == "sign" and i == 0 and sums[8] < (2.0 * _AGAINST_A) ** 2 * w:
        return False
    if lie == "sign" and i == 1 and (keyed < _STEPPED_A2 or keyed < 4.0 * suns):
        return False
    if keyed < _KEYED_A2:
        return True
    slope = both / keyed
    # How well a slope is known: against a sun that moves by itself, and chips that do not see an edge at once.
    alone = max(suns - slope * both, 0.0)
    unsure = 3.0 * math.sqrt(alone / keyed / max(sums[0], 1.0) + noise / keyed**2)
    off = abs(slope) if lie == "sign" else min(abs(slope), abs(slope - 1.0))
    return off < _FOLLOWS + unsure


class _Account(NamedTuple):
    misfit: float
    channel: str
    lie: Lie
    size: float


def _accounts(state: CrossState, sums: _Sums, budget: Budget) -> list[_Account]:
    """All that would explain the sums, the best first."""
    at_panel = state.at_panel
    extra_a = 0.0 if at_panel else state.extra_a
    m = _matrix(sums)
    misfit, _ = _honest(sums, extra_a, _EXTRA_SD_A, budget, at_panel)
    out = [_Account(misfit, "", "", 0.0)]
    misfit, constant = _honest(sums, extra_a, _OFFSET_SD_A, budget, at_panel)
    out.append(_Account(misfit, "", "offset", constant - extra_a))
    for i, channel in enumerate(CHANNELS):
        if not _can_be(sums, i, extra_a):
            continue
        misfit, factor, _ = _by_factor(m, i, extra_a, budget, at_panel)
        lie: Lie = "missing" if abs(factor) < _NONE else "sign" if factor < 0.0 else "gain"
        out.append(_Account(misfit, channel, lie, factor))
    return sorted(out)


def _ahead(best: _Account, other: _Account, sums: _Sums) -> float:
    """
    By how much one account fits better; less where blocks are noisier than was thought, and less where a channel is
    said to show little: such an account need not follow the noise of the two others. What it saves so is reckoned
    from the noise it has, and bounded by blocks of twice the noise that was thought.
    """
    n = max(sums[0], 1.0)
    ahead = (other.misfit - best.misfit) / max(1.0, best.misfit / n)
    if best.channel and best.lie != "offset" and abs(best.size) < 1.0:
        follows = 3.0 * best.size**2 / (1.0 + 2.0 * best.size**2)
        ahead -= min(best.misfit * (1.0 / max(follows, 1e-6) - 1.0), 4.0 * n) if abs(best.size) >= _NONE else 4.0 * n
    return ahead


def _doubt(state: CrossState, sums: _Sums, budget: Budget) -> float:
    """
    How much better than three honest channels the best account with a lie of some size fits. Behind the controller one
    below half or above double shows in single blocks, where there is any current to show.
    """
    accounts = _accounts(state, sums, budget)
    honest = next(a for a in accounts if a.lie == "")
    lies = [a for a in accounts if a.channel and not _slight(a, state.at_panel)]
    if not state.at_panel:
        lies = [a for a in lies if a.lie == "gain" and 0.5 <= a.size <= 2.0]
    return max((_ahead(a, honest, sums) for a in lies), default=0.0)


def _ill(misfit: float, sums: _Sums) -> bool:
    return misfit > _ILL[0] + _ILL[1] * sums[0]


def _slight(account: _Account, at_panel: bool) -> bool:
    """Too small a gain to be named. A panel that shows too much may as well be a controller that wastes it."""
    if account.lie != "gain":
        return False
    if at_panel and account.channel == "solar" and account.size > 1.0:
        return True
    return abs(account.size - 1.0) < (_SMALLEST_PANEL if at_panel else _SMALLEST)


def _named(state: CrossState, budget: Budget) -> CrossState:
    """The verdict after a look at the sums; a channel once named stays until something else is."""
    verdict, sums, extra_a = state.verdict, state.sums, 0.0 if state.at_panel else state.extra_a
    best, *others = _accounts(state, sums, budget)
    ahead = min(_ahead(best, other, sums) for other in others)
    if _ill(best.misfit, sums):
        found = _in_part(state, budget) or _Account(best.misfit, "", "unknown", 0.0)
    elif best.lie == "" or ahead < _DECISIVE or _slight(best, state.at_panel):
        found = None
    elif best.lie == "sign" and not _can_be(sums, CHANNELS.index(best.channel), extra_a, "sign"):
        found = _Account(best.misfit, "", "unknown", 0.0)
    elif best.lie == "offset":
        channel = _zero(state, best.size)
        sign = -1.0 if channel in ("battery", "load") else 1.0
        found = best._replace(channel=channel, size=sign * best.size)
    else:
        found = best
    reach_a = verdict.reach_a
    if found is not None:
        if found.channel != verdict.channel:
            reach_a = 0.0
        verdict = verdict._replace(channel=found.channel, lie=found.lie, size=found.size)
    verdict = verdict._replace(reach_a=max(reach_a, _reach(sums, verdict.channel)))
    return replace(state, verdict=verdict)


def _in_part(state: CrossState, budget: Budget) -> _Account | None:
    """A load of which a part goes around the shunt: what it shows is a share of the whole, and a constant."""
    sums, extra_a = state.sums, 0.0 if state.at_panel else state.extra_a
    if not _can_be(sums, 2, extra_a):
        return None
    m = _matrix(sums)
    misfit, factor, rest = _by_factor(m, 2, extra_a, budget, state.at_panel, free=True)
    # The sign of a load in the account is minus, hence that of its constant as well.
    if _ill(misfit, sums) or not -_SMALLEST < factor < 1.0 - _SMALLEST or rest > _AGAINST_A:
        return None
    for i in (0, 1):
        if _can_be(sums, i, extra_a):
            other = _by_factor(m, i, extra_a, budget, state.at_panel, free=True)[0]
            if other - misfit < _DECISIVE:
                return None
    return _Account(misfit, "load", "missing", factor)


def _zero(state: CrossState, size: float) -> str:
    """
    The channel whose zero is off by `size` (as in the residual), where that can be told: a load that shows less than
    nothing, or a sun that shows, unmoved while the load moved, just what does not add up.
    """
    sums = state.sums
    w, solar, load = sums[1], sums[2] / sums[1], sums[4] / sums[1]
    if size > _BASE_A and load < -_AGAINST_A and abs(load + size) < _EXTRA_SD_A:
        return "load"
    moved = sums[16] >= _KEYED_A2
    still = sums[5] / w - solar * solar < _NOISE_A**2
    if not state.at_panel and moved and still and abs(solar) > _BASE_A and abs(solar - size) < _EXTRA_SD_A:
        return "solar"
    return ""


# ------------------------------------------------------------------ the panel's side


def _judge_panel(
    state: CrossState, interval: Interval, block: _Block, now: tuple[float, float, float], weight: float,
    steps: _Steps | None, faded_s: float, budget: Budget,
) -> CrossState:  # fmt: skip
    """A block with the solar tap between panel and controller: ratios of power; nothing is checked below 3 W."""
    s, p = block.s, state.panel
    watts, amps_in, panel_a, above_v = block.watts / s, now[0] / _USUAL, block.panel / s, block.above / s
    _, battery, load = now
    out = battery + load
    wrong_way = panel_a < -4.0 * _BASE_A and above_v > _JOINED_V
    reversed_s = p.reversed_s + s if wrong_way else 0.0
    if wrong_way and reversed_s >= _BAD_S - 1e-6:
        since = state.verdict.since_s if state.verdict.fault else interval.end_s - reversed_s
        verdict = _Verdict(True, since, "solar", "sign", -1.0)
        return replace(state, panel=p._replace(reversed_s=reversed_s, right_s=0.0), verdict=verdict)
    if watts < _LEAST_W:
        return replace(state, panel=p._replace(reversed_s=reversed_s), residual_a=None, judged_s=0.0)
    f = math.exp(-faded_s / _PANEL_FADE_S)
    p = p._replace(
        amps_in=p.amps_in * f + amps_in, amps_out=p.amps_out * f + out, battery=p.battery * f + abs(battery),
        load=p.load * f + abs(load), panel=p.panel * f + panel_a, weight=p.weight * f + 1.0, reversed_s=reversed_s,
    )  # fmt: skip
    ratio = p.amps_out / p.amps_in
    joined = above_v < _JOINED_V
    p = p._replace(
        simple_s=min(p.simple_s + (s if joined else 0.0), 3600.0),
        tracks_s=min(p.tracks_s + (s if not joined and out > _TRACKS * panel_a else 0.0), 3600.0),
    )
    tracking = p.tracks_s >= _PANEL_S and p.tracks_s > p.simple_s
    if not tracking and not joined and _JOINED_RATIO[0] <= p.amps_out / p.panel <= _JOINED_RATIO[1]:
        # As a simple one that chops: its amps add up, its watts can't be told. Were it a tracking one whose panel
        # shows a third too much, it would look the same until it was once seen to be one.
        return replace(state, panel=p._replace(wrong_s=0.0, s=0.0, into=0.0, out=0.0), trial=(), judged_s=0.0)
    # What the taps' errors alone make of the ratio, beyond what the limits leave room for.
    mean_in = p.amps_in / p.weight
    zeros = budget.battery.offset_sd_a**2 + budget.load.offset_sd_a**2 + budget.solar.offset_sd_a**2
    gains = (budget.battery.gain_sd * p.battery / p.weight) ** 2 + (budget.load.gain_sd * p.load / p.weight) ** 2
    margin = _SDS * math.sqrt(zeros + gains) / mean_in
    wrong = not _LEAST - margin <= ratio <= _MOST + margin
    wrong_s = p.wrong_s + s if wrong else 0.0
    right_s = 0.0 if wrong else p.right_s + s
    p = p._replace(wrong_s=wrong_s, right_s=right_s)
    if not wrong and not state.verdict.fault:
        p = _minute(p, s, amps_in, out)
    trial = _added(state.trial or _EMPTY, s, weight, now, steps if state.trial else None) if wrong else ()
    state = replace(state, panel=p, trial=trial)
    verdict = state.verdict
    if verdict.fault:
        if right_s >= (_SLOW_GOOD_S if verdict.slow else _PANEL_S) and not (
            verdict.slow and _doubt(state, state.sums, budget) > _CALM_Q
        ):
            return replace(state, verdict=_Verdict(), sums=_EMPTY)
        return state if state.age_s < _NAME_EVERY_S else _named(replace(state, age_s=0.0), budget)
    if wrong_s >= _PANEL_S - 1e-6:
        verdict = _Verdict(True, interval.end_s - wrong_s, "", "unknown", 0.0, _reach(trial))
        return _named(replace(state, age_s=0.0, sums=trial, verdict=verdict), budget)
    if state.age_s >= _OWN_EVERY_S:
        state = replace(state, age_s=0.0)
        if state.sums[0] >= 2.0 * _SLOW_BLOCKS and _doubt(state, state.sums, budget) > _SLOW_Q:
            verdict = _Verdict(True, interval.end_s, "", "unknown", 0.0, _reach(state.sums), True)
            return _named(replace(state, verdict=verdict), budget)
    return state


def _minute(p: _Panel, s: float, amps_in: float, out: float) -> _Panel:
    """The minute under way, and what whole minutes say of the efficiency."""
    p = p._replace(s=p.s + s, into=p.into + amps_in * s, out=p.out + out * s)
    if p.s < _PANEL_S - 1e-6:
        return p
    ratio = p.out / p.into
    n = min(p.n + 1, _MINUTES_MOST)
    off = ratio - p.mean
    mean = p.mean + off / n
    var = 0.0 if p.n == 0 else p.var + (off * (ratio - mean) - p.var) / n
    return p._replace(s=0.0, into=0.0, out=0.0, n=n, mean=mean, var=var)


def _efficiency(p: _Panel) -> tuple[float, float, float] | None:
    if p.n < _MINUTES:
        return None
    half = 1.645 * math.sqrt(p.var + _RATIO_SD**2)  # 90 % of a normal distribution
    return p.mean - half, p.mean, p.mean + half


# ------------------------------------------------------------------ what is shown


def _shown(state: CrossState, interval: Interval, derived: str) -> Cross:
    v = state.verdict
    closed: bool | None = None
    if state.lost_s <= _BAD_S and not derived:
        need_s = _PANEL_S if state.at_panel else _BAD_S
        if v.fault and state.judged_s > 0.0:
            closed = False
        elif state.judged_s >= need_s - 1e-6:
            closed = True
    known = state.extra_n >= _OWN_LEAST and not state.at_panel
    own_a = state.extra_a + (0.0 if interval.own_in_load else interval.own_a) if known else None
    if closed and not v.fault and state.answers[-1]:
        # What tells a reversed battery from an exchanged one is whether they add up: these do.
        _, _, square, product, since_s = state.answers
        eff = _efficiency(state.panel) if state.at_panel else None
        return Cross(state.residual_a, own_a, "battery", "swapped", product / square, closed, since_s, eff, derived)
    return Cross(
        state.residual_a, own_a, v.channel, v.lie, v.size, closed, v.since_s,
        _efficiency(state.panel) if state.at_panel else None, derived,
    )  # fmt: skip


# ------------------------------------------------------------------ at the bus


def at_bus(state: CrossState, interval: Interval) -> Interval:
    """
    The interval with the solar tap as it is behind the controller: the same where that is where it sits; on the
    panel's side made from battery and load, or from the panel's watts and the learnt efficiency where one is missing
    (0.94 until it is learnt, `Cross.efficiency` being None then).

    Lowest and highest amps are the panel's, brought to the mean that was made: battery and load step against each
    other with the key, so theirs can't be added.
    """
    panel = interval.solar
    if not interval.at_panel or panel is None:
        return interval
    battery, load = interval.battery, interval.load
    dt_s = interval.dt_s
    own_a = 0.0 if interval.own_in_load else interval.own_a
    a = charge_c = energy_j = None
    beyond, trouble = panel.beyond, panel.trouble
    bus_v = battery.v if battery.v is not None or load is None else load.v
    if load is not None:
        if battery.a is not None and load.a is not None:
            a = battery.a + load.a + own_a
        if battery.charge_c is not None and load.charge_c is not None:
            charge_c = battery.charge_c + load.charge_c + own_a * dt_s
        if battery.energy_j is not None and load.energy_j is not None and bus_v is not None:
            energy_j = battery.energy_j + load.energy_j + own_a * bus_v * dt_s
    if a is not None or charge_c is not None:
        beyond = battery.beyond or (load is not None and load.beyond)
        trouble = battery.trouble or (load is not None and load.trouble)
    elif panel.a is not None and panel.v is not None and bus_v is not None and bus_v > 1.0:
        known = _efficiency(state.panel)
        part = _USUAL if known is None else known[1]
        a = part * panel.v * panel.a / bus_v
        energy_j = None if panel.energy_j is None else part * panel.energy_j
        charge_c = a * dt_s if energy_j is None else energy_j / bus_v
    low = high = None
    if a is not None and panel.a is not None and panel.a > _AGAINST_A:
        scale = a / panel.a
        if scale > 0.0:
            low = None if panel.a_min is None else panel.a_min * scale
            high = None if panel.a_max is None else panel.a_max * scale
    solar = Tap(bus_v, a, charge_c, battery.v_min, battery.v_max, low, high, energy_j, beyond, trouble)
    return replace(interval, solar=solar, at_panel=False)


# ------------------------------------------------------------------ three counts


@dataclass(frozen=True, slots=True)
class Reconciled:
    """
    Three counts of charge, each moved by as little as its errors allow so that they add up.

    solar_c, battery_c, load_c, beside_c : and their standard deviations *_sd_c. `beside`: the board's own draw as
        declared, where it passes no tap, and the controller's. [C]
    apart_c : solar - battery - load - beside as counted. [C]
    chi : how many standard deviations that is; beyond 3 it is a fault and not the budget. [-]
    """

    solar_c: float
    battery_c: float
    load_c: float
    beside_c: float
    solar_sd_c: float
    battery_sd_c: float
    load_sd_c: float
    beside_sd_c: float
    apart_c: float
    chi: float

    def ah(self) -> dict[str, tuple[float, float]]:
        """Solar, battery, load and beside: charge and standard deviation. [Ah]"""
        return {n: (getattr(self, f"{n}_c") / 3600, getattr(self, f"{n}_sd_c") / 3600) for n in (*CHANNELS, "beside")}


def reconcile(
    solar_c: float,
    battery_c: float,
    load_c: float,
    own_c: float,
    dt_s: float,
    gross_c: tuple[float, float, float],
    budget: Budget = USUAL,
) -> Reconciled | None:
    """
    Weighted least squares under solar = battery + load + beside.

    Parameters
    ----------
    solar_c, battery_c, load_c : float
        Net charges counted over the same time. [C]
    own_c : float
        The board's declared draw that passes none of the taps; the budget's own draw of the controller is added. [C]
    dt_s : float
        The time, > 0. [s]
    gross_c : tuple of three float
        What passed either way, plus and minus added: an error of the gain that is not the same both ways, or at all
        currents, does not cancel with the charge. [C]
    budget : Budget

    Returns
    -------
    Reconciled or None
        None where a value is not a number, the time not above 0, or the budget leaves no room to move anything.

    With variances v of the four and their sum V, each count moves by v/V of what is apart, and its variance becomes
    v - v^2/V (Lagrange, one constraint).
    """
    beside_c = own_c + budget.beside_a * dt_s
    counts = (solar_c, battery_c, load_c, beside_c)
    if not all(math.isfinite(x) for x in (*counts, *gross_c)) or not 0.0 < dt_s < math.inf:
        return None
    errors = (budget.solar, budget.battery, budget.load)
    v = [(e.gain_sd * g) ** 2 + (e.offset_sd_a * dt_s) ** 2 for e, g in zip(errors, gross_c, strict=True)]
    v.append((budget.beside_sd_a * dt_s) ** 2)
    total = math.fsum(v)
    if not total > 0.0:
        return None
    apart = math.fsum((solar_c, -battery_c, -load_c, -beside_c))
    signs = (*_SIGNS, -1.0)
    moved = [x - s * part / total * apart for x, s, part in zip(counts, signs, v, strict=True)]
    sds = [math.sqrt(max(part - part * part / total, 0.0)) for part in v]
    names = [f.name for f in fields(Reconciled)]
    return Reconciled(**dict(zip(names, [*moved, *sds, apart, abs(apart) / math.sqrt(total)], strict=True)))
