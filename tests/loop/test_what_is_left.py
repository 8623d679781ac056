"""
What the engine says can still be had, against what the modelled box gives until its radio's volts run out.

The box is an independent plant: its own rested volts (some 6 to 9 mV a cell below the built-in curve), its own
resistance and its own slow element; the core knows none of them. Its operator sends as the seed will have it.
"""

from __future__ import annotations

import pytest
from ampledger.core.engine import Engine
from ampledger.core.model import Battery, Interval, Start, Tap
from ampledger.core.usable import Station, Usable
from ampledger.simbox.box import StationBox

LOOKED_AT_S = (900, 1800, 3600, 5400)


def taps(box: StationBox, a_s: float, b_s: float) -> tuple[Tap, Tap, Tap]:
    out = []
    for name in ("battery", "solar", "load"):
        v, a = box.mean(name, a_s, b_s)
        low_a, high_a = box.extreme(name, a_s, b_s)
        out.append(Tap(v, a, a * (b_s - a_s), None, None, low_a, high_a))
    return out[0], out[1], out[2]


def until_the_radio_quits(
    mode: str, limit_v: float, lead_ohm: float, seed: int
) -> tuple[list[tuple[float, Usable]], float]:
    """What was said and how much had come out by then; and how much had when two overs in a row fell below. [Ah]"""
    box = StationBox(mode=mode, solar_a=0.2, capacity_ah=6.0, soc=0.7, seed=seed, lead_ohm=lead_ohm)
    engine = Engine(Battery(6.0), Start(0.72, 0.03), 0.05, station=Station(lead_ohm, limit_v))
    said: list[tuple[float, Usable]] = []
    out_ah, below, lowest_v = 0.0, 0, 99.0
    for k in range(0, 4 * 3600, 2):
        box.advance(k + 2.0)
        battery, solar, load = taps(box, k, k + 2.0)
        view = engine.step(Interval(box.start_unix_s + k, 2.0, battery, solar, load, 20.0))
        assert battery.a is not None and view.usable is not None
        out_ah -= 2.0 * battery.a / 3600.0
        if k in LOOKED_AT_S:
            said.append((out_ah, view.usable))
        if box.truth(k + 1.0)["sending"]:
            lowest_v = min([lowest_v, *(box.truth(k + x / 20)["radio_v"] for x in range(40))])
        elif lowest_v < 99.0:
            below, lowest_v = below + 1 if lowest_v < limit_v else 0, 99.0
            if below == 2:
                return said, out_ah
    raise AssertionError("the radio's volts never ran out")


@pytest.mark.slow
def test_the_band_holds_what_comes_out_before_the_radio_quits() -> None:
    held, looks, off_ah = 0, 0, []
    for seed, (mode, limit_v, lead_ohm) in enumerate(
        [("ssb", 12.2, 0.03), ("ssb", 12.0, 0.05), ("cw", 12.6, 0.05), ("data15", 12.5, 0.03)], 11
    ):
        said, ended_ah = until_the_radio_quits(mode, limit_v, lead_ohm, seed)
        for out_ah, u in said:
            left_ah = ended_ah - out_ah
            held += u.ah[0] - 0.01 <= left_ah <= u.ah[2] + 0.01
            looks += 1
            off_ah.append(u.ah[1] - left_ah)
            # The reserve of 5 % never comes first here, and it is not said to.
            assert u.limited_by == "radio volts"
    # BAR: nine in ten by the issue, at 85 % as for the charge itself; few looks at four outings.
    assert looks >= 12 and held >= 0.85 * looks
    # FROZEN: 15 of 15; the middle 0.2 Ah low on average (the box's curve is another one) and 0.5 Ah at worst
    # (2026-11-30); half as much again is allowed, for the charge it rests on has a range of some 0.6 Ah itself.
    assert abs(sum(off_ah) / looks) < 0.3 and max(map(abs, off_ah)) < 0.75
