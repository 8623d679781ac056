"""Where things are, and what to do when something is not there."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[1]
SHARED = TOP.parent / "shared"
IN_CI = bool(os.environ.get("CI"))
#: `python3 tests long`: more draws of the same tests than there is time for in each run of the suite.
LONG = bool(os.environ.get("AMPLEDGER_LONG"))


def missing(what: str) -> None:
    """A tool is not there: one clear line locally, a failure in CI."""
    if IN_CI:
        pytest.fail(f"{what} is missing, and CI must have it")
    pytest.skip(f"{what} is missing")
