"""The firmware onto a board and news of it later, through mpremote's transport, on a real littlefs."""

from __future__ import annotations

import contextlib
import functools
import http.server
import json
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial
from ampledger import boardfiles, boardtool, link, wire
from ampledger.errors import ConfigError, LinkError
from ampledger.simbox.bench import Bench
from ampledger.simbox.box import WaveBox
from common import LONG

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("micropython")]

def a_bench(folder: Path, **more: Any) -> Bench:
    box = WaveBox({t: [(36000.0, 13.2, a)] for t, a in (("solar", 1.0), ("battery", -2.0), ("load", 3.0))})
    return Bench(box, folder / "port", flash="littlefs", **more)


def on_flash(bench: Bench) -> dict[str, int]:
    """Sizes of the firmware's files on the flash."""
    return {n: s for n, s in bench.list_files().items() if n in ("boot.py", "main.py") or n.startswith("lib/ampboard/")}


def sizes() -> dict[str, int]:
    return {to: path.stat().st_size for to, path in boardfiles.firmware().items()}


def kept(bench: Bench) -> dict[str, bytes]:
    """A calibration and a setting, as the firmware itself keeps them, and what the bench then finds of them."""
    with contextlib.closing(link.opened(bench.url)) as port:
        for command in (
            wire.command("hello"),
            wire.command("calibrate", "battery", "amps", 2000, -5000, 10, 1789000000, 400, "meter"),
            wire.command("log", 20),
        ):
            port.write(command)
        until(lambda: (port.read(256), {"calibration.json", "settings.json"} <= bench.list_files().keys())[1])
    return {name: bench.read_file(name) for name in ("calibration.json", "settings.json")}


def until(what: Callable[[], Any], seconds: float = 20.0) -> Any:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if value := what():
            return value
        time.sleep(0.01)
    raise AssertionError(f"not in {seconds} s")


def test_an_empty_board_becomes_ours(tmp_path: Path) -> None:
    said: list[str] = []
    with a_bench(tmp_path, firmware=False, usb_gone_s=0.7) as bench:
        assert boardtool.install(bench.url, said.append) == len(boardfiles.firmware())
        assert on_flash(bench) == sizes()
        info = link.ask(bench.url)
        assert info["app"] == "ampledger" and info["boots"] == 1
        assert "The board answers: firmware" in said[-1]
        assert boardtool.firmware_on(bench.url, said.append) == boardtool.ours()
        assert link.ask(bench.url)["boots"] == 2
        assert "watchdog" not in bench.faults.resets
        assert bench.flash_chip is not None and bench.flash_chip.errors == []


def test_an_update_copies_what_differs_and_leaves_alone_what_is_not_ours(tmp_path: Path) -> None:
    said: list[str] = []
    with a_bench(tmp_path) as bench:
        keep = kept(bench)
        bench.power_off()
        old = boardfiles.firmware()["lib/ampboard/port.py"].read_bytes() + b"# older\n"
        bench.write_files({"lib/ampboard/port.py": old, "lib/ampboard/gone.py": b"x = 1\n", "lib/other.py": b""})
        bench.power_on()
        assert boardtool.update(bench.url, said.append) == ["lib/ampboard/port.py", "lib/ampboard/gone.py"]
        assert on_flash(bench) == sizes()
        for name, data in keep.items():
            assert data and bench.read_file(name) == data, name
        assert "lib/other.py" in bench.list_files(), "not a file of ours"
        assert not [n for n in bench.list_files() if n.endswith(".new")]
        assert link.ask(bench.url)["app"] == "ampledger"
        assert boardtool.update(bench.url, said.append) == [], "and then there is nothing to do"
        assert "watchdog" not in bench.faults.resets


@pytest.mark.parametrize("at", [1, 60, 200] if LONG else [60])
def test_a_cut_in_the_middle_leaves_a_board_that_can_be_installed(tmp_path: Path, at: int) -> None:
    with a_bench(tmp_path, usb_gone_s=0.7) as bench:
        keep = kept(bench)
        boardtool.maintenance(bench.url, lambda text: None)
        bench.cut_power_at(at)
        with pytest.raises(LinkError, match="broke"):
            boardtool.install(bench.url, lambda text: None)
        assert bench.faults.resets.count("cut") == 1
        until(lambda: Path(bench.url).exists())
        assert boardtool.install(bench.url, lambda text: None) == len(boardfiles.firmware())
        assert on_flash(bench) == sizes()
        assert all(bench.read_file(name) == data for name, data in keep.items())
        assert link.ask(bench.url)["app"] == "ampledger"


def test_a_firmware_that_has_stopped_says_why_and_is_replaced(tmp_path: Path) -> None:
    said: list[str] = []
    bench = a_bench(tmp_path, echo=True)
    bench.write_file("lib/ampboard/app.py", b"raise ValueError('a broken app')\n")
    bench.write_files({to: p.read_bytes() for to, p in boardfiles.firmware().items() if not to.endswith("/app.py")})
    with bench:
        assert boardtool.update(bench.url, said.append) == ["lib/ampboard/app.py"]
        assert any("does not run" in s and "ValueError: a broken app" in s for s in said), said
        assert link.ask(bench.url)["app"] == "ampledger"


def test_a_firmware_that_hangs_beside_its_watchdog_is_replaced_in_peace(tmp_path: Path) -> None:
    bench = a_bench(tmp_path)
    files = {to: p.read_bytes() for to, p in boardfiles.firmware().items()}
    files["lib/ampboard/app.py"] = (
        b"import machine, time\n"
        b"def run():\n"
        b"    dog = machine.WDT(timeout=8000)\n"
        b"    while True:\n        time.sleep_ms(100)\n        dog.feed()\n"
    )
    bench.write_files(files)
    with bench:
        assert boardtool.update(bench.url, lambda text: None) == ["lib/ampboard/app.py"]
        assert link.ask(bench.url)["app"] == "ampledger"
        assert "watchdog" not in bench.faults.resets


def test_another_build_is_not_updated_over(tmp_path: Path) -> None:
    bench = a_bench(tmp_path)
    files = {to: p.read_bytes() for to, p in boardfiles.firmware().items()}
    files["lib/ampboard/config.py"] = files["lib/ampboard/config.py"].replace(
        boardfiles.config()["NAME"].encode(), b"my own build"
    )
    bench.write_files(files)
    with bench:
        with pytest.raises(ConfigError, match="set up as 'my own build'"):
            boardtool.update(bench.url, lambda text: None)
        assert bench.read_file("lib/ampboard/config.py") == files["lib/ampboard/config.py"]
        assert link.ask(bench.url, 8.0)["board"] == "my own build", "refused, it goes on counting"
        assert boardtool.install(bench.url, lambda text: None) == len(files)
        assert link.ask(bench.url)["board"] == boardfiles.config()["NAME"]


def test_an_update_of_nothing_and_a_flash_that_is_too_small(tmp_path: Path) -> None:
    with a_bench(tmp_path, firmware=False, blocks=12) as bench:
        with pytest.raises(LinkError, match="no ampledger firmware"):
            boardtool.update(bench.url, lambda text: None)
        with pytest.raises(LinkError, match="flash is full"):
            boardtool.install(bench.url, lambda text: None)
        assert "main.py" not in bench.list_files()


def test_maintenance_leaves_the_board_at_its_prompt_for_one_start(tmp_path: Path) -> None:
    with a_bench(tmp_path, speed=5.0) as bench:
        until(lambda: "boots" in bench.list_files())
        boardtool.maintenance(bench.url, lambda text: None)
        began = bench.now_s
        until(lambda: bench.now_s > began + 12.0)
        assert "watchdog" not in bench.faults.resets
        with pytest.raises(LinkError, match="does not answer"):
            link.ask(bench.url, 0.5)
        bench.power_cycle()
        until(lambda: bench.faults.resets[-1] == "power")
        assert link.ask(bench.url, 5.0)["app"] == "ampledger"


# --- what can be wrong on this side ---


def test_sentences_say_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(LinkError, match="is not there: is the cable in"):
        boardtool.install(str(tmp_path / "nothing"), lambda text: None)
    with a_bench(tmp_path, firmware=False) as bench:
        with serial.Serial(bench.url, exclusive=True), pytest.raises(LinkError, match="in use by another program"):
            boardtool.install(bench.url, lambda text: None)
        with monkeypatch.context() as patched:
            patched.setitem(sys.modules, "mpremote.transport_serial", None)
            with pytest.raises(ConfigError, match="pip install mpremote"):
                boardtool.install(bench.url, lambda text: None)
        from mpremote.transport import TransportError
        from mpremote.transport_serial import SerialTransport

        def silent(*_: Any, **__: Any) -> None:
            raise TransportError("could not enter raw repl")

        monkeypatch.setattr(SerialTransport, "enter_raw_repl", silent)
        with pytest.raises(LinkError, match="Is MicroPython on the board"):
            boardtool.install(bench.url, lambda text: None)


@contextlib.contextmanager
def index(folder: Path) -> Iterator[str]:
    """A package index on loopback, in the format of MicroPython's."""
    handler = functools.partial(http.server.SimpleHTTPRequestHandler, directory=str(folder))
    handler.log_message = lambda *_: None  # type: ignore[attr-defined]
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_address[1]}"
        server.shutdown()


def test_the_display_driver_is_fetched_if_a_display_is_configured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    said: list[str] = []
    with_display = {**boardfiles.config(), "DISPLAY": (128, 64, 0x3C)}
    monkeypatch.setattr(boardfiles, "config", lambda text=None: with_display)
    with a_bench(tmp_path) as bench:
        until(lambda: "boots" in bench.list_files())
        monkeypatch.setattr(boardtool, "_MIP", ["mip", "install", "--index", "http://127.0.0.1:9", "ssd1306"])
        boardtool.update(bench.url, said.append)
        assert any("could not be fetched" in s and "works without it" in s for s in said), said
        assert link.ask(bench.url)["app"] == "ampledger"
        with index(tmp_path) as url:
            for version in ("py", "6"):
                package = tmp_path / "package" / version / "ssd1306"
                package.mkdir(parents=True)
                (package / "latest.json").write_text(
                    json.dumps({"v": 1, "version": "1", "hashes": [], "urls": [["ssd1306.py", f"{url}/driver"]]})
                )
            (tmp_path / "driver").write_text("# stands for the driver\n")
            monkeypatch.setattr(boardtool, "_MIP", ["mip", "install", "--index", url, "ssd1306"])
            boardtool.update(bench.url, said.append)
        assert bench.read_file("lib/ssd1306.py") == b"# stands for the driver\n"
        said.clear()
        boardtool.update(bench.url, said.append)
        assert not [s for s in said if "display" in s], "once is enough"
