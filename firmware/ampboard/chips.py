# From a channel's description to its driver. In: an I2C bus and one entry of
# config.CHANNELS. Out: the driver object; only its own module is loaded.


def make(i2c, spec, sample_ms):
    """
    The driver of one channel. `spec["chip"]` is the name of a module next to
    this one that has a class called Chip. Raises ValueError when there is none,
    or when the chip cannot do what the description asks for.
    """
    kind = spec["chip"]
    try:
        driver = getattr(__import__("ampboard." + kind), kind).Chip
    except (ImportError, AttributeError):
        raise ValueError("channel %s: there is no driver for a chip %s" % (spec["name"], kind))
    return driver(i2c, spec, sample_ms)
