"""`ampledger outing`: what it says, what it asks before it deletes, what it refuses."""

from __future__ import annotations

import contextlib
import io
import json
import re
from pathlib import Path
from typing import Any

import pytest
from ampledger import cli, outings_cli
from ampledger.core.model import Interval, Tap
from ampledger.interchange import import_log, write_file
from ampledger.outings import Outings
from ampledger.store import Store

MIDNIGHT_S = 1_789_257_600.0  # 2026-09-13T00:00Z
ADI = (
    "<ADIF_VER:5>3.1.0<EOH>\n<CALL:5>Q1ABC<QSO_DATE:8>20260912<TIME_ON:4>2355<MODE:2>CW<EOR>\n<CALL:5>Q2ABC<NO><EOR>\n"
)


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A store with an imported log: 2 A out of a battery from 23:00 to 01:00 UTC, nothing for half an hour around."""

    def flow(at_s: float, a: float) -> Interval:
        taps = [Tap(13.0, x, x * 60.0, energy_j=13.0 * x * 60.0) for x in (-a, 0.0, a)]
        return Interval(at_s, 60.0, *taps)

    path = tmp_path / "s.sqlite"
    minutes = [flow(MIDNIGHT_S + 60.0 * k, 2.0 if -60 <= k < 60 else 0.0) for k in range(-95, 95)]
    write_file(tmp_path / "flow.csv", minutes, {})
    with contextlib.closing(Store(path)) as store:
        import_log(store, tmp_path / "flow.csv", MIDNIGHT_S)
    return path


def run(data: Path, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = cli.main(["outing", *words, "--data", str(data)])
    said = capsys.readouterr()
    return code, said.out, said.err


def made(data: Path, capsys: pytest.CaptureFixture[str], *more: str) -> int:
    code, out, err = run(data, capsys, "begin", "--at", "2026-09-12T23:00Z", "--end-at", "2026-09-13T01:00Z", *more)
    assert code == 0, err
    found = re.match(r"Begun: outing\s+(\d+)", out)
    assert found is not None
    return int(found[1])


def test_an_outing_is_made_shown_changed_and_listed(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "No outings of log:1 yet" in run(data, capsys, "list")[1]
    n = made(data, capsys, "--name", "Heron Spit", "--locator", "DN53vo", "--mode", "CW", "--power-w", "5")
    code, out, _ = run(
        data, capsys, "set", str(n), "--reserve-pct", "20", "--closing", "2026-09-13T01:15Z", "--notes", "dry"
    )
    assert code == 0 and out.startswith("Changed: outing")
    code, out, _ = run(data, capsys, "show", str(n))
    lines = out.splitlines()
    assert code == 0 and lines[0] == f"Outing {n}: Heron Spit" and "safe" not in out.lower()
    assert lines[1].startswith("time     2026-09-12 23:00 UTC") and lines[1].endswith("2 h 00 min")
    assert "place    DN53vo; battery not told, 20 % as reserve; radio CW, 5 W" in lines
    assert (
        any(line.startswith("planned  to close at 2026-09-13 01:15 UTC") for line in lines) and "notes    dry" in lines
    )
    # WORKED: 2 A for an hour in each of the two UTC days, at 13 V
    assert [line for line in lines if line.startswith("  load")] == [
        "  load        2.000 Ah    26.00 Wh out", "  load        2.000 Ah    26.00 Wh out",
        "  load        4.000 Ah    52.00 Wh out",
    ]  # fmt: skip
    assert [line for line in lines if "(UTC day)" in line] == ["2026-09-12 (UTC day)", "2026-09-13 (UTC day)"]
    assert "not accounted for, 0.00 % of the largest of these" in lines[-1]
    code, out, _ = run(data, capsys, "show", str(n), "--json")
    said = json.loads(out)
    assert said["outing"]["reserve"] == 0.2 and said["whole"]["load"]["net_ah"] == pytest.approx(4.0)
    assert [d["day_s"] for d in said["days"]] == [MIDNIGHT_S - 86_400.0, MIDNIGHT_S] and said["whole"][
        "without_s"
    ] == 0.0
    code, out, _ = run(data, capsys, "list")
    assert f"{n:4d}  2026-09-12 23:00 UTC to 2026-09-13 01:00 UTC, 2 h 00 min  Heron Spit  (DN53vo, CW, 5 W)" in out
    (listed,) = json.loads(run(data, capsys, "list", "--json")[1])["outings"]
    assert (listed["number"], listed["closing_s"]) == (n, MIDNIGHT_S + 4500.0)
    run(data, capsys, "set", str(n), "--power-w", "none", "--end-at", "none")
    assert "no end yet  Heron Spit  (DN53vo, CW)" in run(data, capsys, "list")[1]


def test_a_rest_is_said_and_what_a_controller_draws_taken_off_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "s.sqlite"
    # Out of the battery flow 25 mA more than the load has.
    found = [
        Interval(MIDNIGHT_S + 60.0 * k, 60.0, Tap(13.0, -1.025, -61.5), Tap(13.0, 0.0, 0.0), Tap(13.0, 1.0, 60.0))
        for k in range(120)
    ]
    write_file(tmp_path / "flow.csv", found, {})
    with contextlib.closing(Store(path)) as store:
        import_log(store, tmp_path / "flow.csv", MIDNIGHT_S)
    run(path, capsys, "begin", "--at", "2026-09-13T00:00Z", "--end-at", "2026-09-13T02:00Z")
    said = run(path, capsys, "show", "1")[1]
    # WORKED: 0.025 A for 2 h, of 2.05 Ah
    assert "rest       +0.050 Ah not accounted for, 2.44 % of the largest" in said
    assert "that is 25 mA all the time" in said and "--standing-ma" in said
    run(path, capsys, "set", "1", "--standing-ma", "25")
    assert "the 25 mA told to flow beside the measured points taken off, " in (out := run(path, capsys, "show", "1")[1])
    assert re.search(r"[+-]0\.000 Ah are left", out)


def test_deleting_asks_and_can_be_taken_back(
    data: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    n = made(data, capsys)
    monkeypatch.setattr("sys.stdin", io.StringIO("y\n"))
    code, _, err = run(data, capsys, "delete", str(n))
    assert code == 2 and "--yes" in err
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    for answer, left in (("", 1), ("no", 1), ("y", 0)):
        monkeypatch.setattr("builtins.input", lambda _, answer=answer: answer)
        assert run(data, capsys, "delete", str(n))[0] == 0
        assert len(json.loads(run(data, capsys, "list", "--json")[1])["outings"]) == left
    assert run(data, capsys, "undo")[1] == f"Taken back: its deletion (outing {n}).\n"
    assert run(data, capsys, "delete", str(n), "--yes")[1].startswith(f"Outing {n} is deleted")
    assert "no outing" in run(data, capsys, "show", str(n))[2]
    run(data, capsys, "undo")
    assert run(data, capsys, "undo")[1] == f"Taken back: the outing itself, which was made by hand (outing {n}).\n"
    code, _, err = run(data, capsys, "undo")
    assert code == 2 and "nothing of an outing" in err


def test_a_proposal_is_shown_and_taken(data: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(data, capsys, "propose")
    assert (
        code == 0
        and out.splitlines()[0] == "   1  2026-09-12 23:00 UTC to 2026-09-13 01:00 UTC, 2 h 00 min, 4.00 Ah drawn"
    )
    assert "a judgement" in out
    assert "there are 1 proposals" in run(data, capsys, "propose", "--take", "2")[2]
    assert run(data, capsys, "propose", "--take", "1")[1].startswith("Made: outing")
    assert run(data, capsys, "propose")[1] == "Nothing to propose.\n"
    assert len(json.loads(run(data, capsys, "list", "--json")[1])["outings"]) == 1


def test_a_contact_log_is_kept_and_what_could_not_be_read_is_said(
    data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    n = made(data, capsys)
    (tmp_path / "log.adi").write_text(ADI, encoding="utf-8")
    code, out, err = run(data, capsys, "log", str(n), str(tmp_path / "log.adi"), "--offset-s", "-30")
    assert code == 0 and out.startswith(f"2 records are kept with outing {n}") and "Record 2, NO" in err
    assert "log      2 records, -30 s on its clock" in run(data, capsys, "show", str(n))[1]
    with contextlib.closing(Store(data, look=True)) as store:
        kept = Outings(store, "log:1", lambda: 0.0).log_of(n)
    assert kept is not None and kept[0].records[0].get("CALL") == "Q1ABC" and kept[1] == -30.0
    assert "can't be read" in run(data, capsys, "log", str(n), str(tmp_path / "none.adi"))[2]


@pytest.mark.parametrize(("words", "says"), [
    (("end",), "No outing is under way"), (("begin", "--at", "yesterday"), "--at “yesterday” is no time"),
    (("set", "1", "--power-w", "five"), "--power-w “five” is no number"), (("show", "99"), "There is no outing 99"),
    (("begin", "--at", "2026-09-12T23:00Z", "--end-at", "2026-09-12T22:00Z"), "ends after it has begun"),
    (("begin", "--locator", "ZZ"), "not a locator"),
])  # fmt: skip
def test_what_can_not_be_is_said_in_one_line(
    data: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], says: str
) -> None:
    code, out, err = run(data, capsys, *words)
    assert code == 2 and out == "" and says in err and err.count("\n") == 1


def test_without_a_file_of_records_none_is_made(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run(tmp_path / "none.sqlite", capsys, "list")
    assert code == 2 and "name the file of the records" in err and not (tmp_path / "none.sqlite").exists()


def test_times_are_told_in_utc_and_on_this_computers_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    import time

    monkeypatch.setenv("TZ", "XXX+6")
    time.tzset()
    try:
        # WORKED: six hours west of Greenwich midnight is 18:00
        assert outings_cli._local(MIDNIGHT_S) == " (18:00 here)"
        monkeypatch.setenv("TZ", "UTC0")
        time.tzset()
        assert outings_cli._local(MIDNIGHT_S) == ""
    finally:
        monkeypatch.undo()
        time.tzset()


def test_every_change_of_the_command_line_is_one_of_an_outing() -> None:
    changeable: set[Any] = {field for _, field, _ in outings_cli._NUMBERS.values()}
    changeable |= {field for _, field in outings_cli._TIMES.values()}
    from ampledger.outings import CHANGEABLE

    assert changeable <= CHANGEABLE
