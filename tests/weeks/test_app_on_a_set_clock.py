"""What shows only after weeks alone, or with a host of an unlucky pace. See app_on_a_set_clock.py."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from ampledger.boardfiles import copy_firmware

SCRIPT = Path(__file__).with_name("app_on_a_set_clock.py")


def case(name: str, tmp_path: Path) -> Any:
    copy_firmware(tmp_path / "board")
    (tmp_path / "flash").mkdir()
    command = [sys.executable, str(SCRIPT), str(tmp_path / "board" / "lib"), str(tmp_path / "flash"), name]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return json.loads(done.stdout.splitlines()[-1])


@pytest.mark.slow
def test_checkpoints_and_bus_clearing_go_on_for_weeks_alone(tmp_path: Path) -> None:
    # The ticks come round after 12.4 days and compare wrongly from 6.2 days on: once a second, and every two seconds.
    for day, (checkpoints, clears) in case("weeks", tmp_path).items():
        assert 18 <= checkpoints <= 21, day
        assert 6 <= clears <= 11, day


def test_a_host_of_any_pace_gets_what_it_asked_for(tmp_path: Path) -> None:
    for after, took in case("latency", tmp_path).items():
        assert took is not None and took < 15_000, (after, took)


def test_lines_that_nobody_waits_for_fill_no_memory(tmp_path: Path) -> None:
    assert case("noise", tmp_path)["waiting"] == 0
