"""What was learnt is kept, reset, had back, and put into a trip; `ampledger station` and `store-away`."""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from ampledger import adif, profile
from ampledger.cli import main
from ampledger.core.model import Interval, Tap
from ampledger.core.station import Finding, Lesson, Sight
from ampledger.core.trip import Trip, check
from ampledger.errors import ConfigError, StoreError
from ampledger.interchange import import_log
from ampledger.logfile import read_log, write_log
from ampledger.outings import Outings
from ampledger.profile import Profile, for_trip
from ampledger.store import Store
from test_station import outing

T0, DAY_S = 1_789_250_400.0, 86_400.0


def taught(day: float, receive: float = 0.55, **groups: tuple[float, float]) -> Lesson:
    begin_s = T0 + day * DAY_S
    found = [Finding("receive_a", "", receive, 0.02, 10), Finding("share", "", 0.3, 0.1, 40)]
    for group, (key, peak) in groups.items():
        found += [Finding("key_a", group.replace("_", " "), key, 0.02, 40),
                  Finding("peak_a", group.replace("_", " "), peak, 0.02, 40)]  # fmt: skip
    return Lesson(f"outing {day:g}", begin_s, begin_s + 7200.0, tuple(found))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        yield store


def keys(kept: Profile) -> list[str]:
    return [v.key for v in kept.values()]


def test_a_value_is_reset_and_had_back_and_nothing_is_overwritten(store: Store) -> None:
    now = [T0 + 30 * DAY_S]
    kept = Profile(store, "a", lambda: now[0])
    for day in (0.0, 7.0, 14.0):
        kept.learn(taught(day, CW_10_W=(1.7, 3.6)))
    before = kept.values()
    assert [v.key for v in before] == ["receive_a", "key_a CW 10 W", "peak_a CW 10 W", "share"]
    assert before[0].outings == 3 and before[0].value == pytest.approx(0.55, rel=0.01)
    done = kept.reset("receive_a")
    assert keys(kept) == ["key_a CW 10 W", "peak_a CW 10 W", "share"] and kept.resets() == (done,)
    kept.learn(taught(21.0, receive=0.8))
    assert kept.values()[0].value == pytest.approx(0.8, rel=0.05) and kept.values()[0].outings == 1
    assert kept.take_back() == done and kept.resets() == ()
    assert kept.values()[0].outings == 4, "what was forgotten counts again, beside what was learnt since"
    with pytest.raises(ConfigError, match="no reset"):
        kept.take_back()
    assert [what for _, _, what, _ in store.tellings("a")] == ["taught"] * 3 + ["reset", "taught", "reset back"]
    assert Profile(store, "b", lambda: now[0]).values() == ()


def test_learnt_twice_from_the_same_time_counts_once_and_after_a_reset_anew(store: Store) -> None:
    kept = Profile(store, "a", lambda: T0 + 30 * DAY_S)
    kept.learn(taught(0.0, receive=0.5))
    kept.learn(taught(0.01, receive=0.6))  # told with another span
    assert kept.values()[0].outings == 1 and kept.values()[0].value == pytest.approx(0.6, rel=0.05)
    kept.reset("receive_a")
    kept.reset("share")
    assert kept.values() == () and [r.key for r in kept.resets()] == ["receive_a", "share"]
    kept.learn(taught(0.0, receive=0.5))
    assert keys(kept) == ["receive_a", "share"]
    kept.take_back(kept.resets()[0].number)
    assert [r.key for r in kept.resets()] == ["share"]


def test_a_setting_that_nobody_told_stays_forgotten_when_its_name_moves(store: Store) -> None:
    kept = Profile(store, "a", lambda: T0 + 30 * DAY_S)
    for day, level in ((0.0, 9.6), (7.0, 9.8)):
        begin_s = T0 + day * DAY_S
        found = tuple(Finding(n, "", level, 0.02, 40, level) for n in ("key_a", "peak_a"))
        kept.learn(Lesson(f"{day}", begin_s, begin_s + 7200.0, found))
    assert keys(kept) == ["key_a about 9.7 A", "peak_a about 9.7 A"]
    kept.reset("key_a about 9.7 A")
    begin_s = T0 + 14 * DAY_S
    kept.learn(Lesson("14", begin_s, begin_s + 7200.0, (Finding("peak_a", "", 8.6, 0.02, 40, 8.6),)))
    assert keys(kept) == ["peak_a about 9.3 A"], "they go by another name now"
    kept.take_back()
    assert keys(kept) == ["key_a about 9.3 A", "peak_a about 9.3 A"]


def test_a_ridge_is_reset_by_its_sector(store: Store) -> None:
    kept = Profile(store, "a", lambda: T0 + DAY_S)
    sights = tuple(Sight(az, h, h > 8) for az in (250, 260) for h in range(4, 14))
    kept.learn(Lesson("x", T0, T0 + 7200.0, (), "43.62,-108.20", sights))
    assert keys(kept) == ["horizon_deg 43.62,-108.20 250-260", "horizon_deg 43.62,-108.20 260-270"]
    kept.reset("horizon_deg 43.62,-108.20 250-260")
    assert keys(kept) == ["horizon_deg 43.62,-108.20 260-270"]


def test_what_teaches_nothing_or_is_not_there_is_refused(store: Store) -> None:
    kept = Profile(store, "a", lambda: T0)
    with pytest.raises(ConfigError, match="Nothing could be learnt. Too short."):
        kept.learn(Lesson("x", T0, T0 + 60.0, lacks=("Too short.",)))
    with pytest.raises(ConfigError, match="nothing yet"):
        kept.reset("receive_a")
    kept.learn(taught(0.0))
    with pytest.raises(ConfigError, match="there is receive_a, share"):
        kept.reset("colour")
    store.tell(T0, "a", "taught", {"harmed": 1})
    with pytest.raises(StoreError, match="learn from it again"):
        kept.values()


def test_a_trip_begins_with_what_is_known(store: Store) -> None:
    kept = Profile(store, "a", lambda: T0 + 30 * DAY_S)
    assert for_trip(kept.values()) == {} and profile.settings(kept.values()) == ()
    kept.learn(taught(0.0, SSB_20_W=(3.9, 9.6)))
    kept.learn(taught(7.0, SSB_20_W=(3.9, 9.6), CW_10_W=(1.7, 3.6)))
    kept.learn(taught(14.0, CW_10_W=(1.7, 3.6)))
    values = kept.values()
    assert profile.settings(values) == ("CW 10 W", "SSB 20 W")
    fields = for_trip(values)
    assert list(fields) == ["receive_a", "key_a", "peak_a", "share"]
    assert fields == pytest.approx({"receive_a": 0.55, "key_a": 1.7, "peak_a": 3.6, "share": 0.3}, rel=0.03)
    assert for_trip(values, "SSB 20 W")["peak_a"] == pytest.approx(9.6, rel=0.03)
    check(Trip(T0, T0 + 7200.0, 6.0, 0.9, **fields))
    with pytest.raises(ConfigError, match="there is CW 10 W, SSB 20 W"):
        for_trip(values, "FM")


def test_a_span_of_the_store_says_what_its_intervals_say(store: Store, tmp_path: Path) -> None:
    write_log(tmp_path / "o.csv", outing(seed=4, minutes=12, own=0.015)[0])
    import_log(store, tmp_path / "o.csv", T0)
    told = profile.of_span(store, "log:1", T0 - 60.0, T0 + DAY_S, "x")
    assert told == profile.of_intervals(read_log(tmp_path / "o.csv").intervals, "x")
    assert {f.name for f in told.findings} == {"receive_a", "share", "peak_a", "key_a", "standing_a"}
    battery, load = Tap(13.2, 1.0, 60.0), Tap(13.2, 0.9, 54.0)
    at_panel = [Interval(T0 + 60.0 * k, 60.0, battery, Tap(18.0, 1.5, 90.0), load, at_panel=True) for k in range(60)]
    write_log(tmp_path / "p.csv", at_panel)
    import_log(store, tmp_path / "p.csv", T0)
    for said in (profile.of_intervals(at_panel, "x"), profile.of_span(store, "log:2", T0, T0 + 3600.0, "x")):
        (of,) = (f for f in said.findings if f.name == "efficiency")
        # WORKED: 13.2 V (1.0 + 0.9) A over 18 V 1.5 A
        assert of.value == pytest.approx(25.08 / 27.0, rel=1e-6)
    assert profile.of_span(store, "log:2", T0 + DAY_S, T0 + 2 * DAY_S, "x").lacks == ("There are no readings.",)


# --- the commands ---


def log(tmp_path: Path, day: float, seed: int) -> str:
    path = tmp_path / f"o{day:g}.csv"
    intervals, _ = outing(day, seed=seed, minutes=12)
    write_log(path, intervals)
    return str(path)


def test_station_learns_shows_forgets_and_has_back(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = ["--data", str(tmp_path / "s.sqlite")]
    assert main(["station", "show", *data]) == 2 and "station learn" in capsys.readouterr().err
    assert main(["station", "learn", log(tmp_path, 0.0, 1), "--mode", "ssb", "--power-w", "20", *data]) == 0
    out = capsys.readouterr().out
    assert "Learnt from log o0.csv, 2026-09-12:" in out and "key_a SSB 20 W" in out and "Not learnt: Efficiency" in out
    assert main(["station", "learn", log(tmp_path, 7.0, 2), "--json", *data]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["lesson"]["source"] == "log o7.csv" and said["values"][0]["outings"] == 2
    assert main(["station", "show", *data]) == 0
    out = capsys.readouterr().out
    assert re.search(r"receive_a +0\.5\d* A \(0\.\d+ to 0\.\d+\) drawn on receive; 2 outings, \d+ blocks", out)
    assert "`ampledger health` has them" in out and "a trip begins with" in out and "safe" not in out
    assert main(["station", "reset", "key_a", *data]) == 0 and "station undo" in capsys.readouterr().out
    assert main(["station", "show", "--json", *data]) == 0
    said = json.loads(capsys.readouterr().out)
    assert "key_a" not in said["trip"] and [r["key"] for r in said["resets"]] == ["key_a"]
    assert main(["station", "undo", *data]) == 0 and "taken back" in capsys.readouterr().out
    assert main(["station", "show", "--json", *data]) == 0
    assert "key_a" in json.loads(capsys.readouterr().out)["trip"]
    away = ["store-away", "--capacity-ah", "6", "--soc", "50%", "--temp-c", "15", "--connected", *data]
    assert main(away) == 0
    assert "learnt from 2 outings" in capsys.readouterr().out


def test_station_learns_from_an_imported_log_and_asks_for_one_outing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = ["--data", str(tmp_path / "s.sqlite")]
    assert main(["import", log(tmp_path, 0.0, 1), *data]) == 0
    assert main(["station", "learn", "--board", "log:1", *data]) == 0
    assert "Learnt from log:1, 2026-09-12:" in capsys.readouterr().out
    battery, load = Tap(13.2, -0.5, -1800.0), Tap(13.2, 0.5, 1800.0)
    write_log(tmp_path / "days.csv", [Interval(T0 + 3600.0 * k, 3600.0, battery, None, load) for k in range(48)])
    assert main(["station", "learn", str(tmp_path / "days.csv"), *data]) == 2
    assert "one outing at a time" in capsys.readouterr().err
    assert main(["import", str(tmp_path / "days.csv"), *data]) == 0 and capsys.readouterr()
    assert main(["station", "learn", "--board", "log:2", *data]) == 2
    assert "one outing at a time" in capsys.readouterr().err
    for wrong, says in ((["--power-w", "0"], "watts"), (["--series", "99"], "cells"), (["--board", "z"], "no board z")):
        assert main(["station", "learn", "--board", "log:1", *data, *wrong]) == 2
        assert says in capsys.readouterr().err
    dateless = tmp_path / "t.csv"
    dateless.write_text("t_s,battery_v,battery_a,load_a\n0,13.2,-0.5,0.5\n1,13.2,-0.5,0.5\n")
    assert main(["station", "learn", str(dateless), *data]) == 2 and "no date" in capsys.readouterr().err


def test_store_away_in_words_and_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    base = ["store-away", "--capacity-ah", "6", "--soc", "0.95", "--temp-c", "15"]
    assert main([*base, "--charger-a", "2", "--floor", "30%"]) == 0
    out = capsys.readouterr().out
    assert "Use 2.70 Ah first, down to 50 %." in out and "13.2 V rested" in out and "one maker's sheet" in out
    assert re.search(r"top up by   20\d\d-\d\d-\d\d \(20\d\d-\d\d-\d\d to 20\d\d-\d\d-\d\d\), when 30 % are left", out)
    assert "to full" in out and "Never charge at or below 0 °C" in out and "unattended" in out and "safe" not in out
    assert main([*base, "--standing-ma", "12", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    # WORKED: 12 mA, 2 mA of the protection, 2 % of 6 Ah in 720 h
    assert said["drain_a"][0] == pytest.approx(0.0141667, abs=5e-7) and said["standing_from"] == "as told"
    assert len(said["topup"]) == 3 and said["do"] == "discharge"
    assert main([*base, "--connected", "--data", str(tmp_path / "none.sqlite")]) == 0
    assert "usual, nothing was learnt" in capsys.readouterr().out and not (tmp_path / "none.sqlite").exists()
    assert main([*base, "--connected", "--standing-ma", "5"]) == 2 and "one of them" in capsys.readouterr().err
    assert main([*base, "--soc-sd", "0.9"]) == 2 and "of doubt" in capsys.readouterr().err


def test_station_learns_from_an_outing_with_what_is_told_of_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    data = ["--data", str(tmp_path / "s.sqlite")]
    assert main(["import", log(tmp_path, 0.0, 1), *data]) == 0
    with contextlib.closing(Store(tmp_path / "s.sqlite")) as store:
        known = Outings(store, "log:1", lambda: T0 + DAY_S)
        number = known.begin(T0 - 60.0, T0 + 1800.0, mode="SSB", power_w=20.0, place="DN53vo").number
        # Twelve minutes from 22:00 on; from 22:07 in another mode, by what was logged at 22:09 and 22:11.
        each = "<QSO_DATE:8>20260912<TIME_ON:6>22{}00<CALL:4>Q1AB<MODE:2>CW<TX_PWR:2>10<EOR>"
        known.put_log(number, adif.read("".join(each.format(minute) for minute in ("09", "11")).encode()))
    capsys.readouterr()
    assert main(["station", "learn", "--board", "log:1", "--outing", str(number), "--json", *data]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["lesson"]["source"] == f"outing {number}"
    assert {f[1] for f in said["lesson"]["findings"] if f[0] == "key_a"} == {"SSB 20 W", "CW 10 W"}
    assert main(["station", "learn", "--board", "log:1", "--outing", str(number), "--mode", "CW", *data]) == 2
    assert "outing set" in capsys.readouterr().err
