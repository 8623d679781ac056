"""
How the station has been used and what the sun has brought, in blocks of five minutes.

In: intervals in time order and the balance's view of them. Out: the last hours as arrays that the forecast draws from,
the last overs' volts, from which it knows how far the pack's keyed volts lie off the curve, and by which way of sending
the current of the last overs looks as it does (`Habits.regime`). It forecasts nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ampledger.core.balance import Balance
from ampledger.core.model import Interval

_Array = NDArray[np.float64]

BLOCK_S = 300.0
HELD = 0.2  # a block with more of it in which a full battery held the controller back tells nothing of the sky
_KEPT = 96  # blocks: eight hours
_LEAST_S = 60.0  # a block of which less was seen tells nothing
_LOW_RATE = 1.0 / 30.0  # how fast the receive level within a block may creep up again, per row
_OVER_SHARE = 0.5  # an over's row counts for the volts when its peak is at least this share of the highest lately
_OVERS_KEPT = 12

# --- The way of sending. Profiles: common practice, no source; spreads and other sizes are judgement, looked at on
# generated outings (seeds from 90000 on).
Kind = Literal["voice", "Morse", "slots", "bursts", ""]
KINDS: tuple[Kind, ...] = ("voice", "Morse", "slots", "bursts")
#: Mean within an over as a part of the key's peak, where it was not measured: the middle of what is usual.
OF_KEY: dict[Kind, float] = {"voice": 0.30, "Morse": 0.44, "slots": 1.0, "bursts": 1.0}
_PRIOR = (0.35, 0.3, 0.25, 0.1)  # how often each is met
_SLOT_S = 15.0
_SLOT_OVER_S = (12.4, 15.3)  # 12.6 to 15 s, and how well edges are seen
_BURST_S = (0.7, 6.5)  # 1 to 6 s
_SAMPLE_S = 0.25  # the mean of a row up to here is as good as its highest
_WHOLE_S = 0.95  # shorter rows are put together to about a second
_FINE_S = 2.5  # rows up to here show single overs; longer ones runs of overs and pauses
_BLUR_S = 15.0  # of rows longer than this all that is asked is whether a carrier in slots is sent
_HANG_S = 1.5  # a pause of more ends an over: a word gap is less
_LONGEST_S = 90.0  # a longer over is judged in pieces
_LEAST_A = 0.15  # what a peak must lie above the receive level to be sending
_FADES, _FADES_S = 0.88, 2400.0  # what an over leaves of the ones before it; and in how long all of it halves
_TEMPER = 0.5  # overs of one operator are alike: each tells less than if they were not
_ENOUGH = 2.5  # overs, faded, before anything is said
_SURE = 0.8
_SHARE_S = 1800.0  # memory of the share of the time keyed
_WANDERS = 0.05  # of a receive level
_STRAY = 0.03  # how often an over is like none of the four: tuning up, a radio that is switched on


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


class _Run(NamedTuple):
    """
    The over that goes on, or with long rows the run of rows with sending; amps and charge above the receive level.

    part_* : the row that is put together from shorter ones. rows 0: none goes on. first_*, last_*, quiet_* : its first
    row, its last, and the pause since; inner_* : rows between first and last, pauses that were none with them.
    peaks_a : sum of the rows' peaks. least_a : highest of the rows' lowest samples.
    """

    end_s: float = -math.inf
    part_s: float = 0.0
    part_c: float = 0.0
    part_high_a: float = 0.0
    part_low_a: float = math.inf
    rows: float = 0.0
    time_s: float = 0.0
    charge_c: float = 0.0
    first_end_s: float = 0.0
    first_c: float = 0.0
    last_s: float = 0.0
    last_c: float = 0.0
    last_peak_a: float = 0.0
    quiet_s: float = 0.0
    quiet_c: float = 0.0
    inner_s: float = 0.0
    inner_c: float = 0.0
    inner_rows: float = 0.0
    inner_peaks_a: float = 0.0
    peaks_a: float = 0.0
    peak_a: float = 0.0
    least_a: float = 0.0


class _Known(NamedTuple):
    """
    What the overs have shown; all of it fades.

    overs : how many. key_a : their peaks above the receive level. fill_s, fill_c : time within overs, and their charge
    over the peak. seen_s, sent_c : time, and charge that sending added. cos, sin : when in 15 s overs began.
    voice to bursts : logarithms of how well each explains them.
    """

    end_s: float = -math.inf
    overs: float = 0.0
    key_a: float = 0.0
    fill_s: float = 0.0
    fill_c: float = 0.0
    seen_s: float = 0.0
    sent_c: float = 0.0
    cos: float = 0.0
    sin: float = 0.0
    voice: float = 0.0
    morse: float = 0.0
    slots: float = 0.0
    bursts: float = 0.0


class Regime(NamedTuple):
    """
    The way of sending, by the look of the current.

    kind : "" where it is not known. certainty : probability of it among the four; of the likeliest where kind is "".
    share : of the time keyed, lately. [-] key_a : what the key adds to the receive level. [A] of_key : mean within
    an over as a part of the peak, measured where rows are short enough, else the usual one of `kind`. [-]
    """

    kind: Kind = ""
    certainty: float = 0.0
    share: float = 0.0
    key_a: float = 0.0
    of_key: float = math.nan


@dataclass(frozen=True, slots=True)
class Habits:
    """
    Everything remembered. blocks : oldest first, at most eight hours of them; overs : the last ones; run, known : of
    the way of sending.
    """

    blocks: tuple[Block, ...] = ()
    overs: tuple[Over, ...] = ()
    open: _Open = _Open()
    run: _Run = _Run()
    known: _Known = _Known()

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "blocks": [[_out(x) for x in b] for b in self.blocks],
            "overs": [list(o) for o in self.overs],
            "open": [_out(x) for x in self.open],
            "run": [_out(x) for x in self.run],
            "known": [_out(x) for x in self.known],
        }

    @classmethod
    def from_dict(cls, saved: dict[str, Any]) -> Habits:
        """
        What `to_dict` gave, also of before the way of sending was recognised: that begins anew then. Raises KeyError,
        TypeError or ValueError for anything else.
        """
        return cls(
            tuple(Block(*(_in(x) for x in b)) for b in saved["blocks"]),
            tuple(Over(*(float(x) for x in o)) for o in saved["overs"]),
            _Open(*(_in(x) for x in saved["open"])),
            _Run(*(_in(x) for x in saved.get("run", ()))),
            _Known(*(_in(x) for x in saved.get("known", ()))),
        )

    def now(self) -> tuple[Block, ...]:
        """The blocks, with the open one behind them where enough of it was seen."""
        last = _closed(self.open, self.open.begin_s + BLOCK_S)
        return self.blocks if last is None else (*self.blocks, last)

    def regime(self, now_s: float) -> Regime:
        """
        How the station sends, by its last overs; those long ago count for less, until nothing is said any more.

        Known after about three overs in rows of a second or two. Longer rows hold overs and pauses: it takes more of
        them, and Morse and bursts mostly stay unknown. Rows above 15 s tell data in slots, and nothing else.
        """
        k = self.known
        if not (k.overs >= _ENOUGH and k.key_a > 0.0):
            return Regime()
        fades = _TEMPER * 0.5 ** (max(0.0, now_s - k.end_s) / _FADES_S)
        logs = [math.log(p) + fades * x for p, x in zip(_PRIOR, (k.voice, k.morse, k.slots, k.bursts), strict=True)]
        most = max(logs)
        odds = [math.exp(x - most) for x in logs]
        certainty = 1.0 / sum(odds)
        if certainty < _SURE:
            return Regime("", certainty, key_a=k.key_a)
        kind = KINDS[logs.index(most)]
        of_key = OF_KEY[kind]
        if k.fill_s > 0.0 and kind in ("voice", "Morse"):  # within what is usual, and a little more
            of_key = min(1.4 * of_key, max(0.5 * of_key, k.fill_c / k.fill_s))
        share = min(1.0, k.sent_c / (k.seen_s * k.key_a * of_key)) if k.seen_s > 0.0 else 0.0
        return Regime(kind, certainty, share, k.key_a, of_key)


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
    return Habits(blocks, overs, o, *_sending(habits.run, habits.known, interval, balance.receive_a))


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


# ---------------------------------------------------------------------------------------------------------------
# The way of sending


def _sending(run: _Run, known: _Known, interval: Interval, receive_a: float | None) -> tuple[_Run, _Known]:
    """
    One interval on. Without the load's amps, or a receive level to count from, an over that went on is dropped; means
    alone of more than a quarter of a second don't show the key's peak and count as nothing.
    """
    load, dt_s = interval.load, interval.dt_s
    c = None if load is None else _charge(load.a, load.charge_c, dt_s)
    if load is None or c is None or receive_a is None or not math.isfinite(receive_a):
        return _Run(), known
    if not abs(interval.start_s - run.end_s) <= 0.25 * dt_s + 0.05:  # a hole, or a clock that was set, or the first
        run = _Run()
        known = known._replace(cos=0.0, sin=0.0)
    high_a, low_a = load.a_max, load.a_min
    if high_a is None or low_a is None or not (math.isfinite(high_a) and math.isfinite(low_a)):
        if dt_s > _SAMPLE_S:
            return _Run(), known
        high_a = low_a = c / dt_s
    if dt_s < _WHOLE_S or run.part_s > 0.0:
        c, dt_s = c + run.part_c, dt_s + run.part_s
        high_a, low_a = max(high_a, run.part_high_a), min(low_a, run.part_low_a)
        if dt_s < _WHOLE_S:
            return run._replace(
                end_s=interval.end_s, part_s=dt_s, part_c=c, part_high_a=high_a, part_low_a=low_a
            ), known
    return _row(run, known, interval.end_s, dt_s, c, high_a, low_a, receive_a)


def _row(
    run: _Run, known: _Known, end_s: float, dt_s: float, c: float, high_a: float, low_a: float, receive_a: float
) -> tuple[_Run, _Known]:
    """One row of about a second or more on: its charge, highest and lowest sample."""
    c, peak_a, low_a = c - receive_a * dt_s, high_a - receive_a, low_a - receive_a
    keep = math.exp(-dt_s / _SHARE_S)
    # So that a much lower power is noticed, the threshold sinks while nothing is sent; a clock may have gone back since
    line_a = _LEAST_A + 0.25 * known.key_a * math.exp(min(0.0, known.end_s - end_s) / 600.0)
    sends = peak_a > line_a
    sent_c = max(0.0, c) if sends else 0.0
    known = known._replace(seen_s=known.seen_s * keep + dt_s, sent_c=known.sent_c * keep + sent_c)
    if not sends:
        if not run.rows:
            return _Run(end_s), known
        quiet_s = run.quiet_s + dt_s
        if quiet_s <= _HANG_S:
            return run._replace(
                end_s=end_s, part_s=0.0, part_c=0.0, part_high_a=0.0, part_low_a=math.inf,
                quiet_s=quiet_s, quiet_c=run.quiet_c + max(0.0, c),
            ), known  # fmt: skip
        return _Run(end_s), _judged(run, known, dt_s, receive_a)
    if not run.rows:
        run = _Run(
            end_s, rows=1.0, time_s=dt_s, charge_c=sent_c, first_end_s=end_s, first_c=sent_c, last_s=dt_s,
            last_c=sent_c, last_peak_a=peak_a, peaks_a=peak_a, peak_a=peak_a, least_a=low_a,
        )  # fmt: skip
    else:
        inner = run.rows > 1.0  # the row before lies between two others now
        run = run._replace(
            end_s=end_s, part_s=0.0, part_c=0.0, part_high_a=0.0, part_low_a=math.inf, rows=run.rows + 1.0,
            time_s=run.time_s + run.quiet_s + dt_s, charge_c=run.charge_c + run.quiet_c + sent_c,
            last_s=dt_s, last_c=sent_c, last_peak_a=peak_a, quiet_s=0.0, quiet_c=0.0,
            inner_s=run.inner_s + run.quiet_s + (run.last_s if inner else 0.0),
            inner_c=run.inner_c + run.quiet_c + (run.last_c if inner else 0.0),
            inner_rows=run.inner_rows + (1.0 if inner else 0.0),
            inner_peaks_a=run.inner_peaks_a + (run.last_peak_a if inner else 0.0),
            peaks_a=run.peaks_a + peak_a, peak_a=max(run.peak_a, peak_a), least_a=max(run.least_a, low_a),
        )  # fmt: skip
    if run.time_s >= _LONGEST_S:
        return _Run(end_s), _judged(run, known, dt_s, receive_a)
    return run, known


def _judged(run: _Run, known: _Known, dt_s: float, receive_a: float) -> _Known:
    """What an over that has ended says of the way of sending."""
    end_s = run.end_s - run.quiet_s
    gap_s = end_s - known.end_s
    keep = _FADES * (0.5 ** (gap_s / _FADES_S) if gap_s > 0.0 else 1.0)
    # A row more or less at the key's level: the highest lately, and lower powers after a few overs
    key_a = run.peak_a if run.peak_a >= known.key_a else known.key_a + 0.3 * (run.peak_a - known.key_a)
    fine = dt_s <= _FINE_S
    carrier_s = run.charge_c / run.peak_a  # how long a steady carrier would have taken for it
    begun_s = run.first_end_s - run.first_c / run.peak_a  # if it was one
    off = None
    angle = 2.0 * math.pi * (begun_s % _SLOT_S) / _SLOT_S
    known_when = fine or (run.rows > 1.0 and run.time_s < _LONGEST_S)
    if known_when and math.hypot(known.cos, known.sin) > 0.5:
        off = (angle - math.atan2(known.sin, known.cos) + math.pi) % (2.0 * math.pi) - math.pi
        off *= _SLOT_S / (2.0 * math.pi)
    if fine:
        likes = _fine(run, carrier_s, off)
    else:
        likes = _coarse(run, carrier_s, off, dt_s, known.key_a, _WANDERS * abs(receive_a) / run.peak_a)
    logs = [keep * old + math.log(x) for old, x in zip(known[-4:], likes, strict=True)]
    best = max(logs)
    fill_s, fill_c = (run.inner_s, run.inner_c / run.peak_a) if fine else (0.0, 0.0)
    turn = 1.0 if known_when else 0.0
    return known._replace(
        end_s=end_s,
        overs=keep * known.overs + (1.0 if max(likes) > 2.0 * min(likes) else 0.0),
        key_a=key_a,
        fill_s=keep * known.fill_s + fill_s,
        fill_c=keep * known.fill_c + fill_c,
        cos=0.8 * known.cos + turn * math.cos(angle),
        sin=0.8 * known.sin + turn * math.sin(angle),
        voice=logs[0] - best,
        morse=logs[1] - best,
        slots=logs[2] - best,
        bursts=logs[3] - best,
    )


def _bell(x: float, middle: float, sd: float) -> float:
    return math.exp(-0.5 * ((x - middle) / sd) ** 2) / (2.5066 * sd)


_Likes = tuple[float, float, float, float]


def _fine(run: _Run, carrier_s: float, off_s: float | None) -> _Likes:
    """
    Densities of one over in rows of about a second, as voice, Morse, slots, bursts: of the mean within it against its
    peak, of how even its peaks are (Morse goes up to the same level each time, voice doesn't), of its length, and of
    when in 15 s it began. `off_s`: how far from where the ones before began; None where that is not known. Whether
    that is a multiple of 15 s of UTC is not asked: not every clock is set.
    """
    n = run.inner_rows
    voice = morse = slots = bursts = stray = 1.0
    if run.inner_s > 0.0:
        fill = min(1.0, run.inner_c / (run.peak_a * run.inner_s))
        voice, morse, slots = _bell(fill, 0.31, 0.075), _bell(fill, 0.44, 0.05), 2.0 * _bell(fill, 1.0, 0.04)
        bursts = slots
        edges_s = (run.first_c + run.last_c) / (run.peak_a * max(fill, 0.1))
        long_s = run.inner_s + min(2.0 * run.last_s, edges_s)
    else:
        long_s = run.time_s
    if n >= 2.0:
        even = run.inner_peaks_a / n / run.peak_a
        # of n peaks that lie evenly within the upper third, or with a compressor nearly all at the same height
        voice *= 0.7 * _bell(even, 1.0 - 0.17 * (n - 1.0) / (n + 0.5), 0.05) + 0.6 * _bell(even, 1.0, 0.06)
        same = 2.0 * _bell(even, 1.0, 0.02)
        morse, slots, bursts = morse * same, slots * same, bursts * same
        stray = 2.0
    usual = _bell(math.log(max(long_s, 0.3)), math.log(10.0), 0.8) / max(long_s, 0.3)
    voice, morse, stray = voice * usual, morse * usual, stray / 60.0
    slots *= _within(carrier_s, *_SLOT_OVER_S)
    bursts *= _within(carrier_s, *_BURST_S)
    when = 1.0 if off_s is None else _SLOT_S * _bell(off_s, 0.0, 0.7)
    return _mixed(voice, morse, slots * when, bursts, stray)


def _coarse(
    run: _Run, carrier_s: float, off_s: float | None, dt_s: float, key_a: float, wanders: float
) -> _Likes:
    """
    The same of a run of longer rows, which hold overs and pauses: of the whole run's charge against its peak (slots:
    so many times 13 s), of how even the rows' peaks are, and of whether a whole row was a steady carrier. Of rows above
    15 s voice, Morse and bursts look alike. `wanders`: what the receive level may be off by, of the peak.
    """
    part = min(1.0, carrier_s / run.time_s)
    per_s = 1.0 / run.time_s
    voice, morse, bursts = (per_s * _bell(part, m, sd) for m, sd in ((0.17, 0.09), (0.26, 0.11), (0.2, 0.1)))
    overs = max(1, round(carrier_s / 13.3))
    slots = 0.0
    if abs(overs - run.time_s / 30.0) <= 1.01:
        slots = _within(carrier_s, overs * _SLOT_OVER_S[0], overs * _SLOT_OVER_S[1])
    even = min(1.0, run.peaks_a / run.rows / max(run.peak_a, key_a))
    same = 2.0 * _bell(even, 1.0, math.hypot(0.025, wanders))
    voice *= _bell(even, 0.94, math.hypot(0.05, wanders))
    morse, slots, bursts = morse * same, slots * same, bursts * same
    if run.least_a > 0.7 * run.peak_a:
        voice = morse = 0.0
        bursts = bursts if dt_s <= _BURST_S[1] else 0.0
    if dt_s > _BLUR_S:
        voice = morse = bursts = (voice + morse + bursts) / 3.0
    when = 1.0 if off_s is None else _SLOT_S * _bell(off_s, 0.0, 1.0)
    return _mixed(voice, morse, slots * when, bursts, 2.0 * per_s)


def _within(x: float, low: float, high: float) -> float:
    return 1.0 / (high - low) if low <= x <= high else 0.0


def _mixed(voice: float, morse: float, slots: float, bursts: float, stray: float) -> _Likes:
    """Each with the chance that the over is like none of them, so that no single one decides."""
    a, b, c, d = ((1.0 - _STRAY) * x + _STRAY * stray for x in (voice, morse, slots, bursts))
    return a, b, c, d


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
