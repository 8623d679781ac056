"""
ADIF, the open format of contact logs: ADI (tagged text) and ADX (XML), read and written.

In: the bytes of a file. Out: its records, and what in them could not be read, by record, so that one bad field loses
nothing else. Written again, a log is what was read, field for field, with fields of ours added under the name that the
standard keeps for programs (APP_AMPLEDGER_...). Pure: no files here.

Source: ADIF 3.1.x (adif.org), sections on ADI, ADX and application-defined fields, read second-hand: from what other
readers' tests quote of it. The standard's own examples are tests, with invented callsigns.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Literal, NamedTuple
from xml.parsers import expat
from xml.sax.saxutils import escape, quoteattr

from ampledger.core.contacts import Contact
from ampledger.errors import ConfigError, plain

#: The name under which our own fields stand: APP_AMPLEDGER_AH and so on.
PROGRAM = "AMPLEDGER"
#: A file is not larger, nor has it more records. [byte], [-]
MOST_BYTES, MOST_RECORDS = 64_000_000, 1_000_000
_TAG = re.compile(r"<([^<>:]+)(?::(\d{1,9})(?::([^<>]*))?)?>")
# A tag within a value, and one that the value's end cuts through.
_INNER = re.compile(r"<(?:[^<>:]+:\d{1,9}[:>]|EO[HR]>)", re.IGNORECASE)
_CUT = re.compile(r"<[^<>]{0,60}\Z")
# What the standard keeps out of names, and what no name should begin or end with.
_NAME = re.compile(r"(?! )[^\x00-\x1f\x7f-\uffff\U00010000-\U0010ffff,:<>{}]+(?<! )")
# After a value comes the next tag, or the end, or free text after a blank.
_BLANK = " \t\r\n"
_NEXT = re.compile(r"[ \t\r\n]{0,80}(?:<|\Z)")
_HEAD = "A contact log"  # what is written before a header: a file that begins with "<" has none
# A contact is not longer: another time off is a slip, or was never filled in. [s] Judgement.
_LONGEST_S = 6 * 3600.0
_MOST_ODD = 1000


class Field(NamedTuple):
    """name : in capitals. kind : the letter of the data type, "" where none was given."""

    name: str
    value: str
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Record:
    """number : in the file, from 1. fields : in their order; of two with one name the first counts."""

    number: int
    fields: tuple[Field, ...] = ()

    def get(self, name: str) -> str:
        """The value of a field, without blanks around it; "" where there is none."""
        return next((f.value.strip() for f in self.fields if f.name == name), "")

    def having(self, fields: Iterable[Field]) -> Record:
        """The record with these fields at its end, instead of those of the same names."""
        new = tuple(fields)
        names = {f.name for f in new}
        return replace(self, fields=(*(f for f in self.fields if f.name not in names), *new))


class Odd(NamedTuple):
    """Something that could not be read. record : its number, 0 for the header or the whole file. field : "" for all."""

    record: int
    field: str
    why: str

    def __str__(self) -> str:
        where = f"Record {self.record}" if self.record else "The file"
        return f"{where}{', ' + self.field if self.field else ''}: {self.why}"


@dataclass(frozen=True, slots=True)
class Log:
    """
    header : its fields, USERDEF among them. preamble : free text before the header of an ADI file.
    odd : what could not be read, at most a thousand. more_odd : what is left out of that. [-]
    form : "adi" or "adx". lengths : of an ADI file, what its lengths count.
    """

    records: tuple[Record, ...] = ()
    header: tuple[Field, ...] = ()
    preamble: str = ""
    odd: tuple[Odd, ...] = ()
    more_odd: int = 0
    form: Literal["adi", "adx"] = "adi"
    lengths: Literal["characters", "bytes"] = "characters"

    def with_records(self, records: Iterable[Record]) -> Log:
        """The same with other records."""
        return replace(self, records=tuple(records))


@dataclass(slots=True)
class _Oddities:
    kept: list[Odd] = field(default_factory=list)
    more: int = 0

    def __call__(self, record: int, name: str, why: str) -> None:
        if len(self.kept) < _MOST_ODD:
            self.kept.append(Odd(record, name, why))
        else:
            self.more += 1

    def are_of_the_header(self) -> None:
        self.kept = [odd._replace(record=0) for odd in self.kept]


def read(data: bytes) -> Log:
    """
    The log in a file's bytes, ADI or ADX by what is in it.

    Raises ConfigError for what is neither, or is larger than `MOST_BYTES`.
    """
    if len(data) > MOST_BYTES:
        raise ConfigError(f"This log is larger than {MOST_BYTES // 1_000_000} MB; export a shorter span of it.")
    text, one_way = _text_of(data)
    if re.match(r"\s*<(\?xml|ADX)\b", text, re.IGNORECASE):
        return _read_adx(data)
    if not re.search(r"<EO[HR]>", text, re.IGNORECASE):
        raise ConfigError("This is no ADIF log: no record in it ends with <EOR>, and it is no ADX. Export it as ADIF.")
    log, misfits = _read_adi(text)
    if one_way or not misfits:
        return log
    # Some programs count bytes where others count characters: taken is what leaves less over.
    other, other_misfits = _read_adi(data.removeprefix(b"\xef\xbb\xbf").decode("latin-1"))
    if other_misfits >= misfits:
        return log
    header = _decoded(Record(0, other.header)).fields
    records = tuple(map(_decoded, other.records))
    return replace(other, records=records, header=header, preamble=_utf8(other.preamble), lengths="bytes")


def _text_of(data: bytes) -> tuple[str, bool]:
    """Text, and whether bytes and characters are as many in it."""
    try:
        return data.decode("utf-8-sig"), data.isascii()
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace"), True


def _utf8(text: str) -> str:
    return text.encode("latin-1").decode("utf-8", "replace")


def _decoded(record: Record) -> Record:
    return replace(record, fields=tuple(Field(f.name, _utf8(f.value), f.kind) for f in record.fields))


def own(name: str, value: str, kind: str = "") -> Field:
    """A field of ours: APP_AMPLEDGER_<name>."""
    return Field(f"APP_{PROGRAM}_{name}", value, kind)


# --- ADI ---


def _read_adi(text: str) -> tuple[Log, int]:
    """The log, and how many lengths did not fit, as happens when they count something else."""
    odd = _Oddities()
    header: tuple[Field, ...] | None = None
    records: list[Record] = []
    fields: dict[str, Field] = {}
    number, misfits, at = 1, 0, 0
    first = _TAG.search(text)
    preamble = text[: first.start() if first else len(text)].strip().replace("\r\n", "\n").replace("\r", "\n")
    while (tag := _TAG.search(text, at)) is not None:
        name, kind, at = tag[1].strip().upper(), (tag[3] or "").strip().upper(), tag.end()
        if tag[2] is None:
            # Many files begin with "<" and have a header all the same; what ends with EOH before any EOR is one.
            if name == "EOH" and header is None and number == 1:
                header, fields = tuple(fields.values()), {}
                odd.are_of_the_header()
            elif name == "EOR":
                if fields:
                    records.append(Record(number, tuple(fields.values())))
                number, fields = number + 1, {}
                if number > MOST_RECORDS + 1:
                    raise ConfigError(f"This log has more than {MOST_RECORDS:,} records; export a shorter span of it.")
            else:
                odd(number, name[:40], "no length is given, so it was skipped.")
            continue
        end = at + int(tag[2])
        if end > len(text) or _runs_over(text, at, end):
            odd(number, name[:40], f"its length, {int(tag[2])}, runs over what comes after it, so it was skipped.")
            misfits += 1
            continue  # with the next tag, wherever that is
        value, at = text[at:end], end
        misfits += at < len(text) and text[at] not in "<" + _BLANK
        if not re.fullmatch("[A-Z]*", kind):
            odd(number, name[:40], "its type is no letter, so it was left out.")
            kind = ""
        _keep(fields, Field(name, value, kind), number, odd)
    if fields:
        odd(number, "", "it does not end (<EOR>): the file may be cut off. What is there was taken.")
        records.append(Record(number, tuple(fields.values())))
    if preamble and header is None:
        odd(0, "", "text stands before the first field, but no header ends (<EOH>): all was read as records.")
    preamble = "" if preamble == _HEAD else preamble
    return Log(tuple(records), header or (), preamble, tuple(odd.kept), odd.more), misfits


def _runs_over(text: str, at: int, end: int) -> bool:
    """Whether a value holds another tag and is not followed by one: its length is too large."""
    holds = _INNER.search(text, at, end) or _CUT.search(text, max(at, end - 61), end)
    return holds is not None and not _NEXT.match(text, end)


def _keep(fields: dict[str, Field], new: Field, number: int, odd: _Oddities) -> None:
    if not _NAME.fullmatch(new.name):
        odd(number, new.name[:40], "that is no name of a field, so it was skipped.")
    elif new.name in fields:
        odd(number, new.name[:40], "it is there twice; the first one counts.")
    else:
        if _INNER.search(new.value):
            odd(number, new.name[:40], "another field or <EOR> stands within it; its length was taken at its word.")
        fields[new.name] = new


def write_adi(log: Log) -> bytes:
    """
    The log as ADI; the standard means ADI for ASCII, so other characters are better off in ADX.

    Lengths count what they counted in the file that was read, characters in a new one.
    """
    in_bytes = log.lengths == "bytes"

    def tag(f: Field) -> str:
        length = len(f.value.encode()) if in_bytes else len(f.value)
        return f"<{f.name}:{length}{':' + f.kind if f.kind else ''}>{f.value}"

    out = []
    if log.header or log.preamble or not log.records:
        head = _HEAD if not log.preamble or log.preamble.startswith("<") else log.preamble
        out.append("\n".join([head, *map(tag, log.header), "<EOH>"]))
    # Where bytes are counted nothing stands between fields, so that they can't be taken for characters.
    gap = "" if in_bytes else " "
    out += [gap.join([*map(tag, record.fields), "<EOR>"]) for record in log.records]
    return ("\n".join(out) + "\n").encode()


# --- ADX ---


class _Reader:
    """What expat tells, made into records."""

    def __init__(self) -> None:
        self.odd = _Oddities()
        self.header: dict[str, Field] = {}
        self.preamble = ""
        self.records: list[Record] = []
        self.fields: dict[str, Field] = {}
        self.path: list[str] = []
        self.attributes: dict[str, str] = {}
        self.text: list[str] = []
        self.number = 0

    def start(self, name: str, attributes: dict[str, str]) -> None:
        name = name.split(":")[-1].upper()
        self.path.append(name)
        self.attributes = {k.upper(): v for k, v in attributes.items()}
        self.text = []
        if len(self.path) == 1 and name != "ADX":
            raise ConfigError(f"This is XML, but no ADX: it begins with <{name[:30]}>. Export the log as ADIF.")
        if self.path == ["ADX", "RECORDS", "RECORD"]:
            self.number += 1
            if self.number > MOST_RECORDS:
                raise ConfigError(f"This log has more than {MOST_RECORDS:,} records; export a shorter span of it.")

    def end(self, _: str) -> None:
        where, name = self.path[:-1], self.path.pop()
        if [*where, name] == ["ADX", "RECORDS", "RECORD"]:
            self.record_ends()
        elif where == ["ADX", "HEADER"]:
            self._field(self.header, 0, name)
        elif where == ["ADX", "RECORDS", "RECORD"]:
            self._field(self.fields, self.number, name)
        self.text = []

    def record_ends(self) -> None:
        if self.fields:
            self.records.append(Record(self.number, tuple(self.fields.values())))
        self.fields = {}

    def text_comes(self, text: str) -> None:
        self.text.append(text)

    def comment(self, text: str) -> None:
        if self.path == ["ADX", "HEADER"] and not self.preamble:
            self.preamble = text.strip()

    def _field(self, to: dict[str, Field], number: int, name: str) -> None:
        a, value = self.attributes, "".join(self.text)
        kind = a.get("TYPE", "").strip().upper()
        if name == "APP":
            program, own_name = a.get("PROGRAMID", "").strip(), a.get("FIELDNAME", "").strip()
            name = f"APP_{program}_{own_name}" if program and own_name else ""
        elif name == "USERDEF" and number:
            name = a.get("FIELDNAME", "").strip()
        elif name == "USERDEF":
            name += a.get("FIELDID", "").strip()
            value += "".join("," + a[k] for k in ("ENUM", "RANGE") if k in a)
        if not re.fullmatch("[A-Z]*", kind):
            self.odd(number, name[:40], "its type is no letter, so it was left out.")
            kind = ""
        _keep(to, Field(name.upper(), value, kind), number, self.odd)


def _read_adx(data: bytes) -> Log:
    def refuse(*_: object) -> None:
        raise ConfigError("This ADX brings a document type of its own, which no log needs; nothing was read of it.")

    reader = _Reader()
    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartElementHandler = reader.start
    parser.EndElementHandler = reader.end
    parser.CommentHandler = reader.comment
    parser.CharacterDataHandler = reader.text_comes
    parser.StartDoctypeDeclHandler = refuse
    try:
        parser.Parse(data.lstrip(), True)
    except (expat.ExpatError, LookupError, ValueError):  # the latter two: an encoding that is not known
        reader.record_ends()
        line = parser.ErrorLineNumber
        if not reader.records:
            raise ConfigError(f"This ADX can't be read: no good XML at line {line}. Export it again.") from None
        reader.odd(0, "", f"it is no good XML from line {line} on; what stands before that was taken.")
    header = tuple(reader.header.values())
    return Log(tuple(reader.records), header, reader.preamble, tuple(reader.odd.kept), reader.odd.more, "adx")


def write_adx(log: Log) -> bytes:
    """
    The log as ADX. Names that XML does not allow stand as user-defined fields; characters that XML can't hold (control
    characters) are left out. A field for which a type was given has it as TYPE, so that nothing is lost on the way to
    ADX and back; whether the standard's schema allows that of its own fields was not read.
    """
    own_names = {f.value.partition(",")[0].strip().upper() for f in log.header if f.name.startswith("USERDEF")}

    def field_of_record(f: Field) -> str:
        app = _APP.fullmatch(f.name)
        if app is not None:
            return _element("APP", f.value, PROGRAMID=app[1], FIELDNAME=app[2], TYPE=f.kind)
        if f.name in own_names or not _ELEMENT.fullmatch(f.name):
            return _element("USERDEF", f.value, FIELDNAME=f.name, TYPE=f.kind)
        return _element(f.name, f.value, TYPE=f.kind)

    def field_of_header(f: Field) -> str:
        if not f.name.startswith("USERDEF"):
            return field_of_record(f)
        number, parts = f.name.removeprefix("USERDEF"), _DEFINED.fullmatch(f.value)
        if parts is None:
            return _element("USERDEF", f.value, FIELDID=number, TYPE=f.kind)
        which = "RANGE" if ":" in parts[2] else "ENUM"
        return _element("USERDEF", parts[1], FIELDID=number, TYPE=f.kind, **{which: parts[2]})

    out = ['<?xml version="1.0" encoding="UTF-8"?>', "<ADX>", "<HEADER>"]
    if log.preamble:
        out.append(f"<!--{re.sub('-(?=-|$)', '- ', _xml_only(log.preamble))}-->")
    out += [*map(field_of_header, log.header), "</HEADER>", "<RECORDS>"]
    for record in log.records:
        out += ["<RECORD>", *map(field_of_record, record.fields), "</RECORD>"]
    return ("\n".join([*out, "</RECORDS>", "</ADX>"]) + "\n").encode()


_ELEMENT = re.compile(r"(?!(?:APP|USERDEF)\Z)[A-Z_][A-Z0-9_.\-]*")
_APP = re.compile(r"APP_(?! )([^_]*[^_ ])_(?! )(.+)")
_DEFINED = re.compile(r"([^,]*),(\{[^\x00-\x1f]*\})")


def _element(name: str, value: str, **attributes: str) -> str:
    """With those attributes that say something; a carriage return is written so that it comes back."""
    says = "".join(f" {k}={quoteattr(v)}" for k, v in attributes.items() if v)
    return f"<{name}{says}>{escape(_xml_only(value), {chr(13): '&#13;'})}</{name}>"


def _xml_only(text: str) -> str:
    return "".join(c for c in text if (c >= " " or c in "\t\n\r") and c not in "\ufffe\uffff")


# --- contacts ---


def contacts_of(log: Log) -> tuple[tuple[Contact, ...], tuple[Odd, ...]]:
    """
    The contacts of a log, in its order, and what of their fields could not be used.

    A record without a usable QSO_DATE and TIME_ON is no contact here and is told of; it stays in the log. Times are
    taken for UTC, as the standard has them. Midnight may lie between on and off, with QSO_DATE_OFF or without. A
    contact that is there twice (station, time, band and mode alike) counts once.
    """
    odd = _Oddities()
    there: dict[tuple[object, ...], int] = {}
    found = []
    for record in log.records:
        contact = _contact(record, odd)
        if contact is None:
            continue
        call = record.get("CALL").upper()
        first = there.setdefault((call, contact.begin_s, contact.band, contact.mode), record.number)
        if call and first != record.number:
            odd(record.number, "", f"it is the same contact as record {first}, so it was not counted again.")
        else:
            found.append(contact)
    # Programs that know minutes only write seconds of 00: three by chance are one in 200,000.
    if len(found) >= 3 and all(c.begin_s % 60.0 == 0.0 for c in found):
        found = [replace(c, coarse_s=60.0) for c in found]
    return tuple(found), tuple(odd.kept)


def _contact(record: Record, odd: _Oddities) -> Contact | None:
    day, on = record.get("QSO_DATE"), record.get("TIME_ON")
    begin_s = _moment(day, on)
    if begin_s is None:
        name = "TIME_ON" if _moment(day, "0000") is not None else "QSO_DATE"
        odd(record.number, name, f"{_said(record.get(name))} can't be read, so this contact has no time.")
        return None
    mode, submode = record.get("MODE").upper(), record.get("SUBMODE").upper()
    mhz = _number(record, "FREQ", odd)
    band = record.get("BAND").lower() or ("" if mhz is None else f"{mhz:g} MHz")
    # A submode names what was sent, but a sideband says no more than SSB.
    named = submode if submode and mode != "SSB" else mode
    coarse_s = 60.0 if len(on) == 4 else 1.0
    power_w = _number(record, "TX_PWR", odd)
    return Contact(record.number, begin_s, _end_s(record, begin_s, odd), coarse_s, named, band, power_w)


def _end_s(record: Record, begin_s: float, odd: _Oddities) -> float:
    off, day = record.get("TIME_OFF"), record.get("QSO_DATE_OFF")
    if not off:
        return begin_s
    end_s = _moment(day or record.get("QSO_DATE"), off)
    if end_s is None:
        name = "TIME_OFF" if _moment(day or record.get("QSO_DATE"), "0000") is not None else "QSO_DATE_OFF"
        odd(record.number, name, f"{_said(record.get(name))} can't be read, so it was left out.")
        return begin_s
    if end_s < begin_s - 60.0 and not day:
        end_s += 86_400.0  # over midnight
    if begin_s - 60.0 < end_s < begin_s:
        return begin_s  # of one minute, of which only one time knows the seconds
    if not begin_s <= end_s <= begin_s + _LONGEST_S:
        what = "it ends before it begins" if end_s < begin_s else f"it lasts {(end_s - begin_s) / 3600:.1f} h"
        odd(record.number, "TIME_OFF", f"{what}, so only its beginning was taken.")
        return begin_s
    return end_s


def _moment(day: str, time: str) -> float | None:
    """UTC of YYYYMMDD and HHMM or HHMMSS, None for anything else. 24:00 and 23:59:60 are the next day's 00:00. [s]"""
    if not (re.fullmatch("[0-9]{8}", day) and re.fullmatch("[0-9]{4}(?:[0-9]{2})?", time)):
        return None
    hour, minute, second = int(time[:2]), int(time[2:4]), int(time[4:] or 0)
    leap = time == "235960"
    if not (hour < 24 and minute < 60 and (second < 60 or leap)) and int(time) not in (2400, 240000):
        return None
    try:
        midnight = datetime(int(day[:4]), int(day[4:6]), int(day[6:]), tzinfo=UTC)
    except ValueError:
        return None
    passed = timedelta(hours=hour, minutes=minute, seconds=second)
    return midnight.timestamp() + passed.total_seconds()


def _number(record: Record, name: str, odd: _Oddities) -> float | None:
    text = record.get(name)
    if not text:
        return None
    if not re.fullmatch(r"[0-9]{1,12}(?:\.[0-9]*)?|\.[0-9]{1,12}", text) or float(text) == 0.0:
        odd(record.number, name, f"{_said(text)} is no number above 0, so it was left out.")
        return None
    return float(text)


def _said(text: str) -> str:
    return f'"{plain(text, 40)}"' if text else "nothing"
