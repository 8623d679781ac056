"""What the bench itself promises: a flash with rules, power that goes when told, pins, a UART, sleep, a prompt."""

from __future__ import annotations

import os
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import serial
from ampledger import boardfiles
from ampledger.simbox.bench import BLOCK, PAGE, SHIM_HEAP, Bench, Flash, PowerCut
from ampledger.simbox.box import WaveBox
from common import TOP

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("micropython")]


def quiet_box() -> WaveBox:
    return WaveBox({t: [(36000.0, 13.2, a)] for t, a in (("solar", 1.0), ("battery", -2.0), ("load", 3.0))})


def until(what: Callable[[], Any], seconds: float = 20.0) -> Any:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if value := what():
            return value
        time.sleep(0.005)
    raise AssertionError(f"not in {seconds} s")


def ran(tmp_path: Path, code: str, enough: bytes = b"done", **more: Any) -> tuple[Bench, str]:
    """A bench on which `code` runs in place of the firmware, when it has printed `enough`; it must be closed."""
    script = tmp_path / "script.py"
    script.write_text(code)
    bench = Bench(quiet_box(), tmp_path / "port", speed=1e6, script=str(script), **more)
    bench.sent = bytearray()
    bench.start()
    try:
        until(lambda: bench.sent is not None and (enough in bench.sent or b"Traceback" in bench.sent))
        time.sleep(0.05)
        text = bytes(bench.sent).decode()
        assert "Traceback" not in text, text
    except BaseException:
        bench.close()
        raise
    return bench, text


# --- the flash ---


def test_nor_rules(tmp_path: Path) -> None:
    flash = Flash(tmp_path / "image", 4)
    assert flash.program(0, b"\x0f" * PAGE) and flash.program(0, b"\x0e" * PAGE), "clearing bits twice is allowed"
    assert not flash.program(0, b"\x10" * PAGE) and "sets bits" in flash.errors[-1]
    assert not flash.program(0, b"\0" * 100) and not flash.program(4 * BLOCK // PAGE, b"\0" * PAGE)
    assert flash.program(1, b"\0" * 3 * PAGE) and flash.erase(0) and not flash.erase(4)
    assert (flash.programs, flash.erases, flash.wear) == (5, 1, [1, 0, 0, 0])
    assert (tmp_path / "image").read_bytes() == b"\xff" * 4 * BLOCK


def test_a_cut_tears_the_operation_it_falls_into_and_no_other(tmp_path: Path) -> None:
    flash = Flash(tmp_path / "image", 2)
    flash.cut_at(2, 0.25)
    with pytest.raises(PowerCut):
        flash.program(0, b"\0" * 3 * PAGE)
    # WORKED: the first page whole, a quarter of the second, nothing of the third.
    assert (tmp_path / "image").read_bytes() == b"\0" * (PAGE + PAGE // 4) + b"\xff" * (2 * BLOCK - PAGE - PAGE // 4)
    flash.cut_at(1, 0.5)
    with pytest.raises(PowerCut):
        flash.erase(0)
    assert flash.program(20, b"\0" * PAGE), "and then the power is there again"


def test_a_littlefs_survives_restarts_and_power_cycles(tmp_path: Path) -> None:
    with Bench(quiet_box(), tmp_path / "port", speed=50.0, flash="littlefs") as bench:
        files = [p for p in bench.flash.rglob("*") if p.is_file()]
        filled = {p.relative_to(bench.flash).as_posix(): p.stat().st_size for p in files}
        assert filled.keys() == boardfiles.firmware().keys() and filled.items() <= bench.list_files().items()
        for n in (1, 2, 3):
            until(lambda n=n: "boots" in bench.list_files() and bench.read_file("boots") == str(n).encode())  # type: ignore[misc]
            bench.power_cycle(chips=n == 2)
        until(lambda: bench.read_file("boots") == b"4")
        bench.power_off()
        bench.write_file("some/where/note.txt", b"\0\xff" * 3000)
        assert bench.read_file("/some/where/note.txt") == b"\0\xff" * 3000
        with pytest.raises(FileNotFoundError):
            bench.read_file("some/nothing")
        before_s = bench.now_s
        bench.power_on(away_s=5.0)
        assert bench.now_s >= before_s + 5.0 - 1e-6  # microseconds counted as integers, added as floats
        until(lambda: bench.read_file("boots") == b"5")
        with pytest.raises(RuntimeError, match="off first"):
            bench.write_file("x", b"")
        assert bench.flash_chip is not None and bench.flash_chip.errors == []
        assert bench.faults.resets == ["power"] * 4
        assert bench.flash_ops == bench.flash_chip.programs + bench.flash_chip.erases > 0


def test_modules_come_from_the_littlefs_and_from_nowhere_else(tmp_path: Path) -> None:
    code = (
        "import sys, os\nprint(sys.path, os.getcwd())\n"
        "import ampboard.wire as w\nprint(w.__file__)\n"
        "print(os.listdir('/'))\nprint(os.statvfs('/'))\nprint('done')\n"
    )
    bench, text = ran(tmp_path, code, flash="littlefs", blocks=200)
    bench.close()
    lines = text.splitlines()
    assert lines[0] == "['', '.frozen', '/lib'] /"
    assert lines[1] == "/lib/ampboard/wire.py" or lines[1] == "ampboard/wire.py"
    assert sorted(eval(lines[2])) == ["boot.py", "lib", "main.py"]
    assert eval(lines[3])[:3] == (4096, 4096, 200)


def test_the_power_goes_at_that_operation_and_the_board_starts_again(tmp_path: Path) -> None:
    code = (
        "import os\n"
        "try:\n    n = int(open('n').read())\nexcept OSError:\n    n = 0\n"
        "print('have', n)\n"
        "while n < 400:\n"
        "    n += 1\n"
        "    with open('n.new', 'w') as f:\n        f.write(str(n))\n"
        "    os.rename('n.new', 'n')\n"
        "print('done')\n"
    )
    script = tmp_path / "script.py"
    script.write_text(code)
    bench = Bench(quiet_box(), tmp_path / "port", speed=1e6, script=str(script), flash="littlefs", firmware=False)
    bench.sent = bytearray()
    cut_at: list[int] = []
    with bench:
        chip = bench.flash_chip
        assert chip is not None
        until(lambda: b"have 0" in bytes(bench.sent or b""))
        for n, torn in ((1, 0.0), (2, 0.5), (3, 1.0), (7, 0.5), (30, 0.3)):
            cuts = bench.faults.resets.count("cut")
            cut_at.append(bench.ask(lambda n=n, torn=torn: (chip.cut_at(n, torn), bench.flash_ops)[1] + n))  # type: ignore[misc]
            at = cut_at[-1]
            until(lambda cuts=cuts: bench.faults.resets.count("cut") == cuts + 1)  # type: ignore[misc]
            assert bench.flash_ops >= at
        until(lambda: b"done" in bytes(bench.sent or b""))
        assert bench.faults.resets == ["cut"] * 5 and chip.errors == []
        assert bench.read_file("n") == b"400"
        have = [int(line.split()[1]) for line in bytes(bench.sent).decode().splitlines() if line.startswith("have")]
        assert len(have) == 6 and have == sorted(have), "a rename that was done stays done"


def test_the_chips_lose_their_power_only_when_asked(tmp_path: Path) -> None:
    with Bench(quiet_box(), tmp_path / "port", speed=50.0) as bench:
        chip = bench.chips["battery"]
        until(lambda: bench.now_s > 2.0)
        tag = bench.ask(lambda: bytes(chip.read(0x11, 2)))
        # PRINTED: reset value FFFFh of PWR_LIMIT, in which the driver keeps the tag of the run (chips.py).
        assert tag != b"\xff\xff"
        bench.power_cycle()
        until(lambda: len(bench.faults.resets) == 1)
        assert bench.ask(lambda: chip.read(0x11, 2)) == tag
        bench.power_off(chips=True)
        assert chip.read(0x11, 2) == b"\xff\xff"


def test_a_board_of_another_build(tmp_path: Path) -> None:
    board = tomllib.loads(boardfiles.board_toml().read_text(encoding="utf-8"))
    board["board"]["name"] = "another"
    board["channel"][0]["address"] = 0x4A
    bench = Bench(quiet_box(), tmp_path / "port", board=board)
    try:
        assert boardfiles.config(bench.read_file("lib/ampboard/config.py").decode())["NAME"] == "another"
        assert 0x4A in bench.bus.chips and 0x40 not in bench.bus.chips
    finally:
        bench.close()
    assert boardfiles.config()["NAME"] != "another"


# --- pins and lines ---


def test_a_held_bus_is_freed_by_clocking_its_pins(tmp_path: Path) -> None:
    scl, sda = boardfiles.config()["SCL_PIN"], boardfiles.config()["SDA_PIN"]
    code = f"""
import machine, time
i2c = machine.I2C(0, scl=machine.Pin({scl}), sda=machine.Pin({sda}), freq=400000)
print("scan", i2c.scan())
while True:
    try:
        i2c.readfrom_mem(0x40, 0x3E, 2)
        time.sleep_ms(100)
    except OSError as e:
        print("stuck", e.errno, i2c.scan())
        break
scl = machine.Pin({scl}, machine.Pin.OPEN_DRAIN, value=1)
sda = machine.Pin({sda}, machine.Pin.IN)
clocks = 0
while not sda.value() and clocks < 20:
    scl.value(0)
    time.sleep_us(5)
    scl.value(1)
    time.sleep_us(5)
    clocks += 1
i2c = machine.I2C(0, scl=machine.Pin({scl}), sda=machine.Pin({sda}), freq=400000)
print("clocks", clocks, i2c.readfrom_mem(0x40, 0x3E, 2))
print("done")
"""
    script = tmp_path / "script.py"
    script.write_text(code)
    bench = Bench(quiet_box(), tmp_path / "port", speed=50.0, script=str(script))
    bench.sent = bytearray()
    with bench:
        until(lambda: b"scan" in bytes(bench.sent or b""))
        bench.ask(lambda: setattr(bench.bus, "stuck", 6))
        until(lambda: b"done" in bytes(bench.sent or b""))
    lines = bytes(bench.sent).decode().splitlines()
    assert lines[0] == f"scan {sorted(bench.bus.chips)}"
    # WORKED: errno 110 is ETIMEDOUT, which a bus that does not move gives; nobody answers a scan meanwhile.
    assert lines[1] == "stuck 110 []"
    # WORKED: the chip lets go at the sixth clock; 5449h, "TI", is the maker's id (SLYS021A).
    assert lines[2] == "clocks 6 b'TI'"
    assert bench.bus.clears == 1


def test_pins_pwm_and_the_cable_are_seen(tmp_path: Path) -> None:
    code = """
import machine, time
led = machine.Pin("LED", machine.Pin.OUT)
usb = machine.Pin(24, machine.Pin.IN)
out = machine.Pin(7, machine.Pin.OUT, value=0)
inp = machine.Pin(8, machine.Pin.IN, machine.Pin.PULL_UP)
piezo = machine.PWM(machine.Pin(15), freq=2700, duty_u16=0)
print("levels", usb.value(), out.value(), inp.value())
for i in range(3):
    led.value(1)
    led.value(1)
    piezo.duty_u16(32768)
    time.sleep_ms(250)
    led.value(0)
    piezo.duty_u16(0)
    time.sleep_ms(250)
while usb.value():
    time.sleep_ms(10)
print("gone", time.ticks_ms() >= 1500)
print("done")
"""
    script = tmp_path / "script.py"
    script.write_text(code)
    bench = Bench(quiet_box(), tmp_path / "port", speed=50.0, script=str(script))
    bench.sent = bytearray()
    with bench:
        until(lambda: len(bench.pins.get("LED", ())) == 6)
        bench.unplug(1.0)
        until(lambda: b"done" in bytes(bench.sent or b""))
    assert bytes(bench.sent).decode().splitlines() == ["levels 1 0 1", "gone True", "done"]
    led = list(bench.pins["LED"])
    assert [level for _, level in led] == [1, 0, 1, 0, 1, 0], "only changes"
    # WORKED: on and off for 250 ms each.
    assert all(b[0] - a[0] == pytest.approx(0.25, abs=1e-6) for a, b in zip(led, led[1:], strict=False))
    assert [(hz, duty) for _, hz, duty in bench.pwm[15]] == [(2700, 0)] + [(2700, 32768), (2700, 0)] * 3
    assert list(bench.pins[7])[0][1] == 0


def test_a_uart_gives_what_was_fed_and_loses_what_does_not_fit(tmp_path: Path) -> None:
    code = """
import machine, time
line = machine.UART(1, baudrate=9600, tx=machine.Pin(8), rx=machine.Pin(9), rxbuf=64, timeout=0)
print("open", line.any(), line.read(), line.readinto(bytearray(4)))
while not line.any():
    time.sleep_ms(100)
some = bytearray(10)
print(line.any(), line.readinto(some), bytes(some), line.read(4), line.read())
line.write(b"$PCMD\\r\\n")
print("second")
while line.any() < 64:
    time.sleep_ms(100)
print(len(line.read()), line.any())
print("done")
"""
    script = tmp_path / "script.py"
    script.write_text(code)
    bench = Bench(quiet_box(), tmp_path / "port", speed=50.0, script=str(script))
    bench.sent = bytearray()
    with bench:
        bench.uart_feed(b"too early")
        until(lambda: b"open" in bytes(bench.sent or b""))
        bench.uart_feed(b"$GPRMC,123519\r\n")
        until(lambda: b"second" in bytes(bench.sent or b""))
        bench.uart_feed(b"x" * 100, 1)
        until(lambda: b"done" in bytes(bench.sent or b""))
    lines = bytes(bench.sent).decode().splitlines()
    assert lines[0] == "open 0 None None"
    assert lines[1] == "15 10 b'$GPRMC,123' b'519\\r' b'\\n'"
    assert lines[3] == "64 0"
    assert bytes(bench.uart_sent) == b"$PCMD\r\n"


def test_sleep_is_box_time(tmp_path: Path) -> None:
    code = """
import machine, time
machine.freq(48_000_000)
a = time.ticks_ms()
machine.lightsleep(200)
b = time.ticks_ms()
time.sleep_us(1500)
c = time.ticks_us()
time.sleep(1)
d = time.ticks_us()
time.sleep_ms(70000)
print(b - a, d - c, time.ticks_ms() - a, machine.freq(), machine.reset_cause())
print("done")
"""
    bench, text = ran(tmp_path, code)
    bench.close()
    # WORKED: 200 ms, 1 s, and 200 + 1.5 + 1000 + 70000 ms; 1 is the cause "power".
    assert text.splitlines()[0] == "200 1000000 71201 48000000 1"
    assert bench.slept_ms == 200


def test_a_display_shows_its_lines_and_is_not_there_by_default(tmp_path: Path) -> None:
    code = """
import machine
i2c = machine.I2C(0, scl=machine.Pin(5), sda=machine.Pin(4))
try:
    i2c.writeto(0x3C, b"\\x80\\xAF")
    print("there")
    import ssd1306
    d = ssd1306.SSD1306_I2C(128, 64, i2c)
    d.text("second", 0, 16, 1)
    d.text("first", 0, 0, 1)
    d.hline(0, 30, 128, 1)
    d.text("a line too long for it", 0, 32, 1)
    d.show()
except OSError as e:
    print("none", e.errno)
print("done")
"""
    bench, text = ran(tmp_path, code)
    bench.close()
    assert text.splitlines()[0] == "none 19" and bench.display == []
    bench, text = ran(tmp_path, code, display=0x3C)
    # WORKED: 128 / 8 = 16 characters are seen; 1024 bytes of picture behind the byte that announces it.
    assert bench.display == ["first", "second", "a line too long "]
    assert len(bench.display_bytes) == 1025 and any(bench.display_bytes[1:])
    bench.close()


# --- the prompt ---


def mpremote(bench: Bench, *arguments: str) -> str:
    command = [sys.executable, "-m", "mpremote", "connect", bench.url, *arguments]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_mpremote_works_on_an_empty_board(tmp_path: Path) -> None:
    data = bytes(range(256)) * 40
    (tmp_path / "data.bin").write_bytes(data)
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder" / "x.py").write_text("value = 42\n")
    with Bench(quiet_box(), tmp_path / "port", flash="littlefs", firmware=False) as bench:
        assert mpremote(bench, "exec", "print(6 * 7)").strip() == "42"
        mpremote(bench, "fs", "cp", str(tmp_path / "data.bin"), ":data.bin")
        mpremote(bench, "fs", "cp", "-r", str(tmp_path / "folder"), ":")
        assert "10240 data.bin" in mpremote(bench, "fs", "ls")
        assert bench.read_file("data.bin") == data
        mpremote(bench, "fs", "cp", ":data.bin", str(tmp_path / "back.bin"))
        assert (tmp_path / "back.bin").read_bytes() == data, "more than fits the USB buffer at once"
        assert mpremote(bench, "exec", "from folder.x import value; print(value)").strip() == "42"
        before = bench.now_s
        mpremote(bench, "reset")
        until(lambda: "asked" in bench.faults.resets)
        assert bench.now_s > before, "time goes on at the prompt"
        # What the stand-ins take of the heap is given in addition; the rest is the interpreter's own.
        taken = int(mpremote(bench, "exec", "import gc; gc.collect(); print(gc.mem_alloc())"))
        assert SHIM_HEAP / 2 < taken < SHIM_HEAP + 8192, taken
        assert bench.flash_chip is not None and bench.flash_chip.errors == []


def test_mip_installs_the_firmware_from_the_clone(tmp_path: Path) -> None:
    with Bench(quiet_box(), tmp_path / "port", flash="littlefs", firmware=False) as bench:
        mpremote(bench, "mip", "install", str(TOP / "firmware" / "package.json"))
        for to, path in boardfiles.firmware().items():
            if to.startswith("lib/"):
                assert bench.read_file(to) == path.read_bytes(), to


def test_ctrl_c_interrupts_the_firmware_and_ctrl_d_starts_it_again(tmp_path: Path) -> None:
    with Bench(quiet_box(), tmp_path / "port", flash="littlefs") as bench:
        until(lambda: "boots" in bench.list_files())
        with serial.Serial(bench.url, timeout=0.1) as port:
            port.write(b"half a line\r\x03")
            seen = b""

            def read(enough: bytes) -> bool:
                nonlocal seen
                seen += port.read(4096)
                return enough in seen

            until(lambda: read(b">>> "))
            assert b"KeyboardInterrupt" in seen and b"half a line" not in seen
            port.write(b"6*7\r")
            until(lambda: read(b"42"))
            port.write(b"\x04")
            until(lambda: read(b"soft reboot"))
        until(lambda: bench.read_file("boots") == b"2")
        assert bench.faults.resets == ["soft"]


def test_a_real_prompt_echoes_what_a_host_says_to_it(tmp_path: Path) -> None:
    with (
        Bench(quiet_box(), tmp_path / "port", flash="littlefs", firmware=False, echo=True) as bench,
        serial.Serial(bench.url, timeout=0.1) as port,
    ):
        port.write(b"hello;00000000\r\n")
        seen = bytearray()
        until(lambda: seen.extend(port.read(4096)) or b"Error" in seen)
        assert b"hello;00000000" in seen


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pty")
def test_a_watchdog_that_was_started_goes_on_at_the_prompt(tmp_path: Path) -> None:
    script = tmp_path / "script.py"
    script.write_text("import machine\nmachine.WDT(timeout=2000)\n")
    with Bench(quiet_box(), tmp_path / "port", speed=50.0, script=str(script)) as bench:
        until(lambda: "watchdog" in bench.faults.resets)
