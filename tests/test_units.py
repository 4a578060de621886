"""Units at the border: the closed list, exact arithmetic, and errors that say what to write."""

import math
import re
import subprocess
import sys
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from servosim import units
from servosim.errors import UnitError

ALL = [(group, spelling) for group, names in units.SPELLINGS.items() for spelling in names]
LINEAR = [(group, spelling) for group, spelling in ALL if group != "temperature"]

# The units once more, written independently as floats, to check the whole list against.
INCH, POUND, GRAVITY = 0.0254, 0.45359237, 9.80665
POUND_FORCE = POUND * GRAVITY
PSI = POUND_FORCE / INCH**2
GALLON = 231 * INCH**3
TURN = 2 * math.pi
INDEPENDENT = {
    "m": 1.0, "cm": 0.01, "mm": 0.001, "um": 1e-6, "nm": 1e-9, "in_": INCH, "ft": 12 * INCH,
    "s": 1.0, "ms": 1e-3, "us": 1e-6, "min_": 60.0, "h": 3600.0,
    "kg": 1.0, "g": 1e-3, "t": 1e3, "lb": POUND,
    "N": 1.0, "kN": 1e3, "MN": 1e6, "lbf": POUND_FORCE,
    "Pa": 1.0, "mPa": 1e-3, "kPa": 1e3, "MPa": 1e6, "GPa": 1e9, "bar": 1e5, "mbar": 100.0,
    "psi": PSI, "cP": 1e-3, "cSt": 1e-6,
    "m2": 1.0, "cm2": 1e-4, "mm2": 1e-6, "in2": INCH**2,
    "m3": 1.0, "L": 1e-3, "l": 1e-3, "mL": 1e-6, "ml": 1e-6, "cm3": 1e-6, "mm3": 1e-9,
    "in3": INCH**3, "ft3": (12 * INCH) ** 3, "gal": GALLON, "gpm": GALLON / 60,
    "s2": 1.0, "s3": 1.0, "K": 1.0, "A": 1.0, "mA": 1e-3, "V": 1.0, "mV": 1e-3,
    "rad": 1.0, "mrad": 1e-3, "rev": TURN, "deg": TURN / 360, "rpm": TURN / 60, "Hz": TURN,
    "kHz": 1e3 * TURN, "W": 1.0, "kW": 1e3, "hp": 550 * 12 * INCH * POUND_FORCE,
    "J": 1.0, "kJ": 1e3, "MJ": 1e6, "percent": 0.01, "ppm": 1e-6, "sqrt": math.sqrt,
}  # fmt: skip


def independent(spelling):
    """Evaluate a spelling with plain float arithmetic."""
    text = re.sub("[\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}]", "u", spelling)
    text = re.sub(r"\b(in|min)\b", r"\1_", text.replace("%", "percent")).replace(" ", "*")
    return eval(text, {"__builtins__": {}}, INDEPENDENT)


class TestList:
    @pytest.mark.parametrize(("group", "spelling"), LINEAR)
    def test_factor_against_plain_arithmetic(self, group, spelling):
        si = units.SPELLINGS[group][0]
        expected = independent(spelling)
        assert units.parse(f"1 {spelling}", units.SPELLINGS[group][-1]) == pytest.approx(
            expected, rel=4e-16 * 8
        )
        assert independent(si) == 1.0

    @pytest.mark.parametrize("group", units.SPELLINGS)
    def test_one_dimension_a_group(self, group):
        first, *rest = units.SPELLINGS[group]
        for spelling in rest:
            assert units.dimension_of(spelling) == units.dimension_of(first), spelling

    def test_dimensions_are_what_they_are_called(self):
        length, time, mass = "[length]", "[time]", "[mass]"
        assert units.dimension_of("bar") == {mass: 1, length: -1, time: -2}
        assert units.dimension_of("L/min/bar") == {mass: -1, length: 4, time: 1}
        assert units.dimension_of("N s/m") == {mass: 1, time: -1}
        assert units.dimension_of("cm3/rev") == {length: 3, "[angle]": -1}
        assert units.dimension_of("Hz") == {"[angle]": 1, time: -1}
        assert units.dimension_of("1/s") == {time: -1}
        assert units.dimension_of("%") == {}

    def test_no_spelling_twice_in_a_group(self):
        for names in units.SPELLINGS.values():
            assert len(set(names)) == len(names)

    def test_shared_spellings_are_only_the_kelvin(self):
        # A spelling in two groups would make the dimension of a field depend on the list's order.
        names = [spelling for _, spelling in ALL]
        assert {name for name in names if names.count(name) > 1} == {"K"}
        assert units.group_of("K") == "temperature difference"

    # Conversion factors of NIST Special Publication 811 (2008), appendix B.8, from memory.
    @pytest.mark.parametrize(
        ("text", "unit", "expected", "digits"),
        [
            ("1 psi", "Pa", 6894.757, 7),
            ("1 gpm", "m3/s", 6.309020e-5, 7),
            ("1 gal", "m3", 3.785412e-3, 7),
            ("1 lbf", "N", 4.448222, 7),
            ("1 lbf/in", "N/m", 175.1268, 7),
            ("1 hp", "W", 745.6999, 7),
            ("1 in3", "m3", 1.638706e-5, 7),
            ("1 lb/ft3", "kg/m3", 16.01846, 7),
            ("1 rpm", "rad/s", 0.1047198, 7),
            ("1 lbf in", "N m", 0.1129848, 7),
            ("1 cSt", "m2/s", 1e-6, 7),
        ],
    )
    def test_factor_against_tables(self, text, unit, expected, digits):
        assert float(f"{units.parse(text, unit):.{digits - 1}e}") == expected

    def test_valve_rating_pressures(self):
        # 1000 psi = 68.95 bar, 150 psi = 10.34 bar: the definition of the pound force and the inch.
        assert round(units.convert(units.parse("1000 psi", "bar"), "bar"), 2) == 68.95
        assert round(units.convert(units.parse("150 psi", "bar"), "bar"), 2) == 10.34

    @pytest.mark.parametrize(("root", "square"), [("bar", "bar"), ("psi", "psi")])
    def test_root_units_are_roots(self, root, square):
        names = {"bar": "L/min/sqrt(bar)", "psi": "gpm/sqrt(psi)"}
        flows = {"bar": "L/min", "psi": "gpm"}
        coefficient = units.parse(f"1 {names[root]}", "m3/s/sqrt(Pa)")
        flow = units.parse(f"1 {flows[root]}", "m3/s")
        assert (flow / coefficient) ** 2 == pytest.approx(
            units.parse(f"1 {square}", "Pa"), rel=1e-15
        )


class TestParse:
    def test_decimal_millimetres_are_exact(self):
        assert units.parse("63 mm", "mm") == 0.063
        assert units.parse("140 bar", "MPa") == 14e6
        assert units.parse("0.1 um", "m") == 1e-7

    @settings(max_examples=150)
    @given(
        st.integers(-(10**9), 10**9),
        st.integers(-12, 6),
        st.sampled_from([("mm", Fraction(1, 1000)), ("bar", Fraction(10**5)),
                         ("L/min", Fraction(1, 60000)), ("in", Fraction(254, 10000)),
                         ("%", Fraction(1, 100)), ("us", Fraction(1, 10**6))]),
    )  # fmt: skip
    def test_rounded_once(self, mantissa, exponent, unit):
        spelling, factor = unit
        exact = mantissa * Fraction(10) ** exponent * factor
        assert units.parse(f"{mantissa}e{exponent} {spelling}", spelling) == float(exact)

    def test_hertz_is_a_turn_a_second(self):
        assert units.parse("80 Hz", "rad/s") == pytest.approx(160 * math.pi, rel=1e-15)
        assert units.parse("60 rpm", "Hz") == units.parse("1 Hz", "Hz")

    def test_gain_is_no_frequency(self):
        with pytest.raises(UnitError, match=r"'25 1/s' is a rate; write a frequency in rad/s, Hz"):
            units.parse("25 1/s", "Hz")
        with pytest.raises(UnitError, match="is a frequency; write a rate in 1/s"):
            units.parse("25 rad/s", "1/s")

    def test_area_is_no_force_per_pressure(self):
        with pytest.raises(
            UnitError, match="'3 cm2' is an area; write a force per pressure in N/Pa"
        ):
            units.parse("3 cm2", "N/bar")

    def test_temperatures(self):
        assert units.parse("20 degC", "degC") == 293.15
        assert units.parse("20 °C", "degC") == 293.15
        assert units.parse("293.15 K", "degC") == 293.15
        assert units.parse("68 degF", "degC") == 293.15
        assert units.parse("5 K", "K") == 5.0
        with pytest.raises(UnitError, match="'5 degC' is a temperature; write a temperature diff"):
            units.parse("5 degC", "K")
        with pytest.raises(UnitError, match="below absolute zero"):
            units.parse("-273.16 degC", "degC")
        assert units.parse("-273.15 degC", "degC") == 0.0

    @pytest.mark.parametrize("text", ["5 um", "5 \N{MICRO SIGN}m", "5 \N{GREEK SMALL LETTER MU}m"])
    def test_three_ways_to_write_a_micrometre(self, text):
        assert units.parse(text, "mm") == 5e-6

    @pytest.mark.parametrize(
        "text", ["140bar", " 140  bar ", "140\u00a0bar", "+140. bar", "1.4E2 bar"]
    )
    def test_layout_does_not_matter(self, text):
        assert units.parse(text, "Pa") == 14e6

    def test_plain_numbers(self):
        assert units.parse("0.25", "1") == 0.25
        assert units.parse("25 %", "1") == 0.25
        assert units.parse("0.25 1", "%") == 0.25
        assert units.parse("0.2 mm/m", "1") == 0.0002

    def test_no_negative_zero(self):
        assert math.copysign(1.0, units.parse("-0 bar", "bar")) == 1.0

    @pytest.mark.parametrize(
        ("text", "unit", "message"),
        [
            ("140", "bar", "'140' has no unit; write the unit: '140 bar'"),
            ("25", "%", "'25' has no unit; write the unit: '25 %'"),
            ("bar", "bar", "'bar' has no number; write for example '10 bar'"),
            ("", "bar", "'' has no number"),
            ("\u2212 5 bar", "bar", "has no number"),
            ("140 Bar", "bar", "unknown unit 'Bar' in '140 Bar'; nearest: bar"),
            ("140 mb", "bar", "nearest: mbar"),
            ("5 mm", "bar", "'5 mm' is a length; write a pressure in Pa, kPa, MPa, GPa, mbar, bar"),
            ("1,5 bar", "bar", "has a comma; write the decimals after a point"),
            ("1 000 bar", "bar", "has a number broken in two"),
            ("1_000 bar", "bar", "has a number broken in two"),
            ("nan bar", "bar", "'nan bar' is not finite"),
            ("-inf bar", "bar", "'-inf bar' is not finite"),
            ("1e400 bar", "bar", "is not a number this program can hold"),
            ("1e308 GPa", "bar", "is not finite in SI units"),
            ("1e-400 bar", "bar", "too close to zero"),
            ("1e99999999999 bar", "bar", "is not a number this program can hold"),
            ("0x10 bar", "bar", "unknown unit 'x10 bar'"),
            ("1 bar" + " " * 300 + "x", "bar", "too long"),
            ("20 mm/s", "mm", "is a velocity; write a length"),
        ],
    )
    def test_messages(self, text, unit, message):
        with pytest.raises(UnitError, match=re.escape(message)):
            units.parse(text, unit)

    def test_unknown_unit_of_a_field(self):
        with pytest.raises(UnitError, match="unknown unit 'barr'; nearest: bar"):
            units.parse("1 bar", "barr")

    @settings(max_examples=300)
    @given(st.text(max_size=30), st.sampled_from([spelling for _, spelling in ALL]))
    def test_any_text_is_a_finite_number_or_a_unit_error(self, text, unit):
        try:
            assert math.isfinite(units.parse(text, unit))
        except UnitError as error:
            assert "\n" not in str(error)

    @settings(max_examples=300)
    @given(
        st.from_regex(r"[+-]?[0-9.]{1,4}(e[+-]?[0-9])? ?", fullmatch=True),
        st.sampled_from(
            ["", "bar", "mbar", "1", "%", "1/s", "N s/m", "L/min/sqrt(bar)", "x", "um"]
        ),
        st.sampled_from(["bar", "1", "%", "1/s", "N s/m", "L/min/sqrt(bar)", "um"]),
    )
    def test_pattern_accepts_what_parse_accepts(self, number, spelling, unit):
        text = number + spelling
        try:
            units.parse(text, unit)
            accepted = True
        except UnitError:
            accepted = False
        assert (re.search(units.pattern(unit), text) is not None) == accepted


class TestFormat:
    @settings(max_examples=400)
    @given(
        st.floats(allow_nan=False, allow_infinity=False),
        st.sampled_from([spelling for _, spelling in LINEAR]),
    )
    def test_reads_back_bit_for_bit(self, value, unit):
        again = units.parse(units.format_quantity(value, unit), unit)
        assert again == value

    @settings(max_examples=100)
    @given(st.floats(0.0, 5000.0), st.sampled_from(["degC", "°C", "degF"]))
    def test_temperatures_read_back_bit_for_bit(self, value, unit):
        assert units.parse(units.format_quantity(value, unit), unit) == value

    @settings(max_examples=200)
    @given(st.integers(-99999, 99999), st.integers(-4, 2), st.sampled_from(LINEAR))
    def test_as_short_as_it_was_written(self, mantissa, exponent, unit):
        spelling = unit[1]
        value = units.parse(f"{mantissa}e{exponent} {spelling}", spelling)
        text = units.format_quantity(value, spelling).split(" ")[0]
        digits = text.split("e")[0].lstrip("-").replace(".", "").strip("0")
        assert len(digits) <= len(str(abs(mantissa)).strip("0"))

    def test_looks(self):
        assert units.format_quantity(14e6, "bar") == "140 bar"
        assert units.format_quantity(0.063, "mm") == "63 mm"
        assert units.format_quantity(293.15, "degC") == "20 degC"
        assert units.format_quantity(1.6e9, "Pa") == "1.6e9 Pa"
        assert units.format_quantity(-2.5e-7, "m") == "-2.5e-7 m"
        assert units.format_quantity(0.5, "1") == "0.5"
        assert units.format_quantity(-0.0, "mm") == "0 mm"

    def test_falls_back_to_the_si_unit(self):
        # In gigapascal this number is smaller than any float.
        assert units.format_quantity(5e-324, "GPa") == "5e-324 Pa"

    @pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
    def test_refuses_what_is_not_finite(self, value):
        with pytest.raises(UnitError, match="cannot be written"):
            units.format_quantity(value, "bar")


class TestConvert:
    def test_scalar_is_the_nearest_number(self):
        assert units.convert(0.063, "mm") == 63.0
        assert units.convert(40e-3 / 60, "L/min") == pytest.approx(40.0, rel=1e-15)
        assert units.convert(293.15, "degC") == pytest.approx(20.0, abs=1e-13)

    def test_array_equals_scalar(self):
        values = np.linspace(-3.0, 500.0, 31)
        for unit in ("bar", "mm", "degC", "rpm", "1"):
            expected = [units.convert(float(value), unit) for value in values]
            np.testing.assert_allclose(
                units.convert(values, unit), expected, rtol=1e-15, atol=1e-13
            )

    def test_what_is_not_finite_stays_so(self):
        assert math.isnan(units.convert(math.nan, "bar"))
        assert units.convert(math.inf, "bar") == math.inf
        assert units.convert(1e308, "nm") == math.inf

    def test_si_unit(self):
        pairs = {"bar": "Pa", "mm": "m", "L/min": "m3/s", "Hz": "rad/s", "%": "1", "degC": "K"}
        for unit, expected in pairs.items():
            assert units.si_unit(unit) == expected
            assert units.si_unit(expected) == expected


def test_import_does_not_load_the_unit_library():
    code = "import sys, servosim.params; sys.exit('pint' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
