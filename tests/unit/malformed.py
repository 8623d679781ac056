"""
Files that are no log, or clumsy ones: (name, bytes, "refused" or "accepted").

All distinct; the name says what is odd about the file, its suffix what it claims to be. "accepted" are those whose
meaning is beyond doubt. Made without any package that has to be installed, so that a soak can try them everywhere.
"""

# ruff: noqa: E501 - a table

from __future__ import annotations

import gzip
import json
import zipfile
import zlib
from io import BytesIO

HEAD = "time_utc,solar_v,solar_a,battery_v,battery_a\n"
GOOD = HEAD + "".join(f"2026-09-12T22:10:0{n}Z,18.1,1.5,13.2,-2.5\n" for n in range(6))
PLAIN = "t_s,battery_v,battery_a\n0,13.25,-1.5\n1,13.5,2\n2,13.5,2\n"
EXACT = "time_utc,dt_s,battery_v,battery_a,battery_as,own_in_load\n2026-09-12T22:10:00Z,10,13.2,-2,-20,1\n2026-09-12T22:10:10Z,3600,,,-7200,1\n"
OBJECTS = [{"columns": ["time_utc", "battery_v", "battery_a"]}] + [
    {"time_utc": f"2026-09-12T22:10:0{n}Z", "battery_v": 13.2, "battery_a": -1.5} for n in range(4)
]
_BINARY = bytes(range(256)) * 8


def _lines(objects: list[object]) -> str:
    return "\n".join(json.dumps(o) for o in objects) + "\n"


JSONL = _lines(list(OBJECTS))


def _cell(cell: str, column: int = 2, row: int = 2) -> str:
    lines = [line.split(",") for line in PLAIN.splitlines()]
    lines[row][column] = cell
    return "\n".join(",".join(line) for line in lines) + "\n"


def _time(cell: str) -> str:
    return GOOD.replace("2026-09-12T22:10:02Z", cell)


def _zip() -> bytes:
    out = BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr(zipfile.ZipInfo("log.csv"), GOOD)
    return out.getvalue()


def _damaged(data: bytes, at: int) -> bytes:
    return data[:at] + bytes([data[at] ^ 0xFF]) + data[at + 1 :]


_PACKED = gzip.compress(GOOD.encode(), mtime=0)

_TEXTS: list[tuple[str, str, str]] = [
    ("plain.csv", PLAIN, "accepted"),
    ("good.csv", GOOD, "accepted"),
    ("exact.csv", EXACT, "accepted"),
    ("crlf.csv", GOOD.replace("\n", "\r\n"), "accepted"),
    ("cr.csv", GOOD.replace("\n", "\r"), "accepted"),
    ("bom.csv", "\ufeff" + GOOD, "accepted"),
    ("sep-semicolon.csv", "sep=;\n" + PLAIN.replace(",", ";"), "accepted"),
    ("sep-comma.csv", "sep=,\n" + PLAIN, "accepted"),
    ("sep-tab.csv", "sep=\t\n" + PLAIN.replace(",", "\t"), "accepted"),
    ("sep-quoted.csv", '"sep=;"\r\n' + PLAIN.replace(",", ";"), "accepted"),
    ("sep-pipe.csv", "sep=|\n" + PLAIN.replace(",", "|"), "refused"),
    ("sep-wrong.csv", "sep=;\n" + PLAIN, "refused"),
    ("sep-alone.csv", "sep=;\n", "refused"),
    ("sep-twice.csv", "sep=;\nsep=;\n" + PLAIN.replace(",", ";"), "refused"),
    ("pipes.csv", PLAIN.replace(",", "|"), "refused"),
    ("spaces-separate.csv", PLAIN.replace(",", " "), "refused"),
    ("tabs.csv", PLAIN.replace(",", "\t"), "accepted"),
    ("semicolons.csv", PLAIN.replace(",", ";"), "accepted"),
    ("decimal-commas.csv", PLAIN.replace(",", ";").replace(".", ","), "accepted"),
    ("decimal-commas-and-tabs.csv", PLAIN.replace(",", "\t").replace(".", ","), "accepted"),
    ("decimal-commas-between-commas.csv", PLAIN.replace("13.25", "13,25"), "refused"),
    ("decimal-commas-quoted-between-commas.csv", PLAIN.replace("13.25", '"13,25"'), "refused"),
    ("two-decimal-marks.csv", PLAIN.replace(",", ";").replace("13.25", "13,25"), "refused"),
    ("thousands.csv", PLAIN.replace(",", ";").replace("13.25", "1.013,25"), "refused"),
    ("quoted.csv", GOOD.replace("13.2", '"13.2"'), "accepted"),
    ("all-quoted.csv", "\n".join(",".join(f'"{c}"' for c in ln.split(",")) for ln in GOOD.splitlines()), "accepted"),
    ("quote-open.csv", _cell('"2'), "refused"),
    ("quote-within.csv", _cell('"2"x'), "refused"),
    ("quote-over-lines.csv", _cell('"2\n"'), "refused"),
    ("quote-only.csv", '"', "refused"),
    ("apostrophe-number.csv", _cell("'2"), "refused"),
    ("blank-lines.csv", PLAIN.replace("\n", "\n\n"), "accepted"),
    ("rows-of-commas.csv", PLAIN + ",,\n,,\n", "accepted"),
    ("no-last-line-end.csv", PLAIN[:-1], "accepted"),
    ("spaces-round-cells.csv", PLAIN.replace(",", " , "), "accepted"),
    ("capital-names.csv", PLAIN.replace("t_s,battery_v", "T_S,Battery_V"), "accepted"),
    ("extra-column.csv", PLAIN.replace("\n", ",x\n"), "accepted"),
    ("extra-column-formula.csv", PLAIN.replace("\n", ",=1+1\n"), "accepted"),
    ("extra-column-without-name.csv", PLAIN.replace("\n", ",\n"), "accepted"),
    ("huge-name.csv", PLAIN.replace("a\n", "a," + "x" * 5000 + "\n", 1).replace("5\n", "5,\n").replace("2\n", "2,\n"), "accepted"),
    ("only-names.csv", HEAD, "refused"),
    ("one-row.csv", "\n".join(PLAIN.splitlines()[:2]), "refused"),
    ("one-row-with-length.csv", "\n".join(EXACT.splitlines()[:2]), "accepted"),
    ("no-names.csv", "0,13,1\n1,13,1\n", "refused"),
    ("names-twice.csv", PLAIN.replace("t_s,battery_v,battery_a", "t_s,battery_a,battery_a"), "refused"),
    ("names-again-in-the-middle.csv", PLAIN + PLAIN, "refused"),
    ("two-time-columns.csv", PLAIN.replace("battery_v", "time_utc,battery_v").replace(",13", ",x,13"), "refused"),
    ("no-time.csv", PLAIN.replace("t_s", "seconds"), "refused"),
    ("no-battery.csv", PLAIN.replace("battery_", "load_"), "refused"),
    ("no-battery-volts.csv", PLAIN.replace("battery_v", "volts"), "refused"),
    ("misspelt.csv", PLAIN.replace("battery_a", "batery_a"), "refused"),
    ("title-line.csv", "My log\n" + PLAIN, "refused"),
    ("comment-line.csv", "# log\n" + PLAIN, "refused"),
    ("units-line.csv", PLAIN.replace("a\n", "a\ns,V,A\n", 1), "refused"),
    ("short-row.csv", PLAIN + "3,13\n", "refused"),
    ("long-row.csv", PLAIN + "3,13,1,1\n", "refused"),
    ("sum-line.csv", PLAIN + "Total,,9\n", "refused"),
    ("empty.csv", "", "refused"),
    ("line-ends-only.csv", "\n\r\n\n", "refused"),
    ("bom-only.csv", "\ufeff", "refused"),
    ("spaces-only.csv", "   ", "refused"),
    ("commas-only.csv", ",,,\n,,,\n", "refused"),
    ("prose.csv", "Dear all,\nthis is no log.\n", "refused"),
    ("html.csv", "<!DOCTYPE html><html><body>404</body></html>\n", "refused"),
    ("xml.csv", '<?xml version="1.0"?><log/>\n', "refused"),
    ("python.csv", "import os\nos.abort()\n", "refused"),
    ("git-conflict.csv", PLAIN + "<<<<<<< HEAD\n3,13,1\n", "refused"),
    ("nul-inside.csv", PLAIN.replace("13.5", "13\0.5"), "refused"),
    ("escape-codes.csv", _cell("\x1b[2J"), "refused"),
    ("escape-codes-in-a-name.csv", PLAIN.replace("\n", ",\x1b]0;x\x07\n", 1).replace("5\n", "5,\n").replace("2\n", "2,\n"), "accepted"),
    ("right-to-left.csv", _cell("\u202e12"), "refused"),
    ("arabic-digits.csv", _cell("\u0661\u0662"), "refused"),
    ("wide-digits.csv", _cell("\uff11\uff12"), "refused"),
    ("unicode-minus.csv", _cell("\u22122"), "refused"),
    ("no-break-space.csv", _cell("\u00a0"), "accepted"),
    ("line-separator.csv", PLAIN.replace("\n", "\u2028"), "refused"),
    ("next-line.csv", PLAIN.replace("\n", "\x85"), "refused"),
    ("form-feeds.csv", PLAIN.replace("\n", "\f"), "refused"),
    ("word.csv", _cell("x"), "refused"),
    ("nan.csv", _cell("nan"), "refused"),
    ("capital-nan.csv", _cell("NaN"), "refused"),
    ("minus-nan.csv", _cell("-nan"), "refused"),
    ("inf.csv", _cell("inf"), "refused"),
    ("minus-infinity.csv", _cell("-Infinity"), "refused"),
    ("na.csv", _cell("#N/A"), "refused"),
    ("ref.csv", _cell("#REF!"), "refused"),
    ("hashes.csv", _cell("########"), "refused"),
    ("null.csv", _cell("null"), "refused"),
    ("dash.csv", _cell("-"), "refused"),
    ("formula.csv", _cell("=A1+1"), "refused"),
    ("underscore.csv", _cell("1_0"), "refused"),
    ("hex.csv", _cell("0x10"), "refused"),
    ("with-unit.csv", _cell("2 A"), "refused"),
    ("percent.csv", _cell("50%"), "refused"),
    ("true.csv", _cell("true"), "refused"),
    ("too-large.csv", _cell("1e999"), "refused"),
    ("many-digits.csv", _cell("9" * 4000), "refused"),
    ("many-decimals.csv", _cell("2." + "3" * 4000), "accepted"),
    ("tiny.csv", _cell("1e-320"), "accepted"),
    ("minus-nought.csv", _cell("-0.0"), "accepted"),
    ("milliamps.csv", _cell("2500"), "refused"),
    ("millivolts.csv", _cell("13200", 1), "refused"),
    ("fahrenheit.csv", PLAIN.replace("battery_a", "battery_a,battery_c").replace("5\n", "5,140\n").replace("2\n", "2,140\n"), "refused"),
    ("empty-cells.csv", PLAIN.replace("13.5", ""), "accepted"),
    ("all-empty-cells.csv", "t_s,battery_v,battery_a\n0,,\n1,,\n", "accepted"),
    ("no-time-in-a-row.csv", _cell("", 0), "refused"),
    ("min-above-mean.csv", "t_s,battery_v,battery_v_min,battery_a\n0,13.00,14.50,1\n1,13,12,1\n", "refused"),
    ("max-below-mean.csv", "t_s,battery_v,battery_v_max,battery_a\n0,13.00,11.50,1\n1,13,14,1\n", "refused"),
    ("min-without-mean.csv", "t_s,battery_v,load_v_min,battery_a\n0,13,12,1\n1,13,12,1\n", "accepted"),
    ("not-in-order-sort.csv", PLAIN + "1.5,13,1\n", "refused"),
    ("twice-the-same-sort.csv", PLAIN + "2,13.5,2\n", "refused"),
    ("twice-and-otherwise.csv", PLAIN + "2,13.5,3\n", "refused"),
    ("backwards-sort.csv", "t_s,battery_v,battery_a\n2,13,1\n1,13,1\n0,13,1\n", "refused"),
    ("all-one-time.csv", "t_s,battery_v,battery_a\n" + "5,13,1\n" * 3, "refused"),
    ("hours-apart.csv", "t_s,battery_v,battery_a\n0,13,1\n3600,13,1\n7200,13,1\n", "refused"),
    ("milliseconds.csv", "t_s,battery_v,battery_a\n0,13,1\n1000,13,1\n2000,13,1\n", "refused"),
    ("seconds-beyond-all.csv", _cell("1e300", 0), "refused"),
    ("seconds-nan.csv", _cell("nan", 0), "refused"),
    ("local-time-put-back.csv", HEAD + "2026-11-01T01:59:59,,,13,1\n2026-11-01T01:00:00,,,13,1\n", "refused"),
    ("leap-second.csv", HEAD + "2016-12-31T23:59:59Z,,,13,1\n2016-12-31T23:59:60Z,,,13,1\n2017-01-01T00:00:00Z,,,13,1\n", "accepted"),
    ("day-24h.csv", HEAD + "2026-09-12T23:59:59Z,,,13,1\n2026-09-12T24:00:00Z,,,13,1\n", "accepted"),
    ("time-lower-case.csv", _time("2026-09-12t22:10:02z"), "accepted"),
    ("time-with-space.csv", _time("2026-09-12 22:10:02"), "accepted"),
    ("time-with-offset.csv", _time("2026-09-13T00:10:02+02:00"), "accepted"),
    ("time-decimal-comma.csv", _time('"2026-09-12T22:10:02,5Z"'), "accepted"),
    ("time-nanoseconds.csv", _time("2026-09-12T22:10:02.123456789Z"), "accepted"),
    ("time-no-day.csv", _time("2026-02-30T22:10:02Z"), "refused"),
    ("time-year-0.csv", _time("0000-09-12T22:10:02Z"), "refused"),
    ("time-slashes.csv", _time("12/09/2026 22:10:02"), "refused"),
    ("time-unix.csv", _time("1789251002"), "refused"),
    ("time-date-only.csv", _time("2026-09-12"), "refused"),
    ("time-am-pm.csv", _time("2026-09-12 10:10:02 PM"), "refused"),
    ("time-named-zone.csv", _time("2026-09-12T22:10:02 CEST"), "refused"),
    ("time-61-seconds.csv", _time("2026-09-12T22:10:61Z"), "refused"),
    ("time-offset-99.csv", _time("2026-09-12T22:10:02+99:00"), "refused"),
    ("time-empty.csv", _time(""), "refused"),
    ("time-word.csv", _time("now"), "refused"),
    ("length-nought.csv", EXACT.replace(",3600,", ",0,"), "refused"),
    ("length-negative.csv", EXACT.replace(",3600,", ",-1,"), "refused"),
    ("length-empty.csv", EXACT.replace(",3600,", ",,"), "refused"),
    ("length-word.csv", EXACT.replace(",3600,", ",long,"), "refused"),
    ("length-endless.csv", EXACT.replace(",3600,", ",1e300,"), "refused"),
    ("length-overlaps.csv", EXACT.replace(",10,", ",100,"), "accepted"),
    ("length-with-a-hole.csv", EXACT.replace("22:10:10", "23:10:10"), "accepted"),
    ("charge-infinite.csv", EXACT.replace("-7200", "1e400"), "refused"),
    ("flag-2.csv", EXACT.replace(",1\n", ",2\n"), "refused"),
    ("flag-true.csv", EXACT.replace(",1\n", ",TRUE\n"), "accepted"),
    ("flag-word.csv", EXACT.replace(",1\n", ",yes please\n"), "refused"),
    ("doubt-negative.csv", EXACT.replace("own_in_load", "unsure_s").replace(",1\n", ",-1\n"), "refused"),
    ("exact-and-beyond-ranges.csv", EXACT.replace("13.2", "1320"), "accepted"),
    ("good.jsonl", JSONL, "accepted"),
    ("crlf.jsonl", JSONL.replace("\n", "\r\n"), "accepted"),
    ("bom.jsonl", "\ufeff" + JSONL, "accepted"),
    ("blank-lines.jsonl", JSONL.replace("\n", "\n\n"), "accepted"),
    ("nulls.jsonl", JSONL.replace("13.2", "null"), "accepted"),
    ("keys-left-out.jsonl", JSONL.replace('"battery_v": 13.2, ', ""), "accepted"),
    ("whole-numbers.jsonl", JSONL.replace("13.2", "13"), "accepted"),
    ("json-under-a-csv-name.csv", JSONL.replace("13.2", "13.3"), "accepted"),
    ("csv-under-a-json-name.jsonl", PLAIN + "3,13,1\n", "accepted"),
    ("units.jsonl", JSONL.replace('["time_utc", "battery_v", "battery_a"]', '{"time_utc": "", "battery_v": "V", "battery_a": "A"}'), "accepted"),
    ("no-head.jsonl", _lines(list(OBJECTS[1:])), "refused"),
    ("head-only.jsonl", _lines(list(OBJECTS[:1])), "refused"),
    ("head-number.jsonl", '{"columns": 3}\n' + _lines(list(OBJECTS[1:])), "refused"),
    ("head-of-numbers.jsonl", '{"columns": [1, 2]}\n' + _lines(list(OBJECTS[1:])), "refused"),
    ("head-twice.jsonl", JSONL + JSONL, "refused"),
    ("array.jsonl", json.dumps(OBJECTS), "refused"),
    ("array-a-line.jsonl", "[1, 2]\n[3, 4]\n", "refused"),
    ("pretty.jsonl", json.dumps(OBJECTS[0], indent=1), "refused"),
    ("brace.jsonl", "{", "refused"),
    ("cut-short.jsonl", JSONL[:-20], "refused"),
    ("comma-at-line-ends.jsonl", JSONL.replace("}\n", "},\n"), "refused"),
    ("single-quotes.jsonl", JSONL.replace('"', "'"), "refused"),
    ("deep.jsonl", JSONL + "[" * 100_000 + "\n", "refused"),
    ("deep-objects.jsonl", JSONL + '{"a":' * 50_000 + "\n", "refused"),
    ("nan.jsonl", JSONL.replace("13.2", "NaN"), "refused"),
    ("infinity.jsonl", JSONL.replace("13.2", "-Infinity"), "refused"),
    ("too-large.jsonl", JSONL.replace("13.2", "1e999"), "refused"),
    ("million-digits.jsonl", JSONL.replace("13.2", "9" * 100_000), "refused"),
    ("numbers-in-quotes.jsonl", JSONL.replace("13.2", '"13.2"'), "refused"),
    ("booleans.jsonl", JSONL.replace("13.2", "true"), "refused"),
    ("lists.jsonl", JSONL.replace("13.2", "[13.2]"), "refused"),
    ("objects.jsonl", JSONL.replace("13.2", '{"v": 13.2}'), "refused"),
    ("key-twice.jsonl", JSONL.replace('"battery_v": 13.2', '"battery_v": 13.2, "battery_v": 13.3'), "refused"),
    ("unknown-key.jsonl", JSONL.replace('"battery_v": 13.2', '"volts": 13.2'), "refused"),
    ("time-number.jsonl", JSONL.replace('"2026-09-12T22:10:02Z"', "1789251002"), "refused"),
    ("time-missing.jsonl", JSONL.replace('"time_utc": "2026-09-12T22:10:02Z", ', ""), "refused"),
    ("time-null.jsonl", JSONL.replace('"2026-09-12T22:10:02Z"', "null"), "refused"),
    ("beyond-range.jsonl", JSONL.replace("13.2", "1320"), "refused"),
    ("surrogate.jsonl", JSONL.replace("22:10:02Z", "\\ud800"), "refused"),
    ("control-characters.jsonl", JSONL.replace("13.2", '"\x01"'), "refused"),
    ("csv-rows.parquet", GOOD.replace("13.2", "13.4"), "accepted"),
    ("not-packed.csv.gz", PLAIN + "4,13,1\n", "accepted"),
]  # fmt: skip

_BYTES: list[tuple[str, bytes, str]] = [
    ("utf-16-le.csv", b"\xff\xfe" + GOOD.encode("utf-16-le"), "accepted"),
    ("utf-16-be.csv", b"\xfe\xff" + GOOD.encode("utf-16-be"), "accepted"),
    ("utf-16.jsonl", b"\xff\xfe" + JSONL.encode("utf-16-le"), "accepted"),
    ("utf-16-without-mark.csv", GOOD.encode("utf-16-le"), "refused"),
    ("utf-16-cut.csv", b"\xff\xfe" + GOOD.encode("utf-16-le")[:-1], "refused"),
    ("utf-16-lone-surrogate.csv", b"\xff\xfe" + PLAIN.encode("utf-16-le") + b"\x00\xd8,\x00", "refused"),
    ("utf-16-mark-only.csv", b"\xff\xfe", "refused"),
    ("utf-16-of-nul.csv", b"\xff\xfe" + PLAIN.replace("13.5", "\0").encode("utf-16-le"), "refused"),
    ("utf-32.csv", b"\xff\xfe\x00\x00" + GOOD.encode("utf-32-le"), "refused"),
    ("windows-1252.csv", PLAIN.replace("\n", ",°\n").encode("cp1252"), "accepted"),
    ("windows-1252-in-a-number.csv", _cell("2°").encode("cp1252"), "refused"),
    ("no-code-at-all.csv", PLAIN.encode() + b"3,13,\x81\n", "refused"),
    ("latin-no-break-space.csv", _cell("2\u00a0").encode("cp1252"), "accepted"),
    ("zip.csv", _zip(), "refused"),
    ("zip-called-spreadsheet.xlsx", _zip() + b"\0", "refused"),
    ("old-spreadsheet.csv", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(512), "refused"),
    ("picture.csv", b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "refused"),
    ("database.csv", b"SQLite format 3\x00" + bytes(100), "refused"),
    ("pdf.csv", b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", "refused"),
    ("binary.csv", _BINARY, "refused"),
    ("binary.jsonl", _BINARY[1:], "refused"),
    ("binary.parquet", _BINARY[2:], "refused"),
    ("nul.csv", b"\0" * 1000, "refused"),
    ("ff.csv", b"\xff" * 1000, "refused"),
    ("packed.csv.gz", _PACKED, "accepted"),
    ("packed-under-a-plain-name.csv", gzip.compress(PLAIN.encode(), mtime=0), "accepted"),
    ("packed-in-two-parts.csv.gz", gzip.compress(GOOD[:80].encode(), mtime=0) + gzip.compress(GOOD[80:].encode(), mtime=0), "accepted"),
    ("packed-json.jsonl.gz", gzip.compress(JSONL.encode(), mtime=0), "accepted"),
    ("packed-twice.csv.gz", gzip.compress(_PACKED, mtime=0), "refused"),
    ("packed-cut-short.csv.gz", _PACKED[:-9], "refused"),
    ("packed-cut-in-the-head.csv.gz", _PACKED[:5], "refused"),
    ("packed-damaged.csv.gz", _damaged(_PACKED, len(_PACKED) // 2), "refused"),
    ("packed-wrong-sum.csv.gz", _damaged(_PACKED, len(_PACKED) - 6), "refused"),
    ("packed-wrong-length.csv.gz", _damaged(_PACKED, len(_PACKED) - 1), "refused"),
    ("packed-with-rubbish-behind.csv.gz", _PACKED + b"rubbish", "refused"),
    ("packed-nothing.csv.gz", gzip.compress(b"", mtime=0), "refused"),
    ("packed-endless-line.csv.gz", gzip.compress(b"x" * 5_000_000, mtime=0), "refused"),
    ("packed-nuls.csv.gz", gzip.compress(bytes(5_000_000), mtime=0), "refused"),
    ("zlib-not-gzip.csv.gz", zlib.compress(GOOD.encode()), "refused"),
    ("gzip-mark-only.csv.gz", b"\x1f\x8b", "refused"),
    ("parquet-mark-only.parquet", b"PAR1", "refused"),
    ("parquet-marks-only.parquet", b"PAR1PAR1", "refused"),
    ("parquet-empty-foot.parquet", b"PAR1\x00\x00\x00\x00PAR1", "refused"),
    ("parquet-huge-foot.parquet", b"PAR1" + bytes(20) + b"\xff\xff\xff\x7fPAR1", "refused"),
    ("parquet-wrong-foot.parquet", b"PAR1" + _BINARY + b"\x00\x04\x00\x00PAR1", "refused"),
    ("parquet-secret-foot.parquet", b"PAR1" + bytes(64) + b"\x10\x00\x00\x00PARE", "refused"),
    ("parquet-under-a-csv-name.csv", b"PAR1" + _BINARY[:99], "refused"),
    ("endless-line.csv", PLAIN.encode() + b"3,13," + b"1" * 1_500_000, "refused"),
]  # fmt: skip

MALFORMED: list[tuple[str, bytes, str]] = [(n, t.encode("utf-8", "surrogatepass"), e) for n, t, e in _TEXTS] + _BYTES
