"""The page's server without a browser: routes, what it refuses, what it sends, and the vendored library."""

from __future__ import annotations

import ast
import contextlib
import hashlib
import json
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from unittest.mock import ANY

import dash
import flask
import pytest
from ampledger.errors import ConfigError, StoreError
from ampledger.page import STREAM_LIMIT, create_server, make_wsgi_server
from ampledger.page.app import ASSETS, SLOW_READER, TOKEN_COOKIE, TOKEN_HEADER, _events
from common import TOP
from plotly.offline import get_plotlyjs_version

PORT = 8123
OWN = {"Host": f"127.0.0.1:{PORT}"}
FROM_PAGE = {**OWN, "Origin": f"http://127.0.0.1:{PORT}", "Content-Type": "application/json"}


class OneSnapshot:
    """A source that has one snapshot and never another, and remembers what it was asked."""

    def __init__(self, snap: dict[str, Any]) -> None:
        self.snap = snap
        self.asked: list[tuple[Any, ...]] = []
        self.fault: Exception | None = None

    def snapshot(self, board: str | None = None) -> dict[str, Any]:
        return self.snap if board is None else {**self.snap, "board": board}

    def wait(self, n: int, timeout_s: float, board: str | None = None) -> dict[str, Any] | None:
        return None

    def history(self, since_n: int, board: str | None = None) -> dict[str, Any]:
        columns = {"n": [n for n in (1, 2, 3) if n > since_n], "solar_a": [None, 0.5, float("nan")][-3:]}
        return columns if board is None else {**columns, "board": board}

    def series(self, board: str | None, since_s: float, until_s: float, points: int) -> dict[str, Any]:
        if self.fault is not None:
            raise self.fault
        self.asked.append(("series", board, since_s, until_s, points))
        return {"since": since_s, "until": until_s, "t0": [], "solar_a": [float("nan"), float("inf"), 1.5]}

    def pause_fetching(self, board: str | None, pause: bool) -> None:
        self.asked.append(("pause", board, pause))

    def change_plan(self, board: str | None, wishes: dict[str, Any]) -> None:
        if self.fault is not None:
            raise self.fault
        self.asked.append(("plan", board, wishes))

    def change_notice(
        self, board: str | None, code: str, since_s: float, act: str, minutes: float | None = None
    ) -> None:
        if self.fault is not None:
            raise self.fault
        self.asked.append(("notice", board, code, since_s, act, minutes))

    def change_check(self, board: str | None, act: str) -> None:
        if self.fault is not None:
            raise self.fault
        self.asked.append(("check", board, act))

    def what_if(self, board: str | None, wishes: dict[str, Any], quick: bool) -> dict[str, Any]:
        self.asked.append(("what if", board, wishes, quick))
        return {"now": float("nan")}

    def change_marks(self, board: str | None, wish: dict[str, Any]) -> None:
        self.asked.append(("mark", board, wish))

    def tell(self, board: str | None, wish: dict[str, Any]) -> None:
        self.asked.append(("tell", board, wish))

    def change_work(self, board: str | None, key: str, act: str) -> None:
        self.asked.append(("work", board, {"key": key, "act": act}))

    def bring(self, file: str, name: str, size: int, at: int, data: bytes, sort: bool) -> None:
        self.asked.append(("bring", file, name, size, at, data, sort))


@pytest.fixture
def source() -> OneSnapshot:
    return OneSnapshot({"n": 7, "solar": {"a": float("nan")}})


@pytest.fixture
def server(source: OneSnapshot) -> flask.Flask:
    return create_server(source, port=PORT, extra_hosts=("box.local",))


@pytest.fixture
def client(server: flask.Flask) -> Any:
    return server.test_client()


def events(app: flask.Flask, count: int, query: str = "") -> list[str]:
    """The first events of a new stream, which is then closed."""
    response = app.test_client().get("/stream" + query, headers=OWN, buffered=False)
    assert response.status_code == 200 and response.mimetype == "text/event-stream"
    chunks = [chunk.decode() for chunk, _ in zip(response.iter_encoded(), range(count), strict=False)]
    response.close()
    return chunks


def test_root_leads_to_now(client: Any) -> None:
    answer = client.get("/", headers=OWN)
    assert (answer.status_code, answer.headers["Location"]) == (302, "/now")


@pytest.mark.parametrize("path", ["/now", "/record", "/record?since=1&until=2&board=a", "/now?board=%3Cscript%3E"])
def test_a_view_is_an_english_page_without_an_inline_script_that_the_policy_forbids(client: Any, path: str) -> None:
    answer = client.get(path, headers=OWN)
    assert answer.status_code == 200
    assert '<html lang="en"' in answer.text and "&lt;script&gt;" not in answer.text
    assert "<script>" not in answer.text.replace("<script>var renderer", ""), "nothing of the address is put in"
    assert "http://" not in answer.text and "https://" not in answer.text.replace("https:\\u002f\\u002f", "")
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy and "unsafe-eval" not in policy
    assert "'unsafe-inline'" not in policy.split("script-src")[1].split(";")[0]


EVERYTHING = ["/now", "/record", "/stream", "/history", "/series", "/health", "/assets/page.css", "/_dash-layout"]


@pytest.mark.parametrize("path", EVERYTHING)
def test_foreign_host_names_are_refused_everywhere(client: Any, path: str) -> None:
    for host in ("example.org", f"example.org:{PORT}", "127.0.0.1:9999", "127.0.0.1", "[::2]:8123", "box.local"):
        assert client.get(path, headers={"Host": host}).status_code == 403, host


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "[::1]", "LOCALHOST", "box.local"])
def test_own_names_are_answered(client: Any, host: str) -> None:
    assert client.get("/health", headers={"Host": f"{host}:{PORT}"}).status_code == 200


@pytest.mark.parametrize(
    ("extra", "status"),
    [
        ({}, 403),
        ({"Origin": "http://example.org"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": f"http://127.0.0.1:{PORT + 1}"}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Sec-Fetch-Site": "same-origin", "Content-Type": "text/plain"}, 415),
    ],
)
def test_changes_from_elsewhere_are_refused(client: Any, extra: dict[str, str], status: int) -> None:
    answer = client.post("/_dash-update-component", headers={**OWN, "Content-Type": "application/json", **extra})
    assert answer.status_code == status


# --- the run's token ---


def token_of(server: flask.Flask, path: str = "/now") -> tuple[Any, dict[str, str]]:
    """A browser that has opened a page: its cookies, and the headers with which that page changes something."""
    browser = server.test_client()
    # The cookie's domain is the host without its port, as a browser has it.
    browser.get(path, base_url=f"http://127.0.0.1:{PORT}", headers=OWN)
    cookie = browser.get_cookie(TOKEN_COOKIE, domain="127.0.0.1")
    assert cookie is not None
    return browser, {**FROM_PAGE, TOKEN_HEADER: cookie.value}


CHANGES = ["/fetch", "/plan", "/notice", "/check", "/mark", "/tell", "/work", "/bring", "/_dash-update-component"]


def post(
    browser: Any, headers: dict[str, str], data: str | bytes = '{"board": "a", "pause": true}', path: str = "/fetch"
) -> Any:
    return browser.post(path, base_url=f"http://127.0.0.1:{PORT}", headers=headers, data=data)


@pytest.mark.parametrize("path", ["/now", "/record"])
def test_a_page_brings_the_token_that_its_changes_need(server: flask.Flask, source: OneSnapshot, path: str) -> None:
    cookie = server.test_client().get(path, headers=OWN).headers["Set-Cookie"]
    assert "SameSite=Strict" in cookie and "Path=/" in cookie and "Domain" not in cookie
    browser, headers = token_of(server, path)
    assert len(headers[TOKEN_HEADER]) >= 32
    answer = post(browser, headers)
    assert (answer.status_code, answer.data) == (204, b"")
    assert source.asked == [("pause", "a", True)]
    assert post(browser, headers, '{"pause": false}').status_code == 204
    assert source.asked[-1] == ("pause", None, False)


def test_without_the_token_nothing_is_changed(server: flask.Flask, source: OneSnapshot) -> None:
    browser, headers = token_of(server)
    token = headers[TOKEN_HEADER]
    for bad in ({}, {TOKEN_HEADER: ""}, {TOKEN_HEADER: token[:-1]}, {TOKEN_HEADER: token + "x"}, {TOKEN_HEADER: "é"}):
        answer = post(browser, {**FROM_PAGE, **bad})
        assert answer.status_code == 403 and "try once more" in answer.text
    # A header alone, as a program that read the token somewhere would send it, or a cookie that someone planted.
    assert post(server.test_client(), headers).status_code == 403
    planted = server.test_client()
    planted.set_cookie(TOKEN_COOKIE, "mine", domain="127.0.0.1")
    assert post(planted, {**FROM_PAGE, TOKEN_HEADER: "mine"}).status_code == 403
    assert source.asked == []


def test_each_run_has_a_token_of_its_own_and_a_page_of_an_earlier_run_gets_the_new_one(source: OneSnapshot) -> None:
    browser, headers = token_of(create_server(source, port=PORT))
    later = create_server(source, port=PORT)
    again = later.test_client()
    again.set_cookie(TOKEN_COOKIE, headers[TOKEN_HEADER], domain="127.0.0.1")
    assert post(again, headers).status_code == 403
    fresh = again.get_cookie(TOKEN_COOKIE, domain="127.0.0.1")
    assert fresh is not None and fresh.value == later.extensions["ampledger"]["token"] != headers[TOKEN_HEADER]
    assert post(again, {**headers, TOKEN_HEADER: fresh.value}).status_code == 204


@pytest.mark.parametrize(
    "extra", [{"Origin": "http://example.org"}, {"Origin": "null"}, {"Sec-Fetch-Site": "same-site"}]
)
def test_a_foreign_page_gets_no_token_and_changes_nothing_even_with_it(
    server: flask.Flask, source: OneSnapshot, extra: dict[str, str]
) -> None:
    browser, headers = token_of(server)
    answer = post(browser, {**headers, **extra})
    assert answer.status_code == 403 and "Set-Cookie" not in answer.headers and source.asked == []


def test_the_token_is_in_no_answer_but_the_cookie(server: flask.Flask) -> None:
    token = server.extensions["ampledger"]["token"]
    for path in [p for p in EVERYTHING if p not in ("/stream", "/series")]:
        with server.test_client().get(path, headers=OWN) as answer:
            assert token not in answer.text
    assert "Set-Cookie" not in server.test_client().get("/health", headers=OWN).headers
    assert "Set-Cookie" not in server.test_client().get("/now", headers={"Host": "example.org"}).headers
    assert all(token not in event for event in events(server, 2))


def test_the_framework_sends_the_token_by_itself(server: flask.Flask) -> None:
    # FROZEN: dash 4.4.1's renderer; the names are ours as told in the page's configuration.
    folder = Path(dash.__file__).parent / "dash-renderer" / "build"
    renderer = (folder / "dash_renderer.min.js").read_text(encoding="utf-8")
    assert "csrf_token_name" in renderer and "csrf_header_name" in renderer and "document.cookie" in renderer
    page = server.test_client().get("/now", headers=OWN).text
    config = json.loads(page.split('id="_dash-config" type="application/json">')[1].split("<")[0])
    assert (config["csrf_token_name"], config["csrf_header_name"]) == (TOKEN_COOKIE, TOKEN_HEADER)


@pytest.mark.parametrize(
    "data",
    [
        "",
        "{",
        "[]",
        "null",
        "[" * 60_000,
        '{"pause": 1}',
        '{"board": 7, "pause": true}',
        '{"board": "a"}',
        b"\xff\xfe{}",
        json.dumps({"board": "x" * 201, "pause": True}),
    ],
)
def test_a_change_that_makes_no_sense_is_refused_in_words(
    server: flask.Flask, source: OneSnapshot, data: str | bytes
) -> None:
    browser, headers = token_of(server)
    answer = post(browser, headers, data)
    assert answer.status_code == 400 and len(answer.text) > 20 and source.asked == []


@pytest.mark.parametrize(
    "data",
    [
        "",
        "[]",
        "null",
        "[" * 60_000,
        b"\xff\xfe{}",
        "{}",
        '{"board": "a"}',
        '{"board": 7, "past_min": 30}',
        '{"past_min": 30, "and": 1}',
        '{"past_min": "30"}',
        '{"past_min": true}',
        '{"past_min": NaN}',
        '{"past_min": -1}',
        '{"until": Infinity}',
        '{"until": 1e300}',
        '{"until": 1' + "0" * 400 + "}",
        '{"until": {"$gt": 0}}',
        '{"panel_w": 2001}',
        '{"panel_tilt": 91}',
        '{"panel_azimuth": 361}',
        '{"accessories_a": 51}',
        '{"caution": 0.5}',
        '{"place": 5}',
        '{"place": ["43", "-108"]}',
        json.dumps({"place": "x" * 61}),
        json.dumps({"place": "JN58\x00"}),
        json.dumps({"place": "JN58\u202e"}),
        json.dumps({"board": "x" * 201, "past_min": 30}),
    ],
)
def test_a_plan_that_makes_no_sense_is_refused_in_words(
    server: flask.Flask, source: OneSnapshot, data: str | bytes
) -> None:
    browser, headers = token_of(server)
    answer = post(browser, headers, data, "/plan")
    assert answer.status_code == 400 and len(answer.text) > 20 and source.asked == []
    assert len(answer.text) < 400, "what was sent is not sent back at length"


def test_a_plan_is_passed_on_and_what_cannot_be_is_told(server: flask.Flask, source: OneSnapshot) -> None:
    browser, headers = token_of(server)
    wishes = {"until": 1789260000, "place": "43.62, -108.2", "panel_w": None, "caution": 9}
    assert post(browser, headers, json.dumps({"board": "a", **wishes}), "/plan").status_code == 204
    assert source.asked == [("plan", "a", wishes)]
    assert isinstance(source.asked[0][2]["until"], float)
    source.fault = ConfigError("The closing time lies 5 min before the last reading; give a later one.")
    answer = post(browser, headers, json.dumps(wishes), "/plan")
    assert answer.status_code == 400 and answer.text.startswith("The closing time lies")


@pytest.mark.parametrize(
    "extra",
    [{"Origin": "http://example.org"}, {TOKEN_HEADER: "guess"}, {TOKEN_HEADER: ""}, {"Content-Type": "text/plain"}],
)
def test_a_plan_is_taken_from_our_own_page_only(
    server: flask.Flask, source: OneSnapshot, extra: dict[str, str]
) -> None:
    browser, headers = token_of(server)
    assert post(browser, {**headers, **extra}, '{"past_min": 30}', "/plan").status_code in (403, 415)
    assert source.asked == []


SEEN = {"board": "a", "code": "volts-low", "since": 1789260000.25, "act": "seen"}


@pytest.mark.parametrize(
    "data",
    [
        "",
        "[]",
        "[" * 60_000,
        b"\xff\xfe{}",
        "{}",
        '{"act": "seen"}',
        json.dumps(SEEN | {"board": 7}),
        json.dumps(SEEN | {"board": "x" * 201}),
        json.dumps(SEEN | {"code": ""}),
        json.dumps(SEEN | {"code": "x" * 61}),
        json.dumps(SEEN | {"code": "a\u202eb"}),
        json.dumps(SEEN | {"code": ["volts-low"]}),
        json.dumps(SEEN | {"since": "now"}),
        json.dumps(SEEN | {"since": None}),
        json.dumps(SEEN | {"since": True}),
        json.dumps(SEEN | {"since": 1e12}),
        json.dumps(SEEN | {"since": float("nan")}),
        json.dumps(SEEN | {"act": "delete"}),
        json.dumps(SEEN | {"act": ["seen"]}),
        json.dumps(SEEN | {"act": {"seen": 1}}),
        json.dumps(SEEN | {"minutes": 10}),
        json.dumps(SEEN | {"act": "later"}),
        json.dumps(SEEN | {"act": "later", "minutes": 0}),
        json.dumps(SEEN | {"act": "later", "minutes": 61}),
        json.dumps(SEEN | {"act": "later", "minutes": "10"}),
        json.dumps(SEEN | {"act": "later", "minutes": 1e400}),
        json.dumps(SEEN | {"more": 1}),
    ],
)
def test_an_act_about_a_notice_that_makes_no_sense_is_refused_in_words(
    server: flask.Flask, source: OneSnapshot, data: str | bytes
) -> None:
    browser, headers = token_of(server)
    answer = post(browser, headers, data, "/notice")
    assert answer.status_code == 400 and 20 < len(answer.text) < 400 and source.asked == []


def test_acts_about_notices_and_the_check_are_passed_on_and_what_cannot_be_is_told(
    server: flask.Flask, source: OneSnapshot
) -> None:
    browser, headers = token_of(server)
    assert post(browser, headers, json.dumps(SEEN), "/notice").status_code == 204
    later = {"code": "volts-low", "since": 5, "act": "later", "minutes": 30}
    assert post(browser, headers, json.dumps(later), "/notice").status_code == 204
    assert post(browser, headers, json.dumps(SEEN | {"board": None, "act": "again"}), "/notice").status_code == 204
    assert source.asked == [
        ("notice", "a", "volts-low", 1789260000.25, "seen", None),
        ("notice", None, "volts-low", 5.0, "later", 30.0),
        ("notice", None, "volts-low", 1789260000.25, "again", None),
    ]
    source.asked.clear()
    for act in ("begin", "next", "again", "stop"):
        assert post(browser, headers, json.dumps({"board": "a", "act": act}), "/check").status_code == 204
    assert source.asked == [("check", "a", act) for act in ("begin", "next", "again", "stop")]
    for bad in ("", "[]", "{}", '{"act": "erase"}', '{"act": ["next"]}', '{"act": "next", "step": 3}', '{"act": null}'):
        answer = post(browser, headers, bad, "/check")
        assert answer.status_code == 400 and 20 < len(answer.text) < 400
    source.fault = ConfigError("That notice is over; nothing is left to be marked.")
    answer = post(browser, headers, json.dumps(SEEN), "/notice")
    assert answer.status_code == 400 and answer.text.startswith("That notice is over")


def test_marks_and_what_is_told_are_looked_at_before_they_go_on(server: flask.Flask, source: OneSnapshot) -> None:
    browser, headers = token_of(server)
    good = {
        "/mark": ({"kind": "note", "text": "wind", "time": 1.78e9}, {"kind": "contact"}, {"back": 3}),
        "/tell": ({"set": {"capacity_ah": 9}}, {"undo": True}, {"charge": 1, "sd": 0.01}, {"later": True}),
        "/work": ({"key": "anew", "act": "stop"}, {"key": "import", "act": "close"}),
    }
    for path, wishes in good.items():
        for wish in wishes:
            answer = post(browser, headers, json.dumps({"board": "a", **wish}), path)
            assert (answer.status_code, source.asked[-1]) == (204, (path[1:], "a", wish)), wish
    piece = {"file": "f", "name": "x.csv", "size": 90, "at": 45, "data": "YWI=", "sort": True}
    assert post(browser, headers, json.dumps(piece), "/bring").status_code == 204
    assert source.asked[-1] == ("bring", "f", "x.csv", 90, 45, b"ab", True)
    wrong = ("file", ""), ("name", "n" * 201), ("size", -1), ("at", "0"), ("data", "~"), ("data", 5), ("sort", 1)
    count = len(source.asked)
    for name, value in wrong:
        assert post(browser, headers, json.dumps(piece | {name: value}), "/bring").status_code == 400, name
    bad = {
        "/bring": (piece, {}),
        "/work": ({}, {"key": "anew"}, {"key": "anew", "act": "kill"}, {"key": 5, "act": "stop"},
                  {"key": "anew", "act": ["stop"]}),
        "/mark": ({}, {"kind": 1}, {"kind": "note", "text": 5}, {"back": "3"}, {"back": True}, {"kind": "x", "more": 1},
                  {"kind": "note", "time": "now"}, {"kind": "note", "time": 1e12}, {"back": 1, "kind": "note"}),
        "/tell": ({}, {"set": []}, {"charge": 0.5}, {"sd": 0.1}, {"charge": 2, "sd": 0.1}, {"charge": "1", "sd": 0.1},
                  {"erase": True}),
    }  # fmt: skip
    for path, wishes in bad.items():
        for wish in wishes:
            answer = post(browser, headers, json.dumps({"board": "a", **wish}), path)
            assert answer.status_code == 400 and 10 < len(answer.text) < 400, (path, wish)
    assert len(source.asked) == count


def test_questions_that_change_nothing_are_bounded_one_by_one(client: Any, source: OneSnapshot) -> None:
    answer = client.get("/whatif?board=a&power=0.5&share=0.3&mode=Morse&panel=0&quick=1", headers=OWN)
    assert answer.status_code == 200 and answer.json == {"now": None}
    wishes = {"power": 0.5, "share": 0.3, "mode": "Morse", "panel": False}
    assert source.asked == [("what if", "a", wishes, True)]
    for query in ("power=0", "power=nan", "share=2", "panel=yes", "until=soon", "mode=" + "x" * 99, "less_a=-1"):
        assert client.get(f"/whatif?{query}", headers=OWN).status_code == 400, query
    # WORKED: 2 m there and back of 1/58 ohm mm2/m over 3.31 mm2 are 20.8 mohm, and four contacts 2 more
    branch = client.get("/branch?awg=12&length_m=2&peak_a=8&mean_a=2&begin_v=13", headers=OWN).json
    assert branch["ohm"] == pytest.approx(0.02284, rel=1e-3)
    trip = "begin=1789264800&hours=1&capacity_ah=10&soc=60&receive_a=1"
    told = client.get(f"/reckon?{trip}&quick=1", headers=OWN).json
    assert told["drawn"]["ah"][1] == pytest.approx(1.0, rel=0.2) and told["now"]["probability"] > 0.9
    for query in ("", trip + "&sky=pink", trip.replace("hours=1", "hours=99"), trip + "&place=nowhere",
                  trip + "&series=2.5", trip.replace("soc=60", "soc=101"), trip + "&place=" + "x" * 99):  # fmt: skip
        answer = client.get(f"/reckon?{query}", headers=OWN)
        assert answer.status_code == 400 and 10 < len(answer.text) < 400, query
    for query in ("awg=12", "awg=99&length_m=1", "awg=12&length_m=2&peak_a=1&mean_a=5&begin_v=13", "mm2=x"):
        assert client.get(f"/branch?{query}", headers=OWN).status_code == 400, query


@pytest.mark.parametrize("path", ["/notice", "/check", "/mark", "/tell", "/work", "/bring"])
@pytest.mark.parametrize(
    "extra",
    [{"Origin": "http://example.org"}, {TOKEN_HEADER: "guess"}, {TOKEN_HEADER: ""}, {"Content-Type": "text/plain"}],
)
def test_notices_and_the_check_are_taken_from_our_own_page_only(
    server: flask.Flask, source: OneSnapshot, path: str, extra: dict[str, str]
) -> None:
    browser, headers = token_of(server)
    body = json.dumps(SEEN if path == "/notice" else {"act": "begin"})
    assert post(browser, {**headers, **extra}, body, path).status_code in (403, 415)
    assert source.asked == []


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
@pytest.mark.parametrize("path", ["/", "/now", "/history", "/series", "/health", "/assets/page.css", "/_dash-layout"])
def test_nothing_else_is_changed_by_any_method(server: flask.Flask, path: str, method: str) -> None:
    browser, headers = token_of(server)
    answer = browser.open(path, method=method, base_url=f"http://127.0.0.1:{PORT}", headers=headers, data="{}")
    assert answer.status_code in (404, 405)
    assert browser.open(path, method=method, headers=FROM_PAGE, data="{}").status_code == 403, "without the token"


@pytest.mark.parametrize("path", CHANGES)
def test_what_changes_something_is_not_for_reading(client: Any, path: str) -> None:
    assert client.get(path, headers=OWN).status_code == 405


@pytest.mark.parametrize("path", CHANGES)
def test_an_oversized_body_is_refused(server: flask.Flask, source: OneSnapshot, path: str) -> None:
    browser, headers = token_of(server)
    url = f"http://127.0.0.1:{PORT}"
    assert browser.post(path, base_url=url, headers=headers, data=b" " * 70_000).status_code == 413
    assert source.asked == []


# --- a span of the record ---


def test_a_span_is_asked_for_and_given_without_nan(client: Any, source: OneSnapshot) -> None:
    answer = client.get("/series?since=1789000000.25&until=1789003600&points=640&board=a%2Fb", headers=OWN)
    assert answer.status_code == 200 and answer.mimetype == "application/json"
    data = json.loads(answer.text, parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))
    assert data["solar_a"] == [None, None, 1.5]
    client.get("/series?since=-5&until=1e3&board=", headers=OWN)
    assert source.asked == [
        ("series", "a/b", 1789000000.25, 1789003600.0, 640),
        ("series", None, -5.0, 1000.0, 1000),
    ]


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("", "`since` must be a number"),
        ("since=1", "`until` must be a number"),
        ("since=x&until=2", "`since` must be a number"),
        ("since=nan&until=2", "`since` must be a number"),
        ("since=1&until=inf", "`until` must be a number"),
        ("since=1&until=1e400", "`until` must be a number"),
        ("since=1&until=2e11", "`until` must be a number"),
        ("since=2&until=2", "`since` must be before `until`"),
        ("since=3&until=2", "`since` must be before `until`"),
        ("since=1&until=2&points=1", "`points` must be a number from 2 to 4000"),
        ("since=1&until=2&points=1e9", "`points` must be a number from 2 to 4000"),
        ("since=1&until=2&points=" + "9" * 5000, "`points` must be a number from 2 to 4000"),
        ("since=1&until=2&board=" + "x" * 201, "`board` is the id of a board"),
    ],
)
def test_a_span_that_makes_no_sense_is_refused_with_what_to_write(
    client: Any, source: OneSnapshot, query: str, words: str
) -> None:
    answer = client.get("/series?" + query, headers=OWN)
    assert answer.status_code == 400 and words in answer.text and source.asked == []


@pytest.mark.parametrize(("fault", "status"), [(ConfigError("No\x1b[31m such."), 400), (StoreError("Gone."), 503)])
def test_a_span_that_can_not_be_given_says_why(
    client: Any, source: OneSnapshot, fault: Exception, status: int
) -> None:
    source.fault = fault
    answer = client.get("/series?since=1&until=2", headers=OWN)
    assert answer.status_code == status and answer.mimetype == "text/plain" and "\x1b" not in answer.text
    assert answer.headers["X-Content-Type-Options"] == "nosniff"


def test_a_fault_of_ours_tells_a_browser_nothing_of_the_inside(client: Any, source: OneSnapshot) -> None:
    source.fault = RuntimeError("secret inside")
    answer = client.get("/series?since=1&until=2", headers=OWN)
    assert answer.status_code == 500 and "secret" not in answer.text and "Traceback" not in answer.text
    assert "Content-Security-Policy" in answer.headers


def test_each_page_may_ask_for_its_own_board(server: flask.Flask, client: Any) -> None:
    assert '"board":"b"' in events(server, 2, "?board=b")[1]
    assert "board" not in events(server, 2)[1].split("data: ")[1]
    assert client.get("/history?board=b", headers=OWN).json["board"] == "b"
    for path in ("/stream", "/history"):
        assert client.get(path + "?board=" + "x" * 201, headers=OWN).status_code == 400


# --- who may ask ---


@pytest.mark.parametrize("path", ["/stream", "/history", "/series?since=1&until=2", "/health", "/assets/page.css"])
def test_another_sites_page_cannot_ask_for_data(client: Any, path: str) -> None:
    assert client.get(path, headers={**OWN, "Sec-Fetch-Site": "cross-site"}).status_code == 403
    assert client.get(path, headers={**OWN, "Origin": "http://example.org"}).status_code == 403


def test_a_link_from_another_site_still_opens_the_page(client: Any) -> None:
    assert client.get("/now", headers={**OWN, "Sec-Fetch-Site": "cross-site"}).status_code == 200


@pytest.mark.parametrize(
    "path",
    [
        "/nowhere",
        "/now/",
        "/historyx",
        "/series.json",
        "/stream/../etc/passwd",
        "/_dash-component-suites",
        "/_reload-hash",
        "/_mcp",
        "/_dash-layoutx",
        "/static/page.css",
        "/assets/../app.py",
        "/assets/../../store.py",
        "/assets/%2e%2e/app.py",
        "/assets/..%2fapp.py",
        "/assets/..%5capp.py",
        "/assets/..\\app.py",
        "/assets/now/../../app.py",
        "/assets/....//app.py",
        "/assets//etc/passwd",
        "/assets/%2fetc%2fpasswd",
        "/assets/C:/Windows/win.ini",
        "/assets/page.css%00.js",
        "/assets/",
        "/assets/now",
        "/_dash-component-suites/dash/../../../ampledger/page/app.py",
        "/_dash-component-suites/dash/%2e%2e/dash.py",
        "/_dash-component-suites/dash/dash.py",
        "/_dash-component-suites/os/path.py",
        "/_dash-component-suites/ampledger/page/app.py",
    ],
)
def test_no_path_reaches_the_file_system_or_is_answered_with_the_page(client: Any, path: str) -> None:
    answer = client.get(path, headers=OWN)
    assert answer.status_code == 404
    assert "import " not in answer.text and "root:" not in answer.text and "react-entry-point" not in answer.text


def test_every_route_that_the_framework_adds_is_known_or_shut(server: flask.Flask) -> None:
    data = {"/stream", "/history", "/series", "/whatif", "/marks", "/facts", "/branch", "/reckon", "/health"}
    open_ = data | {"/fetch", "/plan", "/notice", "/check", "/mark", "/tell", "/work", "/bring", "/", "/<path:path>"}
    open_ |= {"/assets/<path:filename>", "/_dash-layout", "/_dash-dependencies", "/_dash-update-component"}
    open_ |= {"/_dash-component-suites/<string:package_name>/<path:fingerprinted_path>"}
    for rule in server.url_map.iter_rules():
        if rule.rule not in open_:
            assert server.test_client().get(rule.rule, headers=OWN).status_code == 404, rule


def test_nothing_helps_a_debugger(server: flask.Flask, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DASH_MCP_ENABLED", "true")
    monkeypatch.setenv("DASH_DEBUG", "true")
    monkeypatch.setenv("FLASK_DEBUG", "1")
    for app in (server, create_server(OneSnapshot({"n": 1}), port=PORT)):
        assert not app.debug and not app.testing and app.config.get("PROPAGATE_EXCEPTIONS") in (None, False)
        assert app.test_client().get("/_mcp", headers=OWN).status_code == 404
        assert "hot_reload" not in app.test_client().get("/now", headers=OWN).text.replace('"hot_reload":null', "")


FORBIDDEN = {"pickle", "cPickle", "marshal", "shelve", "dill", "joblib", "yaml"}
# They run the firmware, which is a program, where there is no MicroPython; nothing that was received gets there.
RUNS_FIRMWARE = {"cpython_board.py", "prompt.py", "run_board.py"}


@pytest.mark.parametrize("path", sorted((TOP / "host").rglob("*.py")), ids=lambda p: str(p.relative_to(TOP)))
def test_nothing_that_is_read_can_become_code(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [a.name for a in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [node.module or ""]
        assert not {n.split(".")[0] for n in names} & FORBIDDEN, f"line {getattr(node, 'lineno', 0)}"
        if isinstance(node, ast.Call):
            # A method of such a name (`re.compile`) is another thing.
            if isinstance(node.func, ast.Name) and not ("simbox" in path.parts and path.name in RUNS_FIRMWARE):
                assert node.func.id not in {"eval", "exec", "compile", "__import__"}, f"line {node.lineno}"
            for k in node.keywords:
                if k.arg in ("allow_pickle", "shell"):
                    assert isinstance(k.value, ast.Constant) and k.value.value is False, f"line {node.lineno}"


@pytest.mark.parametrize("path", ["/now", "/record", "/history", "/series", "/fetch", "/health", "/nowhere"])
def test_answers_are_not_kept_sniffed_or_framed(client: Any, path: str) -> None:
    headers = client.get(path, headers=OWN).headers
    assert headers["Cache-Control"] == "no-store"
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["X-Frame-Options"] == "DENY"


def test_scripts_are_served_as_scripts(client: Any) -> None:
    for path in sorted((ASSETS / "now").glob("*.js")):
        with client.get(f"/assets/now/{path.name}", headers=OWN) as answer:
            assert answer.mimetype == "text/javascript"


def test_history_gives_only_newer_points_and_no_nan(client: Any) -> None:
    answer = client.get("/history?since=1", headers=OWN)
    data = json.loads(answer.text, parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))
    assert data["n"] == [2, 3] and data["solar_a"] == [None, 0.5, None]
    assert client.get("/history?since=x", headers=OWN).status_code == 400


def test_stream_opens_with_who_we_are_then_the_newest_snapshot(server: flask.Flask) -> None:
    hello, snap = events(server, 2)
    run = server.extensions["ampledger"]["run"]
    assert hello.startswith("event: hello\ndata: ") and json.loads(hello.split("data: ")[1])["run"] == run
    # WORKED: the id is the snapshot's number, NaN is sent as null.
    assert snap == 'event: snap\nid: 7\ndata: {"n":7,"solar":{"a":null}}\n\n'


def test_stream_beats_while_nothing_is_new(server: flask.Flask) -> None:
    assert events(server, 3)[2].startswith("event: beat\ndata: ")


def test_stream_skips_what_became_old_while_it_paused() -> None:
    class Fast(OneSnapshot):
        """A hundred new snapshots for every time someone looks."""

        def wait(self, n: int, timeout_s: float, board: str | None = None) -> dict[str, Any] | None:
            self.snap = {"n": self.snap["n"] + 100}
            return self.snap

    stream = _events(Fast({"n": 1}), {"run": "a"}, 2.0, lambda: False)
    next(stream)
    sent = [int(next(stream).split("id: ")[1].split("\n")[0]) for _ in range(3)]
    # WORKED: one look per event, each 100 further: nothing in between is ever queued.
    assert sent == [1, 101, 201]


def test_after_the_first_snapshot_only_what_changed_is_sent_and_nothing_is_lost() -> None:
    moved = {"n": 1, "t": 1.0, "stale": False, "notices": [], "charge": {"soc": 0.5}}
    shots = [moved | {"n": 2, "t": 2.0}, moved | {"n": 3, "t": 3.0, "charge": {"soc": 0.4}}, None, None, None]

    class Moving(OneSnapshot):
        def wait(self, n: int, timeout_s: float, board: str | None = None) -> dict[str, Any] | None:
            found = shots.pop(0)
            self.snap = found or self.snap
            return found

    stream = _events(Moving(moved), {"run": "a"}, 2.0, lambda: not shots)
    told = [(e.split("\n")[0].split(": ")[1], json.loads(e.split("data: ")[1])) for e in stream]
    whole = moved | {"n": 3, "t": 3.0, "charge": {"soc": 0.4}}
    # WORKED: by hand; what moves slowly waits, and comes at the latest when nothing else does.
    assert told == [
        ("hello", {"run": "a"}),
        ("snap", moved),
        ("part", {"n": 2, "t": 2.0}),
        ("part", {"n": 3, "t": 3.0}),
        ("snap", whole),
        ("beat", {"clock": ANY}),
    ]
    stream = _events(Moving(moved), {"run": "a"}, 2.0, bool)
    shots.append(moved | {"n": 4, "more": 1})
    assert "event: snap" in [next(stream) for _ in range(3)][2], "a key that is new: the whole"


def test_streams_beyond_the_limit_are_refused_in_words_and_places_come_back(server: flask.Flask) -> None:
    streams = server.extensions["ampledger"]["streams"]
    client = server.test_client()
    held = [client.get("/stream", headers=OWN, buffered=False) for _ in range(STREAM_LIMIT)]
    refused = client.get("/stream", headers=OWN)
    assert refused.status_code == 503 and "Close or hide another" in refused.text
    assert client.get("/health", headers=OWN).json["streams"] == STREAM_LIMIT
    for response in held:
        response.close()
        response.close()  # giving a place back twice must not make room for two
    assert streams.open == 0


def test_leaving_twice_from_two_threads_counts_once(server: flask.Flask) -> None:
    streams = server.extensions["ampledger"]["streams"]
    leave = streams.enter()
    assert leave is not None
    threads = [threading.Thread(target=leave) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert streams.open == 0


def test_vendored_chart_library_is_the_one_that_plotly_bundles() -> None:
    script = (ASSETS / "vendor" / "plotly-basic.min.js").read_text(encoding="utf-8")
    assert f"plotly.js (basic - minified) v{get_plotlyjs_version()}" in script[:200]
    assert "MIT license" in script[:200]
    note = (ASSETS / "VENDORED.md").read_text(encoding="utf-8")
    assert f"`plotly.js-basic-dist-min@{get_plotlyjs_version()}`" in note
    assert hashlib.sha256(script.encode()).hexdigest() in note


def test_own_files_name_no_address_on_another_machine() -> None:
    own = [p for p in Path(ASSETS).rglob("*") if p.suffix in (".js", ".css", ".svg") and "vendor" not in p.parts]
    assert len(own) >= 8
    for path in own:
        text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "http:" not in text and "https:" not in text, path


# --- over a real socket ---


class Flood(OneSnapshot):
    """A source that always has another snapshot, and a large one."""

    def wait(self, n: int, timeout_s: float, board: str | None = None) -> dict[str, Any] | None:
        return {"n": n + 1, "text": "x" * 100_000}


@contextlib.contextmanager
def serving(source: Any) -> Iterator[tuple[Callable[[bytes], socket.socket], int, Any]]:
    """The real server on a port of its own: a function that connects and sends, the port, the server."""
    with contextlib.closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    app = create_server(source, port=port)
    server = make_wsgi_server(app, "127.0.0.1", port)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    sockets: list[socket.socket] = []

    def send(data: bytes) -> socket.socket:
        s = socket.create_connection(("127.0.0.1", port), timeout=10)
        sockets.append(s)
        s.sendall(data)
        return s

    try:
        yield send, port, server
    finally:
        app.extensions["ampledger"]["stop"].set()
        for s in sockets:
            s.close()
        until = time.monotonic() + 10
        while app.extensions["ampledger"]["streams"].open and time.monotonic() < until:
            time.sleep(0.05)
        server.task_dispatcher.shutdown()
        # In the server's own thread: closing its sockets from another one pulls them from under its select().
        server.trigger.pull_trigger(lambda: _close_all(server))
        thread.join(10)


def _close_all(server: Any) -> None:
    for channel in list(server.active_channels.values()):
        channel.handle_close()
    server.close()


def answer_of(s: socket.socket) -> bytes:
    """All until the server closes, or an answer with its length is whole."""
    data = b""
    while chunk := s.recv(65536):
        data += chunk
        head, blank, body = data.partition(b"\r\n\r\n")
        length = [line for line in head.lower().split(b"\r\n") if line.startswith(b"content-length:")]
        if blank and length and len(body) >= int(length[0].split(b":")[1]):
            break
    return data


def asks(port: int, path: str = "/health", *lines: str, host: str | None = None) -> bytes:
    named = host or f"127.0.0.1:{port}"
    return "\r\n".join([f"GET {path} HTTP/1.1", f"Host: {named}", *lines, "", ""]).encode("latin-1")


def test_the_server_listens_on_this_computer_only_and_has_no_banner() -> None:
    with serving(OneSnapshot({"n": 1})) as (send, port, server):
        assert [s.getsockname() for s in [server.socket]] == [("127.0.0.1", port)]
        said = answer_of(send(asks(port)))
        assert said.startswith(b"HTTP/1.1 200") and b"\nServer:" not in said and b"waitress" not in said.lower()


def test_requests_that_are_made_to_deceive_are_refused_on_the_wire() -> None:
    with serving(OneSnapshot({"n": 1})) as (send, port, _):
        own = f"127.0.0.1:{port}"
        for bad in (
            asks(port, host="example.org"),
            asks(port, host=f"{own}.example.org"),
            asks(port, host=f"{own}@example.org"),
            asks(port, host=f"example.org:{port}"),
            # Twice, whichever a server may believe.
            asks(port, "/health", "Host: example.org"),
            f"GET /health HTTP/1.1\r\nHost: {own}\r\n Host: x\r\n\r\n".encode(),
            b"GET /health HTTP/1.0\r\n\r\n",
            # Told by something in between, which there is not.
            asks(port, "/health", "X-Forwarded-Host: " + own, host="example.org"),
            asks(port, "/health", "Forwarded: host=" + own, host="example.org"),
        ):
            said = answer_of(send(bad))
            assert said.split(b" ")[1] in (b"403", b"400"), (bad, said)
            assert b'"run"' not in said
        # A header that is smuggled into an answer: what comes from the address is in no header.
        said = answer_of(send(asks(port, "/series?since=%0d%0aSet-Cookie:%20a=b&until=%0d%0a%0d%0a<script>")))
        head = said.partition(b"\r\n\r\n")[0]
        assert said.startswith(b"HTTP/1.1 400") and b"a=b" not in said and b"<script>" not in said
        assert head.count(b"Content-Type:") == 1
        said = answer_of(send(b"GET /" + b"x" * 70_000 + b" HTTP/1.1\r\n\r\n"))
        assert said.split(b" ")[1] in (b"400", b"403", b"404", b"431")
        # An address with two slashes is no way to another site.
        said = answer_of(send(asks(port, "//example.org/now")))
        assert said.startswith(b"HTTP/1.1 404") and b"Location" not in said
        head = f"POST /fetch HTTP/1.1\r\nHost: {own}\r\nContent-Type: application/json\r\nOrigin: http://{own}\r\n"
        said = answer_of(send(head.encode() + b"Content-Length: 99999999\r\n\r\n"))
        assert said.startswith(b"HTTP/1.1 413")
        both = b"Content-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\nGET /health HTTP/1.1\r\n\r\n"
        assert answer_of(send(head.encode() + both)).split(b" ")[1] in (b"403", b"400")
        assert answer_of(send(asks(port))).startswith(b"HTTP/1.1 200"), "it goes on"


def test_readers_that_stop_reading_hold_up_nobody_else_and_fill_no_memory() -> None:
    with serving(Flood({"n": 1, "text": "x" * 100_000})) as (send, port, server):
        slow = [send(asks(port, "/stream")) for _ in range(STREAM_LIMIT)]
        for s in slow:
            assert s.recv(100)
        time.sleep(1.5)  # more snapshots than the buffers of the system hold may come meanwhile
        waiting = max(channel.total_outbufs_len for channel in server.active_channels.values())
        # WORKED: the mark is looked at before each event, so one event of 100 kB may stand above it.
        assert waiting <= SLOW_READER + 110_000
        assert answer_of(send(asks(port))).startswith(b"HTTP/1.1 200")
        assert b" 503 " in answer_of(send(asks(port, "/stream"))).split(b"\r\n")[0]
        half = [send(b"GET /health HTTP/1.1\r\nHost: ") for _ in range(20)]  # heads that never end
        assert answer_of(send(asks(port))).startswith(b"HTTP/1.1 200")
        assert len(half) == 20
