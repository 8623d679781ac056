# What the drivers of the measuring chips share.
#
# In: nothing of its own. Out: the answers of read(), the error of begin(), the
# choice of conversion times, and the charge counter of chips that have none.
#
# A driver (ina228.py, ina226.py, ads1115.py) knows one chip and gives raw
# counts as small integers; scaling to amps is the host's. A further chip is
# one more file with a class of these members, called Chip at its end:
#
#   KIND                            name of the chip in board.toml
#   __init__(i2c, spec, sample_ms)  picks range and times; ValueError when none fits
#   amp_fa, volt_pv                 femtoamps and picovolts of one count
#   charge_us                       one charge count is one current count for so many microseconds
#   coarse                          bits by which lowest and highest are shortened on the wire
#   full_ma, range, window_us       end and name of the range; time that one result averages
#   counts                          True when the chip itself counts charge
#   begin()                         set up, unless it is as we left it; AdcError
#   read(charge, now)               one sample into bus, current, saturated, tag and `charge`; OSError
#   ids()                           what a commissioning table shows; may allocate
#
# read() allocates nothing as long as the chip answers.
import os

from micropython import const

READ_OK = const(0)
READ_RESTARTED = const(1)  # the charge counter began anew; there is no sample
READ_WAIT = const(2)  # no conversion has finished yet; there is no sample

HOLE_MS = const(2000)  # a longer time without a sample is not bridged

# Of INA226 and INA228 alike, by code.
_AVERAGES = (1, 4, 16, 64, 128, 256, 512, 1024)


class AdcError(Exception):
    pass


def new_tag(old):
    """A random name for the next run of a charge counter: 16 bits, not `old`, not 0, not FFFFh."""
    noise = os.urandom(2)
    tag = noise[0] << 8 | noise[1]
    if tag == old or tag == 0xFFFF or tag == 0:
        tag = (tag + 1) % 0xFFFE + 1
    return tag


def fit(pairs, typical_us, worst_us, other_us, sample_ms):
    """
    Conversion times and averaging for one sample of `sample_ms`.

    `pairs` are codes (bus, shunt), the better first; `typical_us` and
    `worst_us` are conversion times by code, `other_us` the longest time of a
    further conversion in the same round. For each pair the largest averaging
    counts whose whole time stays inside the sample even when the chip's clock
    is slow, so that each sample sees a new result. The first pair that covers
    three quarters of the sample wins, else the one that covers most.
    Returns (bus code, shunt code, averaging code, microseconds in all).
    """
    best = None
    for bus, shunt in pairs:
        for code in range(7, -1, -1):
            if (worst_us[bus] + worst_us[shunt] + other_us) * _AVERAGES[code] <= sample_ms * 1000:
                whole = (typical_us[bus] + typical_us[shunt] + other_us) * _AVERAGES[code]
                if best is None or whole > best[3]:
                    best = (bus, shunt, code, whole)
                break
        if best and best[3] * 4 >= sample_ms * 3000:
            break
    if best is None:
        raise ValueError("no conversion fits into a sample of %d ms; take a longer sample_ms" % sample_ms)
    return best


class SoftCounter:
    """
    Charge counter of a chip that has none: current times the time since the last sample, as measured.

    Exact: counts of up to 20 bits times up to 2000 ms stay below 2**30, and the
    sum has 44 bits in two limbs, which wrap like the counter of a chip. `tag` names
    the run; a hole of more than HOLE_MS begins a new one, for what flowed in it is unknown.
    """

    def __init__(self):
        self.tag = 0
        self._lo = 0  # 24 bits
        self._hi = 0  # 20 bits
        self._last = 0
        self._running = False

    def drop(self):
        """The run is over, say because the chip lost power; the next sample begins another."""
        self._running = False

    def add(self, current, now):
        """
        Count `current` for the time since the last sample; `now` is in ms, 29 bits, and may wrap.

        Returns False when the time was too long: a new run has begun at `now`.
        """
        ms = (now - self._last) & 0x1FFFFFFF
        self._last = now
        if not self._running:
            self._begin()
            return True
        if ms > HOLE_MS:
            self._begin()
            return False
        lo = self._lo + current * ms
        self._hi = (self._hi + (lo >> 24)) & 0xFFFFF
        self._lo = lo & 0xFFFFFF
        return True

    def _begin(self):
        self.tag = new_tag(self.tag)
        self._lo = 0
        self._hi = 0
        self._running = True

    def into(self, charge):
        """The sum in counts x 16 ms into 5 bytes: 40 bits, two's complement, most significant byte first."""
        lo = self._lo
        hi = self._hi
        charge[0] = hi >> 12
        charge[1] = (hi >> 4) & 0xFF
        charge[2] = (hi & 0xF) << 4 | lo >> 20
        charge[3] = (lo >> 12) & 0xFF
        charge[4] = (lo >> 4) & 0xFF
