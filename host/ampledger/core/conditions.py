"""
What is worth saying: the conditions, their levels, delays and words.

A condition is one function and one line of `TABLE`. The function gets a `Row` and says whether the condition holds
(None: can't be told now, so that its delays stand still), whether it is over (the level at which it clears, which is
farther off than the one at which it comes), both delays, how grave it is, and its words, which are asked for only
where it holds. None instead: what it rests on was not measured.

Levels and delays: see the comment at each. "Design notes" are those of this project, where prototypes were tried.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import NamedTuple

from ampledger.core.model import Battery
from ampledger.core.paths import Way
from ampledger.core.row import LONG_ROW_S, PULSE, TAPS, Facts, Row, ends_of, silent

Words = tuple[str, str, str, str, dict[str, float]]


class Case(NamedTuple):
    """Whether a condition holds (None: can't be told now), whether it is over, its delays, and words where it holds."""

    holds: bool | None
    over: bool
    on_s: float
    off_s: float
    severity: str
    words: Callable[[], Words]


def _a(value: float) -> str:
    return f"{value:.2f} A" if value >= 0.005 else "nothing"


def _span(seconds: float) -> str:
    """A length of time as one says it."""
    minutes = max(1, round(seconds / 60))
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{minutes // 60} h {minutes % 60} min" if minutes < 600 else f"{round(minutes / 60)} h"
    return f"{round(minutes / 1440)} days"


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


def _reserve_in_s(r: Row) -> float | None:
    """Until the reserve may be reached; None where it is not approached. [s]"""
    return None if r.facts.early_s is None else r.facts.early_s - r.end_s


def _nothing() -> Words:
    raise AssertionError("words of a condition that does not hold")


# -- the conditions: energy ------------------------------------------------------------------------------------------


def _draw_above_input(r: Row) -> Case:
    # Debounce and hysteresis of this one are in balance.py, which judges over the transmit cycle.
    short = r.facts.verdict == "short"
    supply, demand = r.facts.supply_a, r.facts.demand_a

    def words() -> Words:
        figures: dict[str, float] = {}
        seen = "Averaged over sending and receiving, more goes out of the battery than into it."
        if supply is not None and demand is not None:
            figures = {"supply_a": supply, "demand_a": demand}
            seen = (
                f"Averaged over sending and receiving the station draws {_a(demand)} and {_a(supply)} comes in; "
                "the battery makes up the difference."
            )
        left_s = _reserve_in_s(r)
        if left_s is not None and r.facts.soc > r.facts.reserve_soc:
            figures["reserve_in_s"] = max(0.0, left_s)
            when = f"in {_span(left_s)} at the earliest" if left_s >= 120.0 else "any minute"
            seen += f" Going on like this, the reserve may be reached {when}."
        return (
            "The draw is higher than the input",
            seen,
            "More or longer sending, less sun on the panel, or the panel unplugged.",
            "Lower the power or send less, turn the panel to the sun; or carry on and watch what is left.",
            figures,
        )

    return Case(None if r.facts.verdict == "unknown" else short, not short, 0.0, 0.0, "caution", words)


def _reserve_reached(r: Row) -> Case:
    # Design notes: at the reserve, until 3 % above it. A wide band has to be below it as a whole.
    f = r.facts
    narrow = f.high - f.low < 0.3
    return Case(
        None if not r.sound else f.high <= f.reserve_soc or (f.soc <= f.reserve_soc and narrow),
        f.soc > f.reserve_soc + 0.03,
        10.0,
        60.0,
        "act",
        lambda: (
            "The reserve is reached",
            _left(f),
            "What was planned for this outing has been used.",
            "Finish the contact and stop sending.",
            {"soc_low": f.low, "soc_high": f.high},
        ),
    )


def _reserve_near(r: Row) -> Case:
    # Design notes: below 20 minutes, until above 30.
    f, left_s = r.facts, _reserve_in_s(r)
    near = left_s is not None and left_s < 20 * 60 and f.high - f.low < 0.3 and f.soc > f.reserve_soc
    unclear = left_s is None and f.verdict == "unknown"  # not approached, or just not known?
    return Case(
        None if unclear else near,
        left_s is None or left_s > 30 * 60 or f.soc <= f.reserve_soc,
        30.0,
        120.0,
        "warning",
        lambda: (
            "The reserve may be reached within 20 minutes",
            _left(f),
            "The battery carries more of the load than it can for long.",
            "Lower the power, send less, or plan the last contact.",
            {"soc_low": f.low, "soc_high": f.high},
        ),
    )


# -- the battery -----------------------------------------------------------------------------------------------------


def _cold_charging(r: Row) -> Case | None:
    # A maker's data sheet of a 12.8 V LiFePO4 pack: charge 0..45 degC. A warning 2 degC above it for the sensor, which
    # is not in the cells, until 5 above (design notes); 1 degC of hysteresis between the severities.
    a, temp, cold_c = r.charging, r.temp, r.limits.cold_c
    if a is None:
        return None
    charging = a > 0.02
    frozen = temp is not None and temp <= cold_c + (1.0 if r.shown.get("cold-charging") == "act" else 0.0)
    warm = temp is not None and temp >= cold_c + 5.0

    def words() -> Words:
        assert temp is not None
        return (
            "The battery is too cold to be charged" if frozen else "The battery is almost too cold to be charged",
            f"{round(temp, 1) + 0.0:.1f} °C at the battery and {a:.2f} A going into it.",
            f"The panel charges a cold battery. Charging LiFePO4 at or below {cold_c:g} °C can damage it for good.",
            f"Disconnect the panel until the battery is above {cold_c + 5.0:g} °C; the battery's own sheet decides.",
            {"battery_c": temp, "battery_a": a},
        )

    return Case(
        False if not charging else None if temp is None else temp <= cold_c + 2.0,
        warm or not charging,
        2.0 if frozen else 10.0,
        # While sending the battery does not charge; it does again right after the over. Longer than an over.
        10.0 if warm else 120.0,
        "act" if frozen else "warning",
        words,
    )


def _charge_hot(r: Row) -> Case | None:
    # The same sheet: charge 0..45 degC. 2 degC of hysteresis, delays as for the cold: judgement.
    a, temp, most_c = r.charging, r.temp, r.limits.charge_hot_c
    if a is None or temp is None:
        return None
    return Case(
        a > 0.02 and temp > most_c,
        a <= 0.02 or temp < most_c - 2.0,
        10.0,
        10.0 if temp < most_c - 2.0 else 120.0,
        "warning",
        lambda: (
            "The battery is too hot to be charged",
            f"{temp:.1f} °C at the battery and {a:.2f} A going into it; {most_c:g} °C is its limit for charging.",
            "Sun on the box, or charged and used hard at once.",
            "Shade and air the box; disconnect the panel until it has cooled.",
            {"battery_c": temp, "battery_a": a},
        ),
    )


def _battery_hot(r: Row) -> Case | None:
    # Design notes: 50 until 45 degC; makers' sheets end discharge at 60.
    temp, hot_c = r.temp, r.limits.hot_c
    if temp is None:
        return None
    return Case(
        temp >= hot_c,
        temp <= hot_c - 5.0,
        5.0,
        60.0,
        "warning",
        lambda: (
            "The battery is hot",
            f"{temp:.1f} °C at the battery.",
            "Sun on the box, or a high current for long.",
            "Shade and air the box, lower the power; the battery's own sheet decides.",
            {"battery_c": temp},
        ),
    )


def _charge_fast(r: Row) -> Case | None:
    # The battery's own limit, as told; 10 s so that a key-up does not count, 5 % of hysteresis: judgement.
    a, most_a = r.a, r.limits.charge_a
    if a is None or most_a is None:
        return None
    return Case(
        a > most_a,
        a < 0.95 * most_a,
        10.0,
        60.0,
        "warning",
        lambda: (
            "The battery is charged with more than it should be",
            f"{a:.2f} A going into it; {most_a:g} A is its limit.",
            "A panel or charger larger than this battery is made for, or a limit told too low.",
            "Cover a part of the panel or unplug it, or draw more from the box.",
            {"battery_a": a, "charge_a": most_a},
        ),
    )


def _series_doubtful(r: Row) -> Case | None:
    # See `Row.sound`. At more than a fifth of the capacity per hour (judgement) a bad contact makes volts of its own.
    v, cell, battery = r.v, r.cell, r.battery
    if v is None or cell is None or r.m.opened:  # what is left on a bus without its battery is no such doubt
        return None
    still = None if r.a is None or abs(r.a) > 0.2 * battery.capacity_ah else True

    def words() -> Words:
        fits = _likely_cells(v)
        first = f"Start with --series {fits}, or check" if fits else "Check"
        return (
            f"The volts do not fit {_cells(battery.series)} in series",
            _misfit(v, battery),
            "Another number of cells than was told, or a sense lead that is off or on the wrong post.",
            f"{first} the sense leads. Charge left is not known until then.",
            {"battery_v": v, "cell_v": cell},
        )

    return Case(still if not 2.0 <= cell <= 4.0 else False, 2.1 < cell < 3.9, 60.0, 10.0, "caution", words)


def _volts_high(r: Row) -> Case | None:
    # Makers' data sheets of 12.8 V LiFePO4 packs: charging ends at 14.4 V (one), 14.6 +-0.2 V (another), so that
    # 14.8 V, 3.70 V a cell, is above both; design notes: for 3 s, until 14.4.
    v, cell, high_v = r.v, r.cell, r.limits.cell_high_v
    if v is None or cell is None:
        return None
    return Case(
        cell > high_v,
        cell < high_v - 0.10,
        3.0,
        10.0,
        "act",
        lambda: (
            "The voltage is too high",
            f"{v:.2f} V at the battery.",
            "A charge controller with the wrong profile, or a protection board that has opened.",
            "Disconnect the panel, then find the cause.",
            {"battery_v": v},
        ),
    )


def _volts_low(r: Row) -> Case | None:
    # Makers cut off at 10 V and at 8 V; 11.2 V, 2.80 V a cell, leaves time to act. Delays and the 0.15 V a cell of
    # hysteresis: common practice, no source; it recovers between overs and is not a new notice for each.
    v, cell, low_v, rest_v = r.v, r.cell, r.limits.cell_low_v, r.m.rest_v
    if v is None or cell is None:
        return None

    def words() -> Words:
        seen, figures = f"{v:.2f} V at the battery.", {"battery_v": v}
        likely = "The battery is nearly empty, very cold, or a connection has gone bad."
        if r.m.calm_s == 0.0 and rest_v is not None and rest_v / r.battery.series > low_v + 0.2:
            seen = f"{v:.2f} V at the battery while sending, {rest_v:.2f} V before it."
            figures["rest_v"] = rest_v
            likely = "Not empty, for it has its volts at rest: a cold or weak battery, a thin lead or a bad contact."
        do = "Stop sending and see whether it recovers; close down if it does not."
        return "The battery's voltage is low", seen, likely, do, figures

    return Case(None if not r.sound else cell < low_v, cell > low_v + 0.15, 5.0, 120.0, "warning", words)


def _volts_sag(r: Row) -> Case | None:
    # Two overs in a row that end below 3.0 V a cell and more than 0.2 V a cell below rest: at 20 A a sound 20 Ah pack
    # with its leads takes 0.04 ohm, 0.2 V a cell, from 3.3 V. Judgement; counted in overs, see `_follow_overs`.
    m = r.m
    if m.rest_v is None:
        return None

    def words() -> Words:
        amps = f" with {m.sag_a:.1f} A more" if m.sag_a > 0.1 else ""
        return (
            "The battery's volts give way when you send",
            f"{m.sag_low_v:.2f} V while sending{amps}, {m.sag_low_v + m.sag_v:.2f} V before it; twice in a row.",
            "A cold, small or weak battery for this power, or too much resistance before the battery's tap.",
            "Lower the power; feel for warm connectors and reseat them with the radio off.",
            {"sag_v": m.sag_v, "keyed_v": m.sag_low_v, "step_a": m.sag_a},
        )

    # Without another over it is forgotten after half an hour: judgement.
    return Case(m.sagged >= 2, m.sagged == 0 or m.calm_s > 1800.0, 0.0, 0.0, "caution", words)


def _idle_sag(r: Row) -> Case | None:
    # Design notes: below 12.8 V (3.20 a cell) on receive with more than 40 % left. Rested cells with that much have
    # 3.27 V and more. The current of an over has to have been away for 30 s, and no more than a tenth of the capacity
    # per hour may flow; a minute, 0.03 V of hysteresis: judgement.
    v, cell, f = r.v, r.cell, r.facts
    if v is None or cell is None:
        return None
    calm = r.m.calm_s > 30.0 and r.a is not None and abs(r.a) < 0.1 * r.battery.capacity_ah
    return Case(
        None if not calm or not r.sound else cell < 3.20 and f.low > 0.40,
        cell > 3.23 or f.low < 0.35,
        60.0,
        60.0,
        "warning",
        lambda: (
            "The volts are too low for the charge that is counted",
            f"{v:.2f} V on receive, with {100 * f.low:.0f} % or more left by the count.",
            "The count is wrong, the battery holds less than was told, or one of its cells is weak.",
            "Trust the volts: plan as if little were left. Charge to full; `ampledger health` then says more.",
            {"battery_v": v, "soc_low": f.low},
        ),
    )


def _protection(r: Row) -> Case | None:
    # See `_follow_quiet`: 2 s without any current, and volts or load that a connected battery would not let happen.
    m, a, v = r.m, r.a, r.v
    if a is None or v is None:
        return None

    def words() -> Words:
        kinds = {
            "one way": f"It gives current but takes none, at {v:.2f} V.",
            "jump": f"The charging stopped at once and the volts rose, to {v:.2f} V.",
            "loose": f"Nothing flows into or out of the battery, and the volts wander: {v:.2f} V now.",
            "follows": f"Nothing flows into or out of the battery, whatever is drawn; {v:.2f} V.",
            "gone": f"Nothing flows out of the battery any more; {v:.2f} V are left.",
        }
        return (
            "The battery is cut off",
            kinds.get(m.opened, kinds["loose"]),
            "Its protection has opened (a full, empty or cold cell, or too much current), a fuse, or a plug.",
            "Stop sending. What the sun brings is all there is, and its volts are not held by the battery. Unplug load "
            "and panel, look at the fuse; a protection closes again by itself or when a charger is connected.",
            {"battery_v": v, "battery_a": a},
        )

    # The time it needs is within `_follow_quiet`. Over when current flows again: 10 s of it, judgement.
    return Case(m.opened != "", m.opened == "" and abs(a) > 0.05, 0.0, 10.0, "act", words)


def _battery_full(r: Row) -> Case | None:
    # Design notes: 14.2 V (3.55 a cell) and at most 0.05 C; or held at a float voltage with at most 0.02 C, makers' end
    # of charge. 5 minutes, 2 to be over: judgement. Of overs nothing can be told.
    a, v, cell, f = r.a, r.v, r.cell, r.facts
    if a is None or v is None or cell is None or f.keyed:
        return None
    c = r.battery.capacity_ah
    full = f.held and ((cell >= 3.55 and a <= 0.05 * c) or abs(a) <= 0.02 * c)
    return Case(
        full if r.sound else None,
        cell < 3.35 or a < -0.05 * c or a > 0.1 * c,
        300.0,
        120.0,
        "info",
        lambda: (
            "The battery is full",
            f"{v:.2f} V, and only {a + 0.0:.2f} A still goes in." if a > 0.005 else f"{v:.2f} V, and it takes no more.",
            "The controller holds its volts and brings only what is drawn.",
            "Nothing needs to be done; what the sun brings beyond the draw is not used.",
            {"battery_v": v, "battery_a": a},
        ),
    )


# -- sun -------------------------------------------------------------------------------------------------------------


def _could_a(r: Row) -> float | None:
    """What the sun could bring while the pack holds the controller back: as overs have shown, or by the clear sky."""
    f, c = r.facts, r.battery.capacity_ah
    shown = clear = 0.0
    taken = r.a is not None and r.a <= 0.05 * c
    # On the panel's side the amps of the tap are other than those that the balance reckons with.
    if f.held and f.supply_a is not None and r.m.calm_s < 900.0 and taken and not r.at_panel:
        shown = f.supply_a
    if f.held and f.sun.clear_a is not None and r.cell is not None and r.cell >= 3.525:  # 14.1 V: design notes
        clear = r.m.ratio * f.sun.clear_a
    return max(shown, clear) if max(shown, clear) > 0.0 else None


def _sun_unused(r: Row) -> Case | None:
    # Design notes: at 14.1 V, less than 60 % of what was to be expected. 0.3 A and 2 minutes, and that an over shows
    # the sun for a quarter of an hour: judgement.
    solar = r.solar_a
    if solar is None or r.facts.keyed:
        return None
    could = _could_a(r)
    if could is None:
        return Case(False, True, 120.0, 120.0, "info", _nothing)
    spare = could - solar
    return Case(
        spare > 0.3 and solar < 0.6 * could,
        spare < 0.15,
        120.0,
        120.0,
        "info",
        lambda: (
            f"About {spare:.1f} A of sun are not used",
            f"The sun could bring about {could:.1f} A; {_a(solar)} is taken.",
            "The battery is full or takes little, so the controller holds back.",
            "Whatever you would charge or run, do it now; it costs the battery nothing.",
            {"could_a": could, "solar_a": solar, "spare_a": spare},
        ),
    )


def _panel_missing(r: Row) -> Case | None:
    # Design notes: more than 0.15 A expected, less than 10 mA seen for 30 s, not full. Expected is the clear sky times
    # the share of it that came of late, or, where no place and panel are told, what it was just before it fell to
    # nothing at once, which no sunset does. Nothing that low a sun (5 deg), or within 2 minutes where the share is not
    # learnt (10 deg, 30 %), and no longer than 2 h without a place: judgement.
    solar, m, sun = r.solar_a, r.m, r.facts.sun
    if solar is None:
        return None
    learnt = m.ratio > 0.0
    expected = m.lost_a
    if sun.clear_a is not None and not m.lost_a:
        expected = sun.clear_a * (m.ratio if learnt else 0.3)
    up = sun.elevation_deg is None or sun.elevation_deg > (5.0 if learnt or m.lost_a else 10.0)
    night = sun.elevation_deg is not None and sun.elevation_deg < 0.0
    long = sun.elevation_deg is None and m.lost_s > 7200.0

    def words() -> Words:
        before = f"; it was {m.lost_a:.2f} A just before" if m.lost_a else f"; about {expected:.1f} A is to be expected"
        figures = {"solar_a": solar, "expected_a": expected}
        if sun.elevation_deg is not None:
            figures["sun_deg"] = sun.elevation_deg
        return (
            "The panel brings nothing",
            f"{_a(solar).capitalize()} comes from the solar side{before}.",
            "The panel is unplugged or covered, its switch or fuse is open, or the controller has dropped out.",
            "Look at plugs, switch, fuse and the controller's lamp. If it dropped out, unplug the panel for a moment.",
            figures,
        )

    return Case(
        solar < 0.01 and expected > 0.15 and not r.full and up and not long,
        solar > 0.03 or night or r.full or long,
        30.0 if learnt or m.lost_a else 120.0,
        10.0,
        "warning",
        words,
    )


def _shade_step(r: Row) -> Case | None:
    # Design notes: a fall of half or more within 20 s, then within 5 % for 2 minutes; see `_follow_shade`. A cloud goes
    # on changing. Over when four fifths are back, or after half an hour, when it is old news: judgement.
    m, solar = r.m, r.solar_a
    if solar is None:
        return None
    return Case(
        m.shade_a > 0.0,
        m.shade_a == 0.0,
        0.0,
        30.0,
        "caution",
        lambda: (
            "A shadow lies on the panel",
            f"The sun's {m.shade_a:.2f} A fell at once and has stayed at {solar:.2f} A since, too steady for a cloud.",
            "Something stands between sun and panel, a part of it is enough; or the panel was moved or turned.",
            "Move the panel out of the shadow, a branch, mast or edge counts; turn it to the sun.",
            {"before_a": m.shade_a, "solar_a": solar},
        ),
    )


def _night_feed(r: Row) -> Case | None:
    # Design notes: more than 15 mA backwards for 60 s with the sun 3 deg down. Without a place 10 minutes, judgement.
    solar, sun = r.solar_a, r.facts.sun.elevation_deg
    if solar is None:
        return None
    return Case(
        solar < -0.015 and (sun is None or sun < -3.0),
        solar > -0.010 or (sun is not None and sun > 0.0),
        60.0 if sun is not None else 600.0,
        60.0,
        "caution",
        lambda: (
            "Current flows back into the solar side",
            f"{-1000 * solar:.0f} mA flow out of the box through the solar channel, "
            f"{-24000 * solar:.0f} mAh a day at this rate.",
            "The controller's own draw, or a panel without a diode, which takes the battery's current in the dark.",
            "Unplug or switch off the controller for the night, or fit the diode or switch that is missing.",
            {"solar_a": solar, "mah_per_day": -24000.0 * solar},
        ),
    )


# -- loads -----------------------------------------------------------------------------------------------------------


def _standing_drain(r: Row) -> Case | None:
    # Design notes: everything off and more than 8 mA for 5 minutes. "Off": the load's tap below 10 mA, or below a fifth
    # of what was drawn on receive before and 0.1 A, so that a small receiver is not off. The board's own draw, as
    # declared, is not meant. Over at 5 mA: judgement.
    a, load, solar = r.a, r.load_a, r.solar_a
    if a is None or load is None or (solar is not None and solar > 0.01):
        return None if a is None or load is None else Case(False, True, 300.0, 60.0, "caution", _nothing)
    drain, level = -a - (0.0 if r.interval.own_in_load else r.interval.own_a), r.m.level_a
    off = abs(load) < 0.010 or (0.0 < load < 0.2 * level and load < 0.1)

    def words() -> Words:
        days = [x * r.battery.capacity_ah / (-24.0 * a) for x in (r.facts.low, r.facts.high)]
        low, high = (f"{x:.0f}" if x < 1000 else "1000" for x in days)
        until = f"{low} to {high} days" if low != high else f"{low} days"
        back = solar is not None and -solar > 0.5 * drain
        through = "it flows into the solar side" if back else "where to is not seen"
        if load > 0.5 * drain:
            through = "the load takes it"
        return (
            "Something draws current with everything off",
            f"{-1000 * a:.0f} mA flow out of the battery, and {through}: {-24000 * a:.0f} mAh a day, empty in {until}.",
            "What the controller draws by itself, something left on, or wired before the load's shunt; or the battery "
            "channel's zero has moved.",
            "Switch it off or take the battery's plug out before storing the box.",
            {"battery_a": a, "mah_per_day": -24000.0 * a, "days_low": days[0], "days_high": days[1]},
        )

    return Case(
        drain > 0.008 and off, drain < 0.005 or load > max(0.015, 0.3 * level), 300.0, 60.0, "caution", words
    )  # fmt: skip


def _constant_load(r: Row) -> Case | None:
    # Design notes: the receive level 0.3 A above what it was for 2 minutes; or above what was told. What it was is
    # learnt over 5 minutes with overs (see `_follow_level`), so that a radio that is switched on is none.
    receive, m, most = r.facts.receive_a, r.m, r.limits.idle_a
    if receive is None:
        return None
    usual = m.base_a if m.base_s >= 300.0 else None
    hangs = "load" in _hanging(r)
    told = most is not None and receive > most
    more = usual is not None and receive > usual + 0.3
    below = (most is None or receive < 0.95 * most) and (usual is None or receive < usual + 0.2)

    def words() -> Words:
        figures = {"receive_a": receive}
        against = ""
        if more and usual is not None:
            figures["usual_a"], against = usual, f", {receive - usual:.2f} A more than before"
        elif most is not None:
            figures["idle_a"], against = most, f"; {most:g} A was told as the most"
        return (
            "Something draws all the time",
            f"{receive:.2f} A on receive{against}.",
            "A laptop, lamp, charger or second radio on the box.",
            "Switch off what is not needed. If it belongs there, it is taken for usual after half an hour.",
            figures,
        )

    return Case(None if hangs else told or more, below, 120.0, 60.0, "caution", words)


def _at_risk(r: Row, limits: tuple[float | None, ...]) -> tuple[float, int]:
    """The largest share of a limit that the 10 s rms is, and of which tap."""
    shares = [(math.sqrt(q) / x, k) for k, (q, x) in enumerate(zip(r.m.square, limits, strict=True)) if x]
    return max(shares, default=(0.0, 0))


def _fuse_near(r: Row) -> Case | None:
    # Design notes: 10 s rms above 0.8 of the rating (continuous load at most 80 %: common practice, no source). UL
    # 248-14 (as one maker prints it): carries 100 %, opens at 135 % within an hour, at 200 % within 2 minutes. Pulses:
    # see `row.PULSE`. Hysteresis and the minute: judgement.
    fuses = r.limits.fuse_a
    if fuses == (None, None, None):
        return None
    share, k = _at_risk(r, fuses)
    ago = [(r.m.now_s - t, j) for j, t in enumerate(r.m.pulse_s) if fuses[j]]
    pulse = min(ago, default=(1e9, 0))
    pulsed = pulse[0] < 10.0 and share <= 0.8
    over = share > (0.95 if r.shown.get("fuse-near") == "act" else 1.0)

    def words() -> Words:
        at = pulse[1] if pulsed else k
        rating = fuses[at] or 0.0
        rms = math.sqrt(r.m.square[at])
        title = f"The {TAPS[at]} fuse carries {'more than its rating' if over else 'nearly all it can'}"
        seen = f"{rms:.1f} A over the last 10 s through a fuse of {rating:g} A."
        if pulsed:
            title = f"A pulse through the {TAPS[at]} fuse"
            seen = f"More than {PULSE * rating:g} A for a moment through a fuse of {rating:g} A."
        return (
            title,
            seen,
            "More power, or longer overs, than the fuse was chosen for. What pulse melts it, nobody has told.",
            "Lower the power. A larger fuse only where the wire behind it may carry that.",
            {"rms_a": rms, "fuse_a": rating},
        )

    return Case(share > 0.8 or pulsed, share < 0.7, 0.0, 60.0, "act" if over else "warning", words)


def _wire_over(r: Row) -> Case | None:
    # As told by the operator; the 10 s rms, for heat follows the square. Hysteresis and the minute: judgement.
    wires = r.limits.wire_a
    if wires == (None, None, None):
        return None
    share, k = _at_risk(r, wires)
    limit, rms = wires[k] or 0.0, math.sqrt(r.m.square[k])
    return Case(
        share > 1.0,
        share < 0.9,
        0.0,
        60.0,
        "act",
        lambda: (
            f"The {TAPS[k]} wire carries more than it may",
            f"{rms:.1f} A over the last 10 s; {limit:g} A was told as its limit.",
            "More power, or longer overs, than the wire was chosen for.",
            "Lower the power now; feel for warm leads. Then a thicker wire.",
            {"rms_a": rms, "wire_a": limit},
        ),
    )


# -- resistance and the radio's volts --------------------------------------------------------------------------------


def _radio_volts(r: Row) -> Case | None:
    # Design notes: 0.3 V above the drop-out, and 0.2 V more until it is over.
    f = r.facts
    if f.radio_v is None or f.radio_min_v <= 0.0:
        return None
    low, mid, high = f.radio_v
    before = r.shown.get("radio-volts-low")
    below = mid < f.radio_min_v + (0.1 if before == "act" else 0.0)
    return Case(
        mid < f.radio_min_v + (0.3 if before is None else 0.5),
        mid > f.radio_min_v + 0.5,
        30.0,  # an over and its pause, so that one reading decides nothing
        60.0,
        "act" if below else "warning",
        lambda: (
            "The radio gets too few volts when keyed" if below else "The radio's volts are getting low when keyed",
            f"{low:.1f} V to {high:.1f} V at its plug, reckoned over the lead; it needs {f.radio_min_v:.1f} V.",
            "A cold or low battery, a high power, a long or thin lead, or a bad contact.",
            "Lower the power; feel for warm connectors and reseat them with the radio off.",
            {"radio_v_low": low, "radio_v": mid, "radio_v_high": high},
        ),
    )


def _way_resistance(r: Row) -> Case | None:
    # The jump itself (25 mohm and 5 standard deviations over 5 edges: design notes) is found in paths.py. Over when
    # half of it has gone: judgement.
    paths, f = r.facts.paths, r.facts
    sides = ((paths.battery, "between the cells and the battery's tap"), (paths.between, "within the box"))
    known = [(way, where) for way, where in sides if way is not None]
    if not known or r.m.opened:  # steps of volts without a battery are no resistance
        return None
    grew = [(way.ohm - way.before_ohm, way, where) for way, where in known if way.before_ohm is not None]

    def words() -> Words:
        more, way, where = max(grew, key=lambda x: x[0])
        step_a = 0.0 if f.keyed_a is None or f.receive_a is None else max(0.0, f.keyed_a - f.receive_a)
        costs = f" At {step_a:.0f} A that costs {more * step_a:.2f} V." if step_a >= 1.0 else ""
        behind = "pack, its plug, fuse or lead" if where.startswith("between") else "a plug, fuse or lead of the box"
        return (
            "A contact got worse " + where,
            f"{1000 * (way.before_ohm or 0.0):.0f} mΩ before, {1000 * way.ohm:.0f} mΩ now, by the steps of your key."
            + costs,
            f"A loose or burnt contact: {behind}. Nothing shows what is beyond the load's tap: the radio's lead.",
            "Radio off, then feel for warmth, reseat or replace.",
            {"ohm": way.ohm, "before_ohm": way.before_ohm or 0.0, "sd_ohm": way.sd_ohm, "edges": float(way.edges)},
        )

    worse = any(more > 0.012 for more, _, _ in grew)
    return Case(worse, all(_back(way) for way, _ in known), 0.0, 30.0, "warning", words)


def _back(way: Way) -> bool:
    return way.before_ohm is None or way.ohm - way.before_ohm < 0.012


# -- the readings ----------------------------------------------------------------------------------------------------

_LIES = {
    "gain": "reads {size:.2f} of what it should",
    "offset": "is {size:+.3f} A off",
    "sign": "counts the wrong way round",
    "missing": "does not see what flows: it goes around its shunt",
    "swapped": "shows more charging whenever the volts fall, as the load would: the two are exchanged",
    "unknown": "does not fit the others",
}
_LIES_DO = {
    "gain": "Check the shunt's contacts and value; `ampledger board calibrate` if the wiring is right.",
    "offset": "Switch everything off and run `ampledger board calibrate --zero`.",
    "sign": "Swap the two sense leads of that shunt, with everything off; `ampledger board check` proves it.",
    "missing": "Look for a second way past the shunt: a wire on the wrong side, a ground by a laptop or coax shield.",
    "swapped": "Exchange the two channels' sense leads, fuse out; `ampledger board check --guided` proves it.",
    "unknown": "Run `ampledger board check`, which takes the taps one by one.",
}


def _taps_disagree(r: Row) -> Case:
    # Found and debounced in crosscheck.py; here only as long as it takes not to come and go with it (judgement).
    x = r.facts.cross

    def words() -> Words:
        size = x.size if math.isfinite(x.size) else 0.0
        off = "" if x.residual_a is None or x.lie == "swapped" else f"{abs(x.residual_a):.2f} A are not accounted for. "
        who = f"The {x.channel} channel" if x.channel else "One of the channels, not known which,"
        figures = {"size": size} if x.residual_a is None else {"residual_a": x.residual_a, "size": size}
        return (
            f"The {x.channel} channel does not fit the other two" if x.channel else "The three channels do not fit",
            f"{off}{who} {_LIES[x.lie or 'unknown'].format(size=size)}.",
            "A sense lead, a shunt or a wire past it; or a calibration that is no longer right.",
            _LIES_DO[x.lie or "unknown"] + " Until then figures with it are doubtful.",
            figures,
        )

    grave = x.lie in ("sign", "missing", "swapped")
    holds = bool(x.lie) if x.lie or x.closed is not None else None
    return Case(holds, not x.lie and x.closed is True, 5.0, 30.0, "warning" if grave else "caution", words)


def _beyond_range(r: Row) -> Case:
    # A sample at the end of the chip's range is beyond doubt; for a minute, so that it is one notice for an over.
    which = [name for name, tap in zip(TAPS, r.taps, strict=True) if tap is not None and tap.beyond]

    def words() -> Words:
        named = f"{' and '.join(which)} channel{'s' * (len(which) > 1)}"
        ends: dict[str, float] = {}
        volts: dict[str, float] = {}
        for name, tap in zip(TAPS, r.taps, strict=True):
            pair = None if tap is None or name not in which else ends_of(tap.a_min, tap.a_max, tap.a)
            if pair is not None:
                ends[f"{name}_a"] = pair[1] if abs(pair[1]) >= abs(pair[0]) else pair[0]
            elif tap is not None and name in which and tap.v is not None and math.isfinite(tap.v):
                volts[f"{name}_v"] = tap.v
        amps = " and ".join(f"{x:.1f} A" for x in ends.values())
        return (
            f"Current beyond the range of the shunt: {named}",
            "The chip read the end of its range" + (f", {amps}." if amps else "."),
            "A current larger than the shunt was chosen for, or a wire that bypasses or shorts it.",
            "Take these amps, and the charge counted since, for a lower bound; choose a smaller shunt.",
            ends or volts or {"channels": float(len(which))},
        )

    return Case(bool(which), not which, 0.0, 60.0, "warning", words)


def _hanging(r: Row) -> list[str]:
    return [n for n, s in zip(TAPS, r.m.same, strict=True) if s[0] >= 5.0 - 1e-6 and s[1] >= 2.0]


def _stuck(r: Row) -> Case:
    # Design notes: 50 identical samples, 5 s. That alone is nothing at night; the others have to move meanwhile, in two
    # rows at least, and the volts are the same bus (see `_follow_same`).
    which = _hanging(r)

    def words() -> Words:
        seconds = max(s[0] for n, s in zip(TAPS, r.m.same, strict=True) if n in which)
        return (
            f"The {' and '.join(which)} channel hangs",
            f"The very same volts and amps for {seconds:.0f} s, while the others move.",
            "The chip or its bus hangs and gives the last value again and again.",
            "Switch the board off and on. If it comes back: bus wires, ferrites, the chip.",
            {"same_s": seconds},
        )

    return Case(bool(which), not which, 0.0, 10.0, "warning", words)


def _noise(r: Row) -> tuple[str, float, str] | None:
    """Which channel is noisy, by how much, and of what; None: can't be told. ("", 0.0, "") none."""
    if r.dt_s > LONG_ROW_S:
        return None
    known = [s for s in r.spreads if s is not None]
    if len(known) < 3:
        return None
    amps = [s[1] for s in known]
    k = max(range(3), key=lambda i: amps[i])
    others = max(a for i, a in enumerate(amps) if i != k)
    # What really flows through one tap flows through another too. 0.3 A, and five times the others: judgement.
    if amps[k] > 0.3 and amps[k] > 5.0 * others:
        return TAPS[k], amps[k], "A"
    if max(amps) > 0.1:
        return None  # keyed, or a sun that changes: volts follow it
    volts = [0.0 if i == 0 and r.at_panel else s[0] for i, s in enumerate(known)]
    k = max(range(3), key=lambda i: volts[i])
    if volts[k] > 0.1 * r.battery.series:  # 0.4 V of four cells with nothing that changes: judgement
        return TAPS[k], volts[k], "V"
    return "", 0.0, ""


def _noisy(r: Row) -> Case | None:
    found = _noise(r)
    if found is None:
        return None
    which, by, unit = found
    # 20 s of such rows, a minute without: judgement. A channel that sees too little makes the others look noisy.
    return Case(
        None if r.facts.cross.lie in ("gain", "sign", "missing", "swapped") else which != "",
        which == "",
        20.0,
        60.0,
        "caution",
        lambda: (
            f"The {which} channel is noisy",
            f"Its samples lie {by:.2f} {unit} apart within a second, those of the others do not.",
            "A loose sense lead, or interference on it.",
            "Reseat and twist the sense leads of that shunt, with everything off.",
            {"spread_a" if unit == "A" else "spread_v": by},
        ),
    )


def _offset_drift(r: Row) -> Case | None:
    # Design notes: only when everything is truly off, more than 10 mA. Off: less than 0.1 A anywhere, so that 2 % of
    # gain is 2 mA. More may leave the battery than the taps see arrive: that is a drain. The other way round can't be.
    if r.solar_a is None or r.a is None or r.load_a is None or r.at_panel or r.facts.keyed:
        return None
    if max(abs(r.solar_a), abs(r.a), abs(r.load_a)) > 0.1:
        return None
    over = r.solar_a - r.a - r.load_a - (0.0 if r.interval.own_in_load else r.interval.own_a)
    load, channel = r.load_a, r.facts.cross.channel if r.facts.cross.lie == "offset" else ""
    backwards = load < -0.010  # nothing behind the load's tap can give
    off = backwards or over < -0.010

    def words() -> Words:
        named = "load" if backwards else channel
        seen = f"{1000 * load:+.0f} mA at the load's tap, which can't give any." if backwards else (
            f"With everything off, {-1000 * over:.0f} mA more arrive than leave, by the three channels."
        )  # fmt: skip
        return (
            f"The zero of the {named} channel has moved" if named else "The zero of a channel has moved",
            seen,
            "The chip's or amplifier's offset: warmth, or a calibration that is no longer right.",
            "With everything still off, run `ampledger board calibrate --zero`.",
            {"left_over_a": over, "load_a": load},
        )

    inside = over > -0.007 and load > -0.007
    return Case(off, inside, 60.0, 60.0, "caution", words)


def _no_reading(name: str) -> Callable[[Row], Case | None]:
    def judge(r: Row) -> Case | None:
        if name not in r.seen:
            return None
        gone = silent(getattr(r.interval, name))
        return Case(
            gone,  # while others answer: all silent at once is a gap and does not get here
            not gone,
            3.0,
            3.0,
            "warning",
            lambda: (
                f"No readings from the {name} channel",
                f"The {name} chip does not answer; the other channels do.",
                "A loose wire on the bus, a chip without power, or a blown sense-lead fuse.",
                "Check the wiring with everything switched off. Figures that need this channel are left out.",
                {},
            ),
        )

    return judge


def _no_temperature(r: Row) -> Case | None:
    if "temperature" not in r.seen:
        return None
    return Case(
        r.temp is None,
        r.temp is not None,
        30.0,
        3.0,
        "warning",
        lambda: (
            "No temperature of the battery",
            "The sensor does not answer.",
            "A loose or broken sensor lead.",
            "Check the sensor. Until then nothing here can warn of charging a cold battery or of a hot one.",
            {},
        ),
    )


def _interference(r: Row) -> Case:
    # Design notes: three times within 60 s, tied to keying: at most once without the key in that time (judgement).
    m = r.m
    tied = m.now_s - m.trouble_s[0] <= 60.0 and m.now_s - m.calm_trouble_s[0] > 60.0
    count = float(sum(m.now_s - t <= 60.0 for t in m.trouble_s))
    return Case(
        tied,
        m.now_s - m.trouble_s[2] > 60.0,
        0.0,
        60.0,
        "caution",
        lambda: (
            "Sending disturbs the readings",
            f"The chips failed to answer {count:.0f} times or more within a minute, and when you send.",
            "Radio-frequency current on the sense leads or the cables of the box.",
            "Ferrites on the leads, shorter or twisted ones, the box farther from antenna and feed line.",
            {"times": count},
        ),
    )


def _utc_day(r: Row) -> Case | None:
    # Design notes: 30 and 10 minutes before and at the change; two minutes each, judgement. Only with a date.
    if r.end_s < _DATED_S:
        return None
    into_s = r.end_s % 86400.0
    left_s = 86400.0 - into_s
    soon = 1680.0 < left_s <= 1800.0 or 480.0 < left_s <= 600.0
    begun = into_s < 120.0

    def words() -> Words:
        minutes = math.ceil(left_s / 60.0)
        return (
            "A new UTC day has begun" if begun else f"A new UTC day begins in {minutes} minutes",
            "It is past 00:00 UTC." if begun else f"{minutes} minutes until 00:00 UTC.",
            "What is counted by the day, such as contacts, is counted anew.",
            "Nothing needs to be done; plan the contacts you want on either day.",
            {"minutes": 0.0 if begun else left_s / 60.0},
        )

    return Case(soon or begun, not (soon or begun), 0.0, 0.0, "info", words)


_DATED_S = 365.0 * 86400.0  # below it: seconds of a log that knows no date


def _clock_unsure(r: Row) -> Case | None:
    # More than 30 s off: half of the minute that contacts and the UTC day are told in (judgement; a laptop that follows
    # nothing is taken for 10 s). Or sun where there is none: design notes, more than half an hour off, which 6 deg
    # below the horizon are at most latitudes. A minute each.
    off_s, sun, solar = r.interval.unsure_s, r.facts.sun.elevation_deg, r.solar_a
    if r.end_s < _DATED_S:
        return None
    lit = sun is not None and sun < -6.0 and solar is not None and solar > 0.1

    def words() -> Words:
        if lit and solar is not None and sun is not None:
            seen = f"{solar:.2f} A comes from the solar side, with the sun {-sun:.0f}° below the horizon by this clock."
            likely = "The clock or the place is wrong; or something else than the sun feeds the solar side."
            return "The clock and the sun do not agree", seen, likely, _SET, {"solar_a": solar, "sun_deg": sun}
        known = off_s < 1e6
        by = _span(off_s) if off_s >= 60.0 else f"{off_s:.0f} s"
        return (
            "The time is uncertain",
            f"The times may be {by} off." if known else "Nothing says what time it is.",
            "This computer follows no time service, or has told the board the time long ago.",
            _SET,
            {"unsure_s": off_s},
        )

    return Case(off_s > 30.0 or lit, off_s < 20.0 and not lit, 60.0, 60.0, "caution", words)


_SET = "Set date, time and place. The charge does not depend on it; forecast and the UTC day do."


# -- the table -------------------------------------------------------------------------------------------------------


class Kind(NamedTuple):
    """How a condition is judged, where to read on, and which open notices are its cause, the first of them first."""

    judge: Callable[[Row], Case | None] | None
    read: str
    causes: tuple[str, ...] = ()


_PAGE, _NOTICES, _STAY = "What the page tells you", "Notices and limits", "Staying until the end"
_BATTERY, _FUSES, _HEAT, _RF = "Battery", "Fuses and wiring", "Heat", "Radio frequency and grounds"
_NO_SUN = ("panel-not-delivering", "shade-step")
_BLIND = ("beyond-range", "no-reading-solar", "no-reading-battery", "no-reading-load", "channel-stuck")

TABLE: dict[str, Kind] = {
    "draw-above-input": Kind(_draw_above_input, _PAGE, (*_NO_SUN, "constant-load")),
    "cold-charging": Kind(_cold_charging, _BATTERY),
    "charge-hot": Kind(_charge_hot, _BATTERY, ("battery-hot",)),
    "battery-hot": Kind(_battery_hot, _HEAT),
    "charge-fast": Kind(_charge_fast, _NOTICES),
    "protection-opened": Kind(_protection, _BATTERY),
    "series-doubtful": Kind(_series_doubtful, _NOTICES, ("protection-opened",)),
    "volts-high": Kind(_volts_high, _BATTERY, ("protection-opened",)),
    "volts-low": Kind(_volts_low, _NOTICES, ("protection-opened", "way-resistance")),
    "volts-sag": Kind(_volts_sag, _FUSES, ("way-resistance", "volts-low")),
    "idle-sag": Kind(_idle_sag, "The battery's health"),
    "reserve-reached": Kind(_reserve_reached, _STAY),
    "reserve-near": Kind(_reserve_near, _STAY, ("draw-above-input",)),
    "radio-volts-low": Kind(_radio_volts, _PAGE, ("way-resistance", "volts-low", "volts-sag")),
    "way-resistance": Kind(_way_resistance, _FUSES),
    "fuse-near": Kind(_fuse_near, _FUSES),
    "wire-over": Kind(_wire_over, _FUSES),
    "panel-not-delivering": Kind(_panel_missing, _NOTICES),
    "shade-step": Kind(_shade_step, _NOTICES),
    "battery-full": Kind(_battery_full, _BATTERY),
    "sun-unused": Kind(_sun_unused, _PAGE, ("battery-full",)),
    "night-back-feed": Kind(_night_feed, _NOTICES),
    "standing-drain": Kind(_standing_drain, _NOTICES, ("night-back-feed",)),
    "constant-load": Kind(_constant_load, _NOTICES),
    "taps-disagree": Kind(_taps_disagree, _NOTICES, (*_BLIND, "interference", "channel-noisy", "offset-drift")),
    "beyond-range": Kind(_beyond_range, _NOTICES),
    "channel-stuck": Kind(_stuck, _RF, ("interference",)),
    "channel-noisy": Kind(_noisy, _RF, ("interference",)),
    "offset-drift": Kind(_offset_drift, _NOTICES),
    "no-reading-temperature": Kind(_no_temperature, _BATTERY, ("interference",)),
    **{f"no-reading-{name}": Kind(_no_reading(name), _RF, ("interference",)) for name in sorted(TAPS)},
    "interference": Kind(_interference, _RF),
    "utc-day": Kind(_utc_day, _STAY),
    "clock-unsure": Kind(_clock_unsure, "Where the records are, and what can happen to them"),
    # Fed by `closing`.
    "will-not-last": Kind(None, _STAY, (*_NO_SUN, "constant-load", "draw-above-input")),
}
#: Every code that can be raised here.
CODES: tuple[str, ...] = tuple(TABLE)
JUDGES = tuple((code, kind.judge) for code, kind in TABLE.items() if kind.judge is not None)
# Notices of other modules that have their cause here.
_CAUSES = {code: kind.causes for code, kind in TABLE.items() if kind.causes} | {
    "bus-freed": ("interference",),
    "counter-began-anew": ("interference",),
}


def cause_of(code: str, severity: str, shown: Mapping[str, str]) -> str:
    """The open notice that is the cause of another, "" none. What is to be done now goes under its equal only."""
    for cause in _CAUSES.get(code, ()):
        if cause in shown and (severity != "act" or shown[cause] == "act"):
            return cause
    return ""
