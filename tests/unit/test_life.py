"""The life of notices: seen, put off, worse, over and come again; what of it is kept, and what a restart finds."""

from __future__ import annotations

from dataclasses import replace

import pytest
from ampledger.core.watch import Notice
from ampledger.errors import ConfigError
from ampledger.life import ACT_MINUTES, MINUTES, Life
from ampledger.store import ACTS, Event

NOW = 1_789_000_000.0
SHORT = Notice("draw-above-input", "caution", "More goes out", "1.5 A", "", "", NOW - 60, {"demand_a": 1.5})
COLD = Notice("cold-charging", "warning", "Cold", "1 °C", "", "", NOW - 30, {"battery_c": 1.0})
DISK = Notice("disk-filling", "caution", "The disk is filling up", "150 MB", "", "", NOW - 10, {"free_mb": 150.0})


def state(life: Life, code: str, now_s: float = NOW) -> str:
    return life.standing(now_s)[code].state


def kinds(rows: list[Event]) -> list[tuple[str, str]]:
    return [(kind, code) for _, kind, code, _ in rows]


def test_a_notice_is_new_until_it_is_seen_and_the_act_is_kept_with_its_figures() -> None:
    life = Life()
    life.look(NOW, (SHORT, COLD), ())
    assert {code: s.state for code, s in life.standing(NOW).items()} == {SHORT.code: "new", COLD.code: "new"}
    life.act(NOW + 1, SHORT.code, SHORT.since_s, "seen")
    life.look(NOW + 2, (SHORT, COLD), ())
    assert state(life, SHORT.code) == "seen" and state(life, COLD.code) == "new"
    ((at_s, kind, code, values),) = life.take()
    assert (at_s, kind, code) == (NOW + 1, "seen", SHORT.code)
    assert values == {
        "since_s": SHORT.since_s, "severity": "caution", "title": "More goes out", "figures": {"demand_a": 1.5},
    }  # fmt: skip
    assert life.take() == []


def test_one_that_clears_and_comes_again_is_new() -> None:
    life = Life()
    life.look(NOW, (SHORT,), ())
    life.act(NOW, SHORT.code, SHORT.since_s, "seen")
    life.look(NOW + 1, (), ())
    life.look(NOW + 90, (replace(SHORT, since_s=NOW + 80),), ())
    assert state(life, SHORT.code) == "new"
    # Also where it was over between two looks.
    life.act(NOW + 91, SHORT.code, NOW + 80, "seen")
    life.look(NOW + 200, (replace(SHORT, since_s=NOW + 190),), ())
    assert state(life, SHORT.code) == "new"
    # A time that is known better by milliseconds, or earlier after concluding anew, is no new notice.
    life.act(NOW + 201, SHORT.code, NOW + 190, "seen")
    life.look(NOW + 202, (replace(SHORT, since_s=NOW + 190.4),), ())
    life.look(NOW + 203, (replace(SHORT, since_s=NOW + 150),), ())
    assert state(life, SHORT.code) == "seen" and life.standing(NOW)[SHORT.code].since_s == NOW + 150


@pytest.mark.parametrize(("act", "minutes"), [("seen", None), ("later", 60.0)])
def test_a_worse_one_is_new_again_and_stays_so_when_it_gets_better(act: str, minutes: float | None) -> None:
    life = Life()
    life.look(NOW, (COLD,), ())
    life.act(NOW, COLD.code, COLD.since_s, act, minutes)
    life.look(NOW + 1, (replace(COLD, severity="act"),), ())
    assert state(life, COLD.code, NOW + 1) == "new"
    life.look(NOW + 2, (COLD,), ())
    assert state(life, COLD.code, NOW + 2) == "new"
    rows = life.take()
    assert kinds(rows) == [(act, COLD.code), ("again", COLD.code)] and rows[1][3]["by"] == "worse"


def test_one_that_gets_better_stays_seen() -> None:
    life = Life()
    life.look(NOW, (replace(COLD, severity="act"),), ())
    life.act(NOW, COLD.code, COLD.since_s, "seen")
    life.look(NOW + 1, (COLD,), ())
    life.look(NOW + 2, (replace(COLD, severity="act"),), ())
    assert state(life, COLD.code) == "seen", "no worse than when it was seen"


def test_what_is_put_off_comes_back_and_a_clock_that_is_set_back_does_not_prolong_it() -> None:
    life = Life()
    life.look(NOW, (COLD,), ())
    life.act(NOW, COLD.code, COLD.since_s, "later", 10.0)
    s = life.standing(NOW + 599)[COLD.code]
    # WORKED: ten minutes are 600 s
    assert (s.state, s.at_s, s.until_s) == ("later", NOW, NOW + 600)
    assert state(life, COLD.code, NOW + 600) == "new"
    assert state(life, COLD.code, NOW + 300) == "new", "it does not go away again"
    life.act(NOW, COLD.code, COLD.since_s, "later", 10.0)
    assert state(life, COLD.code, NOW - 3600) == "new"
    life.act(NOW, COLD.code, COLD.since_s, "later", 30.0)
    life.act(NOW + 5, COLD.code, COLD.since_s, "again")
    assert state(life, COLD.code, NOW + 6) == "new"


def test_what_wants_acting_on_now_can_be_seen_but_not_put_off_for_long() -> None:
    life = Life()
    act = replace(COLD, severity="act")
    life.look(NOW, (act, SHORT), ())
    standing = life.standing(NOW)
    # BAR: the brief: 10 min at most, others 10, 30 or 60
    assert standing[act.code].minutes == ACT_MINUTES == (10,)
    assert standing[SHORT.code].minutes == MINUTES == (10, 30, 60)
    with pytest.raises(ConfigError, match="10 minutes. It wants acting on now"):
        life.act(NOW, act.code, act.since_s, "later", 30.0)
    for minutes in (None, 5.0, 61.0):
        with pytest.raises(ConfigError, match="10 or 30 or 60 minutes"):
            life.act(NOW, SHORT.code, SHORT.since_s, "later", minutes)
    assert state(life, act.code) == "new" and life.take() == []
    life.act(NOW, act.code, act.since_s, "later", 10.0)
    life.act(NOW, act.code, act.since_s, "seen")
    assert state(life, act.code) == "seen"


def test_an_act_about_one_that_is_over_or_another_one_is_refused_in_words() -> None:
    life = Life()
    life.look(NOW, (SHORT,), ())
    with pytest.raises(ConfigError, match="is over"):
        life.act(NOW, COLD.code, COLD.since_s, "seen")
    with pytest.raises(ConfigError, match="come again meanwhile"):
        life.act(NOW, SHORT.code, SHORT.since_s - 500, "seen")
    with pytest.raises(ConfigError, match="one of seen, later, again"):
        life.act(NOW, SHORT.code, SHORT.since_s, "delete")
    assert life.take() == []


def newest(rows: list[Event], kinds: tuple[str, ...]) -> list[Event]:
    return list({row[2]: row for row in rows if row[1] in kinds}.values())


def again(rows: list[Event]) -> Life:
    """The next run, from what was kept of this one."""
    return Life(newest(rows, ACTS), newest(rows, ("arose", "over")))


def test_after_a_restart_it_is_still_seen_or_put_off_unless_it_is_another_one_or_worse() -> None:
    life = Life()
    life.look(NOW, (SHORT, COLD), ())
    life.act(NOW, SHORT.code, SHORT.since_s, "seen")
    life.act(NOW, COLD.code, COLD.since_s, "later", 30.0)
    rows = life.take()
    second = again(rows)
    second.look(NOW + 60, (replace(SHORT, since_s=SHORT.since_s + 0.02), COLD), ())
    assert state(second, SHORT.code, NOW + 60) == "seen" and state(second, COLD.code, NOW + 60) == "later"
    assert state(second, COLD.code, NOW + 1800) == "new"
    other = again(rows)
    other.look(NOW + 60, (replace(SHORT, since_s=NOW + 30), replace(COLD, severity="act")), ())
    assert state(other, SHORT.code, NOW + 60) == "new" and state(other, COLD.code, NOW + 60) == "new"
    taken_back = again([*rows, (NOW + 1, "again", SHORT.code, {})])
    taken_back.look(NOW + 60, (SHORT,), ())
    assert state(taken_back, SHORT.code) == "new"
    strange = Life([(NOW, "seen", SHORT.code, {"since_s": "x"}), (NOW, "seen", COLD.code, {"severity": "loud"})])
    strange.look(NOW, (SHORT, COLD), ())
    assert state(strange, SHORT.code) == state(strange, COLD.code) == "new"


def test_one_of_the_programs_own_is_kept_from_its_beginning_to_its_end_and_goes_on_over_a_restart() -> None:
    life = Life()
    life.look(NOW, (), (DISK,))
    life.act(NOW, DISK.code, DISK.since_s, "seen")
    rows = life.take()
    assert kinds(rows) == [("arose", DISK.code), ("seen", DISK.code)] and rows[0][3]["figures"] == {"free_mb": 150.0}
    second = again(rows)
    second.look(NOW + 60, (), (replace(DISK, since_s=NOW + 59),))  # the next run saw it for the first time then
    s = second.standing(NOW + 60)[DISK.code]
    assert (s.state, s.since_s) == ("seen", DISK.since_s) and second.take() == []
    second.look(NOW + 90, (), ())
    assert kinds(second.take()) == [("over", DISK.code)]
    gone = again(rows)
    gone.look(NOW + 60, (), ())
    gone.look(NOW + 359, (), ())
    assert gone.take() == [], "it may take a while to show"
    gone.look(NOW + 361, (), ())
    assert kinds(gone.take()) == [("over", DISK.code)]
    gone.look(NOW + 400, (), (replace(DISK, since_s=NOW + 390),))
    assert state(gone, DISK.code) == "new" and kinds(gone.take()) == [("arose", DISK.code)]


def test_figures_that_move_are_kept_now_and_then_and_a_worse_one_of_the_programs_own_at_once() -> None:
    life = Life()
    life.look(NOW, (SHORT,), (DISK,))
    life.take()
    for k in range(1, 300):
        life.look(NOW + k, (replace(SHORT, figures={"demand_a": 1.5 + 0.01 * k}),), (DISK,))
    assert life.take() == []
    life.look(NOW + 300, (replace(SHORT, figures={"demand_a": 4.5}),), (replace(DISK, severity="warning"),))
    rows = life.take()
    assert kinds(rows) == [("altered", SHORT.code), ("altered", DISK.code)]
    assert rows[0][3]["figures"] == {"demand_a": 4.5} and rows[1][3]["severity"] == "warning"
    # WORKED: 4.5 to 3.5 A is 22 % of the larger, under the quarter that counts
    life.look(NOW + 900, (replace(SHORT, figures={"demand_a": 3.5}),), (replace(DISK, severity="warning"),))
    assert life.take() == []


def test_what_could_not_be_written_waits_in_order_and_is_bounded() -> None:
    life = Life()
    life.look(NOW, (SHORT,), ())
    for k in range(3000):
        life.act(NOW + k, SHORT.code, SHORT.since_s, "seen")
    rows = life.take()
    assert len(rows) == 2000 and rows[-1][0] == NOW + 2999
    life.act(NOW + 3000, SHORT.code, SHORT.since_s, "again")
    life.give_back(rows)
    rows = life.take()
    assert [row[0] for row in rows[-2:]] == [NOW + 2999, NOW + 3000]
