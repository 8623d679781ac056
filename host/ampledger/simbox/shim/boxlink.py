# MicroPython side of the bench: requests, answers, nothing allocated.
#
# Request: op, a, b, n, and what belongs to it. Answer: errno, the board's
# milliseconds and microseconds, then data. The bench's time passes only while
# a request is being answered, so between two of them the clock is known here;
# and a fed watchdog travels with the next request, at the same instant of the
# bench's time. tell() and tick readings cost no round trip.
import os

KEYBOARD = 255  # in place of an errno: the host has sent Ctrl-C

_file = open(int(os.getenv("AMPLEDGER_BENCH_FD")), "r+b")
_request = bytearray(4)
_answer = bytearray(9)
_fed = False


def _send(op, a, b, n):
    global _fed
    _request[0] = op | 0x80 if _fed else op
    _fed = False
    _request[1] = a
    _request[2] = b
    _request[3] = n
    _file.write(_request)


def call(op, a, b, n, into=None, payload=None):
    """Ask, and wait for the answer."""
    _send(op, a, b, n)
    if payload is not None:
        _file.write(payload)
    _file.readinto(_answer)
    if _answer[0]:
        if _answer[0] == KEYBOARD:
            raise KeyboardInterrupt
        raise OSError(_answer[0])
    if into is not None:
        _file.readinto(into)


def tell(op, a, b, n, payload=None):
    """Say something that needs no answer."""
    _send(op, a, b, n)
    if payload is not None:
        _file.write(payload)


def feed():
    global _fed
    _fed = True


def ticks(at):
    at += 1
    return _answer[at] | _answer[at + 1] << 8 | _answer[at + 2] << 16 | _answer[at + 3] << 24


def flash(op, a, b, n, payload=None):
    """As call(), but gives the errno: nothing may be raised through the file system."""
    _send(op, a, b, n)
    if payload is not None:
        _file.write(payload)
    _file.readinto(_answer)
    return _answer[0]


call(84, 0, 0, 0)  # T: what time it is
