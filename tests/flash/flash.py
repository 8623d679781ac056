# ruff: noqa: B007, B905, RET503, SIM105, SIM115, UP031
# Runs under MicroPython. A flash chip in memory for the real littlefs, and
# readings to log: shared by the scripts of this folder. NOR semantics: a
# program needs erased bytes and only clears bits; an erase takes one block.
import gc
import os
import struct
import sys

import vfs
from ampboard import wire

BLOCK = 4096
PAGE = 256
BLANK = b"\xff" * BLOCK


class Cut(BaseException):
    """The power went."""


class Flash:
    """`blocks` of flash; `hook(flash, block, offset, data or None)` is called before each program and each erase."""

    def __init__(self, blocks, image=None):
        self.blocks = blocks
        self.image = image or bytearray(BLANK * blocks)
        self.erased = [0] * blocks
        self.programs = 0
        self.reads = 0
        self.read_bytes = 0
        self.hook = None
        self.dead = False
        self.strict = True  # a program of bytes that are not erased ends the run

    def readblocks(self, block, buf, offset=0):
        if self.dead:
            return -5
        at = block * BLOCK + offset
        buf[:] = memoryview(self.image)[at : at + len(buf)]
        self.reads += 1
        self.read_bytes += len(buf)

    def writeblocks(self, block, buf, offset=0):
        if self.dead:  # the garbage collector closes what the cut left open, with the heap locked
            return -5
        for i in range(0, len(buf), PAGE):
            if self.dead:
                return -5
            page = bytes(memoryview(buf)[i : i + PAGE])
            at = block * BLOCK + offset + i
            if not self.strict:
                page = bytes([a & b for a, b in zip(page, self.image[at : at + PAGE])])
            elif len(page) != PAGE or at % PAGE or self.image[at : at + PAGE] != BLANK[:PAGE]:
                print("BROKEN RULE: program of", len(page), "bytes at", at, "not on erased flash")
                sys.exit(3)
            if self.hook:
                self.hook(self, block, offset + i, page)
            self.programs += 1
            self.image[at : at + PAGE] = page

    def ioctl(self, op, arg):
        if op == 4:
            return self.blocks
        if op == 5:
            return BLOCK
        if op == 6:
            if self.dead:
                return -5
            if self.hook:
                self.hook(self, arg, 0, None)
            self.erased[arg] += 1
            self.image[arg * BLOCK : (arg + 1) * BLOCK] = BLANK
        return 0

    def tear(self, block, offset, data, form, rand):
        """Leave what a cut during this operation leaves: form 0 nothing, 1 half, 2 garbage (erase: all but done)."""
        at = block * BLOCK + offset
        if form == 0:
            return
        if data is None:
            n = BLOCK // 2 if form == 1 else BLOCK - PAGE
            self.image[at : at + n] = BLANK[:n]
        elif form == 1:
            self.image[at : at + PAGE // 2] = data[: PAGE // 2]
        else:
            self.image[at : at + PAGE] = rand.bytes(PAGE)


class Random:
    """Repeatable on both word sizes (xorshift of 30 bits)."""

    def __init__(self, seed):
        self.x = (seed * 2654435761 + 12345) & 0x3FFFFFFF or 1

    def below(self, n):
        x = self.x
        x ^= (x << 11) & 0x3FFFFFFF
        x ^= x >> 7
        x ^= (x << 13) & 0x3FFFFFFF
        self.x = x
        return (x >> 3) % n

    def bytes(self, n):
        return bytes([self.below(256) for _ in range(n)])


def mkfs(flash):
    vfs.VfsLfs2.mkfs(flash, progsize=PAGE)  # as the rp2 port's _boot.py does it


def mount(flash, at="/f"):
    fs = vfs.VfsLfs2(flash, progsize=PAGE)
    vfs.mount(fs, at)
    return fs


def umount(at="/f"):
    vfs.umount(at)
    gc.collect()


def boot_id(nth):
    return struct.pack("<I", (nth * 2654435761 + 1) & 0xFFFFFFFF)


def number(boot):
    return struct.unpack("<I", boot)[0]


def reading(nth, seq, form=0):
    """The reading `seq` of boot number `nth`: every byte follows from the three numbers."""
    out = bytearray(wire.READING_SIZE)
    x = (nth * 7919 + seq * 104729 + form * 31 + 17) & 0x3FFFFFFF
    for i in range(wire.READING_SIZE):
        x = (x * 1103 + 12345) & 0xFFFFFF
        out[i] = x >> 9 & 255
    out[1:5] = boot_id(nth)
    struct.pack_into("<I", out, 5, seq)
    return bytes(out)


def anchor(nth, k):
    return struct.pack("<4sQQI", boot_id(nth), 1000 * k, 1795600000000 + 1000 * k, 40 + nth)


def about(version):
    return b'{"board":"test","version":%d,"pad":"%s"}' % (version, b"x" * (40 + version % 7 * 130))


def room(at="/f"):
    s = os.statvfs(at)
    return s[3] * s[1]
