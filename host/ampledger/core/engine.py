"""
The core in one piece: what live and replay both run.

In: intervals in time order. Out: a view of the station at the end of each:
who supplies, the balance, the charge with its range, the outlook, notices and
one sentence. It does no I/O and reads no clock; the same intervals give the
same views.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

import numpy as np

from ampledger.core import balance, crosscheck, estimate, forecast, habits, health, paths, sun, usable, watch
from ampledger.core.balance import Balance
from ampledger.core.cells import LFP26650, Curve
from ampledger.core.crosscheck import Cross, CrossState
from ampledger.core.estimate import Estimate, Peak
from ampledger.core.forecast import Outlook, Scene
from ampledger.core.habits import Habits
from ampledger.core.health import Cycle
from ampledger.core.model import Battery, Interval, Limits, Start
from ampledger.core.paths import Paths, PathState
from ampledger.core.sun import Panel, Place
from ampledger.core.usable import Keying, Limit, Load, Now, Station, Usable
from ampledger.core.watch import Event, Facts, Notice, Sun, Watch
from ampledger.errors import BoxError, ConfigError

# The estimator moves in steps of about 10 s; in between the band travels with the counted charge.
_READ_EVERY_S = 10.0

# For the sentence; common practice, no source. Below the first nothing flows worth naming (the box's own draw, as in
# balance.py); a forecast farther off than the second is told in hours, for a clock time would be taken for today's;
# a band wider than the third is not known well.
_NOTHING_A = 0.03
_CLOCK_S = 12 * 3600.0
_WIDE = 0.3
_SPARE_S = 60.0  # until a full battery is believed to be none: an over, and half a minute in which it recovers

USUAL = Station()
_NO_LIMITS = Limits()
_SUN_EVERY_S = 60.0  # in which the sky is worked out anew
# Of a panel's label under a clear sky: dirt, warmth and the controller take the rest; at about these volts. Common
# practice, no source.
_OF_LABEL, _BUS_V_PER_CELL = 0.75, 3.33
# What comes to an end, and when it has, in the words of the sentence.
_REACHED: dict[Limit, str] = {
    "reserve": "you reach the reserve",
    "radio volts": "the radio's volts run out",
    "battery empty": "the battery is empty",
}
_FAR: dict[Limit, str] = {
    "reserve": "the reserve is",
    "radio volts": "the radio's volt limit is",
    "battery empty": "an empty battery is",
}
_ANY_MINUTE: dict[Limit, str] = {
    "reserve": "The reserve may be reached",
    "radio volts": "The radio's volts may run out",
    "battery empty": "The battery may be empty",
}
_ABOVE: dict[Limit, str] = {
    "reserve": "above the reserve",
    "radio volts": "before the radio's volts run out",
    "battery empty": "before the battery is empty",
}


@dataclass(frozen=True, slots=True)
class Sentence:
    """tone: "surplus", "even", "short", "act" or "unknown"; the answer in words, and a second line."""

    tone: str
    text: str
    detail: str


@dataclass(frozen=True, slots=True)
class View:
    """
    The station at the end of one interval.

    usable : what the pack can still give, and down to which end; read with the estimate.
    cycle : what was counted up to the anchor (full or empty) that this interval has brought; mostly None.
    spare : a full battery holds the controller back: `balance.supply_a` is then what the sun could bring, and
        the surplus in `balance.net_a` does not flow.
    cross, paths : what the three points say of each other; what the key's steps say of resistances.
    bus : the interval with the solar tap as it is behind the controller.
    """

    time_s: float
    interval: Interval
    estimate: Estimate
    balance: Balance
    outlook: Outlook
    source: str
    notices: tuple[Notice, ...]
    events: tuple[Event, ...]
    spare: bool = False
    usable: Usable | None = None
    cycle: Cycle | None = None
    cross: Cross = Cross()
    paths: Paths = Paths()
    bus: Interval | None = None


@dataclass(frozen=True, slots=True)
class Site:
    """Where the panel stands and what it is; None where not told."""

    place: Place | None = None
    panel: Panel | None = None


_NO_SITE = Site()


class Engine:
    """
    read_every_s : how often the estimate is read anew; in between it moves with what is counted. [s] A report, which
        looks back over a whole day at once, may take longer steps than those who watch.
    battery, start : the pack, and what is believed of its charge.
    reserve_soc : share of the charge that is not to be used, 0 <= x < 1.
    station : what lies between pack and radio, and what the radio asks for.
    curve : of the pack's cells.
    limits : what box and battery bear.
    site : where the panel stands; may be set anew at any time.

    Raises ConfigError for values that can't be.
    """

    read_every_s = _READ_EVERY_S

    def __init__(
        self,
        battery: Battery,
        start: Start,
        reserve_soc: float = 0.2,
        *,
        station: Station = USUAL,
        curve: Curve = LFP26650,
        limits: Limits = _NO_LIMITS,
        site: Site = _NO_SITE,
    ) -> None:
        if not 0.0 <= reserve_soc < 1.0:
            raise ConfigError(f"The reserve must be at least 0 and below 1 (20 % is 0.2), not {reserve_soc}.")
        self.battery, self.reserve_soc, self.station, self.curve = battery, reserve_soc, station, curve
        self.limits, self.site = limits, site
        self.start = start
        self._belief = estimate.begin(battery, start, curve)
        usable.check(station, battery)
        self._balance = balance.begin(battery.series)
        self._health = health.begin(battery)
        self._watch = Watch()
        self._estimate = estimate.read(self._belief)
        self._age_s = 0.0
        self._moved_ah = 0.0
        self._spare_s = 0.0
        self._keying, self._load = Keying(), Load()
        self._habits, self._end_s, self._own_a = Habits(), 0.0, 0.0
        self._cross, self._paths = CrossState(), PathState()
        self._sun: tuple[float, Site, Sun] | None = None
        self._skies: tuple[Site, dict[float, Sun]] | None = None
        self._usable = self._give(None)

    def anew(self, start: Start) -> Engine:
        """Another engine for the same pack and station, at its beginning."""
        return Engine(
            self.battery, start, self.reserve_soc, station=self.station, curve=self.curve, limits=self.limits,
            site=self.site,
        )  # fmt: skip

    def step(self, interval: Interval) -> View:
        """One interval on."""
        measured = interval
        checked, cross = crosscheck.step(self._cross, interval)
        interval = crosscheck.at_bus(checked, interval)
        now = self._learn(interval)  # refuses what can't be, before anything has changed
        self._cross = checked
        self._paths, ways = paths.step(self._paths, interval, now.keyed, self.battery.series)
        shown = self._read(interval)
        self._health, cycle = health.step(self._health, interval, shown)
        if self._age_s == 0.0:
            self._usable = self._give(interval)
        gives = usable.moved(self._usable, self._moved_ah)
        look = forecast.outlook(
            interval.end_s, (gives.ah[0], gives.ah[2]), now.net_a, gives.limited_by, gives.early_by
        )
        facts = Facts(
            now.verdict,
            now.supply_a,
            now.demand_a,
            shown.soc,
            shown.low,
            shown.high,
            self.reserve_soc,
            look.early_s if look.early_by == "reserve" else None,
            gives.radio_v_now,
            gives.limit_v,
            now.receive_a,
            now.keyed_a,
            now.keyed,
            self._balance.held,
            cross,
            ways,
            self._sky(interval.end_s),
        )
        self._watch, events = watch.step(self._watch, measured, facts, self.battery, self.limits)
        source = balance.who_supplies(
            interval.solar.a if interval.solar else None,
            interval.load.a if interval.load else None,
            interval.battery.a,
        )
        state = self._balance
        if state.supply_a is not None and now.supply_a is not None:
            full = state.held and now.supply_a > state.supply_a + _NOTHING_A
            self._spare_s = _SPARE_S if full else max(0.0, self._spare_s - interval.dt_s)
        spare = self._spare_s > 0.0
        return View(
            interval.end_s, measured, shown, now, look, source, self._watch.open(), events, spare, gives, cycle, cross,
            ways, interval,
        )  # fmt: skip

    def _sky(self, time_s: float) -> Sun:
        """What the sky would bring at that minute."""
        site = self.site
        if site.place is None or time_s < 86400.0:  # a log that knows no date
            return Sun()
        at_s = _SUN_EVERY_S * math.floor(time_s / _SUN_EVERY_S)
        if self._skies is not None and self._skies[0] == site and at_s in self._skies[1]:
            return self._skies[1][at_s]
        if self._sun is None or self._sun[0] != at_s or self._sun[1] != site:
            self._sun = at_s, site, _skies(site, self.battery, [at_s])[0]
        return self._sun[2]

    def look_up_skies(self, from_s: float, to_s: float) -> None:
        """The sky at all minutes of a span at once, for who steps through it: far quicker than one after the other."""
        first, last = (math.floor(t / _SUN_EVERY_S) for t in (from_s, to_s))
        if self.site.place is not None and from_s >= 86400.0 and last > first:
            times = [_SUN_EVERY_S * k for k in range(first, last + 1)]
            self._skies = self.site, dict(zip(times, _skies(self.site, self.battery, times), strict=True))

    def follow(self, intervals: Iterable[Interval]) -> None:
        """
        Many intervals on, for `scene`, `read` and `give` alone: in a third of the time of `step`, without notices and
        cycles, so that an engine that followed is not to be saved.
        """
        last = None
        for last in intervals:
            bus = last
            if last.at_panel:  # elsewhere it changes nothing that is asked for here
                self._cross, _ = crosscheck.step(self._cross, last)
                bus = crosscheck.at_bus(self._cross, last)
            self._learn(bus)
        self._age_s = self._moved_ah = 0.0
        self._estimate = estimate.read(self._belief)
        self._usable = self._give(last)

    def _learn(self, interval: Interval) -> Balance:
        """What an interval says of charge, load and sun."""
        self._belief = estimate.step(self._belief, interval)
        self._balance, now = balance.step(self._balance, interval)
        self._keying = usable.follow(self._keying, interval, now.keyed)
        self._load = usable.load_of(now, self._keying, self._load)
        self._habits = habits.follow(self._habits, interval, now, self._balance.held)
        self._end_s, self._own_a = interval.end_s, 0.0 if interval.own_in_load else interval.own_a
        return now

    def read(self) -> Estimate:
        """The estimate as it stands."""
        return self._estimate

    def give(self) -> Usable:
        """What the pack can still give, as it stands."""
        return usable.moved(self._usable, self._moved_ah)

    def scene(self) -> Scene:
        """All that a forecast needs, as it stands after the last interval."""
        return Scene(
            self._end_s, self._estimate, self.battery, self.reserve_soc, self.station, self.curve, self._habits,
            self._own_a + self.battery.inside_a,
        )  # fmt: skip

    def _give(self, interval: Interval | None) -> Usable:
        """What it can give by the estimate that was just read; volts and amps of `interval` say how the radio fares."""
        battery = None if interval is None else interval.battery
        v, a = (None, None) if battery is None else (battery.v, battery.a)
        known = v is not None and a is not None and math.isfinite(v) and math.isfinite(a)
        now = Now(v, a) if v is not None and a is not None and known else None
        return usable.usable(
            self._estimate, self.battery, self._load, self.reserve_soc, self.station, self.curve, now
        )

    def _read(self, interval: Interval) -> Estimate:
        """The estimate now: read anew every so often (`read_every_s`), moved by the counted charge in between."""
        # As the estimator takes them, so that both count the same: what is not a number is not there.
        charge_c, a = interval.battery.charge_c, interval.battery.a
        if charge_c is None or not math.isfinite(charge_c):
            charge_c = None if a is None or not math.isfinite(a) else a * interval.dt_s
        self._age_s += interval.dt_s
        if self._age_s >= self.read_every_s - 1e-6 or charge_c is None:
            self._age_s = self._moved_ah = 0.0
            self._estimate = estimate.read(self._belief)
            return self._estimate
        self._moved_ah += charge_c / 3600
        e, moved = self._estimate, self._moved_ah / self._estimate.capacity_ah

        def on(soc: float) -> float:
            return min(1.0, max(0.0, soc + moved))

        return replace(
            e,
            soc=on(e.soc),
            low=on(e.low),
            high=on(e.high),
            charge_ah=e.charge_ah + self._moved_ah,
            likely=on(e.likely),
            peaks=tuple(Peak(on(p.soc), on(p.low), on(p.high), p.share) for p in e.peaks),
        )

    def save(self) -> dict[str, Any]:
        """
        What has to be kept to go on after a restart, as if there had been none: all of it to the bit, notices included.
        """
        return {
            "estimate": estimate.to_dict(self._belief),
            "balance": self._balance.to_dict(),
            "health": health.to_dict(self._health),
            "age_s": self._age_s,
            "spare_s": self._spare_s,
            "keying": self._keying.to_dict(),
            "load": asdict(self._load),
            "habits": self._habits.to_dict(),
            "own_a": self._own_a,
            "watch": self._watch.to_dict(),
            "cross": self._cross.to_dict(),
            "paths": self._paths.to_dict(),
            "moved_ah": self._moved_ah,
            "shown": _shown(self._estimate),
            "gives": {"of": self._wants(), **asdict(self._usable)},
        }

    def _wants(self) -> list[Any]:
        """The settings that what can be given depends on, as JSON has them."""
        return [self.reserve_soc, asdict(self.station), asdict(self.battery)]

    def load(self, saved: dict[str, Any]) -> None:
        """Go on from `save()`. Raises ConfigError, and changes nothing, when it is of another kind."""
        try:
            belief = estimate.from_dict(saved["estimate"], self.curve)
            state = balance.BalanceState.from_dict(saved["balance"])
            age_s, spare_s = float(saved.get("age_s", 0.0)), float(saved.get("spare_s", 0.0))
            # States of 0.3.0 have neither: both are learnt anew within a few overs.
            keying = Keying.from_dict(saved["keying"]) if "keying" in saved else Keying()
            load = Load(**saved.get("load", {}))
            used = Habits.from_dict(saved["habits"]) if "habits" in saved else Habits()
            own_a = float(saved.get("own_a", 0.0))
            # Nor what is counted towards the next cycle; of another version it begins anew, and nothing else does.
            kept = saved.get("health")
            ails = health.begin(self.battery)
            if kept is not None and kept["version"] == health.VERSION:
                ails = health.from_dict(kept)
            watching = watch.Watch.from_dict(saved["watch"]) if "watch" in saved else Watch()
            # States of 0.4.0 and before have neither.
            cross = CrossState.from_dict(saved["cross"]) if "cross" in saved else CrossState()
            ways = PathState.from_dict(saved["paths"]) if "paths" in saved else PathState()
            shown, moved_ah, gives = estimate.read(belief), 0.0, None
            if "shown" in saved:
                shown, moved_ah = _as_shown(saved["shown"], shown), float(saved["moved_ah"])
                told = dict(saved["gives"])
                if told.pop("of") == self._wants():
                    values: dict[str, Any] = {k: tuple(x) if isinstance(x, list) else x for k, x in told.items()}
                    gives = Usable(**values)
        except (KeyError, TypeError, ValueError, AttributeError, BoxError) as e:
            raise ConfigError(f"The saved state can't be used ({e}); starting anew.") from e
        # What the pack and its controller draw by themselves may be told anew; the charge goes on from where it was.
        same = ("capacity_ah", "series", "capacity_sd", "own_curve")
        if any(getattr(belief.battery, name) != getattr(self.battery, name) for name in same):
            raise ConfigError("The saved state is of another battery; starting anew.")
        self._belief, self._balance = replace(belief, battery=self.battery), state
        self._watch, self._estimate = watching, shown
        self._age_s, self._moved_ah, self._spare_s = age_s, moved_ah, spare_s
        self._keying, self._load, self._health = keying, load, ails._replace(battery=self.battery)
        self._habits, self._own_a = used, own_a
        self._cross, self._paths = cross, ways
        self._usable = gives if gives is not None else self._give(None)


def _skies(site: Site, battery: Battery, times_s: list[float]) -> list[Sun]:
    """What the sky would bring at some times, at a place that is told."""
    assert site.place is not None
    at = np.array(times_s)
    elevation, _ = sun.position(site.place, at)
    if site.panel is None:
        return [Sun(e) for e in elevation.tolist()]
    sky = sun.clear_sky(site.place, site.panel, at)
    watts = site.panel.power_w * _OF_LABEL * (sky.beam + sky.diffuse) / 1000.0
    amps = watts / (_BUS_V_PER_CELL * battery.series)
    return [Sun(e, a) for e, a in zip(elevation.tolist(), amps.tolist(), strict=True)]


def _shown(e: Estimate) -> dict[str, Any]:
    """An estimate as plain values, without the edges of its bins, which are always the same."""
    values = {f.name: getattr(e, f.name) for f in fields(e) if f.name != "edges"}
    return values | {"density": e.density.tolist(), "peaks": [list(p) for p in e.peaks]}


def _as_shown(saved: dict[str, Any], like: Estimate) -> Estimate:
    """The estimate that `_shown` gave. Raises TypeError or ValueError when it is of another kind."""
    density = np.array(saved["density"], dtype=np.float64)
    if density.shape != like.density.shape:
        raise ValueError(f"a density of shape {density.shape}")
    return replace(like, **{**saved, "density": density, "peaks": tuple(Peak(*p) for p in saved["peaks"])})


def sentence(view: View, clock: str = "UTC") -> Sentence:
    """
    Where the power comes from and whether to stay on, in words.

    Rests on the balance over the transmit cycle, so it does not change with
    every key-down. Times are UTC; `clock` is what is written behind them.
    """
    worst = view.notices[0] if view.notices else None
    text = _where_from(view)
    if worst is not None and worst.severity == "act":
        return Sentence("act", worst.title + ".", f"{worst.do} {text}")
    return Sentence(view.balance.verdict, text, _can_i_stay(view, clock))


def _where_from(view: View) -> str:
    b = view.balance
    net, demand, supply = b.net_a, b.demand_a, b.supply_a
    if net is None:
        return "Not enough readings to say where the power comes from."
    if demand is None or supply is None:
        # The battery's tap alone.
        if abs(net) < _NOTHING_A:
            return "Next to nothing flows into or out of the battery."
        way = f"{net:.2f} A goes into" if net > 0 else f"{-net:.2f} A comes out of"
        return f"{way} the battery on average."
    if demand < _NOTHING_A:
        if net > _NOTHING_A:
            return f"Nothing is drawn; the sun puts {net:.2f} A into the battery."
        if net < -_NOTHING_A:
            return f"The station draws nothing, yet {-net:.2f} A comes out of the battery."
        return "Nothing is drawn and nothing comes in."
    # The verdict is slow where chance could explain a figure, and a plain figure must not wait for it.
    even = {"even": 0.35, "unknown": 0.15}.get(b.verdict, _NOTHING_A)
    if abs(net) <= even * demand:
        return f"The sun brings about what the station draws, {demand:.2f} A."
    if net > 0 and view.spare:
        return f"The sun carries the station with {net:.2f} A to spare; the battery takes only a part of it."
    if net > 0:
        return f"The sun carries the station and puts {net:.2f} A into the battery."
    if supply < _NOTHING_A:
        return f"The battery carries the station alone: {-net:.2f} A out of it."
    share = max(1, round(100 * supply / demand))
    return f"The sun brings {share} % of what the station draws; {-net:.2f} A comes out of the battery."


def _can_i_stay(view: View, clock: str) -> str:
    b, look, e = view.balance, view.outlook, view.estimate
    low_ah, high_ah = look.usable_ah
    end = look.limited_by
    settled = b.verdict != "unknown"
    if b.net_a is None:
        return "Until when can't be said. " + _above(look)
    if look.early_s is None:
        moves = "is not falling" if b.net_a >= _NOTHING_A else "hardly changes"
        if high_ah <= 0.0:
            return f"{_nothing(look)}, but the charge {moves}."
        drawing = b.demand_a is not None and b.supply_a is not None and b.demand_a >= _NOTHING_A
        if not settled:
            says = f"So far the charge {moves}. "
        elif drawing and low_ah > 0.0:
            says = f"You can stay on while the sun lasts: the charge {moves}. "
        else:
            says = f"The charge {moves}. "
        return says + _above(look)
    if high_ah <= 0.0:
        if end == "radio volts":
            return f"The radio's volts run out when you send, with {100 * e.soc:.0f} % left: lower the power."
        return f"{_nothing(look)}: close down."
    going = "Going on like this" if settled else "If it goes on as it began,"
    sun = ", if the sun stays as it is" if b.supply_a is not None and b.supply_a >= _NOTHING_A else ""
    first, last = _when(look.early_s, view.time_s, clock), _when(look.late_s, view.time_s, clock)
    if low_ah <= 0.0:
        known = "; it is not known better yet" if e.high - e.low >= _WIDE else ""
        by = "" if look.late_s is None else f" and {_by(last)}"
        return (
            f"{_ANY_MINUTE[look.early_by]} any minute{by}: "
            f"{100 * e.low:.0f} % to {100 * e.high:.0f} % is left{known}."
        )
    if look.late_s is None:
        if look.early_s - view.time_s > forecast.FARTHEST_S:
            return f"{going} {_FAR[end]} more than a week away{sun}."
        return f"{going} {_REACHED[end]} {first} at the earliest, perhaps not within a week{sun}."
    if first == last:
        return f"{going} {_REACHED[end]} {last}{sun}."
    if last.startswith("at "):
        began = "now" if first == "any minute" else first[3:].removesuffix(f" {clock}")
        return f"{going} {_REACHED[end]} between {began} and {last[3:]}{sun}."
    return f"{going} {_REACHED[end]} {first} at the earliest, {_by(last)}{sun}."


def _nothing(look: Outlook) -> str:
    """That there is nothing left to use, down to whatever end it is."""
    if look.limited_by == "radio volts":
        return "Keyed, the radio does not get the volts it needs"
    return "The battery is empty" if look.limited_by == "battery empty" else "Nothing is left above the reserve"


def _above(look: Outlook) -> str:
    low_ah, high_ah = look.usable_ah
    if high_ah <= 0.0:
        return f"{_nothing(look)}."
    low, high, above = f"{low_ah:.1f}", f"{high_ah:.1f}", _ABOVE[look.limited_by]
    if low_ah <= 0.0:
        return f"At most {high} Ah {above}, perhaps nothing."
    return f"{'About ' if low == high else low + ' to '}{high} Ah {above}."


def _when(time_s: float | None, now_s: float, clock: str) -> str:
    """A time to come as one says it: "any minute", "at 23:17 UTC", "in 14 h", "in 3 days"; "" for None."""
    if time_s is None:
        return ""
    ahead_s = time_s - now_s
    if ahead_s < 120:
        return "any minute"
    if ahead_s < _CLOCK_S:
        minutes = int(time_s // 60) % 1440
        return f"at {minutes // 60:02d}:{minutes % 60:02d} {clock}"
    return f"in {ahead_s / 3600:.0f} h" if ahead_s < 2 * 86400 else f"in {ahead_s / 86400:.0f} days"


def _by(when: str) -> str:
    return f"by {when[3:]} at the latest" if when.startswith("at ") else f"{when} at the latest"
