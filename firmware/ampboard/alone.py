# What the board can say without a laptop. In: the battery's charge counter, the
# last state of charge a host gave, a few readings. Out: state of charge counted
# on, one alarm code, a blinking LED. It estimates nothing: the host does that.
#
# Integers only (board floats are single precision). Alarms.update() and
# Blinker.show() allocate nothing as long as currents stay within +-100 A.
import struct

from micropython import const

QUIET = const(0)
DRAW_ABOVE_INPUT = const(1)
RESERVE_REACHED = const(2)
CHARGING_COLD = const(3)
OVER_CURRENT = const(4)

# --- state of charge, counted on ---

_LAYOUT = "<BBiIIqH"  # version, flags, soc, capacity, reserve, moved, scale; then 5 bytes time, 2 tag, 5 charge
_PACKED = const(36)
_PACK_VERSION = const(1)
_SET = const(1)
_ABOUT = const(2)
_PLACED = const(4)
_FULL = const(1000000)


def signed40(charge):
    """A charge counter (5 bytes, most significant first, two's complement) as an integer."""
    value = int.from_bytes(charge, "big")
    return value - (1 << 40) if value >> 39 else value


class Held:
    """
    The state of charge of the host's last word, and what has flowed since.

    Counts and time are added up as they are and scaled only when asked, so that nothing is rounded
    twice. `about` is True when the number is no longer a count without holes: the charge counter began
    anew (its chip lost power), or the count ran past full or empty. Only the host's next word takes it
    back.

    amp_fa, charge_us: of the battery's chip (adc.py). gain_ppb, offset_u: its calibration for amps,
    true = raw x (1 + gain_ppb / 1e9) + offset_u / 1e6.
    """

    def __init__(self, amp_fa, charge_us, gain_ppb=0, offset_u=0):
        self._unit = amp_fa * charge_us  # 1e-21 coulombs a count
        self._gain = 1000000000 + gain_ppb
        self._offset_u = offset_u
        self._soc = None  # ppm, when the host gave it
        self.capacity_mah = 0
        self.reserve_ppm = None
        self.about = False
        self._moved = 0  # counts since then
        self._time_ms = 0  # over which they were counted, for the calibrated offset
        self._charge = None  # last position of the counter, and its run
        self._tag = 0
        self._last_ms = None

    def set(self, soc_ppm, capacity_mah, reserve_ppm):
        """The host's word. Raises ValueError when it can't be."""
        if not 0 <= soc_ppm <= _FULL or not 0 <= reserve_ppm <= _FULL or not 0 < capacity_mah < 1 << 32:
            raise ValueError("not a state of charge")
        self._soc = soc_ppm
        self.capacity_mah = capacity_mah
        self.reserve_ppm = reserve_ppm
        self.about = False
        self._moved = 0
        self._time_ms = 0

    def count(self, charge, tag, mono_ms):
        """
        Take in the battery's charge counter (5 bytes) and its run. `mono_ms` never wraps and begins
        anew only with this object. Once a second or so; allocates.
        """
        position = signed40(charge)
        if self._charge is not None:
            if tag == self._tag:
                moved = (position - self._charge) & 0xFFFFFFFFFF
                if moved >> 39:
                    moved -= 1 << 40
                self._moved += moved
                # After a restart of the board the counter has gone on, but how long is not known: the
                # counts are complete, the offset's share of that time is left out.
                if self._last_ms is not None:
                    self._time_ms += mono_ms - self._last_ms
            else:
                # A run begins at zero: all that this one shows has flowed since. What flowed before it is not known.
                self._moved += position
                self.about = True
        self._charge = position
        self._tag = tag
        self._last_ms = mono_ms
        if self._soc is not None:
            soc = self._counted()
            if soc > _FULL:
                # What a full battery is given is not stored: going down from here starts at full.
                self._soc = _FULL
                self._moved = 0
                self._time_ms = 0
                self.about = True
            elif soc < 0:
                self.about = True

    def _counted(self):
        # ppm = coulombs / (3.6 * mAh) * 1e6; counts come in 1e-21 C, gain in 1e-9, offset in 1e-9 C (uA x ms).
        e30 = self._moved * self._unit * self._gain + self._offset_u * self._time_ms * 1000000000000000000000
        per_ppm = 36 * self.capacity_mah * 100000000000000000000000  # 3.6e-6 C per mAh and ppm, in 1e-30 C
        return self._soc + (2 * e30 + per_ppm) // (2 * per_ppm)

    def soc_ppm(self):
        """State of charge now, 0 to 1000000, or None when no host ever gave one."""
        if self._soc is None:
            return None
        return max(0, min(_FULL, self._counted()))

    def pack(self):
        """36 bytes for the checkpoint; it has no checksum of its own."""
        flags = (_SET if self._soc is not None else 0) | (_ABOUT if self.about else 0)
        flags |= _PLACED if self._charge is not None else 0
        return (
            struct.pack(
                _LAYOUT,
                _PACK_VERSION,
                flags,
                self._soc or 0,
                self.capacity_mah,
                self.reserve_ppm or 0,
                self._moved,
                self._unit % 65521,
            )
            + self._time_ms.to_bytes(5, "little")
            + struct.pack("<H", self._tag)
            + ((self._charge or 0) & 0xFFFFFFFFFF).to_bytes(5, "big")
        )

    def unpack(self, data):
        """Go on from a checkpoint; returns False, and changes nothing, when it is none of this board's."""
        if len(data) < _PACKED:  # a slot of the log may be longer
            return False
        version, flags, soc, capacity, reserve, moved, scale = struct.unpack_from(_LAYOUT, data, 0)
        # Counts of a chip with another scale mean nothing here.
        if version != _PACK_VERSION or scale != self._unit % 65521:
            return False
        if flags & _SET and (not 0 <= soc <= _FULL or not 0 <= reserve <= _FULL or not capacity):
            return False
        self._soc = soc if flags & _SET else None
        self.capacity_mah = capacity
        self.reserve_ppm = reserve if flags & _SET else None
        self.about = bool(flags & _ABOUT)
        self._moved = moved
        self._time_ms = int.from_bytes(data[24:29], "little")
        self._tag = struct.unpack_from("<H", data, 29)[0]
        self._charge = signed40(data[31:36]) if flags & _PLACED else None
        self._last_ms = None
        return True


# --- alarms ---

_PERIOD = const(0x1FFFFFFF)  # differences of clocks that wrap at 2**29 or at 2**30
_HOLE_MS = const(5000)  # nothing heard for so long: what was going on is forgotten
_STEP_MS = const(1000)  # of the running mean
_FINE = const(4096)  # parts of a milliamp in the mean
_MOST_MA = const(100000)
_CHARGING_MA = const(50)
_WARMER_C16 = const(8)  # half a degree
_FULLER_PPM = const(20000)


class Debounce:
    """On after `on_ms` of one thing, off after `off_ms` of the other; in between it stays as it is."""

    def __init__(self, on_ms, off_ms):
        self._on_ms = on_ms
        self._off_ms = off_ms
        self._seen = False
        self._ms = 0
        self._silent_ms = 0
        self.on = False

    def forget(self):
        """Nothing is known any more."""
        self._seen = False
        self._ms = 0
        self._silent_ms = 0
        self.on = False

    def missing(self, dt):
        """No reading this time: one left out changes nothing, five seconds without are forgotten."""
        self._silent_ms += dt
        if self._silent_ms >= _HOLE_MS:
            self.forget()

    def feed(self, bad, good, dt):
        self._silent_ms = 0
        wanted = good if self.on else bad
        if not wanted:
            self._seen = False
            self._ms = 0
        else:
            if self._seen:
                self._ms += dt
            self._seen = True
            if self._ms >= (self._off_ms if self.on else self._on_ms):
                self.on = not self.on
                self._seen = False
                self._ms = 0


class Alarms:
    """
    Four conditions, one code; the highest wins.

    thresholds (config.ALARMS): "deficit_s", "deficit_ma" (draw above input), "cold_c16" (sixteenths
    of a degree Celsius), "over_ma" (largest current of solar, battery, load).
    The debounce times and the hysteresis are common practice, no source.
    """

    def __init__(self, thresholds):
        self._deficit_ms = thresholds["deficit_s"] * 1000
        self._deficit_fine = thresholds["deficit_ma"] * _FINE
        # The mean smooths single overs; only a mean that stays low for deficit_s is a draw above the input.
        self._mean_ms = max(_STEP_MS, self._deficit_ms // 4)
        self._cold = thresholds["cold_c16"]
        self._over = thresholds["over_ma"]
        self._deficit = Debounce(self._deficit_ms, 0)
        self._reserve = Debounce(10000, 10000)
        self._charging = Debounce(2000, 10000)
        self._overs = tuple([Debounce(1000, 2000) for _ in self._over])
        self._last = None
        self._mean = None  # battery, 1 / _FINE mA
        self._sum = 0  # mA x ms since the last step of the mean
        self._ms = 0
        self._silent_ms = 0
        self.code = QUIET

    def mean_ma(self):
        """Running mean of the battery current, or None."""
        return None if self._mean is None else self._mean // _FINE

    def _forget_battery(self):
        self._mean = None
        self._sum = 0
        self._ms = 0
        self._deficit.forget()

    def _deficit_step(self, battery_ma, dt):
        if battery_ma is None:
            self._silent_ms += dt
            if self._silent_ms >= _HOLE_MS:
                self._silent_ms = 0
                self._forget_battery()
            return
        self._silent_ms = 0
        battery_ma = max(-_MOST_MA, min(_MOST_MA, battery_ma))
        if self._mean is None:
            self._mean = battery_ma * _FINE
        # At most 6 s go into one step (a second and a hole): 100 A x 6 s = 6e8, below 2**30.
        self._sum += battery_ma * dt
        self._ms += dt
        if self._ms >= _STEP_MS:
            gap = (self._sum // self._ms) * _FINE - self._mean
            steps = max(1, self._mean_ms // self._ms)
            self._mean += (gap + steps // 2) // steps
            self._deficit.feed(self._mean < -self._deficit_fine, self._mean > -self._deficit_fine // 2, self._ms)
            self._sum = 0
            self._ms = 0

    def update(self, now_ms, ma, temp_c16, soc_ppm, reserve_ppm):
        """
        now_ms: a clock that wraps at 2**29 or 2**30, or not at all.
        ma: solar, battery, load in milliamps, each may be None; battery positive when charging.
        temp_c16, soc_ppm, reserve_ppm: may be None; after 5 s of that the conditions that need them are off.
        Returns the code. To be called at least once a second.
        """
        dt = 0 if self._last is None else (now_ms - self._last) & _PERIOD
        self._last = now_ms
        if dt >= _HOLE_MS:
            self._forget_battery()
            self._charging.forget()
            for over in self._overs:
                over.forget()
            dt = 0
        battery = ma[1]
        self._deficit_step(battery, dt)

        if soc_ppm is None or reserve_ppm is None:
            self._reserve.missing(dt)
        else:
            self._reserve.feed(soc_ppm <= reserve_ppm, soc_ppm >= reserve_ppm + _FULLER_PPM, dt)

        if battery is None or temp_c16 is None:
            self._charging.missing(dt)
        else:
            self._charging.feed(
                battery > _CHARGING_MA and temp_c16 <= self._cold,
                battery <= _CHARGING_MA or temp_c16 > self._cold + _WARMER_C16,
                dt,
            )

        much = False
        for i in range(len(self._overs)):
            x = ma[i]
            if x is None:
                self._overs[i].missing(dt)
            else:
                if x < 0:
                    x = -x
                most = self._over[i]
                self._overs[i].feed(x > most, x <= most - most // 10, dt)
            if self._overs[i].on:
                much = True

        if much:
            self.code = OVER_CURRENT
        elif self._charging.on:
            self.code = CHARGING_COLD
        elif self._reserve.on:
            self.code = RESERVE_REACHED
        elif self._deficit.on:
            self.code = DRAW_ABOVE_INPUT
        else:
            self.code = QUIET
        return self.code


# --- LED and piezo ---

_BLINK_MS = const(150)
_BEAT_MS = const(400)  # from one blink to the next
_PAUSE_MS = const(1400)
_ALIVE_MS = const(20)
_ALIVE_EVERY_MS = const(4000)
_LOUD_MS = const(60000)
_AGAIN_MS = const(300000)


class Tone:
    """A bare piezo on a machine.PWM (frequency set, silent), used like a pin."""

    def __init__(self, pwm):
        self._pwm = pwm

    def value(self, x):
        self._pwm.duty_u16(32768 if x else 0)


class Blinker:
    """
    Shows a code as so many short blinks and a pause, and no code as a short flash every 4 s.

    led, piezo: anything with value(0 or 1); a piezo with an oscillator of its own is a pin. The piezo
    sounds for the first minute of a code that is higher than the one before, then once every five minutes.
    """

    def __init__(self, led, piezo=None):
        self._led = led
        self._piezo = piezo
        self._code = QUIET
        self._last = None
        self._at = 0  # ms into the pattern
        self._age = 0  # ms of this code, counted to _LOUD_MS
        self._still = 0  # ms since the piezo was heard, counted to _AGAIN_MS
        self._loud = False
        self._lit = -1
        self._sounding = -1

    def sounding(self):
        """Whether the piezo is on: its PWM has no clock while the board is in lightsleep."""
        return self._piezo is not None and self._sounding == 1

    def show(self, code, now_ms):
        """
        To be called whenever the loop comes round. Returns the milliseconds to the next change, so that
        a loop that sleeps can sleep that long. `now_ms` as for Alarms. Allocates nothing.
        """
        dt = 0 if self._last is None else (now_ms - self._last) & _PERIOD
        self._last = now_ms
        fresh = False
        if code != self._code:
            if code > self._code:
                self._age = 0
                self._still = 0
                dt = 0
            self._code = code
            self._at = 0
            fresh = True
        else:
            self._at += dt
        self._age = min(_LOUD_MS, self._age + dt)
        self._still = min(_AGAIN_MS, self._still + dt)
        period = code * _BEAT_MS + _PAUSE_MS if code else _ALIVE_EVERY_MS
        if self._at >= period:
            self._at = 0  # not the remainder: a loop that comes round late must not miss the flash
            fresh = True
        if fresh:
            self._loud = code != QUIET and (self._age < _LOUD_MS or self._still >= _AGAIN_MS)
            if self._loud:
                self._still = 0
        at = self._at
        if not code:
            lit = at < _ALIVE_MS
            left = (_ALIVE_MS if lit else _ALIVE_EVERY_MS) - at
        elif at >= code * _BEAT_MS:
            lit = False
            left = period - at
        else:
            within = at % _BEAT_MS
            lit = within < _BLINK_MS
            left = (_BLINK_MS if lit else _BEAT_MS) - within
        if lit != self._lit:
            self._lit = lit
            self._led.value(1 if lit else 0)
        if self._piezo is not None:
            sounding = lit and self._loud
            if sounding != self._sounding:
                self._sounding = sounding
                self._piezo.value(1 if sounding else 0)
        return left
