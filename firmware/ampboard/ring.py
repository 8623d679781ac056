# The last records, kept in memory for a host that was away. In: payloads of
# readings by sequence number. Out: the same, on request. A record leaves only
# by being overtaken; nothing is erased because it was acknowledged.
import struct

from ampboard import wire


class Ring:
    def __init__(self, slots):
        self._slots = slots
        self._bytes = bytearray(slots * wire.READING_SIZE)
        self._next = 0

    def append(self, payload, at, seq):
        """Keep the record `seq` that stands in `payload` from `at` on. Allocates nothing."""
        to = (seq % self._slots) * wire.READING_SIZE
        kept = self._bytes
        for i in range(wire.READING_SIZE):
            kept[to + i] = payload[at + i]
        self._next = seq + 1

    def oldest(self):
        """Sequence number of the oldest record kept."""
        return max(0, self._next - self._slots)

    def copy(self, seq, payload, at):
        """Copy record `seq` into `payload` at `at`; returns False when it is not kept."""
        if not self.oldest() <= seq < self._next:
            return False
        start = (seq % self._slots) * wire.READING_SIZE
        payload[at : at + wire.READING_SIZE] = memoryview(self._bytes)[start : start + wire.READING_SIZE]
        return struct.unpack_from("<I", payload, at + 5)[0] == seq
