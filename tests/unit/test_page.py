"""The page's server without a browser: routes, what it refuses, what it sends, and the vendored library."""

from __future__ import annotations

import hashlib
import json
import threading
from pathlib import Path
from typing import Any

import flask
import pytest
from ampledger.page import STREAM_LIMIT, create_server
from ampledger.page.app import ASSETS, _events
from plotly.offline import get_plotlyjs_version

PORT = 8123
OWN = {"Host": f"127.0.0.1:{PORT}"}


class OneSnapshot:
    """A source that has one snapshot and never another."""

    def __init__(self, snap: dict[str, Any]) -> None:
        self.snap = snap

    def snapshot(self) -> dict[str, Any]:
        return self.snap

    def wait(self, n: int, timeout_s: float) -> dict[str, Any] | None:
        return None

    def history(self, since_n: int) -> dict[str, Any]:
        return {"n": [n for n in (1, 2, 3) if n > since_n], "solar_a": [None, 0.5, float("nan")][-3:]}


@pytest.fixture
def server() -> flask.Flask:
    return create_server(OneSnapshot({"n": 7, "solar": {"a": float("nan")}}), port=PORT, extra_hosts=("box.local",))


@pytest.fixture
def client(server: flask.Flask) -> Any:
    return server.test_client()


def events(app: flask.Flask, count: int) -> list[str]:
    """The first events of a new stream, which is then closed."""
    response = app.test_client().get("/stream", headers=OWN, buffered=False)
    assert response.status_code == 200 and response.mimetype == "text/event-stream"
    chunks = [chunk.decode() for chunk, _ in zip(response.iter_encoded(), range(count), strict=False)]
    response.close()
    return chunks


def test_root_leads_to_now(client: Any) -> None:
    answer = client.get("/", headers=OWN)
    assert (answer.status_code, answer.headers["Location"]) == (302, "/now")


def test_now_is_an_english_page_without_an_inline_script_that_the_policy_forbids(client: Any) -> None:
    answer = client.get("/now", headers=OWN)
    assert answer.status_code == 200
    assert '<html lang="en"' in answer.text
    assert "http://" not in answer.text and "https://" not in answer.text.replace("https:\\u002f\\u002f", "")
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy and "unsafe-eval" not in policy
    assert "'unsafe-inline'" not in policy.split("script-src")[1].split(";")[0]


@pytest.mark.parametrize("path", ["/now", "/stream", "/history", "/health", "/assets/page.css", "/_dash-layout"])
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


def test_a_change_from_our_own_page_gets_past_the_guard(client: Any) -> None:
    own = {**OWN, "Origin": f"http://127.0.0.1:{PORT}", "Content-Type": "application/json"}
    # There are no callbacks, so the framework has nothing to do with it; the point is that the guard let it pass.
    assert client.post("/history", headers=own, data="{}").status_code == 405


def test_an_oversized_body_is_refused(client: Any) -> None:
    own = {**OWN, "Origin": f"http://127.0.0.1:{PORT}", "Content-Type": "application/json"}
    assert client.post("/_dash-update-component", headers=own, data=b" " * 70_000).status_code == 413


@pytest.mark.parametrize("path", ["/stream", "/history", "/health"])
def test_another_sites_page_cannot_ask_for_data(client: Any, path: str) -> None:
    assert client.get(path, headers={**OWN, "Sec-Fetch-Site": "cross-site"}).status_code == 403
    assert client.get(path, headers={**OWN, "Origin": "http://example.org"}).status_code == 403


def test_a_link_from_another_site_still_opens_the_page(client: Any) -> None:
    assert client.get("/now", headers={**OWN, "Sec-Fetch-Site": "cross-site"}).status_code == 200


def test_unknown_paths_are_not_answered_with_the_page(client: Any) -> None:
    assert client.get("/nowhere", headers=OWN).status_code == 404
    assert client.get("/assets/../app.py", headers=OWN).status_code == 404


@pytest.mark.parametrize("path", ["/now", "/history", "/health", "/nowhere"])
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

        def wait(self, n: int, timeout_s: float) -> dict[str, Any] | None:
            self.snap = {"n": self.snap["n"] + 100}
            return self.snap

    stream = _events(Fast({"n": 1}), {"run": "a"}, 2.0, lambda: False)
    next(stream)
    sent = [int(next(stream).split("id: ")[1].split("\n")[0]) for _ in range(3)]
    # WORKED: one look per event, each 100 further: nothing in between is ever queued.
    assert sent == [1, 101, 201]


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
