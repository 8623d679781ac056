# A machine whose pins end at the bench.
import boxlink

_reply = bytearray(8)


class Pin:
    IN = 0
    OUT = 1

    def __init__(self, id, mode=-1, pull=-1, value=None):
        self.id = id
        self._value = 0

    def value(self, x=None):
        if x is None:
            return self._value
        self._value = x


class I2C:
    def __init__(self, id, scl=None, sda=None, freq=400000):
        pass

    def readfrom_mem_into(self, addr, memaddr, buf):
        boxlink.call(82, addr, memaddr, len(buf), buf)  # R

    def writeto_mem(self, addr, memaddr, buf):
        boxlink.call(87, addr, memaddr, len(buf), None, buf)  # W


class WDT:
    def __init__(self, id=0, timeout=5000):
        if not 0 < timeout <= 8388:
            raise ValueError("timeout exceeds 8388")
        boxlink.call(68, timeout & 0xFF, timeout >> 8, 0)  # D

    def feed(self):
        boxlink.call(70, 0, 0, 0)  # F


def unique_id():
    boxlink.call(85, 0, 0, 8, _reply)  # U
    return bytes(_reply)


def reset():
    boxlink.call(88, 0, 0, 0)  # X: never returns
