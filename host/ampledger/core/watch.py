"""
Watches the station and speaks up, with reasons.

In: intervals, the balance over the transmit cycle, the charge estimate, what the three points and the key's steps
say. Out: notices that are raised, change and clear, each with the figures that caused it, what it likely is, what to
do, where to read on and which other is its cause. It measures its delays in seconds of data, not by any clock, and
never says that something is safe.

What is said when is in conditions.py, what is remembered in row.py; here is the life of a notice, which is the same
for all. `closing` is the one condition that is fed with forecasts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from typing import Any, NamedTuple

from ampledger.core.conditions import CODES as CODES
from ampledger.core.conditions import JUDGES, TABLE, Case, cause_of
from ampledger.core.model import Battery, Interval, Limits
from ampledger.core.row import TAPS, Memory, Row, after_gap, number, remember, silent
from ampledger.core.row import Facts as Facts
from ampledger.core.row import Sun as Sun

SEVERITIES = ("info", "caution", "warning", "act")
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
class _Held:
    notice: Notice | None = None  # as it is on show
    on_s: float = 0.0  # how long the condition has held
    off_s: float = 0.0  # how long it has been over
    other_s: float = 0.0  # how long it has asked for another severity than the one on show
    open: bool = False
    since_s: float = 0.0  # UTC


@dataclass(frozen=True, slots=True)
class Watch:
    """State: what is open or about to be, which taps have ever been seen, and what else is remembered."""

    held: tuple[tuple[str, _Held], ...] = ()
    seen: frozenset[str] = frozenset()
    memory: Memory = field(default_factory=Memory)

    def open(self) -> tuple[Notice, ...]:
        """Notices on show, the worst first; of equals those that are under no other, then the older ones."""
        shown = [h.notice for _, h in self.held if h.open and h.notice is not None]
        return tuple(sorted(shown, key=lambda n: (-SEVERITIES.index(n.severity), n.under != "", n.since_s)))

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "held": [[code, asdict(held)] for code, held in self.held],
            "seen": sorted(self.seen),
            "memory": asdict(self.memory),
        }

    @classmethod
    def from_dict(cls, saved: dict[str, Any]) -> Watch:
        """
        The state that `to_dict` gave; what an earlier version lacked begins anew, what this one lacks is left out.

        Raises TypeError, ValueError or KeyError when it is of another kind.
        """
        held = []
        for code, values in saved["held"]:
            notice = values["notice"]
            if str(code) not in TABLE:
                continue
            values = {"since_s": notice["since_s"] if notice is not None else 0.0, **values}
            held.append((str(code), _Held(**{**values, "notice": None if notice is None else Notice(**notice)})))
        kept = saved.get("memory", {})
        there = {f.name: _tuples(kept[f.name]) for f in fields(Memory) if f.name in kept}
        return cls(tuple(held), frozenset(saved["seen"]), Memory(**there))


def _tuples(value: Any) -> Any:
    """Lists, as JSON gives them, to tuples."""
    return tuple(_tuples(x) for x in value) if isinstance(value, list | tuple) else value


def fold(notices: Iterable[Notice]) -> tuple[Notice, ...]:
    """The notices, each with its cause among them in `under`; the worst first, of equals those under no other."""
    shown = list(notices)
    open_ = {n.code: n.severity for n in shown}
    under = [replace(n, under=cause_of(n.code, n.severity, open_)) for n in shown]
    return tuple(sorted(under, key=lambda n: (-SEVERITIES.index(n.severity), n.under != "")))


# -- one interval on -------------------------------------------------------------------------------------------------


def step(
    watch: Watch, interval: Interval, facts: Facts, battery: Battery, limits: Limits = _USUAL
) -> tuple[Watch, tuple[Event, ...]]:
    """
    One interval on.

    An interval in which nothing was seen (a gap) neither raises nor clears
    anything. Returns the new state and what changed on show.
    """
    present = {name for name in TAPS if not silent(getattr(interval, name))}
    if not present:
        # A row or two without readings are forgiven; after more, what was under way is not known.
        return (watch if interval.dt_s <= 5.0 else replace(watch, memory=after_gap(watch.memory))), ()
    if number(interval.battery_c) is not None:
        present.add("temperature")
    seen = watch.seen if present <= watch.seen else watch.seen | present
    held = dict(watch.held)
    shown = {code: h.notice.severity for code, h in watch.held if h.open and h.notice is not None}
    row = Row(interval, facts, battery, limits, seen, shown)
    row.m = memory = remember(watch.memory, row)
    events: list[Event] = []
    for code, judge in JUDGES:
        case = judge(row)
        if case is None or case.holds is None:
            continue
        old = held.get(code)
        if old is None and not case.holds:
            continue
        new, event = _on(code, old or _Held(since_s=interval.start_s), case, interval)
        if new is None:
            del held[code]
        else:
            held[code] = new
        if event is not None:
            events.append(event)
    _fold_held(held)
    events = [_folded(e, held) for e in events]
    return Watch(tuple(held.items()), seen, memory), tuple(events)


def _on(code: str, old: _Held, case: Case, interval: Interval) -> tuple[_Held | None, Event | None]:
    """A condition that holds, or is on show, one interval on; None: it is over, or did not last."""
    dt_s, now_s = interval.dt_s, interval.end_s
    if not case.holds:
        if not old.open:
            return None, None
        if not case.over:
            return (old if old.off_s == 0.0 else replace(old, off_s=0.0)), None
        off_s = old.off_s + dt_s
        if off_s < case.off_s - 1e-6:
            return replace(old, off_s=off_s), None
        return None, None if old.notice is None else Event(now_s, "cleared", old.notice)
    # A clock that was set back must not leave a notice that begins in the future.
    since_s, on_s = min(old.since_s, interval.start_s), old.on_s + dt_s
    if not old.open and on_s < case.on_s - 1e-6:
        return _Held(None, on_s, since_s=since_s), None
    title, seen, likely, do, figures = case.words()
    notice = Notice(code, case.severity, title, seen, likely, do, since_s, figures, TABLE[code].read)
    if not old.open:
        return _Held(notice, on_s, open=True, since_s=since_s), Event(now_s, "raised", notice)
    if old.notice is None or old.notice.severity == case.severity:
        return _Held(notice, on_s, open=True, since_s=since_s), None
    other_s = old.other_s + dt_s
    # Milder only after a minute, or as long as it would take to be over: a pause between overs is no relief. Judgement.
    worse = SEVERITIES.index(case.severity) > SEVERITIES.index(old.notice.severity)
    if other_s >= (case.on_s if worse else max(case.on_s, min(case.off_s, 60.0))) - 1e-6:
        return _Held(notice, on_s, open=True, since_s=since_s), Event(now_s, "changed", notice)
    waiting = replace(notice, severity=old.notice.severity, title=old.notice.title)
    return _Held(waiting, on_s, 0.0, other_s, True, since_s), None


def _fold_held(held: dict[str, _Held]) -> None:
    """Put each open notice under its cause."""
    shown = {code: h.notice.severity for code, h in held.items() if h.open and h.notice is not None}
    for code in shown:
        notice = held[code].notice
        if notice is not None:
            cause = cause_of(code, notice.severity, shown)
            if cause != notice.under:
                held[code] = replace(held[code], notice=replace(notice, under=cause))


def _folded(event: Event, held: Mapping[str, _Held]) -> Event:
    """The event with its notice as it is on show now."""
    now = held.get(event.notice.code)
    if event.kind == "cleared" or now is None or now.notice is None or now.notice.under == event.notice.under:
        return event
    return replace(event, notice=replace(event.notice, under=now.notice.under))


# -- will it last until the closing time -----------------------------------------------------------------------------


class Closing(NamedTuple):
    """
    State of `closing`, plain values only; `Closing()` at the beginning.

    severity : what is on show, "" nothing. since_s : since when, UTC. [s] wants, wants_s, asked : what forecasts in a
    row have asked for instead, since when, how many. until_s : closing time that they were for. [s] probability : the
    last that was known.
    """

    severity: str = ""
    since_s: float = 0.0
    wants: str = ""
    wants_s: float = 0.0
    asked: int = 0
    until_s: float = 0.0
    probability: float = 1.0


_RANKS = ("", "caution", "warning")
# Design notes: warning below 0.5 for 60 s, until above 0.6 for 120 s; caution below 0.8, until above 0.88. Two
# forecasts at least, since the chance of one wavers; they come about once a minute, so 60 s are meant give or take 5.
_COMES, _GOES = {"warning": 0.5, "caution": 0.8}, {"warning": 0.6, "caution": 0.88}
_UP_S, _DOWN_S = 55.0, 115.0


def closing(
    state: Closing,
    probability: float | None,
    until_s: float,
    now_s: float,
    change: str = "",
    change_probability: float | None = None,
) -> tuple[Closing, Notice | None]:
    """
    One forecast on: will the station last until the closing time?

    probability : of it, 0 to 1; None, or not a number: not known, and nothing moves. until_s, now_s : closing time and
    the forecast's, UTC. [s] change, change_probability : the change that helps most and the chance with it; "" none.
    A closing time that was changed is followed at once. Returns the new state and the notice while it is on show.
    """
    p = None if probability is None else number(probability)
    if p is None:
        return state, _will_not_last(state, now_s, change, change_probability)
    anew = abs(until_s - state.until_s) > 1.0
    state = state._replace(until_s=until_s, probability=p, since_s=min(state.since_s, now_s))
    wants = _wanted("" if anew else state.severity, p)
    shown, wanted = _RANKS.index(state.severity), _RANKS.index(wants)
    if anew and state.asked + shown:  # the plan was changed, not begun
        state = state._replace(wants="", asked=0)
        if wants != state.severity:
            state = state._replace(severity=wants, since_s=state.since_s if shown and wanted else now_s)
        return state, _will_not_last(state, now_s, change, change_probability)
    if wanted == shown:
        return state._replace(wants="", asked=0), _will_not_last(state, now_s, change, change_probability)
    before = _RANKS.index(state.wants)
    same_way = state.asked > 0 and (before > shown) == (wanted > shown) and now_s >= state.wants_s
    if same_way:  # of a row the least that all of it asks for
        level = min(before, wanted) if wanted > shown else max(before, wanted)
        state = state._replace(wants=_RANKS[level], asked=state.asked + 1)
    else:
        state = state._replace(wants=wants, wants_s=now_s, asked=1)
    if state.asked >= 2 and now_s - state.wants_s >= (_UP_S if wanted > shown else _DOWN_S):
        since_s = state.since_s if shown and state.wants else state.wants_s
        state = state._replace(severity=state.wants, since_s=since_s, wants="", asked=0)
    return state, _will_not_last(state, now_s, change, change_probability)


def _wanted(shown: str, p: float) -> str:
    """What a chance asks for, given what is on show."""
    for severity in ("warning", "caution"):
        stays = _RANKS.index(shown) >= _RANKS.index(severity)
        if p < _COMES[severity] or (stays and p <= _GOES[severity]):
            return severity
    return ""


def _will_not_last(state: Closing, now_s: float, change: str, with_it: float | None) -> Notice | None:
    if not state.severity:
        return None
    minutes = int(state.until_s // 60) % 1440
    at = f"{minutes // 60:02d}:{minutes % 60:02d} UTC"
    figures = {"probability": state.probability, "until_in_s": max(0.0, state.until_s - now_s)}
    do = "Lower the power, send less, or plan to close earlier."
    chance = None if with_it is None else number(with_it)
    if change:
        do = f"What helps most: {change[:1].lower()}{change[1:]}"
        if chance is not None:
            figures["probability_with_change"] = chance
            do += f"; then {_in_100(chance)} in 100"
        do += "."
    return Notice(
        "will-not-last",
        state.severity,
        f"It will hardly last until {at}" if state.severity == "warning" else f"It may not last until {at}",
        f"In {_in_100(state.probability)} of 100 ways that the next hours may go, it lasts until {at}.",
        "More is drawn until then than battery and sun will give.",
        do,
        state.since_s,
        figures,
        TABLE["will-not-last"].read,
    )


def _in_100(p: float) -> str:
    return f"{min(99, max(1, round(100 * p)))}"
