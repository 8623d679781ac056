"""What the page is told: charge, notices with their causes and figures, the three points and the ways between."""

from __future__ import annotations

import dataclasses
import json

import pytest
from ampledger import telling
from ampledger.core import estimate
from ampledger.core.crosscheck import Cross
from ampledger.core.engine import Engine
from ampledger.core.estimate import Peak
from ampledger.core.model import Battery, Interval, Start, Tap
from ampledger.core.paths import Paths, Way
from ampledger.core.usable import Station
from ampledger.core.watch import Notice
from ampledger.decode import Scale
from ampledger.life import Standing

BEGUN = estimate.read(estimate.begin(Battery(6.0), Start()))


def test_two_answers_are_named_with_the_likelier_first() -> None:
    peaks = (Peak(0.34, 0.3, 0.38, 0.4), Peak(0.71, 0.66, 0.76, 0.6))
    e = dataclasses.replace(BEGUN, two_peaks=True, peaks=peaks)
    assert telling.two_answers(e) == "either about 71 % (60 % likely) or about 34 %"
    swapped = tuple(p._replace(share=1.0 - p.share) for p in peaks)
    assert telling.two_answers(dataclasses.replace(e, peaks=swapped)) == "either about 34 % (60 % likely) or about 71 %"
    assert telling.two_answers(dataclasses.replace(e, two_peaks=False, peaks=peaks[:1])) == ""


def test_before_the_first_reading_the_charge_is_told_as_it_is_believed() -> None:
    engine = Engine(Battery(6.0), Start(0.8, 0.05), 0.25, station=Station(0.05, 11.2))
    charge = telling.figures(None, engine, "Looking for the board.")["charge"]
    # WORKED: 80 % less 25 % of 6 Ah.
    assert abs(charge["usable_ah"][1] - 3.3) < 0.1
    assert charge["limited_by"] == "reserve" and charge["stop"] == 0.25 and charge["radio_v"] is None
    assert charge["reckoned"] == "6 Ah, 4 cells in series, curve lfp26650; 50 mΩ to a radio that needs 11.2 V"
    assert "Nothing has been sent yet" in charge["why"]


def test_with_readings_all_of_it_is_told_and_is_json() -> None:
    engine, view = Engine(Battery(6.0), Start(0.6, 0.05)), None
    for k in range(400):
        keyed = k % 60 >= 40
        a = 8.0 if keyed else 0.5
        v = 13.1 - 0.05 * (a - 1.0)
        load = Tap(v, a, a, a_max=a + 1.0 if keyed else a)
        battery = Tap(v, 1.0 - a, 1.0 - a)
        view = engine.step(Interval(1.8e9 + k, 1.0, battery, Tap(v, 1.0, 1.0), load, 20.0))
    assert view is not None and view.usable is not None
    told = telling.figures(view, engine, "")
    charge = json.loads(json.dumps(told["charge"]))
    assert charge["usable_ah"] == list(view.usable.ah) and charge["usable_wh"] == list(view.usable.wh)
    assert charge["likely"] == view.estimate.likely and charge["key_a"] == 9.0
    # WORKED: 13.1 V less 9 A (and 1 A of sun off) over 0.05 ohm and 9 A over the lead's 0.03: 12.43 V; what builds up
    # within an over (0.4 of 0.0167 ohm x 7 A, 0.05 V) comes off as well, and the resistance is learnt, not known.
    assert abs(charge["radio_v"][1] - 12.38) < 0.06
    assert charge["radio_min_v"] == 11.7 and charge["why"] == view.usable.why
    assert charge["peaks"] == [p._asdict() for p in view.estimate.peaks]


# --- notices ---


def of(code: str, severity: str, since_s: float = 100.0) -> Notice:
    return Notice(code, severity, code, "", "", "", since_s)


def listed(*notices: Notice) -> list[tuple[str, str]]:
    standing = {n.code: Standing(n.since_s, "new", None, None, (10,)) for n in notices}
    return [(n["code"], n["under"]) for n in telling.shown(notices, standing)]


def test_the_worst_comes_first_and_of_equals_the_newest() -> None:
    found = listed(of("a", "info"), of("b", "act"), of("c", "warning", 100.0), of("d", "warning", 200.0))
    assert found == [("b", ""), ("d", ""), ("c", ""), ("a", "")]


def test_a_notice_stands_under_its_cause_unless_that_is_over_or_weighs_less(monkeypatch: pytest.MonkeyPatch) -> None:
    under = {"radio": "sag", "sag": "contact", "loop-1": "loop-2", "loop-2": "loop-1", "self": "self"}
    monkeypatch.setattr(
        telling, "fold", lambda ns: tuple(dataclasses.replace(n, under=under.get(n.code, "")) for n in ns)
    )
    assert dict(listed(of("radio", "caution"), of("sag", "warning"))) == {"radio": "sag", "sag": ""}
    # The outermost cause has them all.
    chain = dict(listed(of("radio", "caution"), of("sag", "caution"), of("contact", "warning")))
    assert chain == {"radio": "contact", "sag": "contact", "contact": ""}
    assert dict(listed(of("radio", "act"), of("sag", "warning"))) == {"radio": "", "sag": ""}
    chain = dict(listed(of("radio", "caution"), of("sag", "warning"), of("contact", "caution")))
    assert chain == {"radio": "sag", "sag": "", "contact": ""}, "no further than to what weighs as much"
    assert dict(listed(of("radio", "caution"))) == {"radio": ""}
    loop = dict(listed(of("loop-1", "info"), of("loop-2", "info"), of("self", "info")))
    assert loop == {"loop-1": "", "loop-2": "", "self": ""}


def test_figures_are_told_with_name_and_unit() -> None:
    figures = {
        "supply_a": 0.814, "battery_c": -1.54, "before_ohm": 0.0304, "soc_low": 0.405, "free_mb": 149.6, "edges": 12.0,
        "mah_per_day": 336.0, "size": 0.9123, "gone_v": float("nan"),
    }  # fmt: skip
    assert telling.figures_in_words(figures) == [
        "supply 0.81 A", "battery -1.5 °C", "before 30 mΩ", "charge low 40 %", "free 150 MB", "edges 12",
        "336 mAh per day", "size 0.912",
    ]  # fmt: skip


# --- the three points ---


NO_CROSS, NO_PATHS = Cross(), Paths()


def points(
    cross: Cross = NO_CROSS, paths: Paths = NO_PATHS, placement: str = "controller-output"
) -> dict[str, str]:
    engine = Engine(Battery(6.0), Start(0.6, 0.05))
    view = engine.step(Interval(1.8e9, 1.0, Tap(13.1, -0.5), Tap(13.1, 0.5), Tap(13.1, 1.0)))
    view = dataclasses.replace(view, cross=cross, paths=paths)
    told: dict[str, str] = telling.points(view, scale(placement))["points"]
    return told


def scale(placement: str) -> Scale:
    values = {f.name: None for f in dataclasses.fields(Scale)}
    return Scale(**{**values, "placement": placement})  # type: ignore[arg-type]


def test_where_the_solar_shunt_sits_and_what_the_controller_passes_on_is_told() -> None:
    assert points()["where"] == "The solar shunt sits behind the controller."
    panel = points(Cross(efficiency=(0.912, 0.941, 0.968)), placement="panel-side")
    assert panel["where"] == (
        "The solar shunt sits between panel and controller. The controller passes on 94 % of what it takes in "
        "(91 to 97 %, as learnt)."
    )
    assert telling.points(None, None)["points"] == {"where": "", "agree": "", "ways": ""}


@pytest.mark.parametrize(
    ("cross", "says"),
    [
        (Cross(), "Whether the three points agree can't be checked now."),
        (Cross(derived="solar"), "The sun's amps are made of the other two, so nothing checks them."),
        (Cross(0.012, closed=True), "The three points agree, within 0.01 A."),
        (Cross(-0.02, 0.0144, closed=True), "within 0.02 A; board and controller take 14 mA beside them."),
        (Cross(-0.02, -0.003, closed=True), "The three points agree, within 0.02 A."),
        (Cross(0.42, closed=False), "The three points disagree by 0.42 A."),
        (Cross(-0.42, channel="load", lie="gain", size=0.5, closed=False), "by 0.42 A: the load channel reads 0.50"),
        (Cross(0.4, channel="solar", lie="offset", size=-0.4, closed=False), "the solar channel is off by -0.40 A."),
        (Cross(0.4, channel="battery", lie="sign", closed=False), "battery channel reads with the wrong sign."),
        (Cross(0.4, channel="load", lie="missing", closed=True), "load channel misses current that goes around"),
        (Cross(0.4, lie="unknown", closed=False), "one of them is wrong, and which can't be told."),
        (Cross(0.4, lie="offset", closed=False), "a channel is off, or something draws that passes no tap."),
    ],
)
def test_whether_the_three_points_agree_is_told(cross: Cross, says: str) -> None:
    assert says in points(cross)["agree"]


def test_resistances_are_told_with_their_uncertainty_and_what_they_were() -> None:
    # WORKED: 1.645 standard deviations of 2 mOhm are 3.3; 12600 s into the day 20833 is 03:30
    ways = Paths(Way(0.042, 0.002, 31, 0.030, 20833 * 86400 + 12600.0), Way(0.008, 0.001, 31))
    assert points(paths=ways)["ways"] == (
        "Resistance, learnt from the key: 42 ± 3 mΩ up to the battery's tap (30 before 03:30 UTC), "
        "8 ± 2 mΩ from there to the load's."
    )
    assert points()["ways"] == ""


def test_with_the_solar_tap_at_the_panel_what_is_shown_adds_up_and_the_panels_figures_stand_beside_it():
    engine = Engine(Battery(20.0), Start(0.6))
    taps = Tap(13.2, 1.0, 1.0), Tap(18.0, 1.2, 1.2), Tap(13.2, 0.5, 0.5)
    view = engine.step(Interval(1e9, 1.0, *taps, 20.0, own_a=0.01, at_panel=True))
    told = telling.figures(view, engine, "")
    # WORKED: behind the controller flow 1.0 + 0.5 + 0.01 A at the bus's 13.2 V.
    assert told["solar"] == {"v": 13.2, "a": pytest.approx(1.51), "panel_v": 18.0, "panel_a": 1.2}
    assert told["cycle"]["supply_a"] == pytest.approx(1.51)
    view = engine.step(Interval(1e9 + 1.0, 1.0, *taps, 20.0, own_a=0.01))
    assert telling.figures(view, engine, "")["solar"] == {"v": 18.0, "a": 1.2, "panel_v": None, "panel_a": None}
