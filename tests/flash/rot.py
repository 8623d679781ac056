# ruff: noqa: B007, B905, RET503, SIM105, SIM115, UP031
# Runs under MicroPython: content that is not what the log wrote.
#
#   rot.py rot COUNT SEED [trusting]   bits, pages and blocks of a filled flash harmed at random, COUNT times
#   rot.py faults MOST                 the filesystem's calls fail: one, three, all from there on; each of the
#                                      first MOST calls, then every eleventh
#   rot.py strange                     files where folders should be, foreign names, cut files, another version
#   rot.py full                        other files take the room
#
# "trusting" is a log that does not look at checksums: it must be found out.
import os
import struct
import sys

from ampboard import log as module
from ampboard import wire
from ampboard.log import Log
from flash import BLOCK, PAGE, Flash, Random, about, anchor, boot_id, mkfs, mount, number, reading, umount

LIMIT = 9 * BLOCK
ALL = 0xFFFFFFFF


def must(true, *what):
    if not true:
        print("FAILED", *what)
        sys.exit(1)


def fill(log, boots=4, records=90, at=0):
    """Boots `at + 1` and so on; returns what was acknowledged, by (kind, payload)."""
    kept = {}
    for nth in range(at + 1, at + boots + 1):
        log.begin(boot_id(nth), nth, about(nth // 2))
        for seq in range(records):
            payload = reading(nth, seq)
            log.append(payload)
            kept[(wire.READING, payload)] = nth
            if seq % 30 == 7:
                payload = anchor(nth, seq)
                log.anchor(payload)
                kept[(wire.ANCHOR, payload)] = nth
        payload = reading(nth, records, 1)
        log.checkpoint(payload, b"state %d" % nth)
        kept[(wire.READING, payload)] = nth
    return kept


def everything(log, boots):
    out = []
    for b in log.boots():
        must(b[0] in boots, "a boot that never was", b)
    for boot in boots:
        out += log.read(boot, 0, ALL)
    return out


def rot(count, seed):
    rand = Random(seed)
    flash = Flash(48)
    mkfs(flash)
    mount(flash)
    with open("/f/other", "wb") as f:
        f.write(b"\x5a" * 9000)
    log = Log("/f/log", LIMIT)
    kept = fill(log)
    whole = len(everything(log, [number(boot_id(n)) for n in range(1, 5)]))
    umount()
    used = [b for b in range(48) if flash.erased[b]]
    n = {"unmountable": 0, "rebuilt": 0, "damaged": 0, "whole": 0, "missing": 0, "refused": 0, "foreign": 0}
    for trial in range(count):
        copy = Flash(48, bytearray(flash.image))
        copy.strict = False  # littlefs takes harmed metadata at its word
        for _ in range(1 + rand.below(3)):
            block = used[rand.below(len(used))]
            at = block * BLOCK + rand.below(BLOCK)
            form = rand.below(6)
            if form < 3:
                copy.image[at] ^= 1 << rand.below(8)
            elif form == 3:
                at -= at % PAGE
                copy.image[at : at + PAGE] = rand.bytes(PAGE) if rand.below(2) else b"\x00" * PAGE
            elif form == 4:
                copy.image[block * BLOCK : (block + 1) * BLOCK] = b"\xff" * BLOCK
            else:
                other = used[rand.below(len(used))]  # a block in another's place
                copy.image[block * BLOCK : (block + 1) * BLOCK] = flash.image[other * BLOCK : (other + 1) * BLOCK]
        try:
            mount(copy)
        except OSError:
            n["unmountable"] += 1  # the port makes a new filesystem then
            continue
        written = dict(kept)
        boots = [number(boot_id(k)) for k in (1, 2, 3, 4, 9, 10)]
        for again in range(2):
            log = Log("/f/log", LIMIT)  # must not raise
            n["rebuilt"] += log.rebuilt != ""
            held = everything(log, boots)
            n["damaged"] += log.damaged > 0
            if not again:
                n["whole"] += len(held) == whole
                n["missing"] += max(0, whole - len(held))
            for item in held:
                n["foreign"] += item not in written
                must(item in written, "foreign", item)
            must(log.state in (b"",) or log.state in [b"state %d" % k for k in (1, 2, 3, 4, 9, 10)], "state", log.state)
            try:
                written.update(fill(log, 1, 40, 8 + again))
            except OSError as e:
                n["refused"] += 1
                must(log.trouble != "", "no word about", e)
        umount()
    print("counts trials=%d" % count, " ".join(["%s=%d" % (k, n[k]) for k in sorted(n)]))


class Faulty:
    """Stands before `os` and `open`: the calls numbered `first` to `last` fail."""

    def __init__(self, first, last, error):
        self.first = first
        self.last = last
        self.error = error
        self.calls = 0

    def call(self, what, *args):
        self.calls += 1
        if self.first <= self.calls <= self.last:
            raise OSError(self.error)
        return what(*args)

    def open(self, *args):
        return self.call(open, *args)

    def __getattr__(self, name):
        return lambda *args: self.call(getattr(os, name), *args)


def faults(most):
    flash = Flash(48)
    mkfs(flash)
    mount(flash)
    kept = fill(Log("/f/log", LIMIT))
    umount()
    tried = refused = rebuilt = 0
    for error in (5, 84, 28, 2):
        for length in (1, 3, 100000):
            first = 0
            while True:
                first += 1 if first < most else 11
                copy = Flash(48, bytearray(flash.image))
                mount(copy)
                faulty = Faulty(first, first + length - 1, error)
                module.open = faulty.open
                module.os = faulty
                log = Log("/f/log", LIMIT)  # must not raise
                new = {}
                try:
                    log.begin(boot_id(9), 9, about(3))
                    for seq in range(40):
                        payload = reading(9, seq)
                        log.append(payload)
                        new[(wire.READING, payload)] = 9
                    log.checkpoint(reading(9, 40, 1), b"state 9")
                except OSError:
                    refused += 1
                    must(log.trouble != "", "no word about it")
                boots = [number(boot_id(k)) for k in (1, 2, 3, 4, 9)]
                list(log.read(boots[0], 0, ALL))
                module.open = open
                module.os = os
                tried += 1
                known = log.rebuilt != ""
                rebuilt += known
                again = Log("/f/log", LIMIT)
                held = everything(again, boots)
                for item in held:
                    must(item in kept or item in new or item[1] == reading(9, 40, 1), "foreign", item)
                # What was acknowledged after the last rebuilding is there, whatever else went.
                missing = [i for i in new if i not in held]
                must(not missing or known or again.rebuilt, "lost", len(missing), "after", first, length, error)
                umount()
                if faulty.calls < first:
                    break
                if length == 100000 and first > 60:
                    break
    print("counts tried=%d refused=%d rebuilt=%d" % (tried, refused, rebuilt))


def strange():
    for case in range(7):
        flash = Flash(48)
        mkfs(flash)
        mount(flash)
        fill(Log("/f/log", LIMIT), 2)
        boots = [number(boot_id(k)) for k in (1, 2, 9)]
        n = len(everything(Log("/f/log", LIMIT), boots))
        s = "/f/log/%ds/" % wire.VERSION
        wanted = True  # whether there is a notice
        least = 0
        if case == 0:  # a file instead of the folder
            module._remove("/f/log")
            open("/f/log", "w").close()
        elif case == 1:  # a file instead of the segments' folder
            module._remove(s[:-1])
            open(s[:-1], "w").close()
        elif case == 2:  # files of other people
            for name in ("readme", "0000000g", "00000000", "-0000001", "ffffffffff"):
                with open(s + name, "w") as f:
                    f.write("x" * 5000)
            os.mkdir("/f/log/stuff")
            os.mkdir("/f/log/stuff/more")
            wanted = False
            least = n
        elif case == 3:  # a segment cut short
            name = sorted(os.listdir(s))[0]
            with open(s + name, "rb") as f:
                data = f.read()
            with open(s + name, "wb") as f:
                f.write(data[:-100])
            wanted = False
            least = n - 36
        elif case == 4:  # all slots and the checkpoint cut short
            for folder in os.listdir("/f/log"):
                if "p" in folder or folder.endswith("c"):
                    for name in os.listdir("/f/log/" + folder):
                        with open("/f/log/" + folder + "/" + name, "wb") as f:
                            f.write(b"\x01" * 50)
            wanted = False
            least = n - 36
        elif case == 5:  # readings of another version of the wire format
            os.rename(s[:-1], "/f/log/1s")
        else:  # a folder of slots is gone
            module._remove("/f/log/%dp2" % wire.VERSION)
            wanted = False
            least = n - 7
        log = Log("/f/log", LIMIT)
        must((log.rebuilt != "") == wanted, case, "notice", log.rebuilt)
        if case in (2, 3, 4):
            must(log.damaged > 0, case, "not counted")
        must(len(everything(log, boots)) >= least, case, len(everything(log, boots)), "of", n)
        log.begin(boot_id(9), 9, about(1))
        for seq in range(100):
            log.append(reading(9, seq))
        log = Log("/f/log", LIMIT)
        must(log.rebuilt == "", case, "again", log.rebuilt)
        must(len(list(log.read(boots[2], 0, ALL))) == 100, case, "does not go on")
        umount()
    # A reader that is under way while records come and the oldest leave.
    flash = Flash(48)
    mkfs(flash)
    mount(flash)
    log = Log("/f/log", LIMIT)
    log.begin(boot_id(1), 1, about(1))
    for every in (1, 7, 50, 100000):
        start = max(log.last_seq(number(boot_id(1))), -1) + 1
        for seq in range(start, start + 400):
            log.append(reading(1, seq))
        seen = []
        for kind, payload in log.read(number(boot_id(1)), 0, ALL):
            got = struct.unpack_from("<I", payload, 5)[0]
            must(payload == reading(1, got) and (not seen or got > seen[-1]), "read while written", every, got)
            if seen and got != seen[-1] + 1:
                oldest = struct.unpack_from("<I", next(log.read(number(boot_id(1)), 0, ALL))[1], 5)[0]
                must(got - 1 < oldest, "hole", got)
            seen.append(got)
            if len(seen) % every == 0 and len(seen) < 600:
                seq += 1
                log.append(reading(1, seq))
        # A slow writer is followed to the end.
        must(len(seen) > 200 and (every == 1 or seen[-1] >= seq - 40), "read while written", every, len(seen))
        must(log.damaged == 0 and log.trouble == "", log.damaged, log.trouble)
    umount()
    print("counts cases=8")


def full():
    flash = Flash(64)
    mkfs(flash)
    mount(flash)
    log = Log("/f/log", 40 * BLOCK)
    fill(log, 3, 200)
    before = log.records
    others = []

    def take():
        """Other files take all the room there is."""
        for size in (8 * BLOCK, BLOCK, 300):
            while True:
                name = "/f/other%d" % len(others)
                try:
                    with open(name, "wb") as f:
                        f.write(bytes(size))
                except OSError:
                    try:
                        os.remove(name)
                    except OSError:
                        pass
                    break
                others.append(name)

    take()
    log.begin(boot_id(4), 4, about(1))
    for seq in range(200):
        log.append(reading(4, seq))
        log.checkpoint(reading(4, seq + 1, 1), b"x" * 64)
    must(log.trouble == "", "trouble though there was something to give up", log.trouble)
    must(log.records < before + 200, "nothing was given up")
    must(len(list(log.read(number(boot_id(4)), 0, ALL))) == 200, "the newest were not kept")
    shrunk = log.records
    # Now everything that is given up is taken by others, again and again: the log lives on in what is left to it.
    seq = 200
    for _ in range(12):
        take()
        for _ in range(40):
            log.append(reading(4, seq))
            seq += 1
    must(log.records < 80, "others took nothing", log.records)
    held = list(log.read(number(boot_id(4)), 0, ALL))
    must(len(held) >= 35 and held[-1][1] == reading(4, seq - 1), "the newest were not kept", len(held))
    umount()
    mount(flash)
    log = Log("/f/log", 40 * BLOCK)
    must(log.rebuilt == "", log.rebuilt)
    last = log.last_seq(number(boot_id(4)))
    must(last == seq - 1, "the last one acknowledged is", seq - 1, "not", last)
    for name in others:
        os.remove(name)
    log.begin(boot_id(5), 5, about(1))
    for seq in range(100):
        log.append(reading(5, seq))
    must(log.trouble == "", log.trouble)
    must(len(list(log.read(number(boot_id(5)), 0, ALL))) == 100, "does not go on")
    umount()
    # No room from the very start.
    flash = Flash(24)
    mkfs(flash)
    mount(flash)
    take()
    log = Log("/f/log", LIMIT)
    log.begin(boot_id(1), 1, about(1))
    try:
        log.append(reading(1, 0))
        must(False, "acknowledged without room")
    except OSError:
        must("room" in log.trouble, log.trouble)
    for i in range(len(others)):
        try:
            os.remove("/f/other%d" % i)
        except OSError:
            pass
    log.append(reading(1, 0))
    must(log.trouble == "" and len(log.boots()) == 1, log.trouble, log.boots())
    umount()
    print("counts before=%d after=%d least=%d" % (before, shrunk, len(held)))


args = sys.argv[1:]
if args[-1] == "trusting":
    module._sum = lambda data, start: 0  # stored as 0, too
if args[0] == "rot":
    rot(int(args[1]), int(args[2]))
elif args[0] == "faults":
    faults(int(args[1]))
elif args[0] == "strange":
    strange()
else:
    full()
