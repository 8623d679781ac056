"""DS18B20: the driver on the wire model, against the sheet's table of temperatures and codes."""

from __future__ import annotations

import pytest
from ampboard.ds18b20 import NO_TEMP, Ds18b20
from ampledger.simbox import chips

# PRINTED: DS18B20 data sheet, "Temperature/Data Relationship" (typed from memory, not yet checked against the sheet).
# +85 degC is left out: it is the power-up value, which the driver takes for "no conversion yet".
TABLE = (
    (125.0, 0x07D0),
    (25.0625, 0x0191),
    (10.125, 0x00A2),
    (0.5, 0x0008),
    (0.0, 0x0000),
    (-0.5, 0xFFF8),
    (-10.125, 0xFF5E),
    (-25.0625, 0xFE6F),
    (-55.0, 0xFC90),
)


class Wire:
    """What the board's onewire module offers, on the model."""

    def __init__(self, chip: chips.Ds18b20) -> None:
        self.chip, self.now_us, self.harm = chip, 0, 0

    def reset(self) -> bool:
        return self.chip.reset(self.now_us)

    def writebyte(self, byte: int) -> None:
        self.chip.write(byte, self.now_us)

    def readinto(self, buf: bytearray) -> None:
        buf[:] = self.chip.read(len(buf))
        buf[0] ^= self.harm

    def crc8(self, data: bytes) -> int:
        return self.chip.crc8(bytes(data))


def rig(temp_c: float) -> tuple[Wire, Ds18b20]:
    wire = Wire(chips.Ds18b20(lambda: temp_c))
    return wire, Ds18b20(wire)


@pytest.mark.parametrize(("temp_c", "code"), TABLE)
def test_table_of_the_sheet(temp_c: float, code: int) -> None:
    wire, sensor = rig(temp_c)
    sensor.start()
    wire.now_us = 1_000_000
    assert sensor.read() & 0xFFFF == code
    assert sensor.read() == temp_c * 16


def test_no_value_before_the_conversion_has_finished() -> None:
    wire, sensor = rig(20.0)
    sensor.start()
    wire.now_us = 700_000
    assert sensor.read() == NO_TEMP


def test_no_value_from_a_harmed_or_silent_wire() -> None:
    wire, sensor = rig(20.0)
    sensor.start()
    wire.now_us = 1_000_000
    wire.harm = 4
    assert sensor.read() == NO_TEMP
    wire.harm = 0
    assert sensor.read() == 320
    wire.chip.missing = True
    assert sensor.read() == NO_TEMP
    sensor.start()
    assert sensor.read() == NO_TEMP


def test_crc_8_maxim() -> None:
    # PRINTED: catalogue of parametrised CRC algorithms, CRC-8/MAXIM-DOW of "123456789".
    assert chips.Ds18b20.crc8(b"123456789") == 0xA1
