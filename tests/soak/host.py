"""
The host under test, as a process of its own that can be killed, stopped and starved.

It runs what `ampledger live` runs behind the page: a Store and live.Boards, with a reader beside them that asks for
snapshots and series as a page does. Its clocks come from the bench through a shared file, so that they keep the box's
time; commands come on stdin, one a line, and facts go to stdout, one JSON object a line:

    step SECONDS   this computer's clock is set by so much
    full, free     no further page for the database (PRAGMA max_page_count), and again
    choke, ease    no file of this process may grow (RLIMIT_FSIZE), as on a full disk, and again
    import FILE    a log is imported by a thread beside; "imported" or "refused" comes back
    backup FILE    likewise an online backup
    pause, resume  fetching
    quit           ends in order

Old records are packed sooner and oftener than in the program, so that a kill has a chance to hit it.
"""

from __future__ import annotations

import argparse
import contextlib
import functools
import json
import mmap
import resource
import sys
import threading
import time
import traceback
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from ampledger import backfill
from ampledger import live as live_module
from ampledger.core.engine import Engine
from ampledger.core.model import Battery, Start
from ampledger.errors import BoxError
from ampledger.live import Boards
from ampledger.store import Store

EVERY_S = 0.05
PACKED_BEYOND = 300  # newest records of a start that stay unpacked; 20,000 in the program


class Teller:
    """Lines to whoever watches; several threads write."""

    def __init__(self) -> None:
        self._lock = threading.Lock()

    def tell(self, **facts: Any) -> None:
        """One fact."""
        with self._lock:
            sys.stdout.write(json.dumps(facts) + "\n")
            sys.stdout.flush()


class Clocks:
    """The box's time, as the bench writes it into the shared file: box seconds, seconds slept."""

    def __init__(self, path: Path, start_unix_s: float) -> None:
        with path.open("rb") as f:
            self._shared = memoryview(mmap.mmap(f.fileno(), 16, access=mmap.ACCESS_READ)).cast("d")
        self._start_s, self.step_s = start_unix_s, 0.0

    def utc(self) -> float:
        """This computer's clock, which may have been set. [s]"""
        return self._start_s + self._shared[0] + self.step_s

    def ticks(self) -> float:
        """A clock of the same pace that nobody sets, and that stands still while the computer sleeps. [s]"""
        return self._shared[0] - self._shared[1]


def facts(boards: Boards) -> dict[str, Any]:
    """How things stand, for the one who watches."""
    out: dict[str, Any] = {}
    for device, one in list(boards.lives.items()):
        shot = boards.snapshot(device)
        out[device] = {
            "state": shot["link"]["state"],
            "stale": shot["stale"],
            "left": one.fetch.left,
            "asked": str((one.fetch._asked, one.fetch._wanted[:3], list(one.fetch._questions), one.busy)),
            "busy": one.fetch.busy or one.busy,
            "unsaved": len(one._unsaved),
            "trouble": one._save_trouble,
            "records": shot["link"]["records"],
            "bad": shot["link"]["bad_frames"],
            "text": shot["link"]["text"],
            "age": shot["age_s"],
            "codes": sorted({n["code"] for n in shot["notices"]}),
            "faults": [n["seen"] for n in shot["notices"] if n["code"] == "program-error"],
        }
    return out


def look_round(boards: Boards, clocks: Clocks, stop: threading.Event, teller: Teller) -> None:
    """What a page asks for, over and over; whatever it raises is a fault."""
    spans = (60.0, 3600.0, 86400.0, 90 * 86400.0)
    n = 0
    while not stop.wait(0.2):
        n += 1
        try:
            for board in [None, *list(boards.lives)]:
                json.dumps(boards.snapshot(board), allow_nan=False)
                json.dumps(boards.history(0, board), allow_nan=False)
                now = clocks.utc()
                if boards.lives:
                    got = boards.series(board, now - spans[n % 4], now + 1.0, 1000)
                    json.dumps(got, allow_nan=False)
        except BoxError as e:
            teller.tell(refused=str(e))
        except Exception:
            teller.tell(fault=traceback.format_exc())


def beside(what: Any, kind: str, path: Path, teller: Teller) -> None:
    """Work of another thread on the same store: an import, a backup."""

    def work() -> None:
        try:
            what(path)
            teller.tell(did=kind, path=str(path))
        except BoxError as e:
            teller.tell(refused=str(e), what=kind, path=str(path))
        except Exception:
            teller.tell(fault=traceback.format_exc(), what=kind, path=str(path))

    threading.Thread(target=work, daemon=True).start()


def obey(line: str, store: Store, boards: Boards, clocks: Clocks, teller: Teller) -> bool:
    """One command; False ends."""
    verb, _, rest = line.strip().partition(" ")
    db = store._db
    assert db is not None
    if verb == "step":
        clocks.step_s += float(rest)
    elif verb == "full":
        with store._guard:
            pages = db.execute("PRAGMA page_count").fetchone()[0]
            db.execute(f"PRAGMA max_page_count = {pages}")
    elif verb == "free":
        with store._guard:
            db.execute("PRAGMA max_page_count = 1073741823")
    elif verb == "choke":
        # Whatever grows beyond what the WAL has now is refused by the system, as on a full disk.
        wal = store.path.with_name(store.path.name + "-wal")
        size = wal.stat().st_size if wal.exists() else 0
        resource.setrlimit(resource.RLIMIT_FSIZE, (size + int(rest or 0), resource.RLIM_INFINITY))
    elif verb == "ease":
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    elif verb == "import":
        from ampledger.interchange import import_log

        beside(lambda p: import_log(store, p, clocks.utc(), sort=True), "import", Path(rest), teller)
    elif verb == "backup":
        beside(store.backup, "backup", Path(rest), teller)
    elif verb in ("pause", "resume"):
        for device in list(boards.lives):
            boards.pause_fetching(device, verb == "pause")
    elif verb == "quit":
        return False
    teller.tell(did=verb)
    return True


def main() -> int:
    """Until told to quit, or killed."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--time", type=Path, required=True)
    parser.add_argument("--start", type=float, required=True)
    parser.add_argument("--step", type=float, default=0.0)
    parser.add_argument("ports", nargs="+")
    args = parser.parse_args()
    teller = Teller()
    clocks = Clocks(args.time, args.start)
    clocks.step_s = args.step
    live_module._PACK_EVERY_S = 20.0  # type: ignore[misc]
    # How long is waited for a board, and how often it is looked for harm, is by the box's time as well.
    box_time = SimpleNamespace(time=clocks.utc, monotonic=clocks.ticks)
    live_module.time = backfill.time = box_time  # type: ignore[attr-defined]
    try:
        store = Store(args.data)
    except BoxError as e:
        teller.tell(ended=str(e))
        return 2
    store.pack = functools.partial(store.pack, older_than=PACKED_BEYOND)  # type: ignore[method-assign]
    boards = Boards(
        store,
        lambda device: (Engine(Battery(20.0), Start(0.8)), False),
        lambda: list(args.ports),
        clock=clocks.utc,
        ticks=clocks.ticks,
        sync=lambda: 0.02,
    )
    boards.start()
    stop = threading.Event()

    def tell_on() -> None:
        while not stop.wait(EVERY_S):
            try:
                teller.tell(boards=facts(boards))
            except BrokenPipeError:
                return
            except Exception:
                teller.tell(fault=traceback.format_exc())

    threads = [
        threading.Thread(target=tell_on, daemon=True),
        threading.Thread(target=look_round, args=(boards, clocks, stop, teller), daemon=True),
    ]
    for thread in threads:
        thread.start()
    teller.tell(did="start")
    for line in sys.stdin:
        if not obey(line, store, boards, clocks, teller):
            break
    stop.set()
    for thread in threads:
        thread.join(5)
    began = time.monotonic()
    boards.close()
    store.close()
    with contextlib.suppress(BrokenPipeError):
        teller.tell(did="quit", took_s=time.monotonic() - began)
    return 0


if __name__ == "__main__":
    sys.exit(main())
