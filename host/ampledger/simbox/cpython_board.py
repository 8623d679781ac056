"""
The same firmware modules under CPython, where no MicroPython is to be had.

Stands in for `micropython`, `machine`, `onewire`, `select` and the board's
part of `time`; everything else, boot.py and main.py included, is the firmware
unmodified. Started by the bench with the address of its socket.
"""

import contextlib
import importlib.util
import os
import socket
import sys
import time
import types


class _Link:
    def __init__(self, port: int) -> None:
        self._s = socket.create_connection(("127.0.0.1", port))
        self._s.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._fed = 0
        self._answer = bytes(9)
        self.call(84, 0, 0, 0)  # T

    def call(self, op, a, b, n, into=None, payload=None):
        self.tell(op, a, b, n, payload)
        self._answer = self._take(9)
        status = self._answer[0]
        if status == 255:
            raise KeyboardInterrupt
        if status:
            raise OSError(status, os.strerror(status))
        if into is not None:
            into[:] = self._take(len(into))

    def tell(self, op, a, b, n, payload=None):
        self._s.sendall(bytes((op | self._fed, a, b, n)) + (bytes(payload) if payload is not None else b""))
        self._fed = 0

    def feed(self):
        self._fed = 0x80

    def _take(self, n):
        data = b""
        while len(data) < n:
            more = self._s.recv(n - len(data))
            if not more:
                os._exit(0)
            data += more
        return data

    def ticks(self, at):
        return int.from_bytes(self._answer[at + 1 : at + 5], "little")


class _Out:
    def __init__(self, link):
        self._link = link

    def write(self, data, at=0, n=None):
        data = bytes(data)[at : None if n is None else at + n]
        for i in range(0, len(data), 255):
            piece = data[i : i + 255]
            self._link.call(83, 0, 0, len(piece), None, piece)  # S
        return len(data)


class _In:
    def __init__(self, link):
        self._link = link

    def readinto(self, buf):
        self._link.call(71, 0, 0, 1, buf)  # G
        return 1


def main() -> None:
    link = _Link(int(sys.argv[1]))
    here = os.path.join(os.path.dirname(os.path.abspath(__file__)), "shim")
    box = types.ModuleType("boxlink")
    box.call, box.tell, box.feed, box.ticks = link.call, link.tell, link.feed, link.ticks
    sys.modules["boxlink"] = box
    micropython = types.ModuleType("micropython")
    micropython.const = lambda x: x
    sys.modules["micropython"] = micropython
    os.rename = os.replace  # the board's rename replaces, Windows' does not
    half, period = 1 << 29, 1 << 30
    time.ticks_ms = lambda: link.ticks(0)
    time.ticks_us = lambda: link.ticks(4)
    time.ticks_add = lambda t, d: (t + d) & (period - 1)
    time.ticks_diff = lambda a, b: ((a - b + half) & (period - 1)) - half
    time.sleep_ms = lambda ms: link.call(90, ms & 0xFF, ms >> 8 & 0xFF, ms >> 16)
    time.sleep_us = lambda us: link.call(78, us & 0xFF, us >> 8 & 0xFF, us >> 16)
    time.sleep = lambda s: time.sleep_ms(int(s * 1000))
    for name in ("machine", "onewire", "select"):
        spec = importlib.util.spec_from_file_location(name, os.path.join(here, name + ".py"))
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        sys.modules[name] = module
    sys.stdin = types.SimpleNamespace(buffer=_In(link))
    out = sys.stdout = types.SimpleNamespace(buffer=_Out(link))
    sys.path[:0] = [os.path.join(os.getcwd(), "lib")]
    space = {"__name__": "__main__"}
    try:
        for name in ("boot.py", "main.py"):
            with open(name, encoding="utf-8") as f:
                exec(compile(f.read(), name, "exec"), space)
    except BaseException:
        import traceback

        text = traceback.format_exc().encode()
        out.buffer.write(text)
    while True:  # there is no prompt here, as there is with MicroPython
        with contextlib.suppress(KeyboardInterrupt):
            link.call(90, 232, 3, 0)


if __name__ == "__main__":
    main()
