# The board's time, as the bench tells it.
import boxlink
from utime import *

_PERIOD = 1 << 30
_HALF = 1 << 29


def ticks_ms():
    return boxlink.ticks(0)


def ticks_us():
    return boxlink.ticks(4)


def ticks_add(ticks, delta):
    return (ticks + delta) & (_PERIOD - 1)


def ticks_diff(end, start):
    return ((end - start + _HALF) & (_PERIOD - 1)) - _HALF


def sleep_ms(ms):
    boxlink.call(90, ms & 0xFF, ms >> 8, 0)  # Z
