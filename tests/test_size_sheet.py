"""The sheet of a sizing: whoever redoes its sums by hand comes to its results."""

from __future__ import annotations

import importlib
import math
import pkgutil
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from servosim import sizing as package
from servosim import units
from servosim._spellings import SPELLINGS
from servosim.commands import size_sheet, size_steps
from servosim.commands.formula_text import names_in, pretty, symbol_text, unit_text, value_of
from servosim.sizing.calculation import Calculation, Formula, Step, formula
from servosim.sizing.candidates import combinations_of
from servosim.sizing.lines import Line, loss
from servosim.sizing.requirement import read_requirement
from servosim.sizing.screening import worked

REQUIREMENTS = ("params/tube_sheet_requirement.toml", "params/vertical_slide_requirement.toml")
GAP = "\N{NO-BREAK SPACE}"
NUMBER = r"-?\d+(?:\.\d+)?(?:e-?\d+)?"
RAISED = dict(zip("⁰¹²³⁴⁵⁶⁷⁸⁹⁻", "0123456789-", strict=True))

# a reader's list of units: as printed, what one of it is in SI
PRINTED = {
    unit_text(spelling): units.parse(f"1 {spelling}", spelling)
    for group, spellings in SPELLINGS.items()
    if group not in ("plain number", "temperature")
    for spelling in spellings
}
PRINTED |= {"K": 1.0}


FUNCTIONS = ("sqrt", "pi", "log", "log10", "exp", "sin", "cos", "tan", "sinh", "cosh", "tanh")
KNOWN = {name: getattr(np, name) for name in FUNCTIONS}
KNOWN |= {"inf": math.inf, "min": min, "max": max, "abs": abs}
KNOWN |= {"atan": math.atan, "asin": math.asin, "acos": math.acos}
SPOKEN = {
    "·": "*", "√": "sqrt", "∞": "inf", "^": "**", "π": "pi", ", else": " else", "[": "(", "]": ")",
    "≥": ">=", "≤": "<=", "ln(": "log(", "lg(": "log10(",
}  # fmt: skip


def by_hand(line, names=()):
    """Return what a printed line of numbers gives, worked out without the program's own reading."""

    def si(match):
        return f"({float(match[1])!r}*{factor(match[2])!r})"

    text = re.sub(rf"({NUMBER}){GAP}(\S+?)(?=[\s,)|\]]|$)", si, line)
    text = re.sub("([⁰¹²³⁴⁵⁶⁷⁸⁹⁻]+)", lambda m: f"**{''.join(RAISED[c] for c in m[1])}", text)
    for before, after in SPOKEN.items():
        text = text.replace(before, after)
    text = re.sub(r"\|([^|]+)\|", r"abs(\1)", text)
    return float(eval(text, {"__builtins__": {}}, {**KNOWN, **dict(names)}))


def factor(unit):
    """Return what one of a printed unit is in SI; one that is not on the list is SI already."""
    if unit in PRINTED:
        return PRINTED[unit]
    assert re.fullmatch(r"(1/)?(m|s|kg|N|Pa|K|W|J|rad|[⁰¹²³⁴⁵⁶⁷⁸⁹]|[·/()])+", unit), unit
    return 1.0


def read(text):
    """Return a printed result in SI, and half of its last digit."""
    number, _, unit = text.partition(GAP)
    digits = len(re.sub(r"e.*|[-.]", "", number).lstrip("0"))
    size = abs(float(number))
    last = 10.0 ** (math.floor(math.log10(size)) - max(digits, 5) + 1) if size else 0.0
    scale = factor(unit) if unit else 1.0
    return float(number) * scale, 0.5 * last * scale


def assert_checkable(step):
    """Assert that the printed numbers of a step give its printed result."""
    one = size_steps.Written(step)
    if not math.isfinite(step.value):
        return
    result, half = read(one.result)
    # in SI the units behind the numbers are those of the formula
    found = by_hand(one.numbers)
    assert found == pytest.approx(result, abs=1.001 * half + 1e-15 * abs(result)), one.numbers
    assert result == pytest.approx(step.value, rel=5.1e-5)


def steps_of_everything():
    """Return every step of some combinations of both demonstrations, and of a line."""
    calc = Calculation(True)
    for name in REQUIREMENTS:
        requirement = read_requirement(name)
        c = combinations_of(requirement)
        rows = [int(np.flatnonzero(c.actuator == kind)[-1]) for kind in np.unique(c.actuator)]
        rows += [len(c) // 3, 2 * len(c) // 3]
        for k in rows:
            worked(requirement, c.take(np.array([k])), calc)
    for viscosity in (46e-6, 900e-6):
        loss(4e-4, 0.010, Line(6.0, 8.0, 5e-6), viscosity, 870.0, calc, "warm")
    return calc.steps


@pytest.fixture(scope="module")
def steps():
    return steps_of_everything()


@formula("F_a", "force of inertia", "M*a", "N", "definition", M=("mass", "kg"),
         a=("acceleration", "m/s2"))  # fmt: skip
def inertia(M, a):
    return M * a


@formula("nu", "viscosity by a rule with numbers in mm2/s", "1e-6*(40 + 0.1*(T - 273.15))", "m2/s",
         "from memory", T=("temperature", "K"))  # fmt: skip
def rule_of_thumb(T):
    return 1e-6 * (40 + 0.1 * (T - 273.15))


def one_step(made, **values):
    calc = Calculation(True)
    calc.of(made, **values)
    return calc.steps[0]


class TestFormulas:
    @pytest.mark.parametrize(
        ("text", "written"),
        [
            ("a*b/(c*d)", "a·b/(c·d)"),
            ("a/b/c", "a/b/c"),
            ("a/(b/c)", "a/(b/c)"),
            ("a*(b/c)", "a·b/c"),
            ("(a + b)*c**2", "(a + b)·c²"),
            ("-a**2 + b", "-a² + b"),
            ("(-a)**2", "(-a)²"),
            ("a - (b - c)", "a - (b - c)"),
            ("a**(1/kappa)", "a^(1/κ)"),
            ("(a*b)**3", "(a·b)³"),
            ("a**-2", "a^(-2)"),
            ("a**1.4", "a^1.4"),
            ("sqrt(2*dp/rho)", "√(2·Δp/ρ)"),
            ("rho**0.5", "√(ρ)"),
            ("where(x < 2, a, b)", "[a if x < 2, else b]"),
            ("maximum(abs(x), 1e-9)", "max(|x|, 1e-9)"),
            ("log(x) + log10(y)", "ln(x) + lg(y)"),
        ],
    )
    def test_are_written_as_people_do(self, text, written):
        assert pretty(text) == written

    @settings(max_examples=60, deadline=None)
    @given(
        text=st.recursive(
            st.sampled_from(["a", "b", "c", "2", "0.5", "pi"]),
            lambda inner: st.one_of(
                st.tuples(inner, st.sampled_from(["+", "-", "*", "/"]), inner).map(
                    lambda t: f"({t[0]}){t[1]}({t[2]})"
                ),
                inner.map(lambda t: f"sqrt({t})"),
                inner.map(lambda t: f"({t})**2"),
                inner.map(lambda t: f"-({t})"),
                inner.map(lambda t: f"abs({t})").filter(lambda t: t.count("abs") < 2),
            ),
            max_leaves=8,
        )
    )
    def test_brackets_that_are_left_out_change_nothing(self, text):
        values = {"a": 1.3, "b": 0.7, "c": 2.9}
        expected = value_of(text, values)
        if math.isfinite(expected):
            assert by_hand(pretty(text), values) == pytest.approx(expected, rel=1e-12)

    def test_what_is_no_expression_stays(self):
        assert pretty("see the curve") == "see the curve"
        assert names_in("a = b") == set()

    def test_letters_of_ascii_alone(self):
        assert pretty("sqrt(2*dp/rho)*d**2", plain=True) == "sqrt(2*dp/rho)*d^2"
        shown = {"d": f"63{GAP}mm", "v": f"80{GAP}mm/s"}
        assert pretty("pi*d**2*v", shown, plain=True).isascii() or GAP in pretty("d", shown)

    def test_symbols(self):
        assert symbol_text("omega_h") == "ω_h" and symbol_text("dp") == "Δp"
        assert symbol_text("lambda") == "λ" and symbol_text("area_a") == "area_a"


class TestNumbers:
    def test_a_step_with_practical_units(self):
        one = size_steps.Written(one_step(inertia, M=1150.0, a=0.4))
        assert one.formula == "M·a"
        assert one.numbers == f"1150{GAP}kg · 0.4{GAP}m/s²"
        assert one.result == f"460{GAP}N" and not one.in_si
        assert one.names == "M: mass; a: acceleration"

    def test_a_constant_with_a_unit_keeps_numbers_in_si(self):
        step = one_step(rule_of_thumb, T=313.15)
        one = size_steps.Written(step)
        # 40 + 0.1 * 40 = 44 mm2/s
        assert one.in_si and one.result == f"4.4e-5{GAP}m²/s" and f"313.15{GAP}K" in one.numbers
        assert_checkable(step)
        lines = size_sheet.sheet_lines([step])
        assert any("numbers in SI units" in line for line in lines)

    def test_small_differences_of_large_numbers_get_the_digits_they_need(self):
        @formula("d", "difference", "p - q", "Pa", "definition", p=("one", "Pa"),
                 q=("other", "Pa"))  # fmt: skip
        def difference(p, q):
            return p - q

        step = one_step(difference, p=14000000.1234, q=13999998.0021)
        assert_checkable(step)
        assert size_steps.Written(step).result == f"2.1213{GAP}Pa"

    def test_frequencies_stay_in_radians_and_say_hertz(self):
        step = Step("", "omega_h", "natural frequency", "", "rad/s", "root search", (), 150.0)
        one = size_steps.Written(step)
        # 150/(2 pi)
        assert one.result == f"150{GAP}rad/s" and one.also == f"23.873{GAP}Hz"

    def test_absolute_temperatures_say_degrees_celsius_and_differences_do_not(self):
        hot, rise = (
            size_steps.Written(Step("", "T", "oil", "", "K", "given", (), value))
            for value in (323.15, 30.0)
        )
        assert hot.also == f"50{GAP}°C" and rise.also == ""

    def test_units_off_the_list_stay_as_they_are(self):
        step = Step("", "I", "second moment of area", "pi*d**4/64", "m4", "definition",
                    (("d", "rod", 0.036, "m"),), math.pi * 0.036**4 / 64)  # fmt: skip
        one = size_steps.Written(step)
        assert one.numbers == f"π · (36{GAP}mm)⁴ / 64" and not one.in_si
        assert one.result == f"8.2448e-8{GAP}m⁴"

    def test_what_has_no_value_is_said(self):
        step = Step("", "q", "pump", "", "m3/s", "series", (), math.nan)
        assert "none" in "\n".join(size_sheet.sheet_lines([step]))

    @settings(max_examples=60, deadline=None)
    @given(flow=st.floats(1e-9, 1e-2), velocity=st.floats(1e-5, 30.0), length=st.floats(0.01, 50.0))
    def test_any_numbers_of_a_line_can_be_checked(self, flow, velocity, length):
        calc = Calculation(True)
        bore = float(np.sqrt(4 * flow / np.pi / velocity))
        loss(flow, bore, Line(length, 6.0, 5e-6), 46e-6, 870.0, calc)
        for step in calc.steps:
            assert_checkable(step)


class TestWhole:
    def test_every_step_can_be_checked_by_hand(self, steps):
        worked = [step for step in steps if step.text]
        assert len(worked) > 40
        for step in worked:
            assert_checkable(step)

    def test_every_row_of_a_table_can_be_checked_by_hand(self, steps):
        tables = [one for one in size_steps.families(steps) if len(one) > 1]
        assert tables
        for group in tables:
            self.assert_rows(group)

    def assert_rows(self, group):
        """Put the numbers of each row and those that are the same in all into the formula."""
        table = size_steps.Family(group)
        same = dict(part.split(" = ") for part in table.same.split(", ")) if table.same else {}
        units_of = [re.fullmatch(r"(.+?)(?: \[(.+)\])?", head).groups() for head in table.head]
        for step, row in zip(group, table.rows, strict=True):
            assert row[0] == step.note
            values = {
                name: f"{number}{GAP}{unit}" if unit else number
                for (name, unit), number in zip(units_of, row[1:], strict=True)
            }
            result = values.pop(table.symbol)
            filled = {
                name: {**same, **values}.get(symbol_text(name))
                for name in names_in(step.text)
            }  # fmt: skip
            found = by_hand(pretty(step.text, filled))
            printed, half = read(result)
            if not printed:  # such as 6e-13 N, which is a zero
                assert abs(step.value) < 1e-9
                continue
            assert found == pytest.approx(printed, abs=1.001 * half + 1e-15 * abs(printed))

    def test_says_everything_of_a_step(self):
        step = one_step(inertia, M=1150.0, a=0.4)
        text = "\n".join(size_sheet.sheet_lines([step], "Title", ["a sentence"]))
        parts = ["Title", "a sentence", "force of inertia", "F_a = M·a", "= 1150 kg · 0.4 m/s²"]
        parts += ["= 460 N", "with    M: mass; a: acceleration", "source  definition"]
        for part in parts:
            assert part in text
        assert GAP not in text

    def test_a_plain_terminal_gets_ascii(self, steps):
        text = "\n".join(size_sheet.sheet_lines(steps, plain=True))
        assert text.isascii(), sorted({c for c in text if not c.isascii()})

    def test_lines_keep_to_the_width(self, steps):
        singles = [one[0] for one in size_steps.families(steps) if len(one) == 1]
        assert max(map(len, size_sheet.sheet_lines(singles))) <= 100

    def test_markdown_says_the_same(self, steps):
        lines = size_sheet.sheet_markdown(steps, "Title")
        text = "\n".join(lines)
        assert text.startswith("# Title")
        assert text.count("source: ") == sum(1 for _ in size_steps.families(steps))
        rows = [line for line in lines if line.startswith("| ")]
        for row in rows:  # as many cells in each row as its table's head has
            assert row.count("|") - row.count("\\|") >= 4

    def test_sections_are_headings_in_their_order(self):
        steps = [
            Step(name, "x", "thing", "", "1", "given", (), 1.0)
            for name in ("Duty", "Duty", "Valve")
        ]
        lines = size_sheet.sheet_lines(steps)
        heads = [line for line in lines if re.match(r"\d+  ", line)]
        assert heads == ["1  Duty", "2  Valve"]
        assert [line.split()[0] for line in lines if re.match(r"\d\.\d", line)] == [
            "1.1", "1.2", "2.1",
        ]  # fmt: skip


def every_formula():
    """Return every formula of the package, by module and name."""
    found = {}
    for module in pkgutil.iter_modules(package.__path__, f"{package.__name__}."):
        for name, one in vars(importlib.import_module(module.name)).items():
            if isinstance(one, Formula):
                found[f"{one.function.__module__}.{name}"] = one
    return found


class TestEveryFormula:
    def test_uses_what_it_describes_and_nothing_else(self):
        for name, one in every_formula().items():
            assert names_in(one.text) == set(one.arguments), name

    def test_is_written_in_words_that_the_sheet_reads(self):
        for name, one in every_formula().items():
            # a text that cannot be read comes back as it is, stars and all
            assert "**" not in pretty(one.text), name
            assert one.source and one.words and one.symbol, name
