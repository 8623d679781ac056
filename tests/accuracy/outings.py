"""
Outings of a portable station that never took place, whose truth is known: what the forecast is judged on.

In: the name of a world and a seed. Out: an `Outing`: what a board with errors saw in rows of 10 s, what the operator
told, and the truth beside both, up to eight hours after the planned closing. Nothing here knows the forecaster; of the
host only measured curves are used (`core.cells`), bent anew for each outing, and the values that travel.

What happens in each, in this order and each from a random stream of its own, so that a change of one leaves the others:

- Sky: pvlib's SPA, Ineichen and Hay-Davies; kinds of weather that last a while each, clouds that pass within some;
  a ridge and trees that hide the beam; a panel that is dirty, warm, aimed otherwise than told.
- Operator: listens, calls, works stations, rests; each lasts a while of its own and leads to the next. Eagerness
  drifts, the new UTC day often brings a burst, power and mode are sometimes changed, a computer may be charged.
- Pack: open-circuit volts with hysteresis that follows charge, a resistance and two polarisations, all by the
  temperature; a controller that holds its limit. Connectors come loose.
- Afterwards (`Outing.dawn`): closed at the planned time or when it has failed, the panel folded; what stands there
  draws until the sunrise. Then a day of its own weather for the panel, set up as it was at first; nobody sends.

Every figure of it is judgement unless it says otherwise. `usual`, `harsh` (cold, high current, high resistance, loose
connectors) and `gentle` differ in `World` only.

How hard they are: of 450 outings rules (a), (b), (c) of `decisions` have Briers of about 0.21, 0.13, 0.12 (the
prototype in DECISION.md saw 0.20, 0.11, 0.09 in its own), and one who knew everything but what chance decides later
about 0.03 (`Fork`; 60 outings).

The pack goes on after the station has failed, and the operator after the planned closing: as if nobody had noticed.
Time is in seconds of UTC; one second is the step of truth.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from typing import NamedTuple

import numpy as np
from ampledger.core import cells
from ampledger.core.model import Interval, Tap
from numpy.typing import NDArray
from scipy.signal import lfilter

Array = NDArray[np.float64]
Span = tuple[float, float]

ROW_S = 10
SERIES = 4
FARTHEST_S = 8 * 3600  # truth is known so long after the planned closing
OWN_A = 0.015  # what the board draws, as declared
INSIDE_A = 0.002  # what the pack's protection draws behind the shunt
DAY_S = 86400.0
MODES = ("ssb", "cw", "slots", "bursts")
# What is judged of `with_change`
CHANGES: tuple[tuple[str, float | str], ...] = (("power", 0.5), ("share", 0.5), ("mode", "cw"), ("mode", "ssb"))
FULL_SOC = 0.99  # taken for full again: the last percent tapers off (judgement)
_RISEN_DEG = -0.8333  # PRINTED: refraction and radius of the sun, NREL/TP-560-34302, "sunrise"


@dataclass(frozen=True)
class World:
    """
    What differs between the three; spans are (least, most), drawn evenly.

    key_c : key current as a multiple of the pack's Ah, at most; spare_v : what the radio has above its minimum when it
    is first keyed: an operator who has less lowers the power. stray_ohm : wires, contacts and protection inside the
    pack. fault_per_h : how often a connector comes loose. [1/h] panel : share of outings with one.
    """

    name: str
    temp_c: Span
    key_c: Span
    stray_ohm: Span
    lead_ohm: Span
    radio_min_v: Span
    spare_v: Span
    fault_per_h: float
    panel: float
    panel_w: Span


WORLDS = {
    w.name: w
    for w in (
        World(
            "usual", (4.0, 32.0), (0.2, 1.3), (0.008, 0.03), (0.015, 0.05), (11.0, 12.0), (0.05, 1.1), 0.05, 0.75,
            (10.0, 50.0),
        ),
        World(
            "harsh", (-12.0, 6.0), (0.5, 1.6), (0.01, 0.045), (0.02, 0.06), (11.0, 12.0), (0.03, 0.65), 0.2, 0.6,
            (10.0, 40.0),
        ),
        World(
            "gentle", (12.0, 28.0), (0.08, 0.3), (0.006, 0.02), (0.01, 0.03), (10.5, 11.5), (0.3, 1.5), 0.01, 0.8,
            (10.0, 60.0),
        ),
    )  # fmt: skip
}
_CODE = {"usual": 1, "harsh": 2, "gentle": 3}


@dataclass(frozen=True)
class Told:
    """
    What the operator has told by `now_s`; what isn't told is None.

    began_s : when the box was switched on. capacity_sd : how well the capacity is known, as a fraction. lat_deg and so
    on: None when no place is told.
    panel_w : None without a panel; tilt from the horizontal, azimuth from north. until_s : planned closing.
    contacts_s : when contacts were made, up to now. new_day_s : 00:00 UTC of the day in which the planned closing lies.
    standing_a : what flows out of the pack once all is switched off, as the operator believes; None: not told. [A]
    """

    now_s: float
    began_s: float
    until_s: float
    capacity_ah: float
    capacity_sd: float
    start_soc: float | None
    start_sd: float
    reserve_soc: float
    lead_ohm: float
    radio_min_v: float
    lat_deg: float | None
    lon_deg: float | None
    panel_w: float | None
    tilt_deg: float
    azimuth_deg: float
    contacts_s: tuple[float, ...]
    new_day_s: float
    wanted_contacts: int = 10
    series: int = SERIES
    standing_a: float | None = None


class Rows(NamedTuple):
    """What the board saw, a row each `ROW_S`, shape (n,); charge in C, the rest V, A, degC."""

    battery_v: Array
    battery_v_min: Array
    battery_v_max: Array
    battery_a: Array
    battery_a_min: Array
    battery_a_max: Array
    battery_c: Array
    solar_a: Array
    solar_a_min: Array
    solar_a_max: Array
    load_a: Array
    load_a_min: Array
    load_a_max: Array
    temp_c: Array


class Overs(NamedTuple):
    """Overs, in time order, shape (m,): first second, the one after the last, key current, a chance each, mode."""

    first: NDArray[np.int64]
    last: NDArray[np.int64]
    key_a: Array
    chance: Array
    mode: NDArray[np.str_]


class Load(NamedTuple):
    """What the station draws, second by second, shape (n,): mean, lowest and highest sample; and the overs. [A]"""

    mean: Array
    low: Array
    high: Array
    quiet: Array  # without any over
    overs: Overs


class Truth(NamedTuple):
    """
    Of each second, shape (n,): currents at the taps, pack volts at the bus, charge at its end, volts that the pack has
    without what answers at once, solar current on offer and the most the pack takes; and what ended it.
    """

    battery_a: Array
    solar_a: Array
    bus_v: Array
    soc: Array
    slow_v: Array
    offer_a: Array
    takes_a: Array
    fail_s: float
    fail_by: str  # "reserve", "volts" or ""


@dataclass(frozen=True)
class Pack:
    """The pack and its way to the radio; arrays by second, shape (n,). `ocv_v` and `half_v`: 1001 points, one cell."""

    capacity_ah: float
    soc0: float
    side0: float
    middle_v: Array
    half_v: Array
    swing: float
    r0_ohm: Array  # with the contacts on the battery's side
    r1_ohm: Array
    r2_ohm: Array
    t1_s: float
    t2_s: float
    limit_v: float
    lead_ohm: Array  # with the contacts on the load's side
    radio_min_v: float
    reserve_soc: float


@dataclass(frozen=True)
class Sensor:
    """Gain errors and offsets of battery, solar, load [A]; of volts; noise [V]; of the thermometer [degC]."""

    gain: tuple[float, float, float]
    offset_a: tuple[float, float, float]
    gain_v: float
    noise_v: float
    off_c: float
    seed: int


class After(NamedTuple):
    """What stands there draws once all is switched off [A]; means of the key in Morse and voice, if changed to."""

    standing_a: float
    cw: float
    ssb: float


class Dawn(NamedTuple):
    """The sunrise after the planned closing, the charge then, when it is full again [UTC s], inf: not that day."""

    at_s: float
    soc: float
    full_s: float


@dataclass(frozen=True, eq=False)
class Outing:
    """
    One outing. `start_s`: its first second. `contacts_s`: all that are ever made. `fail_s`: when the station fails,
    inf if it doesn't within `FARTHEST_S` after the planned closing; `fail_by` says of what. `bend`: key current goes
    with this power of the transmitter's power. `site`: None without a panel.
    """

    world: str
    seed: int
    start_s: float
    until_s: float
    place: tuple[float, float]
    plan: Told
    contacts_s: Array
    load: Load
    offer_a: Array
    pack: Pack
    sensor: Sensor
    temp_c: Array
    truth: Truth
    bend: float
    planned: Planned
    site: Site | None
    after: After

    @property
    def fail_s(self) -> float:
        """UTC at which the station fails; inf: it doesn't. [s]"""
        return self.truth.fail_s

    @property
    def fail_by(self) -> str:
        """ "reserve", "volts", or "" for neither."""
        return self.truth.fail_by

    @property
    def seconds(self) -> int:
        """How long it is known, a whole number of rows. [s]"""
        return len(self.offer_a)

    def told(self, now_s: float) -> Told:
        """What the operator has told by then."""
        made = tuple(float(x) for x in self.contacts_s if x <= now_s)
        return replace(self.plan, now_s=now_s, contacts_s=made)

    def rows(self) -> Rows:
        """What the board saw; computed anew at each call, always the same."""
        return _seen(self)

    def intervals(self, every_s: int = ROW_S, until_s: float = math.inf) -> Iterator[Interval]:
        """The board's intervals of `every_s`, a multiple of `ROW_S`, those that end by `until_s`."""
        rows, k = self.rows(), every_s // ROW_S
        n = int(min(self.seconds, until_s - self.start_s) // every_s)
        cut = Rows(*(x[: n * k].reshape(n, k) for x in rows))
        how = {"_min": np.min, "_max": np.max}
        b = Rows(*(how.get(name[-4:], np.mean)(x, axis=1).tolist() for name, x in cut._asdict().items()))
        for j in range(n):
            v, v_min, v_max = b.battery_v[j], b.battery_v_min[j], b.battery_v_max[j]
            battery = Tap(v, b.battery_a[j], b.battery_c[j] * k, v_min, v_max, b.battery_a_min[j], b.battery_a_max[j])
            s, load = b.solar_a[j], b.load_a[j]
            yield Interval(
                self.start_s + j * every_s, float(every_s), battery,
                Tap(v, s, s * every_s, v_min, v_max, b.solar_a_min[j], b.solar_a_max[j]),
                Tap(v, load, load * every_s, v_min, v_max, b.load_a_min[j], b.load_a_max[j]),
                battery_c=b.temp_c[j], own_a=OWN_A,
            )  # fmt: skip

    def cut(self, until_s: float) -> Outing:
        """The same outing, known only until then: a change of it is sooner lived; its rows have other noise."""
        rows = min(self.seconds // ROW_S, max(1, math.ceil((until_s - self.start_s) / ROW_S)))
        n = rows * ROW_S
        arrays = {name: getattr(self.pack, name)[:n] for name in ("r0_ohm", "r1_ohm", "r2_ohm", "lead_ohm")}
        overs = self.load.overs
        begun = Overs(*(x[overs.first < n] for x in overs))
        load = Load(*(x[:n] for x in self.load[:4]), begun._replace(last=np.minimum(begun.last, n)))
        t = self.truth
        fails = t.fail_s <= self.start_s + n
        truth = Truth(*(x[:n] for x in t[:7]), t.fail_s if fails else math.inf, t.fail_by if fails else "")
        return replace(
            self, load=load, offer_a=self.offer_a[:n], pack=replace(self.pack, **arrays), temp_c=self.temp_c[:n],
            truth=truth,
        )  # fmt: skip

    def with_change(self, what: str, by: float | str, from_s: float) -> Outing:
        """
        The same outing, had the operator changed something at `from_s`; all that chance decides stays as it is.

        "power" : the transmitter's power times `by`; what keying draws above the receive level goes with a power of
        it that is the radio's own, 0.42 to 0.5 (the root is an ideal amplifier's; a real one has a standing current).
        "share" : of the overs that begin later only this share is sent, each over by a chance of its own.
        "mode" : overs that begin later are sent in the mode `by`, "cw" or "ssb", at the same power and as long, if
        its key is down less of the time; on average so much as this operator's is.
        """
        if not isinstance(by, str) and not 0.0 <= by <= 1.0:
            raise ValueError(f"a change by {by}")
        at = min(self.seconds, max(0, math.ceil(from_s - self.start_s)))
        if what == "power" and not isinstance(by, str):
            new = self._with_power(by**self.bend, at)
        elif what == "share" and not isinstance(by, str):
            new = self._with_share(by, at)
        elif what == "mode" and isinstance(by, str) and by in ("cw", "ssb"):
            new = self._with_mode(by, at)
        else:
            raise ValueError(f"no change is called {what} {by}")
        return replace(self, load=new, truth=_lived(self.pack, new, self.offer_a, self.start_s))

    def _with_power(self, factor: float, at: int) -> Load:
        load, overs = self.load, self.load.overs
        change = np.ones(self.seconds)
        change[at:] = factor
        level = load.quiet[np.minimum(overs.first, self.seconds - 1)]
        key_a = np.where(overs.first >= at, level + factor * (overs.key_a - level), overs.key_a)
        series = (load.quiet + change * (x - load.quiet) for x in load[:3])
        return Load(*series, load.quiet, overs._replace(key_a=key_a))

    def _with_share(self, share: float, at: int) -> Load:
        load, overs = self.load, self.load.overs
        keep = (overs.first < at) | (overs.chance < share)
        change = np.ones(self.seconds)
        second, which = seconds_of(overs)
        change[second[~keep[which]]] = 0.0
        series = (load.quiet + change * (x - load.quiet) for x in load[:3])
        return Load(*series, load.quiet, Overs(*(x[keep] for x in overs)))

    def _with_mode(self, mode: str, at: int) -> Load:
        load, overs = self.load, self.load.overs
        swap = (overs.first >= at) & np.isin(overs.mode, [m for m in MODES if _OF_KEY[m] > _OF_KEY[mode]])
        second, which = seconds_of(overs)
        second, which = second[swap[which]], which[swap[which]]
        span = np.maximum(overs.key_a[which] - load.quiet[second], 0.0)
        mean = self.after.cw if mode == "cw" else self.after.ssb
        series = []
        for x, part in zip(load[:3], (mean, *((0.0, 1.0) if mode == "cw" else (0.03 * mean, 0.85))), strict=True):
            x = x.copy()
            x[second] = load.quiet[second] + part * span
            series.append(x)
        return Load(*series, load.quiet, overs._replace(mode=np.where(swap, mode, overs.mode)))

    def dawn(self) -> Dawn:
        """The morning after, whatever was told; the weather of that day from a stream of its own."""
        p, pack = self.planned, self.pack
        closed_s = min(self.until_s, self.fail_s)
        last = round(closed_s - self.start_s) - 1
        rise_s, set_s = sun_up(*self.place, self.until_s)
        drawn_ah = (self.after.standing_a + INSIDE_A) * (rise_s - closed_s) / 3600.0
        soc = max(0.0, float(self.truth.soc[last]) - drawn_ah / pack.capacity_ah)
        if self.site is None:
            return Dawn(rise_s, soc, math.inf)
        rng = _stream(self.world, self.seed, 6)
        clear = p.clear if rng.random() < 0.5 else float(rng.beta(1.6, 1.3))
        site = self.site._replace(turn_s=math.inf)
        rows = int((set_s - rise_s) / ROW_S)
        offer_a = _offered(p._replace(clear=clear), site, rng, rise_s, rows, float(self.temp_c.mean()))
        r0, r1, r2 = (np.full(rows * ROW_S, x[last]) for x in (pack.r0_ohm, pack.r1_ohm, pack.r2_ohm))
        morning = replace(pack, soc0=soc, side0=-1.0, r0_ohm=r0, r1_ohm=r1, r2_ohm=r2)
        return Dawn(rise_s, soc, rise_s + full_after(morning, offer_a - self.after.standing_a))


# ---------------------------------------------------------------------------------------------------------------
# Making one


class Fork(NamedTuple):
    """From `at_s` (UTC) on chance decides anew, by `number`: what is begun goes on, what comes next is another."""

    at_s: float
    number: int


def _stream(world: str, seed: int, k: int) -> np.random.Generator:
    """The stream of one of the things that chance decides: plan, sky, habits, pack, told, afterwards, next day."""
    return np.random.default_rng([20261130, _CODE[world], seed, k])


def outing(world: str, seed: int, fork: Fork | None = None) -> Outing:
    """
    The outing of this world and seed; always the same one. With `fork` another end of it, for the question how well a
    forecaster could do that knew all there is to know: weather and operator, not loose connectors.
    """
    w = WORLDS[world]
    plan_rng, sky_rng, habit_rng, pack_rng, told_rng, after_rng = (_stream(world, seed, k) for k in range(6))
    p = _planned(w, plan_rng)
    seconds = ROW_S * round((p.until_s + FARTHEST_S - p.start_s) / ROW_S)
    temp_c = _weather_c(w, p, plan_rng, seconds)
    site = _site(p, sky_rng)
    offer_a = np.zeros(seconds)
    if site is not None:
        rows = _offered(p, site, sky_rng, p.start_s, seconds // ROW_S, float(temp_c.mean()), fork)
        offer_a = np.repeat(rows, ROW_S)
    pack = _pack(w, p, pack_rng, temp_c)
    p, pack = _tried(p, pack)
    load, contacts = _habits(p, habit_rng, seconds, fork)
    truth = _lived(pack, load, offer_a, p.start_s)
    plan, sensor = _told(p, pack, told_rng, seed)
    after, standing_a = _after(after_rng)
    return Outing(
        world, seed, p.start_s, p.until_s, (p.lat, p.lon), replace(plan, standing_a=standing_a), contacts + p.start_s,
        load, offer_a, pack, sensor, temp_c, truth, float(told_rng.uniform(0.42, 0.5)), p, site, after,
    )  # fmt: skip


class Planned(NamedTuple):
    """What is decided beforehand. `busy`: share of time in overs when active; `mean_of_key`: mean within an over."""

    start_s: float
    until_s: float
    new_day_s: float
    lat: float
    lon: float
    panel_w: float
    tilt: float
    azimuth: float
    capacity_ah: float
    soc0: float
    reserve: float
    receive_a: float
    key_a: float
    mode: str
    eager: float
    clear: float
    derate: float
    radio_min_v: float
    spare_v: float


# Share of time in overs and mean of the key current within an over, for planning and for what is drawn
_BUSY = {"ssb": 0.36, "cw": 0.42, "slots": 0.42, "bursts": 0.14}
_OF_KEY = {"ssb": 0.31, "cw": 0.44, "slots": 1.0, "bursts": 1.0}  # the and DECISION.md's profiles
_KEY_LEAST_A, _KEY_MOST_A = 0.7, 22.0


def _planned(w: World, rng: np.random.Generator) -> Planned:
    """
    Where, when, how long, with what. How long fits what the pack holds and what is expected to be drawn from it, more
    or less, or nothing would be uncertain; what then happens is not looked at.
    """
    lat = float(rng.uniform(25.0, 65.0) * rng.choice([-1.0, 1.0], p=[0.25, 0.75]))
    lon = float(rng.uniform(-180.0, 180.0))
    day = 1735689600.0 + DAY_S * int(rng.integers(0, 730))  # 2025-01-01 and two years on
    after_midnight = bool(rng.random() < 0.65)
    until_s = day + (60.0 * round(rng.uniform(10, 100)) if after_midnight else 600.0 * round(rng.uniform(0, 144)))
    capacity = float(rng.choice([6.0, 7.0, 8.0, 10.0, 12.0, 15.0, 18.0, 20.0])) * float(rng.normal(0.97, 0.04))
    reserve = float(rng.choice([0.1, 0.15, 0.2, 0.2, 0.25, 0.3]))
    soc0 = float(rng.uniform(0.985, 1.0) if rng.random() < 0.3 else rng.uniform(max(0.4, reserve + 0.2), 0.97))
    mode = str(rng.choice(MODES, p=[0.4, 0.25, 0.25, 0.1]))
    key_a = float(np.clip(rng.uniform(*w.key_c) * capacity, _KEY_LEAST_A, _KEY_MOST_A))
    radio_min_v, spare_v = round(float(rng.uniform(*w.radio_min_v)), 1), float(rng.uniform(*w.spare_v))
    cold = 2.0 if sum(w.temp_c) < 0.0 else 1.0
    about_ohm = sum(w.stray_ohm + w.lead_ohm) / 2.0 + cold * 0.2 / capacity
    key_a = max(_KEY_LEAST_A, min(key_a, (13.1 - radio_min_v - spare_v) / about_ohm))
    if mode in ("slots", "bursts"):
        key_a = max(_KEY_LEAST_A, 0.55 * key_a)
    receive_a = float(np.clip(rng.lognormal(math.log(0.35), 0.5), 0.1, min(1.2, 0.6 * key_a)))
    eager = float(rng.normal(0.0, 0.45))
    active = 1.0 / (1.0 + math.exp(-(0.4 + eager)))
    load_a = receive_a + active * _BUSY[mode] * (key_a * _OF_KEY[mode] - receive_a * min(1.0, 2.0 * _OF_KEY[mode]))
    load_a += OWN_A
    panel_w = float(rng.uniform(*w.panel_w)) if rng.random() < w.panel else 0.0
    tilt = float(rng.choice([0.0, rng.uniform(15.0, 65.0)], p=[0.15, 0.85]))
    toward = 180.0 if lat > 0 else 0.0
    azimuth = float((toward + (rng.normal(0, 40) if rng.random() < 0.5 else rng.choice([-50.0, 50.0]))) % 360.0)
    clear = float(rng.beta(1.6, 1.3))
    derate = float(rng.uniform(0.62, 0.95))
    have_ah = (soc0 - reserve) * capacity
    hours = have_ah / load_a
    sun_a = 0.0
    if panel_w:
        t = until_s - 3600.0 * np.linspace(0.0, min(hours, 6.0), 13)
        beam, diffuse, _, _, _ = _clear(lat, lon, t, tilt, azimuth)
        poa = float(np.mean(beam * (0.2 + 0.7 * clear) + diffuse))
        sun_a = panel_w * derate * poa / 1000.0 / 13.3 * 0.9
    net_a = load_a - sun_a
    slack = float(rng.lognormal(-0.05, 0.9))  # hours of the plan as a share of what is there
    wanted = float(rng.uniform(1.3, 6.0))
    hours = wanted
    if net_a > 0.3 * load_a:
        hours = max(1.2, have_ah / net_a * slack)
        if hours > 6.0:  # nobody stays so long: came with less
            hours = float(rng.uniform(3.0, 6.0))
            soc0 = min(soc0, max(reserve + 0.06, reserve + net_a * hours / slack / capacity))
    start_s = ROW_S * round((until_s - 3600.0 * hours) / ROW_S)
    return Planned(
        float(start_s), until_s, DAY_S * math.floor(until_s / DAY_S), lat, lon, panel_w, tilt, azimuth, capacity, soc0,
        reserve, receive_a, key_a, mode, eager, clear, derate, radio_min_v, spare_v,
    )  # fmt: skip


def _weather_c(w: World, p: Planned, rng: np.random.Generator, seconds: int) -> Array:
    """Temperature of the pack: a drift that dies away, mostly downwards. [degC]"""
    t = np.arange(seconds) / 3600.0
    begin, drop = rng.uniform(*w.temp_c), rng.normal(-3.0, 2.5)
    return np.clip(begin + drop * (1.0 - np.exp(-t / 4.0)), w.temp_c[0] - 4.0, w.temp_c[1] + 3.0)


# ---------------------------------------------------------------------------------------------------------------
# Sky


def _clear(lat: float, lon: float, t: Array, tilt: float, azimuth: float) -> tuple[Array, Array, Array, Array, Array]:
    """Clear sky on a panel: beam with its halo, the rest of the sky [W/m2], global horizontal; elevation, azimuth."""
    from pvlib import atmosphere, clearsky, irradiance, spa

    where = spa.solar_position_numpy(t, lat, lon, 100.0, 1002.0, 12.0, 69.2, 0.5667, 1)
    zenith, _, elevation, _, sun_azimuth, _ = where
    up = elevation > -0.3
    air = atmosphere.get_absolute_airmass(atmosphere.get_relative_airmass(np.minimum(zenith, 90.0)), 100200.0)
    with np.errstate(divide="ignore", invalid="ignore"):  # the sun is down
        sky = clearsky.ineichen(zenith, air, 3.2, altitude=100.0, dni_extra=1366.0)
    ghi, dni, dhi = (np.where(up, np.nan_to_num(sky[name]), 0.0) for name in ("ghi", "dni", "dhi"))
    cos_zenith = np.maximum(np.cos(np.radians(zenith)), 0.0)
    apart = np.radians(sun_azimuth - azimuth)
    s, c = math.sin(math.radians(tilt)), math.cos(math.radians(tilt))
    cos_incidence = np.maximum(c * cos_zenith + s * np.sin(np.radians(zenith)) * np.cos(apart), 0.0)
    ratio = cos_incidence / np.maximum(cos_zenith, 0.01745)
    parts = irradiance.haydavies(
        tilt, azimuth, dhi, dni, 1366.0, zenith, sun_azimuth, projection_ratio=ratio, return_components=True
    )
    halo, rest = (np.nan_to_num(np.asarray(parts[name])) for name in ("poa_circumsolar", "poa_isotropic"))
    rest = rest + 0.2 * ghi * 0.5 * (1.0 - c)
    return dni * cos_incidence + np.minimum(halo, dhi), rest, ghi, elevation, sun_azimuth


_KINDS = 4  # clear, passing clouds, thin layer, overcast
_LASTS_MIN = (75.0, 55.0, 35.0, 80.0)


def _clouds(
    rng: np.random.Generator, clear: float, rows: int, forked: tuple[float, np.random.Generator]
) -> tuple[Array, Array, Array]:
    """
    What is left of the beam, of the clear sky's diffuse light, and the share of the global that a layer scatters.

    forked : from which row on chance comes from another stream.
    """
    beam, diffuse, layer = np.ones(rows), np.ones(rows), np.zeros(rows)
    like = np.array([0.15 + 1.2 * clear, 0.9, 0.4, 0.15 + 1.3 * (1.0 - clear)])
    kind = int(rng.choice(_KINDS, p=like / like.sum()))
    at = 0
    while at < rows:
        rng = forked[1] if at >= forked[0] else rng
        lasts = max(6, round(_LASTS_MIN[kind] * 6.0 * rng.lognormal(0.0, 0.7)))
        end = min(rows, at + lasts)
        n = end - at
        if kind == 1:
            sun_min, cloud_min = 5.0 * rng.lognormal(0, 0.5), 3.5 * rng.lognormal(0, 0.5)
            spells = 2 + 2 * int(n / (6.0 * (sun_min + cloud_min)) * 2 + 3)
            long = np.maximum(1, 6.0 * rng.gamma(1.4, 1 / 1.4, spells) * np.tile([sun_min, cloud_min], spells // 2))
            left = np.tile([1.0, 0.0], spells // 2) + np.tile([0.0, 1.0], spells // 2) * rng.uniform(0.03, 0.4, spells)
            passing = np.repeat(left, long.astype(int))[:n]
            beam[at : at + len(passing)] = passing
            diffuse[at:end] = rng.uniform(1.1, 1.7)
        elif kind == 2:
            beam[at:end] = np.clip(rng.uniform(0.3, 0.8) + 0.08 * _wander(rng, n, 60), 0.1, 0.95)
            diffuse[at:end] = rng.uniform(1.2, 1.8)
        elif kind == 3:
            beam[at:end] = 0.0
            diffuse[at:end] = 0.0
            layer[at:end] = np.clip(rng.uniform(0.08, 0.45) * np.exp(0.25 * _wander(rng, n, 90)), 0.04, 0.6)
        at = end
        others = like.copy()
        others[kind] = 0.0
        kind = int(rng.choice(_KINDS, p=others / others.sum()))
    window = np.ones(4) / 4.0
    return tuple(np.convolve(np.pad(x, (3, 0), mode="edge"), window, "valid") for x in (beam, diffuse, layer))  # type: ignore


def _wander(rng: np.random.Generator, n: int, steps: float) -> Array:
    """A path about 0 with standard deviation 1 that forgets itself within `steps`."""
    keep = math.exp(-1.0 / steps)
    shocks = rng.standard_normal(n) * math.sqrt(1.0 - keep * keep)
    path, _ = lfilter([1.0], [1.0, -keep], shocks, zi=np.array([keep * rng.standard_normal()]))
    return path


class Site(NamedTuple):
    """
    How the panel really stands and what stands before it. turn_s : when it is aimed anew, UTC, inf: never. ridge :
    least height, and height and phase of three waves; trees : middle, half width, height, what passes. Angles in deg
    but phases, which are in rad. least_w : below it the controller gives nothing.
    """

    tilt: float
    azimuth: float
    turn_s: float
    ridge: tuple[float, tuple[Span, Span, Span]]
    trees: tuple[tuple[float, float, float, float], ...]
    least_w: float
    a_per_w: float


def _site(p: Planned, rng: np.random.Generator) -> Site | None:
    """Drawn once for all days; None without a panel."""
    if not p.panel_w:
        return None
    tilt, azimuth = p.tilt + rng.normal(0.0, 4.0), p.azimuth + rng.normal(0.0, 8.0)
    turn_s = math.inf
    if rng.random() < 0.12:  # aimed anew, and nobody told
        turn_s = p.start_s + rng.uniform(0.2, 1.0) * (p.until_s - p.start_s)
    low = rng.gamma(1.5, 2.5)
    waves = tuple((rng.uniform(0.0, 2.5), rng.uniform(0.0, 2 * math.pi)) for _ in range(3))
    trees = tuple(
        (rng.uniform(0.0, 360.0), rng.uniform(4.0, 22.0), rng.uniform(8.0, 42.0), rng.uniform(0.03, 0.35))
        for _ in range(int(rng.poisson(2.0)))
    )
    least_w = rng.uniform(0.3, 1.2)
    # tracks the panel's best point, or switches the panel through: its amps as they are
    a_per_w = rng.uniform(0.92, 0.975) / 13.3 if rng.random() < 0.7 else 1.0 / rng.uniform(17.0, 18.5)
    return Site(tilt, azimuth, turn_s, (low, waves), trees, least_w, a_per_w)  # type: ignore[arg-type]


def _skyline(site: Site, elevation: Array, azimuth: Array) -> tuple[Array, float]:
    """What passes of the beam, and of the sky's light: a ridge all round and some trees."""
    around = np.radians(azimuth)
    low, waves = site.ridge
    ridge = low + sum(height * np.sin(k * around + phase) for k, (height, phase) in enumerate(waves, 1))
    passes = np.where(elevation > ridge, 1.0, 0.0)
    covered = 0.02
    for middle, half, height, part in site.trees:
        off = np.abs((azimuth - middle + 180.0) % 360.0 - 180.0)
        crown = height * np.sqrt(np.maximum(0.0, 1.0 - (off / half) ** 2))
        passes = np.where(elevation < crown, passes * part, passes)
        covered += half / 180.0 * height / 90.0
    return passes, max(0.6, 1.0 - covered)


def _forked(fork: Fork | None, start_s: float, code: int) -> tuple[float, np.random.Generator]:
    """From which second on, and the stream from there."""
    if fork is None:
        return math.inf, np.random.default_rng(0)
    return fork.at_s - start_s, np.random.default_rng([code, fork.number])


def _offered(
    p: Planned, site: Site, rng: np.random.Generator, start_s: float, rows: int, temp_c: float, fork: Fork | None = None
) -> Array:
    """Current that the controller would give into a pack that takes it, each row. [A]"""
    at = start_s + ROW_S * (np.arange(rows) + 0.5)
    coarse = np.arange(start_s, start_s + ROW_S * rows + 120.0, 120.0)
    parts = _clear(p.lat, p.lon, coarse, max(0.0, site.tilt), site.azimuth)
    if site.turn_s < math.inf:
        sun = float(np.interp(site.turn_s, coarse, parts[4]))
        again = _clear(p.lat, p.lon, coarse, max(20.0, site.tilt), sun)
        parts = tuple(np.where(coarse < site.turn_s, a, b) for a, b in zip(parts, again, strict=True))  # type: ignore
    beam, rest, ghi, elevation = (np.interp(at, coarse, x) for x in parts[:4])
    sun_azimuth = np.degrees(np.interp(at, coarse, np.unwrap(np.radians(parts[4]))))
    passes, sky = _skyline(site, elevation, sun_azimuth % 360.0)
    at_s, other = _forked(fork, start_s, 1)
    cloud_beam, cloud_rest, layer = _clouds(rng, p.clear, rows, (at_s / ROW_S, other))
    poa = cloud_beam * passes * beam + sky * (cloud_rest * rest + layer * ghi)
    watts = p.panel_w * p.derate * poa / 1000.0 * (1.0 - 0.004 * (temp_c + 0.03 * poa - 25.0))
    return np.where(watts > site.least_w, watts * site.a_per_w, 0.0)


def sun_up(lat: float, lon: float, after_s: float) -> Span:
    """The next sunrise after a time and the sunset that follows it, UTC; up to 65 degrees both come each day. [s]"""
    from pvlib import spa

    def above(at: Array) -> Array:
        """How far up it is beyond rising. [deg]"""
        return np.asarray(spa.solar_position_numpy(at, lat, lon, 100.0, 1002.0, 12.0, 69.2, 0.5667, 1)[3]) - _RISEN_DEG

    def passes(from_s: float, up: float) -> float:
        """When it next passes, upwards with `up` 1, downwards with -1; among a day and a bit, then within minutes."""
        for step_s, steps in ((600.0, 150), (30.0, 20)):
            at = from_s + step_s * np.arange(steps + 1)
            x = up * above(at)
            k = np.flatnonzero((x[:-1] <= 0.0) & (x[1:] > 0.0))[0]
            from_s = float(at[k])
        return from_s + 30.0 * float(x[k] / (x[k] - x[k + 1]))

    rise_s = passes(after_s, 1.0)
    return rise_s, passes(rise_s + 60.0, -1.0)


# ---------------------------------------------------------------------------------------------------------------
# Operator

# Listening, calling, working a station, resting: how long each lasts [s], and where it leads (rows: from).
_LISTEN, _CALL, _WORK, _REST = range(4)
_LASTS_S = (260.0, 150.0, 75.0, 600.0)
_LEADS = ((0.0, 0.42, 0.48, 0.10), (0.22, 0.0, 0.75, 0.03), (0.40, 0.55, 0.0, 0.05), (0.7, 0.2, 0.1, 0.0))
# Over and pause: shortest, longest [s]
_OVER_S = {"ssb": (4, 14), "cw": (6, 16), "bursts": (1, 4)}
_PAUSE_S = {"ssb": (5, 15), "cw": (5, 13), "bursts": (8, 24)}


def _habits(
    p: Planned, rng: np.random.Generator, seconds: int, fork: Fork | None = None
) -> tuple[Load, Array]:
    """What the station draws and when contacts are made, in seconds from the start."""
    quiet_rng, drawn_rng = rng.spawn(2)
    fork_s, other = _forked(fork, p.start_s, 2)
    hour = 3600.0
    midnight = p.new_day_s - p.start_s
    burst = midnight, midnight + (rng.uniform(20.0, 70.0) * 60.0 if rng.random() < 0.6 else 0.0)
    long_overs = 2.5 if p.mode == "ssb" and rng.random() < 0.2 else 1.0
    mode, key_a, eager, state, t = p.mode, p.key_a, p.eager, int(rng.choice([_LISTEN, _CALL])), 0.0
    own_pace = float(rng.lognormal(0.0, 0.3))
    first: list[int] = []
    last: list[int] = []
    keys: list[float] = []
    kinds: list[str] = []
    contacts: list[float] = []
    rests: list[tuple[int, int]] = []
    while t < seconds:
        rng = other if t >= fork_s else rng
        bursting = burst[0] <= t < burst[1]
        will = eager + (1.2 if bursting else 0.0)
        pace = math.exp(-0.9 * will) if state in (_LISTEN, _REST) else math.exp(0.3 * will)
        lasts = _LASTS_S[state] * pace * float(rng.lognormal(0.0, 0.6))
        if state == _WORK:
            lasts = max(25.0, _LASTS_S[_WORK] * own_pace * long_overs * float(rng.lognormal(0.0, 0.35)))
            if mode == "slots":
                lasts = 60.0 + 30.0 * int(rng.integers(0, 3))
        end = t + max(10.0, lasts)
        if state in (_CALL, _WORK):
            level = key_a * float(rng.normal(1.0, 0.015))
            _overs(rng, mode, t, min(end, seconds), long_overs, first, last)
            keys += [level] * (len(first) - len(keys))
            kinds += [mode] * (len(first) - len(kinds))
            if state == _WORK and end < seconds and rng.random() < 0.93:
                contacts.append(end)
        elif state == _REST:
            rests.append((int(t), int(min(end, seconds))))
        spent_h = (end - t) / hour
        eager += 0.3 * math.sqrt(spent_h) * float(rng.standard_normal()) - 0.05 * spent_h * (eager - p.eager)
        if rng.random() < 0.12 * spent_h:
            eager += float(rng.normal(0.0, 0.7))
        if rng.random() < 0.12 * spent_h:
            key_a = float(np.clip(key_a * math.exp(rng.normal(-0.15, 0.35)), _KEY_LEAST_A, 1.2 * p.key_a))
        if rng.random() < 0.08 * spent_h:
            mode = str(rng.choice(MODES, p=[0.35, 0.3, 0.3, 0.05]))
            key_a = min(key_a, 0.6 * p.key_a) if mode in ("slots", "bursts") else key_a
        leads = _LEADS[state] if not (bursting and state != _REST) else (0.1, 0.35, 0.55, 0.0)
        state = int(np.searchsorted(np.cumsum(leads), rng.random() * sum(leads)))
        t = end
    quiet = _receive(p, quiet_rng, seconds, rests)
    begin, end_ = (np.array(x, dtype=np.int64) for x in (first, last))
    overs = Overs(begin, end_, np.array(keys), rng.random(len(keys)), np.array(kinds, dtype=np.str_))
    return _drawn(drawn_rng, quiet, overs), np.array(contacts)


def _overs(
    rng: np.random.Generator, mode: str, t: float, end: float, longer: float, first: list[int], last: list[int]
) -> None:
    """Add the overs between `t` and `end`; whole seconds, none touches the one before."""
    at = int(t) + 1
    if mode == "slots":
        at = -(-at // 15) * 15
        while at + 13 <= end:
            first.append(at)
            last.append(at + 13)
            at += 30
        return
    (short, long), (pause, most) = _OVER_S[mode], _PAUSE_S[mode]
    n = int((end - t) / (short + pause)) + 1
    over = np.maximum(1, rng.uniform(short, long, n) * longer).astype(int).tolist()
    gap = (rng.uniform(pause, most, n) * longer).astype(int).tolist()
    for o, g in zip(over, gap, strict=True):
        if at + o > end:
            break
        first.append(at)
        last.append(at + o)
        at += o + g


def _receive(p: Planned, rng: np.random.Generator, seconds: int, rests: list[tuple[int, int]]) -> Array:
    """Without any over: the receiver, off in some rests; a computer that charges now and then. [A]"""
    quiet = np.full(seconds, p.receive_a)
    rows = seconds // ROW_S
    quiet *= np.repeat(1.0 + 0.03 * _wander(rng, rows, 30.0), ROW_S)
    if rng.random() < 0.4:
        for first, last in rests:
            quiet[first:last] *= rng.choice([1.0, 0.15])
    if rng.random() < 0.2:
        extra = rng.uniform(0.3, 1.2)
        at = rng.uniform(0.0, 3.0) * 3600.0
        while at < seconds:
            end = at + 3600.0 * rng.lognormal(0.0, 0.6)
            quiet[int(at) : int(end)] += extra
            at = end + 3600.0 * rng.lognormal(0.8, 0.6)
    return quiet


def _drawn(rng: np.random.Generator, quiet: Array, overs: Overs) -> Load:
    """Every second of every over: mean, lowest and highest sample."""
    mean, low, high = quiet.copy(), quiet.copy(), quiet.copy()
    at, which = seconds_of(overs)
    if not len(at):
        return Load(mean, low, high, quiet, overs)
    span = np.maximum(overs.key_a[which] - quiet[at], 0.0)
    kind = overs.mode[which]
    n, m = len(at), len(overs.first)
    talk = np.clip(rng.normal(_OF_KEY["ssb"], 0.04) * rng.lognormal(0.0, 0.12, m), 0.15, 0.5)[which]
    share = np.clip(talk * rng.gamma(6.0, 1 / 6.0, n), 0.02, 0.8)
    morse = np.clip(rng.normal(_OF_KEY["cw"], 0.02) + 0.08 * rng.standard_normal(n), 0.2, 0.75)
    share = np.where(kind == "cw", morse, np.where(kind == "ssb", share, 1.0))
    peak = np.where(kind == "ssb", np.maximum(share, rng.uniform(0.65, 1.0, n)), 1.0)
    least = np.where(kind == "ssb", 0.03 * share, np.where(kind == "cw", 0.0, 1.0))
    mean[at] += share * span
    high[at] += peak * span
    low[at] += least * span
    return Load(mean, low, high, quiet, overs)


def seconds_of(overs: Overs) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The seconds of all overs, in order, and the over that each is of."""
    long = overs.last - overs.first
    which = np.repeat(np.arange(len(long)), long)
    begun = np.cumsum(long) - long
    return np.arange(len(which)) - begun[which] + overs.first[which], which


# ---------------------------------------------------------------------------------------------------------------
# Pack

_AXIS = np.linspace(0.0, 1.0, 1001)


@cache
def _points(name: str, branch: cells.Branch, index: int) -> tuple[Array, Array]:
    return cells.measured(cells.CURVES[name], "charge" if branch == "charge" else "discharge", index)


def _read(name: str, branch: cells.Branch, temp_c: float, at: Array) -> Array:
    """Points of a branch at `at`; the last slope carried on below, a steep rise above; colder than any: the coldest."""
    temps = cells.CURVES[name].temps_c
    where = float(np.interp(temp_c, temps, np.arange(len(temps))))
    lower = min(int(where), max(0, len(temps) - 2))
    out = np.zeros_like(at)
    for k in {lower, min(lower + 1, len(temps) - 1)}:
        weight = 1.0 if len(temps) == 1 else max(0.0, 1.0 - abs(where - k))
        s, v = _points(name, branch, k)
        slope = (v[1] - v[0]) / (s[1] - s[0])
        line = np.interp(at, s, v) + np.minimum(at - s[0], 0.0) * slope + np.maximum(at - s[-1], 0.0) * 3.0
        out += weight * line
    return out


def _pack(w: World, p: Planned, rng: np.random.Generator, temp_c: Array) -> Pack:
    """A pack of its own for this outing; resistances by the temperature of each second."""
    mean_c = float(temp_c[: int(p.until_s - p.start_s)].mean())
    name = str(rng.choice(["lfp26650", cells.LFP18650.name, cells.PRADA2013.name], p=[0.9, 0.07, 0.03]))
    x = _AXIS * rng.uniform(0.968, 0.99)
    at = x + rng.uniform(-0.008, 0.008) * np.sin(np.pi * _AXIS)
    down, up = (_read("lfp26650", b, mean_c, at) for b in ("discharge", "charge"))  # type: ignore[arg-type]
    gap = np.maximum(np.minimum(up, 3.58) - down, 0.0) * rng.uniform(0.75, 1.1)
    if name != "lfp26650":
        down = _read(name, "discharge", mean_c, at)
    bend = rng.normal(0.0, 0.002) * np.sin(2 * np.pi * (1.2 * _AXIS + rng.random())) * np.sin(np.pi * _AXIS)
    # what charging ends with: in the last 1.2 % the volts go up to those that the controller holds
    limit_v = rng.uniform(14.1, 14.5)
    up = down + gap + bend
    top = np.clip((_AXIS - 0.988) / 0.012, 0.0, 1.0) * (limit_v / SERIES + 0.001 - up)
    # FROZEN, of our own fit (`cells.LFP26650_RESISTANCE`): 20 to 25 milliohm Ah each, activation 2200 K
    warm = np.exp(2200.0 * rng.uniform(0.75, 1.25) * (1.0 / (temp_c + 273.15) - 1.0 / 298.15))
    older = rng.lognormal(0.2, 0.25)
    r0, r1, r2 = (SERIES * r * rng.lognormal(0.0, 0.2) * older / p.capacity_ah for r in (0.0205, 0.025, 0.022))
    battery_ohm, load_ohm = np.zeros(len(temp_c)), np.zeros(len(temp_c))
    for _ in range(int(rng.poisson(w.fault_per_h * len(temp_c) / 3600.0))):
        begin = int(rng.integers(0, len(temp_c)))
        lasts = int(3600.0 * rng.choice([0.1, 0.4, 24.0]) * rng.lognormal(0.0, 0.5))
        ohm = rng.uniform(0.02, 0.12) * min(1.0, 8.0 / p.key_a)
        (battery_ohm if rng.random() < 0.4 else load_ohm)[begin : begin + lasts] += ohm
    stray = rng.uniform(*w.stray_ohm) * (10.0 / p.capacity_ah) ** 0.5
    lead = rng.uniform(*w.lead_ohm) * min(1.0, (10.0 / p.key_a) ** 0.5)
    return Pack(
        p.capacity_ah, p.soc0, float(rng.choice([-1.0, 1.0])) if p.soc0 < 0.98 else 1.0, up - 0.5 * gap + top,
        0.5 * gap, rng.uniform(0.05, 0.15), r0 * warm + stray + battery_ohm, r1 * warm, r2 * warm,
        rng.uniform(18.0, 40.0), rng.uniform(200.0, 500.0), limit_v, lead + load_ohm, p.radio_min_v,
        p.reserve,
    )  # fmt: skip


def _tried(p: Planned, pack: Pack) -> tuple[Planned, Pack]:
    """The operator keys once and lowers the power until there is enough; failing that, takes another radio."""
    rest_v = SERIES * (np.interp(p.soc0, _AXIS, pack.middle_v) - np.interp(p.soc0, _AXIS, pack.half_v))
    ohm = pack.r0_ohm[0] + pack.lead_ohm[0] + 0.5 * (pack.r1_ohm[0] + pack.r2_ohm[0])
    key_a = float(min(p.key_a, max(0.4 * p.key_a, (rest_v - p.radio_min_v - p.spare_v) / ohm)))
    least_v = min(p.radio_min_v, math.floor(10.0 * (rest_v - key_a * ohm - p.spare_v)) / 10.0)
    return p._replace(key_a=key_a), replace(pack, radio_min_v=least_v)


def _held(pack: Pack, net_a: Array) -> tuple[Array, Array]:
    """
    Row by row, of the mean that would flow into the pack: the most that it takes at the volts the controller holds
    [A], and its side between the branches at the row's beginning, -1 discharge to 1 charge.
    """
    middle, half = (SERIES * pack.middle_v).tolist(), (SERIES * pack.half_v).tolist()
    f1, f2 = (1.0 - math.exp(-ROW_S / t) for t in (pack.t1_s, pack.t2_s))
    moved = ROW_S / 3600.0 / pack.capacity_ah
    soc, side, u1, u2 = pack.soc0, pack.side0, 0.0, 0.0
    takes, sides = [], []
    ohm = (x[::ROW_S].tolist() for x in (pack.r0_ohm, pack.r1_ohm, pack.r2_ohm))
    for i, r0, r1, r2 in zip(net_a.tolist(), *ohm, strict=True):
        sides.append(side)
        at = soc * 1000.0
        at = 0.0 if at < 0.0 else 999.0 if at > 999.0 else at
        k = int(at)
        v = middle[k] + (at - k) * (middle[k + 1] - middle[k]) + side * half[k] + u1 + u2
        most = (pack.limit_v - v) / r0 if soc < 1.0 else 0.0
        most = 0.0 if most < 0.0 else most
        takes.append(most)
        i = i if i < most else most
        cells_a = i - INSIDE_A
        step = cells_a * moved
        soc += step
        goal = 1.0 if step > 0.0 else -1.0
        side += (goal - side) * min(1.0, abs(step) / pack.swing)
        u1 += f1 * (r1 * cells_a - u1)
        u2 += f2 * (r2 * cells_a - u2)
    return np.array(takes), np.array(sides)


def _lived(pack: Pack, load: Load, offer_a: Array, start_s: float) -> Truth:
    """The truth second by second, and when the station fails."""
    n = len(offer_a)
    takes, sides = _held(pack, offer_a[::ROW_S] - load.mean.reshape(-1, ROW_S).mean(axis=1) - OWN_A)
    takes_a, side = np.repeat(takes, ROW_S), np.repeat(sides, ROW_S)
    battery_a = np.minimum(offer_a - load.mean - OWN_A, takes_a)
    cells_a = battery_a - INSIDE_A
    soc = pack.soc0 + np.cumsum(cells_a) / 3600.0 / pack.capacity_ah
    slow_v = SERIES * (np.interp(soc, _AXIS, pack.middle_v) + side * np.interp(soc, _AXIS, pack.half_v))
    for ohm, t in ((pack.r1_ohm, pack.t1_s), (pack.r2_ohm, pack.t2_s)):
        f = 1.0 - math.exp(-1.0 / t)
        slow_v += lfilter([f], [1.0, f - 1.0], ohm * cells_a)
    bus_v = slow_v + pack.r0_ohm * cells_a
    by_reserve = np.flatnonzero(soc <= pack.reserve_soc)
    by_volts = _volts_fail(pack, load.overs, slow_v, offer_a, takes_a)
    first = int(by_reserve[0]) + 1 if by_reserve.size else n + 1
    fail_by = "volts" if by_volts < first else "reserve" if first <= n else ""
    fail_s = start_s + min(first, by_volts) if fail_by else math.inf
    return Truth(battery_a, battery_a + load.mean + OWN_A, bus_v, soc, slow_v, offer_a, takes_a, fail_s, fail_by)


def full_after(pack: Pack, net_a: Array) -> float:
    """How long until the pack is full at these means of rows; inf: not within them. [s]"""
    takes, _ = _held(pack, net_a)
    soc = pack.soc0 + np.cumsum(np.minimum(net_a, takes) - INSIDE_A) * ROW_S / 3600.0 / pack.capacity_ah
    full = np.flatnonzero(soc >= FULL_SOC)
    return ROW_S * float(full[0] + 1) if full.size else math.inf


def radio_keyed_v(
    pack: Pack, at: NDArray[np.int64], key_a: Array, slow_v: Array, offer_a: Array, takes_a: Array
) -> Array:
    """Volts at the radio's plug in the seconds `at`, keyed with `key_a`; other arrays by second. [V]"""
    i = np.minimum(offer_a[at] - key_a - OWN_A, takes_a[at]) - INSIDE_A
    return slow_v[at] + i * pack.r0_ohm[at] - key_a * pack.lead_ohm[at]


def _volts_fail(pack: Pack, overs: Overs, slow_v: Array, offer_a: Array, takes_a: Array) -> int:
    """Seconds until the radio was below its minimum in two overs running: the end of that second; else a very long."""
    at, which = seconds_of(overs)
    if not len(at):
        return 10**9
    low = radio_keyed_v(pack, at, overs.key_a[which], slow_v, offer_a, takes_a) < pack.radio_min_v
    hit = np.zeros(len(overs.first), dtype=bool)
    hit[which[low]] = True
    twice = np.flatnonzero(hit[1:] & hit[:-1]) + 1
    return int(at[low & (which == twice[0])][0]) + 1 if twice.size else 10**9


# ---------------------------------------------------------------------------------------------------------------
# What is told and seen


def _told(p: Planned, pack: Pack, rng: np.random.Generator, seed: int) -> tuple[Told, Sensor]:
    sd = float(rng.choice([0.04, 0.08], p=[0.4, 0.6]))
    nominal = p.capacity_ah / max(0.75, 1.0 + sd * float(rng.standard_normal()))
    start_sd = float(rng.choice([0.03, 0.05, 0.08]))
    start: float | None = float(np.clip(p.soc0 + start_sd * rng.standard_normal(), 0.05, 1.0))
    if p.soc0 > 0.98:
        start, start_sd = 1.0, 0.01
    if rng.random() < 0.08:
        start, start_sd = None, 0.05
    placed = bool(rng.random() < 0.92)
    # the wire alone; contacts that came loose are not known
    lead = float(np.min(pack.lead_ohm)) / float(rng.lognormal(0.0, 0.15))
    plan = Told(
        p.start_s, p.start_s, p.until_s, round(nominal, 2), sd, None if start is None else round(start, 3), start_sd,
        p.reserve, round(lead, 4), pack.radio_min_v, *((round(p.lat, 2), round(p.lon, 2)) if placed else (None, None)),
        round(p.panel_w, 1) if p.panel_w else None, round(p.tilt), round(p.azimuth) % 360, (), p.new_day_s,
    )  # fmt: skip
    # Issue 5: 0.5 %, 10 mA at 20 Ah; evenly up to that and either way
    gain = rng.uniform(-0.005, 0.005, 3)
    offset = rng.uniform(-0.01, 0.01, 3) * p.capacity_ah / 20.0
    return plan, Sensor(
        tuple(gain.tolist()), tuple(offset.tolist()), float(rng.uniform(-0.0015, 0.0015)), 0.002,
        float(rng.uniform(-0.7, 0.7)), seed,
    )  # fmt: skip


def _after(rng: np.random.Generator) -> tuple[After, float | None]:
    """What stands there draws and how the key would go in another mode; and what is told of the former. [A]"""
    standing_a = float(min(0.1, rng.lognormal(math.log(0.01), 0.7)))  # a controller, a meter, a radio's clock
    if rng.random() < 0.2:
        standing_a = 0.0  # the pack is unplugged
    told = round(standing_a * float(rng.lognormal(0.0, 0.2)), 3) if rng.random() < 0.5 else None
    cw, ssb = float(rng.normal(_OF_KEY["cw"], 0.02)), float(np.clip(rng.normal(_OF_KEY["ssb"], 0.04), 0.2, 0.43))
    return After(standing_a, cw, ssb), told


def _seen(o: Outing) -> Rows:
    """Ten seconds each, with the board's errors."""
    x, load, s = o.truth, o.load, o.sensor
    rng = np.random.default_rng([s.seed, 7])

    def rows(a: Array) -> Array:
        return a.reshape(-1, ROW_S)

    def battery_a(load_a: Array) -> Array:
        return np.minimum(x.offer_a - load_a - OWN_A, x.takes_a)

    most, least = battery_a(load.low), battery_a(load.high)  # current into the pack
    sun = most + load.low + OWN_A, least + load.high + OWN_A
    v_low, v_high = (x.slow_v + o.pack.r0_ohm * (a - INSIDE_A) for a in (least, most))
    noise = s.noise_v * rng.standard_normal((3, o.seconds // ROW_S)) * np.array([[0.3], [1.0], [1.0]])
    v, v_min, v_max = (
        a * (1.0 + s.gain_v) + e
        for a, e in zip((rows(x.bus_v).mean(1), rows(v_low).min(1), rows(v_high).max(1)), noise, strict=True)
    )

    def amps(k: int, mean: Array, low: Array, high: Array) -> tuple[Array, Array, Array]:
        g, off = 1.0 + s.gain[k], s.offset_a[k]
        return rows(mean).mean(1) * g + off, rows(low).min(1) * g + off, rows(high).max(1) * g + off

    battery = amps(0, x.battery_a, least, most)
    solar = amps(1, x.solar_a, np.minimum(*sun), np.maximum(*sun))
    drawn = amps(2, load.mean, load.low, load.high)
    return Rows(
        v, np.minimum(v_min, v), np.maximum(v_max, v), *battery, battery[0] * ROW_S, *solar, *drawn,
        np.round((rows(o.temp_c).mean(1) + s.off_c) * 16.0) / 16.0,
    )  # fmt: skip
