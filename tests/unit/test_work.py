"""Work that takes its time: how far, stopped at the next step; and log files that a page brings in, piece by piece."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from ampledger import intake as module
from ampledger import interchange
from ampledger.errors import ConfigError
from ampledger.intake import Intake
from ampledger.store import Store
from ampledger.work import Work

T0 = 1_789_000_000.0
LOG = b"time_utc,battery_v,battery_a\n" + b"".join(
    b"2026-09-12T22:%02d:%02dZ,13.1,-0.5\n" % (i // 60, i % 60) for i in range(1800)
)


def test_work_says_how_far_it_is_and_is_stopped_at_its_next_step() -> None:
    now = [100.0]
    work = Work("k", "Counting", 200, "records", may_go_on=True, steady=True, ticks=lambda: now[0])
    assert work.step(5) and work.told()["share"] == 0.025 and work.told()["left_s"] is None
    now[0] += 10.0
    assert work.step(50) and work.step(40) and work.step(float("nan"))
    told = work.told()
    # WORKED: 50 of 200 took 10 s, so that 150 take 30 s; it never goes back to 40.
    assert (told["done"], told["share"], told["left_s"], told["wish"]) == (50, 0.25, pytest.approx(30.0), "stop")
    assert work.stop() and work.state == "running" and work.told()["wish"] is None, "the worker has not seen it yet"
    assert not work.step(60)
    work.end("stopped", "Half of it.")
    now[0] += 1000.0
    told = work.told()
    assert (told["state"], told["why"], told["wish"], told["left_s"]) == ("stopped", "Half of it.", "go", None)
    assert not work.stop(), "it stands already"
    assert work.go_on() and work.step(100)
    # WORKED: 100 of 200 took 10 s; the time in which it stood does not count.
    assert work.told()["left_s"] == pytest.approx(10.0) and work.age_s == 10.0
    work.end("done")
    assert work.told()["share"] == 1.0 and not work.go_on() and not work.stop() and work.told()["wish"] == "close"
    unsteady = Work("k", "Reading", ticks=lambda: now[0])
    now[0] += 100.0
    unsteady.step(7.0)
    assert (unsteady.told()["share"], unsteady.told()["left_s"]) == (1.0, None)
    unsteady.end("stopped")
    assert not unsteady.go_on() and unsteady.told()["wish"] == "close"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    s = Store(tmp_path / "s.sqlite")
    yield s
    s.close()


class Page:
    """Hands a file over as the page does."""

    def __init__(self, store: Store) -> None:
        self.now_s, self.free = 0.0, 1e12
        self.intake = Intake(store, lambda: T0, lambda: self.free, lambda: self.now_s)
        self.folder = store.path.parent

    def send(
        self, data: bytes, name: str = "log.csv", *, file: str = "f", upto: int | None = None, sort: bool = False
    ) -> None:
        for at in range(0, len(data) if upto is None else upto, 45_000):
            self.intake.piece(file, name, len(data), at, data[at : at + 45_000], sort)

    @property
    def told(self) -> dict[str, Any]:
        (told,) = self.intake.told()
        return told

    def ended(self) -> dict[str, Any]:
        assert self.intake._thread is not None
        self.intake._thread.join(60)
        assert self.told["state"] != "running"
        assert list(self.folder.glob(module._PREFIX + "*")) == [], "no file of ours stays"
        return self.told


def test_a_file_that_is_brought_in_is_what_import_makes_of_it_and_adds_nothing_twice(
    store: Store, tmp_path: Path
) -> None:
    page = Page(store)
    assert len(LOG) > 45_000, "two pieces"
    page.send(LOG, "of the shack.csv")
    told = page.ended()
    # WORKED: 1800 lines below the line of names.
    assert told["state"] == "done" and told["why"].startswith("1800 rows are in the store as log:1."), told
    assert told["share"] == 1.0 and told["name"] == "Bringing in of the shack.csv"
    (log,) = store.logs()
    assert (log["name"], log["rows"]) == ("of the shack.csv", 1800)
    page.send(LOG, "again.csv", file="g")
    told = page.ended()
    assert told["state"] == "failed" and "again.csv is in the store already: imported as log:1" in told["why"], told
    assert len(store.logs()) == 1
    # The same rows as the command makes of the same file.
    (tmp_path / "other").mkdir()
    path = tmp_path / "other" / "x.csv"
    path.write_bytes(LOG)
    with_command = Store(tmp_path / "other" / "s.sqlite")
    interchange.import_log(with_command, path, T0)
    mine, theirs = ([list(i) for i in s.log_blocks(1, 1)] for s in (store, with_command))
    assert mine == theirs and mine
    with_command.close()
    page.send(b"a,b\n1,2\n", "shopping.csv", file="h")
    assert page.ended()["state"] == "failed" and "shopping.csv" in page.told["why"]
    page.intake.wish("close")
    assert page.intake.told() == []
    backwards = LOG.splitlines(keepends=True)
    page.send(b"".join([backwards[0], *backwards[:0:-1]]), "back.csv", file="i", sort=True)
    assert page.ended()["state"] == "done", page.told


@pytest.mark.parametrize("share", [0.0, 0.6, 0.95], ids=["read", "summed", "written"])
def test_a_stop_while_it_is_read_leaves_nothing(store: Store, monkeypatch: pytest.MonkeyPatch, share: float) -> None:
    page = Page(store)
    at, go = threading.Event(), threading.Event()

    def held(store: Store, path: Path, now_s: float, sort: bool, tell: Callable[[float], object], **more: Any) -> Any:
        def slowly(done: float) -> None:
            if done >= share:
                at.set()
                assert go.wait(60)
            tell(done)

        slowly(0.0)
        return interchange.import_log(store, path, now_s, sort, slowly, **more)

    monkeypatch.setattr(module, "import_log", held)
    page.send(LOG)
    assert at.wait(60)
    with pytest.raises(ConfigError, match="Another file is being brought in"):
        page.send(LOG, "second.csv", file="g")
    page.intake.wish("stop")
    go.set()
    told = page.ended()
    assert (told["state"], told["why"], told["wish"]) == ("stopped", "Nothing of it was kept.", "close")
    assert store.logs() == [] and store._rows("SELECT count(*) FROM log_block") == [(0,)]
    with pytest.raises(ConfigError):
        page.intake.wish("stop")
    monkeypatch.undo()
    page.send(LOG, file="g")
    assert page.ended()["state"] == "done", "and it can be brought in after all"


def test_what_a_page_can_send_wrongly_or_leave_half_is_refused_and_leaves_nothing(store: Store) -> None:
    page = Page(store)
    for size, why in ((0, "empty"), (2 << 30, "1024 MiB")):
        with pytest.raises(ConfigError, match=why):
            page.intake.piece("f", "x.csv", size, 0, b"a", False)
    page.free = 1e6
    with pytest.raises(ConfigError, match="no room"):
        page.send(LOG)
    page.free = 1e12
    assert page.intake.told() == []
    page.send(LOG, upto=45_000)
    # WORKED: 45000 of the bytes are there, and taking them is a fifth of the work.
    assert page.told["share"] == pytest.approx(0.2 * 45_000 / len(LOG)) and len(list(page.folder.glob("being-*"))) == 1
    page.intake.wish("stop")
    assert page.told["state"] == "stopped" and list(page.folder.glob("being-*")) == []
    with pytest.raises(ConfigError, match="not being brought in any more"):
        page.intake.piece("f", "log.csv", len(LOG), 45_000, LOG[45_000:], False)
    page.send(LOG, upto=45_000)
    with pytest.raises(ConfigError, match="does not follow"):
        page.intake.piece("f", "log.csv", len(LOG), 44_000, b"x", False)
    assert page.told["state"] == "failed" and list(page.folder.glob("being-*")) == []
    page.send(LOG, upto=45_000)
    page.now_s += 31.0  # the tab was closed
    assert page.told["state"] == "failed" and "is gone" in page.told["why"] and not list(page.folder.glob("being-*"))
    page.send(LOG, upto=45_000)
    page.intake.close()
    assert page.told["state"] == "stopped" and list(page.folder.glob("being-*")) == []
    assert store.logs() == []
