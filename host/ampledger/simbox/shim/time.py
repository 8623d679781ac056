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
    if ms > 0:
        boxlink.call(90, ms & 0xFF, ms >> 8 & 0xFF, ms >> 16)  # Z


def sleep_us(us):
    if us > 0:
        boxlink.call(78, us & 0xFF, us >> 8 & 0xFF, us >> 16)  # N


def sleep(seconds):
    sleep_ms(int(seconds * 1000))
