"""`ampledger replay`: what it writes, what it refuses, and that it never writes half."""

from __future__ import annotations

import argparse
import csv
import gzip
import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from ampledger import replay
from ampledger.core.model import Interval
from ampledger.errors import BoxError

LOG = """time_utc,solar_v,solar_a,battery_v,battery_a,load_a
2026-09-12T22:10:00.5Z,18,1,13.3,0.5,0.5
2026-09-12T22:10:10.50Z,18,1,13.3,0.5,0.5
2026-09-12T22:10:20.5+00:00,18,1,13.1,-1.0,2.0
2026-09-12T22:20:00Z,18,-0.5,,,2.0
2026-09-12T22:20:10Z,18,1,13.1,-1.0,2.0
"""


def notice(**figures: Any) -> SimpleNamespace:
    return SimpleNamespace(
        code="draw-high",
        severity="caution",
        title="Draw above input",
        seen="2 A out, 1 A in",
        likely="sending",
        do="Lower the power",
        since_s=0.0,
        figures=figures,
    )


@dataclass
class StandIn:
    """Plain coulombs with a fixed band, a notice when the battery begins to give; not the engine, only its shape."""

    options: replay.Options
    fail_at: int = -1
    error: BaseException | None = None
    seen: list[Interval] = field(default_factory=list)
    charge_c: float = 0.0
    giving: bool = False

    def step(self, interval: Interval) -> SimpleNamespace:
        if len(self.seen) == self.fail_at and self.error:
            raise self.error
        self.seen.append(interval)
        self.charge_c += interval.battery.charge_c or 0.0
        giving = (interval.battery.a or 0.0) < 0
        events = ()
        if giving != self.giving:
            kind = "raised" if giving else "cleared"
            figures = notice(net_a=np.float64(-1.0), until_s=float("nan"), edges=np.array([1, 2]))
            events = (SimpleNamespace(time_s=interval.start_s, kind=kind, notice=figures),)
        self.giving = giving
        charge_ah = self.charge_c / 3600
        soc = 0.5 + charge_ah / self.options.battery.capacity_ah
        estimate = SimpleNamespace(soc=soc, low=soc - 0.1, high=soc + 0.1, charge_ah=charge_ah, likely=soc + 0.01)
        ah = tuple((soc + d - self.options.reserve_soc) * self.options.battery.capacity_ah for d in (-0.1, 0.0, 0.1))
        gives = SimpleNamespace(ah=ah, wh=tuple(13 * x for x in ah), limited_by="reserve", why="Ends at the reserve.")
        source = "unseen" if interval.battery.a is None else "sun, battery"
        return SimpleNamespace(estimate=estimate, source=source, events=events, usable=gives)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    (tmp_path / "log.csv").write_text(LOG)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(replay, "_engine", StandIn)
    return tmp_path


def run(*words: str) -> int:
    parser = argparse.ArgumentParser()
    replay.add_arguments(parser)
    return replay.run(parser.parse_args(words))


GOOD = ("log.csv", "--capacity-ah", "20", "--out", "est.csv")


def rows_of(path: Path) -> list[list[str]]:
    with open(path, newline="", encoding="utf-8") as text:
        return list(csv.reader(text))


def test_one_line_per_row_with_the_time_text_as_it_stood(folder, capsys):
    assert run(*GOOD) == 0
    rows = rows_of(folder / "est.csv")
    assert rows[0][:6] == ["time_utc", "soc", "soc_low", "soc_high", "charge_ah", "source"]
    assert rows[0][6:] == ["likely", "usable_ah", "usable_ah_low", "usable_ah_high", "usable_wh", "limited_by"]
    assert [row[0] for row in rows] == [line.split(",")[0] for line in LOG.splitlines()]
    # WORKED: (5 + 5 - 10 + 0 - 10) C / 3600, summed; soc from half of 20 Ah; the gap and the unseen row add nothing
    assert [row[4] for row in rows[1:]] == ["0.001389", "0.002778", "0.000000", "0.000000", "-0.002778"]
    assert rows[1][1:4] == ["0.50007", "0.40007", "0.60007"]
    # WORKED: 30.007 % and a tenth more and less of 20 Ah; 13 V times 6.0014 Ah
    assert rows[1][6:] == ["0.51007", "6.0014", "4.0014", "8.0014", "78.018", "reserve"]
    assert [row[5] for row in rows[1:]] == ["sun, battery"] * 3 + ["unseen", "sun, battery"]
    said = capsys.readouterr().out
    assert (
        "5 rows over 0.17 h" in said
        and "gaps: 1; rows without battery current: 1" in said
        and "Notices raised: draw-high 2" in said
    )
    assert sorted(os.listdir(folder)) == ["est.csv", "log.csv"]


def test_the_engine_is_given_the_gap_too(folder, monkeypatch):
    made: list[StandIn] = []
    monkeypatch.setattr(replay, "_engine", lambda options: made.append(StandIn(options)) or made[-1])
    assert run(*GOOD, "--series", "8", "--start-soc", "0.8", "--start-sd", "0.1", "--reserve-soc", "0.3") == 0
    assert [item.dt_s for item in made[0].seen] == [10, 10, 10, 569.5, 10, 10]
    options = made[0].options
    assert (options.battery.capacity_ah, options.battery.series) == (20.0, 8)
    assert (options.start.soc, options.start.sd, options.reserve_soc) == (0.8, 0.1, 0.3)


def test_an_unknown_start_stays_unknown(folder, monkeypatch):
    made: list[replay.Options] = []
    monkeypatch.setattr(replay, "_engine", lambda options: made.append(options) or StandIn(options))
    assert run(*GOOD) == 0 and made[0].start.soc is None and made[0].battery.series == 4
    assert run(*GOOD, "--start-soc", "0") == 0 and made[1].start.soc == 0.0


def test_notices_are_json_lines_with_the_logs_kind_of_time(folder):
    assert run(*GOOD, "--notices", "n.jsonl") == 0
    lines = [json.loads(line) for line in (folder / "n.jsonl").read_text().splitlines()]
    assert [(line["time_utc"], line["kind"]) for line in lines] == [
        ("2026-09-12T22:10:20.500Z", "raised"),
        ("2026-09-12T22:10:30.500Z", "cleared"),
        ("2026-09-12T22:20:10.000Z", "raised"),
    ]
    assert lines[0] == {
        "time_utc": "2026-09-12T22:10:20.500Z",
        "kind": "raised",
        "code": "draw-high",
        "severity": "caution",
        "title": "Draw above input",
        "seen": "2 A out, 1 A in",
        "likely": "sending",
        "do": "Lower the power",
        "figures": {"net_a": -1.0, "until_s": None, "edges": [1, 2]},
    }


def test_the_summary_as_json(folder, capsys):
    assert run(*GOOD, "--json") == 0
    summary = json.loads(capsys.readouterr().out)
    # WORKED: 22:10:00.5 to 22:20:10 + 10 s is 619.5 s. Rows of 10 s; in C: solar 40 in, 5 out; battery 10 in, 20 out;
    # load 5 + 5 + 20 + 20 + 20 out. All / 3600.
    assert summary == {
        "rows": 5,
        "hours": 0.172083,
        "gaps": 1,
        "rows_unseen": 1,
        "start": "2026-09-12T22:10:00.5Z",
        "end": "2026-09-12T22:20:10Z",
        "soc": 0.49986,
        "soc_low": 0.39986,
        "soc_high": 0.59986,
        "charge_ah": -0.002778,
        "likely": 0.50986,
        "usable_ah": 5.9972,
        "usable_ah_low": 3.9972,
        "usable_ah_high": 7.9972,
        "usable_wh": 77.964,
        "limited_by": "reserve",
        "limited_why": "Ends at the reserve.",
        "solar": {"in_ah": 0.011111, "out_ah": 0.001389},
        "battery": {"in_ah": 0.002778, "out_ah": 0.005556},
        "load": {"in_ah": 0.0, "out_ah": 0.019444},
        "notices": {"draw-high": 2},
        "warnings": [],
    }


def test_a_tap_the_log_lacks_is_null_and_t_s_logs_keep_their_column(folder, capsys):
    (folder / "log.csv").write_text("t_s;battery_v;battery_a;note\n0,5;13;-1;x\n1,5;13;-1;y\n")
    assert run(*GOOD, "--notices", "n.jsonl", "--json") == 0
    summary = json.loads(capsys.readouterr().out)
    assert summary["solar"] is None and summary["load"] is None and "note" in summary["warnings"][0]
    assert [row[0] for row in rows_of(folder / "est.csv")] == ["t_s", "0,5", "1,5"]
    assert json.loads((folder / "n.jsonl").read_text())["t_s"] == 0.5


def test_a_packed_log_gives_the_same_estimates(folder):
    assert run(*GOOD) == 0
    (folder / "log.csv.gz").write_bytes(gzip.compress(LOG.encode()))
    assert run("log.csv.gz", "--capacity-ah", "20", "--out", "packed.csv") == 0
    assert (folder / "packed.csv").read_bytes() == (folder / "est.csv").read_bytes()


# -- refusals ------------------------------------------------------------------------------------


def refused(folder: Path, capsys, *words: str, code: int = 2) -> str:
    before = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    assert run(*words) == code
    said = capsys.readouterr()
    assert said.out == "" and said.err.startswith("ampledger replay: ") and said.err.count("\n") == 1
    assert {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()} == before
    return said.err


@pytest.mark.parametrize(
    ("words", "say"),
    [
        (("--capacity-ah", "0"), "--capacity-ah 0: expected ampere-hours above 0"),
        (("--capacity-ah", "-5"), "--capacity-ah -5"),
        (("--capacity-ah", "nan"), "--capacity-ah nan"),
        (("--capacity-ah", "inf"), "--capacity-ah inf"),
        (("--series", "0"), "--series 0: expected 1 to 16"),
        (("--lead-ohm", "-0.1"), "--lead-ohm -0.1: expected 0 to 2 ohm"),
        (("--lead-ohm", "nan"), "--lead-ohm nan"),
        (("--radio-min-v", "117"), "--radio-min-v 117: expected 0 to 60 V (0: no limit); 11.7 is usual"),
        (("--radio-min-v", "20"), "20 V; 4 cells in series have at most 14.6 V"),
        (("--standing-ma", "1001"), "--standing-ma 1001: expected milliamps"),
        (("--curve", "lfp2665"), "Did you mean lfp26650?"),
        (("--series", "17"), "--series 17"),
        (("--start-soc", "80"), "--start-soc 80: expected 0 (empty) to 1 (full), or 0% to 100%. Did you mean 80%?"),
        (("--start-soc", "-0.1"), "--start-soc -0.1"),
        (("--start-soc", "nan"), "--start-soc nan"),
        (("--reserve-soc", "1.01"), "--reserve-soc 1.01"),
        (("--reserve-soc", "1"), "--reserve-soc 1: nothing would be left"),
        (("--start-sd", "0.1"), "both, or neither"),
        (("--start-soc", "0.5", "--start-sd", "0"), "--start-sd 0: expected above 0"),
        (("--start-soc", "0.5", "--start-sd", "nan"), "--start-sd nan"),
        (("--start-soc", "0.5", "--start-sd", "5"), "--start-sd 5: expected above 0, up to 0.5; 0.005 is as good as"),
        (("--start-soc", "0.5", "--start-sd", "5"), "Did you mean 5%?"),
        (("--reserve-soc", "20"), "--reserve-soc 20: expected 0 (empty) to 1 (full), or 0% to 100%. Did you mean 20%?"),
        (("--out", "none/est.csv"), "doesn't exist"),
        (("--out", ""), "expected a file name"),
        (("--out", "."), "expected a file name"),
        (("--out", "log.csv"), "never overwritten"),
        (("--out", "./log.csv"), "never overwritten"),
        (("--notices", "log.csv"), "--notices log.csv: is the log itself"),
        (("--notices", "est.csv"), "Choose two names"),
        (("--notices", "none/n.jsonl"), "--notices none/n.jsonl: the folder"),
    ],
)
def test_a_wrong_argument_is_code_2_one_sentence_and_nothing_written(folder, capsys, words, say):
    assert say in refused(folder, capsys, *GOOD, *words)


def test_the_log_is_recognised_behind_a_link(folder, capsys):
    if os.name == "nt":
        pytest.skip("links as on Linux and macOS")
    (folder / "link.csv").symlink_to("log.csv")
    os.link(folder / "log.csv", folder / "hard.csv")
    assert "is the log itself" in refused(folder, capsys, *GOOD, "--out", "link.csv")
    assert "is the log itself" in refused(folder, capsys, *GOOD, "--out", "hard.csv")
    assert "not a plain file" in refused(folder, capsys, *GOOD, "--out", "/dev/null")


def test_a_folder_one_may_not_write_in_is_code_2(folder, capsys, monkeypatch):
    # The rights themselves can't be taken from root, which tests may run as.
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    assert "may not write there" in refused(folder, capsys, *GOOD)


def test_shares_are_taken_as_percent_too(folder, monkeypatch):
    made: list[replay.Options] = []
    monkeypatch.setattr(replay, "_engine", lambda options: made.append(options) or StandIn(options))
    assert run(*GOOD, "--start-soc", "80%", "--start-sd", "10%", "--reserve-soc", "30%") == 0
    assert (made[0].start.soc, made[0].start.sd, made[0].reserve_soc) == (0.8, 0.1, 0.3)


def test_what_can_still_be_had_is_told_by_its_middle_not_as_the_most_likely(folder, capsys):
    assert run(*GOOD) == 0
    # WORKED: half of 20 Ah less 10 C is 9.9972 Ah; less a fifth of 20 Ah, with a tenth of 20 Ah on either side
    assert "Still to be had: 4.00 to 8.00 Ah, middle 6.00 Ah (" in capsys.readouterr().out


def test_numbers_that_are_none_and_missing_arguments_end_with_code_2(folder, capsys):
    for words in (("log.csv", "--out", "e.csv"), ("log.csv", "--capacity-ah", "20"), (*GOOD, "--capacity-ah", "x")):
        with pytest.raises(SystemExit) as caught:
            run(*words)
        assert caught.value.code == 2
    assert os.listdir(folder) == ["log.csv"]


def test_a_bad_log_is_code_1_with_line_and_column_and_old_results_stay(folder, capsys):
    (folder / "est.csv").write_text("earlier result")
    (folder / "log.csv").write_text(LOG.replace("13.3,0.5,0.5\n2026-09-12T22:10:20", "x,0.5,0.5\n2026-09-12T22:10:20"))
    assert "log.csv, line 3, column battery_v: found 'x'" in refused(folder, capsys, *GOOD, code=1)
    (folder / "log.csv").unlink()
    assert "can't be read" in refused(folder, capsys, *GOOD, code=1)


@pytest.mark.parametrize(
    ("error", "code", "say"),
    [
        (KeyboardInterrupt(), 130, "stopped; nothing was written"),
        (BoxError("curve ends"), 1, "curve ends"),
    ],
)
def test_stopping_half_way_leaves_earlier_results_and_no_scraps(folder, capsys, monkeypatch, error, code, say):
    (folder / "est.csv").write_text("earlier result")
    monkeypatch.setattr(replay, "_engine", lambda options: StandIn(options, fail_at=4, error=error))
    assert say in refused(folder, capsys, *GOOD, "--notices", "n.jsonl", code=code)


def test_a_crash_of_the_engine_leaves_no_scraps_either(folder, monkeypatch):
    monkeypatch.setattr(replay, "_engine", lambda options: StandIn(options, fail_at=4, error=ZeroDivisionError()))
    with pytest.raises(ZeroDivisionError):
        run(*GOOD)
    assert os.listdir(folder) == ["log.csv"]


def test_an_estimate_that_is_not_a_number_is_never_written(folder, capsys, monkeypatch):
    monkeypatch.setattr(replay, "_engine", lambda options: StandIn(options, charge_c=float("nan")))
    assert "estimate at 2026-09-12T22:10:00.5Z is not a number" in refused(folder, capsys, *GOOD, code=1)


def test_a_summary_the_terminal_has_no_letters_for_is_still_printed(folder, capsys, monkeypatch):
    (folder / "log.csv").write_text("t_s,battery_v,battery_a,Höhe\n0,13,1,2\n1,13,1,2\n", encoding="utf-8")
    real = print

    def narrow(text: str, **options: Any) -> None:
        text.encode("ascii")
        real(text, **options)

    monkeypatch.setattr("builtins.print", narrow)
    assert run(*GOOD) == 0
    assert "H\\xf6he" in capsys.readouterr().out


# -- with the core's own engine ------------------------------------------------------------------


def discharge(rows: int) -> str:
    head = "time_utc,solar_a,battery_v,battery_a,load_a\n"
    return head + "".join(
        f"2026-09-12T{n // 3600:02}:{n // 60 % 60:02}:{n % 60:02}Z,0,13.1,-2,2\n" for n in range(rows)
    )


def test_the_real_engine_counts_the_same_coulombs_and_keeps_its_range_around_the_guess(tmp_path):
    (tmp_path / "log.csv").write_text(discharge(900))
    out = tmp_path / "est.csv"
    words = ("--capacity-ah", "20", "--start-soc", "0.8", "--start-sd", "0.02", "--notices", str(tmp_path / "n.jsonl"))
    assert run(str(tmp_path / "log.csv"), *words, "--out", str(out)) == 0
    rows = rows_of(out)[1:]
    # WORKED: 900 s x -2 A = -1800 C = -0.5 Ah
    assert len(rows) == 900 and float(rows[-1][4]) == pytest.approx(-0.5, abs=1e-6)
    for row in rows:
        assert 0 <= float(row[2]) <= float(row[1]) <= float(row[3]) <= 1
    assert all(json.loads(line)["code"] for line in (tmp_path / "n.jsonl").read_text().splitlines())


def test_a_real_ctrl_c_leaves_the_earlier_result_and_no_scraps(tmp_path):
    if os.name == "nt":
        pytest.skip("signals as on Linux and macOS")
    (tmp_path / "log.csv").write_text(discharge(36_000))
    (tmp_path / "est.csv").write_text("earlier result")
    script = (
        # A suite started in the background of a shell passes an ignored Ctrl-C on to its children.
        "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
        "import argparse, sys; from ampledger import replay; p = argparse.ArgumentParser(); replay.add_arguments(p); "
        "sys.exit(replay.run(p.parse_args(['log.csv', '--capacity-ah', '20', '--out', 'est.csv'])))"
    )
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2] / "host"), "PYTHONDONTWRITEBYTECODE": "1"}
    child = subprocess.Popen([sys.executable, "-c", script], cwd=tmp_path, env=env, stderr=subprocess.PIPE, text=True)
    try:
        limit_s = time.monotonic() + 20
        while not list(tmp_path.glob(".est.csv.*.part")):
            assert child.poll() is None and time.monotonic() < limit_s, "it never began to write"
            time.sleep(0.01)
        child.send_signal(signal.SIGINT)
        said = child.communicate(timeout=20)[1]
    finally:
        child.kill()
        child.wait()
    assert child.returncode == 130 and said == "ampledger replay: stopped; nothing was written.\n"
    assert (tmp_path / "est.csv").read_text() == "earlier result"
    assert sorted(os.listdir(tmp_path)) == ["est.csv", "log.csv"]
