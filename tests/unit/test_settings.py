"""What the operator says of battery, leads and radio: asked for, kept with all it takes, and read again."""

from __future__ import annotations

import argparse
import dataclasses
import json
from pathlib import Path
from typing import Any

import pytest
from ampledger import cli, settings
from ampledger.core.cells import LFP26650, Curve
from ampledger.core.model import Battery, Interval, Limits, Start, Tap
from ampledger.core.usable import Station
from ampledger.curvefile import write_curve
from ampledger.errors import ConfigError
from ampledger.settings import DEFAULTS, Setup, battery_told, chosen, in_words, kept_curve, limits_told, told_curve
from ampledger.store import Store

#: What 0.3.0 kept.
OLD = {"capacity_ah": 12.0, "series": 8, "reserve_soc": 0.3}


def given(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    settings.add_arguments(parser)
    return parser.parse_args(words)


def own_curve() -> Curve:
    """The built-in one, a hundredth of a volt lower, under another name."""
    lower = tuple(tuple(None if v is None else v - 0.01 for v in row) for row in LFP26650.discharge_v)
    return dataclasses.replace(LFP26650, name="shack", discharge_v=lower, own_pack=True)


def through_json(value: Any) -> Any:
    return json.loads(json.dumps(value))


def test_only_what_was_said_is_chosen_and_milliamps_become_amps() -> None:
    assert chosen(given()) == {}
    assert chosen(given("--lead-ohm", "0.05", "--standing-ma", "12")) == {
        "lead_ohm": 0.05, "lead_told": True, "standing_a": 0.012,
    }
    assert chosen(given("--radio-min-v", "0", "--curve", "lfp26650")) == {"radio_min_v": 0.0, "curve": "lfp26650"}


@pytest.mark.parametrize(
    ("words", "say"),
    [
        (("--lead-ohm", "2.5"), "--lead-ohm 2.5: expected 0 to 2 ohm"),
        (("--lead-ohm", "nan"), "--lead-ohm nan"),
        (("--radio-min-v", "-1"), "--radio-min-v -1: expected 0 to 60 V (0: no limit); 11.7 is usual"),
        (("--radio-min-v", "inf"), "--radio-min-v inf"),
        (("--standing-ma", "-1"), "--standing-ma -1: expected milliamps from 0 to 1000"),
        (("--curve", "no/such.csv"), "neither a file nor one of lfp26650"),
    ],
)
def test_what_can_not_be_is_refused_by_the_name_of_its_option(words: tuple[str, str], say: str) -> None:
    with pytest.raises(ConfigError) as e:
        chosen(given(*words))
    assert say in str(e.value)


def test_what_earlier_versions_kept_has_the_defaults() -> None:
    setup = battery_told(OLD)
    assert setup == Setup(Battery(12.0, 8, own_curve=False), 0.3, Station(0.03, None), LFP26650)
    assert battery_told(through_json(OLD | DEFAULTS)) == setup


def test_all_that_was_said_comes_back() -> None:
    values = OLD | {"lead_ohm": 0.1, "radio_min_v": 21.0, "standing_a": 0.012, "curve": kept_curve(own_curve())}
    setup = battery_told(through_json(values))
    assert (setup.battery, setup.station) == (Battery(12.0, 8, standing_a=0.012), Station(0.1, 21.0))
    assert setup.curve.digest == own_curve().digest != LFP26650.digest and setup.curve.name == "shack"
    engine = setup.engine(Start())
    assert (engine.station, engine.curve, engine.reserve_soc) == (setup.station, setup.curve, 0.3)


@pytest.mark.parametrize(
    "harm",
    [
        {"capacity_ah": None},
        {"lead_ohm": "thick"},
        {"lead_ohm": 9.0},
        {"radio_min_v": 99.0},
        {"standing_a": []},
        {"curve": "gone"},
        {"curve": 7},
        {"curve": {"name": "half"}},
        {"curve": kept_curve(own_curve()) | {"soc": [0.0, 1.0]}},  # type: ignore[operator]
    ],
    ids=str,
)
def test_what_was_kept_and_can_not_be_is_refused_in_words(harm: dict[str, Any]) -> None:
    with pytest.raises(ConfigError):
        battery_told(OLD | harm)


def test_a_curve_from_a_file_is_kept_with_all_it_holds(tmp_path: Path) -> None:
    file = tmp_path / "shack.csv"
    write_curve(own_curve(), file)
    values = OLD | DEFAULTS | chosen(given("--curve", str(file)))
    store = Store(tmp_path / "records.sqlite")
    store.put_state("settings", values)
    store.tell(0.0, "", "battery", values)
    store.close()
    file.unlink()
    store = Store(tmp_path / "records.sqlite")
    try:
        kept, (_, _, told) = store.get_state("settings"), store.told("")[0]
        assert kept == values, "the same said again is nothing new"
        assert battery_told(kept).curve.digest == battery_told(told).curve.digest == own_curve().digest
    finally:
        store.close()
    # Read again and again it is one curve, so that the tables made of it are made once.
    assert told_curve(through_json(values["curve"])) is told_curve(through_json(values["curve"]))


def test_only_a_curve_of_the_operators_own_is_taken_for_that_of_the_pack() -> None:
    assert not battery_told(OLD).battery.own_curve
    for own in (True, False):
        curve = dataclasses.replace(own_curve(), own_pack=own)
        assert battery_told(through_json(OLD | {"curve": kept_curve(curve)})).battery.own_curve is own
    older = {k: v for k, v in through_json(kept_curve(own_curve())).items() if k != "own_pack"}
    assert not battery_told(OLD | {"curve": older}).battery.own_curve, "kept before it was asked"


def test_the_curve_decides_what_the_same_volts_mean() -> None:
    row = Interval(0.0, 60.0, Tap(v=12.6, a=0.0, charge_c=0.0), battery_c=25.0)
    socs = []
    for curve in (LFP26650, own_curve()):
        engine = Setup(Battery(10.0), 0.2, Station(), curve).engine(Start())
        for k in range(60):
            engine.step(dataclasses.replace(row, start_s=60.0 * k))
        socs.append(engine.read().soc)
    # The same volts are a higher charge on a branch that lies lower.
    assert socs[1] > socs[0]


def test_it_is_said_in_words_what_is_reckoned_with() -> None:
    assert in_words(battery_told(OLD | {"series": 4})) == (
        "12 Ah, 4 cells in series, curve lfp26650; 30 mΩ to a radio that needs 11.7 V"
    )
    assert in_words(battery_told(OLD | {"series": 1, "standing_a": 0.012})) == (
        "12 Ah, 1 cell, curve lfp26650; 30 mΩ to a radio without a lower limit, 12 mA while the board is off"
    )


def test_the_command_line_goes_before_what_was_kept_and_that_before_the_defaults() -> None:
    def settled(words: list[str], saved: dict[str, Any] | None) -> tuple[dict[str, Any], bool]:
        return cli._settings(cli._parser().parse_args(["live", *words]), saved, False)

    assert settled([], None) == ({"capacity_ah": 20.0, "series": 4, "reserve_soc": 0.2, **DEFAULTS}, True)
    assert settled([], OLD) == (OLD | DEFAULTS, False)
    words = ["--lead-ohm", "0.07", "--reserve-soc", "10%"]
    assert settled(words, OLD | DEFAULTS | {"lead_ohm": 0.2, "radio_min_v": 11.0}) == (
        OLD | DEFAULTS | {"lead_ohm": 0.07, "lead_told": True, "radio_min_v": 11.0, "reserve_soc": 0.1},
        False,
    )


# -- what box and battery bear -------------------------------------------------------------------

#: Every option, its bounds, and whether 0 takes it back.
BOUNDS = [
    *((f"--{b}-{what}-a", 0.1, 500.0, True) for b in ("solar", "battery", "load") for what in ("fuse", "wire")),
    ("--charge-a", 0.1, 500.0, True),
    ("--idle-a", 0.01, 50.0, True),
    ("--cold-c", -30.0, 15.0, False),
    ("--charge-hot-c", 25.0, 80.0, False),
    ("--hot-c", 30.0, 80.0, False),
    ("--cell-high-v", 3.4, 4.0, False),
    ("--cell-low-v", 2.0, 3.2, False),
]


def test_every_limit_has_bounds_here_and_no_other_has() -> None:
    assert {name[2:].replace("-", "_") for name, *_ in BOUNDS} == set(settings._ASKED)


@pytest.mark.parametrize(("name", "low", "high", "can_go"), BOUNDS, ids=[b[0] for b in BOUNDS])
def test_a_limit_is_taken_between_its_bounds_and_refused_beyond_them(
    name: str, low: float, high: float, can_go: bool
) -> None:
    key = name[2:].replace("-", "_")
    for value in (low, high):
        assert chosen(given(f"{name}={value:g}")) == {key: value}
    for text in (f"{low - 0.01:g}", f"{high + 0.01:g}", "nan", "inf", "-1e9"):
        if float(text) == 0.0 and can_go:
            continue
        with pytest.raises(ConfigError) as e:
            chosen(given(f"{name}={text}"))
        assert str(e.value).startswith(f"{name} ") and f"from {low:g} to {high:g}" in str(e.value)
        assert ("0: not looked at" in str(e.value)) is can_go
    if can_go:
        assert chosen(given(name, "0")) == {key: None}


def test_without_limits_the_usual_ones_hold() -> None:
    assert battery_told(OLD).limits == battery_told(OLD | DEFAULTS).limits == Limits()
    assert Setup(Battery(10.0)).limits == Limits() and Setup(Battery(10.0)).engine(Start()).limits == Limits()


def test_limits_that_were_told_come_back_and_reach_the_engine() -> None:
    words = ["--solar-fuse-a", "10", "--load-fuse-a", "25", "--battery-wire-a", "30", "--charge-a", "12"]
    words += ["--idle-a", "0.9"]
    words += ["--cold-c", "-5", "--charge-hot-c", "50", "--hot-c", "58", "--cell-high-v", "3.75", "--cell-low-v", "2.9"]
    setup = battery_told(through_json(OLD | DEFAULTS | chosen(given(*words))))
    limits = Limits((10.0, None, 25.0), (None, 30.0, None), 12.0, -5.0, 58.0, 50.0, 3.75, 2.9, 0.9)
    assert setup.limits == limits and setup.engine(Start()).limits == limits
    assert in_words(setup).endswith(
        "; fuses: solar 10 A, load 25 A; wires: battery 30 A; charged with 12 A at most; charged above -5 °C and up to "
        "50 °C; hot from 58 °C on; 2.90 to 3.75 V a cell; 0.9 A on receive at most"
    )
    # What was told is taken back with 0, and the rest stays.
    kept = OLD | DEFAULTS | chosen(given(*words)) | chosen(given("--load-fuse-a", "0"))
    assert battery_told(kept).limits == dataclasses.replace(limits, fuse_a=(10.0, None, None))


def test_a_fuse_that_is_larger_than_its_wire_bears_is_said() -> None:
    kept = OLD | chosen(given("--load-fuse-a", "30", "--load-wire-a", "20"))
    assert "the load fuse does not protect its wire, which may carry less" in in_words(battery_told(kept))
    kept |= chosen(given("--load-wire-a", "30"))
    assert "protect" not in in_words(battery_told(kept))


@pytest.mark.parametrize(
    ("words", "say"),
    [
        (("--cold-c", "15", "--charge-hot-c", "25"), None),
        (("--cold-c", "15", "--charge-hot-c", "25", "--hot-c", "30"), None),
        (("--hot-c", "44"), "--charge-hot-c 45 is above --hot-c 44"),
        (("--charge-hot-c", "52"), "--charge-hot-c 52 is above --hot-c 50"),
    ],
)
def test_temperatures_have_to_be_in_order(words: tuple[str, ...], say: str | None) -> None:
    values = OLD | chosen(given(*words))
    if say is None:
        assert battery_told(values).limits.cold_c == 15.0
        return
    with pytest.raises(ConfigError) as e:
        battery_told(values)
    assert say in str(e.value)


def test_there_is_a_temperature_to_charge_at() -> None:
    # The bounds alone keep them 10 degC apart, which is more than the 7 that are asked for.
    with pytest.raises(ValueError):
        limits_told({"cold_c": 20.0, "charge_hot_c": 25.0})


@pytest.mark.parametrize(
    "harm",
    [{"cold_c": None}, {"load_fuse_a": "thick"}, {"hot_c": 1e9}, {"cell_low_v": float("nan")}, {"charge_a": -3.0},
     {"idle_a": 0.0}],
    ids=str,
)  # fmt: skip
def test_limits_that_were_kept_and_can_not_be_are_refused_in_words(harm: dict[str, Any]) -> None:
    with pytest.raises(ConfigError):
        battery_told(OLD | harm)


def test_every_command_that_knows_the_battery_takes_its_limits() -> None:
    log = ["log.csv", "--capacity-ah", "9"]
    for words in (["live"], ["replay", *log, "--out", "out.csv"], ["forecast", *log]):
        args = cli._parser().parse_args([*words, "--load-fuse-a", "15"])
        assert chosen(args) == {"load_fuse_a": 15.0}
