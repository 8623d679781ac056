# The calibration of this board, kept on its flash. In: what a host measured
# against a meter. Out: gain and offset for each channel, quantity and range,
# as integers. Readings stay raw counts; whoever scales them applies this.
#
#     true = raw * (1 + gain_ppb / 1e9) + offset_u / 1e6      amps or volts
#
# A chip that counts charge has a third quantity, count: the gain of its own
# clock, by which its charge is multiplied beside the gain of the amps.
#
# One file, calibration.json, replaced whole (written anew, read back, renamed
# over the old one), so that a cut at any moment leaves the old or the new one.
# It also holds the last four sets before the present one. All changes between
# two starts of the board are one set, as a board takes a calibration in use at
# its start: undo brings back what was in use before. A damaged file is put
# aside and said; the board then measures uncalibrated.
import json
import os
from binascii import crc32

from micropython import const

_FORM = const(1)
_KEPT = const(4)  # sets before the present one
_LONGEST = const(32768)  # bytes; a larger file is none of ours
_MOST_PPB = const(500000000)  # beyond this the shunt in board.toml is wrong, not the calibration
_CHANNELS = ("solar", "battery", "load")
_FIELDS = ("gain_ppb", "offset_u", "residual_ppm", "unix_s", "temp_c16", "reference")
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-"
NO_TEMP = const(0x7FFF)  # temp_c16 when the temperature is not known: the entry then has none
VOLTS_FULL_U = 20000000  # what 5 % of full scale means for volts: of 20 V


def _key(channel, quantity, range_):
    return channel + "/amps/" + range_ if quantity == "amps" else channel + "/" + quantity


def _check(sets):
    """Checksum of what the sets say, whatever the order of the entries in the file."""
    said = []
    for one in sets:
        said.append("set")
        for key in sorted(one):
            entry = one[key]
            said.append(key)
            for field in _FIELDS:
                if field in entry:
                    said.append(str(entry[field]))
    return crc32("\n".join(said).encode()) & 0xFFFFFFFF


def _plain(word, most):
    return 0 < len(word) <= most and all([c in _LETTERS for c in word])


def _moves(old, gain_ppb, offset_u, full_u):
    """How a change moves a reading, in words, or "" if by no more than 5 %."""
    old_gain = old["gain_ppb"] if old else 0
    old_offset = old["offset_u"] if old else 0
    gain = abs(gain_ppb - old_gain)
    if gain * 20 > 1000000000 + old_gain:
        return "the gain by %d.%d %%" % (gain // 10000000, gain // 1000000 % 10)
    offset = abs(offset_u - old_offset)
    if offset * 20 > full_u:
        return "the offset by %d millionths of %d" % (offset, full_u)
    return ""


class Calibration:
    """
    `folder` ends in "/" or is empty. `note` is a sentence for the operator
    when something was wrong with the file, else "".
    """

    def __init__(self, folder=""):
        self._path = folder + "calibration.json"
        self._new = folder + "calibration.new"
        self._bad = folder + "calibration.bad"
        self.note = ""
        self._begun = False  # whether the present set was begun since the start
        self._now = {}
        try:
            self._now = self._load()[0]
        except OSError:
            if self._there(self._bad) and not self._there(self._path):
                self.note = self._aside("was")
            elif self._there(self._path):
                self.note = "calibration.json can't be read: the board measures uncalibrated."
        except Exception:
            # Whatever stands in that file, the board must start.
            try:
                self._rename(self._path, self._bad)
            except OSError:
                pass
            self.note = self._aside("is")

    def _aside(self, word):
        return (
            "calibration.json %s damaged and was put aside as calibration.bad: the board measures uncalibrated. "
            "Import an exported calibration or calibrate anew." % word
        )

    def _there(self, path):
        try:
            os.stat(path)
            return True
        except OSError:
            return False

    def _rename(self, old, new):
        # os.replace: CPython on Windows doesn't rename over a file; MicroPython has rename alone, and it does.
        getattr(os, "replace", os.rename)(old, new)

    def _load(self):
        """The sets in the file, the present one first. OSError: no file; anything else: damaged."""
        if os.stat(self._path)[6] > _LONGEST:
            raise ValueError
        with open(self._path) as f:
            whole = json.loads(f.read())
        sets = whole["sets"]
        if whole["form"] != _FORM or not sets or whole["crc"] != _check(sets):
            raise ValueError
        return sets

    def _sets(self):
        try:
            return self._load()
        except Exception:
            return [{}]  # as at the start, where the note was made

    def _save(self, sets):
        text = json.dumps({"form": _FORM, "sets": sets, "crc": _check(sets)})
        with open(self._new, "w") as f:
            f.write(text)
        with open(self._new) as f:
            if f.read() != text:
                raise OSError(5)
        self._rename(self._new, self._path)
        self._now = sets[0]
        self.note = ""

    def entry(self, channel, quantity, range_):
        """The entry of one channel, None when it is not calibrated in this range."""
        return self._now.get(_key(channel, quantity, range_))

    def all(self):
        """All entries, "channel/amps/RANGE" or "channel/volts" -> entry."""
        return dict(self._now)

    def set(
        self,
        channel,
        quantity,
        range_,
        gain_ppb,
        offset_u,
        residual_ppm,
        unix_s,
        temp_c16,
        reference,
        anyway,
        full_u,
    ):
        """
        Keep an entry; returns "" or a sentence that says why it was not kept.

        Without `anyway` a change that moves a reading by more than 5 % is
        refused: gain against the present one, offset against `full_u`
        (millionths of an ampere or volt at full scale).
        """
        if channel not in _CHANNELS:
            return "No channel " + channel + "."
        if quantity not in ("amps", "volts", "count"):
            return "Amps, volts or count can be calibrated, not " + quantity + "."
        if quantity == "count" and offset_u:
            return "A count has a gain, no offset."
        if quantity == "amps" and not _plain(range_, 12):
            return "The range has no name."
        if not _plain(reference, 24):
            return "The reference has 1 to 24 characters: letters, digits, dot, dash, underscore."
        if abs(gain_ppb) > _MOST_PPB:
            return "A gain changed by more than 50 % is no calibration: is the shunt in board.toml right?"
        if abs(offset_u) > full_u:
            return "An offset beyond full scale is no calibration."
        if not 0 <= residual_ppm <= 1000000 or unix_s < 0 or not -32768 <= temp_c16 <= NO_TEMP:
            return "Residual, date or temperature can't be."
        key = _key(channel, quantity, range_)
        moves = "" if anyway else _moves(self._now.get(key), gain_ppb, offset_u, full_u)
        if moves:
            return "This moves " + moves + ", more than 5 %: not kept. Say anyway if that is meant."
        entry = {
            "gain_ppb": gain_ppb,
            "offset_u": offset_u,
            "residual_ppm": residual_ppm,
            "unix_s": unix_s,
            "reference": reference,
        }
        if temp_c16 != NO_TEMP:
            entry["temp_c16"] = temp_c16
        sets = self._sets()
        now = dict(sets[0])
        now[key] = entry
        sets = [now] + (sets[1:] if self._begun else sets[:_KEPT])
        try:
            self._save(sets)
        except OSError as e:
            return "The calibration can't be written to the flash (%s): is it full?" % e
        self._begun = True
        return ""

    def undo(self):
        """Back to the set before; returns a sentence."""
        sets = self._sets()
        if len(sets) < 2:
            return "There is no calibration before this one: nothing was undone."
        try:
            self._save(sets[1:])
        except OSError as e:
            return "The calibration can't be written to the flash (%s): nothing was undone." % e
        self._begun = False
        return "Undone: the calibration before the last one is back, %d entries." % len(self._now)
