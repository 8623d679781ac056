"""
The firmware against the stubs of its board (micropython-rp2-stubs), by mypy.

The stubs come as two distributions that land in site-packages among everything else: one is a
typeshed of MicroPython's own `builtins`, `os`, `sys`..., the other has `machine`, `time`, `select`...
Read from there mypy ignores them, so they are copied: the first as its typeshed, the second as its path.
"""

from __future__ import annotations

import importlib.metadata
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from common import TOP, missing

pytestmark = pytest.mark.slow

WRONG = """
import json, machine, os, select, sys, time
import micropython
import onewire
from ampboard import wire
from ampboard.gps import Gps

machine.Pin(1).valu()
time.ticks_msx()
select.poll().ipol(1)
os.urandomx(3)
json.dumpz(1)
sys.print_exception(1)
machine.I2C(0, sdaa=4, scl=5)
machine.WDT(timeoutt=3)
machine.lightsleep("long")
onewire.OneWire(machine.Pin(3)).resett()
micropython.cons(3)
wire.frame_into()
Gps(machine.UART(0)).pol(0)


class Rig:
    def __init__(self):
        self.i2c = machine.I2C(0, sda=machine.Pin(4), scl=machine.Pin(5), freq=400000)

    def read(self):
        self.i2c.readfrom_mem_intoo(1, 2, bytearray(2))
"""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with `typeshed`, `stubs` and `firmware`."""
    folder = tmp_path_factory.mktemp("types")
    for name in ("micropython-rp2-stubs", "micropython-stdlib-stubs", "mypy"):
        try:
            files = importlib.metadata.files(name) or []
        except importlib.metadata.PackageNotFoundError:
            missing(f"{name} (it is in the test environment)")
        if name == "mypy":
            continue
        for file in files:
            if file.suffix == ".pyi" or file.name == "VERSIONS":
                home = "typeshed" if file.parts[0] in ("stdlib", "stubs") else "stubs"
                target = folder / home / file
                target.parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(str(file.locate()), target)
    shutil.copytree(TOP / "firmware", folder / "firmware", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copyfile(TOP / "host/ampledger/wire.py", folder / "firmware/ampboard/wire.py")
    return folder


def complaints(place: Path, files: list[Path]) -> list[str]:
    command = [sys.executable, "-m", "mypy", "--config-file", str(TOP / "tests/typing/mypy.ini")]
    command += ["--custom-typeshed-dir", str(place / "typeshed"), "--cache-dir", str(place / "cache")]
    command += ["--no-error-summary", "--hide-error-context", *[str(f.relative_to(place)) for f in files]]
    environment = {**os.environ, "MYPYPATH": os.pathsep.join((str(TOP / "tests/typing"), "stubs", "firmware"))}
    done = subprocess.run(command, cwd=place, env=environment, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode in (0, 1), done.stdout + done.stderr
    assert done.returncode == 0 or done.stdout
    return [line for line in done.stdout.splitlines() if ": note: " not in line]


def test_the_firmware_uses_the_board_as_its_stubs_say(place: Path) -> None:
    files = sorted((place / "firmware").rglob("*.py"))
    assert {"main.py", "boot.py", "app.py", "port.py", "wire.py"} <= {f.name for f in files}
    found = complaints(place, files)
    assert not found, "\n".join(found)


def test_wrong_calls_are_found(place: Path) -> None:
    """Each line of WRONG that calls something is one complaint: the check above is not a blind one."""
    probe = place / "firmware/probe.py"
    probe.write_text(WRONG)
    try:
        found = complaints(place, [probe])
    finally:
        probe.unlink()
    wanted = {
        number
        for number, line in enumerate(WRONG.splitlines(), 1)
        if "(" in line and not line.lstrip().startswith(("def ", "class ", "self.i2c = "))
    }
    assert len(wanted) == 14
    assert {int(line.split(":")[1]) for line in found} == wanted, found


def test_a_new_file_is_checked_without_being_listed(place: Path) -> None:
    new = place / "firmware/ampboard/fifth.py"
    new.write_text("import machine\n\n\nclass Fifth:\n    def begin(self):\n        machine.Pin(1).valu()\n")
    try:
        found = complaints(place, sorted((place / "firmware").rglob("*.py")))
    finally:
        new.unlink()
    assert any("fifth.py:6:" in line and "valu" in line for line in found), found
