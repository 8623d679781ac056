"""
The core in one piece: what live and replay both run.

In: intervals in time order. Out: a view of the station at the end of each:
who supplies, the balance, the charge with its range, the outlook, notices and
one sentence. It does no I/O and reads no clock; the same intervals give the
same views.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from ampledger.core import balance, estimate, forecast, watch
from ampledger.core.balance import Balance
from ampledger.core.estimate import Estimate
from ampledger.core.forecast import Outlook
from ampledger.core.model import Battery, Interval, Start
from ampledger.core.watch import Event, Facts, Notice, Watch
from ampledger.errors import ConfigError

# The estimator moves in steps of about 10 s; in between the band travels with the counted charge.
_READ_EVERY_S = 10.0


@dataclass(frozen=True, slots=True)
class Sentence:
    """tone: "surplus", "even", "short", "act" or "unknown"; the answer in words, and a second line."""

    tone: str
    text: str
    detail: str


@dataclass(frozen=True, slots=True)
class View:
    """The station at the end of one interval."""

    time_s: float
    interval: Interval
    estimate: Estimate
    balance: Balance
    outlook: Outlook
    source: str
    notices: tuple[Notice, ...]
    events: tuple[Event, ...]


class Engine:
    """
    battery, start : the pack, and what is believed of its charge.
    reserve_soc : share of the charge that is not to be used, 0 <= x < 1.

    Raises ConfigError for values that can't be.
    """

    def __init__(self, battery: Battery, start: Start, reserve_soc: float = 0.2) -> None:
        if not 0.0 <= reserve_soc < 1.0:
            raise ConfigError(f"The reserve must be at least 0 and below 1 (20 % is 0.2), not {reserve_soc}.")
        self.battery, self.reserve_soc = battery, reserve_soc
        self._belief = estimate.begin(battery, start)
        self._balance = balance.begin(battery.series)
        self._watch = Watch()
        self._estimate = estimate.read(self._belief)
        self._age_s = 0.0
        self._moved_ah = 0.0

    def step(self, interval: Interval) -> View:
        """One interval on."""
        self._belief = estimate.step(self._belief, interval)
        self._balance, now = balance.step(self._balance, interval)
        shown = self._read(interval)
        look = forecast.outlook(
            interval.end_s, shown.low, shown.high, shown.capacity_ah, self.reserve_soc, now.net_a
        )
        facts = Facts(
            now.verdict,
            now.supply_a,
            now.demand_a,
            shown.soc,
            shown.low,
            shown.high,
            self.reserve_soc,
            look.early_s,
        )
        self._watch, events = watch.step(self._watch, interval, facts, self.battery)
        source = balance.who_supplies(
            interval.solar.a if interval.solar else None,
            interval.load.a if interval.load else None,
            interval.battery.a,
        )
        return View(interval.end_s, interval, shown, now, look, source, self._watch.open(), events)

    def read(self) -> Estimate:
        """The estimate as it stands."""
        return self._estimate

    def _read(self, interval: Interval) -> Estimate:
        """The estimate now: read anew every 10 s of data, moved by the counted charge in between."""
        charge_c = interval.battery.charge_c
        if charge_c is None and interval.battery.a is not None:
            charge_c = interval.battery.a * interval.dt_s
        self._age_s += interval.dt_s
        if self._age_s >= _READ_EVERY_S or charge_c is None:
            self._age_s = self._moved_ah = 0.0
            self._estimate = estimate.read(self._belief)
            return self._estimate
        self._moved_ah += charge_c / 3600
        e, moved = self._estimate, self._moved_ah / self._estimate.capacity_ah
        return replace(
            e,
            soc=min(1.0, max(0.0, e.soc + moved)),
            low=min(1.0, max(0.0, e.low + moved)),
            high=min(1.0, max(0.0, e.high + moved)),
            charge_ah=e.charge_ah + self._moved_ah,
        )

    def save(self) -> dict[str, Any]:
        """What has to be kept to go on after a restart: the estimate and the balance; notices build up anew."""
        return {"estimate": estimate.to_dict(self._belief), "balance": self._balance.to_dict()}

    def load(self, saved: dict[str, Any]) -> None:
        """Go on from `save()`. Raises ConfigError when it is of another kind."""
        try:
            belief = estimate.from_dict(saved["estimate"])
            state = balance.BalanceState.from_dict(saved["balance"])
        except (KeyError, TypeError, ValueError) as e:
            raise ConfigError(f"The saved state can't be used ({e}); starting anew.") from e
        if belief.battery != self.battery:
            raise ConfigError("The saved state is of another battery; starting anew.")
        self._belief, self._balance = belief, state
        self._estimate = estimate.read(belief)
        self._age_s = self._moved_ah = 0.0


def sentence(view: View, clock: str = "UTC") -> Sentence:
    """
    Where the power comes from and whether to stay on, in words.

    Rests on the balance over the transmit cycle, so it does not change with
    every key-down. Times are UTC.
    """
    b, look = view.balance, view.outlook
    worst = view.notices[0] if view.notices else None
    tone = {"surplus": "surplus", "even": "even", "short": "short"}.get(b.verdict, "unknown")
    if worst is not None and worst.severity == "act":
        tone = "act"
    net, demand, supply = b.net_a, b.demand_a, b.supply_a
    if net is None or demand is None or supply is None:
        text = "Not enough readings yet to say where the power comes from."
    elif demand < 0.02:
        if net > 0.03:
            text = f"The sun charges the battery with {net:.2f} A; nothing is drawn."
        else:
            text = "Nothing is drawn and nothing comes in."
    elif tone == "surplus" or net > 0.15 * demand:
        text = f"The sun carries the station and puts {net:.2f} A into the battery."
    elif b.verdict == "even" or abs(net) <= 0.15 * demand:
        text = "Sun and station are about even."
    elif supply < 0.03:
        text = f"The battery carries the station alone: {-net:.2f} A."
    else:
        share = max(0, min(100, round(100 * supply / demand)))
        text = f"The battery makes up {-net:.2f} A: the sun brings {share} % of what the station draws."
    if tone == "act" and worst is not None:
        return Sentence(tone, worst.title + ".", f"{worst.do} {text}")
    return Sentence(tone, text, _can_i_stay(view, clock))


def _hhmm(time_s: float) -> str:
    minutes = int(time_s // 60) % 1440
    return f"{minutes // 60:02d}:{minutes % 60:02d}"


def _can_i_stay(view: View, clock: str) -> str:
    b, look, e = view.balance, view.outlook, view.estimate
    low_ah, high_ah = look.above_reserve_ah
    if b.net_a is None:
        return ""
    if look.early_s is None:
        return f"You can stay on as you are: the charge is not falling. {low_ah:.1f} to {high_ah:.1f} Ah above the reserve."
    early_min = (look.early_s - view.time_s) / 60
    if high_ah <= 0.0:
        return "Nothing is left above the reserve: close down."
    late = "later than a week" if look.late_s is None else f"{_hhmm(look.late_s)} {clock}"
    if look.late_s is not None and look.late_s - view.time_s > 86400:
        late = f"in {(look.late_s - view.time_s) / 86400:.0f} days"
    if low_ah <= 0.0:
        return (
            f"Going on like this reaches the reserve at {late} at the latest, perhaps much sooner: "
            f"the charge is not known well yet ({e.low:.0%} to {e.high:.0%})."
        )
    early = f"{_hhmm(look.early_s)} {clock}" if early_min < 1440 else f"{early_min / 1440:.0f} days"
    return f"Going on like this you reach the reserve between {early} and {late}, if the sun stays as it is."
