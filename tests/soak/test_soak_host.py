"""
A minute of `python3 tests soak`: a host that is killed, stopped, starved, unplugged and lied to loses no record. See
ordeal.py; other draws: `AMPLEDGER_SOAK_SEED=7 AMPLEDGER_SOAK_MINUTES=5 python3 tests tests/soak`.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import sys
from pathlib import Path

import pytest

from soak.ordeal import Ledger, Ordeal, stored_records

pytestmark = [
    pytest.mark.slow,
    pytest.mark.usefixtures("micropython"),
    pytest.mark.skipif(sys.platform == "win32", reason="needs a pty and signals"),
]

SEED = int(os.environ.get("AMPLEDGER_SOAK_SEED", "1"))
MINUTES = float(os.environ.get("AMPLEDGER_SOAK_MINUTES", "0.7"))


def test_a_host_that_is_maltreated_loses_nothing(tmp_path: Path) -> None:
    ordeal = Ordeal(tmp_path, SEED)
    ledger = ordeal.go(MINUTES)
    figures = ledger.figures
    print(json.dumps({"done": ledger.done, "figures": figures}, indent=2, default=str))
    assert ledger.finds == [] and ledger.faults == []
    for what in ("lost", "holes", "duplicated", "wrong", "sums_wrong", "beside_wrong"):
        assert figures[what] == 0, what
    assert figures["records"] > 300 and figures["records_sent"] > 300
    assert ledger.done["kills (-9)"] >= 1 and sum(ledger.done.values()) > 10
    for name, line in figures["books"]["channels"].items():
        # To the last count: what the chip counted is in the store, or went with the chip's power.
        assert line["left_over"] == 0 and line["missing_at_the_end"] == 0, (name, line)
        assert line["runs"] == line["power_losses"] + 1, (name, line)

    # The ledger would have seen it: one record taken away, one byte of another changed.
    sent = ordeal.sent()
    with contextlib.closing(sqlite3.connect(ordeal.data)) as db:
        rows = db.execute("SELECT id, payload FROM raw ORDER BY id").fetchall()
        there = set(sent.values())
        (gone, _), (changed, payload) = [row for row in rows if row[1] in there][-60:-20:30]
        db.execute("DELETE FROM raw WHERE id = ?", (gone,))
        harmed = payload[:-1] + bytes((payload[-1] ^ 1,))
        db.execute("UPDATE raw SET payload = ? WHERE id = ?", (harmed, changed))
        db.commit()
    assert len(stored_records(ordeal.data)[0]) == figures["records"] - 1
    ordeal.ledger = Ledger()
    ordeal._check()
    seen = ordeal.ledger.figures
    assert (seen["lost"], seen["wrong"]) == (1, 1) and seen["sums_wrong"] > 0 and len(ordeal.ledger.finds) >= 3
