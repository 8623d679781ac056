"""
What the operator is told of the hours to come: the forecast's verdict, steady in time, with what made it change.

In: the decision before and a new forecast. Out: a decision: one of four verdicts, a sentence each for the verdict, its
reason and the hour, and what has changed since the verdict was another. Pure; times in sentences are UTC.

A forecast's verdict may tip to and fro at a line. The one that is shown moves when the probability is past the line by
0.03, or when two forecasts in a row say the same, or when the operator has changed the plan; to "close down" at once,
for a missed closing costs more than an early one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import NamedTuple

from ampledger.core.forecast import LISTEN, End, Forecast, Verdict, lines

PAST_LINE = 0.03
_RUNG: dict[Verdict, int] = {"stay on": 0, "tight": 1, "cut back": 2, "close down": 2}
_LITTLE_AH = 0.02  # a change worth less by the closing time explains nothing (judgement)
_DAY_S = 86400.0


class Figures(NamedTuple):
    """What a verdict rested on: times, UTC [s]; charge and capacity [Ah]; means until the closing time [A]."""

    now_s: float
    until_s: float
    charge_ah: float
    load_a: float
    sun_a: float


@dataclass(frozen=True, slots=True)
class Decision:
    """
    verdict : the one to be shown, since `since_s`, UTC. [s] says, reason, hour : a sentence each.
    changed : why it is another than before, "" while there was none before.
    waits : what the last forecast said where that is not shown yet.
    at, last : what the verdict rested on when it became this one, and at the last forecast.
    """

    verdict: Verdict
    since_s: float
    says: str
    reason: str
    hour: str
    changed: str
    waits: Verdict | None
    at: Figures
    last: Figures


def settle(before: Decision | None, now: Forecast, replanned: bool = False) -> Decision:
    """The next decision; `replanned`: the operator has changed more of the plan than the closing time."""
    last = Figures(now.now_s, now.until_s, now.soc * now.capacity_ah, now.load_a, now.sun_a)
    if before is None or before.last.now_s > now.now_s:  # times can begin anew
        return _worded(Decision(now.verdict, now.now_s, "", "", "", "", None, last, last), now)
    replanned |= before.last.until_s != now.until_s
    verdict = now.verdict if replanned else _next(before, now)
    waits = None if verdict == now.verdict else now.verdict
    if verdict == before.verdict:
        at = last if replanned else before.at  # what came of another plan explains nothing later
        return _worded(replace(before, waits=waits, at=at, last=last), now)
    changed = f"It was “{before.verdict}” until {_clock(now.now_s)}: {_why(before, last, verdict, replanned)}."
    return _worded(Decision(verdict, now.now_s, "", "", "", changed, waits, last, last), now)


def _next(before: Decision, now: Forecast) -> Verdict:
    """As far towards the forecast's verdict as is certain enough, rung by rung."""
    said, p = now.verdict, now.probability
    if said in (before.verdict, "close down") or said == before.waits:
        return said
    rung, goal = _RUNG[before.verdict], _RUNG[said]
    if rung == goal:  # "cut back" after "close down": of the change that makes it so
        best = max((c.probability for c in now.changes if c.change != LISTEN), default=0.0)
        return said if best >= lines(now.caution)[1] + PAST_LINE else before.verdict
    line = lines(now.caution)  # line[k] lies between rungs k and k + 1
    start = rung
    while rung < goal and p < line[rung] - PAST_LINE:
        rung += 1
    while rung > goal and p >= line[rung - 1] + PAST_LINE:
        rung -= 1
    if rung == start:
        return before.verdict
    return said if rung == goal else "tight"


# --- words ---


def _clock(time_s: float) -> str:
    minutes = math.floor(time_s / 60.0) % 1440
    return f"{minutes // 60:02d}:{minutes % 60:02d} UTC"


def _of_100(probability: float) -> str:
    """Never none and never all: that would be a promise."""
    return f"{min(99, max(1, math.floor(100.0 * probability + 0.5)))} of 100"


def _worded(d: Decision, now: Forecast) -> Decision:
    """The same decision in words that fit the newest forecast."""
    until, chance = _clock(now.until_s), _of_100(now.probability)
    goes_on = f"Going on as now, the station lasts until {until} in {chance} ways"
    best = max((c for c in now.changes if c.change != LISTEN), key=lambda c: c.probability, default=None)
    silent = next((c for c in now.changes if c.change == LISTEN), None)
    if d.verdict == "stay on":
        says = f"{goes_on}."
    elif d.verdict == "tight":
        says = f"{goes_on}; it can still go either way, so look again soon."
    elif d.verdict == "cut back":
        with_it = "" if best is None else f"; with “{best.change}”, in {_of_100(best.probability)}"
        says = f"{goes_on}{with_it}."
    elif silent is not None and silent.probability >= lines(now.caution)[1]:
        says = f"{goes_on}; only without sending, listening alone, does it last, in {_of_100(silent.probability)}."
    else:
        says = f"{goes_on}, and no change known here makes that likely."
    return replace(d, says=says, reason=_reason(now), hour=_hour(d.verdict, now))


_ENDS: dict[End, str] = {
    "reserve": "the reserve is what ends it",
    "radio volts": "the radio’s volts with the key down are what ends it",
    "battery empty": "an empty battery is what ends it",
    "protection": "the battery’s own protection is what ends it, with charge left",
}


def _reason(now: Forecast) -> str:
    left = f"{now.load_a:.2f} A drawn on average, {now.sun_a:.2f} A from the sun until then"
    if not math.isfinite(now.soc):
        return f"{left[0].upper()}{left[1:]}; {_ENDS[now.limited_by]}."
    return f"About {now.soc * now.capacity_ah:.1f} Ah in the battery, {left}; {_ENDS[now.limited_by]}."


def _hour(verdict: Verdict, now: Forecast) -> str:
    early_s, middle_s, _ = now.lasts_until
    by = "now" if early_s - now.now_s < 60.0 else f"by {_clock(early_s)} at the latest"
    if verdict == "close down":
        return f"Close down {by}."
    if verdict == "cut back" and now.plan_b is not None and now.plan_b_s is not None:
        when = "now" if now.plan_b_s - now.now_s < 60.0 else f"by {_clock(now.plan_b_s)}"
        what = "Sending no more" if now.plan_b == LISTEN else f"“{now.plan_b[:1].upper()}{now.plan_b[1:]}”"
        return f"{what} {when} still reaches it nine times in ten."
    if early_s >= now.horizon_s:
        return f"Nothing ends it before {_clock(now.horizon_s)}, as far as this looks ahead."
    if verdict == "cut back":
        return f"Going on as now, be ready to close {by}."
    half = "" if middle_s >= now.horizon_s else f", and one time in two by {_clock(middle_s)}"
    return f"One time in ten it ends by {_clock(early_s)}{half}."


def _why(before: Decision, last: Figures, verdict: Verdict, replanned: bool) -> str:
    """What changed most since the verdict before, of what pushes towards the new one."""
    if last.until_s != before.last.until_s:
        way = "later" if last.until_s > before.last.until_s else "earlier"
        return f"the closing time is {way}, {_clock(last.until_s)}"
    if replanned:
        return "the plan is another"
    at = before.at
    hours, gone_h = (max(0.0, a - b) / 3600.0 for a, b in ((last.until_s, last.now_s), (last.now_s, at.now_s)))
    expected_ah = at.charge_ah + (at.sun_a - at.load_a) * gone_h
    worse = _RUNG[verdict] > _RUNG[before.verdict] or verdict == "close down"
    # What each is worth by the closing time; positive: more is left. [Ah]
    worth_ah = {
        "charge": last.charge_ah - expected_ah,
        "load": (at.load_a - last.load_a) * hours,
        "sun": (last.sun_a - at.sun_a) * hours,
    }
    towards = {k: (-v if worse else v) for k, v in worth_ah.items() if math.isfinite(v)}
    name = max(towards, key=lambda k: towards[k], default="")
    if not name or towards[name] < _LITTLE_AH:
        return "little has changed, it was close before"
    if name == "charge":
        return f"{abs(worth_ah[name]):.2f} Ah {'less' if worse else 'more'} is left than was expected"
    if name == "load":
        way = "more" if last.load_a > at.load_a else "less"
        return f"{way} is drawn, {last.load_a:.2f} A on average instead of {at.load_a:.2f} A"
    way = "less" if last.sun_a < at.sun_a else "more"
    return f"{way} sun is expected, {last.sun_a:.2f} A on average instead of {at.sun_a:.2f} A"
