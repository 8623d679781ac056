"""Several lines at once: real firmware behind pseudo-terminals that are pulled, held, mute, busy or at a prompt."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial
from ampledger import link, wire
from ampledger.link import Arrived, Hello, Links, State
from ampledger.simbox.bench import Bench
from ampledger.simbox.box import WaveBox
from common import TOP

pytestmark = [
    pytest.mark.slow,
    pytest.mark.usefixtures("micropython"),
    pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals"),
]


def a_bench(folder: Path, device: str, **more: Any) -> Bench:
    """A board of its own, with an id of its own (16 hexadecimal digits)."""
    box = WaveBox({t: [(36000.0, 13.2, a)] for t, a in (("solar", 1.5), ("battery", -2.0), ("load", 3.5))})
    folder.mkdir()
    bench = Bench(box, folder / "port", **more)
    bench._ops[ord("U")] = lambda a, b, n, p: bench._answer(bytes.fromhex(device))
    return bench


class Host:
    """Links, and everything they said."""

    def __init__(self, ports: Callable[[], list[str]], **clocks: Callable[[], float]) -> None:
        self.queue: queue.Queue[State | Hello | Arrived] = queue.Queue()
        self.said: list[State | Hello | Arrived] = []
        self.links = Links(ports, self.queue, **clocks)

    def until(self, what: Callable[[], Any], seconds: float = 20.0) -> Any:
        end = time.monotonic() + seconds
        while True:
            with contextlib.suppress(queue.Empty):
                self.said.append(self.queue.get(timeout=0.02))
                while True:
                    self.said.append(self.queue.get_nowait())
            if value := what():
                return value
            assert time.monotonic() < end, f"not in {seconds} s; {[i for i in self.said if isinstance(i, State)]}"

    def states(self, port: str, state: str = "", after: int = 0) -> list[State]:
        return [i for i in self.said[after:] if isinstance(i, State) and i.port == port and state in ("", i.state)]

    def hellos(self, port: str, after: int = 0) -> list[Hello]:
        return [i for i in self.said[after:] if isinstance(i, Hello) and i.port == port]

    def payloads(self, port: str, kind: int, after: int = 0) -> list[bytes]:
        arrived = [i for i in self.said[after:] if isinstance(i, Arrived) and i.port == port]
        return [f.payload for a in arrived for f in a.frames if f.kind == kind]

    def readings(self, port: str, after: int = 0) -> list[wire.Reading]:
        return [wire.take_reading(p) for p in self.payloads(port, wire.READING, after)]

    def __enter__(self) -> Host:
        self.links.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.links.close()


def existing(*benches: Bench) -> Callable[[], list[str]]:
    """What looking for ports would find: the names that are there."""
    return lambda: [str(b.link) for b in benches if b.link is not None and os.path.lexists(b.link)]


A, B = "a5b0000000000011", "a5b0000000000022"


@pytest.fixture
def two(tmp_path: Path) -> Iterator[tuple[Bench, Bench]]:
    with a_bench(tmp_path / "a", A) as a, a_bench(tmp_path / "b", B) as b:
        yield a, b


def test_one_of_two_boards_is_pulled_and_plugged_again_while_the_other_streams_on(two: tuple[Bench, Bench]) -> None:
    a, b = two
    on_a, on_b = a.url, b.url
    with Host(existing(a, b)) as host:
        host.until(lambda: host.readings(on_a) and host.readings(on_b))
        assert [h[0].info["device"] for h in (host.hellos(on_a), host.hellos(on_b))] == [A, B]
        a.unplug()
        host.until(lambda: host.states(on_a, "lost"))
        mark = len(host.said)
        host.until(lambda: len(host.readings(on_b, mark)) >= 20)
        assert not host.links.send(on_a, "health") and host.links.send(on_b, "health")
        host.until(lambda: any(b"health" in p for p in host.payloads(on_b, wire.REPLY)))
        mark = len(host.said)
        a.call(a.plug_in)
        host.until(lambda: host.states(on_a, "live", mark) and host.readings(on_a, mark))
        assert host.hellos(on_a, mark)[0].info["device"] == A
        host.until(lambda: len(host.readings(on_a, mark)) > 5)
        # Nothing of that was seen on the other line: every record, in order, one connection, no other state.
        seqs = [r.seq for r in host.readings(on_b)]
        assert seqs == list(range(seqs[0], seqs[0] + len(seqs)))
        assert [s.state for s in host.states(on_b)] == ["live"] and len(
            [h for h in host.hellos(on_b) if not h.again]
        ) == 1
        # And neither got a word that was meant for the other.
        assert {r.boot for r in host.readings(on_a)}.isdisjoint({r.boot for r in host.readings(on_b)})
        assert not [i for i in host.said if isinstance(i, State) and i.port is None]
        a.unplug()
        b.unplug()
        none = host.until(lambda: [i for i in host.said if isinstance(i, State) and i.port is None])
        assert none[0].state == "lost" and "plug it in again" in none[0].text


def test_a_pull_and_plug_again_within_a_moment_is_survived(two: tuple[Bench, Bench]) -> None:
    a, b = two
    on_a = a.url
    with Host(existing(a, b)) as host:
        for _ in range(5):
            mark = len(host.said)
            host.until(lambda mark=mark: host.readings(on_a, mark))
            a.unplug(0.02)
            host.until(lambda mark=mark: host.states(on_a, "lost", mark) and host.hellos(on_a, mark))
            assert not host.hellos(on_a, mark)[0].again


def test_a_board_at_its_prompt_beside_one_that_works(tmp_path: Path) -> None:
    with (
        a_bench(tmp_path / "a", A) as good,
        a_bench(tmp_path / "b", B, firmware=False, echo=True) as prompt,
        Host(existing(good, prompt)) as host,
    ):
        host.until(lambda: len(host.readings(good.url)) > 5)
        state = host.until(lambda: host.states(prompt.url, "refused"))[0]
        assert "is at MicroPython's prompt" in state.text and f"board update --serial {prompt.url}" in state.text
        host.until(lambda: len(host.readings(good.url)) > 30)
        assert [s.state for s in host.states(good.url)] == ["live"]


class Pty:
    """A bare pseudo-terminal with something on it that is no board."""

    def __init__(self, babble: bytes) -> None:
        self._master, slave = os.openpty()
        self.name = os.ttyname(slave)
        self._slave, self._babble = slave, babble
        self._stop = threading.Event()
        os.set_blocking(self._master, False)
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.is_set():
            with contextlib.suppress(BlockingIOError):
                os.read(self._master, 4096)
            try:
                if self._babble:
                    os.write(self._master, self._babble)
            except BlockingIOError:
                self._stop.wait(0.002)
            else:
                self._stop.wait(0.001)

    def close(self) -> None:
        self._stop.set()
        self._thread.join(5)
        os.close(self._slave)
        os.close(self._master)


@pytest.mark.parametrize("babble", [b"", b"\0\1\2\0\0\xff" * 100, b"all work and no play; " * 40, b"\0"])
def test_what_is_no_board_holds_up_no_board(tmp_path: Path, babble: bytes) -> None:
    strange = Pty(babble)
    try:
        with a_bench(tmp_path / "a", A) as good, Host(lambda: [strange.name, good.url, "/dev/null"]) as host:
            host.until(lambda: len(host.readings(good.url)) > 5)
            state = host.until(lambda: host.states(strange.name))[0]
            assert state.state == "searching" and "does not answer as an ampledger board" in state.text
            assert "is no serial port" in host.until(lambda: host.states("/dev/null"))[0].text
            host.until(lambda: len(host.readings(good.url)) > 25)
            assert [s.state for s in host.states(good.url)] == ["live"]
            assert not [i for i in host.said if isinstance(i, (Arrived, Hello)) and i.port != good.url]
    finally:
        strange.close()


_HOLDER = """
import sys, serial
port = serial.Serial(sys.argv[1], exclusive=True)
print("held", flush=True)
sys.stdin.read()
"""


def test_a_port_that_another_program_holds_is_taken_once_it_is_free(tmp_path: Path) -> None:
    with a_bench(tmp_path / "a", A) as bench:
        holder = subprocess.Popen(
            [sys.executable, "-c", _HOLDER, bench.url], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        try:
            assert holder.stdout is not None and holder.stdout.readline() == "held\n"
            with Host(lambda: [bench.url]) as host:
                state = host.until(lambda: host.states(bench.url))[0]
                assert state.state == "searching" and "in use by another program" in state.text
                assert not sys.platform.startswith("linux") or f"process {holder.pid}" in state.text
                holder.communicate("", timeout=10)
                host.until(lambda: host.readings(bench.url))
                # The other way round: while we have it, nobody else gets it.
                with pytest.raises(serial.SerialException, match="lock"):
                    serial.Serial(bench.url, exclusive=True)
                mark = len(host.said)
                host.until(lambda: len(host.readings(bench.url, mark)) > 5)
                assert not host.states(bench.url, after=mark)
        finally:
            holder.kill()
            holder.communicate()


def test_the_board_is_told_when_the_hosts_clock_was_set_or_begins_to_be_disciplined(tmp_path: Path) -> None:
    set_by, unsure_s = [0.0], [10.0]
    clocks = {"clock": lambda: 1.8e9 + time.monotonic() + set_by[0], "ticks": time.monotonic}
    with a_bench(tmp_path / "a", A) as bench, Host(lambda: [bench.url], sync=lambda: unsure_s[0], **clocks) as host:

        def anchors(n: int) -> list[wire.Anchor]:
            return host.until(
                lambda: (
                    len(host.payloads(bench.url, wire.ANCHOR)) >= n
                    and [wire.take_anchor(p) for p in host.payloads(bench.url, wire.ANCHOR)]
                )
            )

        (first,) = anchors(1)
        set_by[0] = -86_400.0
        second = anchors(2)[-1]
        unsure_s[0] = 0.05
        third = anchors(3)[-1]
        assert [a.uncertainty_ms for a in (first, second, third)] == [10_000, 10_000, 50]

        # WORKED: what the board's clock shows beside the host's moves by exactly what the host's was set by.
        def apart_s(a: wire.Anchor) -> float:
            return (a.unix_ms - a.mono_ms) / 1000

        assert apart_s(second) - apart_s(first) == pytest.approx(-86_400, abs=0.5)
        assert apart_s(third) == pytest.approx(apart_s(second), abs=0.5)
        assert len([h for h in host.hellos(bench.url) if not h.again]) == 1


_CHILD = """
import json, queue, sys, time
from ampledger import wire
from ampledger.link import Arrived, Hello, Links, State
out = queue.Queue()
links = Links(lambda: [sys.argv[1]], out)
links.start()
while True:
    item = out.get()
    if isinstance(item, State):
        print(json.dumps(["state", item.state, item.text]), flush=True)
    elif isinstance(item, Hello):
        print(json.dumps(["hello", item.again]), flush=True)
    else:
        for f in item.frames:
            if f.kind == wire.READING:
                print(json.dumps(["reading", wire.take_reading(f.payload).seq]), flush=True)
            elif f.kind == wire.ANCHOR:
                print(json.dumps(["anchor", *wire.take_anchor(f.payload)]), flush=True)
"""


class Child:
    """Links in a process of its own, which can be stopped as a laptop's lid does."""

    def __init__(self, url: str) -> None:
        self.said: list[list[Any]] = []
        self.process = subprocess.Popen(
            [sys.executable, "-c", _CHILD, url],
            stdout=subprocess.PIPE,
            text=True,
            env=os.environ | {"PYTHONPATH": str(TOP / "host")},
        )
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.said.append(json.loads(line))

    def until(self, what: str, after: int = 0, n: int = 1, seconds: float = 30.0) -> list[list[Any]]:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            found = [s for s in self.said[after:] if s[0] == what]
            if len(found) >= n:
                return found
            time.sleep(0.02)
        raise AssertionError(f"no {what} in {seconds} s: {self.said[after:][-20:]}")

    def sleep(self, seconds: float, meanwhile: Callable[[], None] = lambda: None) -> int:
        self.process.send_signal(signal.SIGSTOP)
        time.sleep(0.2)
        mark = len(self.said)
        meanwhile()
        time.sleep(seconds)
        self.process.send_signal(signal.SIGCONT)
        return mark

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        self._thread.join(5)
        assert self.process.stdout is not None
        self.process.stdout.close()


def test_a_host_that_slept_goes_on_with_a_fresh_time_and_without_opening_the_port_anew(tmp_path: Path) -> None:
    with a_bench(tmp_path / "a", A) as bench:
        child = Child(bench.url)
        try:
            child.until("reading", n=10)
            (first,) = child.until("anchor")
            mark = child.sleep(link._GIVE_UP_S + 1.0)
            child.until("reading", mark, 20)
            assert child.until("hello", mark)[0] == ["hello", True]
            second = child.until("anchor", mark)[0]
            # Both anchors tell one clock: nothing that was said before the sleep reached the board as if it were new.
            _, _, mono, unix, _ = first
            assert (second[3] - unix) - (second[2] - mono) == pytest.approx(0, abs=500)
            assert second[2] - mono > 1000 * link._GIVE_UP_S
            states = [s[1] for s in child.said[mark:] if s[0] == "state"]
            assert set(states) <= {"live", "stalled"}, states
        finally:
            child.close()


def test_a_host_that_slept_while_its_cable_was_pulled_comes_back_by_itself(tmp_path: Path) -> None:
    with a_bench(tmp_path / "a", A) as bench:
        child = Child(bench.url)
        try:
            child.until("reading", n=10)

            def pull() -> None:
                bench.unplug(2.0)

            mark = child.sleep(4.0, pull)
            child.until("reading", mark, 10)
            assert ["hello", False] in child.until("hello", mark), "another connection"
            assert "lost" in [s[1] for s in child.said[mark:] if s[0] == "state"]
            (anchor, *_) = child.until("anchor", mark)
            assert abs(anchor[3] / 1000 - time.time()) < 30
        finally:
            child.close()


def test_a_board_is_plugged_30_times_and_nothing_is_left_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link, "_AGAIN_S", 0.02)
    with a_bench(tmp_path / "a", A) as bench:
        url = bench.url
        with Host(existing(bench)) as host:
            host.until(lambda: host.hellos(url))
            threads, files = threading.active_count(), len(os.listdir("/dev/fd"))
            for _ in range(30):
                mark = len(host.said)
                bench.unplug(0.1)
                host.until(lambda mark=mark: host.states(url, "lost", mark) and host.hellos(url, mark))
            host.until(lambda: threading.active_count() == threads)
            assert len(os.listdir("/dev/fd")) <= files
            assert len([t for t in threading.enumerate() if t.name.startswith("link")]) == 2
        assert not [t for t in threading.enumerate() if t.name.startswith("link")]


def test_a_board_that_is_held_up_is_said_to_be_and_comes_back_without_a_new_connection(tmp_path: Path) -> None:
    with a_bench(tmp_path / "a", A) as bench, Host(lambda: [bench.url]) as host:
        host.until(lambda: len(host.readings(bench.url)) > 5)
        bench.hold(link._STALL_S + 1.5)
        state = host.until(lambda: host.states(bench.url, "stalled"))[0]
        assert "Nothing from the board" in state.text
        mark = len(host.said)
        host.until(lambda: host.states(bench.url, "live", mark) and host.readings(bench.url, mark))
        assert not host.states(bench.url, "lost") and len([h for h in host.hellos(bench.url) if not h.again]) == 1
