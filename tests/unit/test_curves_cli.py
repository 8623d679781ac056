"""`ampledger curve`: what it prints, and that a learnt curve is written and found again."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from ampledger.cli import main
from ampledger.core.cells import CURVES, LFP26650, PRADA2013
from ampledger.core.model import Interval, Tap
from ampledger.curvefile import read_curve, write_curve
from ampledger.interchange import import_log
from ampledger.logfile import write_log
from ampledger.store import Store


def record(series: int = 4) -> list[Interval]:
    """A pack held at full, then run down at 1 A along the built-in discharge branch at 25 degC, with no resistance."""
    down = [(s, v) for s, v in zip(LFP26650.soc, LFP26650.discharge_v[1], strict=True) if v is not None]
    out = [Interval(1.7e9 + 60.0 * k, 60.0, Tap(3.6 * series, 0.4, 24.0), battery_c=25.0) for k in range(15)]
    hours, soc = 0.0, 1.0
    while soc > 0.01:
        below, above = max(p for p in down if p[0] <= soc), min(p for p in down if p[0] >= soc)
        share = 0.0 if above == below else (soc - below[0]) / (above[0] - below[0])
        volts = series * (below[1] + share * (above[1] - below[1]))
        out.append(Interval(out[-1].end_s, 60.0, Tap(volts, -1.0, -60.0), battery_c=25.0))
        hours += 1 / 60
        soc = 1.0 - hours / 20.0
    return out


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    path = tmp_path_factory.mktemp("log") / "slow.csv"
    write_log(path, record())
    return path


def said(capsys, *args: object) -> tuple[int, str, str]:
    code = main([str(a) for a in args])
    out = capsys.readouterr()
    return code, out.out, out.err


def test_the_list_names_every_curve_its_source_and_how_far_apart_they_lie(capsys):
    code, out, _ = said(capsys, "curve", "list")
    assert code == 0 and all(name in out and curve.source[:30] in out for name, curve in CURVES.items())
    # FROZEN: 2026-11-30, as test_cells has it
    assert "it lies 12 to 31 mV per cell below lfp26650, on average 27 mV" in out
    assert "it lies 35 to 74 mV per cell below lfp26650, on average 48 mV" in out
    rows = json.loads(said(capsys, "curve", "list", "--json")[1])["curves"]
    assert [r["name"] for r in rows] == list(CURVES) and rows[2]["apart_mv"] == pytest.approx(-47.5, abs=0.05)


def test_a_curve_is_shown_with_its_words_and_its_table(capsys):
    code, out, _ = said(capsys, "curve", "show", "LFP26650")
    assert code == 0 and "fingerprint " in out and "degC" not in out
    assert LFP26650.licence in out and LFP26650.digest in out
    # PRINTED: the source's points at 50 %; blank where the source is
    row = next(line for line in out.splitlines() if line.startswith("   50 %"))
    assert row.split()[2:] == ["3.2798", "3.3294", "3.2912", "3.3251", "3.2980", "3.3248"]
    assert "-" in next(line for line in out.splitlines() if line.startswith("  100 %")).split()
    whole = json.loads(said(capsys, "curve", "show", "prada2013", "--json")[1])
    assert tuple(whole["soc"]) == PRADA2013.soc and whole["source"] == PRADA2013.source


def test_a_file_is_checked_and_a_branch_that_is_missing_is_said(capsys, tmp_path):
    write_curve(replace(PRADA2013, name="mine", charge_v=((None,) * len(PRADA2013.soc),)), tmp_path / "c.csv")
    code, out, _ = said(capsys, "curve", "check", tmp_path / "c.csv")
    assert code == 0 and "charge       25 °C: not measured; the estimate then takes" in out
    checked = json.loads(said(capsys, "curve", "check", tmp_path / "c.csv", "--json")[1])
    assert [b["readings"] for b in checked["branches"]] == [171, 0]
    (tmp_path / "c.csv").write_text((tmp_path / "c.csv").read_text().replace("3.266\n", "13.064\n"))
    code, _, err = said(capsys, "curve", "check", tmp_path / "c.csv")
    assert code == 2 and "column discharge_v_25c: 13.064 V" in err and "4 cells in series" in err


def test_a_log_teaches_a_curve_that_can_be_shown_afterwards(capsys, log, tmp_path):
    out = tmp_path / "own.csv"
    code, text, _ = said(capsys, "curve", "learn", log, "--capacity-ah", 20, "--name", "shack", "--out", out)
    assert text.startswith("Reckoned with 20 Ah (told).\n")
    assert code == 0 and "Ah from full to empty" in text and f"The curve is in {out}" in text
    curve = read_curve(out)
    assert curve.name == "shack" and "slow.csv" in curve.source and "ampledger" in curve.typed_in
    # WORKED: no resistance was there, so what is taken off is too much: 1 A x 0.0675 ohm Ah / 20 Ah = 3.4 mV at 50 %
    assert curve.discharge_v[0][50] == pytest.approx(3.2912 + 0.003375, abs=5e-4)
    assert "# series: 4" in out.read_text()
    assert said(capsys, "curve", "show", out)[0] == 0


def test_the_stored_records_teach_the_same_and_know_the_battery(capsys, log, tmp_path):
    store = Store(tmp_path / "records.sqlite")
    import_log(store, log, 1.7e9)
    store.put_state("settings", {"capacity_ah": 20.0, "series": 4, "reserve_soc": 0.2})
    store.close()
    data = ("--data", tmp_path / "records.sqlite")
    code, text, err = said(capsys, "curve", "learn", *data, "--out", tmp_path / "a.csv", "--json")
    assert code == 0, err
    assert said(capsys, "curve", "learn", log, "--capacity-ah", 20, "--out", tmp_path / "b.csv")[0] == 0
    told = json.loads(text)
    assert told["digest"] == read_curve(tmp_path / "a.csv").digest == read_curve(tmp_path / "b.csv").digest
    # WORKED: from full to 2.5 V is 99 % of 20 Ah by the branch's own scale, and that is what 99 % is taken as
    assert told["runs"][0]["capacity_ah"] == pytest.approx(20.0, rel=0.005)
    span = ("--since", "2023-11-15T00:00")
    code, _, err = said(capsys, "curve", "learn", *data, *span, "--out", tmp_path / "c.csv")
    assert code == 2 and "no full charge in this record" in err and not (tmp_path / "c.csv").exists()
    assert said(capsys, "curve", "learn", *data, *span, "--starts-full", "--out", tmp_path / "c.csv")[0] == 0


def test_a_25_6_v_pack_needs_its_cells_said(capsys, tmp_path):
    write_log(tmp_path / "eight.csv", record(8))
    args = ("curve", "learn", tmp_path / "eight.csv", "--capacity-ah", 20, "--out", tmp_path / "own.csv")
    assert said(capsys, *args, "--series", 8)[0] == 0
    # WORKED: the same cell as in the 12.8 V pack
    assert read_curve(tmp_path / "own.csv").discharge_v[0][50] == pytest.approx(3.2912 + 0.003375, abs=5e-4)
    assert said(capsys, *args, "--series", 17)[0] == 2


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("--out", "own.csv"), "a curve learnt with an assumed one may be all wrong: give --capacity-ah"),
        (("--capacity-ah", 20, "--out", "slow.csv"), "there already"),
        (("--capacity-ah", 20, "--out", "own.csv", "--name", "lfp26650"), "not that of a published curve"),
        (("--capacity-ah", 20, "--out", "own.csv", "--since", "2023-11-15"), "leave them out with a log"),
        (("--capacity-ah", 5, "--out", "own.csv"), "no full charge"),
        (("--capacity-ah", 20, "--out", "no/own.csv"), "can't be written"),
    ],
)
def test_what_cannot_be_done_is_said_and_nothing_is_written(args, words, capsys, log, monkeypatch):
    monkeypatch.chdir(log.parent)
    before = sorted(log.parent.iterdir())
    code, _, err = said(capsys, "curve", "learn", log, *args)
    assert code == 2 and words in err
    assert sorted(log.parent.iterdir()) == before


def test_an_unknown_curve_is_refused_with_those_there_are(capsys):
    code, _, err = said(capsys, "curve", "show", "prada")
    assert code == 2 and "one of lfp26650, lfp18650, prada2013" in err
