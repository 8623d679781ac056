"""
When the reserve is reached if everything goes on as it does now.

In: the charge estimate with its range and the balance over the transmit
cycle. Out: an early and a late time. It knows no sun path, no plan and no
change of habits, and says so; the forecast proper replaces it.
"""

from __future__ import annotations

from dataclasses import dataclass

# How far the mean draw of the next hours may differ from that of the last ten minutes, and below which
# nobody can tell gaining from losing. Common practice, no source.
_DRIFT = 0.25
_NOTHING_A = 0.03
FARTHEST_S = 7 * 86400.0


@dataclass(frozen=True, slots=True)
class Outlook:
    """
    above_reserve_ah : charge above the reserve, low and high end of the 90 % band. [Ah]
    early_s, late_s : UTC at which the reserve is reached, None when it is not
        being approached or that is not known; late_s None alone: farther off
        than a week. `early_s` is now when the low end is at the reserve. [s]
    """

    above_reserve_ah: tuple[float, float]
    early_s: float | None
    late_s: float | None


def outlook(
    now_s: float, low: float, high: float, capacity_ah: float, reserve_soc: float, net_a: float | None
) -> Outlook:
    """
    now_s : time of the estimate. [s]
    low, high : 90 % band of the state of charge, 0..1.
    net_a : current into the battery averaged over the transmit cycle, None if unknown. [A]
    """
    above = (max(0.0, (low - reserve_soc) * capacity_ah), max(0.0, (high - reserve_soc) * capacity_ah))
    if net_a is None or not net_a <= -_NOTHING_A:
        return Outlook(above, None, None)
    early = above[0] * 3600 / (-net_a * (1 + _DRIFT))
    late = above[1] * 3600 / (-net_a * (1 - _DRIFT))
    return Outlook(above, now_s + early, now_s + late if late < FARTHEST_S else None)
