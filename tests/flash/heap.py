# ruff: noqa: B007, B905, RET503, SIM105, SIM115, UP031
# Runs under MicroPython on a plain folder, so that only the log allocates.
#
#   heap.py FOLDER fill    fills the ring; prints the bytes that a call allocates (on littlefs the file object and
#                          its buffer, some 1.2 kB, come on top)
#   heap.py FOLDER start   prints what a log holds that finds a full ring
import gc
import sys

from ampboard.log import Log
from flash import about, boot_id, number, reading


def allocated(what, *args):
    gc.collect()
    gc.disable()
    was = gc.mem_alloc()
    what(*args)
    n = gc.mem_alloc() - was
    gc.enable()
    return n


def fill(log):
    log.begin(boot_id(1), 1, about(1))
    for seq in range(9700):
        log.append(reading(1, seq))
    sizes = []
    for seq in range(9700, 9700 + 300):
        payload = reading(1, seq)
        sizes.append(allocated(log.append, payload))
    sizes.sort()
    out["append"] = sizes[len(sizes) // 2]
    out["append_most"] = sizes[-1]
    out["checkpoint"] = allocated(log.checkpoint, payload, b"x" * 64)


def start(log):
    gc.collect()
    out["held_start"] = gc.mem_alloc() - before
    out["boots"] = allocated(log.boots)
    out["page"] = allocated(list, log.read(number(boot_id(1)), 9000, 9009))
    gc.collect()
    out["held_indexed"] = gc.mem_alloc() - before
    out["records"] = log.records
    out["begin"] = allocated(log.begin, boot_id(2), 2, about(1))


out = {}
gc.collect()
before = gc.mem_alloc()
if sys.argv[2] == "fill":
    fill(Log(sys.argv[1], 1_100_000))
else:
    start(Log(sys.argv[1], 1_100_000))
print("figures", " ".join(["%s=%d" % (k, v) for k, v in out.items()]))
