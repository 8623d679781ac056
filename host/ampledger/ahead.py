"""
The hours ahead, worked out beside the live path: a forecast each minute of data, and at once for another plan.

In: scenes of the boards' engines, and plans, from the command line, the page or the store. Out: what the page shows of
them. One thread of its own works, one forecast at a time, the newest question of each board only; reading, storing
and the page never wait for it. What goes wrong becomes a sentence on the page.
"""

from __future__ import annotations

import argparse
import math
import re
import threading
import time
import traceback
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

from ampledger.core.decision import Decision, settle
from ampledger.core.forecast import HORIZON_S, POWERS, Forecast, Outcome, Plan, Scene, Wish, check, forecast, what_if
from ampledger.core.habits import KINDS
from ampledger.core.sun import Panel, Place, locator, position, rise_and_set
from ampledger.core.trip import Trip, reckon
from ampledger.core.usable import Station, Usable
from ampledger.core.watch import Closing, Notice, closing
from ampledger.errors import BoxError, ConfigError, plain
from ampledger.settings import PlanTold, plan, plan_told, suggested

EVERY_S = 60.0  # of data
#: How often what was said is kept while it stays the same. [s]
KEEP_S = 900.0
_MOST_SAID = 100
_CLOSE_S = 5.0
_BLIND_S = 180.0
_BLIND = (
    "What will be left can't be said: no reading has amps of load or sun. Check that the load's channel is wired and "
    "answers."
)

# --- what was told ---

#: What may be changed on the page, and between which bounds where it is a number. `ahead` knows what each means.
WISHES: dict[str, tuple[float, float] | None] = {
    "until": (946_684_800.0, 4_102_444_800.0),
    "past_min": (0.0, 720.0),
    "place": None,
    "panel_w": (0.0, 2000.0),
    "panel_tilt": (0.0, 90.0),
    "panel_azimuth": (0.0, 360.0),
    "accessories_a": (0.0, 50.0),
    "caution": (1.0, 100.0),
}


def kept(told: PlanTold) -> dict[str, Any]:
    """A plan as it is kept. Contacts are not: they are of one outing."""
    values = asdict(replace(told, contacts_s=()))
    del values["contacts_s"]
    return values


def read_kept(values: object, now_s: float) -> PlanTold:
    """The plan that `kept` gave, without a closing time that has passed; the usual one where it can't be that."""
    if not isinstance(values, Mapping):
        return PlanTold()
    try:
        place, panel, until_s = values["place"], values["panel"], values["until_s"]
        told = PlanTold(
            None if until_s is None or 86400.0 <= float(until_s) <= now_s else float(until_s),
            float(values["past_min"]),
            None if place is None else Place(**{k: float(v) for k, v in place.items()}),
            None if panel is None else Panel(**{k: float(v) for k, v in panel.items()}),
            float(values["accessories_a"]),
            (),
            int(values["wanted_contacts"]),
            float(values["caution"]),
        )
        _check(told, now_s)
        return told
    except (BoxError, KeyError, TypeError, ValueError, AttributeError, OverflowError):
        return PlanTold()


def given(args: argparse.Namespace, now_s: float) -> Callable[[PlanTold], PlanTold]:
    """What makes of a plan the one that the command line says; what it does not say stays. Raises ConfigError."""
    told = plan_told(args)
    _check(told, now_s)
    said = {
        "until_s": args.until is not None or args.past_min is not None,
        "past_min": args.until is not None or args.past_min is not None,
        "place": told.place is not None,
        "panel": told.panel is not None,
        "accessories_a": args.accessories_ma is not None,
        "contacts_s": args.contacts is not None,
        "wanted_contacts": args.wanted_contacts is not None,
        "caution": args.caution is not None,
    }
    values: dict[str, Any] = {name: getattr(told, name) for name, is_said in said.items() if is_said}
    return lambda before: replace(before, **values)


def wished(wishes: Mapping[str, Any], before: PlanTold, now_s: float) -> PlanTold:
    """
    The plan with what the page's form says; what it does not name stays.

    wishes : some of `WISHES`; numbers, the place as text; None: not told. Raises ConfigError for what can't be.
    """
    told = before
    if "until" in wishes:
        told = replace(told, until_s=wishes["until"])
    for name in ("past_min", "accessories_a", "caution"):
        if wishes.get(name) is not None:
            told = replace(told, **{name: wishes[name]})
    if "place" in wishes and (wishes["place"] or "").strip() != place_text(before.place):
        told = replace(told, place=place_of(wishes["place"] or ""))
    if any(name.startswith("panel_") for name in wishes):
        old = before.panel or Panel(0.0)
        tilt, azimuth = wishes.get("panel_tilt"), wishes.get("panel_azimuth")
        panel = Panel(
            wishes.get("panel_w", old.power_w) or 0.0,
            old.tilt_deg if tilt is None else tilt,
            old.azimuth_deg if azimuth is None else azimuth,
        )
        told = replace(told, panel=panel if panel.power_w > 0.0 else None)
    _check(told, now_s)
    return told


def _check(told: PlanTold, now_s: float) -> None:
    """Raises ConfigError; a closing time that nobody has chosen may be as far off as it likes."""
    own = told if told.until_s is not None else replace(told, until_s=now_s + 3600.0)
    check(plan(own, now_s), now_s)
    if not 0.0 <= told.past_min <= 720.0:
        raise ConfigError(f"{told.past_min:g} minutes after 00:00 UTC; give 0 to 720.")


_ANGLE = r"([-+−]?\d{1,3}(?:\.\d{1,9})?)\s*"
_DEGREES = re.compile(rf"\s*{_ANGLE}([NSns]?)\s*[,; ]\s*{_ANGLE}([EWew]?)\s*", re.ASCII)


def place_of(text: str) -> Place | None:
    """A place as one types it: a locator, or latitude and longitude ("43.62, -108.2"); "" none. Raises ConfigError."""
    if not text.strip():
        return None
    found = _DEGREES.fullmatch(text)
    if found is None:
        if re.fullmatch(r"\s*[A-Ra-r]{2}([0-9][A-Za-z0-9]*)?\s*", text):
            return locator(text)
        raise ConfigError(
            f"“{plain(text, 40)}” is no place; give a locator such as DN53vo, or latitude and longitude in degrees "
            "such as 43.62, -108.20 (north and east positive)."
        )
    lat, lon = (float(found[k].replace("−", "-")) for k in (1, 3))
    return Place(-lat if found[2].upper() == "S" else lat, -lon if found[4].upper() == "W" else lon)


def place_text(place: Place | None) -> str:
    """A place as `place_of` reads it."""
    return "" if place is None else f"{round(place.lat_deg, 4)}, {round(place.lon_deg, 4)}"


def form(told: PlanTold, now_s: float) -> dict[str, Any]:
    """
    What the page's form shows.

    until : None where nobody has chosen one; closing : when it is then [s], suggested : what there is to say of that.
    """
    panel = told.panel
    until_s = None if told.until_s is None else plan(told, now_s).until_s
    return {
        "until": until_s,
        "closing": plan(told, now_s).until_s,
        "suggested": suggested(told, now_s),
        "past_min": told.past_min,
        "place": place_text(told.place),
        "panel_w": None if panel is None else panel.power_w,
        "panel_tilt": None if panel is None else panel.tilt_deg,
        "panel_azimuth": None if panel is None else panel.azimuth_deg,
        "accessories_a": told.accessories_a,
        "caution": told.caution,
    }


# --- what is shown ---


def card(now: Forecast, decision: Decision, told: Plan) -> dict[str, Any]:
    """A forecast and what is decided of it, as the page has it; times are UTC. [s]"""
    return {
        "at": now.now_s,
        "until": now.until_s,
        "verdict": decision.verdict,
        "says": decision.says,
        "reason": decision.reason,
        "hour": decision.hour,
        "changed": decision.changed,
        "probability": now.probability,
        "ends": list(now.lasts_until),
        "horizon": now.horizon_s,
        "limited_by": now.limited_by,
        "reasons": list(now.reasons),
        "changes": [asdict(c) for c in now.changes],
        "most_mean_a": now.most_mean_a,
        "plan_b": now.plan_b,
        "plan_b_s": now.plan_b_s,
        "enough": now.enough_contacts,
        "wanted": told.wanted_contacts,
        "panel": told.panel is not None,
        "morning": None if now.morning is None else asdict(now.morning),
    }


#: What may be wished of a what-if, and between which bounds where it is a number; see `core.forecast.Wish`.
WHAT_IFS: dict[str, tuple[float, float] | None] = {
    "power": POWERS,
    "share": (0.0, 1.0),
    "less_a": (0.0, 50.0),
    "until": WISHES["until"],
    "mode": None,
    "panel": None,
}


def wished_what_if(wishes: Mapping[str, Any]) -> tuple[float | None, Wish]:
    """The closing time (None: the plan's) and the wish of some of `WHAT_IFS`, whose bounds were looked at."""
    values = {name: wishes[name] for name in ("power", "share", "less_a", "mode", "panel") if name in wishes}
    return wishes.get("until"), Wish(**values)


#: What a trip is reckoned with, and between which bounds where it is a number; `core.trip.Trip` says what each is.
TRIP: dict[str, tuple[float, float] | None] = {
    "begin": WISHES["until"],
    "hours": (1.0 / 60.0, HORIZON_S / 3600.0),
    "capacity_ah": (0.1, 10_000.0),
    "series": (1.0, 16.0),
    "soc": (0.0, 100.0),
    "sd": (0.5, 50.0),
    "reserve": (0.0, 95.0),
    "receive_a": (0.0, 100.0),
    "key_a": (0.0, 200.0),
    "share": (0.0, 100.0),
    "peak_a": (0.0, 200.0),
    "other_a": (0.0, 100.0),
    "temp_c": (-40.0, 80.0),
    "radio_min_v": (0.0, 60.0),
    "lead_mohm": (0.0, 2000.0),
    "panel_w": (0.0, 2000.0),
    "panel_tilt": (0.0, 90.0),
    "panel_azimuth": (0.0, 360.0),
    "place": None,
    "sky": None,
}


_NEEDED = {
    "begin": "when it begins",
    "hours": "how long it lasts",
    "capacity_ah": "what the battery holds",
    "soc": "its charge at the beginning",
    "receive_a": "what is drawn on receive",
}


def planned(wishes: Mapping[str, Any], paths: int) -> dict[str, Any]:
    """
    What would come of a trip, as the page shows it; nothing is kept.

    wishes : of `TRIP`, whose bounds were looked at; shares in %, the lead in milliohms. Raises ConfigError.
    """
    w = {name: value for name, value in wishes.items() if value is not None}
    lacks = [words for name, words in _NEEDED.items() if name not in w]
    if lacks:
        raise ConfigError(f"Give {' and '.join(lacks)} as well.")
    place = place_of(w.get("place", ""))
    watts = w.get("panel_w", 0.0)
    series = int(w.get("series", 4.0))
    if series != w.get("series", 4.0):
        raise ConfigError("Cells in series are a whole number, 1 to 16.")
    panel = Panel(watts, w.get("panel_tilt", 0.0), w.get("panel_azimuth", 180.0)) if watts > 0.0 else None
    asked = Trip(
        w["begin"], w["begin"] + 3600.0 * w["hours"], w["capacity_ah"], w["soc"] / 100.0, w["receive_a"],
        w.get("key_a", 0.0), w.get("share", 0.0) / 100.0, series, w.get("sd", 5.0) / 100.0,
        w.get("reserve", 20.0) / 100.0, place, panel, w.get("sky", "usual"), w.get("other_a", 0.0),
        w.get("temp_c", 20.0), w.get("peak_a", 0.0),
        Station(w.get("lead_mohm", 30.0) / 1000.0, w.get("radio_min_v"), "lead_mohm" in w),
    )  # fmt: skip
    out = reckon(asked, paths)
    said, until_s, cold = out.forecast, asked.end_s, None
    if out.cold is not None:
        cold = {"share": out.cold.share, "probability": out.cold.probability, "gives": _gives(out.cold.usable)}
    first_s = math.floor(asked.begin_s / 86_400.0) * 86_400.0
    return {
        "at": asked.begin_s,
        "until": until_s,
        "reserve": 100.0 * asked.reserve,
        "verdict": said.verdict,
        "now": pictured(out.outcome, until_s),
        "without_sun": out.without_sun,
        "drawn": {"ah": list(out.outcome.drawn_ah), "wh": list(out.drawn_wh)},
        "sun": {"ah": list(out.outcome.sun_ah), "wh": list(out.sun_wh)},
        "gives": _gives(out.usable),
        "enough_ah": out.enough_ah,
        "enough_w": out.enough_w,
        "cold": cold,
        "may_charge": out.may_charge,
        "changes": [asdict(c) for c in out.changes],
        "most_mean_a": said.most_mean_a,
        "sends": asked.key_a > 0.0 and asked.share > 0.0,
        "sky": sky(place, asked.begin_s, until_s + 3600.0),
        "sky_day": sky(place, first_s, first_s + 2 * 86_400.0),
        "place": place is not None,
        "panel": panel is not None,
        "paths": paths,
    }


def _gives(what: Usable) -> dict[str, Any]:
    return {"ah": list(what.ah), "wh": list(what.wh), "limited_by": what.limited_by}


#: Ways that are followed while a slider still moves, and when it rests. [-]
QUICK, THOROUGH = 500, 2000
_DUSK_DEG = -6.0  # of the sun's middle: end of civil twilight


def pictured(out: Outcome, until_s: float) -> dict[str, Any]:
    """An outcome as the page draws it: times [s], quantiles of the charge [%], and how many ways still run [%]."""
    last = int(out.end_s.searchsorted(until_s + 3600.0)) + 1
    every = max(1, -(-last // 100))
    kept = slice(0, last, every)
    return {
        "probability": out.probability,
        "ends": list(out.lasts_until),
        "horizon": out.horizon_s,
        "limited_by": out.limited_by,
        "t": [round(float(t)) for t in out.end_s[kept]],
        "fan": [[round(100.0 * float(x), 1) for x in row[kept]] for row in out.fan],
        "runs": [round(100.0 * float(x), 1) for x in out.runs[kept]],
    }


def sky(place: Place | None, from_s: float, to_s: float) -> list[list[Any]]:
    """Sunrise, sunset and the end of twilight between two moments: [time, what], in order. [s]"""
    if place is None:
        return []
    out: list[list[Any]] = []
    at_s = from_s
    while at_s < to_s:
        rise_s, set_s = rise_and_set(place, at_s)
        nexts = sorted((t, what) for t, what in ((rise_s, "sunrise"), (set_s, "sunset")) if t is not None)
        if not nexts or nexts[0][0] >= to_s:
            break
        out.append([nexts[0][0], nexts[0][1]])
        if nexts[0][1] == "sunset" and (dark_s := _dusk(place, nexts[0][0])) is not None and dark_s < to_s:
            out.append([dark_s, "dark"])
        at_s = nexts[0][0] + 60.0
    return sorted(out)


def _dusk(place: Place, set_s: float) -> float | None:
    """When the sun is 6 degrees down after a sunset, to a few seconds; None where it does not get there in 3 h."""
    low_s, high_s = set_s, set_s + 3 * 3600.0
    if float(position(place, high_s)[0]) > _DUSK_DEG:
        return None
    while high_s - low_s > 2.0:
        mid_s = 0.5 * (low_s + high_s)
        low_s, high_s = (mid_s, high_s) if float(position(place, mid_s)[0]) > _DUSK_DEG else (low_s, mid_s)
    return high_s


@dataclass(frozen=True, slots=True)
class _Question:
    scene: Scene
    told: PlanTold


class Ahead:
    """
    Forecasts for all boards. `consider` and `shown` may be called from any thread and don't wait for a forecast.

    foresee : what works one out.
    """

    def __init__(self, foresee: Callable[[Scene, Plan], Forecast] = forecast) -> None:
        self._foresee = foresee
        self._changed = threading.Condition()
        self._asked: dict[str, _Question] = {}
        self._last: dict[str, _Question] = {}  # the newest that was asked, answered or not
        self._decisions: dict[str, tuple[Decision, PlanTold]] = {}
        self._shown: dict[str, dict[str, Any]] = {}
        self._closings: dict[str, Closing] = {}
        self._notices: dict[str, Notice] = {}
        self._said: dict[str, list[dict[str, Any]]] = {}  # and not yet kept
        self._kept: dict[str, dict[str, Any]] = {}
        self._waits: dict[str, float] = {}  # since when a board gives nothing to conclude from
        self._faults: set[str] = set()
        self._asking = threading.Lock()
        self._stopped = False
        self._thread = threading.Thread(target=self._work, name="ahead", daemon=True)

    def consider(self, board: str, scene: Callable[[], Scene], time_s: float, told: PlanTold) -> None:
        """
        Ask for a forecast when a minute of data has passed or the plan is another.

        scene : makes the scene of now; called only when it is needed. time_s : of its newest reading, UTC. [s]
        """
        last = self._last.get(board)
        if last is not None and last.told == told and 0.0 <= time_s - last.scene.now_s < EVERY_S:
            return
        question = _Question(scene(), told)
        if not question.scene.habits.now():
            # A minute has to be seen first: of a single reading it would be a guess, and a loud one.
            since_s = self._waits.setdefault(board, time_s)
            if time_s - since_s > _BLIND_S:
                with self._changed:
                    self._shown[board] = {"at": time_s, "trouble": _BLIND}
            return
        with self._changed:
            self._asked[board] = self._last[board] = question
            self._changed.notify_all()

    def shown(self, board: str) -> dict[str, Any] | None:
        """The newest forecast of a board, or {"trouble": why there is none}; None while nothing has been asked."""
        with self._changed:
            return self._shown.get(board)

    def notice(self, board: str) -> Notice | None:
        """The notice that a board's station will not last until closing; None while there is none."""
        with self._changed:
            return self._notices.get(board)

    def what_if(self, board: str, wish: Wish, until_s: float | None = None, paths: int = THOROUGH) -> dict[str, Any]:
        """
        What another way of operating would make of the hours ahead, beside what comes of going on as now.

        board : its id. until_s : another closing time, UTC [s]; None: the plan's.

        Works in the thread that asks, one at a time, of the newest scene that a forecast was made of (at most a minute
        of data old). Raises ConfigError for what can't be asked, or not yet.
        """
        with self._changed:
            question = self._last.get(board)
        if question is None:
            raise ConfigError("There is no forecast yet: it takes a minute of readings.")
        now_s = question.scene.now_s
        planned = plan(question.told, now_s)
        if until_s is not None:
            planned = replace(planned, until_s=until_s)
        with self._asking:
            now, then = what_if(question.scene, planned, wish, paths)
        regime = question.scene.habits.regime(now_s)
        return {
            "at": now_s,
            "until": planned.until_s,
            "reserve": 100.0 * question.scene.reserve_soc,
            "now": pictured(now, planned.until_s),
            "then": pictured(then, planned.until_s),
            "regime": {
                "kind": regime.kind,
                "share": regime.share,
                "key_a": regime.key_a,
                "modes": list(KINDS) if regime.kind else [],
            },
            "sky": sky(planned.place, now_s, planned.until_s + 3600.0),
            "place": planned.place is not None,
            "paths": paths,
        }

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def close(self) -> None:
        """Stop; what is under way is not waited for longer than a few seconds."""
        with self._changed:
            self._stopped = True
            self._changed.notify_all()
        if self._thread.is_alive():
            self._thread.join(_CLOSE_S)

    def turn(self) -> bool:
        """Answer what has been asked longest ago, if there is anything."""
        with self._changed:
            if not self._asked:
                return False
            board = next(iter(self._asked))
            question = self._asked.pop(board)
        answer = self._answer(board, question)
        with self._changed:
            self._shown[board] = answer
        return True

    def _work(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._stopped or self._asked)
                if self._stopped:
                    return
            began = time.monotonic()
            self.turn()
            # On a slow computer, or in a fast demo, half of the time is left to those who read.
            with self._changed:
                self._changed.wait_for(lambda: self._stopped, min(10.0, time.monotonic() - began))

    def _answer(self, board: str, question: _Question) -> dict[str, Any]:
        before = self._decisions.pop(board, None)
        now_s = question.scene.now_s
        try:
            planned = plan(question.told, now_s)
            now = self._foresee(question.scene, planned)
            if not all(math.isfinite(x) for x in (now.probability, *now.lasts_until)):
                raise ValueError("figures that are none")
            was, other = (None, False) if before is None else (before[0], before[1] != question.told)
            decision = settle(was, now, other)
            self._decisions[board] = decision, question.told
            self._watch(board, now)
            answer = card(now, decision, planned)
            self._remember(board, answer)
            return answer
        except ConfigError as e:
            return {"at": now_s, "trouble": plain(e, 400)}
        except Exception as e:
            if type(e).__name__ not in self._faults:
                self._faults.add(type(e).__name__)
                traceback.print_exc()
            return {"at": now_s, "trouble": f"The forecast could not be worked out ({plain(repr(e), 200)})."}

    def _remember(self, board: str, answer: dict[str, Any]) -> None:
        """Keep what is said for the report: another verdict or closing time at once, else every quarter of an hour."""
        last = self._kept.get(board)
        same = last is not None and all(last[x] == answer[x] for x in ("verdict", "until"))
        if last is not None and same and 0.0 <= answer["at"] - last["at"] < KEEP_S:
            return
        said = {x: answer[x] for x in ("at", "verdict", "until", "probability", "ends", "horizon", "limited_by")}
        self._kept[board] = said
        with self._changed:
            self._said[board] = [*self._said.get(board, []), said][-_MOST_SAID:]

    def said(self, board: str) -> list[dict[str, Any]]:
        """What has been said since it was asked last and is to be kept, with its moment "at", UTC. [s]"""
        with self._changed:
            return self._said.pop(board, [])

    def _watch(self, board: str, now: Forecast) -> None:
        best = now.changes[0] if now.changes else None
        change, chance = ("", None) if best is None else (best.change, best.probability)
        was = self._closings.get(board, Closing())
        state, notice = closing(was, now.probability, now.until_s, now.now_s, change, chance)
        self._closings[board] = state
        with self._changed:
            if notice is None:
                self._notices.pop(board, None)
            else:
                self._notices[board] = notice
