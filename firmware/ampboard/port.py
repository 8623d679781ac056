# The serial line of the board, all of it: the one place that touches
# sys.stdin and sys.stdout. In: single bytes gathered to command lines. Out:
# whole frames, written only when the caller knows that they fit.
import select
import sys

from micropython import const

_LONGEST = const(120)  # a command line
_PER_CALL = const(512)  # bytes; whoever sends without end must not hold up the sampling


class Port:
    def __init__(self):
        self._in = sys.stdin.buffer
        self._out = sys.stdout.buffer
        self._poll = select.poll()
        self._poll.register(sys.stdin, select.POLLIN)
        self._room = select.poll()
        self._room.register(sys.stdout, select.POLLOUT)
        self._one = bytearray(1)
        self._line = bytearray(_LONGEST)
        self._n = 0
        self._spoilt = False

    def wait(self, ms):
        """Wait at most `ms` for a byte; returns whether there is one."""
        for _ in self._poll.ipoll(ms):
            return True
        return False

    def room(self):
        """Whether the buffer towards the host has at least one byte free: if not, a write would block."""
        for _ in self._room.ipoll(0):
            return True
        return False

    def line(self):
        """
        Take in what has arrived; returns a command line as bytes, or None when
        none is complete yet. A line that is too long is dropped whole.
        """
        one = self._one
        # readinto() waits for all of its buffer: never ask for more than one byte.
        for _ in range(_PER_CALL):
            if not self.wait(0):
                break
            if not self._in.readinto(one):
                return None
            b = one[0]
            if b == 10 or b == 13:
                n = self._n
                self._n = 0
                spoilt = self._spoilt
                self._spoilt = False
                if n and not spoilt:
                    return bytes(self._line[:n])
            elif self._n < _LONGEST:
                self._line[self._n] = b
                self._n += 1
            else:
                self._spoilt = True
        return None

    def write(self, buf, n):
        """Write `buf[:n]` whole, or give the rest up when the line takes nothing; a harmed frame is refused there."""
        at = 0
        refused = 0
        while at < n and refused < 3:
            done = self._out.write(buf, at, n - at)
            if done:
                at += done
            else:
                refused += 1
        return at >= n
