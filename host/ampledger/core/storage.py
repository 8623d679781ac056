"""
Putting the battery away: at what charge, until when it has to be topped up, and how long charging takes.

In: what is known of battery, charge, temperature and of what drains it. Out: advice with its figures and cautions.
Pure. It knows nothing of the cells one by one, nothing of a pack that ages, and stands back behind the maker's sheet.

Drain: what the pack loses by itself, what its own protection takes, and what flows out of it while it stands connected.
Their ranges are put together in quadrature; the time is charge over drain, and its range that of a logarithmic normal.
Charging: constant current until a last share of the charge, then falling by e in equal times down to the current at
which it ends, as a charger of constant current and constant voltage does it; how large that share is, is judgement.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from ampledger.errors import ConfigError, check_bounds

_DAY_S, _MONTH_DAYS = 86_400.0, 30.0
_Z90 = 1.6449  # standard deviations: 5 % of a normal lie beyond

#: Charge to store at, low, middle, high [-]. Common practice, no source; one maker's sheet has 13.2 V, about 50 %.
STORE = (0.4, 0.5, 0.6)
#: Rested volts of a cell at that charge: 13.2 V of four, one maker's sheet (by the notes of this project). [V]
STORE_CELL_V = 3.30
#: One maker's sheet: stored between these [degC], one cycle every six months. Another's: charged between 0 and 45 degC.
STORE_C, CYCLE_DAYS, CHARGE_C = (15.0, 35.0), 182.5, (0.0, 45.0)

# Self-discharge in 30 days at up to 25 degC: at most 3 % by one maker's sheet, half of it for good; 2 % as elsewhere in
# this program; 1 % at least is judgement. Twice as much for each 10 K above 25 degC: a rule of thumb, from memory.
_BY_ITSELF = (0.01, 0.02, 0.03)
_WARM_C, _DOUBLES_K = 25.0, 10.0
_INSIDE_A = (0.001, 0.002, 0.005)  # the protection's own draw: 1 to 5 mA is common practice, no source; 2 as elsewhere

# The charge still to come when the current begins to fall, as a share of capacity, at low and at high C: judgement. A
# tenth of C sees hardly any, half of C some 8 %. The truth may be half or twice that.
_LAST, _LAST_PER_C, _LAST_MOST = 0.02, 0.12, 0.2
_ENDS_C = 0.02  # the current at which charging ends: one maker's sheet, about 0.02 C
_KEEPS = 0.9975  # of what goes in: 0.995 to 1.000 (notes of this project, from memory)
_CURRENT_SD = 0.03  # of what the charger's label says, judgement
_GENTLE_C = 0.5  # above it the sheet has to allow it: judgement


class Three(NamedTuple):
    """A figure with its 90 % range."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Away:
    """
    A battery that is to be put away.

    now_s : UTC. [s] capacity_ah, series : as told. soc, sd : charge now and how well it is known. [-]
    temp_c : where it will stand. [degC] floor : charge at which it has to be topped up. [-]
    standing : what flows while it stands connected, low and high its 90 % range; noughts: unplugged. [A]
    charger_a : what the charger gives; None: none is told. [A] capacity_sd : as a share. [-]
    """

    now_s: float
    capacity_ah: float
    soc: float
    temp_c: float
    sd: float = 0.05
    floor: float = 0.2
    standing: Three = Three(0.0, 0.0, 0.0)
    charger_a: float | None = None
    series: int = 4
    capacity_sd: float = 0.05


@dataclass(frozen=True, slots=True)
class Advice:
    """
    do : "store" (as it is), "charge" or "discharge" before. move_ah : to come to the middle of `STORE`; positive goes
    in. [Ah] store_v : rested volts of the pack there. [V] drain_a : what is lost, all together. [A]
    from_now_days, stored_days : until the floor, with the charge of now and with that of `STORE`. [day]
    topup_s : when to look after it, stored as advised, UTC: the floor, or half a year where that is sooner. [s]
    by_sheet : it is the half year. to_store_h, to_full_h : with the charger; None without one or nothing to do. [h]
    cautions : sentences.
    """

    do: str
    move_ah: float
    store_v: float
    drain_a: Three
    from_now_days: Three
    stored_days: Three
    topup_s: Three
    by_sheet: bool
    to_store_h: Three | None
    to_full_h: Three | None
    cautions: tuple[str, ...]


_BOUNDS: dict[str, tuple[float, float, str]] = {
    "capacity_ah": (0.1, 10_000.0, "Ah of capacity"),
    "soc": (0.0, 1.0, "of charge (0 to 1)"),
    "sd": (0.005, 0.5, "of doubt about it (0 to 1)"),
    "temp_c": (-40.0, 80.0, "°C where it will stand"),
    "floor": (0.05, 0.5, "of charge to top up at (0 to 1)"),
    "series": (1, 16, "cells in series"),
    "capacity_sd": (0.005, 0.5, "of doubt about the capacity (0 to 1)"),
}


def advise(away: Away) -> Advice:
    """What to do with the battery before and while it is put away. Raises ConfigError for what can't be."""
    _check(away)
    low, middle, high = STORE
    do = "charge" if away.soc < low else "discharge" if away.soc > high else "store"
    stands_at = away.soc if do == "store" else middle
    move_ah = 0.0 if do == "store" else (middle - away.soc) * away.capacity_ah
    drain = drain_a(away)
    stored = days_to(away, stands_at, drain)
    by_sheet = stored.value > CYCLE_DAYS
    due = Three(*(away.now_s + _DAY_S * min(CYCLE_DAYS, d) for d in stored))
    to_store = to_full = None
    if away.charger_a is not None:
        to_store = charge_h(away, middle) if do == "charge" else None
        to_full = charge_h(away, 1.0) if away.soc < 1.0 else None
    return Advice(
        do, move_ah, STORE_CELL_V * away.series, drain, days_to(away, away.soc, drain), stored, due, by_sheet, to_store,
        to_full, _cautions(away, do),
    )  # fmt: skip


def _check(away: Away) -> None:
    check_bounds(away, _BOUNDS)
    if not all(0.0 <= x <= 5.0 for x in away.standing):
        raise ConfigError(f"{1000 * away.standing.value:g} mA that flow while it stands: give 0 to 5000.")
    if away.charger_a is not None and not 0.01 <= away.charger_a <= 500.0:
        raise ConfigError(f"{away.charger_a:g} A of the charger: give 0.01 to 500.")


def drain_a(away: Away) -> Three:
    """What is lost, all together, as a current. [A]"""
    warm = 2.0 ** (max(0.0, away.temp_c - _WARM_C) / _DOUBLES_K)
    itself = tuple(warm * x * away.capacity_ah / (24.0 * _MONTH_DAYS) for x in _BY_ITSELF)
    parts = [itself, _INSIDE_A, (away.standing.low, away.standing.value, away.standing.high)]
    value = math.fsum(p[1] for p in parts)
    down = math.sqrt(math.fsum((p[1] - p[0]) ** 2 for p in parts))
    up = math.sqrt(math.fsum((p[2] - p[1]) ** 2 for p in parts))
    return Three(value, max(0.0, value - down), value + up)


def days_to(away: Away, soc: float, drain: Three) -> Three:
    """
    Days until the floor from a charge that is as well known as that of now; noughts where it is below it. [day]

    (soc - floor) C / drain. Its range: the relative errors of charge, capacity and drain in quadrature, as logarithms.
    """
    left = soc - away.floor
    if left <= 0.0:
        return Three(0.0, 0.0, 0.0)
    value = left * away.capacity_ah / drain.value / 24.0
    known = (_Z90 * away.sd / left) ** 2 + (_Z90 * away.capacity_sd) ** 2
    sooner = math.sqrt(known + math.log(drain.high / drain.value) ** 2)
    later = math.sqrt(known + math.log(drain.value / max(drain.low, 1e-9)) ** 2)
    # Beyond e the logarithm is none of the charge any more: it may be at the floor already.
    return Three(value, value * math.exp(-sooner) if sooner < 1.0 else 0.0, value * math.exp(later))


def charge_h(away: Away, to_soc: float) -> Three:
    """
    Hours from the charge of now to another with the charger's current. [h]

    Of a charge q that is still to come when the current I begins to fall, down to the current E at which it ends:
    t = q / (I - E) ln(I / E), for a current that falls by e in equal times. Raises ConfigError without a charger.
    """
    if away.charger_a is None:
        raise ConfigError("How long charging takes needs the charger's amps.")
    c = away.charger_a / away.capacity_ah
    last = min(_LAST_MOST, _LAST + _LAST_PER_C * c) if c > _ENDS_C else 0.0
    hours = _hours(away.soc, to_soc, c, last)
    missing = max(0.0, to_soc - away.soc)
    # The charge's own doubt and the capacity's, the charger's, and the last part of half to twice the size.
    sd_h = [away.sd / c if missing else 0.0, away.capacity_sd * hours, _CURRENT_SD * hours]
    known = _Z90**2 * math.fsum(x * x for x in sd_h)
    less, more = hours - _hours(away.soc, to_soc, c, 0.5 * last), _hours(away.soc, to_soc, c, 2.0 * last) - hours
    return Three(hours, max(0.0, hours - math.sqrt(known + less**2)), hours + math.sqrt(known + more**2))


def _hours(soc: float, to_soc: float, c: float, last: float) -> float:
    """c : current over capacity. [1/h] last : share of the charge that comes while the current falls. [-]"""
    bend = 1.0 - last
    flat = max(0.0, min(to_soc, bend) - soc) / c
    if last <= 0.0 or to_soc <= bend:
        return flat / _KEEPS
    tau = last / (c - _ENDS_C)  # of the fall [h]; from c to the end `last` has gone in

    def after(share: float) -> float:  # from the bend to that charge
        return -tau * math.log(1.0 - max(0.0, share - bend) / (tau * c))

    return (flat + after(to_soc) - after(soc)) / _KEEPS


def _cautions(away: Away, do: str) -> tuple[str, ...]:
    out = [
        "The maker's sheet and the rules of your place come before these figures; one pack is not like another.",
        "Charge with a charger for LiFePO4 of this number of cells only, on a surface that can't burn, and stay with "
        "it: never unattended, never under cover, never a swollen, hot or damaged pack.",
        "Never charge at or below 0 °C. A pack from the cold has to come to room temperature first, for hours.",
    ]  # fmt: skip
    if away.temp_c <= CHARGE_C[0]:
        out.append(f"At {away.temp_c:g} °C where it will stand it can't be topped up there: bring it in before.")
    if away.temp_c > CHARGE_C[1]:
        out.append(f"At {away.temp_c:g} °C it is too hot to be charged (one maker's sheet: 0 to 45 °C).")
    if not STORE_C[0] <= away.temp_c <= STORE_C[1]:
        low, high = STORE_C
        out.append(f"{away.temp_c:g} °C is outside the {low:.0f} to {high:.0f} °C of one maker's sheet for storing.")
    if away.charger_a is not None and away.charger_a > _GENTLE_C * away.capacity_ah:
        out.append(f"{away.charger_a:g} A is more than half the capacity in an hour: only where the sheet allows it.")
    if away.standing.value > 0.0:
        out.append("Unplugged, the pack keeps longer: what stands connected goes on drawing.")
    if do != "store":
        out.append(
            f"Volts tell little of such cells between 20 and 95 %: {STORE_CELL_V * away.series:.1f} V rested is a "
            "check; count the amp-hours."
        )
    return tuple(out)
