# Facts about the serial line, under both interpreters, on bytes that stand here.
import sys

if sys.implementation.name != "micropython":
    import types

    sys.modules.setdefault("select", types.ModuleType("select"))

from ampboard.port import Port


class Line(Port):
    def __init__(self, data):
        self.data = bytearray(data)
        self.reads = 0
        self._in = self
        self._one = bytearray(1)
        self._line = bytearray(120)
        self._n = 0
        self._spoilt = False

    def wait(self, ms):
        return len(self.data) > 0

    def readinto(self, buf):
        buf[0] = self.data[0]
        self.data = self.data[1:]
        self.reads += 1
        return 1


def test_lines_come_one_by_one_and_a_long_one_is_dropped_whole():
    line = Line(b"hello;1\r\n" + b"x" * 121 + b"\nok 1;2\n")
    assert line.line() == b"hello;1"
    assert line.line() == b"ok 1;2"
    assert line.line() is None


def test_whoever_sends_without_end_gets_a_turn_and_no_more():
    line = Line(b"\0" * 3000 + b"\nhello;1\n")
    assert line.line() is None
    assert 0 < line.reads <= 1000
    said = None
    for _ in range(10):
        said = said or line.line()
    assert said == b"hello;1"
