# A machine whose pins, buses and sleep end at the bench.
import boxlink

PWRON_RESET = 1
WDT_RESET = 3

_reply = bytearray(8)
_byte = bytearray(1)


def _number(id):
    return 25 if id == "LED" else id


class Pin:
    IN = 0
    OUT = 1
    OPEN_DRAIN = 2
    PULL_UP = 1
    PULL_DOWN = 2

    def __init__(self, id, mode=-1, pull=-1, value=None, alt=-1):
        self.id = id
        self._id = _number(id)
        self._mode = self.IN
        self._last = -1
        self._pull = pull
        if mode != -1 or value is not None:
            self.init(mode, pull, value)

    def init(self, mode=-1, pull=-1, value=None, alt=-1):
        if mode != -1:
            self._mode = mode
        if pull != -1:
            self._pull = pull
        self._last = -1
        if self._mode == self.IN:
            boxlink.tell(112, self._id, 255, 0)  # p: let go
        elif value is not None:
            self.value(value)

    def value(self, x=None):
        if x is not None:
            # Only a change is told: the bench knows the level already.
            x = 1 if x else 0
            if x != self._last:
                self._last = x
                boxlink.tell(112, self._id, x, 0)  # p
            return None
        if self._mode == self.OUT:
            return 1 if self._last == 1 else 0
        boxlink.call(103, self._id, self._pull & 3, 0, _byte)  # g
        return _byte[0]

    def __call__(self, x=None):
        return self.value(x)

    def on(self):
        self.value(1)

    def off(self):
        self.value(0)

    high = on
    low = off

    def toggle(self):
        self.value(0 if self._last == 1 else 1)


class PWM:
    def __init__(self, dest, freq=0, duty_u16=-1, duty_ns=-1):
        self._id = dest._id if isinstance(dest, Pin) else _number(dest)
        self._freq = freq
        self._duty = max(0, duty_u16)
        self._what = bytearray(6)
        if freq or duty_u16 >= 0:
            self._tell()

    def _tell(self):
        what = self._what
        for i in range(4):
            what[i] = self._freq >> 8 * i & 0xFF
        what[4] = self._duty & 0xFF
        what[5] = self._duty >> 8
        boxlink.tell(109, self._id, 0, 6, what)  # m

    def freq(self, hz=None):
        if hz is None:
            return self._freq
        # The slice's divider and wrap at 125 MHz: 8 Hz is the lowest.
        if not 8 <= hz <= 62500000:
            raise ValueError("freq out of range")
        self._freq = hz
        self._tell()

    def duty_u16(self, duty=None):
        if duty is None:
            return self._duty
        self._duty = min(65535, max(0, duty))
        self._tell()

    def deinit(self):
        self._duty = 0
        self._tell()


class I2C:
    def __init__(self, id, scl=None, sda=None, freq=400000, timeout=50000):
        boxlink.tell(105, 0, 0, 0)  # i: the two pins belong to the controller now

    def readfrom_mem_into(self, addr, memaddr, buf):
        boxlink.call(82, addr, memaddr, len(buf), buf)  # R

    def readfrom_mem(self, addr, memaddr, nbytes):
        buf = bytearray(nbytes)
        boxlink.call(82, addr, memaddr, nbytes, buf)
        return bytes(buf)

    def writeto_mem(self, addr, memaddr, buf):
        boxlink.call(87, addr, memaddr, len(buf), None, buf)  # W

    def writeto(self, addr, buf, stop=True):
        first = 0
        for at in range(0, max(1, len(buf)), 255):
            piece = bytes(buf[at : at + 255])
            boxlink.call(119, addr, first, len(piece), None, piece)  # w
            first = 1
        return len(buf)

    def writevto(self, addr, vector, stop=True):
        return self.writeto(addr, b"".join(bytes(v) for v in vector), stop)

    def scan(self):
        there = bytearray(16)
        boxlink.call(115, 0, 0, 0, there)  # s
        return [a for a in range(8, 0x78) if there[a >> 3] >> (a & 7) & 1]


class UART:
    def __init__(self, id, baudrate=115200, tx=None, rx=None, bits=8, parity=None, stop=1, timeout=0, rxbuf=256,
                 txbuf=256):
        if id not in (0, 1):
            raise ValueError("UART(%d) doesn't exist" % id)
        self._id = id
        boxlink.tell(117, id, rxbuf & 0xFF, 0 if rxbuf < 256 else rxbuf >> 8)  # u

    def any(self):
        boxlink.call(97, self._id, 0, 0, _byte)  # a
        return _byte[0]

    def readinto(self, buf, nbytes=None):
        n = min(len(buf) if nbytes is None else nbytes, self.any())
        if not n:
            return None
        if n == len(buf):
            boxlink.call(106, self._id, 0, n, buf)  # j
        else:
            boxlink.call(106, self._id, 0, n, memoryview(buf)[:n])
        return n

    def read(self, nbytes=None):
        n = self.any() if nbytes is None else min(nbytes, self.any())
        if not n:
            return None
        buf = bytearray(n)
        boxlink.call(106, self._id, 0, n, buf)
        return bytes(buf)

    def write(self, buf):
        for at in range(0, len(buf), 255):
            piece = bytes(buf[at : at + 255])
            boxlink.call(107, self._id, 0, len(piece), None, piece)  # k
        return len(buf)

    def deinit(self):
        pass


class WDT:
    def __init__(self, id=0, timeout=5000):
        if not 0 < timeout <= 8388:
            raise ValueError("timeout exceeds 8388")
        boxlink.call(68, timeout & 0xFF, timeout >> 8, 0)  # D

    def feed(self):
        boxlink.feed()


def unique_id():
    boxlink.call(85, 0, 0, 8, _reply)  # U
    return bytes(_reply)


def reset():
    boxlink.call(88, 0, 0, 0)  # X: never returns


def soft_reset():
    raise SystemExit


def reset_cause():
    boxlink.call(99, 0, 0, 0, _byte)  # c
    return _byte[0]


def lightsleep(time_ms):
    boxlink.call(122, time_ms & 0xFF, time_ms >> 8 & 0xFF, time_ms >> 16)  # z


def idle():
    boxlink.call(90, 1, 0, 0)  # the next system tick wakes it


_hz = 125000000


def freq(hz=None):
    global _hz
    if hz is None:
        return _hz
    _hz = hz
