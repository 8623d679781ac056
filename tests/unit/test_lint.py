"""Lint and types, with the settings of pyproject.toml."""

from __future__ import annotations

import subprocess
import sys

import pytest
from common import TOP, missing

STRICT = ["core", "wire.py", "decode.py", "store.py", "link.py", "live.py", "logfile.py", "replay.py", "page", "cli.py"]
STRICT += ["packing.py", "sums.py", "series.py", "backfill.py", "history.py", "telling.py", "interchange.py"]
STRICT += ["errors.py", "session.py", "calibrate.py", "commission.py", "recount.py", "boardtool.py", "health_cli.py"]
STRICT += ["settings.py", "late.py", "ahead.py", "life.py", "work.py", "intake.py"]
STRICT += ["curvefile.py", "curves_cli.py", "forecast_cli.py", "adif.py", "contacts_cli.py"]
STRICT += ["profile.py", "station_cli.py"]
STRICT += ["marks.py", "outings.py", "outings_cli.py"]
STRICT += ["pictures.py", "report.py", "report_page.py", "report_cli.py"]


def run(tool: str, *arguments: str) -> None:
    try:
        __import__(tool)
    except ImportError:
        missing(f"{tool} (it is in the test environment)")
    command = [sys.executable, "-m", tool, *arguments]
    done = subprocess.run(command, cwd=TOP, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_ruff() -> None:
    run("ruff", "check", "--no-cache", ".")


@pytest.mark.slow
def test_types() -> None:
    run("mypy", "--no-error-summary", *[f"host/ampledger/{p}" for p in STRICT])
