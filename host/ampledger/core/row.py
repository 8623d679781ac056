"""
One interval as the conditions of `watch` look at it, and what they remember from row to row.

In: intervals and facts. Out: a `Row` with its `Memory`, a fixed number of figures that `remember` moves on. It
concludes nothing that is shown: that is for conditions.py.

"Design notes" at a level are those of this project, where prototypes were tried.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from ampledger.core.crosscheck import Cross
from ampledger.core.model import Battery, Interval, Limits, Tap
from ampledger.core.paths import Paths

TAPS = ("solar", "battery", "load")


@dataclass(frozen=True, slots=True)
class Sun:
    """
    What the sky would bring where a place is told; None where it is not.

    elevation_deg : of the sun. [deg] clear_a : what the panel would bring at the bus under a clear sky, by its label
    and what panels and controllers usually make of it; None without a panel. [A]
    """

    elevation_deg: float | None = None
    clear_a: float | None = None


@dataclass(frozen=True, slots=True)
class Facts:
    """
    What else is known at the end of an interval: balance, estimate and outlook in plain figures.

    early_s : when the reserve may be reached; None as well where something else ends first. [s]
    radio_v : volts at the radio's plug when keyed, low, mid, high; radio_min_v : what it needs, 0 for not known. [V]
    receive_a, keyed_a, keyed, held : as in `Balance`; `held`: a full pack holds the controller back.
    cross, paths : what the three points say of each other; what the key's steps say of resistances.
    """

    verdict: str
    supply_a: float | None
    demand_a: float | None
    soc: float
    low: float
    high: float
    reserve_soc: float
    early_s: float | None
    radio_v: tuple[float, float, float] | None = None
    radio_min_v: float = 0.0
    receive_a: float | None = None
    keyed_a: float | None = None
    keyed: bool = False
    held: bool = False
    cross: Cross = Cross()
    paths: Paths = Paths()
    sun: Sun = Sun()


_NEVER_S = -1e9
_NOT_SAME = (0.0, 0.0, None)
Same = tuple[float, float, tuple[float | None, ...] | None]
Three = tuple[float, float, float]


@dataclass
class Memory:
    """
    What the conditions remember beyond their delays: a fixed number of figures. Treat as closed; `remember` makes a
    new one. Times are seconds of data (`now_s` is their sum), -1e9: never. Three: solar, battery, load.
    """

    now_s: float = 0.0
    # Of the last 10 s: lengths, and squares of the amps times these [A2 s]; their mean [A2]; and when a sample was last
    # far beyond the fuse.
    squares: tuple[tuple[float, float, float, float], ...] = ()
    square: Three = (0.0, 0.0, 0.0)
    pulse_s: Three = (_NEVER_S, _NEVER_S, _NEVER_S)
    # Overs: how long ago the key was down, volts and amps before it, the lowest within it, how many in a row sagged.
    calm_s: float = 1e9
    rest_v: float | None = None
    rest_a: float = 0.0
    over_s: float = 0.0
    over_v: float = 0.0
    over_a: float = 0.0
    sagged: int = 0
    sag_v: float = 0.0
    sag_low_v: float = 0.0
    sag_a: float = 0.0
    # The battery's tap without any current: how long, and between which volts and load's amps; what flowed before.
    quiet_s: float = 0.0
    quiet_v: tuple[float, float] = (0.0, 0.0)
    quiet_load_a: tuple[float, float] | None = None
    late_load_a: tuple[float, float] | None = None
    flow_v: float | None = None
    flow_a: float = 0.0
    flows_s: float = 0.0
    edge_a: tuple[float, float] = (0.0, 0.0)
    last_ends_a: tuple[float, float] = (0.0, 0.0)
    opened: str = ""
    # Sun: the last 20 s, the most of late, what it was when it fell to nothing and how long ago; share of a clear sky.
    sun_a: float = 0.0
    most_a: float = 0.0
    lost_a: float = 0.0
    lost_s: float = 0.0
    ratio: float = 0.0
    # Means of 10 s for shade: the open one, the last one, how long steady, the level that it fell from and how long
    # ago, then the levels since; what was found.
    block_s: float = 0.0
    block_c: float = 0.0
    block_a: float | None = None
    steady_s: float = 0.0
    from_a: float = 0.0
    from_s: float = 0.0
    fell: bool = False
    after_low_a: float = 0.0
    after_high_a: float = 0.0
    after_s: float = 0.0
    shade_a: float = 0.0
    shade_s: float = 0.0
    # The receive level that is usual, and how much time it rests on.
    base_a: float = 0.0
    base_s: float = 0.0
    # The most that was drawn on receive of late.
    level_a: float = 0.0
    # Of each tap: for how long identical, in how many of these rows the others moved, its figures.
    same: tuple[Same, Same, Same] = (_NOT_SAME, _NOT_SAME, _NOT_SAME)
    # When the bus last gave trouble, keyed (the last three times) and not (the last two).
    trouble_s: Three = (_NEVER_S, _NEVER_S, _NEVER_S)
    calm_trouble_s: tuple[float, float] = (_NEVER_S, _NEVER_S)


class Row:
    """One interval as the conditions look at it. A tap that was not measured, and what is no number, is None."""

    __slots__ = (
        "a", "at_panel", "battery", "cell", "charging", "dt_s", "end_s", "facts", "full", "interval", "limits",
        "load_a", "m", "seen", "shown", "solar_a", "sound", "spreads", "taps", "temp", "v",
    )  # fmt: skip

    def __init__(
        self,
        interval: Interval,
        facts: Facts,
        battery: Battery,
        limits: Limits,
        seen: frozenset[str],
        shown: Mapping[str, str],
    ) -> None:
        """`shown`: the severity of each notice that is open, for levels that differ on the way up and down."""
        self.interval, self.facts, self.battery, self.limits = interval, facts, battery, limits
        self.seen, self.shown, self.m = seen, shown, Memory()
        self.dt_s, self.end_s, self.at_panel = interval.dt_s, interval.end_s, interval.at_panel
        self.taps = (interval.solar, interval.battery, interval.load)
        self.spreads = [None if tap is None else spread_of(tap) for tap in self.taps]
        self.a, self.v = number(interval.battery.a), number(interval.battery.v)
        self.temp = number(interval.battery_c)
        self.solar_a = number(interval.solar.a) if interval.solar is not None else None
        self.load_a = number(interval.load.a) if interval.load is not None else None
        self.cell = None if self.v is None else self.v / battery.series
        # Below what a protection board lets a cell fall to (2.0 V, 8 V for four: one maker's sheet) and above what any
        # charger gives it, it is not so many cells; such volts, and what is made of them, say nothing.
        fits = self.cell is None or 2.0 <= self.cell <= 4.0
        self.sound = fits and "series-doubtful" not in shown
        self.charging = self.a
        most = number(interval.battery.a_max)
        if self.dt_s > LONG_ROW_S and most is not None and most > 0.1 and (self.a is None or self.a <= 0.02):
            self.charging = most  # sent and charged in one long row: its mean hides the charging
        # Held back by a full pack: by the balance, at volts where charging ends, or (a controller that has stopped and
        # waits until the pack falls) nearly full and not low. Common practice, no source.
        cell = self.cell
        rests_full = facts.soc >= 0.95 and facts.low >= 0.85 and cell is not None and cell >= 3.30
        self.full = facts.held or (cell is not None and cell >= 3.45) or rests_full


LONG_ROW_S = 2.5  # longer rows mix sending and receiving, as in balance.py
# A sample (0.1 s) of so many times a fuse's rating. A pulse should stay below 22 % of the melting I2t (design notes; a
# maker's figure for 100,000 pulses), which nobody has told: usual blade fuses open within 0.04 to 0.5 s at 3.5 times
# (from memory), so that a tenth of a second at 3 times may be that much, and at twice is not.
PULSE = 3.0


def number(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def ends_of(low: float | None, high: float | None, mean: float | None) -> tuple[float, float] | None:
    """Lowest and highest sample, the mean standing in for one that is not known."""
    low, high, mean = number(low), number(high), number(mean)
    if low is None or high is None:
        return None if mean is None else (mean, mean)
    return low, high


def spread_of(tap: Tap) -> tuple[float, float] | None:
    """How far the samples of a row lie apart, volts and amps; None where lowest and highest are not known."""
    if tap.v_min is None or tap.v_max is None or tap.a_min is None or tap.a_max is None:
        return None
    v, a = tap.v_max - tap.v_min, tap.a_max - tap.a_min
    return (v, a) if math.isfinite(v) and math.isfinite(a) else None


def silent(tap: Tap | None) -> bool:
    return tap is None or (number(tap.v) is None and number(tap.a) is None)


def remember(old: Memory, r: Row) -> Memory:
    """The memory at the end of a row."""
    m = Memory.__new__(Memory)
    m.__dict__.update(old.__dict__)
    m.now_s += r.dt_s
    if r.limits.fuse_a != (None, None, None) or r.limits.wire_a != (None, None, None):
        _follow_squares(m, r)
    _follow_overs(m, r)
    _follow_quiet(m, r)
    if r.solar_a is not None:
        _follow_sun(m, r, r.solar_a)
        _follow_shade(m, r, r.solar_a)
    _follow_level(m, r)
    _follow_same(m, r)
    _follow_trouble(m, r)
    return m


def after_gap(old: Memory) -> Memory:
    """What is still true after time without readings."""
    kept = (
        "now_s", "rest_v", "sagged", "sag_v", "sag_low_v", "sag_a", "opened", "ratio", "most_a", "base_a", "base_s",
        "level_a", "shade_a", "shade_s",
    )  # fmt: skip
    return Memory(**{name: getattr(old, name) for name in kept})


def _follow_squares(m: Memory, r: Row) -> None:
    """
    Mean square of each tap's amps over the last 10 s, in parts of a second or a row.

    Within a row of known lowest, highest and mean it is taken as if only the first two occurred, which is right for a
    key and the most it can be for anything else: (low + high) mean - low high (Bhatia and Davis 2000).
    """
    now, pulse, limits = [0.0, 0.0, 0.0], list(m.pulse_s), r.limits
    for k, tap in enumerate(r.taps):
        a = None if tap is None else number(tap.a)
        if tap is None or a is None:
            continue
        low, high = ends_of(tap.a_min, tap.a_max, a) or (a, a)
        now[k] = r.dt_s * max(a * a, (low + high) * a - low * high)
        fuse = limits.fuse_a[k]
        if fuse is not None and max(abs(low), abs(high)) > PULSE * fuse:
            pulse[k] = m.now_s
    parts = list(m.squares)
    if parts and parts[-1][0] < 1.0 - 1e-6:
        seconds, solar, battery, load = parts[-1]
        parts[-1] = seconds + r.dt_s, solar + now[0], battery + now[1], load + now[2]
    else:
        parts.append((r.dt_s, now[0], now[1], now[2]))
    length, solar, battery, load = 0.0, 0.0, 0.0, 0.0
    for k in range(len(parts) - 1, -1, -1):
        one = parts[k]
        length, solar, battery, load = length + one[0], solar + one[1], battery + one[2], load + one[3]
        if length >= 10.0 - 1e-6:
            del parts[:k]
            break
    length = max(10.0, length)
    m.squares, m.pulse_s = tuple(parts), (pulse[0], pulse[1], pulse[2])
    m.square = solar / length, battery / length, load / length


def _follow_overs(m: Memory, r: Row) -> None:
    """Volts at rest and in overs; at the end of an over whether they sagged."""
    v, a = r.v, r.a
    if r.facts.keyed:
        m.calm_s = 0.0
        if v is not None and r.dt_s <= LONG_ROW_S:
            if m.over_s == 0.0 or v < m.over_v:
                m.over_v, m.over_a = v, a or 0.0
            m.over_s += r.dt_s
        return
    m.calm_s = min(1e9, m.calm_s + r.dt_s)
    if m.over_s >= 2.0 and m.rest_v is not None:
        series = r.battery.series
        # A volt of hysteresis for four cells would hide the next over: a tenth of that (judgement).
        ease = 0.05 if m.sagged >= 2 else 0.0
        sag = m.rest_v - m.over_v
        if m.over_v / series < 3.0 + ease and sag / series > 0.2 - ease:
            m.sagged, m.sag_v, m.sag_low_v, m.sag_a = min(m.sagged + 1, 2), sag, m.over_v, m.rest_a - m.over_a
        else:
            m.sagged = 0
    m.over_s = 0.0
    if v is not None and m.calm_s > 2.0:
        part = 1.0 if m.rest_v is None else 1.0 - math.exp(-r.dt_s / 5.0)
        m.rest_v = v if m.rest_v is None else m.rest_v + (v - m.rest_v) * part
        m.rest_a += ((a or 0.0) - m.rest_a) * part


def _follow_quiet(m: Memory, r: Row) -> None:
    """
    Does a battery whose tap shows nothing still hang on the bus? Design notes: less than 20 mA for 2 s.

    A connected one holds the volts: with nothing through it they do not wander by 0.1 V a cell, and do not jump up
    when charging stops. Right after it has given current it takes some at volts that it does not have at rest, full and
    just charged (3.58 V a cell), unless sun and draw slide into balance by themselves. Nor does it stand aside when the
    load changes, unless it is full and the controller carries all. All within half a minute, for it relaxes slowly.
    These levels: judgement.
    """
    v, a = r.v, r.a
    tap = r.interval.battery
    ends = ends_of(tap.a_min, tap.a_max, a)
    if v is None or a is None or ends is None:
        return
    if max(abs(a), abs(ends[0]), abs(ends[1])) >= 0.02:
        m.flows_s = m.flows_s + r.dt_s if abs(a) > 0.05 else 0.0
        # One that gives but takes nothing has opened for charging only; two minutes of giving are no over (judgement).
        if a > 0.05 or (a < -0.05 and (m.opened not in ("jump", "one way") or m.flows_s > 120.0)):
            m.opened = ""
        part = 1.0 if m.flow_v is None else 1.0 - math.exp(-r.dt_s / 3.0)
        m.flow_v = v if m.flow_v is None else m.flow_v + (v - m.flow_v) * part
        m.flow_a += (a - m.flow_a) * part
        # Of the last two rows: what stops between two rows leaves little in the newer one.
        last = ends if m.quiet_s else m.last_ends_a
        m.edge_a = min(ends[0], last[0]), max(ends[1], last[1])
        m.quiet_s, m.last_ends_a = 0.0, ends
        return
    m.flows_s = 0.0
    volts = ends_of(tap.v_min, tap.v_max, v) or (v, v)
    load = None if r.load_a is None else (r.load_a, r.load_a)
    # The chips do not look at the same instant: of the load's rows the first and the newest may hold an edge of the key
    # that the battery's do not, and any a dot that it missed, which moves no mean much.
    first, late = m.quiet_s == 0.0, m.late_load_a
    m.late_load_a = None if first else load
    if first or m.quiet_s % 30.0 + r.dt_s > 30.0:
        m.quiet_v, m.quiet_load_a = volts, None if first else late
    else:
        m.quiet_v = min(m.quiet_v[0], volts[0]), max(m.quiet_v[1], volts[1])
        if late is not None:
            before = m.quiet_load_a or late
            m.quiet_load_a = min(before[0], late[0]), max(before[1], late[1])
    m.quiet_s += r.dt_s
    if m.opened or m.quiet_s < 2.0 - 1e-6 or m.flow_v is None:
        return
    series = r.battery.series
    rose_v = (v - m.flow_v) / series
    # After an over the mean of late says little of what went in: then more volts, and more current at the edge.
    stopped = (m.flow_a > 0.1 < m.edge_a[1] and rose_v > 0.04) or (m.edge_a[1] > 0.3 and rose_v > 0.1)
    if m.quiet_s <= max(10.0, r.dt_s) and stopped:
        m.opened = "jump"
    elif m.quiet_s <= max(10.0, r.dt_s) and m.edge_a[0] < -0.3 and v > 3.58 * series:
        m.opened = "one way"
    elif 2.3 <= m.flow_v / series <= 3.9 and v < 0.7 * m.flow_v:
        m.opened = "gone"
    elif m.quiet_v[1] - m.quiet_v[0] > 0.1 * series:
        m.opened = "loose"
    elif m.quiet_load_a is not None and m.quiet_load_a[1] - m.quiet_load_a[0] > 0.3 and r.facts.high < 0.95:
        m.opened = "follows"


def _follow_sun(m: Memory, r: Row, solar: float) -> None:
    """Its level of late, the share of a clear sky, and from where it fell to nothing at once."""
    dark = solar < 0.01
    # It has to have delivered well (0.15 A: design notes), and a quarter of the most of late: a controller that lets
    # go of a low sun does so from far below it (judgement).
    if dark and not m.lost_a and m.sun_a > max(0.15, 0.25 * m.most_a):
        m.lost_a, m.lost_s = m.sun_a, 0.0
    if dark:
        m.lost_s += r.dt_s
    elif solar > 0.03:
        m.lost_a = m.lost_s = 0.0
    m.sun_a += (solar - m.sun_a) * (1.0 - math.exp(-r.dt_s / 10.0))
    m.most_a = max(solar, m.most_a * math.exp(-r.dt_s / 10800.0))
    clear = r.facts.sun.clear_a
    if clear is not None and clear > 0.1 and solar > 0.02 and not r.full:
        share = min(1.5, solar / clear)
        m.ratio = share if m.ratio == 0.0 else m.ratio + (share - m.ratio) * (1.0 - math.exp(-r.dt_s / 300.0))


def _follow_shade(m: Memory, r: Row, solar: float) -> None:
    """Means of 10 s: steady for a minute, then half within 20 s or so, then steady again for two minutes."""
    if m.shade_a:
        m.shade_s += r.dt_s
        if solar > 0.8 * m.shade_a or m.shade_s > 1800.0 or solar < 0.01:
            m.shade_a = 0.0
    if r.dt_s > 10.0 or r.full:  # can't be told, or is not the sun's doing
        m.block_s = m.block_c = m.steady_s = m.from_a = 0.0
        m.block_a, m.fell = None, False
        return
    m.block_s += r.dt_s
    m.block_c += r.dt_s * solar
    if m.block_s < 10.0 - 1e-6:
        return
    level, before = m.block_c / m.block_s, m.block_a
    m.block_a, m.block_s, m.block_c = level, 0.0, 0.0
    if before is None:
        return
    if m.fell:
        low, high = min(m.after_low_a, level), max(m.after_high_a, level)
        if m.after_s == 0.0:
            low = high = level  # the one in which it fell is mixed
        m.after_low_a, m.after_high_a, m.after_s = low, high, m.after_s + 10.0
        if high - low > 0.05 * high or level < 0.01:
            m.fell, m.from_a, m.steady_s = False, 0.0, 0.0
        elif m.after_s >= 120.0:
            m.shade_a, m.shade_s, m.fell, m.from_a = m.from_a, 0.0, False, 0.0
        return
    if abs(level - before) <= 0.05 * before:
        m.steady_s += 10.0
        if not m.from_a:
            return
    elif not m.from_a:
        if m.steady_s >= 60.0 and before > 0.3:
            m.from_a, m.from_s = before, 0.0
        m.steady_s = 0.0
    if m.from_a:
        m.from_s += 10.0
        if level <= 0.5 * m.from_a:
            m.fell, m.after_s = True, 0.0
        elif m.from_s >= 20.0:
            m.from_a = 0.0


def _follow_level(m: Memory, r: Row) -> None:
    """The usual receive level: while overs are made, and not while something more, or only half of it, is drawn."""
    receive = r.facts.receive_a
    if receive is None:
        return
    m.level_a = max(receive, m.level_a * math.exp(-r.dt_s / 10800.0))
    if m.calm_s > 600.0:
        return
    if m.base_s == 0.0:
        m.base_a = receive
    if m.base_s < 300.0 or 0.5 * m.base_a < receive < m.base_a + 0.15:
        slow_s = min(300.0, m.base_s + r.dt_s)
        m.base_a += (receive - m.base_a) * (1.0 - math.exp(-r.dt_s / slow_s))
        m.base_s = min(1e9, m.base_s + r.dt_s)
    elif receive >= m.base_a + 0.15:
        # So slowly that 0.3 A more are usual after about half an hour.
        m.base_a += 0.15 * min(r.dt_s, 60.0) / 1800.0


def _follow_same(m: Memory, r: Row) -> None:
    """For how long a tap has given the very same volts and amps, and how often the others have moved meanwhile."""
    spreads = r.spreads
    moves = [False, False, False]
    for k, spread in enumerate(spreads):
        tap, last = r.taps[k], m.same[k]
        if tap is None or spread is None:
            continue
        # 10 mV at the bus are seen by every chip; on the panel's side the volts are others.
        v_moves = not (k == 0 and r.at_panel)
        before = None if last[2] is None else last[2][0]
        went = v_moves and tap.v is not None and before is not None and abs(tap.v - before) > 0.01
        moves[k] = went or (v_moves and spread[0] > 0.02)
    out: list[Same] = []
    for k, tap in enumerate(r.taps):
        spread, last = spreads[k], m.same[k]
        if tap is None:
            out.append(_NOT_SAME)
            continue
        # Lowest and highest come without their last bits, rounded outwards: as much as 3 mV and 3 mA apart.
        still = spread is not None and spread[0] <= 0.005 and spread[1] <= 0.02 and not (k == 0 and r.at_panel)
        figures: tuple[float | None, ...]
        if spread is None:
            figures = (number(tap.v), number(tap.a))
        else:
            figures = (number(tap.v), number(tap.a), tap.v_min, tap.v_max, tap.a_min, tap.a_max)
        if not still or figures != last[2]:
            out.append((0.0, 0.0, figures))
            continue
        others = any(moves[j] for j in range(3) if j != k)
        out.append((min(1e9, last[0] + r.dt_s), min(1e9, last[1] + others), figures))
    m.same = (out[0], out[1], out[2])


def _follow_trouble(m: Memory, r: Row) -> None:
    # One that says nothing at all is silent, which is another notice.
    if not any(tap is not None and tap.trouble and not silent(tap) for tap in r.taps):
        return
    if m.calm_s <= 2.0:  # keyed, or just now
        m.trouble_s = m.trouble_s[1], m.trouble_s[2], m.now_s
    else:
        m.calm_trouble_s = m.calm_trouble_s[1], m.now_s
