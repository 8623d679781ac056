"""
What the page is told, in words and figures.

In: the newest view, and what happened to link, board, disk and clock. Out:
the parts of a snapshot that need wording. It decides nothing.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from ampledger import wire
from ampledger.core.clock import NOT_KNOWN_S
from ampledger.core.crosscheck import Cross
from ampledger.core.engine import Engine, Sentence, View, sentence
from ampledger.core.estimate import Estimate
from ampledger.core.paths import Paths
from ampledger.core.watch import SEVERITIES, Notice, fold
from ampledger.decode import PANEL_SIDE, Scale
from ampledger.errors import plain
from ampledger.life import Standing
from ampledger.settings import Setup, in_words

_BEYOND_S = 60.0  # how long an ailment of a channel is spoken of
_MANY = 20  # records of earlier that are worth a word

# What a channel's status in a reading means to the operator: code, severity, title, seen, likely, do.
_AILMENTS = {
    wire.S_RESTARTED: (
        "counter-began-anew",
        "caution",
        "A charge counter began anew: {which}",
        "Its chip lost its power or fell silent; what flowed in between is not known.",
        "A loose supply or bus wire on the board, or the box was switched off and on.",
        "Check the wires to the chip if it happens again. The charge left is less certain until the next full charge.",
    ),
    wire.S_STUCK: (
        "bus-freed",
        "caution",
        "The board's chip bus hung and was freed: {which}",
        "A chip held the data line; the board clocked it free. Chips that count by themselves lost nothing.",
        "Radio-frequency current on the sense leads, or a loose wire.",
        "If it happens while sending: ferrites, shorter leads, the box farther from the antenna.",
    ),
}


class Ailments:
    """What ails the channels: by status bit and channel, since when and until when it was seen."""

    def __init__(self) -> None:
        self._seen: dict[tuple[int, str], tuple[float, float]] = {}

    def add(self, at_s: float, reading: wire.Reading) -> None:
        """Take in a reading's status."""
        for name, channel in zip(wire.CHANNELS, reading.channels, strict=True):
            for bit in _AILMENTS:
                if channel.status & bit:
                    first_s, last_s = self._seen.get((bit, name), (at_s, at_s))
                    self._seen[bit, name] = (first_s if at_s - last_s < _BEYOND_S else at_s, at_s)

    def notices(self, now_s: float) -> list[Notice]:
        """Those of the last minute."""
        out = []
        for bit, (code, severity, title, seen, likely, do) in _AILMENTS.items():
            names = [n for (b, n), (_, last_s) in self._seen.items() if b == bit and now_s - last_s < _BEYOND_S]
            if names:
                first_s = min(self._seen[bit, n][0] for n in names)
                which = f"{' and '.join(names)} channel{'s' * (len(names) > 1)}"
                out.append(Notice(code, severity, title.format(which=which), seen, likely, do, first_s))
        return out


def figures(view: View | None, engine: Engine, waiting: str) -> dict[str, Any]:
    """What the page shows of one board's station; `waiting` says why there is nothing yet."""
    gives = engine.give() if view is None or view.usable is None else view.usable
    if view is None:
        says = Sentence("unknown", "Waiting for the first readings.", waiting)
        e = engine.read()
        none = dict.fromkeys(("supply_a", "demand_a", "net_a", "receive_a", "keyed_a", "share"))
        cycle: dict[str, Any] = {**none, "verdict": "unknown", "keyed": False}
        early, late, source = None, None, "unknown"
        taps: dict[str, Any] = {
            "solar": {"v": None, "a": None},
            "battery": {"v": None, "a": None, "c": None},
            "load": {"v": None, "a": None, "a_max": None},
        }
    else:
        says = sentence(view)
        e, b, i = view.estimate, view.balance, view.interval
        cycle = {
            "supply_a": b.supply_a,
            "demand_a": b.demand_a,
            "net_a": b.net_a,
            "receive_a": b.receive_a,
            "keyed_a": b.keyed_a,
            "share": b.share,
            "verdict": b.verdict,
            "keyed": b.keyed,
        }
        early, late, source = view.outlook.early_s, view.outlook.late_s, view.source
        # As it is behind the controller, so that the three add up; the panel's own figures stand beside them.
        solar, load = (view.bus or i).solar, i.load
        panel = i.solar if i.at_panel else None
        taps = {
            "solar": {
                "v": solar.v if solar else None,
                "a": solar.a if solar else None,
                "panel_v": panel.v if panel else None,
                "panel_a": panel.a if panel else None,
            },
            "battery": {"v": i.battery.v, "a": i.battery.a, "c": i.battery_c},
            "load": {
                "v": load.v if load else None,
                "a": load.a if load else None,
                "a_max": load.a_max if load else None,
            },
        }
    return {
        **taps,
        "cycle": cycle,
        "source": source,
        "sentence": {"tone": says.tone, "text": says.text, "detail": says.detail},
        "charge": {
            "soc": e.soc,
            "low": e.low,
            "high": e.high,
            "likely": e.likely,
            "two_peaks": e.two_peaks,
            "peaks": [p._asdict() for p in e.peaks],
            "peaks_text": two_answers(e),
            "density": [round(float(x), 6) for x in e.density],
            "capacity_ah": engine.battery.capacity_ah,
            "reserve": engine.reserve_soc,
            "usable_ah": list(gives.ah),
            "usable_wh": list(gives.wh),
            "limited_by": gives.limited_by,
            "stop": gives.stop_soc,
            "radio_v": None if gives.radio_v_now is None else list(gives.radio_v_now),
            "radio_min_v": gives.limit_v,
            "key_a": gives.key_a,
            "why": gives.why,
            "rests_on": e.rests_on,
            "narrows": e.narrows,
            "counted_ah": e.charge_ah,
            "reckoned": in_words(
                Setup(engine.battery, engine.reserve_soc, engine.station, engine.curve, engine.limits)
            ),
        },
        "outlook": {"text": says.detail, "early_s": early, "late_s": late},
    }


def two_answers(e: Estimate) -> str:
    """Where the two heaps of the density are, the likelier first; "" when there is one."""
    if not e.two_peaks or len(e.peaks) != 2:
        return "the readings allow two separate ranges" if e.two_peaks else ""
    first, second = sorted(e.peaks, key=lambda peak: -peak.share)
    return f"either about {100 * first.soc:.0f} % ({100 * first.share:.0f} % likely) or about {100 * second.soc:.0f} %"


@dataclass(frozen=True, slots=True)
class Situation:
    """What there may be to say beside what the core has noticed."""

    began_s: float
    line: str
    newest_s: float | None = None
    save_trouble: str = ""
    trouble_since_s: float = 0.0
    unsaved: int = 0
    fetching: int = 0
    info: dict[str, Any] = field(default_factory=dict)
    scale: Scale | None = None
    assumed: tuple[float, int] | None = None
    doubtful: bool = False


def notices(s: Situation, stale: bool) -> list[Notice]:
    """What this program itself has to say; one notice of each code."""
    shown: list[Notice] = []
    if s.save_trouble:
        shown.append(
            Notice(
                "not-saved",
                "act",
                "Readings are not being saved",
                s.save_trouble,
                "The disk is full, read-only or gone.",
                f"Free some space; {s.unsaved} records wait in memory and are written then.",
                s.trouble_since_s,
            )
        )
    if stale and s.newest_s is not None:
        shown.append(
            Notice(
                "stale",
                "warning",
                "No fresh readings",
                f"The newest are of {utc(s.newest_s)} UTC. {s.line}",
                "Cable, port or board.",
                "Check the cable. The board goes on counting as long as it has power.",
                s.newest_s,
            )
        )
    if s.fetching > _MANY:
        shown.append(
            Notice(
                "fetching",
                "info",
                "The board hands over what it kept",
                f"At most {s.fetching} records of the time when nobody listened; live readings go first.",
                "",
                "Leave the cable in. What has come is stored; the rest stays on the board.",
                s.began_s,
                {"records": float(s.fetching)},
            )
        )
    if s.doubtful:
        shown.append(
            Notice(
                "clock-doubtful",
                "caution",
                "This computer's date can't be right",
                "It lies before there was such a board.",
                "A computer whose clock battery is empty, and no internet.",
                "Set its date and time. Charge does not depend on it, and the records so far are dated anew then.",
                s.began_s,
            )
        )
    notes = s.info.get("notes")
    if isinstance(notes, list) and notes:
        shown.append(
            Notice(
                "board-says",
                "caution",
                "A note of the board" if len(notes) == 1 else f"{len(notes)} notes of the board",
                " ".join(plain(note) for note in notes[:10]),
                "",
                "`ampledger board check` says more.",
                s.began_s,
            )
        )
    log = s.info.get("log")
    trouble = log.get("trouble") if isinstance(log, dict) else None
    if trouble:
        shown.append(
            Notice(
                "board-log",
                "warning",
                "The board can't keep its log",
                plain(trouble),
                "Its flash is full of other files, or worn out.",
                "While a host listens nothing is lost. `ampledger board check` says how much of its flash is free.",
                s.began_s,
            )
        )
    if s.assumed is not None:
        shown.append(
            Notice(
                "battery-assumed",
                "info",
                "The battery is an assumption",
                f"{s.assumed[0]:g} Ah, {s.assumed[1]} cells in series.",
                "Nobody has said which battery this is.",
                "Start with --capacity-ah and --series; what is left depends on it.",
                s.began_s,
            )
        )
    return shown


def disk_filling(severity: str, free: float, since_s: float) -> Notice:
    """That the disk with the records is nearly full; free : what is left of it. [byte]"""
    return Notice(
        "disk-filling",
        severity,
        "The disk is nearly full" if severity == "warning" else "The disk is filling up",
        f"{free / 1e6:.0f} MB are free where the records are kept.",
        "Other files on the same disk; the records take about 5 MB an hour and are packed to a fifth later.",
        "Free some space before it is full. A record that can't be written waits in memory.",
        since_s,
        {"free_mb": free / 1e6},
        "Where the records are, and what can happen to them",
    )


def shown(notices: Iterable[Notice], standing: Mapping[str, Standing]) -> list[dict[str, Any]]:
    """
    Open notices as the page has them, the worst first, of equals the newest.

    Beside what a notice has: "figures" in words, "open", and "state", "at_s", "until_s", "minutes" of its `Standing`;
    "under" is empty where the cause is not open, or is of less weight than the notice.
    """
    folded = {n.code: n for n in fold(notices)}
    out = []
    for notice in folded.values():
        values = asdict(notice) | standing[notice.code]._asdict()
        values |= {"open": True, "figures": figures_in_words(notice.figures), "under": _cause(notice, folded)}
        out.append(values)
    return sorted(out, key=lambda v: (-SEVERITIES.index(v["severity"]), -v["since_s"]))


def worst_new(notices: Iterable[Mapping[str, Any]]) -> str:
    """Severity of the worst of `shown` that the operator has neither seen nor put off, "" for none."""
    new = [n["severity"] for n in notices if n["open"] and n["state"] == "new"]
    return max(new, key=SEVERITIES.index, default="")


def _cause(notice: Notice, all_: Mapping[str, Notice]) -> str:
    """The code under which the page folds a notice: the outermost cause that is no less severe; "" for none."""
    passed, cause = {notice.code}, ""
    while notice.under in all_ and notice.under not in passed:
        above = all_[notice.under]
        if SEVERITIES.index(above.severity) < SEVERITIES.index(notice.severity):
            break
        cause = above.code
        passed.add(cause)
        notice = above
    return "" if notice.under in passed else cause  # causes that go round are none


_UNITS = {
    "a": ("A", 2), "v": ("V", 2), "c": ("°C", 1), "ah": ("Ah", 2), "mah": ("mAh", 0), "w": ("W", 1), "wh": ("Wh", 1),
    "s": ("s", 0), "min": ("min", 0), "h": ("h", 1), "ohm": ("mΩ", 0), "mb": ("MB", 0), "deg": ("°", 0),
    "days": ("days", 1),
}  # fmt: skip
_SHARES = ("soc", "share", "probability")


def figures_in_words(figures: Mapping[str, float]) -> list[str]:
    """Figures of a notice, each with its name and unit, as in "supply 0.81 A"; the unit is in the name."""
    return [_figure(name, value) for name, value in figures.items() if math.isfinite(value)]


def _figure(name: str, value: float) -> str:
    if "_per_" in name:
        unit, _, per = name.partition("_per_")
        return f"{value:.3g} {_UNITS.get(unit, (unit, 0))[0]} per {per}"
    *words, last = name.split("_")
    if not words or last not in _UNITS:
        text = " ".join((*words, last))
        if any(word in _SHARES for word in (*words, last)):
            return f"{text.replace('soc', 'charge')} {100 * value:.0f} %"
        return f"{text} {value:g}" if float(value).is_integer() else f"{text} {value:.3g}"
    unit, digits = _UNITS[last]
    value = 1e3 * value if last == "ohm" else value
    return f"{' '.join(words)} {value:.{digits}f} {unit}"


# --- the three points and the ways between them ---

_LIES = {
    "gain": "the {0} reads {1:.2f} times what it should",
    "offset": "the {0} is off by {1:+.2f} A",
    "sign": "the {0} reads with the wrong sign",
    "missing": "the {0} misses current that goes around its shunt",
    "swapped": "the bus falls when the {0} takes more, as if it were the load's",
    "unknown": "the {0} does not fit the other two",
}


def points(view: View | None, scale: Scale | None) -> dict[str, Any]:
    """
    Where the solar tap sits, whether the three points agree, and the ways' resistances, a sentence each; "" for what
    there is nothing to say of. `view`: None while readings are old.
    """
    at_panel = scale is not None and scale.placement == PANEL_SIDE
    where = ""
    if at_panel:
        where = "The solar shunt sits between panel and controller."
        if view is not None and view.cross.efficiency is not None:
            low, mid, high = (100 * x for x in view.cross.efficiency)
            where += (
                f" The controller passes on {mid:.0f} % of what it takes in ({low:.0f} to {high:.0f} %, as learnt)."
            )
    elif scale is not None:
        where = "The solar shunt sits behind the controller."
    agree = "" if view is None else _agree(view.cross, at_panel)
    ways = "" if view is None else _ways(view.paths)
    return {"points": {"where": where, "agree": agree, "ways": ways}}


def _agree(cross: Cross, at_panel: bool) -> str:
    if cross.derived:
        name = "sun" if cross.derived == "solar" else cross.derived
        return f"The {name}'s amps are made of the other two, so nothing checks them."
    by = "" if cross.residual_a is None else f" by {abs(cross.residual_a):.2f} A"
    if cross.lie == "swapped":
        return f"The three points add up, but {_LIES['swapped'].format('battery channel')}."
    if cross.lie and cross.channel:
        return f"The three points disagree{by}: {_LIES[cross.lie].format(f'{cross.channel} channel', cross.size)}."
    if cross.lie == "offset":
        return f"The three points disagree{by}: a channel is off, or something draws that passes no tap."
    if cross.lie:
        return f"The three points disagree{by}: one of them is wrong, and which can't be told."
    if cross.closed is None:
        return "Whether the three points agree can't be checked now."
    # As learnt, with what the zeros are off: below nothing it is those.
    own = "" if not cross.own_a or cross.own_a < 0.0 else (
        f"; board and controller take {1e3 * cross.own_a:.0f} mA beside them"
    )
    if cross.closed:
        within = "" if cross.residual_a is None or at_panel else f", within {max(0.01, abs(cross.residual_a)):.2f} A"
        return f"The three points agree{within}{own}."
    return f"The three points disagree{by}."


def _ways(paths: Paths) -> str:
    said = []
    for name, way in (("up to the battery's tap", paths.battery), ("from there to the load's", paths.between)):
        if way is not None:
            text = f"{1e3 * way.ohm:.0f} ± {1e3 * 1.645 * way.sd_ohm:.0f} mΩ {name}"  # nine chances in ten
            if way.before_ohm is not None:
                text += f" ({1e3 * way.before_ohm:.0f} before {utc(way.jumped_s)[:5]} UTC)"
            said.append(text)
    return f"Resistance, learnt from the key: {', '.join(said)}." if said else ""


def clock_text(unsure_s: float | None, doubtful: bool) -> str:
    """How well the times are known, in words."""
    if unsure_s is None:
        return "not known yet"
    if doubtful:
        return "a date that can't be right: set this computer's clock"
    if unsure_s >= 0.5 * NOT_KNOWN_S:
        return "not known"
    if unsure_s < 2.5:
        return f"UTC, within {max(unsure_s, 0.1):.1f} s"
    return f"UTC, within {long(unsure_s)}: nothing says that this computer's clock follows a time service"


def long(seconds: float) -> str:
    """A length of time as one says it."""
    if seconds < 600:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.0f} h"


def utc(time_s: float) -> str:
    """The time of day; "?" for what is none."""
    try:
        return time.strftime("%H:%M:%S", time.gmtime(time_s))
    except (ValueError, OverflowError, OSError):
        return "?"
