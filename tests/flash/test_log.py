"""
The unattended log under the real interpreter and the real littlefs, on a flash in memory.

Scripts of this folder run under MicroPython and print counts. AMPLEDGER_CUTS=10 makes the power-cut tests about ten
times as long.

WEAR, measured with `wear.py` on 344 blocks of which 32 hold other files (littlefs of MicroPython 1.29, progsize 256):
an append costs 0.108 erases and 1.7 programs (0.083 of its slot, 0.029 of its share of a chunk), a checkpoint 0.063 and
1.08. That is 0.073 a second for 10 s records with 1 Hz checkpoints: 13 years until 308 blocks have seen 100 000 erases
each, if they share them evenly; 9 years for 1 Hz records, 5.7 with 1 Hz checkpoints beside them. littlefs moves a pair
of blocks after 100 erases each, so wear comes in lots of 100: after 2.3 days at 1 Hz the most worn block had 5 times
the mean, after 6.6 hours 13 times, as lots thrown at random would have; after years that ratio is near 1.1. Blocks
that hold files which never change (the firmware) take no part.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from common import LONG, TOP

HERE = Path(__file__).resolve().parent
TIMES = int(os.environ.get("AMPLEDGER_CUTS", "2" if LONG else "1"))


@pytest.fixture(scope="module")
def lib(tmp_path_factory: pytest.TempPathFactory, micropython: None) -> Path:
    """The two modules that the log needs, as they lie on a board."""
    folder = tmp_path_factory.mktemp("flash")
    (folder / "ampboard").mkdir()
    for name in ("__init__.py", "log.py"):
        (folder / "ampboard" / name).write_bytes((TOP / "firmware" / "ampboard" / name).read_bytes())
    (folder / "ampboard" / "wire.py").write_bytes((TOP / "host" / "ampledger" / "wire.py").read_bytes())
    return folder


def script(lib: Path, name: str, *arguments: object, heap: str = "128M") -> tuple[int, str, dict[str, int]]:
    """Run a script; returns its exit code, its last line and what it counted."""
    start = "import sys; from micropython_unix import main; sys.exit(main())"
    command = [sys.executable, "-c", start, "-X", f"heapsize={heap}", str(HERE / name), *map(str, arguments)]
    done = subprocess.run(
        command,
        capture_output=True,
        text=True,
        timeout=300 * TIMES,
        check=False,
        env={**os.environ, "MICROPYPATH": str(lib)},
    )
    # The collector closes what a cut left open, and says that it could not: these lines are no finding.
    lines = [line for line in (done.stdout + done.stderr).splitlines() if line != "OSError: [Errno 5] EIO"]
    last = lines[-1] if lines else ""
    print(name, *arguments, "->", last)
    counts = dict(pair.split("=") for pair in last.split()[1:] if "=" in pair) if done.returncode == 0 else {}
    return done.returncode, "\n".join(lines[-5:]), {k: int(v) for k, v in counts.items()}


@pytest.mark.slow
def test_a_cut_at_every_program_and_erase_loses_nothing(lib: Path) -> None:
    code, said, n = script(lib, "cuts.py", "every", 205 + 40 * (TIMES - 1), 150, 150)
    assert code == 0, said
    assert n["lost"] == 0 and n["torn"] == 2 * n["cuts"], said
    for doing in ("start", "begin", "append", "anchor", "checkpoint", "chunk", "overtaking"):
        assert n["in_" + doing] > 0, f"no cut in {doing}: {said}"
    assert n["cuts"] > 150 and n["erases"] > 30 and n["second"] > 100, said


@pytest.mark.slow
def test_hundreds_of_boots_in_a_row_each_ended_by_a_cut(lib: Path) -> None:
    code, said, n = script(lib, "cuts.py", "boots", 500 * TIMES, 1)
    assert code == 0, said
    assert n["lost"] == 0 and n["cuts"] + n["torn"] == 500 * TIMES, said
    assert n["torn"] > 250 * TIMES and n["erases"] > 25 * TIMES, said


@pytest.mark.parametrize("how", [("every", 200, 190, 0), ("boots", 60, 1)], ids=["every", "boots"])
def test_a_log_that_acknowledges_before_the_file_is_closed_is_found_out(lib: Path, how: tuple[object, ...]) -> None:
    code, said, _ = script(lib, "cuts.py", *how, "hasty")
    assert code == 1 and "FAILED lost" in said, said


@pytest.mark.slow
def test_a_log_that_gives_up_too_much_is_found_out(lib: Path) -> None:
    code, said, _ = script(lib, "cuts.py", "boots", 200, 1, "eager")
    assert code == 1 and "FAILED overtaken with room left" in said, said


@pytest.mark.slow
def test_harmed_flash_gives_no_foreign_record_and_no_exception(lib: Path) -> None:
    code, said, n = script(lib, "rot.py", "rot", 100 * TIMES, 1)
    assert code == 0, said
    assert n["foreign"] == 0 and n["damaged"] > 30 and n["missing"] > 100, said


def test_a_log_that_trusts_its_bytes_is_found_out(lib: Path) -> None:
    code, said, _ = script(lib, "rot.py", "rot", 100, 1, "trusting")
    assert code == 1 and "FAILED foreign" in said, said


@pytest.mark.slow
def test_every_call_of_the_filesystem_may_fail(lib: Path) -> None:
    code, said, n = script(lib, "rot.py", "faults", 20 * TIMES)
    assert code == 0, said
    assert n["tried"] > 300 and n["refused"] > 50 and n["rebuilt"] > 50, said


@pytest.mark.parametrize("what", ["strange", "full"])
def test_strange_files_and_a_full_flash(lib: Path, what: str) -> None:
    code, said, n = script(lib, "rot.py", what)
    assert code == 0 and n, said


@pytest.mark.slow
@pytest.mark.parametrize(
    "record_s, checkpoints, most_erases_s, least_years",
    # The bounds are FROZEN figures of this very test, rounded to the worse side.
    [(10, 1, 0.078, 12.0), (1, 0, 0.115, 8.5)],
    ids=["10-s-records-and-checkpoints", "1-s-records"],
)
def test_wear_and_what_a_start_reads(
    lib: Path, record_s: int, checkpoints: int, most_erases_s: float, least_years: float
) -> None:
    code, said, n = script(lib, "wear.py", 8000, record_s, checkpoints)
    assert code == 0, said
    erases_s = n["erases"] / n["seconds"]
    assert erases_s < most_erases_s, said
    # WORKED: blocks x endurance / (erases a second x seconds of a year); 308 = 344 blocks less 36 that never change.
    assert 308 * 100_000 / (erases_s * 365.25 * 86400) > least_years, said
    # No block takes more than the lot after which littlefs moves, but for chance meetings.
    assert n["most_erased"] <= 320, said
    # WORKED: 35 records of 116 bytes in a block of 4096; the ring is 268 blocks and at its least one segment short.
    assert n["least_records"] >= (268 - 8) * 35
    assert n["bytes_per_record_x100"] < 11800
    # Well under a second at 1 MB/s, and a start with nothing to do writes nothing.
    assert n["start_read"] < 400_000 and n["start_programs"] == 0
    assert n["begin_read"] < 150_000 and n["boots_read"] < 700_000 and n["page_read"] < 100_000
    # Bytes held on the 64-bit build, where a word is twice that of the board.
    assert n["held_full"] < 14_000


def test_heap(lib: Path, tmp_path: Path) -> None:
    # All of it in 400 kB on the 64-bit build, about twice what the board has in words of half the size.
    code, said, n = script(lib, "heap.py", tmp_path / "log", "fill", heap="400k")
    assert code == 0, said
    assert n["append"] < 1000 and n["append_most"] < 5000 and n["checkpoint"] < 1000, said
    code, said, n = script(lib, "heap.py", tmp_path / "log", "start", heap="400k")
    assert code == 0 and n["records"] > 9100, said
    assert 5000 < n["held_start"] < 10_000 and n["held_indexed"] < 16_000, said


def test_on_a_plain_folder_under_cpython(tmp_path: Path) -> None:
    from ampboard import wire
    from ampboard.log import Log

    def reading(boot: bytes, seq: int) -> bytes:
        return b"\x01" + boot + seq.to_bytes(4, "little") + bytes(range(wire.READING_SIZE - 9))

    folder = str(tmp_path / "log")
    log = Log(folder, 80_000)
    one, two = b"\x11\x22\x33\x44", b"\x55\x66\x77\x88"
    assert log.begin(one, 7, b'{"board":"x"}') == 7
    for seq in range(100):
        log.append(reading(one, seq))
    log.anchor(one + bytes(20))
    log.checkpoint(reading(one, 100), b"held")

    log = Log(folder, 80_000)
    assert (log.rebuilt, log.damaged, log.trouble, log.state, log.records) == ("", 0, "", b"held", 100)
    assert log.begin(two, 3, b'{"board":"y"}') == 8, "numbers only grow"
    log.append(reading(two, 5))
    first, second = log.boots()
    assert first[:4] == (int.from_bytes(one, "little"), 7, 0, 100), "the checkpoint is the last record"
    assert second[:4] == (int.from_bytes(two, "little"), 8, 5, 5)
    assert log.boots(7) == [second]
    assert (log.about(first[4]), log.about(second[4])) == (b'{"board":"x"}', b'{"board":"y"}')
    assert log.about("00000000") is None and log.about("../2c/c") is None
    got = list(log.read(first[0], 30, 31))
    assert got == [
        (wire.READING, reading(one, 30)),
        (wire.READING, reading(one, 31)),
        (wire.ANCHOR, one + bytes(20)),
    ]
    assert log.last_seq(first[0]) == 100 and log.last_seq(second[0]) == 5 and log.last_seq(1) == -1

    # The oldest leave, a generator that is under way goes on, and what described them goes with the last of them.
    running = log.read(first[0], 0, 1000)
    assert next(running) == (wire.READING, reading(one, 0))
    for seq in range(6, 1000):
        log.append(reading(two, seq))
    assert all(payload[1:5] == one or kind == wire.ANCHOR for kind, payload in running)
    assert log.bytes_used() <= 80_000 and log.records > 450
    assert [b[0] for b in log.boots()] == [second[0]] and log.about(first[4]) is None
    assert [p for _, p in log.read(second[0], 990, 2000)] == [reading(two, s) for s in range(990, 1000)]
    with pytest.raises(ValueError, match="item of 3 bytes"):
        log.append(b"abc")
    with pytest.raises(ValueError, match="checkpoint of 111 and 65 bytes"):
        log.checkpoint(reading(two, 1), bytes(65))
