# The unattended log on the board's flash. In: payloads of readings and
# anchors, a checkpoint once a second, what the board is. Out: the same again,
# by boot and sequence number. Nothing leaves because a host fetched it; the
# oldest leave when the room is needed.
#
# What lies in the folder (N is the version of the wire format):
#   Ns/00000012   segments: up to 8 chunks of one flash block each
#   Np0 .. Np4    7 slots each, one item per slot: the items since the last chunk
#   Nc/c          the checkpoint
#   d/1a2b3c4d    descriptions of the board, by the CRC-32 of their text
# littlefs replaces a file smaller than 512 bytes by one program of 256 bytes
# in the folder's own pair of blocks: that is a slot and the checkpoint. What
# is appended to a larger file costs an erase, so chunks are as large as a
# block and end where the block does (blocks of a file begin with pointers).
#
# Chunk: serial u32 | nth u24 | readings u7, anchors u1 | boot 4 | about u32 |
# seq u32 | crc u32; the first of a segment also: readings before u32 | chunks
# of the segment before that hold anchors u32 | crc u32. Boot, nth and seq (the
# next one expected) are as they stood before the chunk's first item. Item:
# kind u8 | payload | crc u32 over both, begun with the item's serial number, so
# that an item in a wrong place is none.
#
# Wear, start and heap are measured in tests/flash; figures: test_log.py there.
import os
import struct
from binascii import crc32

from micropython import const

from ampboard import wire

# Kinds of items beside wire.READING and wire.ANCHOR.
_START = const(0x53)  # boot 4 | nth u32 | about u32: what follows is of this boot
_VOID = const(0x56)  # empty: an item whose slot was damaged

_ENOENT = const(2)
_ENOSPC = const(28)

_BLOCK = const(4096)
# Where the chunks of a segment begin: block i of a littlefs file starts with the pointers of its skip list.
_AT = (0, 4096, 8188, 12276, 16368, 20452, 24544, 28632, 32724)
_HEAD = const(24)
_FIRST = const(12)  # more head in the first chunk of a segment
_ITEM = wire.READING_SIZE + 5  # the largest item
_ROOM = 35 * _ITEM  # bytes for items in a chunk
_SLOTS = const(35)
_PER = const(7)  # slots of one folder: they share a pair of blocks
_STATE = const(64)
_SEED = wire.VERSION << 8 | wire.READING_SIZE


def _size(kind):
    if kind == wire.READING:
        return wire.READING_SIZE
    if kind == wire.ANCHOR:
        return wire.ANCHOR_SIZE
    return 12 if kind == _START else 0


def _sum(data, start):
    return crc32(data, start) & 0xFFFFFFFF


def _boot_of(kind, payload):
    return struct.unpack_from("<I", payload, 1 if kind == wire.READING else 0)[0]


def _seq_of(payload):
    return struct.unpack_from("<I", payload, 5)[0]


def _list(path):
    """(name, size) of all that is in a folder."""
    if hasattr(os, "ilistdir"):
        return [(e[0], e[3] if len(e) > 3 else os.stat(path + "/" + e[0])[6]) for e in os.ilistdir(path)]
    return [(name, os.stat(path + "/" + name)[6]) for name in os.listdir(path)]


def _remove(path, deep=3):
    """Remove a file or a folder as far as that is possible; returns whether it is gone."""
    try:
        os.remove(path)
        return True
    except Exception:
        pass
    if deep:
        try:
            for name in os.listdir(path):
                _remove(path + "/" + name, deep - 1)
        except Exception:
            pass
    try:
        os.rmdir(path)
        return True
    except Exception:
        return False


class Log:
    def __init__(self, folder="log", limit=1_100_000):
        """
        Finds what is on the flash; never raises, whatever the filesystem does.

        `rebuilt` is a sentence when something had to be given up, else "";
        `damaged` counts what did not pass its checksum and was left out;
        `trouble` says why the last write failed, "" once one has succeeded;
        `state` is that of the newest checkpoint, b"" without one.
        """
        self.rebuilt = ""
        self.damaged = 0
        self.trouble = ""
        self.state = b""
        self._name = folder
        self._blocks = max(limit // _BLOCK, 4)
        self._per = max(2, min(8, self._blocks // 4))  # chunks of a segment
        self._buf = bytearray(_HEAD + _FIRST + _ROOM)
        self._one = bytearray(4 + _ITEM)
        self._begun = None
        self._open()

    # --- finding what is there ---

    def _open(self):
        """(Re)build the index; on failure try a folder of another name; never raises."""
        for i in range(4):
            self._folder = self._name + (str(i) if i else "")
            self._segs = []  # [number, chunks, head or None when not read yet or () when unreadable, anchor bits]
            self._next = 1  # number of the next segment
            self._full = False  # nothing more may be appended to the newest segment
            self._met = set()  # serials counted as damaged
            self._base = 0  # serial of the first item in memory
            self._n = 0  # items in memory
            self._used = 0  # their bytes
            # boot, nth, about, seq as they stand before the first item in memory, and now
            self._from = self._now = (0, 0, 0, 0)
            self._count = 0  # readings ever
            self._readings = 0  # in memory
            self._anchors = 0
            self._cp = None
            try:
                self._load()
                return
            except Exception as e:
                if e.args and e.args[0] == _ENOSPC:
                    self.rebuilt = "no room is left on the flash."
                    break
                self._notice("could not be read (%r)" % e)
        self._folder = None
        self.trouble = "Nothing can be logged: " + self.rebuilt

    def _notice(self, what):
        self.rebuilt = "The log %s %s; it was begun anew." % (self._folder, what)

    def _folder_at(self, path):
        """What is in a folder of ours; makes it, and takes one that can't be read out of the way."""
        for _ in range(2):  # nothing is given up for an error that does not come again
            try:
                return _list(path)
            except OSError as e:
                if e.args[0] == _ENOENT:
                    os.mkdir(path)
                    return []
                why = e
        self._notice("could not be read (%s: %r)" % (path, why))
        if not _remove(path):
            for i in range(100):
                aside = "%s.bad%d" % (path, i)
                try:
                    os.stat(aside)
                except OSError:
                    os.rename(path, aside)
                    break
        os.mkdir(path)
        return []

    def _path(self, kind):
        return "%s/%d%s" % (self._folder, wire.VERSION, kind)

    def _load(self):
        folder = self._folder
        here = [e[0] for e in self._folder_at(folder)]
        ours = ["%d%s" % (wire.VERSION, k) for k in ("s", "c", "p0", "p1", "p2", "p3", "p4")]
        ours.append("d")
        for name in here:
            if name not in ours and _remove(folder + "/" + name) and name.endswith("s"):
                self._notice("held readings of another firmware")
        for name, size in self._folder_at(self._path("s")):
            self._found(name, size)
        self._segs.sort(key=lambda s: s[0])
        if self._segs:
            self._next = self._segs[-1][0] + 1
        for name in ours[1:]:
            while name not in here:
                try:
                    os.mkdir(folder + "/" + name)
                    break
                except OSError as e:
                    if e.args[0] != _ENOSPC or not self._drop():
                        raise
        self._tail()
        self._slots()
        self._checkpoint()

    def _found(self, name, size):
        """Take in one file of the segments' folder."""
        try:
            number = int(name, 16)
        except ValueError:
            number = 0
        chunks = 0
        while chunks < 8 and _AT[chunks + 1] <= size:
            chunks += 1
        if number and chunks and len(name) == 8:
            self._segs.append([number, chunks, None, -1])
            if size != _AT[chunks]:
                self.damaged += 1
                self._segs[-1][1] = -chunks  # see _tail()
        else:
            if size:  # an empty file is what a power cut leaves of a new segment
                self.damaged += 1
            _remove(self._path("s") + "/" + name)

    def _tail(self):
        """Where the newest chunk ends."""
        segs = self._segs
        self._full = bool(segs) and segs[-1][1] < 0
        for s in segs:
            s[1] = abs(s[1])
        for i in range(len(segs) - 1, -1, -1):
            heads = self._heads(i)
            if None in heads:
                self._full = True
            for at in range(len(heads) - 1, -1, -1):
                if heads[at] is None:
                    continue
                serial, now = self._follow(i, at, heads[at])
                self._base = serial
                self._from = self._now = now
                self._count = self._head(i)[5]
                for h in heads:
                    self._count += h[5] if h else 0
                return
            # Not one chunk of it can be read: it is of no use any more.
            _remove(self._file(i))
            del segs[i]
            self._full = False

    def _follow(self, i, at, head):
        """Serial and (boot, nth, about, seq) behind a chunk."""
        now = (head[2], head[1], head[3], head[4])
        serial = head[0]
        for kind, payload, serial in self._chunk(i, at, head):
            now = self._after(now, kind, payload)
            serial += 1
        return serial, now

    def _after(self, now, kind, payload):
        """(boot, nth, about, seq) behind an item."""
        if kind == _START:
            boot, nth, about = struct.unpack("<III", payload)
            return (boot, nth, about, 0)
        if kind == wire.READING:
            boot = _boot_of(kind, payload)
            if boot != now[0]:  # its start was lost
                return (boot, now[1] + 1, now[2], _seq_of(payload) + 1)
            return (boot, now[1], now[2], _seq_of(payload) + 1)
        return now

    def _slots(self):
        """Bring the items since the newest chunk back into memory."""
        found = []
        for k in range(_SLOTS):
            serial = self._base + k
            try:
                data = self._slot(serial % _SLOTS)
            except OSError as e:
                if e.args[0] != _ENOENT:
                    self.damaged += 1
                    path = self._path("p%d" % (serial % _SLOTS // _PER))
                    self._folder_at(path)  # if the folder is the reason, it is replaced
                continue
            if data is None:
                self.damaged += 1
                continue
            if struct.unpack_from("<I", data)[0] < self._base:
                break  # of a round before
            found.append((struct.unpack_from("<I", data)[0], data))
        if not found:
            return
        found.sort(key=lambda e: e[0])
        newest = found[-1][0]
        found = [e for e in found if e[0] > newest - _SLOTS]
        self._base = found[0][0]
        for serial, data in found:
            while self._base + self._n < serial:
                self._keep(_VOID, b"")
            self._keep(data[4], memoryview(data)[5:-4])

    def _slot(self, i):
        """Bytes of slot `i`, or None when they are damaged."""
        with open(self._slot_file(i), "rb") as f:
            data = f.read(4 + _ITEM + 1)
        if not data:
            raise OSError(_ENOENT)  # what a power cut leaves of a new file
        if len(data) < 9 or len(data) != 9 + _size(data[4]):
            return None
        serial = struct.unpack_from("<I", data)[0]
        check = struct.unpack_from("<I", data, len(data) - 4)[0]
        return data if serial % _SLOTS == i and _sum(memoryview(data)[4:-4], serial) == check else None

    def _slot_file(self, i):
        return "%s/%dp%d/%d" % (self._folder, wire.VERSION, i // _PER, i % _PER)

    def _checkpoint(self):
        """Read the checkpoint: (nth, payload) for begin(), and the state."""
        try:
            with open(self._path("c") + "/c", "rb") as f:
                data = f.read(4 + wire.READING_SIZE + _STATE + 5)
        except OSError as e:
            if e.args[0] != _ENOENT:
                self.damaged += 1
                self._folder_at(self._path("c"))
            return
        if not data:
            return
        n = len(data) - 4
        if n < 4 + wire.READING_SIZE or _sum(memoryview(data)[:n], _SEED) != struct.unpack_from("<I", data, n)[0]:
            self.damaged += 1
            return
        self._cp = (struct.unpack_from("<I", data)[0], data[4 : 4 + wire.READING_SIZE])
        self.state = data[4 + wire.READING_SIZE : n]

    # --- reading the segments ---

    def _file(self, i):
        return "%s/%ds/%08x" % (self._folder, wire.VERSION, self._segs[i][0])

    def _take_head(self, f, at):
        """Head of a chunk: (serial, nth, boot, about, seq, readings, whether anchors), or None when damaged."""
        f.seek(_AT[at])
        data = f.read(_HEAD)
        if len(data) != _HEAD:
            return None
        serial, nth, boot, about, seq, check = struct.unpack("<IIIIII", data)
        if _sum(memoryview(data)[: _HEAD - 4], _SEED) != check:
            return None
        return (serial, nth & 0xFFFFFF, boot, about, seq, nth >> 24 & 127, nth >> 31)

    def _take_first(self, f, i):
        """Readings before a segment, -1 when damaged; notes which chunks of the segment before hold anchors."""
        data = f.read(_FIRST)
        if len(data) != _FIRST:
            return -1
        count, bits, check = struct.unpack("<III", data)
        if _sum(memoryview(data)[: _FIRST - 4], _SEED) != check:
            return -1
        segs = self._segs
        if i and bits < 256 and segs[i - 1][0] == segs[i][0] - 1:
            segs[i - 1][3] = bits
        return count

    def _heads(self, i):
        """Heads of all chunks of a segment, None for those that can't be read; takes note of what they say."""
        seg = self._segs[i]
        heads = []
        count = -1
        try:
            with open(self._file(i), "rb") as f:
                for at in range(seg[1]):
                    heads.append(self._take_head(f, at))
                f.seek(_HEAD)
                count = self._take_first(f, i)
        except OSError:
            heads = [None] * seg[1]
        bits = 0
        first = None
        for at, h in enumerate(heads):
            if h is None:
                self._harmed((seg[0], at))
            else:
                first = first or h
                bits |= h[6] << at
        seg[3] = bits
        seg[2] = first[:5] + (count if count >= 0 else first[0],) if first else ()
        return heads

    def _head(self, i):
        """(serial, nth, boot, about, seq, readings before) of a segment, or () when it can't be read."""
        seg = self._segs[i]
        if seg[2] is None:
            try:
                with open(self._file(i), "rb") as f:
                    h = self._take_head(f, 0)
                    count = self._take_first(f, i)
                if h and count >= 0:
                    seg[2] = h[:5] + (count,)
            except (OSError, ValueError):
                pass
            if seg[2] is None:
                self._heads(i)
        return seg[2]

    def _harmed(self, what):
        """Count a damaged item once."""
        if what not in self._met and len(self._met) < 100:
            self._met.add(what)
            self.damaged += 1

    def _chunk(self, i, at, head):
        """(kind, payload, serial) of the items in one chunk; a payload is good until the next is asked for."""
        data = memoryview(bytearray(_ITEM))
        end = _AT[at] + _HEAD + (_FIRST if at == 0 else 0)
        serial = head[0]
        pos = end
        end += _ROOM
        try:
            with open(self._file(i), "rb") as f:
                f.seek(pos)
                while pos + 5 <= end:
                    if not f.readinto(data[:1]) or not data[0]:
                        return
                    kind = data[0]
                    known = kind in (wire.READING, wire.ANCHOR, _START, _VOID)
                    # A harmed kind is most likely that of a reading.
                    n = _size(kind if known else wire.READING)
                    pos += n + 5
                    if f.readinto(data[1 : n + 5]) != n + 4:
                        return
                    if known and _sum(data[: n + 1], serial) == struct.unpack_from("<I", data, n + 1)[0]:
                        if kind != _VOID:
                            yield kind, data[1 : n + 1], serial
                    else:
                        self._harmed(serial)
                    serial += 1
        except OSError:
            self._harmed((self._segs[i][0] if i < len(self._segs) else 0, at))

    def _memory(self):
        """(kind, payload, serial) of the items in memory, as they are now."""
        data = bytes(memoryview(self._buf)[_HEAD + _FIRST : _HEAD + _FIRST + self._used])
        serial = self._base
        pos = 0
        while pos < len(data):
            n = _size(data[pos])
            if data[pos] != _VOID:
                yield data[pos], data[pos + 1 : pos + 1 + n], serial
            pos += n + 5
            serial += 1

    def _index(self, number):
        """Position of the first segment numbered `number` or later."""
        segs = self._segs
        for i in range(len(segs)):  # makes no garbage
            if segs[i][0] >= number:
                return i
        return len(segs)

    def _at(self, number):
        """Whether segment `number` is there."""
        i = self._index(number)
        return i < len(self._segs) and self._segs[i][0] == number

    def _nth_behind(self, i):
        """nth as it stands behind segment `i`."""
        for k in range(i + 1, len(self._segs)):
            h = self._head(k)
            if h:
                return h[1]
        return self._from[1]

    def boots(self, after=-1, most=64):
        """
        (boot, nth, first seq, last seq, id of its description) of boots with readings, in order.

        Those with `nth` above `after`, the first `most` of them: ask again
        with the last nth. The id is "" when it is not known.
        """
        out = []
        now = None  # [boot, nth, first, last, about] of the boot under way

        def close():
            if now and now[2] >= 0 and now[1] > after:
                out.append((now[0], now[1], now[2], now[3], "%08x" % now[4] if now[4] else ""))

        i = 0
        for k in range(len(self._segs)):
            h = self._head(k)
            if h and h[1] <= after:
                i = k
        while i < len(self._segs) and len(out) < most:
            head = self._head(i)
            behind = self._nth_behind(i)
            if not head or (now and now[2] >= 0 and head[1] == now[1] == behind):
                i += 1  # one boot all through, and already known
                continue
            heads = self._heads(i)
            for at, h in enumerate(heads):
                if h is None:
                    continue
                if now is None or h[1] != now[1] or h[2] != now[0]:
                    close()
                    now = [h[2], h[1], -1, -1, h[3]]
                elif now[2] >= 0 and h[4]:
                    now[3] = h[4] - 1
                following = [x for x in heads[at + 1 :] if x]
                if now[2] >= 0 and h[1] == (following[0][1] if following else behind):
                    continue
                for kind, payload, _ in self._chunk(i, at, h):
                    if kind == _START or kind == wire.READING:
                        boot, nth, about, _ = self._after((now[0], now[1], now[4], 0), kind, payload)
                        if nth != now[1]:
                            close()
                            now = [boot, nth, -1, -1, about]
                    if kind == wire.READING:
                        now[3] = _seq_of(payload)
                        if now[2] < 0:
                            now[2] = now[3]
            i += 1
        boot, nth, about, seq = self._from
        if now is None or now[1] != nth or now[0] != boot:
            close()
            now = [boot, nth, -1, -1, about]
        elif now[2] >= 0 and seq:
            now[3] = seq - 1
        for kind, payload, _ in self._memory():
            if kind == _START or kind == wire.READING:
                boot, nth, about, _ = self._after((now[0], now[1], now[4], 0), kind, payload)
                if nth != now[1]:
                    close()
                    now = [boot, nth, -1, -1, about]
            if kind == wire.READING:
                now[3] = _seq_of(payload)
                if now[2] < 0:
                    now[2] = now[3]
        close()
        return out[:most]

    def last_seq(self, boot):
        """Sequence number of the last reading of a boot (int), -1 when there is none."""
        if boot == self._now[0] and self._now[3]:
            return self._now[3] - 1
        last = after = -1
        while True:
            page = self.boots(after)
            for b in page:
                if b[0] == boot:
                    last = b[3]
                after = b[1]
            if not page:
                return last

    def first_seq(self, boot, first):
        """First sequence number of a boot (int) that may still be here, if `first` was the first ever logged."""
        head = self._head(0) if self._segs else ()
        return max(first, head[4]) if head and head[2] == boot else first

    def read(self, boot, first, last, pause=False):
        """
        Readings `first` to `last` of a boot (int) and all of its anchors, as (kind, payload), in order.

        With `pause` also (0, b"") after each chunk of the flash that was read, wanted or not: a long log then
        holds up nobody for longer than that.
        """
        number = 0
        while True:
            i = self._index(number)
            if i >= len(self._segs):
                break
            number = self._segs[i][0]
            at = 0 if self._may_hold(i, boot, first, last) else 8
            heads = ()
            # While a caller has the turn, this segment may grow or leave.
            while self._at(number) and at < self._segs[self._index(number)][1]:
                i = self._index(number)
                if len(heads) <= at:
                    heads = self._heads(i)
                h = heads[at]
                following = [x for x in heads[at + 1 :] if x]
                nth = following[0][1] if following else self._nth_behind(i)
                if h and (h[1] != nth or (h[2] == boot and (h[6] or self._reaches(h, following, i, first, last)))):
                    for kind, payload, _ in self._chunk(i, at, h):
                        if self._wanted(kind, payload, boot, first, last):
                            yield kind, bytes(payload)
                            if not self._at(number):
                                break
                    if pause:
                        yield 0, b""
                at += 1
            number += 1
        for kind, payload, _ in self._memory():
            if self._wanted(kind, payload, boot, first, last):
                yield kind, payload

    def _wanted(self, kind, payload, boot, first, last):
        if kind == wire.READING:
            return _boot_of(kind, payload) == boot and first <= _seq_of(payload) <= last
        return kind == wire.ANCHOR and _boot_of(kind, payload) == boot

    def _reaches(self, h, following, i, first, last):
        """Whether readings of a chunk within one boot may lie in the range."""
        if h[4] > last:
            return False
        if following:
            return following[0][4] > first
        if i + 1 < len(self._segs):
            behind = self._head(i + 1)
            return not behind or behind[4] > first
        return True

    def _may_hold(self, i, boot, first, last):
        """Whether a segment may hold something of a boot that read() is to hand out."""
        head = self._head(i)
        if not head:
            return False
        if head[1] != self._nth_behind(i):
            return True
        return head[2] == boot and (self._segs[i][3] != 0 or self._reaches(head, (), i, first, last))

    def about(self, ident):
        """A description by its id, as bytes, or None."""
        try:
            with open(self._folder + "/d/" + ident, "rb") as f:
                data = f.read()
            if "%08x" % _sum(data, 0) == ident:
                return data
        except Exception:
            pass
        return None

    @property
    def records(self):
        """Readings held."""
        for i in range(len(self._segs)):
            h = self._head(i)
            if h:
                return max(0, self._count - h[5]) + self._readings
        return self._readings

    def bytes_used(self):
        """Bytes of flash that hold readings."""
        return sum([s[1] for s in self._segs]) * _BLOCK

    # --- writing ---

    def begin(self, boot, nth, about):
        """
        A start of the board: `boot` 4 bytes, `nth` its number, `about` bytes of JSON.

        The checkpoint of the boot before, if newer than its last record, becomes
        that. Returns the nth that is stored, which is above that of any boot
        before. Never raises: what can't be written now is tried again with the
        first record.
        """
        ident = _sum(about, 0)
        nth = max(nth, self._now[1] + 1, self._cp[0] + 1 if self._cp else 0) & 0xFFFFFF
        self._begun = [struct.unpack("<I", boot)[0], nth, ident, about, False]
        try:
            self._again(self._begin)
        except OSError:
            pass
        return nth

    def _begin(self):
        boot, nth, ident, about, _ = self._begun
        if self._cp:
            was, payload = self._cp
            of = _boot_of(wire.READING, payload)
            if of == self._now[0]:
                if _seq_of(payload) >= self._now[3]:
                    self._write(wire.READING, payload)
            elif of != boot and was > self._now[1]:  # the log knows nothing of that boot
                self._start(of, was, 0)
                self._write(wire.READING, payload)
            self._cp = None
        if self.about("%08x" % ident) is None:
            with open("%s/d/%08x" % (self._folder, ident), "wb") as f:
                f.write(about)
        self._start(boot, nth, ident)
        self._begun[4] = True

    def _start(self, boot, nth, ident):
        if ident != self._now[2] and self._n:
            self._spill()  # a segment holds boots of one description
        self._write(_START, struct.pack("<III", boot, nth, ident))

    def append(self, payload):
        """Keep a reading; it is on the flash when this returns. OSError when nothing can be done."""
        self._again(self._put, wire.READING, payload)

    def anchor(self, payload):
        """The same for an anchor."""
        self._again(self._put, wire.ANCHOR, payload)

    def checkpoint(self, payload, state):
        """Replace the checkpoint: a reading as far as it has come, and up to 64 bytes of the caller's."""
        self._again(self._put_checkpoint, payload, state)

    def _again(self, what, *args):
        """Do it; without room give up the oldest segment, after any other error look at the flash anew, once."""
        looked = False
        while True:
            try:
                if self._folder is None:
                    looked = True
                    self._look_again()
                    if self._folder is None:
                        raise OSError(5)
                what(*args)
                self.trouble = ""
                return
            except OSError as e:
                if e.args[0] == _ENOSPC and self._drop():
                    continue
                if e.args[0] != _ENOSPC and not looked:
                    looked = True
                    self._look_again()
                    continue
                if self._folder is not None:
                    self.trouble = "The log can't be written: %s" % (
                        "no room is left on the flash." if e.args[0] == _ENOSPC else repr(e)
                    )
                raise

    def _look_again(self):
        state = self.state
        cp = self._cp
        self._open()
        self._cp = cp
        self.state = state
        if self._begun and self._begun[0] != self._now[0]:
            self._begun[4] = False

    def _put(self, kind, payload):
        if len(payload) != _size(kind):
            raise ValueError("an item of %d bytes, not %d" % (len(payload), _size(kind)))
        if self._begun and not self._begun[4]:
            self._begin()
        if kind == wire.READING and _boot_of(kind, payload) == self._now[0] and _seq_of(payload) < self._now[3]:
            return  # it has come onto the flash before something failed
        self._write(kind, payload)

    def _put_checkpoint(self, payload, state):
        if len(payload) != wire.READING_SIZE or len(state) > _STATE:
            raise ValueError("a checkpoint of %d and %d bytes" % (len(payload), len(state)))
        n = 4 + wire.READING_SIZE + len(state)
        data = bytearray(n + 4)
        struct.pack_into("<I", data, 0, self._begun[1] if self._begun else self._now[1])
        data[4 : 4 + wire.READING_SIZE] = payload
        data[4 + wire.READING_SIZE : n] = state
        struct.pack_into("<I", data, n, _sum(memoryview(data)[:n], _SEED))
        with open(self._path("c") + "/c", "wb") as f:
            f.write(data)

    def _keep(self, kind, payload):
        """Add an item to those in memory; returns its bytes there as a memoryview."""
        n = _size(kind)
        at = _HEAD + _FIRST + self._used
        buf = self._buf
        buf[at] = kind
        buf[at + 1 : at + 1 + n] = payload
        item = memoryview(buf)[at : at + n + 5]
        struct.pack_into("<I", buf, at + n + 1, _sum(item[:-4], self._base + self._n))
        self._n += 1
        self._used += n + 5
        self._now = self._after(self._now, kind, payload)
        if kind == wire.READING:
            self._readings += 1
        elif kind == wire.ANCHOR:
            self._anchors += 1
        return item

    def _write(self, kind, payload):
        """Put an item onto the flash: into its slot, or with all of its chunk."""
        n = _size(kind) + 5
        if self._used + n > _ROOM or self._n >= _SLOTS:
            self._spill()
        was = (self._n, self._used, self._now, self._readings, self._anchors)
        serial = self._base + self._n
        item = self._keep(kind, payload)
        try:
            if self._used + _ITEM > _ROOM or self._n >= _SLOTS:
                self._spill()
            else:
                one = memoryview(self._one)[: 4 + n]
                struct.pack_into("<I", one, 0, serial)
                one[4:] = item
                with open(self._slot_file(serial % _SLOTS), "wb") as f:
                    f.write(one)
        except OSError:
            self._n, self._used, self._now, self._readings, self._anchors = was
            raise

    def _spill(self):
        """Append the items in memory to the newest segment, as one chunk."""
        segs = self._segs
        boot, nth, about, seq = self._from
        if self._n and self._buf[_HEAD + _FIRST] == _START:
            about = self._now[2]
        new = not segs or self._full or segs[-1][1] >= self._per
        if not new:
            h = self._head(len(segs) - 1)
            new = not h or h[3] != about
        while sum([s[1] for s in segs]) >= self._blocks and self._drop():
            pass
        new = new or not segs
        buf = self._buf
        at = 0 if new else _FIRST
        flags = self._readings | (128 if self._anchors else 0)
        struct.pack_into("<IIIII", buf, at, self._base, nth | flags << 24, boot, about, seq)
        struct.pack_into("<I", buf, at + _HEAD - 4, _sum(memoryview(buf)[at : at + _HEAD - 4], _SEED))
        if new:
            more = at + _HEAD
            bits = segs[-1][3] if segs and segs[-1][0] == self._next - 1 else -1
            struct.pack_into("<II", buf, more, self._count, bits if bits >= 0 else 256)
            struct.pack_into("<I", buf, more + 8, _sum(memoryview(buf)[more : more + 8], _SEED))
        k = 0 if new else segs[-1][1]
        for i in range(_HEAD + _FIRST + self._used, len(buf)):
            buf[i] = 0
        number = self._next if new else segs[-1][0]
        pad = _AT[k + 1] - _AT[k] - (len(buf) - at)
        with open("%s/%08x" % (self._path("s"), number), "ab") as f:
            f.write(memoryview(buf)[at:])
            if pad:
                f.write(bytes(pad))
        if new:
            segs.append([number, 1, (self._base, nth, boot, about, seq, self._count), 1 if self._anchors else 0])
            self._next = number + 1
            self._full = False
        else:
            segs[-1][1] += 1
            if segs[-1][3] >= 0 and self._anchors:
                segs[-1][3] |= 1 << k
        self._base += self._n
        self._count += self._readings
        self._n = self._used = self._readings = self._anchors = 0
        self._from = self._now

    def _drop(self):
        """Give up the oldest segment; returns False when there is none."""
        for i in range(len(self._segs)):
            if _remove(self._file(i)) or not self._there(i):
                del self._segs[i]
                try:
                    self._sweep()
                except OSError:
                    pass
                return True
        return False

    def _there(self, i):
        try:
            os.stat(self._file(i))
            return True
        except OSError as e:
            return e.args[0] != _ENOENT

    def _sweep(self):
        """Remove descriptions that no boot refers to any more."""
        here = _list(self._folder + "/d")
        if len(here) < 2:
            return
        kept = {"%08x" % self._now[2], "%08x" % self._from[2]}
        if self._begun:
            kept.add("%08x" % self._begun[2])
        for i in range(len(self._segs)):
            h = self._head(i)
            if h:
                kept.add("%08x" % h[3])
        for name, _ in here:
            if name not in kept:
                _remove(self._folder + "/d/" + name)
