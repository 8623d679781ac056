"""The command line: what it refuses, in words that say what to do, and the board commands that need no board."""

from __future__ import annotations

import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from ampledger import __version__, boardfiles, cli, link
from common import TOP


@pytest.fixture(autouse=True)
def nothing_is_started(monkeypatch: pytest.MonkeyPatch) -> None:
    """No board, and no page or demo box beyond the checks of the arguments."""

    def refuse(*args: Any, **more: Any) -> Any:
        raise AssertionError("started in spite of the arguments")

    monkeypatch.setattr(link, "board_ports", list)
    monkeypatch.setattr(cli, "_serve", refuse)
    monkeypatch.setattr(cli, "_demo", refuse)


def refused(capsys: pytest.CaptureFixture[str], *argv: str) -> str:
    """Exit code 2 and a sentence on stderr, nothing else; returns the sentence."""
    code: object
    try:
        code = cli.main(list(argv))
    except SystemExit as e:  # argparse
        code = e.code
    out, err = capsys.readouterr()
    assert code == 2 and out == "" and "Traceback" not in err, (code, out, err)
    return err


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.5", "box.local", "127.0.0.2"])
def test_serving_beyond_this_computer_needs_a_word(capsys: pytest.CaptureFixture[str], host: str) -> None:
    for first in ((), ("live",)):
        said = refused(capsys, *first, "--host", host, "--no-browser")
        assert "no login" in said and "--let-others-see" in said


def test_an_empty_address_and_impossible_demo_times_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert "--host needs an address" in refused(capsys, "--host", "", "--let-others-see")
    for speed in ("nan", "0", "-1", "31", "inf"):
        assert "--demo-speed must be above 0" in refused(capsys, "--demo", "--demo-speed", speed)
    for start in ("nan", "-1", "1e9"):
        assert "--demo-start must be seconds" in refused(capsys, "--demo", "--demo-start", start)


def test_board_files_below_a_file_are_refused(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "there").write_text("x")
    assert "can't be written" in refused(capsys, "board", "files", "--to", str(tmp_path / "there" / "x"))


@pytest.mark.parametrize("port", ["-1", "65536", "137000"])
def test_a_port_that_is_none(capsys: pytest.CaptureFixture[str], port: str) -> None:
    said = refused(capsys, "live", f"--port={port}")
    assert "between 0 and 65535" in said and port in said and "--serial" in said


def test_a_name_of_a_serial_port_as_port(capsys: pytest.CaptureFixture[str]) -> None:
    assert "--port" in refused(capsys, "--port", "/dev/ttyACM0")


def test_a_port_that_is_taken(capsys: pytest.CaptureFixture[str]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        said = refused(capsys, "--demo", "--port", str(port))
    assert f"Port {port} on 127.0.0.1 can't be used" in said
    assert "another ampledger running" in said and "--port" in said


def test_how_well_a_start_is_known_without_a_start(capsys: pytest.CaptureFixture[str]) -> None:
    assert "--start-soc" in refused(capsys, "live", "--start-sd", "0.1", "--port", "0")


@pytest.mark.parametrize("value", ["1.5", "-0.1", "120%", "half", "nan", "inf", "%", "80"])
def test_a_share_beyond_zero_to_one(capsys: pytest.CaptureFixture[str], value: str) -> None:
    for option in ("--start-soc", "--reserve-soc"):
        said = refused(capsys, "live", f"{option}={value}")
        assert "expected 0 (empty) to 1 (full), or 0% to 100%" in said and said.count("\n") == 1
        assert ("Did you mean 80%?" in said) == (value == "80")
    assert "--start-sd" in refused(capsys, "live", "--start-soc=0.5", f"--start-sd={value}")


@pytest.mark.parametrize("command", [("live",), ("replay", "log.csv", "--out", "e.csv")])
@pytest.mark.parametrize(
    ("option", "value", "expected"),
    [
        ("--capacity-ah", "20Ah", "expected ampere-hours, such as 20"),
        ("--radio-min-v", "abc", "expected 0 to 60 V (0: no limit); 11.7 is usual"),
        ("--lead-ohm", "30m", "expected ohms, such as 0.03"),
        ("--standing-ma", "x", "expected milliamps, such as 12"),
    ],
)
def test_what_is_no_number_is_refused_in_one_line_that_says_what_is_expected(
    capsys: pytest.CaptureFixture[str], command: tuple[str, ...], option: str, value: str, expected: str
) -> None:
    said = refused(capsys, *command, "--capacity-ah", "20", option, value)
    assert option in said and repr(value) in said and expected in said and said.count("\n") == 1


@pytest.mark.parametrize("value", ["0", "-1", "nan", "inf"])
def test_a_demo_speed_that_can_not_be(capsys: pytest.CaptureFixture[str], value: str) -> None:
    assert "--demo-speed must be above 0" in refused(capsys, f"--demo-speed={value}")


def test_an_unknown_option_and_an_unknown_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert "--nothing" in refused(capsys, "--nothing")
    assert "invalid choice: 'fly'" in refused(capsys, "fly")
    assert "WHAT" in refused(capsys, "board")


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as e:
        cli.main(["--version"])
    assert e.value.code == 0
    assert capsys.readouterr().out == f"ampledger {__version__}\n"


def test_version_as_a_program_of_its_own() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "ampledger", "--version"], cwd=TOP / "host", capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, f"ampledger {__version__}\n", "")


# --- boards ---


@pytest.mark.parametrize("what", ["list", "info"])
def test_no_board_at_all(capsys: pytest.CaptureFixture[str], what: str) -> None:
    said = refused(capsys, "board", what)
    assert "No board answers" in said and "Is the cable in?" in said and "--serial" in said


def test_a_named_port_that_is_not_there(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    port = str(tmp_path / "ttyACM7")
    said = refused(capsys, "board", "info", "--serial", port)
    assert port in said and "is the cable in?" in said


def test_a_board_that_answers_is_listed_with_what_it_is(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    info = {"app": "ampledger", "board": "pico", "device": "a5", "version": "9.9", "boots": 3}
    monkeypatch.setattr(link, "board_ports", lambda: ["/dev/x"])
    monkeypatch.setattr(link, "ask", lambda port: info)
    assert cli.main(["board", "list"]) == 0
    assert capsys.readouterr().out == "/dev/x  pico  device a5  firmware 9.9  boot 3\n"
    assert cli.main(["board", "info"]) == 0
    assert '"boots": 3' in capsys.readouterr().out


def test_installing_needs_a_port_by_name(capsys: pytest.CaptureFixture[str]) -> None:
    assert "--serial" in refused(capsys, "board", "install")


def test_the_files_of_a_board_as_they_stand_on_its_flash(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    folder = tmp_path / "new" / "folder"
    assert cli.main(["board", "files", "--to", str(folder)]) == 0
    written = {str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()}
    printed = {str(Path(line).relative_to(folder)) for line in capsys.readouterr().out.splitlines()}
    modules = {f"lib/ampboard/{p.name}" for p in (TOP / "firmware" / "ampboard").glob("*.py")}
    assert written == printed == modules | {"lib/ampboard/wire.py", "boot.py", "main.py"}
    wire = (folder / "lib" / "ampboard" / "wire.py").read_bytes()
    assert wire == (TOP / "host" / "ampledger" / "wire.py").read_bytes()
    assert all((folder / to).read_bytes() == source.read_bytes() for to, source in boardfiles.firmware().items())


def test_the_files_of_a_board_need_a_folder(capsys: pytest.CaptureFixture[str]) -> None:
    assert "--to" in refused(capsys, "board", "files")
