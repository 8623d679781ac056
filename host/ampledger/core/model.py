"""
The values that travel along the line, from the decoder to the page.

An `Interval` is what every source of data is turned into, be it live records
from a board or rows of a log; everything that concludes anything is fed with
intervals in time order and with nothing else, which is why a replay and the
live view cannot disagree.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Tap:
    """
    One measured point over one interval.

    `v`, `a` are means, `*_min` and `*_max` the lowest and highest sample seen
    [V], [A]; `charge_c` is the charge that passed during the whole interval
    [C]. Signs: solar and load currents are positive in their usual direction
    (delivering, drawing); battery current and charge are positive when
    charging. A value that was not measured is None, never 0 and never an old
    value. `charge_c` may be known (from a counter on the chip) where `v` and
    `a` are not. `energy_j` is the integral of volts times amps over the
    interval, same sign as the charge [J].
    `beyond`: a sample was at the end of the chip's range, so that amps and
    charge are lower bounds. `trouble`: the chip did not answer every time,
    lost its power, or its bus hung and was freed.
    """

    v: float | None = None
    a: float | None = None
    charge_c: float | None = None
    v_min: float | None = None
    v_max: float | None = None
    a_min: float | None = None
    a_max: float | None = None
    energy_j: float | None = None
    beyond: bool = False
    trouble: bool = False


@dataclass(frozen=True, slots=True)
class Interval:
    """
    What was measured from `start_s` for `dt_s` seconds.

    start_s : seconds since 1970-01-01T00:00Z, or since the start of a log
        that knows no date. [s]
    dt_s : length, > 0. [s]
    battery_c : temperature at the battery, None when unknown. [degC]
    own_a : what the measuring board itself draws from the box, as declared. [A]
    own_in_load : whether that flows through the load's shunt and is part of the load's figures.
    unsure_s : how far the times may be off, all the same way. [s]
    at_panel : the solar tap sits between panel and controller, so that its volts and amps are the panel's.
    """

    start_s: float
    dt_s: float
    battery: Tap
    solar: Tap | None = None
    load: Tap | None = None
    battery_c: float | None = None
    own_a: float = 0.0
    own_in_load: bool = False
    unsure_s: float = 0.0
    at_panel: bool = False

    @property
    def end_s(self) -> float:
        """End of the interval, same clock as `start_s`. [s]"""
        return self.start_s + self.dt_s


@dataclass(frozen=True, slots=True)
class Battery:
    """
    The pack as its owner describes it.

    capacity_ah : usable charge from full to empty at room temperature. [Ah]
    series : cells in series, 1 to 16. [-]
    capacity_sd : standard deviation of `capacity_ah`, as a fraction. [-]
    inside_a : what the pack's own protection circuit draws; it never passes the shunt. [A] 1 to 5 mA is common
        practice, no source.
    standing_a : what flows out of the pack while the measuring board is off, such as a controller's own draw; None:
        nobody has said. [A]
    self_discharge_month : share of capacity lost in 30 days by itself. [-] At most 3 % by one maker's sheet, of which
        half comes back on charging.
    own_curve : the curve of voltage that goes with it was measured on this very pack; False: on another of its kind,
        or of another maker, so that its features may lie elsewhere. [-]
    """

    capacity_ah: float
    series: int = 4
    capacity_sd: float = 0.05
    inside_a: float = 0.002
    standing_a: float | None = None
    self_discharge_month: float = 0.02
    own_curve: bool = True


@dataclass(frozen=True, slots=True)
class Start:
    """State of charge believed at the beginning, 0 to 1, and its standard deviation; soc None: unknown."""

    soc: float | None = None
    sd: float = 0.05


Three = tuple[float | None, float | None, float | None]


@dataclass(frozen=True, slots=True)
class Limits:
    """
    What the box and the battery bear, as their owner describes them; None: not told, and not looked at.

    fuse_a, wire_a : rating of the fuse in, and the most that the wire may carry to, solar, battery, load. [A]
    charge_a : the most that the battery may be charged with. [A]
    cold_c : at and below it the battery may not be charged. [degC]
    hot_c, charge_hot_c : above it the battery is too hot, and too hot to be charged. [degC]
    cell_high_v, cell_low_v : volts of a cell that are too high, and low. [V]
    idle_a : what is drawn on receive, at most; more is something else that was left on. [A]
    """

    fuse_a: Three = (None, None, None)
    wire_a: Three = (None, None, None)
    charge_a: float | None = None
    cold_c: float = 0.0
    hot_c: float = 50.0
    charge_hot_c: float = 45.0
    cell_high_v: float = 3.70
    cell_low_v: float = 2.80
    idle_a: float | None = None
