"""
The system's Chromium and a served page, for the tests and the screenshots here.

Not in `conftest.py`, because a module of that name can be imported from one folder only.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import threading
from collections.abc import Iterator
from typing import Any

from ampledger.page import create_server, make_wsgi_server

ARGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def chromium() -> str | None:
    """Path of the browser, None when there is none."""
    wished = os.environ.get("AMPLEDGER_CHROMIUM")
    names = [wished] if wished else ["/usr/bin/chromium", "chromium", "chromium-browser", "google-chrome"]
    return next((path for name in names if (path := shutil.which(name))), None)


def launch(play: Any) -> Any:
    """The system's Chromium without a window."""
    return play.chromium.launch(executable_path=chromium(), args=ARGS)


def browser_page(browser: Any, *, width: int = 1366, height: int = 768, scheme: str = "light", **more: Any) -> Any:
    """A page in a context of its own, in a time zone that is not UTC."""
    context = browser.new_context(
        viewport={"width": width, "height": height}, color_scheme=scheme, **{"timezone_id": "America/Denver", **more}
    )
    return context.new_page()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextlib.contextmanager
def running(source: Any, port: int | None = None, **more: Any) -> Iterator[str]:
    """The page served on loopback for the length of the block; gives its address."""
    port = port or free_port()
    app = create_server(source, port=port, **more)
    server = make_wsgi_server(app, "127.0.0.1", port)
    thread = threading.Thread(target=_run, args=(server,), daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        app.extensions["ampledger"]["stop"].set()
        # In the server's own thread: closing its sockets from another one would pull them from under its select().
        server.trigger.pull_trigger(lambda: _close_all(server))
        thread.join(5)
        assert not thread.is_alive(), "the server did not stop"


def _run(server: Any) -> None:
    server.run()


def _close_all(server: Any) -> None:
    for channel in list(server.active_channels.values()):
        channel.handle_close()
    server.close()


class Watched:
    """A page, what its console said, and every address it asked for."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.console: list[str] = []
        self.asked: list[str] = []
        page.on("console", lambda m: self.console.append(f"{m.type}: {m.text}") if m.type != "log" else None)
        page.on("pageerror", lambda error: self.console.append(f"error: {error}"))
        page.on("request", lambda request: self.asked.append(request.url))
