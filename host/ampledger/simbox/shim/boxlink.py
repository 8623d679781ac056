# MicroPython side of the bench: one request, one answer, nothing allocated.
# request: op, a, b, n (and n bytes for a write); answer: errno, then the data.
import os

_file = open(int(os.getenv("AMPLEDGER_BENCH_FD")), "r+b")
_request = bytearray(4)
_status = bytearray(1)
_ticks = bytearray(8)


def call(op, a, b, n, into=None, payload=None):
    _request[0] = op
    _request[1] = a
    _request[2] = b
    _request[3] = n
    _file.write(_request)
    if payload is not None:
        _file.write(payload)
    _file.readinto(_status)
    if _status[0]:
        raise OSError(_status[0])
    if into is not None:
        _file.readinto(into)


def ticks(at):
    call(84, 0, 0, 8, _ticks)  # T
    return _ticks[at] | _ticks[at + 1] << 8 | _ticks[at + 2] << 16 | _ticks[at + 3] << 24
