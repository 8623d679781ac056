"""The line is straight: what a module may import."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from common import TOP

HOST = TOP / "host" / "ampledger"
CORE = sorted((HOST / "core").glob("*.py"))

# Each step knows only the steps before it.
STEPS = ["wire", "errors", "work", "core", "adif", "curvefile", "settings", "decode", "packing", "sums", "store"]
STEPS += ["interchange"]
STEPS += ["marks", "boxbook", "recount", "series", "backfill", "history", "life", "telling", "late", "link", "ahead"]
STEPS += ["outings"]
STEPS += ["profile"]
STEPS += ["intake", "live", "page"]
STEPS += ["pictures", "report", "report_page", "report_cli"]
STEPS += ["health_cli", "curves_cli", "forecast_cli", "contacts_cli", "outings_cli", "station_cli", "cli"]


def imported(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {a.name for a in node.names}
        elif isinstance(node, ast.ImportFrom):
            names.add(node.module or "")
            names |= {f"{node.module}.{a.name}" for a in node.names}
    return names


@pytest.mark.parametrize("path", CORE, ids=lambda p: p.name)
def test_core_does_no_io(path: Path) -> None:
    forbidden = {"os", "io", "sys", "time", "datetime", "pathlib", "sqlite3", "serial", "dash", "flask", "plotly"}
    forbidden |= {"socket", "threading", "queue", "subprocess", "random", "urllib", "http", "logging"}
    names = imported(path)
    assert not {n.split(".")[0] for n in names} & forbidden
    ours = {n for n in names if n.startswith("ampledger")}
    assert all(n.startswith(("ampledger.core", "ampledger.errors")) for n in ours), ours
    calls = {
        node.func.id
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert not calls & {"open", "print", "input", "exec", "eval", "__import__"}


def test_only_the_sun_needs_pvlib_and_only_when_asked() -> None:
    users = [p for p in HOST.rglob("*.py") if any(n.split(".")[0] == "pvlib" for n in imported(p))]
    assert users == [HOST / "core" / "sun.py"]
    at_once = [n for n in ast.parse(users[0].read_text(encoding="utf-8")).body if "pvlib" in ast.dump(n)]
    assert not [n for n in at_once if isinstance(n, ast.Import | ast.ImportFrom)]


@pytest.mark.parametrize("step", STEPS)
def test_nothing_skips_back(step: str) -> None:
    paths = [HOST / f"{step}.py"] if (HOST / f"{step}.py").exists() else sorted((HOST / step).rglob("*.py"))
    assert paths
    later = {f"ampledger.{s}" for s in STEPS[STEPS.index(step) + 1 :]} | {"ampledger.simbox"}
    if step == "cli":
        later = set()
    for path in paths:
        back = {n for n in imported(path) if any(n == x or n.startswith(x + ".") for x in later)}
        assert not back, f"{path.name} imports {back}"


def test_the_wire_format_needs_nothing_a_board_lacks() -> None:
    assert {n.split(".")[0] for n in imported(HOST / "wire.py")} <= {"struct", "binascii", "collections", "micropython"}


def test_the_bench_shares_no_code_with_what_it_tests() -> None:
    for name in ("chips.py", "box.py"):
        ours = {n for n in imported(HOST / "simbox" / name) if n.startswith("ampledger")}
        assert not {n for n in ours if "wire" in n or "decode" in n or "core" in n}, name
