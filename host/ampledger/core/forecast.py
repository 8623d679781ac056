"""
When the charge that can be used is gone if everything goes on as it does now.

In: what the pack can still give, with its range, and the balance over the
transmit cycle. Out: an early and a late time. It knows no sun path, no plan
and no change of habits, and says so; the forecast proper replaces it.
"""

from __future__ import annotations

from dataclasses import dataclass

from ampledger.core.usable import Limit

# How far the mean draw of the next hours may differ from that of the last ten minutes, and below which
# nobody can tell gaining from losing. Common practice, no source.
_DRIFT = 0.25
_NOTHING_A = 0.03
FARTHEST_S = 7 * 86400.0


@dataclass(frozen=True, slots=True)
class Outlook:
    """
    usable_ah : charge until the first of the ends that `usable` knows, low and high end of the 90 % band. [Ah]
    early_s, late_s : UTC at which that end is reached, None when it is not
        being approached or that is not known; late_s None alone: farther off
        than a week. `early_s` is now when the low end has nothing left. [s]
    limited_by : which end it is; early_by: at the low end of the range.
    """

    usable_ah: tuple[float, float]
    early_s: float | None
    late_s: float | None
    limited_by: Limit = "reserve"
    early_by: Limit = "reserve"


def outlook(
    now_s: float,
    usable_ah: tuple[float, float],
    net_a: float | None,
    limited_by: Limit = "reserve",
    early_by: Limit = "reserve",
) -> Outlook:
    """
    now_s : time of the estimate. [s]
    usable_ah : low and high end of what can still be drawn, at least 0. [Ah]
    net_a : current into the battery averaged over the transmit cycle, None if unknown. [A]
    """
    if net_a is None or not net_a <= -_NOTHING_A:
        return Outlook(usable_ah, None, None, limited_by, early_by)
    early = usable_ah[0] * 3600 / (-net_a * (1 + _DRIFT))
    late = usable_ah[1] * 3600 / (-net_a * (1 - _DRIFT))
    return Outlook(usable_ah, now_s + early, now_s + late if late < FARTHEST_S else None, limited_by, early_by)
