"""The decision: when the shown verdict changes, and what is said of it."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import pytest
from ampledger.core.decision import PAST_LINE, Decision, settle
from ampledger.core.forecast import LISTEN, Change, Forecast, Verdict, lines

NOW_S = 1_789_255_800.0  # 23:30 UTC
UNTIL_S = NOW_S + 3600.0
# WORKED: caution 9 wants 9 / 10; tight from 1 - 2.5 x 0.1 on
STAY, TIGHT = 0.9, 0.75
HALF = Change("half the power", 25.0, 0.93)


def foreseen(p: float, at_s: float = NOW_S, **more: Any) -> Forecast:
    """A forecast whose verdict follows from `p` and the changes, as `forecast` gives it."""
    changes = more.pop("changes", (HALF,))
    best = max((c.probability for c in changes if c.change != LISTEN), default=0.0)
    verdict: Verdict = "stay on" if p >= STAY else "tight" if p >= TIGHT else "cut back"
    verdict = "close down" if verdict == "cut back" and best < TIGHT else verdict
    values: dict[str, Any] = {
        "soc": 0.5, "capacity_ah": 6.0, "load_a": 1.5, "sun_a": 0.5, "limited_by": "reserve", "until_s": UNTIL_S,
        "lasts_until": (at_s + 1800, at_s + 3000, at_s + 5000), "horizon_s": at_s + 8 * 3600, **more,
    }  # fmt: skip
    return Forecast(now_s=at_s, probability=p, verdict=verdict, reasons=(), changes=changes, **values)


def course(*steps: float | Forecast) -> list[Decision]:
    """Decisions of forecasts a minute apart."""
    out: list[Decision] = []
    for k, step in enumerate(steps):
        now = foreseen(step, NOW_S + 60 * k) if isinstance(step, float) else replace(step, now_s=NOW_S + 60 * k)
        out.append(settle(out[-1] if out else None, now))
    return out


def verdicts(*steps: float | Forecast) -> list[str]:
    return [d.verdict for d in course(*steps)]


def test_the_lines_are_those_of_the_caution() -> None:
    assert lines(9.0) == pytest.approx((STAY, TIGHT))
    assert lines(1.0) == (0.5, 0.5)


def test_the_first_verdict_is_the_forecasts_and_nothing_has_changed() -> None:
    (first,) = course(0.80)
    assert (first.verdict, first.changed, first.since_s, first.waits) == ("tight", "", NOW_S, None)


def test_just_below_a_line_it_takes_two_forecasts_in_a_row() -> None:
    assert verdicts(0.91, 0.89, 0.89) == ["stay on", "stay on", "tight"]
    assert verdicts(0.91, 0.89, 0.91, 0.89, 0.91) == ["stay on"] * 5, "to and fro at the line nothing flips"
    assert verdicts(0.89, 0.91, 0.91) == ["tight", "tight", "stay on"], "and upwards"
    assert course(0.91, 0.89)[-1].waits == "tight"


def test_past_a_line_it_changes_at_once() -> None:
    assert verdicts(0.91, STAY - PAST_LINE - 0.001) == ["stay on", "tight"]
    assert verdicts(0.91, STAY - PAST_LINE + 0.001) == ["stay on", "stay on"]
    assert verdicts(0.80, STAY + PAST_LINE) == ["tight", "stay on"]
    assert verdicts(0.95, 0.40) == ["stay on", "cut back"], "over two lines"
    assert verdicts(0.40, 0.95) == ["cut back", "stay on"]


def test_between_a_line_passed_and_one_just_touched_it_goes_as_far_as_is_certain() -> None:
    assert verdicts(0.95, 0.74, 0.74) == ["stay on", "tight", "cut back"]


def test_close_down_comes_at_once_and_goes_only_with_certainty() -> None:
    none = foreseen(0.74, changes=(Change("half the power", 2.0, 0.74),))
    barely = foreseen(0.74, changes=(Change("half the power", 2.0, 0.76),))
    surely = foreseen(0.74, changes=(Change("half the power", 9.0, 0.79),))
    assert verdicts(0.76, none) == ["tight", "close down"]
    assert verdicts(none, barely, none, barely) == ["close down"] * 4
    assert verdicts(none, barely, barely) == ["close down", "close down", "cut back"]
    assert verdicts(none, surely) == ["close down", "cut back"]
    assert verdicts(none, 0.76) == ["close down", "close down"]


def test_close_down_names_the_hour_by_which_one_in_ten_has_ended() -> None:
    (d,) = course(foreseen(0.1, changes=()))
    assert d.hour == "Close down by 00:00 UTC at the latest."  # WORKED: 23:30 and 1800 s
    (d,) = course(foreseen(0.1, changes=(), lasts_until=(NOW_S + 20, NOW_S + 900, NOW_S + 1800)))
    assert d.hour == "Close down now."


def test_where_only_listening_lasts_it_is_closing_down_and_says_so() -> None:
    silent, little = Change(LISTEN, 300.0, 0.97), Change("half the power", 5.0, 0.5)
    (d,) = course(foreseen(0.3, changes=(silent, little), plan_b=LISTEN, plan_b_s=NOW_S + 1200))
    assert d.verdict == "close down" and d.hour == "Close down by 00:00 UTC at the latest."
    assert d.says == (
        "Going on as now, the station lasts until 00:30 UTC in 30 of 100 ways; only without sending, listening alone, "
        "does it last, in 97 of 100."
    )
    (none,) = course(foreseen(0.3, changes=(replace(silent, probability=0.5), little)))
    assert none.says.endswith("and no change known here makes that likely.")
    # it does not lift "close down", and is not what "cut back" rests on
    assert verdicts(foreseen(0.3, changes=(silent, little)), foreseen(0.3, changes=(silent, HALF))) == [
        "close down", "cut back"
    ]  # fmt: skip
    barely = Change("half the power", 9.0, 0.76)
    off, on = foreseen(0.3, changes=(silent, little)), foreseen(0.3, changes=(silent, barely))
    assert verdicts(off, on) == ["close down", "close down"]
    (cut,) = course(foreseen(0.3, changes=(silent, barely), plan_b=LISTEN, plan_b_s=NOW_S + 1200))
    assert "with “half the power”, in 76 of 100" in cut.says
    assert cut.hour == "Sending no more by 23:50 UTC still reaches it nine times in ten."


def test_another_plan_counts_at_once_and_is_named() -> None:
    first = settle(None, foreseen(0.91))
    later = settle(first, foreseen(0.89, NOW_S + 60, until_s=UNTIL_S + 1800))
    assert later.verdict == "tight"
    assert later.changed == "It was “stay on” until 23:31 UTC: the closing time is later, 01:00 UTC."
    panel = settle(first, foreseen(0.89, NOW_S + 60), replanned=True)
    assert panel.verdict == "tight" and panel.changed.endswith("the plan is another.")


@pytest.mark.parametrize(
    ("figures", "says"),
    [
        ({"load_a": 2.1}, "more is drawn, 2.10 A on average instead of 1.50 A"),
        ({"sun_a": 0.1}, "less sun is expected, 0.10 A on average instead of 0.50 A"),
        # WORKED: 3.00 Ah less one minute of 1 A are 2.983 Ah; 0.45 x 6 = 2.70 Ah
        ({"soc": 0.45}, "0.28 Ah less is left than was expected"),
        # What has become better explains nothing that has become worse.
        ({"load_a": 0.2, "sun_a": 0.3}, "less sun is expected, 0.30 A on average instead of 0.50 A"),
        ({"load_a": 0.2}, "little has changed, it was close before"),
        ({}, "little has changed, it was close before"),
    ],
)
def test_a_verdict_that_changes_says_what_changed_most(figures: dict[str, float], says: str) -> None:
    last = course(0.95, foreseen(0.80, **figures))[-1]
    assert last.verdict == "tight" and last.changed == f"It was “stay on” until 23:31 UTC: {says}."


def test_what_changed_is_counted_from_when_the_verdict_was_set_and_stays_said() -> None:
    slowly = [foreseen(0.95, load_a=1.5 + 0.1 * k) for k in range(6)]
    last = course(*slowly, foreseen(0.80, load_a=2.2), foreseen(0.81, load_a=2.2))
    assert "2.20 A on average instead of 1.50 A" in last[-2].changed
    assert last[-1].changed == last[-2].changed and last[-1].since_s == NOW_S + 360


def test_upwards_it_says_what_became_better() -> None:
    last = course(0.80, foreseen(0.95, load_a=0.9, sun_a=0.3))[-1]
    assert last.changed == "It was “tight” until 23:31 UTC: less is drawn, 0.90 A on average instead of 1.50 A."


def test_times_that_begin_anew_begin_the_decision_anew() -> None:
    first = settle(None, foreseen(0.95))
    again = settle(first, foreseen(0.89, NOW_S - 86400))
    assert (again.verdict, again.changed) == ("tight", "")


def test_sentences_carry_the_chance_the_reason_and_the_hour_of_the_newest_forecast() -> None:
    d = course(0.91, foreseen(0.89, soc=0.4))[-1]
    assert d.verdict == "stay on"
    assert d.says == "Going on as now, the station lasts until 00:30 UTC in 89 of 100 ways."
    assert d.reason.startswith("About 2.4 Ah in the battery, 1.50 A drawn on average, 0.50 A from the sun")
    assert d.hour == "One time in ten it ends by 00:00 UTC, and one time in two by 00:20 UTC."
    cut = course(foreseen(0.4, plan_b="half the power", plan_b_s=NOW_S + 600))[-1]
    assert "with “half the power”, in 93 of 100" in cut.says
    assert cut.hour == "“Half the power” by 23:40 UTC still reaches it nine times in ten."


def test_a_half_is_rounded_as_the_page_rounds_it() -> None:
    # WORKED: 36.5 and 37.5 of 100 both go up, as Math.round has them beside the word; Python's round gives 36 and 38
    assert "37 of 100" in settle(None, foreseen(0.365)).says and "38 of 100" in settle(None, foreseen(0.375)).says


def test_no_sentence_promises_or_says_the_forbidden_word() -> None:
    words = set()
    ends: tuple[Any, ...] = ("reserve", "radio volts", "battery empty", "protection")
    times = ((30.0, 900.0, 1800.0), (1800.0, 3000.0, 5000.0), (8 * 3600.0,) * 3)
    for p, limit, lasts, changes in itertools.product((0.0, 0.3, 0.8, 0.92, 1.0), ends, times, ((), (HALF,))):
        three = tuple(NOW_S + x for x in lasts)
        d = settle(None, foreseen(p, limited_by=limit, lasts_until=three, changes=changes))
        words.add(d.verdict)
        for text in (d.says, d.reason, d.hour):
            assert text.endswith(".") and text.count(". ") == 0, "one sentence each"
            assert "safe" not in text.lower() and "100 of 100" not in text and " 0 of 100" not in text
            assert "nan" not in text and "None" not in text
    assert words == {"stay on", "tight", "cut back", "close down"}
