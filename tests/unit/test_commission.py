"""The commissioning table: every verdict, and that a mistake in wiring is named."""

from __future__ import annotations

import argparse
import json
import os
import re
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from ampledger import commission, link, session, wire
from ampledger.commission import CheckReport, Row, Seen, check, pace, rows, run_check
from ampledger.core.taps import WIRINGS, fitting
from ampledger.errors import ConfigError
from ampledger.session import Stamp
from hypothesis import given, settings
from hypothesis import strategies as st
from test_session import UNIX_S, FakeBoard, talk

CHIPS = [{"name": n, "alive": True, "ids": {"maker": "5449", "device": "2281"}} for n in wire.CHANNELS]
HEALTH = {"free_flash": 1_500_000, "free_heap": 90_000, "chips": CHIPS, "clears": 0, "temp_c16": 330}
LOG = {"s": 10, "records": 500, "bytes": 60_000, "limit": 1_100_000, "damaged": 0, "trouble": ""}


@pytest.fixture
def board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeBoard]:
    b = FakeBoard(tmp_path)
    b.flow = lambda t: (3.0, 0.9999, 2.0)
    b.health = dict(HEALTH)
    b.more_info = {"log": dict(LOG)}
    for i, name in enumerate(wire.CHANNELS):
        b.calibration.set(name, "amps", "wide", 1000 + i, 0, 0, int(UNIX_S) - 86400, 400, "m", False, 81_920_000)
        b.calibration.set(name, "count", None, 2000 + i, 0, 0, int(UNIX_S) - 86400, 400, "crystal", False, 1_000_000)
    b.start()
    monkeypatch.setattr(link, "opened", b.opener)
    monkeypatch.setattr(link, "board_ports", lambda: ["/dev/x"])
    monkeypatch.setattr(session.time, "sleep", b.pass_time)
    yield b
    assert not b.open, "the port is let go"


def look(board: FakeBoard, idle: bool = False) -> tuple[CheckReport, dict[str, Row]]:
    with talk(board) as s:
        report = check(s, 10.0, idle, lambda: UNIX_S + board.now_s)
    by_name = {r.what: r for r in report.rows}
    assert len(by_name) == len(report.rows), "every row has a name of its own"
    text = json.dumps(report.to_dict())
    assert not re.search(r"\bsafe|None|nan|\binf\b", text), text
    return report, by_name


def test_a_box_without_a_fault_has_nothing_to_look_at(board: FakeBoard) -> None:
    report, by = look(board)
    assert {r.verdict for r in report.rows} == {"ok"}, [r for r in report.rows if r.verdict != "ok"]
    assert "ina228 at 0x40, range wide, ids device 2281 maker 5449; answers" in by["solar chip"].found
    assert "peak 3.0" in by["solar range"].found and "of 81.9 A" in by["solar range"].found
    noise = re.match(r"([\d.]+) mA, ([\d.]+) mV", by["load noise"].found)
    # The pretended board has 2 mA and 1 mV; the standard deviation of 100 readings is known to 7 %.
    assert noise and float(noise[1]) == pytest.approx(2.0, rel=0.3) and float(noise[2]) == pytest.approx(1.0, rel=0.3)
    # WORKED: 1 100 000 bytes at 120 bytes a record of 10 s: 25.5 h.
    assert "room for about 25 h" in by["log"].found
    assert by["readings"].found.startswith("100 in 10.0 s, 0 lost")
    assert "(1 days ago)" in by["load amps cal."].found


def test_no_row_is_left_out_of_the_table_and_nothing_depends_on_colour(board: FakeBoard) -> None:
    report, _ = look(board)
    for width in (60, 100, 160):
        text = report.text(width)
        assert max(len(line) for line in text.splitlines()) <= width, text
        for row in report.rows:
            assert re.search(rf"^{re.escape(row.what)} .* {row.verdict}$", text, re.M), row
        assert "\x1b" not in text
        assert "0 wrong, 0 to look at" in text and "CAUTIONS.md" in text


@pytest.mark.parametrize(
    ("flow", "wrong", "says"),
    [
        # In the sun, 3 A in, 2 A drawn, 1 A charging; at night 2 A drawn.
        ((3.0, -1.0, 2.0), "balance", "the channel called battery is reversed"),
        ((3.0, 1.0, -2.0), "load sign", "the channel called load is reversed"),
        ((-3.0, 1.0, 2.0), "solar sign", "the channel called solar is reversed"),
        ((2.0, 1.0, 3.0), "balance", "solar measures the load; the channel called load measures the controller's"),
        ((1.0, 3.0, 2.0), "balance", "solar measures the battery; the channel called battery measures the controller"),
        ((0.0, -2.0, -2.0), "load sign", "the channel called load is reversed"),
        ((0.0, 2.0, 2.0), "balance", "the channel called battery is reversed"),
        ((0.0, 2.0, -2.0), "load sign", "battery measures the load; the channel called load measures the battery"),
        ((3.0, 0.0, 2.0), "balance", "battery shows nothing where +1.000 A should flow"),
        ((0.0, 1.0, 2.0), "balance", "solar shows nothing where +3.000 A should flow"),
    ],
)
def test_a_channel_that_is_reversed_exchanged_or_open_is_named(
    board: FakeBoard, flow: tuple[float, float, float], wrong: str, says: str
) -> None:
    board.flow = lambda t: flow
    report, by = look(board)
    assert by[wrong].verdict == "wrong" and by["balance"].verdict == "wrong"
    assert says in by["balance"].found, by["balance"]
    assert report.count("wrong") >= 1 and by["balance"].do


@settings(max_examples=200, deadline=None)
@given(st.floats(0.0, 8.0), st.floats(0.0, 8.0), st.sampled_from([w for w in WIRINGS if w.mistakes == 1]))
def test_whatever_flows_the_simplest_mistake_is_among_those_named(solar: float, load: float, wiring: Any) -> None:
    true = [solar, solar - load - 0.03, load]
    shown = [0.0, 0.0, 0.0]
    for tap in range(3):
        shown[wiring.order[tap]] = wiring.signs[tap] * true[tap]
    limit, back = 0.03, 0.05
    fits = abs(shown[1] - (shown[0] - shown[2] - 0.03)) <= limit and min(shown[0], shown[2]) >= -back
    if not fits:
        assert wiring in fitting(shown, 0.03, limit, back)


def test_a_gain_that_is_off_names_the_channels_that_may_be_it(board: FakeBoard) -> None:
    board.errors[2] = (0.04, 0.0)
    board.flow = lambda t: (0.0, -5.0, 5.0)
    _, by = look(board)
    # WORKED: 5 A shown as 5 / 1.04 = 4.808 A: 0.192 A apart, where tolerances of 0.5 % let 0.05 A pass.
    assert by["balance"].verdict == "wrong" and "One of these disagrees" in by["balance"].found
    assert "battery (shows -5.000 A" in by["balance"].found and "load (shows +4.80" in by["balance"].found
    assert "solar (" not in by["balance"].found, "by night it can't be the sun"
    board.errors[2] = (0.02, 0.0)
    _, by = look(board)
    assert by["balance"].verdict == "look"


def test_without_current_signs_can_not_be_told(board: FakeBoard) -> None:
    board.flow = lambda t: (0.05, 0.0199, 0.03)
    _, by = look(board)
    assert by["balance"].verdict == "look" and "too little flows to tell signs" in by["balance"].found


def test_on_the_panel_side_watts_are_added(board: FakeBoard) -> None:
    board.more_info["solar_placement"] = "panel-side"
    board.volts = [18.0, 13.2, 13.2]
    # WORKED: 13.2 V x (1.7 + 2.0 + 0.0001 A) of 18 V x 3 A are 48.84 of 54 W: 90.4 %.
    board.flow = lambda t: (3.0, 1.7, 2.0)
    _, by = look(board)
    assert by["balance"].verdict == "ok" and "90.4 % of the panel's 54.0 W" in by["balance"].found
    assert by["bus volts"].verdict == "ok" and "solar" not in by["bus volts"].found
    # WORKED: the load's shunt bypassed leaves 13.2 x 1.7 = 22.4 of 54 W, 41.6 %.
    board.flow = lambda t: (3.0, 1.7, 0.0)
    _, by = look(board)
    assert by["balance"].verdict == "wrong" and "41.6 %" in by["balance"].found and "--guided" in by["balance"].do
    board.flow = lambda t: (0.1, -1.9, 2.0)
    _, by = look(board)
    assert by["balance"].verdict == "look" and "hardly any sun" in by["balance"].found


def test_offsets_are_judged_only_when_nothing_flows(board: FakeBoard) -> None:
    assert "load offset" not in look(board)[1]
    board.flow = lambda t: (0.0, -0.0001, 0.0)
    board.errors = [(0.0, -0.020), (0.0, -0.003), (0.0, -1.5)]
    _, by = look(board, idle=True)
    assert by["solar offset"].verdict == "look" and "calibrate --zero" in by["solar offset"].do
    # WORKED: 20 mA x 24 h = 0.48 Ah.
    assert "0.48 Ah in a day" in by["solar offset"].found
    assert by["battery offset"].verdict == "ok" and by["load offset"].verdict == "wrong"
    assert "not checked" in by["balance"].found


def test_the_boards_own_draw_is_no_offset(board: FakeBoard) -> None:
    board.more_info["own_ua"] = [30_000, 30_000]
    board.flow = lambda t: (0.0, -0.028, 0.0)
    _, by = look(board, idle=True)
    assert "within the uncertainty of zero" in by["battery offset"].found
    board.more_info["fed_by"] = "load"
    _, by = look(board, idle=True)
    assert by["battery offset"].verdict == "look"


def test_noise_with_nothing_flowing(board: FakeBoard) -> None:
    board.flow, board.noise_a = lambda t: (0.0, 0.0, 0.0), 0.2
    # WORKED: 0.1 % of 81.92 A is 82 mA.
    assert look(board, idle=True)[1]["load noise"].verdict == "look"
    assert look(board)[1]["load noise"].verdict == "ok"


def test_range(board: FakeBoard) -> None:
    board.flow = lambda t: (3.0, -63.0, 66.0)
    _, by = look(board)
    # WORKED: 80 % of 81.92 A are 65.5 A.
    assert (by["load range"].verdict, by["battery range"].verdict) == ("look", "ok")
    board.status[2] = wire.S_RANGE
    assert look(board)[1]["load range"].verdict == "wrong"


def test_chips(board: FakeBoard) -> None:
    board.health = HEALTH | {"chips": [{"name": "solar", "alive": True, "ids": {"maker": "5449", "device": "2260"}}]}
    board.status = [0, wire.S_STUCK | wire.S_PARTIAL, wire.S_MISSING]
    report, by = look(board)
    assert by["solar chip"].verdict == "wrong" and "tells 5449 and 228" in by["solar chip"].do
    assert by["battery chip"].verdict == "look" and "bus hung and was freed" in by["battery chip"].found
    assert by["load chip"].verdict == "wrong" and "silent" in by["load chip"].found
    assert by["balance"].found.startswith("not checked: not all three") and by["bus volts"].verdict == "ok"


def test_bus_volts(board: FakeBoard) -> None:
    # WORKED: 0.05 V + 0.5 % of 13.2 V = 0.116 V pass, 0.3 V are looked at.
    for drop, verdict in ((0.10, "ok"), (0.15, "look"), (0.4, "wrong")):
        board.volts = [13.2, 13.2, 13.2 - drop]
        assert look(board)[1]["bus volts"].verdict == verdict
    board.volts = [0.0, 0.0, 0.0]
    assert "is the battery connected" in look(board)[1]["bus volts"].do


def test_temperature(board: FakeBoard) -> None:
    for c16, verdict in (
        (21 * 16, "ok"),
        (-5 * 16, "ok"),
        (85 * 16, "look"),
        (wire.NO_TEMP, "look"),
        (70 * 16, "look"),
    ):
        board.temp_c16 = c16
        row = look(board)[1]["temperature"]
        assert row.verdict == verdict
        assert c16 != -80 or "Do not charge" in row.do


def test_clock(board: FakeBoard) -> None:
    # WORKED: 10 s apart, 10.1 s on the board: 1 % fast; each told within 20 ms: (20 + 20) / 2 + 1 ms of 10 s.
    found = pace([Stamp(0.0, 0.02, 1000, 0), Stamp(10.0, 10.02, 11_100, 0)])
    assert found == (pytest.approx(10_000), pytest.approx(2_100))
    assert pace([Stamp(0.0, 0.02, 1000, 0)]) is None
    board.pace = 1.05
    assert look(board)[1]["board clock"].verdict == "wrong"
    board.pace = 1.0
    board.health = HEALTH | {"utc_s": int(UNIX_S) - 3600}
    assert look(board)[1]["board clock"].verdict == "look"


def test_calibration_age(board: FakeBoard) -> None:
    for days, verdict in ((-3, "look"), (100, "ok"), (500, "look")):
        entry = {"gain_ppb": 1, "offset_u": 1, "unix_s": int(UNIX_S - days * 86400), "reference": "m"}
        board.in_use["load", "amps"] = entry
        assert look(board)[1]["load amps cal."].verdict == verdict, days
    board.in_use["load", "amps"] = None
    row = look(board)[1]["load amps cal."]
    assert row.verdict == "look" and "calibrate load" in row.do


def test_versions_notes_clears_and_log(board: FakeBoard) -> None:
    board.version = "0.0.1"
    board.health = HEALTH | {"clears": 3, "free_flash": 1_000_000}
    board.more_info |= {"notes": ["calibration.json is damaged."], "log": LOG | {"trouble": "flash full"}}
    _, by = look(board)
    assert "board update" in by["firmware"].do and by["firmware"].verdict == "look"
    assert by["bus hung"].verdict == "look" and "3 times" in by["bus hung"].found
    assert by["board's notes"].verdict == "look" and "damaged" in by["board's notes"].found
    assert by["log"].verdict == "wrong" and "flash full" in by["log"].found
    # WORKED: the log may still grow by 1 040 000 bytes, and only 1 000 000 are free.
    assert by["free flash"].verdict == "look" and "1040 kB" in by["free flash"].do


def test_what_a_board_does_not_tell_is_said_to_be_not_told(board: FakeBoard) -> None:
    board.health = None
    board.more_info = {"notes": None, "log": None, "boots": None, "version": None}
    report, by = look(board)
    for name in ("free flash", "bus hung", "log", "board's notes", "starts", "firmware"):
        assert "not told" in by[name].found and by[name].verdict == "look", name
    assert "does not know `health`" in by["free flash"].found
    assert "ids not told" in by["solar chip"].found and by["solar chip"].verdict == "ok"
    assert report.count("wrong") == 0


def test_lost_and_late_readings(board: FakeBoard) -> None:
    with talk(board) as s:
        got = s.readings(5.0)
        seen = Seen(s.info, HEALTH, tuple(got[:10] + got[12:]), tuple(s.stamps), 0, UNIX_S)
    row = {r.what: r for r in rows(seen)}["readings"]
    assert row.verdict == "look" and "2 lost" in row.found
    late = tuple(r._replace(flags=r.flags | wire.F_LATE) for r in got)
    assert {r.what: r for r in rows(replace(seen, readings=late))}["readings"].verdict == "look"
    assert {r.what: r for r in rows(replace(seen, readings=()))}["readings"].verdict == "wrong"


def arguments(*argv: str) -> Any:
    parser = argparse.ArgumentParser()
    commission.add_check_arguments(parser)
    return parser.parse_args(argv)


def test_the_command_ends_with_1_when_something_is_wrong(board: FakeBoard) -> None:
    said: list[str] = []

    def run(*argv: str) -> int:
        said.clear()
        return run_check(arguments(*argv), said.append, lambda port: talk(board, port), lambda: UNIX_S + board.now_s)

    assert run() == 0 and "verdict" in said[-1]
    board.version = "0.0.1"
    assert run() == 0, "something to look at is not wrong"
    board.flow = lambda t: (3.0, -1.0, 2.0)
    assert run("--json") == 1
    told = json.loads("".join(said))
    assert told["wrong"] == 1 and told["look"] == 1 and told["device"] == "a5a5"
    assert {"what", "found", "verdict", "do"} == set(told["rows"][0])
    with pytest.raises(ConfigError, match="--seconds must be"):
        run("--seconds", "nan")


class Operator:
    """Follows the guide on a pretended station: a step lasts so many seconds, then Enter is pressed."""

    def __init__(self, board: FakeBoard, order: tuple[int, ...], signs: tuple[int, ...], sun_a: float = 3.0) -> None:
        self.board, self.order, self.signs, self.sun_a = board, order, signs, sun_a
        self.stage, self.turns = 0, 0
        board.flow = self.flow

    def flow(self, t: float) -> tuple[float, float, float]:
        # Key down 0.7 s of every 1.9 s while in an over of 11 s of every 17 s.
        keyed = self.stage == 3 and t % 17.0 < 11.0 and t % 1.9 < 0.7
        load = 0.0 if self.stage == 0 else 4.5 if keyed else 0.6
        solar = self.sun_a if self.stage >= 2 else 0.0
        own = 0.0001
        true = (solar, solar - load - own, load)
        # 50 mOhm of pack and leads.
        self.board.volts = [13.2 + 0.05 * true[1]] * 3
        shown = [0.0, 0.0, 0.0]
        for tap, (channel, sign) in enumerate(zip(self.order, self.signs, strict=True)):
            shown[channel] = sign * true[tap]
        return shown[0], shown[1], shown[2]

    def pressed(self) -> bool:
        self.turns += 1
        if self.turns < (70 if self.stage == 3 else 12):
            return False
        self.stage, self.turns = self.stage + 1, 0
        return True


def run_guided(board: FakeBoard, o: Any, *argv: str) -> tuple[int, str]:
    said: list[str] = []
    clock = lambda: UNIX_S + board.now_s  # noqa: E731
    code = run_check(
        arguments("--guided", *argv), said.append, lambda port: talk(board, port), clock, pressed=o.pressed
    )
    return code, "\n".join(said)


def test_the_guided_check_leads_through_four_steps_and_proves_a_right_wiring(board: FakeBoard) -> None:
    before = len(board.asked)
    code, text = run_guided(board, Operator(board, (0, 1, 2), (1, 1, 1)))
    assert code == 0, text
    for n in (1, 2, 3, 4):
        assert f"Step {n} of 4" in text
    said = " ".join(text.split())
    assert text.count("  seen: ") >= 4 and "0 wrong, 0 to look at" in text, text
    assert "Every channel measures what it is called" in said and "Switching says the same" in said
    # WORKED: the pretended pack and leads have 50 mOhm.
    assert re.search(r"(49|50|51) mΩ from the cells", said), said
    assert not re.search(r"\bsafe|nan\b|\binf\b", text)
    # Nothing was sent to the board that changes it.
    verbs = {w[0] for w in board.asked[before:]}
    assert verbs <= {"hello", "ok", "idle", "time"}, verbs


def test_the_guided_check_names_taps_that_are_exchanged_and_reversed(board: FakeBoard, capsys: Any) -> None:
    # The channel called battery measures the load, reversed; the one called load the battery.
    code, text = run_guided(board, Operator(board, (0, 2, 1), (1, 1, -1)), "--json")
    told = json.loads(text)
    taps = {r["what"]: r for r in told["rows"]}["taps"]
    assert code == 1 and taps["verdict"] == "wrong"
    assert (
        "channel called battery measures the load, reversed; the channel called load measures the battery"
        in (taps["found"])
    )
    assert "Switching says the same" in taps["found"] and "fuse out" in taps["do"]
    assert told["taps"]["decided"] and not told["taps"]["right"]
    assert "Step 4 of 4" in capsys.readouterr().err, "with --json the steps are told beside it"


def test_by_night_the_guided_check_refuses(board: FakeBoard) -> None:
    _, text = run_guided(board, Operator(board, (0, 1, 2), (1, 1, 1), sun_a=0.0), "--json")
    told = json.loads(text)
    taps = {r["what"]: r for r in told["rows"]}["taps"]
    assert not told["taps"]["decided"] and "hardly any sun" in taps["found"] and taps["verdict"] == "look"
    assert "daylight" in taps["do"]


def test_ctrl_c_in_the_guided_check_says_that_nothing_was_changed(board: FakeBoard) -> None:
    said: list[str] = []

    def stop() -> bool:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_check(arguments("--guided"), said.append, lambda port: talk(board, port), pressed=stop)
    assert "Nothing was changed" in said[-1]


def test_the_guided_check_needs_a_keyboard(monkeypatch: pytest.MonkeyPatch) -> None:
    read, write = os.pipe()
    with open(read, "rb") as keyboard:
        monkeypatch.setattr(commission.sys, "stdin", keyboard)
        os.write(write, b"\n")
        enters = commission.Enters()
        until = time.monotonic() + 10.0
        while not enters():
            assert time.monotonic() < until
        assert not enters(), "each Enter counts once"
        os.close(write)
        with pytest.raises(ConfigError, match="run it in a terminal"):
            while time.monotonic() < until:
                assert not enters()


def test_a_check_of_a_minute_of_keying_tells_the_taps_too(board: FakeBoard) -> None:
    o = Operator(board, (1, 0, 2), (1, 1, 1))
    o.stage = 3
    with talk(board) as s:
        by = {r.what: r for r in check(s, 60.0, clock=lambda: UNIX_S + board.now_s).rows}
    assert by["taps"].verdict == "wrong" and "solar measures the battery" in by["taps"].found
