"""`ampledger contacts`: what it says, what it writes, what it refuses."""

from __future__ import annotations

import contextlib
import csv
import json
from datetime import UTC, datetime
from pathlib import Path

import pyarrow.parquet
import pytest
from ampledger import adif, cli
from ampledger.core.model import Interval, Tap
from ampledger.interchange import import_log, write_file
from ampledger.store import Store

MIDNIGHT_S = 1_789_257_600.0  # 2026-09-13T00:00Z
# Overs from 23:50 to 00:10, each ten seconds, a contact of two of them ending ten seconds before it is logged.
BEGINS = [MIDNIGHT_S - 600.0 + t for k in range(12) for t in (100.0 * k, 100.0 * k + 20.0)]


def _utc(s: float) -> str:
    return datetime.fromtimestamp(s, UTC).strftime("%Y%m%d %H%M%S")


def record(k: int, behind_s: float = 0.0) -> str:
    day, time = _utc(MIDNIGHT_S - 600.0 + 100.0 * k + 40.0 - behind_s).split()
    return (
        f"<CALL:5>Q{k % 10}ABC<QSO_DATE:8>{day}<TIME_ON:6>{time}<BAND:3>20m<MODE:2>CW<TX_PWR:1>5"
        f"<COMMENT:6>no. {k:02}<EOR>\n"
    )


def log(behind_s: float = 0.0, more: str = "") -> str:
    return "made by hand\n<EOH>\n" + "".join(record(k, behind_s) for k in range(12)) + more


@pytest.fixture(scope="module")
def flow(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """23:45 to 00:15 UTC in seconds: 0.5 A on receive, 4.1 A and 12.5 V while sending."""

    def row(s: float) -> Interval:
        sending = any(b <= s < b + 10.0 for b in BEGINS)
        a, v = (4.1, 12.5) if sending else (0.5, 13.0)
        taps = [Tap(v, x, x, v_min=v, v_max=v, a_min=x, a_max=x) for x in (-a, a)]
        return Interval(s, 1.0, taps[0], load=taps[1])

    path = tmp_path_factory.mktemp("flow") / "flow.csv"
    write_file(path, [row(MIDNIGHT_S + s) for s in range(-900, 900)], {})
    return path


@pytest.fixture
def contact_log(tmp_path: Path) -> Path:
    path = tmp_path / "log.adi"
    path.write_text(log())
    return path


def run(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, str]:
    code = cli.main(["contacts", *map(str, words)])
    said = capsys.readouterr()
    return code, said.out, said.err


def test_days_hours_and_contacts(flow: Path, contact_log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, flow, "--log", contact_log)
    assert (code, err) == (0, "")
    # WORKED: 24 overs of 10 s at 3.6 A above receive are 0.24 Ah and 4 min; half of them lie in each day and hour
    assert "12 contacts, 2026-09-12 23:50 to 2026-09-13 00:09 UTC" in out
    assert "24 overs found, 4.0 min of sending; it took 0.240 Ah more than receiving" in out
    assert "2026-09-12         6  4 short         0.120 Ah by sending, in 0.2 h of records" in out
    assert "2026-09-13         6  4 short         0.120 Ah by sending, in 0.2 h of records" in out
    assert "2026-09-12 23:00         6       2.0     0.120      0.020" in out
    assert "2026-09-12 23:50:40  Q0ABC       20m CW 5 W                   2    20.0  0.0200     12.50    3.60" in out
    assert "common practice, no source" in out and "could not be read" not in out
    assert "safe" not in out.lower()
    assert "holds" in run(capsys, flow, "--log", contact_log, "--wanted", "6")[1]


def test_everything_as_json(flow: Path, contact_log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    contact_log.write_text(log(more="<CALL:5>Q7ABC<BAND:1>x<QSO_DATE:3>abc<EOR>\n" + record(90)))
    code, out, _ = run(capsys, flow, "--log", contact_log, "--json")
    said = json.loads(out)
    assert code == 0 and said["wanted"] == 10 and said["overs"] == 24
    assert [(d["begin_utc"], d["contacts"], d["holds"]) for d in said["days"]] == [
        ("2026-09-12T00:00Z", 6, False), ("2026-09-13T00:00Z", 7, False)
    ]  # fmt: skip
    assert said["contacts"][0] == {
        "record": 1, "time_utc": "2026-09-12T23:50:40Z", "call": "Q0ABC", "band": "20m", "mode": "CW", "power_w": 5.0,
        "overs": 2, "sent_s": 20.0, "sent_ah": 0.02, "ah": pytest.approx(82.0 / 3600.0, abs=1e-6), "low_v": 12.5,
        "height_a": 3.6,
    }  # fmt: skip
    # Half past two, when nothing was recorded: not nought
    assert [(h["recorded_s"], h["sent_ah"]) for h in said["hours"]] == [
        (900.0, pytest.approx(0.12)), (900.0, pytest.approx(0.12)), (0.0, None)
    ]  # fmt: skip
    assert "2026-09-13 02:00         1  nothing was recorded" in run(capsys, flow, "--log", contact_log)[1]
    assert said["contacts"][12]["sent_s"] is None and said["contacts"][12]["overs"] is None
    assert [(o["record"], o["field"]) for o in said["not_read"]] == [(13, "QSO_DATE")]


@pytest.mark.parametrize("behind_s", [0.0, 37.0, -3600.0])
def test_the_offset_is_found_or_told(
    behind_s: float, flow: Path, contact_log: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    contact_log.write_text(log(behind_s))
    said = json.loads(run(capsys, flow, "--log", contact_log, "--offset", "auto", "--json")[1])
    # Contacts every hundred seconds sharp fit a hundred seconds later nearly as well: the ends tell
    assert not said["suggested"]["sure"] or said["offset_s"] == pytest.approx(behind_s, abs=10.0)
    said = json.loads(run(capsys, flow, "--log", contact_log, "--offset", str(behind_s), "--json")[1])
    assert said["offset_s"] == behind_s and [c["overs"] for c in said["contacts"]] == [2] * 12


def test_the_log_goes_back_with_our_figures_and_nothing_else_changed(
    flow: Path, contact_log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bare = "<CALL:5>Q9ABC<NOTES:7>no time<EOR>\n"
    contact_log.write_text(log(more=bare))
    before = adif.read(contact_log.read_bytes())
    for name in ("out.adi", "out.adx"):
        out = tmp_path / name
        code, said, _ = run(capsys, flow, "--log", contact_log, "--out", out)
        assert code == 0 and f"Written: {out}" in said
        after = adif.read(out.read_bytes())
        ours = [f for f in after.records[0].fields if f.name.startswith("APP_AMPLEDGER_")]
        assert [(f.name[14:], f.value) for f in ours] == [
            ("SENT_S", "20.0"), ("AH", "0.02000"), ("LOW_V", "12.500"), ("HEIGHT_A", "3.600")
        ]  # fmt: skip
        kept = [tuple(f for f in r.fields if not f.name.startswith("APP_AMPLEDGER_")) for r in after.records]
        assert kept == [r.fields for r in before.records] and after.records[-1] == before.records[-1]
        assert after.preamble == before.preamble and after.header == before.header
        # With our own fields in it, it comes out the same
        again = tmp_path / f"again-{name}"
        assert run(capsys, flow, "--log", out, "--out", again)[0] == 0
        assert again.read_bytes() == out.read_bytes()
    assert {p.name for p in tmp_path.iterdir()} == {
        "log.adi", "out.adi", "out.adx", "again-out.adi", "again-out.adx"
    }  # fmt: skip


def test_tables(flow: Path, contact_log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    contact_log.write_text(log().replace("Q0ABC", "=A1+1", 1))
    for kind in ("csv", "json", "parquet"):
        assert run(capsys, flow, "--log", contact_log, "--out", tmp_path / f"t.{kind}")[0] == 0
    rows = list(csv.DictReader((tmp_path / "t.csv").read_text().splitlines()))
    assert len(rows) == 12 and rows[0]["sent_ah"] == "0.02" and rows[1]["call"] == "Q1ABC"
    assert rows[0]["call"] == "'=A1+1", "no formula"
    table = pyarrow.parquet.read_table(tmp_path / "t.parquet")
    assert table.column_names == list(rows[0]) and table.field("sent_ah").metadata == {b"unit": b"Ah"}
    assert table.to_pylist() == json.loads((tmp_path / "t.json").read_text())["contacts"]


def test_from_the_store(flow: Path, contact_log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = tmp_path / "s.sqlite"
    with contextlib.closing(Store(data)) as store:
        import_log(store, flow, MIDNIGHT_S)
    asked = ("--log", contact_log, "--json")
    from_store = run(capsys, *asked, "--data", data, "--board", "log:1")
    assert from_store[0] == 0 and json.loads(from_store[1]) == json.loads(run(capsys, flow, *asked)[1])
    said = json.loads(run(capsys, *asked, "--data", data, "--since", "2026-09-13T00:00")[1])
    assert said["overs"] == 12 and said["contacts"][0]["overs"] is None


def test_what_is_refused(flow: Path, contact_log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def refused(*words: str | Path) -> str:
        code, out, err = run(capsys, *words)
        assert code == 2 and out == "", out
        return err

    assert "nothing is written over" in refused(flow, "--log", contact_log, "--out", contact_log)
    assert contact_log.read_text() == log()
    assert "end it in one of" in refused(flow, "--log", contact_log, "--out", tmp_path / "x.txt")
    for wrong in ("nan", "a", "1e9"):
        assert "give seconds" in refused(flow, "--log", contact_log, "--offset", wrong)
    assert "--wanted" in refused(flow, "--log", contact_log, "--wanted", "0")
    assert "can't be read" in refused(flow, "--log", tmp_path / "none.adi")
    assert "no ADIF log" in refused(flow, "--log", flow)
    assert "can't both be asked" in refused(flow, "--log", contact_log, "--board", "x")
    contact_log.write_text("<CALL:5>Q1ABC<EOR>")
    assert "no contact with a time" in refused(flow, "--log", contact_log)
    contact_log.write_text(log(9 * 86400.0))
    assert "of another day" in refused(flow, "--log", contact_log)
    contact_log.write_text(log())
    slow = tmp_path / "slow.csv"
    minutes = "".join(f"2026-09-12T23:{m}:00Z,13,0,1\n" for m in (50, 51))
    slow.write_text(f"time_utc,battery_v,battery_a,load_a\n{minutes}")
    assert "can't be told apart" in refused(slow, "--log", contact_log)
    slow.write_text(slow.read_text().replace(",1\n", ",\n"))
    assert "were not measured" in refused(slow, "--log", contact_log)
    slow.write_text("t_s,battery_v,battery_a\n0,13,0\n1,13,0\n")
    assert "no date" in refused(slow, "--log", contact_log)
