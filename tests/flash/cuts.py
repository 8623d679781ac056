# ruff: noqa: B007, B905, RET503, SIM105, SIM115, UP031
# Runs under MicroPython: power cuts at every program and every erase.
#
#   cuts.py every STEPS QUIET NESTED [VARIANT]   each operation, each torn form, from QUIET steps after the first few
#                                                on; every NESTED-th cut is followed by cuts during the recovery
#   cuts.py boots COUNT SEED [VARIANT]           one flash, COUNT boots, each ended by a cut at random
#
# VARIANT "hasty" is a log that acknowledges before its file is closed, "eager"
# one that gives up too much: both must be found out. Prints counts, or FAILED.
import struct
import sys

import vfs
from ampboard import log as module
from ampboard import wire
from ampboard.log import Log
from flash import BLOCK, Cut, Flash, Random, about, anchor, boot_id, mkfs, mount, number, reading, umount

BLOCKS = 48  # of the flash
RING = 5  # of the log
PER = 2  # of a segment, as Log chooses for so small a ring
LIMIT = RING * BLOCK
ALL = 0xFFFFFFFF

counts = {"cuts": 0, "torn": 0, "erases": 0, "nested": 0, "boots": 0, "records": 0, "lost": 0}


def fail(*what):
    print("FAILED", *what)
    sys.exit(1)


class Truth:
    """What the log has acknowledged, and what is under way."""

    def __init__(self):
        self.items = []  # (kind, nth, payload) in order
        self.flying = []
        self.checkpoint = None  # (nth, seq)
        self.flying_checkpoint = None
        self.abouts = {}
        self.nth = 0

    def copy(self):
        t = Truth()
        t.items = self.items[:]
        t.flying = self.flying[:]
        t.checkpoint = self.checkpoint
        t.flying_checkpoint = self.flying_checkpoint
        t.abouts = self.abouts.copy()
        t.nth = self.nth
        return t

    def last(self, nth):
        seq = -1
        for kind, n, payload in self.items:
            if n == nth and kind == wire.READING:
                seq = struct.unpack_from("<I", payload, 5)[0]
        return seq


def state(checkpoint):
    return struct.pack("<II", *checkpoint) + b"held" if checkpoint else b""


def check(log, truth):
    """Everything that must hold of a log after a start; afterwards `truth` is what it holds."""
    if log.rebuilt or log.damaged or log.trouble:
        fail("not a clean start:", log.rebuilt, log.damaged, log.trouble)
    full = truth.items + truth.flying
    held = []
    nths = []
    for _, nth, _ in full:
        if nth not in nths:
            nths.append(nth)
    for nth in nths:
        for kind, payload in log.read(number(boot_id(nth)), 0, ALL):
            held.append((kind, nth, payload))
    start = len(truth.items)
    if held:
        if held[0] not in full:
            fail("a record that was never written", held[0])
        start = full.index(held[0])
    if held != full[start : start + len(held)]:
        fail("not what was written, from", start, "of", len(full), "held", len(held))
    if start + len(held) < len(truth.items) or (truth.items and not held):
        counts["lost"] += len(truth.items) - start - len(held)
        fail("lost", counts["lost"], "acknowledged")
    if start and log.bytes_used() < (RING - PER) * BLOCK:
        fail("overtaken with room left", log.bytes_used(), "first", start, "of", len(full), "held", len(held))
    if log.bytes_used() > LIMIT:
        fail("more room taken than allowed", log.bytes_used())
    boots = []
    for kind, nth, payload in held:
        if kind == wire.READING:
            seq = struct.unpack_from("<I", payload, 5)[0]
            if boots and boots[-1][1] == nth:
                boots[-1][3] = seq
            else:
                boots.append([number(boot_id(nth)), nth, seq, seq])
    listed = log.boots()
    if [list(b[:4]) for b in listed] != boots:
        fail("boots", listed, boots)
    for b in listed:
        if log.about(b[4]) != truth.abouts[b[1]]:
            fail("description of boot", b, log.about(b[4]))
    if log.records != sum([k == wire.READING for k, _, _ in held]):
        fail("records", log.records)
    for checkpoint in (truth.checkpoint, truth.flying_checkpoint):
        if log.state == state(checkpoint):
            truth.checkpoint = checkpoint
            break
    else:
        fail("checkpoint", log.state, truth.checkpoint, truth.flying_checkpoint)
    truth.items = held
    truth.flying = []
    truth.flying_checkpoint = None
    counts["records"] += len(held)


class Board:
    """A log and what it must hold; `after` is called behind every operation."""

    def __init__(self, truth, after=None, flash=None):
        self.truth = truth
        self.flash = flash
        self.after = after or (lambda doing: None)
        self.segs = []

    def start(self):
        self.log = Log("/f/log", LIMIT)
        counts["boots"] += 1
        self.after("start")
        check(self.log, self.truth)

    def begin(self, version):
        t = self.truth
        t.nth += 1
        self.seq = 0
        t.abouts[t.nth] = about(version)
        c = t.checkpoint
        if c and c[1] > t.last(c[0]):
            t.flying = [(wire.READING, c[0], reading(c[0], c[1], 1))]
        if self.log.begin(boot_id(t.nth), t.nth, about(version)) != t.nth:
            fail("another nth")
        self.landed("begin")

    def landed(self, doing):
        if self.flash and self.flash.dead:
            raise Cut  # begin() keeps an error to itself
        if self.log.trouble:
            fail("trouble:", self.log.trouble)
        self.after(doing)
        t = self.truth
        t.items += t.flying
        t.flying = []
        t.checkpoint = t.flying_checkpoint or t.checkpoint
        t.flying_checkpoint = None

    def append(self):
        t = self.truth
        t.flying = [(wire.READING, t.nth, reading(t.nth, self.seq))]
        self.log.append(t.flying[0][2])
        self.seq += 1
        self.landed("append")

    def anchor(self):
        t = self.truth
        t.flying = [(wire.ANCHOR, t.nth, anchor(t.nth, self.seq))]
        self.log.anchor(t.flying[0][2])
        self.landed("anchor")

    def checkpoint(self):
        t = self.truth
        t.flying_checkpoint = (t.nth, self.seq)
        self.log.checkpoint(reading(t.nth, self.seq, 1), state(t.flying_checkpoint))
        self.landed("checkpoint")


def go_on(flash, truth):
    """After a cut: mount, check, log on, mount again, check again."""
    mount(flash)
    board = Board(truth)
    board.start()
    board.begin(truth.nth // 3)
    board.checkpoint()
    board.append()
    board.anchor()
    umount()
    mount(flash)
    board.start()
    umount()


def every(steps, quiet, nested):
    flash = Flash(BLOCKS)
    mkfs(flash)
    mount(flash)
    rand = Random(1)
    caught = []

    def hook(flash, block, offset, data):
        for form in range(3):
            copy = Flash(BLOCKS, bytearray(flash.image))
            copy.tear(block, offset, data, form, rand)
            caught.append(copy)
            counts["torn" if form else "cuts"] += 1
            counts["erases"] += data is None

    truth = Truth()

    def after(doing):
        segs = [s[:2] for s in board.log._segs]
        if segs != board.segs:
            doing = "overtaking" if board.segs and segs[0][0] != board.segs[0][0] else "chunk"
        board.segs = segs
        counts["in_" + doing] = counts.get("in_" + doing, 0) + len(caught)
        umount()
        for copy in caught:
            counts["nested"] += 1
            if nested and counts["nested"] % nested == 0:
                cut_recovery(copy, truth.copy(), rand)
            go_on(copy, truth.copy())
        caught.clear()
        vfs.mount(fs[0], "/f")  # the very same one: it keeps the state of littlefs

    umount()
    fs = [vfs.VfsLfs2(flash, progsize=256)]
    vfs.mount(fs[0], "/f")
    flash.hook = hook
    board = Board(truth, after)
    board.start()
    board.begin(0)
    for i in range(steps):
        flash.hook = hook if i < 8 or i >= 8 + quiet else None
        if i % 61 == 60:  # the board starts again
            umount()
            fs[0] = vfs.VfsLfs2(flash, progsize=256)
            vfs.mount(fs[0], "/f")
            board.start()
            board.begin(i // 122)
        board.append()
        if i % 3 == 1:
            board.checkpoint()
        if i % 17 == 5:
            board.anchor()
    umount()


def cut_recovery(flash, truth, rand):
    """The power goes again while the log is being brought up: every operation of that, each form."""
    caught = []

    def hook(flash, block, offset, data):
        for form in range(3):
            copy = Flash(BLOCKS, bytearray(flash.image))
            copy.tear(block, offset, data, form, rand)
            caught.append((copy, truth.copy()))

    first = Flash(BLOCKS, bytearray(flash.image))
    mount(first)
    first.hook = hook
    board = Board(truth)
    board.start()
    board.begin(7)
    board.append()
    umount()
    for copy, then in caught:
        then.nth += 1
        counts["second"] = counts.get("second", 0) + 1
        go_on(copy, then)


def boots(count, seed):
    rand = Random(seed)
    truth = Truth()
    image = Flash(BLOCKS)
    mkfs(image)
    for n in range(count):
        flash = Flash(BLOCKS, image.image)
        # Now and then so soon that not even the start is done, now and then after several chunks.
        left = [rand.below((8, 60, 400, 60)[n % 4])]

        def hook(flash, block, offset, data, left=left):
            if left[0]:
                left[0] -= 1
                return
            form = rand.below(3)
            flash.tear(block, offset, data, form, rand)
            counts["torn" if form else "cuts"] += 1
            counts["erases"] += data is None
            flash.dead = True
            raise Cut

        flash.hook = hook
        board = Board(truth, flash=flash)
        try:
            mount(flash)
            board.start()
            board.begin(n // 40)
            while True:
                board.checkpoint()
                if rand.below(40) == 0:
                    board.anchor()
                board.append()
        except (Cut, OSError):
            # Closing a file on the dead chip raises OSError over the Cut.
            if not flash.dead:
                raise
        try:
            umount()
        except OSError:
            pass
    flash = Flash(BLOCKS, image.image)
    mount(flash)
    Board(truth).start()


class Lazy:
    """A file that is closed when the next one is opened."""

    last = []

    def __init__(self, f):
        self.f = f

    def __enter__(self):
        return self.f

    def __exit__(self, *_):
        Lazy.last.append(self.f)


def hasty_open(*args):
    while Lazy.last:
        try:
            Lazy.last.pop().close()
        except OSError:
            pass
    f = open(*args)
    return f if args[1] == "rb" or args[0].endswith("/c") else Lazy(f)


def eager_spill(log, spill=Log._spill):
    if len(log._segs) > 1:
        log._drop()
    spill(log)


args = sys.argv[1:]
if args[-1] == "hasty":
    module.open = hasty_open
elif args[-1] == "eager":
    Log._spill = eager_spill
if args[0] == "every":
    every(int(args[1]), int(args[2]), int(args[3]))
else:
    boots(int(args[1]), int(args[2]))
print("counts", " ".join(["%s=%d" % (k, counts[k]) for k in sorted(counts)]))
