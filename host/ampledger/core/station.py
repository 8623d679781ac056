"""
What is learnt of the station from its outings: amps on receive and by sending, the panel under a clear sky and the
ridge around it, the controller's efficiency, and what flows when everything is off.

In: the readings of an outing and what is told of it. Out: a `Lesson`, what that outing alone found; and from all
lessons a `Value` for each thing, with its 90 % range, from how many outings and when last. Pure: the same lessons in
any order give the same values to the bit. Capacity and resistance are not here: `core/health.py` has them.

How. A finding is the station's value, plus what differs from one outing to the next (volts, aerial, audio; how much is
learnt along), plus the finding's own error: normal, so that known findings are put together as in any textbook, by
their precisions. What is forgotten: the longer two outings lie apart, the likelier it is that something was changed in
between, and then what came before says nothing. All moments at which that may have been are carried beside each other
with their chances (Adams and MacKay 2007, "Bayesian online changepoint detection", arXiv:0710.3742). One outing in
twenty is odd and says nothing of the station at all. So one strange outing hardly moves a value, and two or three that
agree with each other do.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from ampledger.core import sun
from ampledger.core.contacts import NEAR_S, Contact
from ampledger.core.crosscheck import USUAL
from ampledger.core.model import Interval, Tap
from ampledger.core.overs import Over, Rows, overs
from ampledger.core.sun import Panel, Place
from ampledger.errors import StoreError

Array = NDArray[np.float64]
_T = TypeVar("_T")

_YEAR_S = 365.25 * 86_400.0
_ODD = 0.05  # of the outings, judgement
_CLOSE = 0.05  # of the variance: what is less apart is taken together. Of 1, one outing was shifted by 8 % to the prior


class Kind(NamedTuple):
    """
    A thing that is learnt. what, unit : in words. relative : reckoned in logarithms, sizes below as shares.
    prior, prior_sd : what is believed before. common_sd : error that all outings share, as they share the shunts.
    spreads : by how much it may differ from outing to outing, each with how likely that is, together 1.
    half_years : time after which it is as likely as not that something was changed.
    """

    what: str
    unit: str
    relative: bool
    prior: float
    prior_sd: float
    common_sd: float
    spreads: tuple[tuple[float, float], ...]
    half_years: float


_SPREADS = ((0.01, 0.2), (0.03, 0.45), (0.10, 0.28), (0.30, 0.07))
_HABITS, _HAZE = ((0.10, 0.4), (0.30, 0.6)), ((0.03, 0.3), (0.10, 0.5), (0.30, 0.2))
_GAIN_SD, _ZERO_SD_A = USUAL.load.gain_sd, USUAL.battery.offset_sd_a
#: Priors: the sizes that the design notes of this project reckon with, as a 90 % range: receive 0.1 to 2 A, sending 1
#: to 25 A at its peak, a controller's efficiency 0.90 to 0.98, its own draw 8 to 25 mA beside a radio's. The mean of an
#: over is about half its peak, give or take the mode; 0.3 of the time is sent (common practice, no source). Spreads
#: and times: judgement.
KINDS: dict[str, Kind] = {
    "receive_a": Kind("drawn on receive", "A", True, 0.45, 0.91, _GAIN_SD, _SPREADS, 8.0),
    "key_a": Kind("added by sending, mean of an over", "A", True, 2.5, 1.1, _GAIN_SD, _SPREADS, 8.0),
    "peak_a": Kind("added by sending, at its highest", "A", True, 5.0, 0.98, _GAIN_SD, _SPREADS, 8.0),
    "share": Kind("of the time spent sending", "", True, 0.3, 0.6, 0.0, _HABITS, 8.0),
    "panel_ratio": Kind("of the panel's label under a clear sky", "", True, 0.75, 0.2, _GAIN_SD, _HAZE, 4.0),
    "efficiency": Kind(
        "of the panel's energy leaves the controller", "", False, 0.94, 0.025, 1.4 * _GAIN_SD,
        ((0.003, 0.3), (0.01, 0.5), (0.03, 0.2)), 8.0,
    ),
    "standing_a": Kind(
        "flows when everything is off", "A", False, 0.015, 0.012, _ZERO_SD_A,
        ((0.001, 0.4), (0.003, 0.4), (0.01, 0.2)), 4.0,
    ),
}  # fmt: skip
HORIZON = "horizon_deg"

# --- of an outing. Judgement throughout.
_ON_A = 0.05  # more than that is drawn: the station is on
_LEAST_ON_S, _BLOCK_S, _BLOCK_LEAST_S = 600.0, 300.0, 200.0
_AROUND_S = 2.0  # before and after an over nothing is taken for reception
_LEAST_OVERS, _SHORTEST_S = 5, 1.0
_APART = 0.2  # of the height (its logarithm): what lies further apart was sent otherwise
_LEAST_SD = 0.01  # no finding is taken as better known, of itself
_OFF_A, _OFF_SOLAR_A, _OFF_S, _OFF_LEAST_S = 0.02, (-0.05, 0.02), 60.0, 300.0
_STANDING_SD_A, _STANDING_A, _EFFICIENCY_SD = 0.001, (-0.02, 0.3), 0.003  # less is a charger
_HELD_CELL_V = 3.40  # at and above it a full pack may hold the controller back
_HIGH_SUN_DEG, _BRIGHT_W, _FAINT_W = 15.0, 100.0, 50.0
_BRIGHT_LEAST, _CLEAR_LEAST, _RATIO_SD = 6, 0.4, 0.05
_SHADED = 0.5  # of the outing's own clear ratio; less is shade or cloud
_DATED_S = 1e8  # times below it are of a log that knows no date

# --- the ridge: degrees above which the sun is seen; prior falling by e in 10 deg; how often the sun is bright above
# it (clouds) and below it (gaps, edges); an outing counts in a sector as three sights at most. Judgement.
_RIDGE_DEG = np.arange(0.0, 61.0)
_RIDGE_PRIOR = np.exp(-_RIDGE_DEG / 10.0) / np.exp(-_RIDGE_DEG / 10.0).sum()
_SEEN_ABOVE, _SEEN_BELOW, _SIGHTS_MOST, _RIDGE_HALF_YEARS, _SECTOR_DEG = 0.75, 0.05, 3.0, 2.0, 10


@dataclass(frozen=True, slots=True)
class Told:
    """How the radio was set from `begin_s` to `end_s`, UTC [s]. mode : "" unknown. power_w : None unknown. [W]"""

    begin_s: float
    end_s: float
    mode: str
    power_w: float | None = None

    @property
    def group(self) -> str:
        """What it is called, such as "CW 10 W"; "" where nothing is told."""
        power = "" if self.power_w is None else f"{self.power_w:g} W"
        return " ".join(x for x in (self.mode.strip().upper(), power) if x)


def told_by(contacts: Sequence[Contact], offset_s: float = 0.0) -> tuple[Told, ...]:
    """
    How the radio was set by the contacts of a log, those with a mode or a power: two minutes around each, but no nearer
    to its neighbours than to it. offset_s : to be added to the log's times. [s]
    """
    ordered = sorted(contacts, key=lambda c: (c.begin_s, c.end_s, c.number))
    edges = [(c.begin_s, max(c.begin_s, c.end_s) + (c.coarse_s if c.coarse_s > 1.0 else 0.0)) for c in ordered]
    out = []
    for n, (c, (begin_s, end_s)) in enumerate(zip(ordered, edges, strict=True)):
        from_s, to_s = begin_s - NEAR_S, end_s + NEAR_S
        if n:
            from_s = max(from_s, 0.5 * (edges[n - 1][1] + begin_s))
        if n + 1 < len(edges):
            to_s = min(to_s, 0.5 * (end_s + edges[n + 1][0]))
        if (c.mode or c.power_w is not None) and from_s < to_s:
            out.append(Told(from_s + offset_s, to_s + offset_s, c.mode, c.power_w))
    return tuple(out)


class Finding(NamedTuple):
    """
    What one outing found of one thing: name : of `KINDS`. group : how the radio was set, "" for not told or not asked.
    value; sd : its own error, relative where the kind is. number : of overs, or blocks of five minutes.
    level_a : height of the overs in it where nothing was told, by which the same setting is found again; else 0. [A]
    """

    name: str
    group: str
    value: float
    sd: float
    number: int
    level_a: float = 0.0


class Sight(NamedTuple):
    """Sector and height of the sun, each rounded down [deg], and whether it reached the panel."""

    sector_deg: int
    height_deg: int
    seen: bool


@dataclass(frozen=True, slots=True)
class Lesson:
    """
    What one outing found. source : which, such as "outing 3". begin_s, end_s : UTC. [s] place : of the sights, to a
    hundredth of a degree, "" unknown. lacks : what was not found, and why.
    """

    source: str
    begin_s: float
    end_s: float
    findings: tuple[Finding, ...] = ()
    place: str = ""
    sights: tuple[Sight, ...] = ()
    lacks: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """As plain values that JSON can hold."""
        return asdict(self)

    @staticmethod
    def from_dict(saved: dict[str, Any]) -> Lesson:
        """What `to_dict` gave. Raises StoreError for what is no lesson."""
        try:
            findings = tuple(
                Finding(str(name), str(group), float(value), float(sd), int(number), float(level_a))
                for name, group, value, sd, number, level_a in saved["findings"]
            )
            sights = tuple(Sight(int(az), int(h), bool(seen)) for az, h, seen in saved["sights"])
            if not all(f.name in KINDS and math.isfinite(f.value) and f.sd > 0.0 for f in findings):
                raise ValueError("a finding that can't be")
            return Lesson(
                str(saved["source"]), float(saved["begin_s"]), float(saved["end_s"]), findings, str(saved["place"]),
                sights, tuple(str(x) for x in saved["lacks"]),
            )  # fmt: skip
        except (KeyError, TypeError, ValueError) as e:
            raise StoreError(f"What an outing taught can't be read ({e}): learn from it again.") from e


@dataclass(frozen=True, slots=True)
class Value:
    """
    A learnt thing. name : of `KINDS`, or `HORIZON`. group : setting of the radio, or place and sector.
    value : as likely more as less: the mean, wherever one account is left of it; one odd outing moves a mean out of
    its own range. low, high : 90 % range. All as of now. outings, number : that it rests on since it was last changed,
    and their overs, blocks or sights. last_s : of the last of them. changed_s : when something was changed, if that is
    likelier than not; else None.
    """

    name: str
    group: str
    value: float
    low: float
    high: float
    unit: str
    outings: int
    number: int
    last_s: float
    changed_s: float | None = None

    @property
    def key(self) -> str:
        """Name and group, by which it is reset."""
        return f"{self.name} {self.group}".strip()


# --- what one outing says -----------------------------------------------------------------------


class Seen(NamedTuple):
    """
    What was measured in an outing, in order of time, NaN where not known. shape (n,)

    begin_s, dt_s : UTC begin and length. [s] load_a, low_a, high_a : of the load, mean and ends. [A] low_v : of the
    battery. [V] in_load_a : the board's own draw as far as it is in the load's figures; own_a : all of it. [A]
    solar_a, solar_w : of the solar tap. [A], [W] battery_a, battery_v : means. at_panel : 1 where the solar tap is at
    the panel.
    """

    begin_s: Array
    dt_s: Array
    load_a: Array
    low_a: Array
    high_a: Array
    low_v: Array
    in_load_a: Array
    own_a: Array
    solar_a: Array
    solar_w: Array
    battery_a: Array
    battery_v: Array
    at_panel: Array


def lesson(
    seen: Seen,
    source: str,
    told: Sequence[Told] = (),
    place: Place | None = None,
    panel: Panel | None = None,
    series: int = 4,
    efficiency: float | None = None,
) -> Lesson:
    """
    What an outing says of the station.

    told : how the radio was set, of two the later in the sequence counts. place, panel : for the clear sky; None where
    not told. series : cells of the pack. efficiency : of the controller, by the outing's `Books`. [-]
    """
    if not seen.dt_s.size:
        return Lesson(source, 0.0, 0.0, lacks=("There are no readings.",))
    findings: list[Finding] = []
    lacks: list[str] = []
    _sending(seen, told, findings, lacks)
    if efficiency is not None and 0.3 < efficiency < 1.1:
        blocks = int(seen.dt_s[seen.at_panel > 0.5].sum() / _BLOCK_S)
        findings.append(Finding("efficiency", "", efficiency, _EFFICIENCY_SD, max(1, blocks)))
    elif not seen.at_panel.any():
        lacks.append("Efficiency of the controller: the solar shunt is behind it, and does not see what goes in.")
    _standing(seen, findings, lacks)
    sights = _panel(seen, place, panel, series, findings, lacks)
    where = "" if place is None or not sights else f"{place.lat_deg:.2f},{place.lon_deg:.2f}"
    end_s = float(seen.begin_s[-1] + seen.dt_s[-1])
    return Lesson(source, float(seen.begin_s[0]), end_s, tuple(findings), where, sights, tuple(lacks))


def seen_of(intervals: Iterable[Interval]) -> Seen:
    """What intervals in order of time hold. A load that was not measured is solar less battery, behind a controller."""
    rows = []
    for i in intervals:
        b, dt_s = i.battery, i.dt_s
        battery_a, solar_a = _a(b, dt_s), _a(i.solar, dt_s)
        load_a = _a(i.load, dt_s)
        low_a = high_a = load_a
        if i.load is not None:
            low_a = load_a if i.load.a_min is None else i.load.a_min
            high_a = load_a if i.load.a_max is None else i.load.a_max
        elif not i.at_panel:
            load_a = low_a = high_a = solar_a - battery_a
        v = math.nan if b.v is None else b.v
        solar_v = i.solar.v if i.solar is not None and i.solar.v is not None else v
        rows.append((
            i.start_s, dt_s, load_a, low_a, high_a, v if b.v_min is None else b.v_min,
            i.own_a if i.own_in_load else 0.0, i.own_a, solar_a, solar_v * solar_a, battery_a, v, float(i.at_panel),
        ))  # fmt: skip
    columns = np.array(rows, dtype=np.float64).reshape(len(rows), len(Seen._fields)).T
    return Seen(*columns)


def _a(tap: Tap | None, dt_s: float) -> float:
    if tap is None:
        return math.nan
    if tap.a is not None:
        return tap.a
    return math.nan if tap.charge_c is None else tap.charge_c / dt_s


def _sending(seen: Seen, told: Sequence[Told], findings: list[Finding], lacks: list[str]) -> None:
    """Amps on receive, by sending, and the share of the time."""
    found = overs(Rows(seen.begin_s, seen.dt_s, seen.load_a, seen.low_a, seen.high_a, seen.low_v))
    net_a = seen.load_a - seen.in_load_a
    on = np.isfinite(net_a) & (net_a > _ON_A) & (seen.dt_s <= 2.5)
    on_s = float(seen.dt_s[on].sum())
    if on_s < _LEAST_ON_S:
        lacks.append(f"Amps on receive and by sending: ten minutes with the station on, in rows of 2.5 s and less, are "
                     f"needed; there are {on_s / 60:.0f}.")  # fmt: skip
        return
    quiet = on & ~_within(seen.begin_s + 0.5 * seen.dt_s, found)
    blocks = _blocks(seen, net_a, quiet, _BLOCK_LEAST_S / 4.0)
    if blocks.size:
        findings.append(Finding("receive_a", "", *_middle(blocks), blocks.size))
    long = [o for o in found if o.length_s >= _SHORTEST_S]
    if len(long) < _LEAST_OVERS:
        lacks.append(f"Amps by sending: {_LEAST_OVERS} overs are needed; there are {len(long)}.")
        return
    share = min(0.95, math.fsum(o.length_s for o in found) / on_s)
    findings.append(Finding("share", "", share, max(0.05, 1.0 / math.sqrt(len(found))), len(found)))
    for group, level_a, of in _groups(long, told):
        peak_a, peak_sd = _middle(np.array([o.height_a for o in of]))
        findings.append(Finding("peak_a", group, peak_a, peak_sd, len(of), level_a))
        # By the time: what is sent and the share of it come to the charge that was drawn.
        key_a = math.fsum(o.added_c for o in of) / math.fsum(o.length_s for o in of)
        _, key_sd = _middle(np.array([o.added_c / o.length_s for o in of]))
        findings.append(Finding("key_a", group, key_a, key_sd, len(of), level_a))


def _within(times_s: Array, found: Sequence[Over]) -> NDArray[np.bool_]:
    """Which times lie in an over, or close to one."""
    if not found:
        return np.zeros(times_s.size, dtype=bool)
    begin = np.array([o.begin_s for o in found]) - _AROUND_S
    end = np.array([o.end_s for o in found]) + _AROUND_S
    at = np.searchsorted(begin, times_s, side="right") - 1
    inside: NDArray[np.bool_] = (at >= 0) & (times_s < end[np.maximum(at, 0)])
    return inside


def _blocks(seen: Seen, values: Array, use: NDArray[np.bool_], least_s: float) -> Array:
    """Means over blocks of five minutes in which at least `least_s` are used."""
    return _by_block(seen, (values,), use, least_s)[1][:, 0]


def _by_block(
    seen: Seen, values: Sequence[Array], use: NDArray[np.bool_], least_s: float
) -> tuple[NDArray[np.int64], Array]:
    """Numbers of the blocks and their means, shape (blocks, values)."""
    at = np.flatnonzero(use)
    if not at.size:
        return np.zeros(0, dtype=np.int64), np.zeros((0, len(values)))
    number = np.floor(seen.begin_s[at] / _BLOCK_S).astype(np.int64)
    first = np.flatnonzero(np.r_[True, number[1:] != number[:-1]])
    dt = seen.dt_s[at]
    seconds = np.add.reduceat(dt, first)
    means = np.stack([np.add.reduceat(v[at] * dt, first) / seconds for v in values], axis=1)
    enough = seconds >= least_s
    return number[first][enough], means[enough]


def _middle(values: Array) -> tuple[float, float]:
    """Median and its relative standard deviation, of values above 0."""
    middle = float(np.median(values))
    spread = 1.4826 * float(np.median(np.abs(values - middle)))  # of a normal, by the median of distances
    return middle, max(_LEAST_SD, 1.2533 * spread / max(middle, 1e-9) / math.sqrt(values.size))


def _groups(found: Sequence[Over], told: Sequence[Told]) -> list[tuple[str, float, list[Over]]]:
    """Overs by what was told, the others by their height; (group, height or 0, overs), groups of five and more."""
    by_told: dict[str, list[Over]] = {}
    untold: list[Over] = []
    for over in found:
        middle = 0.5 * (over.begin_s + over.end_s)
        group = next((t.group for t in reversed(told) if t.begin_s <= middle < t.end_s), "")
        (by_told.setdefault(group, []) if group else untold).append(over)
    out = [(group, 0.0, of) for group, of in sorted(by_told.items())]
    untold.sort(key=lambda o: (o.height_a, o.begin_s))
    for of in _apart(untold, [o.height_a for o in untold]):
        out.append(("", float(np.median([o.height_a for o in of])), of))
    return [g for g in out if len(g[2]) >= _LEAST_OVERS]


def _apart(items: Sequence[_T], levels: Sequence[float]) -> list[list[_T]]:
    """Sorted items, cut where their levels lie further apart than `_APART`."""
    out: list[list[_T]] = []
    before = 0.0
    for item, level in zip(items, levels, strict=True):
        if not out or level > before * math.exp(_APART):
            out.append([])
        out[-1].append(item)
        before = level
    return out


def _standing(seen: Seen, findings: list[Finding], lacks: list[str]) -> None:
    """What the pack gives, without the board's own draw, while load and sun are none."""
    drain_a = -seen.battery_a - seen.own_a
    with np.errstate(invalid="ignore"):
        off = (np.abs(seen.load_a - seen.in_load_a) < _OFF_A) & (drain_a > _STANDING_A[0]) & (drain_a < _STANDING_A[1])
        off &= np.isnan(seen.solar_a) | ((seen.solar_a > _OFF_SOLAR_A[0]) & (seen.solar_a < _OFF_SOLAR_A[1]))
    at = np.flatnonzero(off)
    total_s, total_c = 0.0, 0.0
    for part in np.split(at, np.flatnonzero(np.diff(at) > 1) + 1):
        seconds = float(seen.dt_s[part].sum())
        if seconds >= _OFF_S:
            total_s += seconds
            total_c += float((drain_a[part] * seen.dt_s[part]).sum())
    if total_s < _OFF_LEAST_S:
        lacks.append("What flows when everything is off: five minutes without load and sun are needed, such as before "
                     "unplugging at the end.")  # fmt: skip
        return
    findings.append(Finding("standing_a", "", total_c / total_s, _STANDING_SD_A, max(1, round(total_s / _BLOCK_S))))


def _panel(
    seen: Seen, place: Place | None, panel: Panel | None, series: int, findings: list[Finding], lacks: list[str]
) -> tuple[Sight, ...]:
    """The panel's ratio to a clear sky, and where the sun reached it."""
    if place is None or panel is None or not panel.power_w > 0.0 or seen.begin_s[0] < _DATED_S:
        lacks.append("The panel's share of a clear sky: place, panel and dates are needed.")
        return ()
    use = np.isfinite(seen.solar_w) & np.isfinite(seen.battery_v)
    load_a = np.where(np.isfinite(seen.load_a), seen.load_a - seen.in_load_a, 0.0)
    number, means = _by_block(seen, (seen.solar_w, seen.battery_v / series, load_a), use, _BLOCK_LEAST_S)
    mid_s = (number + 0.5) * _BLOCK_S
    height, azimuth = sun.position(place, mid_s)
    beam, diffuse = sun.clear_sky(place, panel, mid_s)
    whole = beam + diffuse
    watts, cell_v, load = means.T
    ratio = watts / (panel.power_w * np.maximum(whole, 1.0) / 1000.0)
    free = cell_v < _HELD_CELL_V
    bright = np.sort(ratio[free & (height > _HIGH_SUN_DEG) & (whole > _BRIGHT_W)])
    if bright.size < _BRIGHT_LEAST:
        lacks.append(f"The panel's share of a clear sky: half an hour of sun above {_HIGH_SUN_DEG:.0f} degrees with a "
                     "battery that takes it is needed.")  # fmt: skip
        return ()
    # Clouds only take away: the best third is taken for the clear sky.
    best = float(np.median(bright[-max(2, bright.size // 3) :]))
    if not _CLEAR_LEAST <= best <= 1.5:
        lacks.append(f"The panel's share of a clear sky: the best was {100 * best:.0f} %, taken for clouds throughout.")
        return ()
    findings.append(Finding("panel_ratio", "", best, _RATIO_SD, int(bright.size)))
    # A panel that brings nothing may be put away: that counts only while the station is on.
    told = free & (beam > diffuse) & (whole > _FAINT_W) & ((ratio > 0.01) | (load > _ON_A))
    reached: dict[tuple[int, int], bool] = {}
    for az, h, r in zip(azimuth[told], height[told], ratio[told], strict=True):
        at = (int(az // _SECTOR_DEG) * _SECTOR_DEG % 360, int(h))
        reached[at] = reached.get(at, False) or bool(r >= _SHADED * best)
    return tuple(Sight(az, h, open_) for (az, h), open_ in sorted(reached.items()))


# --- what all of them say together --------------------------------------------------------------


class Part(NamedTuple):
    """One account of a value: its weight (together 1), mean and variance, and the finding that it begins with."""

    weight: float
    mean: float
    var: float
    first: int


class Given(NamedTuple):
    """A finding as it is reckoned with: when [s], value and standard deviation (logarithms where relative)."""

    time_s: float
    value: float
    sd: float


def posterior(kind: Kind, given: Sequence[Given], odd: float = _ODD) -> list[Part]:
    """
    What findings in order of time say of a thing, at the time of the last one.

    Known, with `odd` 0, one spread and no time between them, this is the normal prior with normal findings: precisions
    add, and the mean is weighted by them. With prior N(m, v) and a finding y of variance s2: v' = 1/(1/v + 1/s2),
    m' = v' (m/v + y/s2). (Gelman et al., "Bayesian Data Analysis", 3rd ed., 2.5; from memory, and as printed in lecture
    notes read 2026-12-01.)
    """
    tried = []
    for spread, likely in kind.spreads:
        log, parts = _filtered(kind, given, spread, odd)
        tried.append((log + math.log(likely), parts))
    best = max(log for log, _ in tried)
    total = math.fsum(math.exp(log - best) for log, _ in tried)
    return [p._replace(weight=p.weight * math.exp(log - best) / total) for log, parts in tried for p in parts]


def _prior(kind: Kind) -> tuple[float, float]:
    """Mean and variance of what the findings are about: the thing with the error that all of them share."""
    mean = math.log(kind.prior) if kind.relative else kind.prior
    return mean, kind.prior_sd**2 + kind.common_sd**2


def _changed(half_years: float, apart_s: float) -> float:
    """The chance that something was changed meanwhile. [-]"""
    return -math.expm1(-math.log(2.0) * max(0.0, apart_s) / (half_years * _YEAR_S))


def _filtered(kind: Kind, given: Sequence[Given], spread: float, odd: float) -> tuple[float, list[Part]]:
    """Logarithm of how likely the findings were with that spread, and the accounts."""
    m0, v0 = _prior(kind)
    parts, log = [Part(1.0, m0, v0, 0)], 0.0
    for n, (time_s, y, sd) in enumerate(given):
        if n:
            f = _changed(kind.half_years, time_s - given[n - 1].time_s)
            parts = [p._replace(weight=p.weight * (1.0 - f)) for p in parts]
            if f > 0.0:
                parts.append(Part(f, m0, v0, n))
        e2 = sd**2 + spread**2
        none = odd * _normal(y, m0, v0 + e2)
        parts = [new for p in parts for new in _updated(p, y, e2, odd, none)]
        likely = math.fsum(p.weight for p in parts)
        log += math.log(max(likely, 1e-300))
        parts = [p._replace(weight=p.weight / max(likely, 1e-300)) for p in parts if p.weight > 1e-5 * likely]
    return log, parts


def _updated(p: Part, y: float, e2: float, odd: float, none: float) -> tuple[Part, ...]:
    """
    One finding on: a plain update, and the account as it was, for the case that the outing is odd. Two that lie close
    to each other are made one of the same mean and variance, or they would double with every finding.
    """
    total = p.var + e2
    fits = (1.0 - odd) * _normal(y, p.mean, total)
    step, left = p.var / total * (y - p.mean), p.var * e2 / total
    if not fits + none > 0.0:
        return ()
    r = fits / (fits + none)
    between = r * (1.0 - r) * step**2
    if between > _CLOSE * left and p.var > 2.0 * left:
        return Part(p.weight * fits, p.mean + step, left, p.first), p._replace(weight=p.weight * none)
    var = r * left + (1.0 - r) * p.var + between
    return (Part(p.weight * (fits + none), p.mean + r * step, var, p.first),)


def _normal(y: float, mean: float, var: float) -> float:
    return math.exp(-0.5 * (y - mean) ** 2 / var) / math.sqrt(2.0 * math.pi * var)


def _cleared(kind: Kind, parts: Sequence[Part]) -> list[Part]:
    """Accounts of the thing itself, from those of it with the error that all findings share."""
    m0, v0 = _prior(kind)
    keep = kind.prior_sd**2 / v0
    left = keep * kind.common_sd**2
    return [p._replace(mean=m0 + keep * (p.mean - m0), var=keep**2 * p.var + left) for p in parts]


def _quantile(parts: Sequence[Part], q: float) -> float:
    low = min(p.mean - 8.0 * math.sqrt(p.var) for p in parts)
    high = max(p.mean + 8.0 * math.sqrt(p.var) for p in parts)
    for _ in range(30):
        x = 0.5 * (low + high)
        below = math.fsum(p.weight * 0.5 * math.erfc((p.mean - x) / math.sqrt(2.0 * p.var)) for p in parts)
        low, high = (x, high) if below < q else (low, x)
    return 0.5 * (low + high)


def learn(lessons: Sequence[Lesson], now_s: float) -> tuple[Value, ...]:
    """
    What all outings say together, in any order; by name and group.

    now_s : UTC; ranges grow with the time since the last outing. [s]
    """
    ordered = sorted(lessons, key=lambda one: (one.end_s, one.begin_s, one.source, one.findings, one.sights))
    called = names(ordered)
    by_key: dict[tuple[str, str], list[tuple[float, Finding]]] = {}
    for one in ordered:
        for f in sorted(one.findings):
            by_key.setdefault((f.name, called.get(f.level_a, f.group)), []).append((one.end_s, f))
    order = list(KINDS)
    keys = sorted(by_key, key=lambda k: (order.index(k[0]), k[1]))
    return tuple(_value(name, group, by_key[name, group], now_s) for name, group in keys) + _ridges(ordered, now_s)


def without(one: Lesson, key: str, called: Mapping[float, str]) -> Lesson:
    """
    A lesson without what belongs to a value.

    key : `Value.key`, or a name alone for all its groups. called : by `names` of the lessons that it was learnt from.
    """

    def goes(name: str, group: str) -> bool:
        return key in (name, f"{name} {group}".strip())

    return replace(
        one,
        findings=tuple(f for f in one.findings if not goes(f.name, called.get(f.level_a, f.group))),
        sights=tuple(s for s in one.sights if not goes(HORIZON, _sector(one.place, s.sector_deg))),
    )


def names(lessons: Sequence[Lesson]) -> dict[float, str]:
    """What settings that were not told are called, by the height of their overs in each outing. [A]"""
    levels = sorted({f.level_a for one in lessons for f in one.findings if f.level_a > 0.0})
    out = {}
    for of in _apart(levels, levels):
        called = f"about {math.exp(math.fsum(map(math.log, of)) / len(of)):.2g} A"
        out.update(dict.fromkeys(of, called))
    return out


def _value(name: str, group: str, found: Sequence[tuple[float, Finding]], now_s: float) -> Value:
    kind = KINDS[name]
    given = [Given(t, _reckoned(kind, f.value), f.sd) for t, f in found]
    parts = posterior(kind, given)
    starts: dict[int, float] = {}
    for p in parts:
        starts[p.first] = starts.get(p.first, 0.0) + p.weight
    first = max(starts, key=lambda n: (starts[n], -n))
    last_s = given[-1].time_s
    f = _changed(kind.half_years, now_s - last_s)
    m0, v0 = _prior(kind)
    now = [p._replace(weight=p.weight * (1.0 - f)) for p in parts if p.weight > 1e-5] + [Part(f, m0, v0, len(given))]
    three = (_quantile(_cleared(kind, now), q) for q in (0.5, 0.05, 0.95))
    most = 1.0 if name in ("share", "efficiency") else math.inf
    value, low, high = (min(most, max(0.0, math.exp(x) if kind.relative else x)) for x in three)
    return Value(
        name, group, value, low, high, kind.unit, len(given) - first, sum(f.number for _, f in found[first:]), last_s,
        given[first].time_s if first else None,
    )  # fmt: skip


def _reckoned(kind: Kind, value: float) -> float:
    return math.log(max(value, 1e-6)) if kind.relative else value


def _ridges(lessons: Sequence[Lesson], now_s: float) -> tuple[Value, ...]:
    """The height above which the sun reaches the panel, for each place and sector that was looked at."""
    by_sector: dict[tuple[str, int], list[tuple[float, list[Sight]]]] = {}
    for one in lessons:
        sectors: dict[int, list[Sight]] = {}
        for s in one.sights:
            sectors.setdefault(s.sector_deg, []).append(s)
        for az, sights in sectors.items():
            by_sector.setdefault((one.place, az), []).append((one.end_s, sights))
    return tuple(_ridge(place, az, by_sector[place, az], now_s) for place, az in sorted(by_sector))


def _ridge(place: str, sector_deg: int, found: Sequence[tuple[float, list[Sight]]], now_s: float) -> Value:
    belief, before_s = _RIDGE_PRIOR, found[0][0]
    for time_s, sights in found:
        belief = _faded(belief, time_s - before_s)
        before_s = time_s
        log = np.zeros_like(belief)
        for s in sights:
            p = np.where(s.height_deg + 0.5 > _RIDGE_DEG, _SEEN_ABOVE, _SEEN_BELOW)
            log += np.log(p if s.seen else 1.0 - p)
        belief = belief * np.exp(min(1.0, _SIGHTS_MOST / len(sights)) * (log - log.max()))
        belief = belief / belief.sum()
    up = np.cumsum(_faded(belief, now_s - before_s))
    at = np.minimum(_RIDGE_DEG.size - 1, np.searchsorted(up, (0.5, 0.05, 0.95)))
    value, low, high = (float(x) for x in _RIDGE_DEG[at])
    number = sum(len(s) for _, s in found)
    return Value(HORIZON, _sector(place, sector_deg), value, low, high, "°", len(found), number, before_s)


def _sector(place: str, sector_deg: int) -> str:
    return f"{place} {sector_deg}-{sector_deg + _SECTOR_DEG}"


def _faded(belief: Array, apart_s: float) -> Array:
    f = _changed(_RIDGE_HALF_YEARS, apart_s)
    faded: Array = (1.0 - f) * belief + f * _RIDGE_PRIOR
    return faded
