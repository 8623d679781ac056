"""
Invented snapshots for the page's tests and screenshots, and a source that hands them out.

The station, its figures and its notices are made up; none of them is a measurement.
"""

from __future__ import annotations

import contextlib
import copy
import math
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ampledger import marks
from ampledger.boxbook import BoxBook
from ampledger.errors import ConfigError
from ampledger.intake import Intake
from ampledger.late import _NAME
from ampledger.settings import DEFAULTS
from ampledger.store import Store
from ampledger.work import Work

#: 2026-09-12T23:30:00Z, inside the demo's invented outing. [unix s]
SCENE_S = 1_789_255_800.0
#: What a board says of itself is not to be trusted with the page.
NASTY = '<img src=x onerror="document.title=1">'
BOARD = "a1"
BOARDS = [
    {"id": "a1", "name": "pico a1 at the tent", "stale": False},
    {"id": "b2/ü&x", "name": f"pico b2 {NASTY}", "stale": True},
]


def bumps(*parts: tuple[float, float, float]) -> list[float]:
    """100 slices of a sum of bell curves (place, width, weight), adding up to 1."""
    raw = [sum(w * math.exp(-0.5 * (((i + 0.5) / 100 - m) / sd) ** 2) / sd for m, sd, w in parts) for i in range(100)]
    return [value / sum(raw) for value in raw]


def base() -> dict[str, Any]:
    """Every key there is, nothing known."""
    return {
        "n": 1,
        "t": None,
        "clock": SCENE_S,
        "age_s": None,
        "stale": True,
        "link": {
            "state": "searching",
            "text": "Asking every serial port for a board; none has answered yet.",
            "port": None,
            "board": None,
            "records": 0,
            "bad_frames": 0,
            "gaps": 0,
            "reconnects": 0,
            "console": [],
        },
        "demo": {"on": False, "text": "", "interpreter": ""},
        "solar": {"v": None, "a": None},
        "battery": {"v": None, "a": None, "c": None},
        "load": {"v": None, "a": None, "a_max": None},
        "cycle": {
            "supply_a": None,
            "demand_a": None,
            "net_a": None,
            "receive_a": None,
            "keyed_a": None,
            "share": None,
            "verdict": "unknown",
            "keyed": False,
        },
        "source": "unknown",
        "sentence": {"tone": "unknown", "text": "No reading yet.", "detail": "Waiting for the first record."},
        "charge": {
            "soc": None,
            "low": None,
            "high": None,
            "likely": None,
            "two_peaks": False,
            "peaks": [],
            "peaks_text": "",
            "density": [],
            "capacity_ah": 6.0,
            "reserve": 0.2,
            "usable_ah": None,
            "usable_wh": None,
            "limited_by": "reserve",
            "stop": 0.2,
            "radio_v": None,
            "radio_min_v": 11.7,
            "key_a": None,
            "why": "",
            "rests_on": "",
            "narrows": "",
            "counted_ah": None,
            "reckoned": "6 Ah, 4 cells in series, curve lfp26650; 30 mΩ to a radio that needs 11.7 V",
        },
        "outlook": {"text": "", "early_s": None, "late_s": None},
        "notices": [],
        "check": None,
        "points": {"where": "", "agree": "", "ways": ""},
        "marks": 0,
        "first": None,
        "boards": [],
        "board": BOARD,
        "fetching": None,
        "work": [],
        "time": {"unsure_s": None, "text": ""},
        "ahead": None,
        "plan": {
            "until": None,
            "closing": SCENE_S + 3600,
            "suggested": "",
            "past_min": 30.0,
            "place": "",
            "panel_w": None,
            "panel_tilt": None,
            "panel_azimuth": None,
            "accessories_a": 0.0,
            "caution": 9.0,
        },
    }


def ahead(verdict: str, probability: float, **more: Any) -> dict[str, Any]:
    """Of an invented forecast, half an hour before 00:00 UTC; the closing time is 00:30 UTC."""
    of_100 = max(1, round(100 * probability))
    return {
        "at": SCENE_S - 20,
        "until": SCENE_S + 3600,
        "verdict": verdict,
        "says": f"Going on as now, the station lasts until 00:30 UTC in {of_100} of 100 ways.",
        "reason": "About 2.9 Ah in the battery, 1.59 A drawn on average, 0.62 A from the sun until then; the reserve "
        "is what ends it.",
        "hour": "One time in ten it ends by 00:18 UTC, and one time in two by 01:02 UTC.",
        "changed": "",
        "probability": probability,
        "ends": [SCENE_S + 2880, SCENE_S + 5520, SCENE_S + 9000],
        "horizon": SCENE_S + 8 * 3600,
        "limited_by": "reserve",
        "reasons": [
            "41 to 57 % is in the battery now, 5.9 Ah when full.",
            "Between 21:10 and 21:40 UTC the panel brought 35 % of what it did before and after, 0.31 Ah less: shade "
            "or cloud. It is not taken to come again at any hour.",
            "Where it does not last, the reserve is reached.",
        ],
        "changes": [
            {"change": "listen only", "gain_min": 400.0, "probability": 0.998},
            {"change": "a quarter of the power", "gain_min": 62.0, "probability": 0.96},
            {"change": "half the power", "gain_min": 31.0, "probability": 0.91},
            {
                "change": "panel turned to 264 degrees from true north (a compass differs), tilted 78",
                "gain_min": 9.0,
                "probability": 0.84,
            },
        ],
        "most_mean_a": 1.31,
        "plan_b": "half the power",
        "plan_b_s": SCENE_S + 1500,
        "enough": 0.71,
        "wanted": 10,
        "panel": True,
        "morning": {"at_s": SCENE_S + 48_000, "soc": [0.19, 0.23, 0.29], "full_s": SCENE_S + 90_000},
        **more,
    }


def _placed(snap: dict[str, Any]) -> dict[str, Any]:
    snap["plan"] |= {"place": "43.62, -108.2", "panel_w": 20.0, "panel_tilt": 35.0, "panel_azimuth": 235.0}
    return snap


def _live(snap: dict[str, Any]) -> dict[str, Any]:
    snap.update(t=SCENE_S - 0.2, age_s=0.2, stale=False)
    snap["boards"] = copy.deepcopy(BOARDS[:1])
    snap["time"] = {"unsure_s": 0.02, "text": "Known to 0.02 s."}
    snap["link"].update(
        state="live",
        text="Records arrive as they should.",
        port="/dev/ttyACM0",
        board="pico, 3 channels, firmware 0.1",
        records=48_213,
        bad_frames=2,
        gaps=1,
        reconnects=1,
    )
    return snap


def _demo(snap: dict[str, Any]) -> dict[str, Any]:
    snap["demo"] = {
        "on": True,
        "text": "No board: the station “Heron Spit” is invented.",
        "interpreter": "MicroPython 1.29 on this computer",
    }
    snap["link"]["port"] = "/dev/pts/4"
    return _placed(snap)


def searching() -> dict[str, Any]:
    return base()


def surplus() -> dict[str, Any]:
    snap = _demo(_live(base()))
    snap["solar"] = {"v": 13.31, "a": 1.49}
    snap["battery"] = {"v": 13.30, "a": 0.92, "c": 21.4}
    snap["load"] = {"v": 13.29, "a": 0.55, "a_max": 0.57}
    snap["cycle"] = {
        "supply_a": 1.49,
        "demand_a": 0.97,
        "net_a": 0.52,
        "receive_a": 0.55,
        "keyed_a": 1.69,
        "share": 0.34,
        "verdict": "surplus",
        "keyed": False,
    }
    snap["source"] = "sun"
    snap["ahead"] = ahead(
        "stay on",
        0.97,
        hour="One time in ten it ends by 03:10 UTC.",
        ends=[SCENE_S + 13_200, SCENE_S + 28_800, SCENE_S + 28_800],
        enough=None,
    )
    snap["sentence"] = {
        "tone": "surplus",
        "text": "The sun carries the station and charges the battery.",
        "detail": "Over sending and receiving 0.52 A are left for the battery. At this pace you can stay on.",
    }
    snap["charge"].update(
        soc=0.655,
        low=0.57,
        high=0.73,
        density=bumps((0.65, 0.048, 1.0)),
        likely=0.65,
        usable_ah=[2.2, 2.7, 3.2],
        usable_wh=[28.6, 35.1, 41.7],
        radio_v=[12.8, 12.9, 13.0],
        key_a=3.6,
        why="Ends at the reserve of 20 %; sending at peaks of 3.6 A the radio's volts would last to about 4 %.",
        rests_on="charge counted for 1 h 20 min from a start you gave as 62 ± 5 %",
        narrows="a full charge, or half an hour with the radio off",
        counted_ah=0.31,
    )
    snap["outlook"] = {"text": "The battery gains while sun and tempo stay like this.", "early_s": None, "late_s": None}
    return snap


def even() -> dict[str, Any]:
    snap = surplus()
    snap["solar"] = {"v": 13.12, "a": 0.98}
    snap["battery"] = {"v": 13.11, "a": 0.004, "c": 20.9}
    snap["load"] = {"v": 13.10, "a": 0.97, "a_max": 0.99}
    snap["cycle"].update(supply_a=0.98, demand_a=1.02, net_a=-0.04, keyed_a=1.9, verdict="even")
    snap["source"] = "sun"
    snap["sentence"] = {
        "tone": "even",
        "text": "Sun and station are about even.",
        "detail": "Over sending and receiving 0.04 A are missing; a small cloud tips it either way.",
    }
    return snap


def short_keyed() -> dict[str, Any]:
    snap = _demo(_live(base()))
    snap["solar"] = {"v": 12.66, "a": 0.81}
    snap["battery"] = {"v": 12.62, "a": -8.36, "c": 22.8}
    snap["load"] = {"v": 12.60, "a": 9.17, "a_max": 9.62}
    snap["cycle"] = {
        "supply_a": 0.81,
        "demand_a": 1.59,
        "net_a": -0.78,
        "receive_a": 0.55,
        "keyed_a": 3.9,
        "share": 0.31,
        "verdict": "short",
        "keyed": True,
    }
    snap["source"] = "sun+battery"
    snap["sentence"] = {
        "tone": "short",
        "text": "Sun and battery together carry the station.",
        "detail": "Over sending and receiving 0.78 A come out of the battery. Not for the whole evening at this pace.",
    }
    snap["charge"].update(
        soc=0.489,
        low=0.41,
        high=0.565,
        density=bumps((0.49, 0.047, 1.0)),
        likely=0.49,
        usable_ah=[1.26, 1.73, 2.19],
        usable_wh=[16.1, 22.2, 28.2],
        radio_v=[12.2, 12.3, 12.5],
        key_a=9.6,
        why="Ends at the reserve of 20 %; sending at peaks of 9.6 A the radio's volts would last to about 9 %.",
        rests_on="charge counted for 1 h 13 min from a start you gave as 62 ± 5 %",
        narrows="a full charge, or half an hour with the radio off",
        counted_ah=-0.78,
    )
    snap["ahead"] = ahead("tight", 0.81, changed="It was “stay on” until 23:12 UTC: less sun is expected, 0.62 A on "
                          "average instead of 0.94 A.")  # fmt: skip
    snap["outlook"] = {
        "text": "The reserve is reached in 1 h 05 min to 2 h 10 min",
        "early_s": SCENE_S + 3900,
        "late_s": SCENE_S + 7800,
    }
    snap["notices"] = [
        {
            "code": "draw-above-input",
            "severity": "caution",
            "title": "Draw is higher than the input",
            "seen": "1.59 A drawn over sending and receiving, 0.81 A from the sun",
            "likely": "cloud since 22:48, and sending 31 % of the time",
            "do": "Lower the power, send less, or aim the panel.",
            "since_s": SCENE_S - 340,
            "open": True,
        },
        {
            "code": "board-restarted",
            "severity": "info",
            "title": "The board restarted",
            "seen": "another boot number after 4 min of silence",
            "likely": "the cable was out",
            "do": "Nothing; the charge counted on the board was kept.",
            "since_s": SCENE_S - 2400,
            "open": False,
        },
    ]
    return snap


def battery_only() -> dict[str, Any]:
    snap = short_keyed()
    snap["demo"]["on"] = False
    snap["plan"] |= {"place": "", "panel_w": None, "panel_tilt": None, "panel_azimuth": None}
    snap["ahead"] = ahead("cut back", 0.44, changed="", morning=None, panel=False, changes=[
        {"change": "half the power", "gain_min": 40.0, "probability": 0.91}])  # fmt: skip
    snap["solar"] = {"v": 0.4, "a": 0.0}
    snap["battery"] = {"v": 12.92, "a": -0.56, "c": 12.2}
    snap["load"] = {"v": 12.90, "a": 0.55, "a_max": 0.56}
    snap["cycle"].update(supply_a=0.0, demand_a=0.97, net_a=-0.97, keyed_a=1.69, keyed=False)
    snap["source"] = "battery"
    snap["sentence"] = {
        "tone": "short",
        "text": "The battery alone carries the station.",
        "detail": "Over sending and receiving 0.97 A come out of it; nothing comes from the sun.",
    }
    snap["charge"].update(
        soc=0.44,
        low=0.27,
        high=0.71,
        two_peaks=True,
        density=bumps((0.32, 0.035, 0.5), (0.66, 0.04, 0.4), (0.5, 0.3, 0.1)),
        likely=0.325,
        peaks=[
            {"soc": 0.325, "low": 0.27, "high": 0.38, "share": 0.6},
            {"soc": 0.665, "low": 0.6, "high": 0.73, "share": 0.4},
        ],
        peaks_text="either about 32 % (60 % likely) or about 66 %",
        usable_ah=[0.42, 1.4, 3.06],
        usable_wh=[5.4, 18.0, 39.6],
        rests_on="volts at rest only; it is not known whether the battery was charged or discharged last",
        narrows="charging to full, or counting down to the knee below 20 %",
        counted_ah=-0.12,
    )
    return snap


def act_now() -> dict[str, Any]:
    snap = battery_only()
    snap["battery"].update(v=12.41, a=-3.62, c=-1.5)
    snap["load"].update(v=12.38, a=3.61, a_max=3.66)
    snap["cycle"].update(keyed=True, keyed_a=3.6, demand_a=1.6, net_a=-1.6)
    snap["sentence"] = {
        "tone": "act",
        "text": "Stop sending: the reserve is reached.",
        "detail": "What is left is kept for switching off in order and for the way home.",
    }
    snap["ahead"] = ahead("close down", 0.004, hour="Close down now.", changes=[], plan_b=None, plan_b_s=None,
                          most_mean_a=None, ends=[SCENE_S, SCENE_S + 60, SCENE_S + 900], morning=None)  # fmt: skip
    snap["charge"].update(
        soc=0.19,
        low=0.15,
        high=0.23,
        two_peaks=False,
        likely=0.19,
        density=bumps((0.19, 0.024, 1.0)),
        usable_ah=[0.0, 0.0, 0.18],
        usable_wh=[0.0, 0.0, 2.3],
        rests_on="charge counted for 3 h 40 min and the volts below the plateau",
        narrows="",
        counted_ah=-2.4,
    )
    snap["outlook"] = {"text": "", "early_s": None, "late_s": None}
    snap["notices"] = [
        {
            "code": "reserve",
            "severity": "act",
            "title": "The reserve is reached",
            "seen": "19 % left, reserve set at 20 %",
            "likely": "3 h 40 min on the air without sun",
            "do": "Stop sending. Switch the radio off; then the controller.",
            "since_s": SCENE_S - 12,
            "open": True,
        },
        {
            "code": "path-resistance",
            "severity": "warning",
            "title": "A connection has become worse",
            "seen": "100 mΩ more between box and radio over the last five overs",
            "likely": "a loose or dirty connector after the fuse",
            "do": "With the radio off, reseat the connectors; feel for warmth first.",
            "since_s": SCENE_S - 1460,
            "open": True,
        },
    ]
    snap["link"]["console"] = [
        "Traceback (most recent call last):",
        '  File "ampboard/sampler.py", line 88, in step',
        "OSError: [Errno 5] EIO",
    ]
    return snap


def cold_radio() -> dict[str, Any]:
    """Half full, but in the frost the radio's volts run out before the reserve does."""
    snap = short_keyed()
    snap["battery"].update(v=12.31, c=-7.5)
    snap["cycle"]["keyed"] = False
    snap["charge"].update(
        soc=0.55,
        low=0.47,
        high=0.63,
        likely=0.55,
        density=bumps((0.55, 0.047, 1.0)),
        usable_ah=[0.0, 0.48, 1.31],
        usable_wh=[0.0, 5.9, 16.1],
        limited_by="radio volts",
        stop=0.47,
        radio_v=[11.5, 11.8, 12.1],
        why="Ends sending at peaks of 9.6 A: the radio's plug falls below 11.7 V at about 47 %. "
        "The sun is taken as it is, 0.8 A. Nothing was measured below 5 °C: the pack may give less than this.",
    )
    snap["sentence"]["detail"] = (
        "The radio's volts may run out any minute and by 00:35 UTC at the latest: 47 % to 63 % is left."
    )
    snap["outlook"] = {"text": snap["sentence"]["detail"], "early_s": SCENE_S, "late_s": SCENE_S + 3900}
    return snap


def notice(code: str, severity: str, title: str, **more: Any) -> dict[str, Any]:
    """An open notice as the program sends it."""
    return {
        "code": code,
        "severity": severity,
        "title": title,
        "seen": "",
        "likely": "",
        "do": "",
        "figures": [],
        "read": "",
        "under": "",
        "since_s": SCENE_S - 60,
        "open": True,
        "state": "new",
        "at_s": None,
        "until_s": None,
        "minutes": [10] if severity == "act" else [10, 30, 60],
        **more,
    }


def many_notices() -> dict[str, Any]:
    """Of each kind and state one, and one whose cause is another."""
    snap = short_keyed()
    snap["points"] = {
        "where": "The solar shunt sits between panel and controller. The controller passes on 94 % of what it takes in "
        "(91 to 97 %, as learnt).",
        "agree": "The three points agree, within 0.02 A; board and controller take 14 mA beside them.",
        "ways": "Resistance, learnt from the key: 42 ± 3 mΩ up to the battery's tap (30 before 22:58 UTC), 8 ± 2 mΩ "
        "from there to the load's.",
    }
    snap["notices"] = [
        notice(
            "cold-charging", "act", "The battery is too cold to be charged",
            seen="-1.5 °C at the battery and 0.42 A going into it.",
            likely="The panel charges a cold battery. Charging LiFePO4 at or below 0 °C can damage it for good.",
            do="Disconnect the panel until the battery is above 5 °C; the battery's own sheet decides.",
            figures=["battery -1.5 °C", "battery 0.42 A"], read="CAUTIONS, The battery", since_s=SCENE_S - 30,
        ),
        notice(
            "sag-growing", "warning", "A connection up to the battery has become worse",
            seen="42 mΩ after 30 mΩ, over 12 overs.", likely="A loose, dirty or warm connector.",
            do="With the radio off, feel for warmth and reseat the connectors on the battery's side.",
            figures=["now 42 mΩ", "before 30 mΩ"], since_s=SCENE_S - 1460,
        ),
        notice(
            "radio-volts-low", "warning", "The radio's volts are getting low when keyed", under="sag-growing",
            seen="11.8 V to 12.1 V at its plug, reckoned over the lead; it needs 11.7 V.", since_s=SCENE_S - 1200,
        ),
        notice(
            "draw-above-input", "caution", "The draw is higher than the input", state="seen", at_s=SCENE_S - 100,
            seen="Averaged over sending and receiving the station draws 1.59 A and 0.81 A comes in.",
            do="Lower the power or send less, turn the panel to the sun.", figures=["supply 0.81 A", "demand 1.59 A"],
        ),
        notice(
            "battery-assumed", "info", "The battery is an assumption", state="later", at_s=SCENE_S - 100,
            until_s=SCENE_S + 1700, seen="20 Ah, 4 cells in series.", since_s=SCENE_S - 4000,
        ),
        *snap["notices"][1:],
    ]  # fmt: skip
    return snap


def checking() -> dict[str, Any]:
    """The guided check of the wiring, under way."""
    snap = surplus()
    snap["check"] = {
        "step": 2, "of": 4, "done": False, "name": "radio on", "say": "Switch the radio on and leave it on receive.",
        "caution": "If anything smells, smokes or gets hot, take the battery's fuse out.",
        "looks": "on which two channels the radio's draw appears, and which way round", "verdict": "odd",
        "seen": "Since everything was off: solar +0.00 A, battery +0.55 A, load +0.55 A.",
        "do": "The battery should give, not take: is its shunt the wrong way round?", "seconds": 12, "taps": None,
        "table": [],
    }  # fmt: skip
    return snap


def checked() -> dict[str, Any]:
    """The same at its end."""
    snap = checking()
    snap["check"] |= {
        "step": 5, "done": True, "name": "", "say": "", "caution": "", "looks": "", "verdict": "done",
        "seen": "The battery's channel is the wrong way round.", "do": "Swap its two sense leads, fuse out.",
        "table": [
            {"what": "Everything off", "found": "All below 0.02 A.", "verdict": "ok", "do": ""},
            {"what": "Directions", "found": "battery reversed: 0.55 A.", "verdict": "wrong", "do": "Swap its leads."},
            {"what": "Sun", "found": "0.12 A only.", "verdict": "look", "do": "Once more in full sun."},
        ],
    }  # fmt: skip
    return snap


def stale() -> dict[str, Any]:
    snap = short_keyed()
    snap.update(t=SCENE_S - 23.4, age_s=23.4, stale=True)
    snap["link"].update(state="lost", text="The port /dev/ttyACM0 is gone. Is the cable in? Looking again.")
    return snap


def two_boards_fetching() -> dict[str, Any]:
    snap = surplus()
    snap["boards"] = copy.deepcopy(BOARDS)
    snap["fetching"] = {"left": 6460, "total": 7700, "paused": False}
    work = Work("anew", _NAME, 29_000, "records", may_go_on=True)
    work.step(12_180)
    snap["work"] = [work.told() | {"left_s": 44.0}]
    return snap


STATES = {
    f.__name__: f
    for f in (searching, surplus, even, short_keyed, battery_only, act_now, many_notices, cold_radio, stale)
    + (two_boards_fetching, checking, checked)
}


def history(now_s: float = SCENE_S, hole: tuple[float, float] = (-260.0, -215.0)) -> dict[str, list[Any]]:
    """Ten minutes of 1 s points: overs of 15 s every 45 s, a cloud, and a hole where nothing was measured."""
    columns: dict[str, list[Any]] = {
        k: [] for k in ("n", "t", "solar_a", "load_a", "load_a_max", "battery_a", "battery_v", "battery_v_min")
    }
    for i in range(600):
        back = i - 600.0
        if hole[0] < back < hole[1]:
            continue
        cloud = 0.45 if -420 < back < -300 else 1.0
        solar = 0.98 * cloud + 0.03 * math.sin(i / 17)
        keyed = i % 45 < 15
        load = 0.55 + (2.6 * abs(math.sin(i * 0.9)) if keyed else 0.01 * math.sin(i))
        row = {
            "n": i,
            "t": now_s + back,
            "solar_a": solar,
            "load_a": load,
            "load_a_max": load * 1.9 if keyed else load + 0.02,
            "battery_a": solar - load - 0.012,
            "battery_v": 13.06 + (solar - load) * 0.1,
            "battery_v_min": 13.06 + (solar - load * (1.9 if keyed else 1.0)) * 0.1,
        }
        for key, value in row.items():
            columns[key].append(value)
    return columns


#: What the board counted while `history` has its hole.
GAPS = [{"t0": SCENE_S - 259.0, "t1": SCENE_S - 215.0, "battery_ah": 0.0041}]


def span(
    since_s: float,
    until_s: float,
    points: int = 600,
    *,
    begin_s: float = SCENE_S - 40 * 86400,
    gaps: tuple[tuple[float, float, float | None], ...] = (),
) -> dict[str, Any]:
    """
    An answer to /series: a made-up station with days and nights, its gaps (t0, t1, battery Ah), and sums that fit.

    Records begin at `begin_s` and end with the scene.
    """
    first, last = max(since_s, begin_s), min(until_s, SCENE_S)
    out: dict[str, Any] = {"since": since_s, "until": until_s, "level_s": 1, "t0": [], "t1": [], "battery_c": []}
    for tap in ("solar", "battery", "load"):
        for suffix in ("a", "a_min", "a_max", "v", "v_min", "v_max", "ah"):
            out[f"{tap}_{suffix}"] = []
    inside = [(a, b, ah) for a, b, ah in gaps if a < last and b > first]
    width = (until_s - since_s) / points
    for i in range(int(max(0.0, last - first) / width)):
        t0, t1 = first + i * width, first + (i + 1) * width
        if any(a < t1 and b > t0 for a, b, _ in inside):
            continue
        hour = ((t0 + t1) / 2 / 3600 - 6) % 24
        solar = max(0.0, 1.6 * math.sin((hour - 6.5) / 12 * math.pi)) * (0.8 + 0.2 * math.sin(t0 / 1700))
        sending = width < 3600 and int(t0 / max(60.0, width)) % 9 < 3
        load = 0.55 + (1.1 if sending else 0.0)
        out["t0"].append(t0)
        out["t1"].append(t1)
        for tap, a, low, high in (
            ("solar", solar, solar * 0.9, solar * 1.04),
            ("load", load, 0.54, 9.4 if sending else 0.57),
            ("battery", solar - load, solar - (9.4 if sending else 0.57), solar - 0.54),
        ):
            v = 13.1 + 0.1 * (solar - load)
            row = {"a": a, "a_min": low, "a_max": high, "v": v, "v_min": v - 0.15, "v_max": v + 0.02}
            for suffix, value in (row | {"ah": a * width / 3600}).items():
                out[f"{tap}_{suffix}"].append(value)
        out["battery_c"].append(16 + 6 * math.sin((hour - 9) / 12 * math.pi))
    out["gaps"] = [
        {"t0": a, "t1": b, "solar_ah": None if ah is None else 0.1, "battery_ah": ah, "load_ah": 0.2}
        for a, b, ah in inside
    ]
    out["total"] = {f"{tap}_ah": sum(out[f"{tap}_ah"]) for tap in ("solar", "battery", "load")} | {
        f"{tap}_gap_ah": sum(g[f"{tap}_ah"] or 0.0 for g in out["gaps"]) for tap in ("solar", "battery", "load")
    }
    out["total"] |= {
        f"{tap}_unknown_s": sum(min(g["t1"], last) - max(g["t0"], first) for g in out["gaps"] if g[f"{tap}_ah"] is None)
        for tap in ("solar", "battery", "load")
    }
    out["gaps_more"] = 0
    out["unsure_s"] = 0.02
    half = [0.5 + 0.25 * math.sin(t / 40000) for t in out["t0"]]
    out["estimates"] = [[t, m, m - 0.08, m + 0.07] for t, m in zip(out["t1"], half, strict=True)][
        :: max(1, points // 300)
    ]
    out["events"] = []
    out["periods"] = periods(out)
    out["whole"] = whole(out)
    out["marks"] = [[SCENE_S - 3000.0, "contact", ""], [SCENE_S - 300.0, "note", "wind from the lake"]]
    out["outings"] = [[SCENE_S - 4200.0, None], [SCENE_S - 90_000.0, SCENE_S - 79_000.0]]
    return out


def periods(data: dict[str, Any]) -> list[dict[str, Any]]:
    """A ledger by UTC day of a made-up span."""
    out = []
    for begin in range(int(data["since"] // 86400), int(-(-data["until"] // 86400)))[-62:]:
        inside = [i for i, t in enumerate(data["t0"]) if begin <= t / 86400 < begin + 1]
        one: dict[str, Any] = {"t0": begin * 86400.0, "t1": (begin + 1) * 86400.0}
        parts = (("sun", "solar", 0), ("load", "load", 0), ("into", "battery", 1), ("out", "battery", -1))
        for name, tap, sign in parts:
            ah = [data[f"{tap}_ah"][i] for i in inside]
            value = sum(ah) if not sign else sum(sign * x for x in ah if sign * x > 0)
            one |= {name: value if inside else None, f"{name}_wh": 13.1 * value if inside else None}
        known = sum(data["t1"][i] - data["t0"][i] for i in inside)
        one |= {"known_s": known, "unknown_s": max(0.0, 86400.0 - known), "untold_s": 0.0, "at_panel": False}
        out.append(_balanced(one, 0.012 * known / 3600 if inside else None))
    return out


def _balanced(one: dict[str, Any], own: float | None) -> dict[str, Any]:
    """With an own draw [Ah], and what is then not accounted for."""
    for ending, worth in (("", 1.0), ("_wh", 13.1)):
        four = [one[name + ending] for name in ("sun", "out", "load", "into")]
        some = own is not None and None not in four
        one |= {f"own{ending}": own * worth if own is not None else None, f"rest_off{ending}": 0.05 if some else None}
        rest = four[0] + four[1] - four[2] - four[3] - own * worth if some else None
        one[f"rest{ending}"] = rest
    return one


def whole(data: dict[str, Any]) -> dict[str, Any]:
    """The days as one."""
    one: dict[str, Any] = {"t0": data["since"], "t1": data["until"], "untold_s": 0.0, "at_panel": False}
    for name in (f"{part}{ending}" for part in ("sun", "load", "into", "out") for ending in ("", "_wh")):
        some = [p[name] for p in data["periods"] if p[name] is not None]
        one[name] = sum(some) if some else None
    one |= {name: sum(p[name] for p in data["periods"]) for name in ("known_s", "unknown_s")}
    return _balanced(one, 0.012 * one["known_s"] / 3600)


def box() -> dict[str, Any]:
    """What an invented box is; the form's fields are the program's own."""
    with tempfile.TemporaryDirectory() as folder, contextlib.closing(Store(Path(folder) / "s.sqlite")) as store:
        book = BoxBook(store, {"capacity_ah": 6.0, "series": 4, "reserve_soc": 0.2, **DEFAULTS}, True, lambda: SCENE_S)
        told = book.told()

    def reach(value: float, low: float, high: float) -> dict[str, float]:
        return {"value": value, "low": low, "high": high}

    health = {
        "capacity_ah": reach(5.74, 5.6, 5.9), "capacity_rests": "3 counted from empty to full",
        "here_ah": None, "here_c": None,
        "resistance_ohm": reach(0.031, 0.028, 0.034), "resistance_rests": "41 steps of the key",
        "efficiency": None, "efficiency_rests": "not known yet: it takes two charges to full",
        "cycles": 7, "full_cycles": 3, "equivalent_cycles": 5.2,
        "capacity_trend": None, "capacity_trend_rests": "not known yet: it takes half a year",
        "resistance_trend": None, "resistance_trend_rests": "not known yet", "suspicions": [],
        "nominal_ah": 6.0,
        "points": [[SCENE_S - 86400.0 * d, ah, 0.031] for d, ah in ((90, 5.81), (60, 5.78), (31, 5.70), (2, 5.74))],
    }  # fmt: skip
    channel = {"chip": "INA228", "shunt_nohm": 2_000_000}
    names = ("solar", "battery", "load")
    channels = [channel | {"name": n, "cal": {"amps": {}} if n != "solar" else None} for n in names]
    way = {"ohm": 0.034, "before_ohm": None}
    return told | {
        "name": "pico a1", "placement": "controller-output", "channels": channels,
        "paths": {"battery": way, "between": {"ohm": 0.021, "before_ohm": None}}, "health": health, "board": BOARD,
    }  # fmt: skip


def what_if(wishes: dict[str, Any], quick: bool = False) -> dict[str, Any]:
    """Of an invented station: straight fans, the steeper the more is drawn; not worked out by the program."""
    until = wishes.get("until") or SCENE_S + 3600

    def out(factor: float) -> dict[str, Any]:
        t = [SCENE_S - 20 + 300 * k for k in range(int((until + 3600 - SCENE_S) // 300) + 2)]
        middle = [49.0 - 9.0 * factor * k / 12 for k in range(len(t))]
        fan = [[round(max(0.0, min(100.0, m + z * (4.0 + 0.25 * k))), 1) for k, m in enumerate(middle)]
               for z in (-1.65, -0.67, 0.0, 0.67, 1.65)]  # fmt: skip
        chance = max(0.02, min(0.99, 1.25 - 0.4 * factor * (until - SCENE_S) / 3600))
        ends = [SCENE_S + x / factor for x in (6400.0, 11_000.0, 19_000.0)]
        runs = [100.0 for _ in t]
        return {"probability": chance, "ends": ends, "horizon": SCENE_S + 28_800, "limited_by": "reserve",
                "t": t, "fan": fan, "runs": runs}  # fmt: skip

    power = float(wishes.get("power", 1.0)) ** 0.5
    factor = 0.5 + 0.5 * power * float(wishes.get("share", 0.34)) / 0.34
    factor += 0.4 if wishes.get("panel") is False else 0.0
    return {
        "at": SCENE_S - 20, "until": until, "reserve": 20.0, "now": out(1.0), "then": out(factor),
        "regime": {"kind": "voice", "share": 0.34, "key_a": 3.1, "modes": ["voice", "Morse", "slots", "bursts"]},
        "sky": [[SCENE_S - 20 + 7200.0, "sunset"], [SCENE_S - 20 + 8900.0, "dark"]], "place": True,
        "paths": 500 if quick else 2000,
    }  # fmt: skip


class FakeSource:
    """Hands out whatever it was given last. Numbers every snapshot anew. `spans` answers /series, `asked` keeps how."""

    spans: Callable[..., dict[str, Any]] = staticmethod(span)

    def __init__(self, snap: dict[str, Any], points: dict[str, list[Any]] | None = None) -> None:
        self._changed = threading.Condition()
        self._snap: dict[str, Any] = {}
        self._n = 0
        self._points = points or {key: [] for key in history()}
        self.gaps: list[dict[str, Any]] = []
        self.asked: list[tuple[Any, ...]] = []
        self.refusal = ""
        self.marked = [
            marks.Mark(i + 1, SCENE_S + at_s, kind, text)
            for i, (at_s, kind, text) in enumerate(
                ((-4200.0, "begin", ""), (-3900.0, "contact", ""), (-3000.0, "contact", ""),
                 (-2400.0, "panel", ""), (-900.0, "contact", ""), (-300.0, "note", "wind from the lake"))
            )
        ]  # fmt: skip
        self._marked_again = 0
        self.box = box()
        self.brought: Intake | None = None
        self.put(snap)

    def put(self, snap: dict[str, Any], *, now: bool = False) -> None:
        """Show `snap`; `now` moves its times to the present, keeping its age."""
        snap = copy.deepcopy(snap)
        if now:
            shift = time.time() - snap["clock"]
            snap["clock"] += shift
            if snap["t"] is not None:
                snap["t"] += shift
        with self._changed:
            self._n += 1
            snap["n"] = self._n
            snap["marks"] = self._marked_again
            if self.brought is not None:
                snap["work"] = [one for one in snap["work"] if one["key"] != "import"] + self.brought.told()
            self._snap = snap
            self._changed.notify_all()

    def snapshot(self, board: str | None = None) -> dict[str, Any]:
        with self._changed:
            return self._of(board)

    def wait(self, n: int, timeout_s: float, board: str | None = None) -> dict[str, Any] | None:
        with self._changed:
            return self._of(board) if self._changed.wait_for(lambda: self._n > n, timeout_s) else None

    def _of(self, board: str | None) -> dict[str, Any]:
        """As the program does it: a board that is not there is answered with the one that is shown by itself."""
        known = board is not None and any(there["id"] == board for there in self._snap["boards"])
        return self._snap | {"board": board} if known else self._snap

    def history(self, since_n: int, board: str | None = None) -> dict[str, Any]:
        keep = [i for i, n in enumerate(self._points["n"]) if n > since_n]
        return {key: [column[i] for i in keep] for key, column in self._points.items()} | {"gaps": self.gaps}

    def series(self, board: str | None, since_s: float, until_s: float, points: int) -> dict[str, Any]:
        self.asked.append((board, since_s, until_s, points))
        return self.spans(since_s, until_s, points)

    def pause_fetching(self, board: str | None, pause: bool) -> None:
        self.asked.append((board, pause))
        snap = copy.deepcopy(self._snap)
        if snap["fetching"]:
            snap["fetching"]["paused"] = pause
        self.put(snap)

    def change_work(self, board: str | None, key: str, act: str) -> None:
        self.asked.append((board, key, act))
        if self.brought is not None and key == "import":
            self.brought.wish(act)

    def bring(self, file: str, name: str, size: int, at: int, data: bytes, sort: bool) -> None:
        assert self.brought is not None
        self.brought.piece(file, name, size, at, data, sort)

    def change_plan(self, board: str | None, wishes: dict[str, Any]) -> None:
        self.asked.append((board, wishes))
        if self.refusal:
            raise ConfigError(self.refusal)


    def change_notice(
        self, board: str | None, code: str, since_s: float, act: str, minutes: float | None = None
    ) -> None:
        self.asked.append((board, code, since_s, act, minutes))
        if self.refusal:
            raise ConfigError(self.refusal)
        snap = copy.deepcopy(self._snap)
        for one in snap["notices"]:
            if one["code"] == code:
                one.update(state={"seen": "seen", "later": "later"}.get(act, "new"), at_s=snap["clock"])
                one["until_s"] = None if minutes is None else snap["clock"] + 60 * minutes
        self.put(snap)


    def change_check(self, board: str | None, act: str) -> None:
        self.asked.append((board, act))
        if self.refusal:
            raise ConfigError(self.refusal)
        self.put(self._snap | {"check": {"begin": checking()["check"], "next": checked()["check"]}.get(act)})


    def what_if(self, board: str | None, wishes: dict[str, Any], quick: bool) -> dict[str, Any]:
        self.asked.append((board, "what_if", dict(wishes), quick))
        if self.refusal:
            raise ConfigError(self.refusal)
        return what_if(wishes, quick)

    def facts(self, board: str | None) -> dict[str, Any]:
        return copy.deepcopy(self.box)

    def tell(self, board: str | None, wish: dict[str, Any]) -> None:
        self.asked.append((board, wish))
        if self.refusal:
            raise ConfigError(self.refusal)
        for name, value in wish.get("set", {}).items():
            next(one for one in self.box["fields"] if one[1] == name)[4] = value
        if "set" in wish:
            self.box |= {"undo": True, "assumed": False}
            self.put(self._snap | {"first": None})

    def marks(self, board: str | None) -> dict[str, Any]:
        return marks.told(self.marked, SCENE_S) | {"changes": len(self.marked), "kinds": marks.KINDS}

    def change_marks(self, board: str | None, wish: dict[str, Any]) -> None:
        self.asked.append((board, wish))
        if self.refusal:
            raise ConfigError(self.refusal)
        if "back" in wish:
            self.marked = [m for m in self.marked if m.number != wish["back"]]
        else:
            number = 1 + max((m.number for m in self.marked), default=0)
            self.marked.append(marks.Mark(number, SCENE_S - 1.0, wish["kind"], wish.get("text", "")))
        self._marked_again += 1
        self.put(self._snap)


class Feeder:
    """Keeps a state fresh: puts it again ten times a second, as a board that streams would."""

    def __init__(self, source: FakeSource, snap: dict[str, Any], *, move: bool = False) -> None:
        self.snap = snap
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(source, move), daemon=True)
        self._thread.start()

    def _run(self, source: FakeSource, move: bool) -> None:
        while not self._stop.wait(0.1):
            source.put(self.snap, now=move)

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
