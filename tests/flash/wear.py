# ruff: noqa: B007, B905, RET503, SIM105, SIM115, UP031
# Runs under MicroPython: what the log costs on a flash of 344 blocks.
#
#   wear.py SECONDS RECORD_S CHECKPOINTS [BLOCKS]
#                                          so many seconds of records every RECORD_S, CHECKPOINTS 1 a second or 0,
#                                          after the ring was filled
#
# Prints one line of "name=value". The rest of the flash holds 32 files of 4 kB,
# as the firmware does.
import gc
import sys

from ampboard.log import Log
from flash import BLOCK, Flash, about, boot_id, mkfs, mount, number, reading, umount

seconds, record_s, checkpoints = [int(a) for a in sys.argv[1:4]]
verbose = len(sys.argv) > 4
BLOCKS = int(sys.argv[4]) if verbose else 344
LIMIT = 1_100_000 - (344 - BLOCKS) * BLOCK

flash = Flash(BLOCKS)
mkfs(flash)
mount(flash)
for i in range(32):
    with open("/f/lib%d" % i, "wb") as f:
        f.write(bytes(BLOCK))

gc.collect()
free = gc.mem_alloc()
log = Log("/f/log", LIMIT)
gc.collect()
out = {"held_empty": gc.mem_alloc() - free}
log.begin(boot_id(1), 1, about(1))
seq = 0


def append():
    global seq
    log.append(reading(1, seq))
    seq += 1


for _ in range(LIMIT // BLOCK * 35 + 300):
    append()

# A start with a full ring.
umount()
log = None
mount(flash)
gc.collect()
before = gc.mem_alloc()
reads, programs = flash.read_bytes, flash.programs
log = Log("/f/log", LIMIT)
out["start_read"] = flash.read_bytes - reads
out["start_programs"] = flash.programs - programs
if log.rebuilt or log.damaged or log.last_seq(number(boot_id(1))) != seq - 1:
    print("FAILED", log.rebuilt, log.damaged)
    sys.exit(1)
reads = flash.read_bytes
log.begin(boot_id(1), 2, about(1))
out["begin_read"] = flash.read_bytes - reads
reads = flash.read_bytes
boots = log.boots()
out["boots_read"] = flash.read_bytes - reads
gc.collect()
out["held_full"] = gc.mem_alloc() - before
reads = flash.read_bytes
last = None
for _, last in log.read(number(boot_id(1)), seq - 100, seq - 51):
    pass
out["page_read"] = flash.read_bytes - reads
out["records"] = log.records
out["bytes_per_record_x100"] = log.bytes_used() * 100 // log.records


# The long run: what one operation costs, and where.
start = flash.erased[:]
programs = flash.programs
reads = flash.read_bytes
least = log.records
for s in range(seconds):
    if verbose and s % (seconds // 8) == seconds // 8 - 1:
        now = sorted([b - a for a, b in zip(start, flash.erased)])
        print("# after", s + 1, "s: erases", sum(now), "most", now[-6:], "never", now.count(0))
    if checkpoints:
        log.checkpoint(reading(1, seq, 1), b"x" * 64)
    if s % record_s == record_s - 1:
        append()
        least = min(least, log.records)
erased = [b - a for a, b in zip(start, flash.erased)]
total = sum(erased)
out["seconds"] = seconds
out["erases"] = total
out["programs"] = flash.programs - programs
out["read_per_s"] = (flash.read_bytes - reads) // seconds
out["least_records"] = least
out["most_erased"] = max(erased)
out["mean_erased_x100"] = total * 100 // BLOCKS
out["used_blocks"] = sum([e > 0 for e in erased])
top = sorted(erased)
out["p99"] = top[-4]
if log.trouble or log.damaged:
    print("FAILED", log.trouble, log.damaged)
    sys.exit(1)
print("figures", " ".join(["%s=%d" % (k, v) for k, v in out.items()]))
