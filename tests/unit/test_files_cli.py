"""The commands that look after the records: books, export, import, backup, rebuild; through the program's own entry."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from ampledger import wire
from ampledger.cli import main
from ampledger.decode import Frame
from ampledger.store import Store
from common import TOP

T0 = 1_789_000_000
CHANNELS = [
    {"name": n, "chip": "ina228", "shunt_nohm": 2_000_000, "shunt_cal": 4100, "low_range": 0} for n in wire.CHANNELS
]
LSB_A = 4100 / (13107.2e6 * 0.002)


def info(device: str, **more: Any) -> dict[str, Any]:
    return {"app": "ampledger", "board": "pico", "device": device, "boot": 7, "boots": 1, "oldest": 0, "next": 0,
            "solar_placement": "controller-output", "sample_ms": 100, "channels": CHANNELS} | more  # fmt: skip


def reading(seq: int, mono_s: int) -> Frame:
    payload = bytearray(wire.READING_SIZE)
    wire.put_reading_head(payload, 0, 2, (7).to_bytes(4, "little"), seq, mono_s * 1000, 0, 1000, 320)
    for i, amps in enumerate((1.0, -2.0, 3.0)):
        count, charge = round(amps / LSB_A), round(amps / LSB_A) * mono_s
        at = wire.CHANNEL_AT + i * wire.CHANNEL_SIZE
        counted = charge.to_bytes(5, "big", signed=True)
        wire.put_channel(payload, at, 0, 1, 5, 67_600, 4225, 4225, count, count >> 4, count >> 4, counted, 0, 0)
    return Frame(wire.READING, 0, bytes(payload))


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """An hour and a half of one board, an hour of it missing in the middle."""
    path = tmp_path / "records.sqlite"
    store = Store(path)
    store.add_info(info("a"), float(T0))
    anchor = Frame(wire.ANCHOR, 0, wire.put_anchor((7).to_bytes(4, "little"), 0, T0 * 1000, 20))
    seconds = [*range(1, 901), *range(4501, 5401)]
    store.add("a", [anchor, *(reading(s - 1 if s < 1000 else s, s) for s in seconds)])
    store.close()
    return path


def run(*words: object) -> int:
    return main([str(w) for w in words])


def test_books_name_the_gap_with_its_charge_and_how_well_the_times_are_known(
    data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("books", "--data", data, "--json") == 0
    books = json.loads(capsys.readouterr().out)
    (gap,) = books["gaps"]
    # WORKED: an hour at 2 A out of the battery, 3 A into the load.
    assert gap["seconds"] == 3600.0 and gap["start_s"] == T0 + 900
    assert gap["battery_ah"] == pytest.approx(-2.0, abs=1e-4) and gap["load_ah"] == pytest.approx(3.0, abs=1e-4)
    assert 0.02 <= books["unsure_s"] < 1.0
    assert run("books", "--data", data) == 0
    said = capsys.readouterr().out
    assert "gap      2026-09-10 00:41:40 UTC, 3600 s: solar +1.000 Ah, battery -2.000 Ah, load +3.000 Ah" in said
    assert "clock    UTC, within 0.6 s, at worst" in said
    assert run("books", "--data", data, "--until", "2026-09-10T00:41:40", "--json") == 0
    assert json.loads(capsys.readouterr().out)["gaps"] == []


@pytest.mark.parametrize("suffix", [".csv", ".csv.gz", ".jsonl", ".parquet"])
def test_what_is_exported_can_be_imported_and_gives_the_same_books(
    data: Path, tmp_path: Path, suffix: str, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / f"log{suffix}"
    assert run("export", "--data", data, "--out", out) == 0
    assert "1801 rows are in" in capsys.readouterr().out
    other = tmp_path / "other.sqlite"
    assert run("import", out, "--data", other) == 0
    assert "log:1" in capsys.readouterr().out
    assert run("books", "--data", data, "--json") == 0
    then = json.loads(capsys.readouterr().out)
    assert run("books", "--data", other, "--json") == 0
    now = json.loads(capsys.readouterr().out)
    assert now == then, "to the last bit"
    # And out again: the same bytes.
    again = tmp_path / f"again{suffix}"
    assert run("export", "--data", other, "--out", again, "--board", "log:1") == 0
    capsys.readouterr()
    if suffix in (".csv", ".jsonl"):
        body = [line for line in out.read_text().splitlines() if "source" not in line]
        assert [line for line in again.read_text().splitlines() if "source" not in line] == body
    # The same file twice is refused.
    assert run("import", out, "--data", other) == 2
    assert "already" in capsys.readouterr().err


def test_a_backup_is_whole_and_never_overwrites(data: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    copy = tmp_path / "copies" / "b.sqlite"
    copy.parent.mkdir()
    writer = Store(data)  # `live` is running
    try:
        assert run("backup", copy, "--data", data) == 0
        assert "checked" in capsys.readouterr().out
        with contextlib.closing(Store(copy, look=True)) as found:
            assert found.readings("a", 7) == writer.readings("a", 7)
    finally:
        writer.close()
    before = copy.read_bytes()
    assert run("backup", copy, "--data", data) == 2
    assert copy.read_bytes() == before and "is there" in capsys.readouterr().err


def test_rebuild_says_what_it_did_and_refuses_beside_a_running_live(
    data: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("rebuild", "--data", data) == 0
    said = capsys.readouterr().out
    assert "a: 1800 records" in said and "1.50 h" in said
    with contextlib.closing(Store(data)):
        assert run("rebuild", "--data", data) == 2
    assert "another ampledger" in capsys.readouterr().err
    assert run("rebuild", "--data", data, "--board", "nobody") == 2
    assert "no board nobody" in capsys.readouterr().err
    assert run("rebuild", "--data", data.with_name("nowhere.sqlite")) == 2
    assert "--data" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("export", "--out", "x.txt"), ".csv"),
        (("export", "--out", "/nowhere/x.csv"), "nowhere"),
        (("export", "--out", "x.csv", "--since", "2026-09-11", "--until", "2026-09-10"), "before"),
        (("export", "--out", "x.csv", "--since", "2031-09-11"), "no"),
        (("export", "--out", "x.csv", "--board", "b"), "--board"),
        (("import", "/nowhere/x.csv"), "nowhere"),
        (("books", "--since", "yesterday"), "2026-09-12T22:00"),
    ],
)
def test_what_can_not_be_done_is_said_and_leaves_nothing_behind(
    data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], why: str, capsys: Any
) -> None:
    monkeypatch.chdir(tmp_path)
    def there() -> list[str]:
        return [n for n in sorted(p.name for p in tmp_path.iterdir()) if not n.endswith((".lock", "-wal", "-shm"))]

    before = there()
    assert run(*words, "--data", data) == 2
    said = capsys.readouterr().err
    assert why in said and len(said) > 40
    assert there() == before


def test_local_time_and_its_summer_time_change_nothing(data: Path, tmp_path: Path) -> None:
    said = []
    for zone in ("UTC", "Europe/Berlin", "America/New_York", "Australia/Lord_Howe"):
        env = os.environ | {"TZ": zone, "PYTHONPATH": str(TOP / "host")}
        command = [sys.executable, "-m", "ampledger", "books", "--data", str(data)]
        done = subprocess.run(command, env=env, capture_output=True, text=True, check=True)
        out = tmp_path / f"{zone.replace('/', '-')}.csv"
        subprocess.run([*command[:3], "export", "--data", str(data), "--out", str(out)], env=env, check=True)
        said.append((done.stdout, out.read_bytes()))
    assert len(set(said)) == 1 and "2026-09-10 00:26:40" in said[0][0]


def test_a_reader_that_goes_away_is_no_fault(data: Path) -> None:
    env = os.environ | {"PYTHONPATH": str(TOP / "host")}
    command = f"{sys.executable} -m ampledger books --data {data} --json | head -c 1"
    done = subprocess.run(command, shell=True, env=env, capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr
