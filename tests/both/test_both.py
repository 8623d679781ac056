"""The same files of facts under CPython and under MicroPython, unmodified."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
FACTS = (
    "wire_facts",
    "sampler_facts",
    "chip_facts",
    "calibration_facts",
    "gps_facts",
    "alone_facts",
    "display_facts",
    "port_facts",
)


@pytest.fixture(scope="module")
def lib(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The firmware as it lies on a board."""
    from ampledger.boardfiles import copy_firmware

    folder = tmp_path_factory.mktemp("flash")
    copy_firmware(folder)
    return folder / "lib"


@pytest.mark.parametrize("facts", FACTS)
def test_under_cpython(facts: str, lib: Path) -> None:
    _run([sys.executable], facts, lib)


@pytest.mark.parametrize("facts", FACTS)
def test_under_micropython(facts: str, lib: Path, micropython: None) -> None:
    start = "import sys; from micropython_unix import main; sys.exit(main())"
    _run([sys.executable, "-c", start, "-X", "heapsize=400k"], facts, lib)


def _run(interpreter: list[str], facts: str, lib: Path) -> None:
    command = [*interpreter, str(HERE / "run.py"), str(lib), str(HERE), facts]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    wanted = sum(line.startswith("def test_") for line in (HERE / f"{facts}.py").read_text().splitlines())
    assert done.returncode == 0, done.stdout + done.stderr
    assert sum(line.startswith("ok test_") for line in done.stdout.splitlines()) == wanted
