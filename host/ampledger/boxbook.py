"""
What the box is: battery, radio, limits, told once and changed later; what was found out of it; what is asked at first.

In: changes from the page, one at a time, with the same names, bounds and sentences as the options of the command line
(`settings` has them). Out: the setup from which engines are made, and what the page shows of it. What is changed is
told to the store like everything else, so that conclusions made anew later come out the same.
"""

from __future__ import annotations

import argparse
import threading
from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Any

from ampledger.core import health
from ampledger.core.cells import CURVES
from ampledger.core.engine import Engine
from ampledger.core.health import Cycle
from ampledger.core.model import Start
from ampledger.core.wiring import AMPACITY_A, Branch, area_mm2, drop
from ampledger.errors import BoxError, ConfigError, StoreError
from ampledger.settings import _ASKED, DEFAULTS, Setup, battery_told, check_told, chosen
from ampledger.store import Store

#: What is asked of the battery and the radio: option, words, unit; limits follow from `settings`.
_ASKS: tuple[tuple[str, str, str, str], ...] = (
    ("battery", "capacity_ah", "Usable charge, from full to empty", "Ah"),
    ("battery", "series", "Cells in series", ""),
    ("battery", "curve", "Curve of its cells", ""),
    ("battery", "reserve_soc", "Reserve, not to be used", "%"),
    ("battery", "standing_ma", "Drawn while the board is off", "mA"),
    ("radio", "radio_min_v", "Least volts at its plug", "V"),
    ("radio", "lead_mohm", "Lead to it, both wires and contacts", "mΩ"),
)
#: Numbers of the form, and by how much what is kept is multiplied to be shown: (key that is kept, factor).
_KEPT = {
    "standing_ma": ("standing_a", 1000.0),
    "lead_mohm": ("lead_ohm", 1000.0),
    "reserve_soc": ("reserve_soc", 100.0),
}
NAMES = frozenset([*(name for _, name, _, _ in _ASKS), *_ASKED])


class BoxBook:
    """
    The description of the box, for all boards alike, as the command line's options are. May be called from any thread.

    values : as `settings` keeps them. assumed : nobody has told the battery yet. clock : UTC. [s]
    on_change : called after a change, with nothing held. kept : whether it is to be there after a restart.
    """

    def __init__(
        self, store: Store, values: dict[str, Any], assumed: bool, clock: Callable[[], float], kept: bool = True
    ) -> None:
        self._store, self._clock, self._kept = store, clock, kept
        self._values = dict(values)
        self._undo: list[tuple[dict[str, Any], bool]] = []
        self.assumed = assumed
        self.setup: Setup = battery_told(values)
        self._guard = threading.Lock()
        self.on_change: Callable[[], None] = lambda: None

    def engine(self, start: Start) -> Engine:
        """An engine at its beginning."""
        return self.setup.engine(start)

    def change(self, wishes: Mapping[str, Any]) -> None:
        """
        Change some of it; None takes a limit away, or back to what is usual.

        Raises ConfigError for what can't be, StoreError where it can't be kept; then nothing is changed.
        """
        with self._guard:
            before = self._values, self.assumed
            values = self._values | _read(wishes)
            self._take(values, False)
            self._undo.append(before)
            del self._undo[:-20]
        self.on_change()

    def undo(self) -> None:
        """Take the last change back. Raises ConfigError where there is none."""
        with self._guard:
            if not self._undo:
                raise ConfigError("There is no change of this run to take back.")
            values, assumed = self._undo[-1]
            self._take(values, assumed)
            self._undo.pop()
        self.on_change()

    def _take(self, values: dict[str, Any], assumed: bool) -> None:
        setup = battery_told(values)
        setup.engine(Start())  # says what can't be before anything is kept
        self._store.tell(self._clock(), "", "battery", values)
        if self._kept:
            self._store.put_state("settings", None if assumed else values)
        self._values, self.setup, self.assumed = values, setup, assumed

    def tell_charge(self, soc: float, sd: float) -> None:
        """The charge is so much now, known so well. Raises ConfigError, StoreError."""
        if not 0.0 <= soc <= 1.0 or not 0.0 < sd <= 0.5:
            raise ConfigError("A charge is 0 to 100 %, known to 0.5 to 50 %.")
        self._store.tell(self._clock(), "", "charge", {"soc": soc, "sd": sd})
        self.on_change()

    def told(self) -> dict[str, Any]:
        """
        What the form shows.

        fields : [group, name, words, unit, value, usual, low, high]; value None: not told; usual: what is taken then.
        curves : [name, what it is]. undo : whether there is a change to take back. assumed : the battery is a guess.
        """
        with self._guard:
            values, undo, assumed = dict(self._values), bool(self._undo), self.assumed
        fields: list[list[Any]] = []
        for group, name, words, unit in _ASKS:
            key, factor = _KEPT.get(name, (name, 1.0))
            value = values.get(key)
            usual = DEFAULTS.get(key)
            if name == "curve":
                fields.append([group, name, words, unit, value if isinstance(value, str) else "own", usual, None, None])
                continue
            shown = None if value is None or (name == "lead_mohm" and not values["lead_told"]) else factor * value
            usual = None if usual is None else factor * usual
            if name == "radio_min_v" and usual is None:
                usual = self.setup.station.limit_v(self.setup.battery.series) if shown is None else None
            fields.append([group, name, words, unit, _short(shown), _short(usual), *_LIMITS_OF[name]])
        for name, asked in _ASKED.items():
            value, usual = values.get(name), DEFAULTS[name]
            unit = {"A": "A", "C": "°C", "V": "V"}[asked.unit]
            words = asked.what.split(" (default")[0]
            own = None if value is None or value == usual else value
            fields.append(["limits", name, words[0].upper() + words[1:], unit, _short(own), _short(usual),
                           0.0 if asked.can_go else asked.low, asked.high])  # fmt: skip
        curves = [[c.name, c.conditions] for c in CURVES.values()]
        return {"fields": fields, "curves": curves, "undo": undo, "assumed": assumed}


#: What the sums of a branch are asked with.
BRANCH = ("awg", "mm2", "length_m", "peak_a", "mean_a", "begin_v", "contacts", "fuse_a", "least_v", "bears_a", "temp_c")

_LIMITS_OF: dict[str, tuple[float, float]] = {
    "capacity_ah": (0.1, 10_000.0),
    "series": (1, 16),
    "reserve_soc": (0.0, 99.0),
    "standing_ma": (0.0, 1000.0),
    "radio_min_v": (0.0, 60.0),
    "lead_mohm": (0.0, 2000.0),
}


def _short(x: float | None) -> float | None:
    return None if x is None else float(f"{x:.6g}")


def _read(wishes: Mapping[str, Any]) -> dict[str, Any]:
    """What is kept of what the page wishes, looked at as the command line's options are. Raises ConfigError."""
    unknown = set(wishes) - NAMES
    if unknown:
        raise ConfigError(f"There is no “{min(unknown)[:30]}” to be told; there are {', '.join(sorted(NAMES))}.")
    names = ("capacity_ah", "series", "reserve_soc", "start_soc", "start_sd", "lead_ohm", "radio_min_v", "standing_ma",
             "curve", "lead_mohm", "cutoff_v", "battery_mohm", *_ASKED)  # fmt: skip
    args = argparse.Namespace(**dict.fromkeys(names))
    out: dict[str, Any] = {}
    for name, value in wishes.items():
        if name == "curve":
            if value is not None and (not isinstance(value, str) or value not in CURVES):
                raise ConfigError(f"“{str(value)[:40]}” is none of the curves; there are {', '.join(CURVES)}.")
            args.curve = value or DEFAULTS["curve"]
            continue
        if value is None:
            if name in ("capacity_ah", "series"):
                raise ConfigError("The battery's charge and its number of cells have to be told.")
            out |= _usual(name)
            continue
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise ConfigError(f"`{name}` is a number, or null.")
        number = float(value) / 100.0 if name == "reserve_soc" else float(value)
        if name == "series":
            if number != int(number):
                raise ConfigError("Cells in series are a whole number, 1 to 16.")
            setattr(args, name, int(number))
        else:
            setattr(args, name, number)
    check_told(args)
    out |= {k: v for k in ("capacity_ah", "series", "reserve_soc") if (v := getattr(args, k)) is not None}
    return out | chosen(args)


def _usual(name: str) -> dict[str, Any]:
    key, _ = _KEPT.get(name, (name, 1.0))
    if name == "reserve_soc":
        return {key: 0.2}
    usual = {key: DEFAULTS[key]}
    return usual | {"lead_told": False} if name == "lead_mohm" else usual


# --- what was found out, and sums ---


def found(store: Store, device: str) -> dict[str, Any] | None:
    """
    What is known of the battery's health: `health.Health` as plain values, the told capacity, and of each cycle its
    end, counted capacity and ohms; None while nothing was concluded. Raises StoreError.
    """
    cycles = [Cycle.from_dict(values) for values in store.cycles(device)]
    saved = store.get_state(f"live:{device}")
    try:
        state = health.from_dict(saved["engine"]["health"])
    except (StoreError, BoxError, KeyError, TypeError):
        return None
    read = health.read(state, cycles)
    points = [[c.end_s, c.direct_ah, None if c.r25_ohm is None else c.r25_ohm] for c in cycles[-500:]]
    return asdict(read) | {"nominal_ah": state.battery.capacity_ah, "points": points}


def wiring(wishes: Mapping[str, float | None]) -> dict[str, Any]:
    """
    The sums of one branch as the page shows them. `awg` or `mm2`; the rest as in `wiring.Branch`. Raises ConfigError.
    """
    values: dict[str, Any] = {k: v for k, v in wishes.items() if v is not None}
    awg = values.pop("awg", None)
    if awg is not None:
        if awg != int(awg):
            raise ConfigError("A gauge is a whole number, such as 12.")
        values["mm2"] = area_mm2(int(awg))
        values.setdefault("bears_a", AMPACITY_A.get(int(awg)))
    if "mm2" not in values:
        raise ConfigError("Give the wire's gauge or its cross section in mm².")
    bears_a = values.pop("bears_a", None)
    contacts = int(values.pop("contacts", 4))
    try:
        branch = Branch(contacts=contacts, bears_a=bears_a, **values)
    except TypeError as e:
        raise ConfigError("Give length, peak, lasting amps and the volts at the beginning.") from e
    return asdict(drop(branch)) | {"mm2": branch.mm2, "bears_a": bears_a}
