# Polling standard input by asking the bench, which makes the time pass.
import boxlink

POLLIN = 1
POLLOUT = 4

_READY = ((None, 1),)
_count = bytearray(1)


class poll:
    def register(self, obj, eventmask=POLLIN):
        self._mask = eventmask

    def ipoll(self, timeout=-1):
        boxlink.call(80, timeout & 0xFF, (timeout >> 8) & 0xFF, self._mask, _count)  # P
        return _READY if _count[0] else ()

    def poll(self, timeout=-1):
        return list(self.ipoll(timeout))
