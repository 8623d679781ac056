"""
A board is not to be trusted: whatever it says of itself, answers or measures, nothing may raise, stand still, grow
without bound, or reach a terminal or a page as anything but text.
"""

from __future__ import annotations

import contextlib
import copy
import json
import math
import random
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from ampledger import wire
from ampledger.core.engine import Engine
from ampledger.core.model import Battery, Start
from ampledger.decode import Decoder, Frame, Parts, Scale, scale_of, to_intervals
from ampledger.errors import FrameError, plain
from ampledger.link import Arrived, Hello, State
from ampledger.live import Boards
from ampledger.page.app import _dumps, create_server
from ampledger.series import series
from ampledger.store import Store
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

START_S = 1_789_000_000.0
HTML = "<img src=x onerror=alert(1)></script><script>alert(1)</script>"
ESCAPES = "\x1b[2J\x1b]0;owned\x07\x1b[31m\r\n\b\x00\x7f\x9b31m\u202egnirts\u2066\ud800"
# Nothing longer comes in one object than 255 parts of 111 bytes.
WEIRD: list[Any] = [
    None, True, False, 0, -1, 1, 2**31, 2**32, 2**63, 2**64, -(2**63) - 1, 10**400, 1.5, -0.0, 1e308, -1e308,
    math.inf, -math.inf, math.nan, "", "7", "é", HTML, ESCAPES, "x" * 20_000, [], {}, [[]], [None] * 3, {"": {}},
    [1] * 5000, {"a": 1}, json.loads("[" * 200 + "]" * 200),
]  # fmt: skip
CHANNEL = {"chip": "ina228", "amp_fa": 156_402_588_000, "volt_pv": 195_312_500, "charge_us": 1_000_000, "coarse": 4}
CAL = {"amps": {"gain_ppb": 1000, "offset_u": 5, "temp_c16": 300}, "volts": {"gain_ppb": 1, "offset_u": 1}, "count": {}}
INFO: dict[str, Any] = {
    "app": "ampledger",
    "wire": 2,
    "board": "pico",
    "device": "a",
    "boot": 7,
    "boots": 3,
    "oldest": 0,
    "next": 5,
    "solar_placement": "controller-output",
    "sample_ms": 100,
    "own_ua": [2000, 1500],
    "fed_by": "load",
    "notes": ["The log was begun anew."],
    "log": {"records": 5, "s": 10, "trouble": ""},
    "channels": [{"name": n, "counts": 1, "shunt_ppm_per_k": 20, "cal": CAL, **CHANNEL} for n in wire.CHANNELS],
}
REPLIES: list[dict[str, Any]] = [
    {"to": "boots", "boots": [[5, 1, 0, 39, "aa"], [6, 2, 0, 39, "bb"]], "more": True},
    {"to": "describe", "id": "aa", "info": INFO},
    {"to": "recalled", "boot": 7, "last": 39},
    {"to": "recall", "error": "wrong arguments"},
    {"to": "health", "heap": 1},
]


def places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Every place inside a JSON value."""
    yield path
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in items:
        yield from places(item, (*path, key))


# The other two channels are read as the first one is.
IN_INFO = [p for p in places(INFO) if p[:2] not in (("channels", 1), ("channels", 2)) or len(p) == 2]


def changed(value: Any, path: tuple[Any, ...], new: Any) -> Any:
    """The same with another value at one place; `...` takes it out."""
    if not path:
        return new
    value = copy.deepcopy(value)
    at = value
    for key in path[:-1]:
        at = at[key]
    if new is ...:
        del at[path[-1]]
    else:
        at[path[-1]] = new
    return value


def walk(value: Any) -> Iterator[Any]:
    """Every plain value inside."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from (key, *walk(item))
    elif isinstance(value, (list, tuple)):
        for item in value:
            yield from walk(item)
    else:
        yield value


# --- text ---


@given(st.text())
def test_text_of_others_can_not_steer_a_terminal(text: str) -> None:
    shown = plain(text, 10_000)
    assert all(c.isprintable() for c in shown)
    assert shown == text or not all(c.isprintable() for c in text)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        # WORKED: escapes as Python writes them; the bell, a C1 control, a mark that turns the writing direction.
        ("\x1b[31mred\x07", "\\x1b[31mred\\x07"),
        ("a\x9b1m\u202eb", "a\\x9b1m\\u202eb"),
        ("line\r\nnext\t", "line\\r\\nnext\\t"),
        ("\ud800", "\\ud800"),
        ("plain é ✓ 12 Ω", "plain é ✓ 12 Ω"),
    ],
)
def test_control_characters_are_shown_as_what_they_are(text: str, shown: str) -> None:
    assert plain(text) == shown


def test_text_of_others_ends_somewhere() -> None:
    assert len(plain("x" * 10**6)) <= 310 and len(plain("\x1b" * 10**6)) <= 4 * 310


# --- what a board says of itself ---


def is_sound(scale: Scale) -> bool:
    numbers = list(walk([[getattr(w, name) for name in w.__slots__] for w in scale.channels]))
    numbers += [*scale.own_a]
    return all(math.isfinite(x) for x in numbers) and all(abs(x) < 1e6 for x in numbers)


@pytest.mark.parametrize("path", IN_INFO, ids=lambda p: ".".join(map(str, p)) or "all")
def test_a_description_with_anything_in_any_place_gives_a_sound_scale_or_is_refused(path: tuple[Any, ...]) -> None:
    for new in [*WEIRD, ...]:
        if new is ... and not path:
            continue
        try:
            scale = scale_of(changed(INFO, path, new))
        except FrameError as e:
            assert len(str(e)) > 20
        else:
            assert is_sound(scale), (path, new)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20) | st.sampled_from(WEIRD),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)


@given(st.dictionaries(st.sampled_from([*INFO, "x"]), JSON))
@settings(max_examples=100, deadline=None)
def test_a_description_of_anything_is_refused_or_sound(values: dict[str, Any]) -> None:
    for info in (values, INFO | values):
        with contextlib.suppress(FrameError):
            assert is_sound(scale_of(info))


@given(st.binary(min_size=wire.READING_SIZE, max_size=wire.READING_SIZE))
@settings(max_examples=300)
def test_any_reading_under_a_sound_scale_gives_finite_numbers(payload: bytes) -> None:
    reading = wire.take_reading(payload)
    scale = scale_of(INFO)
    seen, first = to_intervals(None, reading, scale, START_S)
    _, second = to_intervals(seen, reading._replace(seq=reading.seq ^ 1), scale, START_S + 1)
    for interval in (*first, *second):
        assert interval.dt_s > 0
        for tap in (interval.battery, interval.solar, interval.load):
            assert tap is not None
            for name in tap.__slots__:
                value = getattr(tap, name)
                assert value is None or math.isfinite(value), name


# --- JSON in parts ---


@pytest.mark.parametrize(
    "text",
    [
        b"[" * 20_000,
        b'{"a":' * 4000,
        b"{" + b'"a":1,' * 4000 + b'"b":2}',
        b'{"a": 1e400}',
        b'{"a": NaN, "b": Infinity}',
        b'{"a": ' + b"9" * 5000 + b"}",
        b'{"a": "\xff\xfe"}',
        b'{"a": "\\ud800"}',
        b'{"a": 1} trailing',
        b"\x00" * 500,
        b"7",
        b"",
    ],
)
def test_json_that_is_made_to_hurt_gives_an_object_or_nothing(text: bytes) -> None:
    parts = Parts()
    for part in wire.parts(text[: 255 * wire.PART]):
        found = parts.add(part)
    assert found is None or isinstance(found, dict)
    assert parts.add(wire.parts(b'{"fine": 1}')[0]) == {"fine": 1}, "the next one is not harmed by it"


@given(st.lists(st.binary(max_size=130), max_size=40))
def test_parts_in_any_order_never_hold_more_than_a_whole_one(pieces: list[bytes]) -> None:
    parts = Parts()
    for piece in pieces:
        found = parts.add(piece)
        assert found is None or isinstance(found, dict)
        assert len(parts._have) <= 255


@given(st.lists(st.binary(max_size=600), max_size=20))
def test_noise_keeps_the_decoder_small_and_its_text_short(portions: list[bytes]) -> None:
    decoder = Decoder()
    for portion in portions:
        with contextlib.suppress(FrameError):
            decoder.feed(portion)
    assert len(decoder._buffer) <= 513 and len(decoder.console) <= 20 and len(decoder.printed()) <= 513


# --- the live path ---


class Bench:
    """The live path by hand, with a board that says what a test makes it say."""

    def __init__(self, folder: Path) -> None:
        self.now_s = 100.0
        self.store = Store(folder / "s.sqlite")
        self.boards = Boards(
            self.store,
            lambda device: (Engine(Battery(20.0), Start(0.8)), False),
            list,
            clock=lambda: START_S + self.now_s,
            ticks=lambda: self.now_s,
            sync=lambda: 0.02,
        )
        self.sent = 0
        self.boards.links.send = self._send  # type: ignore[method-assign]

    def _send(self, port: str, verb: str, *words: object) -> bool:
        # What a board's text leads to must be a command that the board's own line knows: no second line in it.
        with contextlib.suppress(wire.WireError):
            assert wire.command(verb, *words).count(b"\n") == 1
        self.sent += 1
        return True

    def turn(self, *items: State | Hello | Arrived) -> dict[str, Any]:
        self.now_s += 0.1
        for item in items:
            self.boards._queue.put(item)
        self.boards._turn(0.0)
        return self.boards.snapshot()

    def hello(self, info: Any, again: bool = True) -> Hello:
        return Hello(START_S + self.now_s, info, "/dev/x", again)

    def arrived(self, *frames: Frame, console: tuple[str, ...] = ()) -> Arrived:
        return Arrived(START_S + self.now_s, frames, 0, console, "/dev/x")

    def anchor(self, boot: int = 7, mono_ms: int | None = None, unix_ms: int | None = None) -> Frame:
        mono_ms = int(self.now_s * 1000) if mono_ms is None else mono_ms
        unix_ms = int((START_S + self.now_s) * 1000) if unix_ms is None else unix_ms
        return Frame(wire.ANCHOR, 0, wire.put_anchor(boot.to_bytes(4, "little"), mono_ms, unix_ms, 20))

    def reading(self, seq: int, boot: int = 7, kind: int = wire.READING) -> Frame:
        payload = bytearray(wire.READING_SIZE)
        mono = int(self.now_s * 1000)
        wire.put_reading_head(payload, 0, 0, boot.to_bytes(4, "little"), seq, mono, 0, 100, 320)
        for i in range(3):
            at = wire.CHANNEL_AT + i * wire.CHANNEL_SIZE
            wire.put_channel(payload, at, 0, 1, 5, 67_600, 4225, 4225, 900, 56, 57, bytes(5), 0, 0)
        return Frame(kind, seq & 0xFF, bytes(payload))

    def begin(self) -> dict[str, Any]:
        self.turn(State("live", "Board.", "/dev/x"), self.hello(INFO, False), self.arrived(self.anchor()))
        return self.turn(*[self.arrived(self.reading(s)) for s in range(5)])

    def check(self) -> None:
        """The page must be whole, small, and say nothing of a fault of ours."""
        for board in (None, *self.boards.lives):
            snapshot = self.boards.snapshot(board)
            said = [n["code"] for n in snapshot["notices"]]
            assert "program-error" not in said, [n for n in snapshot["notices"] if n["code"] == "program-error"]
            text = _dumps(snapshot)
            assert len(text) < 150_000 and json.loads(text)
            for value in walk(snapshot):
                assert not isinstance(value, str) or all(c.isprintable() for c in value), value
        live = self.boards.shown
        assert len(self.boards.lives) <= 16 and len(live._held) <= 600 and len(live._happened) <= 20
        assert len(live._faults) == 0

    def close(self) -> None:
        self.boards.shown.close()
        self.store.close()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    b = Bench(tmp_path)
    yield b
    b.close()


def test_a_good_board_is_the_measure(bench: Bench) -> None:
    shown = bench.begin()
    assert shown["t"] is not None and shown["link"]["records"] == 5 and bench.sent > 0
    bench.check()


@pytest.mark.parametrize("path", IN_INFO, ids=lambda p: ".".join(map(str, p)) or "all")
def test_a_hello_with_anything_in_any_place_is_taken_or_refused(bench: Bench, path: tuple[Any, ...]) -> None:
    bench.begin()
    for new in [*WEIRD, ...]:
        if new is ... and not path:
            continue
        bench.turn(bench.hello(changed(INFO, path, new)), bench.arrived(bench.reading(9)))
        bench.check()
    bench.turn(bench.hello(INFO), bench.arrived(bench.anchor(), bench.reading(10)))
    assert bench.boards.snapshot("a")["link"]["state"] == "live", "a good answer mends it"


def part(values: Any) -> list[Frame]:
    text = json.dumps(values).encode()
    return [Frame(wire.REPLY, 0, p) for p in wire.parts(text)] if len(text) <= 255 * wire.PART else []


@pytest.mark.parametrize("reply", REPLIES, ids=lambda r: str(r["to"]))
def test_a_reply_with_anything_in_any_place_is_taken_or_said(bench: Bench, reply: dict[str, Any]) -> None:
    bench.begin()
    for path in places(reply):
        for new in WEIRD:
            if len(path) > 3 and new not in (None, -1, HTML, ESCAPES, 2**63):
                continue  # the description inside has been through the test before this one
            bench.turn(bench.arrived(*part(changed(reply, path, new))))
        bench.check()
    shown = bench.turn(bench.hello(INFO), bench.arrived(bench.anchor(), bench.reading(6)))
    assert shown["link"]["state"] == "live" and 6 in [r.seq for r in bench.store.each("a", 7)]


def test_text_in_every_place_reaches_the_page_as_text(bench: Bench) -> None:
    said = HTML + ESCAPES
    log = {"records": 5, "s": 10, "trouble": said}
    info = INFO | {"board": said, "notes": [said, said], "log": log, "solar_placement": "panel" + said, "app": said}
    bench.turn(State("live", said, "/dev/x"), bench.hello(info, False))
    bench.turn(bench.arrived(bench.anchor(), bench.reading(0), console=(said, said)))
    bench.check()
    shown = bench.boards.snapshot()
    assert "<img" in _dumps(shown["link"]), "it is shown as it is; the page puts it in as text"
    # A page is HTML of ours alone, and what has the text in it is JSON that no browser takes for a page.
    app = create_server(bench.boards, port=8123)
    own = {"Host": "127.0.0.1:8123"}
    for path in ("/now", "/record"):
        assert "onerror" not in app.test_client().get(path, headers=own).text
    stream = app.test_client().get("/stream", headers=own, buffered=False)
    _, event = (chunk.decode() for chunk, _ in zip(stream.iter_encoded(), range(2), strict=False))
    stream.close()
    assert stream.mimetype == "text/event-stream" and stream.headers["X-Content-Type-Options"] == "nosniff"
    assert event.count("\n") == 4 and "\r" not in event, "no line of a board's becomes a line of the stream"


def test_a_name_that_steers_is_refused(bench: Bench) -> None:
    bench.begin()
    for name in ("", "\x1b[31m", "a\nb", "\u202ea", "x" * 65, 7, None, ["a"]):
        bench.turn(bench.hello(INFO | {"device": name}))
        bench.check()
    assert list(bench.boards.lives) == ["a"]
    bench.turn(bench.hello(INFO | {"device": "../../etc/passwd'; DROP TABLE start; --"}), bench.arrived(bench.anchor()))
    assert sorted(bench.store.devices()) == ["../../etc/passwd'; DROP TABLE start; --", "a"]


def test_a_board_that_is_another_each_time_is_not_remembered_for_ever(bench: Bench) -> None:
    for k in range(60):
        bench.turn(bench.hello(INFO | {"device": f"d{k}"}, False), bench.arrived(bench.anchor(), bench.reading(k)))
    bench.check()
    assert len(bench.boards.lives) <= 16 and len(_dumps(bench.boards.snapshot())) < 40_000


def test_a_board_that_restarts_all_the_time_fills_no_memory(bench: Bench) -> None:
    rng = random.Random(1)
    for _ in range(400):
        boot = rng.randrange(1 << 32)
        bench.turn(bench.hello(INFO | {"boot": boot}, False), bench.arrived(bench.anchor(boot), bench.reading(0, boot)))
    bench.check()
    assert len(_dumps(bench.boards.snapshot())) < 40_000


def test_endless_lists_of_starts_are_not_kept_for_ever(bench: Bench) -> None:
    bench.begin()
    fetch = bench.boards.shown.fetch
    sizes = []
    for k in range(60):
        rows = [[1000 * k + n, n, 0, 9, f"id{1000 * k + n}"] for n in range(300)]
        bench.turn(bench.arrived(*part({"to": "boots", "boots": rows, "more": True})))
        sizes.append(len(fetch.spans) + len(fetch._questions) + len(fetch._abouts) + len(fetch._wanted))
    # WORKED: 256 starts are what a board's flash can hold by far; 18,000 are made up.
    assert sizes[-1] < 5000, sizes[::10]


def test_endless_anchors_neither_slow_it_down_nor_fill_memory(bench: Bench) -> None:
    bench.begin()
    rng = random.Random(2)
    for _ in range(20):
        frames = [bench.anchor(7, rng.randrange(1 << 40), rng.randrange(253_402_300_800_000)) for _ in range(100)]
        frames += [bench.anchor(rng.randrange(1 << 32), 5, 6) for _ in range(100)]
        bench.turn(bench.arrived(*frames))
    bench.check()
    live = bench.boards.shown
    # WORKED: one each ten minutes is 1,008 a week; of starts that are over only those that are fetched matter.
    assert max(len(ties) for ties in live._ties.values()) <= 1100 and len(live._ties) <= 1100


def test_why_a_board_is_refused_is_said_shortly(bench: Bench) -> None:
    bench.begin()
    for k in range(30):
        info = changed(INFO, ("channels", 0, "chip"), "x" * 20_000 + str(k))
        del info["channels"][0]["amp_fa"]
        bench.turn(bench.hello(info), bench.hello(INFO))
        bench.turn(bench.hello(info))
    assert len(bench.boards.snapshot()["link"]["text"]) < 1000
    assert len(_dumps(bench.boards.snapshot())) < 60_000


ITEM = st.one_of(
    st.tuples(st.just("hello"), st.sampled_from(IN_INFO), st.sampled_from(WEIRD), st.booleans()),
    st.tuples(st.just("reply"), JSON),
    st.tuples(st.just("known"), st.sampled_from(REPLIES), JSON),
    st.tuples(st.just("reading"), st.binary(min_size=wire.READING_SIZE, max_size=wire.READING_SIZE), st.booleans()),
    st.tuples(st.just("good"), st.integers(0, 50), st.integers(0, 3)),
    st.tuples(st.just("anchor"), st.integers(0, 2**32 - 1), st.integers(0, 2**40), st.integers(0, 2**47)),
    st.tuples(st.just("console"), st.text()),
    # Its words are our own link's, which makes them plain.
    st.tuples(st.just("state"), st.sampled_from(["live", "lost", "searching", "refused"]), st.text().map(plain)),
)


@given(st.lists(ITEM, max_size=12))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_whatever_a_board_does_the_page_stands(items: list[tuple[Any, ...]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        try:
            bench.begin()
            for item in items:
                match item:
                    case ("hello", path, new, again):
                        bench.turn(bench.hello(changed(INFO, path, new), again))
                    case ("reply", value):
                        bench.turn(bench.arrived(*part(value)))
                    case ("known", reply, value):
                        key = list(reply)[-1]
                        bench.turn(bench.arrived(*part(reply | {key: value})))
                    case ("reading", payload, mine):
                        if mine:
                            payload = payload[:1] + (7).to_bytes(4, "little") + payload[5:]
                        bench.turn(bench.arrived(Frame(wire.READING, 0, payload)))
                    case ("good", seq, more):
                        bench.turn(bench.arrived(bench.reading(seq), bench.reading(seq + more, 7, wire.RECALLED)))
                    case ("anchor", boot, mono_ms, unix_ms):
                        bench.turn(bench.arrived(bench.anchor(boot if boot % 2 else 7, mono_ms, unix_ms)))
                    case ("console", text):
                        bench.turn(bench.arrived(console=(text,)))
                    case ("state", state, text):
                        bench.turn(State(state, text, "/dev/x"))
                bench.check()
            for device in bench.store.devices():
                shown = series(bench.store, device, START_S - 1e6, START_S + 1e6)
                assert json.dumps(shown, allow_nan=False)
        finally:
            bench.close()


@pytest.mark.skipif(sys.platform == "win32", reason="a terminal's encoding there may not hold it")
def test_a_message_for_the_terminal_steers_nothing(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    from ampledger.cli import main

    # What the message quotes is the operator's here; what a board said goes the same way.
    assert main(["board", "info", "--serial", "/dev/\x1b[2Jnothing"]) != 0
    assert main(["books", "--data", str(tmp_path / "\x1b[31mx")]) != 0
    out, err = capsys.readouterr()
    assert "\x1b" not in out + err and err.count("\\x1b") == 2
