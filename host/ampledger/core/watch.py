"""
Watches the station and speaks up, with reasons.

In: intervals, the balance over the transmit cycle, the charge estimate. Out:
notices that are raised, change and clear, each with the figures that caused
it, what it likely is and what to do. It measures its delays in seconds of
data, not by any clock, and never says that something is safe.

Thresholds: see the comment at each. Those without one, and all delays, are
common practice, no source. A condition is one entry of `_judge`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from ampledger.core.crosscheck import Cross
from ampledger.core.model import Battery, Interval, Limits, Tap
from ampledger.core.paths import Paths

SEVERITIES = ("info", "caution", "warning", "act")
_TAPS = ("solar", "battery", "load")
_USUAL = Limits()


@dataclass(frozen=True, slots=True)
class Notice:
    """
    One thing the operator should know.

    severity : one of SEVERITIES, "act" being: now.
    since_s : UTC since when it holds. [s]
    figures : what was measured, with the unit in the name.
    read : where to read on, a heading of README.md or CAUTIONS.md; "" nowhere.
    under : the code of the open notice that is its cause, so that it need not be spoken of by itself; "" none.
    """

    code: str
    severity: str
    title: str
    seen: str
    likely: str
    do: str
    since_s: float
    figures: Mapping[str, float] = field(default_factory=dict)
    read: str = ""
    under: str = ""


@dataclass(frozen=True, slots=True)
class Event:
    """A notice was "raised", "changed" (its severity) or "cleared" at `time_s`."""

    time_s: float
    kind: str
    notice: Notice


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


@dataclass(frozen=True, slots=True)
class _Held:
    notice: Notice | None = None  # as it would be, or is, on show
    on_s: float = 0.0  # how long the condition has held
    off_s: float = 0.0  # how long it has been over
    other_s: float = 0.0  # how long it has asked for another severity than the one on show
    open: bool = False


@dataclass(frozen=True, slots=True)
class Watch:
    """State: what is open or about to be, and which taps have ever been seen."""

    held: tuple[tuple[str, _Held], ...] = ()
    seen: frozenset[str] = frozenset()

    def open(self) -> tuple[Notice, ...]:
        """Notices on show, the worst first, older ones first among equals."""
        shown = [h.notice for _, h in self.held if h.open and h.notice is not None]
        return tuple(sorted(shown, key=lambda n: (-SEVERITIES.index(n.severity), n.since_s)))

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {"held": [[code, asdict(held)] for code, held in self.held], "seen": sorted(self.seen)}

    @classmethod
    def from_dict(cls, saved: dict[str, Any]) -> Watch:
        """The state that `to_dict` gave. Raises TypeError, ValueError or KeyError when it is of another kind."""
        held = []
        for code, values in saved["held"]:
            notice = values["notice"]
            held.append((str(code), _Held(**{**values, "notice": None if notice is None else Notice(**notice)})))
        return cls(tuple(held), frozenset(saved["seen"]))


@dataclass(frozen=True, slots=True)
class _Case:
    """A condition: whether it holds (None: can't be told now), whether it is over, and its delays."""

    code: str
    holds: bool | None
    over: bool
    on_s: float
    off_s: float
    severity: str
    title: str
    seen: str
    likely: str
    do: str
    figures: dict[str, float]


def _number(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _silent(tap: Tap | None) -> bool:
    return tap is None or (_number(tap.v) is None and _number(tap.a) is None)


def _a(value: float) -> str:
    return f"{value:.2f} A" if value >= 0.005 else "nothing"


def _misfit(v: float, battery: Battery) -> str:
    """That these volts are not of so many cells, and how many would have them."""
    fits = _likely_cells(v)
    text = f"These volts do not fit {_cells(battery.series)}: {v:.2f} V is {v / battery.series:.2f} V a cell"
    return text + (f"; {_cells(fits)} would be {v / fits:.2f} V." if fits else ".")


def _cells(count: int) -> str:
    return f"{count} cell{'s' * (count != 1)}"


def _likely_cells(v: float) -> int:
    """How many cells have such volts in use (2.8 to 3.7 V each), 0 for none of 1 to 16."""
    count = min(16, max(1, round(v / 3.3)))
    return count if 2.8 <= v / count <= 3.7 else 0


def _left(facts: Facts) -> str:
    return f"{100 * facts.low:.0f} % to {100 * facts.high:.0f} % left, the reserve is {100 * facts.reserve_soc:.0f} %."


def _judge(
    interval: Interval, facts: Facts, battery: Battery, seen: frozenset[str], shown: Mapping[str, str]
) -> list[_Case]:
    """`shown`: the severity of each notice that is open, for levels that differ on the way up and down."""
    cases: list[_Case] = []
    supply, demand = facts.supply_a, facts.demand_a
    short = facts.verdict == "short"
    # Debounce and hysteresis of this one are in balance.py, which judges over the transmit cycle.
    cases.append(
        _Case(
            "draw-above-input",
            None if facts.verdict == "unknown" else short,
            not short,
            0.0,
            0.0,
            "caution",
            "The draw is higher than the input",
            "Averaged over sending and receiving, more goes out of the battery than into it."
            if supply is None or demand is None
            else f"Averaged over sending and receiving the station draws {_a(demand)} and {_a(supply)} comes in; "
            "the battery makes up the difference.",
            "More or longer sending, less sun on the panel, or the panel unplugged.",
            "Lower the power or send less, turn the panel to the sun; or carry on and watch what is left.",
            {} if supply is None or demand is None else {"supply_a": supply, "demand_a": demand},
        )
    )
    a, v, temp = _number(interval.battery.a), _number(interval.battery.v), _number(interval.battery_c)
    if a is not None:
        # A maker's data sheet of a 12.8 V LiFePO4 pack: charge 0..45 degC. 2 degC above it for the sensor, which is
        # not in the cells; 1 degC of hysteresis between the severities.
        charging = a > 0.02
        frozen = temp is not None and temp <= (1.0 if shown.get("cold-charging") == "act" else 0.0)
        warm = temp is not None and temp >= 5.0
        cases.append(
            _Case(
                "cold-charging",
                False if not charging else None if temp is None else temp <= 2.0,
                warm or not charging,
                2.0 if frozen else 10.0,
                # While sending the battery does not charge; it does again right after the over. Longer than an over.
                10.0 if warm else 120.0,
                "act" if frozen else "warning",
                "The battery is too cold to be charged" if frozen else "The battery is almost too cold to be charged",
                "" if temp is None else f"{round(temp, 1) + 0.0:.1f} °C at the battery and {a:.2f} A going into it.",
                "The panel charges a cold battery. Charging LiFePO4 at or below 0 °C can damage it for good.",
                "Disconnect the panel until the battery is above 5 °C; the battery's own sheet decides.",
                {} if temp is None else {"battery_c": temp, "battery_a": a},
            )
        )
    if temp is not None:
        cases.append(
            _Case(
                "battery-hot",
                temp >= 50.0,
                temp <= 45.0,
                5.0,
                60.0,
                "warning",
                "The battery is hot",
                f"{temp:.1f} °C at the battery.",
                "Sun on the box, or a high current for long.",
                "Shade and air the box, lower the power; the battery's own sheet decides.",
                {"battery_c": temp},
            )
        )
    doubtful = "series-doubtful" in shown
    if v is not None:
        cell = v / battery.series
        # Below what a protection board lets a cell fall to (2.0 V, 8 V for four: one maker's sheet) and above what
        # any charger gives it: then it is not so many cells. At more than a fifth of the capacity per hour (judgement)
        # a bad contact makes volts of its own.
        unfit = not 2.0 <= cell <= 4.0
        still = None if a is None or abs(a) > 0.2 * battery.capacity_ah else True
        fits = _likely_cells(v)
        first = f"Start with --series {fits}, or check" if fits else "Check"
        cases.append(
            _Case(
                "series-doubtful",
                still if unfit else False,
                2.1 < cell < 3.9,
                60.0,
                10.0,
                "caution",
                f"The volts do not fit {_cells(battery.series)} in series",
                _misfit(v, battery),
                "Another number of cells than was told, or a sense lead that is off or on the wrong post.",
                f"{first} the sense leads. Charge left is not known until then.",
                {"battery_v": v, "cell_v": cell},
            )
        )
        # Until that is settled, also in the minute before it is said, such volts and what is made of them say nothing.
        doubtful = doubtful or unfit
        # Makers' data sheets of 12.8 V LiFePO4 packs: charging ends at 14.4 V (one), 14.6 +-0.2 V (another), so that
        # 14.8 V, 3.70 V a cell, is above both. They cut off at 10 V and at 8 V; 11.2 V leaves time to act.
        cases.append(
            _Case(
                "volts-high",
                cell > 3.70,
                cell < 3.60,
                3.0,
                10.0,
                "act",
                "The voltage is too high",
                f"{v:.2f} V at the battery.",
                "A charge controller with the wrong profile, or a protection board that has opened.",
                "Disconnect the panel, then find the cause.",
                {"battery_v": v},
            )
        )
        cases.append(
            _Case(
                "volts-low",
                None if doubtful else cell < 2.80,
                cell > 2.95,
                5.0,
                120.0,  # it recovers between overs: not a new notice for each
                "warning",
                "The battery's voltage is low",
                f"{v:.2f} V at the battery.",
                "The battery is nearly empty, very cold, or a connection has gone bad.",
                "Stop sending and see whether it recovers; close down if it does not.",
                {"battery_v": v},
            )
        )
    narrow = facts.high - facts.low < 0.3
    cases.append(
        _Case(
            "reserve-reached",
            None if doubtful else facts.high <= facts.reserve_soc or (facts.soc <= facts.reserve_soc and narrow),
            facts.soc > facts.reserve_soc + 0.03,
            10.0,
            60.0,
            "act",
            "The reserve is reached",
            _left(facts),
            "What was planned for this outing has been used.",
            "Finish the contact and stop sending.",
            {"soc_low": facts.low, "soc_high": facts.high},
        )
    )
    left_s = None if facts.early_s is None else facts.early_s - interval.end_s
    near = left_s is not None and left_s < 20 * 60 and narrow and facts.soc > facts.reserve_soc
    unclear = left_s is None and facts.verdict == "unknown"  # not approached, or just not known?
    cases.append(
        _Case(
            "reserve-near",
            None if unclear else near,
            left_s is None or left_s > 30 * 60 or facts.soc <= facts.reserve_soc,
            30.0,
            120.0,
            "warning",
            "The reserve may be reached within 20 minutes",
            _left(facts),
            "The battery carries more of the load than it can for long.",
            "Lower the power, send less, or plan the last contact.",
            {"soc_low": facts.low, "soc_high": facts.high},
        )
    )
    if facts.radio_v is not None and facts.radio_min_v > 0.0:
        low, mid, high = facts.radio_v
        before = shown.get("radio-volts-low")
        below = mid < facts.radio_min_v + (0.1 if before == "act" else 0.0)
        cases.append(
            _Case(
                "radio-volts-low",
                # Design notes of this project: 0.3 V above the drop-out, and 0.2 V more until it is over.
                mid < facts.radio_min_v + (0.3 if before is None else 0.5),
                mid > facts.radio_min_v + 0.5,
                30.0,  # an over and its pause, so that one reading decides nothing
                60.0,
                "act" if below else "warning",
                "The radio gets too few volts when keyed" if below else "The radio's volts are getting low when keyed",
                f"{low:.1f} V to {high:.1f} V at its plug, reckoned over the lead; it needs {facts.radio_min_v:.1f} V.",
                "A cold or low battery, a high power, a long or thin lead, or a bad contact.",
                "Lower the power; feel for warm connectors and reseat them with the radio off.",
                {"radio_v_low": low, "radio_v": mid, "radio_v_high": high},
            )
        )
    if "temperature" in seen:
        cases.append(
            _Case(
                "no-reading-temperature",
                temp is None,
                temp is not None,
                30.0,
                3.0,
                "warning",
                "No temperature of the battery",
                "The sensor does not answer.",
                "A loose or broken sensor lead.",
                "Check the sensor. Until then nothing here can warn of charging a cold battery or of a hot one.",
                {},
            )
        )
    for name in sorted(seen & set(_TAPS)):
        gone = _silent(getattr(interval, name))
        cases.append(
            _Case(
                f"no-reading-{name}",
                gone,  # while others answer: all silent at once is a gap and does not get here
                not gone,
                3.0,
                3.0,
                "warning",
                f"No readings from the {name} channel",
                f"The {name} chip does not answer; the other channels do.",
                "A loose wire on the bus, a chip without power, or a blown sense-lead fuse.",
                "Check the wiring with everything switched off. Figures that need this channel are left out.",
                {},
            )
        )
    return cases


def step(
    watch: Watch, interval: Interval, facts: Facts, battery: Battery, limits: Limits = _USUAL
) -> tuple[Watch, tuple[Event, ...]]:
    """
    One interval on.

    An interval in which nothing was seen (a gap) neither raises nor clears
    anything. Returns the new state and what changed on show.
    """
    present = {name for name in _TAPS if not _silent(getattr(interval, name))}
    if not present:
        return watch, ()
    if _number(interval.battery_c) is not None:
        present.add("temperature")
    seen = watch.seen if present <= watch.seen else watch.seen | present
    held = dict(watch.held)
    shown = {code: h.notice.severity for code, h in watch.held if h.open and h.notice is not None}
    events: list[Event] = []
    now_s, dt_s = interval.end_s, interval.dt_s
    for case in _judge(interval, facts, battery, seen, shown):
        old = held.get(case.code)
        if case.holds is None or (old is None and not case.holds):
            continue
        old = old or _Held()
        if case.holds:
            # A clock that was set back must not leave a notice that begins in the future.
            since_s = min(old.notice.since_s, interval.start_s) if old.notice is not None else interval.start_s
            notice = Notice(
                case.code, case.severity, case.title, case.seen, case.likely, case.do, since_s, case.figures
            )
            new = _Held(notice, old.on_s + dt_s, open=old.open)
            if not old.open and new.on_s >= case.on_s - 1e-6:
                new = replace(new, open=True)
                events.append(Event(now_s, "raised", notice))
            elif old.open and old.notice is not None and old.notice.severity != case.severity:
                other_s = old.other_s + dt_s
                if other_s >= case.on_s - 1e-6:
                    events.append(Event(now_s, "changed", notice))
                else:
                    waiting = replace(notice, severity=old.notice.severity, title=old.notice.title)
                    new = replace(new, notice=waiting, other_s=other_s)
            held[case.code] = new
        elif old.open and case.over:
            off_s = old.off_s + dt_s
            if off_s >= case.off_s - 1e-6:
                del held[case.code]
                if old.notice is not None:
                    events.append(Event(now_s, "cleared", old.notice))
            else:
                held[case.code] = replace(old, off_s=off_s)
        elif old.open:
            held[case.code] = replace(old, off_s=0.0)
        else:
            del held[case.code]
    return Watch(tuple(held.items()), seen), tuple(events)
