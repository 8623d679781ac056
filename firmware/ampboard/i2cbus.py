# The I2C bus of the chips, and how to free it when a chip holds it.
#
# In: the pins of config.py. Out: machine.I2C, and whether a held bus came free.
# A chip that was cut off in the middle of a byte (the board restarted, a
# clock was lost to RF) pulls SDA low until it has been clocked through.
import time

import machine
from micropython import const

_HALF_US = const(5)  # half a clock at 100 kHz


def open_bus(config):
    """The bus as machine.I2C."""
    return machine.I2C(
        config.I2C_ID,
        sda=machine.Pin(config.SDA_PIN),
        scl=machine.Pin(config.SCL_PIN),
        freq=config.I2C_HZ,
        timeout=5000,  # us; none of our chips stretches the clock, and a hung bus must not hold up the sampling
    )


def clear(config):
    """
    Free the bus: up to nine clocks until SDA is high, then a STOP (UM10204, "Bus clear"); then open it again.

    On the RP2040 there is one object a bus, which opening sets up anew (from
    memory of the port's sources), so drivers keep theirs. Returns True when
    SDA was held and came free. False when it was not held (the trouble is
    elsewhere; the STOP is sent all the same), or when SDA or SCL stays low:
    a short, a chip without power, a missing pull-up. Takes a quarter of a millisecond at most.
    """
    scl = machine.Pin(config.SCL_PIN, machine.Pin.OPEN_DRAIN, value=1)
    sda = machine.Pin(config.SDA_PIN, machine.Pin.IN)
    time.sleep_us(_HALF_US)
    held = not sda.value()
    clocks = 9
    while clocks and not sda.value():
        scl.value(0)
        time.sleep_us(_HALF_US)
        scl.value(1)
        time.sleep_us(_HALF_US)
        clocks -= 1
    free = bool(sda.value() and scl.value())
    if free:
        # SDA goes low while SCL is low (not a START) and high while SCL is high: a STOP.
        scl.value(0)
        time.sleep_us(_HALF_US)
        sda = machine.Pin(config.SDA_PIN, machine.Pin.OPEN_DRAIN, value=0)
        time.sleep_us(_HALF_US)
        scl.value(1)
        time.sleep_us(_HALF_US)
        sda.value(1)
        time.sleep_us(_HALF_US)
    open_bus(config)
    return held and free
