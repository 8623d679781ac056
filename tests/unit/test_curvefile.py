"""The operator's own curve as a file: exact there and back, and every slip is named with its place."""

from __future__ import annotations

from dataclasses import replace

import pytest
from ampledger.core.cells import CURVES, LFP26650, PRADA2013, Curve, ocv_v
from ampledger.curvefile import find_curve, read_curve, write_curve
from ampledger.errors import ConfigError
from common import TOP
from hypothesis import given, settings
from hypothesis import strategies as st

HEAD = """# name: shack
# conditions: one discharge at 1 A, 20 degC
# source: own measurement
# licence: own
# typed_in: by the operator, 2026-09-14
# series: 4
"""
SOC = (0.0, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 1.0)
DOWN = (2.5, 2.9871, 3.1509, 3.2199, 3.2819, 3.2974, 3.3314, 3.3399, 3.3531, 3.567)
UP = (None, 3.063, 3.2057, 3.2692, 3.3205, 3.337, 3.3594, 3.3644, 3.3855, None)


def table(columns="soc,discharge_v_20c,charge_v_20c", soc=SOC, down=DOWN, up=UP, form=repr):
    rows = [",".join("" if x is None else form(x) for x in row) for row in zip(soc, down, up, strict=True)]
    return "\n".join([columns, *rows]) + "\n"


@pytest.fixture
def read(tmp_path):
    def reading(data: str | bytes) -> Curve:
        path = tmp_path / "c.csv"
        path.write_bytes(data if isinstance(data, bytes) else data.encode())
        return read_curve(path)

    return reading


def swapped(values, place, value):
    return (*values[:place], value, *values[place + 1 :])


def test_a_plain_file_is_read_as_it_stands(read):
    curve = read(HEAD + table())
    assert curve.name == "shack" and curve.temps_c == (20.0,) and curve.soc == SOC
    assert curve.discharge_v == (DOWN,) and curve.charge_v == (UP,)
    assert curve.accuracy == "not stated"
    assert ocv_v(0.3, curve, "discharge")[0] == pytest.approx(0.5 * (3.2199 + 3.2819), abs=1e-12)


@pytest.mark.parametrize("curve", CURVES.values(), ids=lambda c: c.name)
def test_every_published_curve_survives_writing_and_reading(curve, tmp_path):
    write_curve(curve, tmp_path / "c.csv")
    again = read_curve(tmp_path / "c.csv")
    assert again.digest == curve.digest
    for field in ("name", "soc", "temps_c", "discharge_v", "charge_v", "conditions", "accuracy", "source", "licence"):
        assert getattr(again, field) == getattr(curve, field)


@settings(max_examples=60, deadline=None, database=None)
@given(
    st.lists(st.floats(-40, 80), min_size=1, max_size=4, unique=True),
    st.floats(-0.4, 0.4),
    st.integers(0, 3),
    st.text(max_size=60),
)
def test_any_plausible_curve_survives_to_the_bit(tmp_path_factory, temps, shift, missing, words):
    folder = tmp_path_factory.mktemp("curve")
    temps = tuple(sorted(t + 0.0 for t in temps))
    down = tuple(v + shift for v in DOWN)
    up = tuple(None if v is None else v + shift for v in UP)
    nothing = (None,) * len(SOC)
    branches = [(down, up), (down, nothing), (nothing, up), (down, up)]
    rows = [branches[(missing + k) % 4] for k in range(len(temps))]
    curve = Curve(
        "own", SOC, temps, tuple(r[0] for r in rows), tuple(r[1] for r in rows), f"c {words}", words, "s", "l", "t"
    )
    try:
        write_curve(curve, folder / "c.csv")
    except ConfigError as error:
        # Only a temperature too finely divided for a column's name, or words that can't be shown
        assert "no column of a curve" in str(error) or "can't be shown" in str(error)
    else:
        assert read_curve(folder / "c.csv").digest == curve.digest


def test_a_branch_that_was_not_measured_has_no_column_and_comes_back_as_none(tmp_path):
    curve = replace(PRADA2013, name="mine", charge_v=((None,) * len(PRADA2013.soc),))
    write_curve(curve, tmp_path / "c.csv")
    assert "\nsoc,discharge_v_25c\n" in (tmp_path / "c.csv").read_text()
    assert read_curve(tmp_path / "c.csv").digest == curve.digest


SAVED = {
    "byte order mark, CRLF": ("\ufeff" + HEAD + table()).replace("\n", "\r\n").encode(),
    "UTF-16": (HEAD + table()).encode("utf-16"),
    "semicolons and decimal commas": (
        "sep=;\n" + HEAD + table().replace(".", "\0").replace(",", ";").replace("\0", ",")
    ).encode(),
    "tabs": (HEAD + table().replace(",", "\t")).encode(),
    "a spreadsheet's own way": (
        HEAD.replace("# conditions: one discharge at 1 A, 20 degC", '"# conditions: one discharge at 1 A, 20 degC",,')
        + table().replace("\n", ",,\n")
        + ",,,,\n"
    ).encode(),
    "old Windows text": (HEAD.replace("own measurement", "Gerät daheim") + table()).encode("cp1252"),
    "old line ends": (HEAD + table()).replace("\n", "\r").encode(),
    "capitals, remarks, blank lines": (
        "## ours: not a key\n# a remark\n\n"
        + HEAD.replace("# typed_in", "# Typed in")
        + "\n"
        + table("SOC,Discharge_V_20C,Charge_V_20C")
    ).encode(),
    "steps of a spreadsheet": (HEAD + table().replace("0.95,", "9.5E-1,")).encode(),
}


@pytest.mark.parametrize("way", SAVED)
def test_what_programs_make_of_a_file_reads_the_same(way, read):
    curve = read(SAVED[way])
    assert curve.digest == read(HEAD + table()).digest
    assert curve.conditions == "one discharge at 1 A, 20 degC"


def test_temperatures_may_stand_in_any_order(read):
    text = (
        HEAD
        + "soc,discharge_v_25c,discharge_v_-5.5c\n"
        + "".join(f"{s},{d},{d - 0.01}\n" for s, d in zip(SOC, DOWN, strict=True))
    )
    curve = read(text)
    assert curve.temps_c == (-5.5, 25.0) and curve.discharge_v[1] == DOWN
    assert curve.charge_v == ((None,) * len(SOC),) * 2


# -- what is refused, by the words of the message ---------------------------------------------------

WRONG = {
    "percent": (
        table(soc=tuple(100 * s for s in SOC)),
        r"line 9, column soc: 5; expected a fraction.*divide .* 100 \(0\.05\)",
    ),
    "percent signs": (table().replace("0.05,", "5%,"), r"line 9, column soc: '5%' is not a number.*0\.55 for 55 %"),
    "falling": (table(soc=SOC[::-1]), r"line 9, column soc: 0\.95 after 1 on line 8; expected rising.*Sort"),
    "twice": (table(soc=swapped(SOC, 5, 0.4)), r"line 13, column soc: 0\.4 after 0\.4 on line 12"),
    "negative": (table(soc=swapped(SOC, 0, -0.1)), r"line 8, column soc: -0\.1; expected a fraction, 0 empty"),
    "no soc": (table(soc=swapped(SOC, 3, None)), r"line 11, column soc: empty. Every row needs"),
    "pack volts": (
        table(down=tuple(4 * v for v in DOWN)),
        r"line 8, column discharge_v_20c: 10 V; expected 1\.5 to 4\.2 V, of one cell.*pack of 4 cells.*by 4 \(2\.5\)",
    ),
    "millivolts": (table(down=tuple(1000 * v for v in DOWN)), r"line 8.*2500 V; .*millivolts.*1000 \(2\.5\)"),
    "absurd volts": (table(up=swapped(UP, 4, 0.332)), r"line 12, column charge_v_20c: 0\.332 V; expected 1\.5 to 4"),
    "a cell too few": (table().replace("0.4,3.2819,3.3205", "0.4,3.2819"), r"line 12: 2 cells where .* has 3"),
    "a cell too many": (table().replace("0.4,3.2819", "0,4,3.2819"), r"line 12: 4 cells .* Are decimal commas"),
    "not a number": (table().replace("3.2819", "n/a"), r"line 12, column discharge_v_20c: 'n/a' is not a .*empty"),
    "nan": (table().replace("3.2819", "nan"), r"line 12, column discharge_v_20c: 'nan' is not a number"),
    "no volts": ("soc\n0.1\n", r"no column of volts"),
    "no temperature": (table("soc,discharge_v,charge_v_20c"), r"line 7: 'discharge_v' is no column.*discharge_v_25c"),
    "wrong first column": (table("charge,discharge_v_20c,charge_v_20c"), r"line 7: the first column is 'charge'"),
    "hot": (table("soc,discharge_v_95c,charge_v_20c"), r"column discharge_v_95c: expected -40 to 80 degC"),
    "twice a column": (table("soc,charge_v_20c,charge_v_20.0c"), r"the charge branch at 20 degC is there twice"),
    "too few": (table(down=(None,) * 4 + DOWN[4:]), r"column discharge_v_20c: 6 readings; at least 8"),
    "short reach": (
        table(soc=tuple(0.4 + 0.5 * s for s in SOC)),
        r"column discharge_v_20c: readings from 0\.4 to 0\.9; .*0\.3",
    ),
    "falls": (
        table(down=swapped(DOWN, 5, 3.2674)),
        r"line 13, column discharge_v_20c: 3\.2674 V is 14 mV below the 3\.2819 V on line 12.*mistyped",
    ),
    "swapped": (
        table("soc,charge_v_20c,discharge_v_20c"),
        r"line 9, column charge_v_20c: 2\.9871 V is 76 mV below .*swapped\?",
    ),
    "nothing": ("", r"no table in it"),
    "quotes": (table().replace("3.2819", '"3.2'), r"line 12: can't be taken apart"),
}


@pytest.mark.parametrize("slip", WRONG)
def test_a_slip_is_named_with_its_place_and_what_to_do(slip, read):
    text, words = WRONG[slip]
    with pytest.raises(ConfigError, match=words) as caught:
        read(HEAD + text)  # six lines, then the line of names, then the rows from line 8 on
    assert str(caught.value).startswith("c.csv")


def test_the_number_of_cells_in_the_head_is_believed_about_pack_volts(read):
    text = HEAD.replace("series: 4", "series: 8") + table(down=tuple(8 * v for v in DOWN))
    with pytest.raises(ConfigError, match=r"20 V; .* a pack of 8 cells in series: divide the column by 8 \(2\.5\)"):
        read(text)


def test_the_example_of_the_document_reads(read):
    document = (TOP / "host" / "CURVEFORMAT.md").read_text(encoding="utf-8")
    curve = read(document.split("```")[1].lstrip())
    assert curve.name == "shack-20ah" and curve.temps_c == (20.0,) and curve.soc == SOC


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("# name: shack\n", ""), "the head doesn't say its name. Add a line"),
        (("# licence: own\n", "# licence:\n"), "the head doesn't say its licence"),
        (("# source", "# sorce"), "line 3: the head has no 'sorce'.*Did you mean source"),
        (("# series: 4", "# usable_share: 98 %"), "usable_share is '98 %'; expected a fraction of 0.8 to 1"),
        (("# series: 4", "# usable_share: 0.5"), "usable_share is '0.5'; expected a fraction"),
        (("# series: 4", "# own_pack: nearly"), "own_pack is 'nearly'; expected yes when it was measured on the very"),
        (("# series: 4", "# series: 24"), "series is '24'; expected 1 to 16 cells"),
        (("# licence: own", "# name: again"), "line 4: name is there twice"),
        (("# name: shack", "# name: prada2013"), "the name prada2013 is that of a published curve"),
        (("# name: shack", "# name: " + "x" * 200), "name is longer than 100 letters"),
        (("own measurement", "a\x1b[2J"), "signs that can't be shown"),
    ],
)
def test_a_head_that_says_too_little_or_too_much_is_refused(change, words, read):
    with pytest.raises(ConfigError, match=words):
        read(HEAD.replace(*change) + table())


def test_a_curve_is_that_of_the_very_pack_unless_its_file_says_otherwise(read, tmp_path):
    assert read(HEAD + table()).own_pack
    for word, own in (("no", False), ("Yes", True)):
        curve = read(HEAD.replace("# series: 4", f"# own_pack: {word}") + table())
        assert curve.own_pack is own
        write_curve(curve, tmp_path / "c.csv")
        assert read_curve(tmp_path / "c.csv").own_pack is own
    assert not any(curve.own_pack for curve in CURVES.values())


def test_a_file_that_is_none_is_refused(read, tmp_path):
    for data in (b"PK\x03\x04" + bytes(50), bytes(range(256)), b"\x1f\x8b" + b"x" * 40):
        with pytest.raises(ConfigError, match="c.csv"):
            read(data)
    with pytest.raises(ConfigError, match="1 MiB"):
        read("# a\n" * 400_000)
    with pytest.raises(ConfigError, match="2001 rows"):
        read(HEAD + "soc,discharge_v_20c\n" + "".join(f"{k / 3000:.5f},3.3\n" for k in range(3000)))
    with pytest.raises(ConfigError, match="can't be read"):
        read_curve(tmp_path)
    with pytest.raises(ConfigError, match="can't be read"):
        read_curve(tmp_path / "missing.csv")


def test_a_curve_that_would_be_refused_is_not_written(tmp_path):
    bad = replace(PRADA2013, name="mine", discharge_v=(tuple(reversed(PRADA2013.discharge_v[0])),))
    with pytest.raises(ConfigError, match="below"):
        write_curve(bad, tmp_path / "c.csv")
    with pytest.raises(ConfigError, match="licence"):
        write_curve(replace(PRADA2013, licence=" "), tmp_path / "c.csv")
    with pytest.raises(ConfigError, match="can't be written"):
        write_curve(PRADA2013, tmp_path / "nowhere" / "c.csv")
    assert not list(tmp_path.iterdir())


def test_a_curve_is_found_by_name_or_by_path(tmp_path):
    write_curve(replace(LFP26650, name="mine"), tmp_path / "mine.csv", 8)
    assert find_curve("prada2013") is PRADA2013
    assert find_curve(str(tmp_path / "mine.csv")).digest == LFP26650.digest
    with pytest.raises(ConfigError, match="one of lfp26650, lfp18650, prada2013. Did you mean lfp18650"):
        find_curve("LFP-18650")


# -- any text ---------------------------------------------------------------------------------------

PIECES = [",", ";", "\t", "\n", '"', "#", "# name: ", ":", "soc", "discharge_v_25c", "1e9", "-", "nan", "0.5", "3,3"]
PIECES += ["\x00", "%"]
QUICK = settings(max_examples=300, deadline=None, database=None)


def outcome(path, data: bytes) -> Curve | str:
    path.write_bytes(data)
    try:
        curve = read_curve(path)
    except ConfigError as error:
        assert str(error).startswith("c.csv") and len(str(error)) > 25 and str(error).isprintable()
        return str(error)
    assert all(0 <= s <= 1 for s in curve.soc)
    assert all(1.5 <= v <= 4.2 for rows in (curve.discharge_v, curve.charge_v) for row in rows for v in row if v)
    assert ocv_v(0.6, curve, "discharge" if any(curve.discharge_v[0]) else "charge")[0] > 1.5
    return curve


def test_any_bytes_and_any_wounds_give_a_curve_or_a_config_error(tmp_path):
    path, good = tmp_path / "c.csv", (HEAD + table()).encode()

    @QUICK
    @given(st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
    def any_bytes(data):
        outcome(path, data)
        outcome(path, HEAD.encode() + data)
        outcome(path, HEAD.encode() + b"soc,discharge_v_25c\n" + data)
        outcome(path, b"\x1f\x8b" + data)

    piece = st.sampled_from(PIECES).map(str.encode) | st.binary(max_size=6)
    found = []

    @QUICK
    @given(st.lists(st.tuples(st.integers(0, len(good)), st.integers(0, 30), piece), min_size=1, max_size=3))
    def wounds(cuts):
        data = good
        for at, cut, put in cuts:
            data = data[:at] + put + data[at + cut :]
        found.append(isinstance(outcome(path, data), Curve))

    any_bytes()
    wounds()
    # Both outcomes were met, so the wounds are neither all harmless nor all deadly
    assert any(found) and not all(found)


@QUICK
@given(st.text())
def test_any_name_of_a_curve_is_found_or_refused(name):
    if name in CURVES:
        return
    with pytest.raises(ConfigError):
        find_curve("/nowhere/" + name)
