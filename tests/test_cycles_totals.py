"""Control totals: exact sums, what is refused and what cause is named."""

import re
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from servosim.cycles import read_positions
from servosim.cycles._causes import likely_causes
from servosim.cycles._numbers import decimal_of, exact, exact_sum, in_unit
from servosim.errors import ParameterError

DEMO = Path(__file__).parents[1] / "params" / "tube_sheet_positions.csv"
DEMO_TEXT = DEMO.read_text(encoding="utf-8")


def rows_of(text):
    """Return where the lines of positions begin and end in the text of the demonstration."""
    start = text.index("\n", text.index("target [mm],")) + 1
    return start, text.index("# total lines")


def places_that_count():
    """Return the places of the digits that a control total of the demonstration guards."""
    start, end = rows_of(DEMO_TEXT)
    found, at = [], start
    for line in DEMO_TEXT[start:end].splitlines(keepends=True):
        numbers = line[: line.rindex(",")]  # what stands before the comment
        found += [at + place for place, sign in enumerate(numbers) if sign.isdigit()]
        at += len(line)
    for match in re.finditer(r"= (\S+)\n", DEMO_TEXT[end:]):
        found += [
            end + place
            for place in range(match.start(1), match.end(1))
            if DEMO_TEXT[end + place].isdigit()
        ]
    return found


PLACES = places_that_count()


@pytest.fixture
def listed(tmp_path):
    """Give a function that writes a list and reads it."""

    def read(text, **options):
        path = tmp_path / "list.csv"
        path.write_text(text, encoding="utf-8")
        return read_positions(path, **options)

    return read


def refused(read, text):
    """Return the lines of the message with which a list is refused."""
    with pytest.raises(ParameterError) as error:
        read(text)
    return str(error.value).splitlines()


def written(*numbers, totals=()):
    """Return a list of targets with totals."""
    return "\n".join(["target [mm]", *numbers, *(f"# total {one}" for one in totals)]) + "\n"


class TestAgreeing:
    def test_read_as_written(self, listed):
        found = listed(
            "# Total lines = 2,,\nmode,target [mm],feed time [ms]\n,10.5,1\nincremental,0.25,2\n"
            '"# total target [mm] = 10.750"\n# total feed_time [s] = 0.003\n'
        )
        assert [(one.column, one.unit, one.written, one.line) for one in found.totals] == [
            ("lines", "", "2", 1),
            ("target", "mm", "10.750", 5),
            ("feed time", "s", "0.003", 6),
        ]
        assert found.notes == ()

    def test_no_float_would_do(self, listed):
        # 0.1 + 0.2 is not 0.3 in floats; the sum of ten tenths is not 1
        assert len(listed(written("0.1", "0.2", totals=["target [mm] = 0.3"])).totals) == 1
        assert len(listed(written(*["0.1"] * 10, totals=["target [mm] = 1"])).totals) == 1
        # one unit in the twentieth place, which no float can tell
        exact_text = "1.00000000000000000001"
        assert len(listed(written(exact_text, totals=[f"target [mm] = {exact_text}"])).totals) == 1
        assert refused(listed, written(exact_text, totals=["target [mm] = 1"]))

    @pytest.mark.parametrize(
        "total", ["0.0254 m", "2.54 cm", "25.4 mm", "25400 um", "1 in", "1.000 in", "2.54e1 mm"]
    )
    def test_other_units_are_converted_exactly(self, listed, total):
        number, unit = total.split()
        assert listed(written("25", "0.4", totals=[f"target [{unit}] = {number}"])).totals

    def test_inches_against_millimetres(self, listed):
        text = "target [in]\n0.1\n0.2\n# total target [mm] = 7.62\n"  # 0.3 x 25.4
        assert listed(text).totals
        # a millimetre has no end in inches: the sums are shown in millimetres
        (line,) = refused(listed, text.replace("7.62", "7.63"))
        assert "control total is 7.63 mm, the list adds up to 7.62 mm: 0.01 mm too little" in line

    def test_several_times_in_a_cell_are_added(self, listed):
        text = "target [mm],auxiliary,auxiliary time [s]\n1,a|b,1.5|2\n2,,\n"
        assert listed(text + "# total auxiliary time [s] = 3.5\n").totals
        assert refused(listed, text + "# total auxiliary time [s] = 1.5\n")

    def test_note_on_what_is_not_guarded(self, listed):
        found = listed("target [mm],dwell [s],comment\n1,2,a\n# total dwell [s] = 2\n")
        assert found.notes == ("no control total for: lines, target",)

    @settings(max_examples=60)
    @given(st.lists(st.decimals(-99999, 99999, places=6), max_size=30))
    def test_sums_against_whole_numbers(self, numbers):
        texts = [str(one) for one in numbers]
        found = exact_sum(decimal_of(one) for one in texts)
        assert int(found.scaleb(6)) == sum(int(one.scaleb(6)) for one in numbers)

    @pytest.mark.parametrize(
        ("number", "unit", "other", "expected"),
        [
            ("1", "in", "mm", "25.4"),
            ("1.5", "min", "s", "90"),
            ("1", "lbf", "N", "4.4482216152605"),  # 0.45359237 x 9.80665, by hand
            ("1", "mm", "in", None),  # 5/127 has no end
            ("1", "s", "min", None),
        ],
    )
    def test_exact_change_of_unit(self, number, unit, other, expected):
        found = in_unit(exact(Decimal(number), unit), other)
        assert found == (None if expected is None else Decimal(expected))


class TestDisagreeing:
    def test_everything_is_named(self, listed):
        text = written("412.5", "100", totals=["lines = 3", "target [mm] = 512.6"])
        lines, target = refused(listed, text)
        assert (
            "line 4, total of the lines: the worksheet has 3 lines, the list 2: 1 too few" in lines
        )
        assert "line 5, total of column 'target [mm]': the worksheet's control total is" in target
        assert "is 512.6 mm, the list adds up to 512.5 mm: 0.1 mm too little" in target

    @pytest.mark.parametrize(
        ("rows", "total", "cause"),
        [
            # sums by hand
            (["10", "20", "20"], "30", "lines 3, 4 hold just this much: one position too many?"),
            (["10", "20", "35"], "30", "line 4 holds just this much: one position too many?"),
            (["10", "25"], "60", "line 3 holds just this much: a position like it left out?"),
            (["421.5", "10"], "422.5", "line 2: 421.5 in the place of 412.5?"),
            (["125", "10"], "22.5", "line 2: 125 in the place of 12.5?"),
            (["1.25", "10"], "22.5", "line 2: 1.25 in the place of 12.5?"),
            (["412.5", "110"], "523.5", "a single wrong digit would explain it"),
            (["412.5", "110"], "525.2", "two digits of the control total itself transposed?"),
            (["412.5", "110"], "549.5", "it is divisible by nine"),
            (["412.53", "110"], "522.5", "the control total is rounded: write all its digits"),
            (["412.6", "110"], "522.500", "a single wrong digit would explain it"),  # not rounded
            (["412.5", "110"], "500.8", None),
        ],
    )
    def test_likely_causes(self, listed, rows, total, cause):
        (line,) = refused(listed, written(*rows, totals=[f"target [mm] = {total}"]))
        if cause is None:
            assert "likely cause" not in line
        else:
            assert cause in line.split("likely cause: ")[1]

    def test_a_total_in_a_unit_in_which_the_sum_has_no_end(self, listed):
        """522.5 mm are 20.5708661417... in."""
        (line,) = refused(listed, written("412.5", "110", totals=["target [in] = 20.5708661"]))
        assert (
            "in the unit 'in' the decimals of this sum have no end: write the total in mm" in line
        )
        (line,) = refused(listed, written("412.5", "110", totals=["target [in] = 21.5708661"]))
        assert "have no end" not in line  # that is more than rounding

    def test_digits_of_a_total_in_another_unit(self, listed):
        """0.5225 m state four decimals, 0.1 mm, and 522.53 mm are rounded to them."""
        (line,) = refused(listed, written("412.53", "110", totals=["target [m] = 0.5225"]))
        assert "the control total is rounded" in line
        (line,) = refused(listed, written("412.53", "110", totals=["target [m] = 0.52250"]))
        assert "rounded" not in line

    def test_sign(self, listed):
        text = "target [mm],mode\n100,absolute\n12.7,incremental\n3,incremental\n"
        (line,) = refused(listed, text + "# total target [mm] = 90.3\n")  # with -12.7
        assert "line 3 holds half of it: a sign wrong?" in line

    def test_line_left_out_is_told_by_both_totals(self, listed):
        totals = ["lines = 3", "target [mm] = 66.5"]
        _, line = refused(listed, written("10", "23.25", totals=totals))
        assert "likely cause: the line that is lacking holds 33.25; expected" in line

    def test_lines_that_agree_rule_out_a_line_too_many(self, listed):
        (line,) = refused(listed, written("12", "20", totals=["lines = 2", "target [mm] = 12"]))
        # one position too many it cannot be
        assert "likely cause: a single wrong digit would explain it; expected" in line

    def test_beside_other_faults(self, listed):
        text = "target [mm],dwell [s]\nx,1\n2,1\n# total dwell [s] = 3\n# total target [mm] = 2\n"
        found = refused(listed, text)
        assert len(found) == 2  # targets are not summed while one cannot be read
        assert "'x' is not a number" in found[0]
        assert "total of column 'dwell [s]'" in found[1]


class TestUnreadable:
    @pytest.mark.parametrize(
        ("total", "what"),
        [
            ("# total dwel [s] = 3", "which is no column of this list; expected one of lines"),
            ("# total thrust along [N] = 3", "'thrust along', which is no column of this list"),
            ("# total comment = 3", "a control total of 'comment', which holds text"),
            ("# total target = 3", "has no unit; expected '# total target [mm] = 3'"),
            ("# total target [s] = 3", "'s' is a unit of time; expected length in m, cm"),
            ("# total target [mmm] = 3", "unknown unit 'mmm'"),
            ("# total target [mm] = 3,0", "'3,0' has a comma"),
            ("# total target [mm] = 3 mm", "has something behind the number"),
            ("# total target [mm] =", "is no control total; expected '# total lines = 200'"),
            ("# total target [mm]: 3", "is no control total"),
            ("# totl target [mm] = 3", "is no control total"),
            ("# sum of target [mm] = 3", "is no control total"),
            ("# Control total: 3", "is no control total"),
            ("# lines total = 2", "is no control total"),
            ("# total lines = 2.5", "is no number of lines"),
            ("# total lines [mm] = 2", "is no number of lines"),
            ("# total lines = 2\n# total lines = 2", "a second control total of 'lines'"),
        ],
    )
    def test_never_passed_over(self, listed, total, what):
        text = f"target [mm],dwell [s],comment\n1,1,a\n2,2,b\n{total}\n"
        found = refused(listed, text)
        assert len(found) == 1
        assert what in found[0]
        assert re.search(r"list.csv line [45]", found[0])

    def test_nearest_column(self, listed):
        text = "target [mm],dwell [s]\n1,1\n# total dwel [s] = 1\n"
        assert refused(listed, text)[0].endswith("nearest name 'dwell'")

    def test_column_with_a_fault_of_its_own(self, listed):
        found = refused(listed, "target [mm],dwell\n1,1\n# total dwell [s] = 5\n")
        assert len(found) == 1
        assert "'dwell' has no unit" in found[0]

    @pytest.mark.parametrize("heading", ["dwel [s]", "dwell s]"])
    def test_total_of_a_column_with_a_slip_in_its_heading(self, listed, heading):
        found = refused(listed, f"target [mm],{heading}\n1,1\n# total dwell [s] = 1\n")
        assert len(found) == 1
        assert "unknown column" in found[0]

    @pytest.mark.parametrize(
        "remark", ["Holes of the first shell", "x = 5", "title = Control total"]
    )
    def test_other_remarks_are_left_alone(self, listed, remark):
        assert len(listed(f"# {remark}\n{written('1')}").positions) == 1


class TestTampering:
    @settings(max_examples=60)
    @given(st.integers(0, len(PLACES) - 1), st.integers(1, 9))
    def test_any_changed_digit_of_the_demonstration(self, tmp_path_factory, which, more):
        place = PLACES[which]
        digit = str((int(DEMO_TEXT[place]) + more) % 10)
        path = tmp_path_factory.mktemp("lists") / "list.csv"
        path.write_text(DEMO_TEXT[:place] + digit + DEMO_TEXT[place + 1 :], encoding="utf-8")
        with pytest.raises(ParameterError):
            read_positions(path)

    @settings(max_examples=40)
    @given(st.integers(0, 198), st.booleans())
    def test_any_line_left_out_or_doubled(self, tmp_path_factory, which, doubled):
        start, end = rows_of(DEMO_TEXT)
        lines = DEMO_TEXT[start:end].splitlines(keepends=True)
        lines[which : which + 1] = [lines[which]] * (2 if doubled else 0)
        path = tmp_path_factory.mktemp("lists") / "list.csv"
        path.write_text(DEMO_TEXT[:start] + "".join(lines) + DEMO_TEXT[end:], encoding="utf-8")
        with pytest.raises(ParameterError) as error:
            read_positions(path)
        assert f"1 too {'many' if doubled else 'few'}" in str(error.value)

    @settings(max_examples=100)
    @given(
        st.lists(st.decimals(0, 700, places=3), min_size=1, max_size=30),
        st.data(),
    )
    def test_any_changed_digit_of_a_random_list(self, tmp_path_factory, numbers, data):
        texts = [format(one, "f") for one in numbers]
        thousandths = sum(int(one.replace(".", "")) for one in texts)
        total = f"{thousandths // 1000}.{thousandths % 1000:03d}"
        path = tmp_path_factory.mktemp("lists") / "list.csv"
        path.write_text(written(*texts, totals=[f"target [mm] = {total}"]), encoding="utf-8")
        assert len(read_positions(path).positions) == len(numbers)
        line = data.draw(st.integers(0, len(texts) - 1))
        place = data.draw(st.integers(0, len(texts[line]) - 1))
        assume(texts[line][place] != ".")
        digit = str((int(texts[line][place]) + data.draw(st.integers(1, 9))) % 10)
        texts[line] = texts[line][:place] + digit + texts[line][place + 1 :]
        path.write_text(written(*texts, totals=[f"target [mm] = {total}"]), encoding="utf-8")
        with pytest.raises(ParameterError) as error:
            read_positions(path)
        text = str(error.value)
        change = Fraction(texts[line]) - Fraction(format(numbers[line], "f"))
        shown = re.search(r"([0-9.]+) mm too (much|little)", text)
        assert Fraction(shown[1]) == abs(change)
        assert (shown[2] == "much") == (change > 0)

    @settings(max_examples=60)
    @given(
        st.lists(st.integers(1000, 99999), min_size=2, max_size=20, unique=True),
        st.data(),
    )
    def test_transposed_digits_are_found(self, numbers, data):
        # 10 a + b - (10 b + a) = 9 (a - b)
        which = data.draw(st.integers(0, len(numbers) - 1))
        digits = str(numbers[which])
        place = data.draw(st.integers(0, len(digits) - 2))
        swapped = digits[:place] + digits[place + 1] + digits[place] + digits[place + 2 :]
        assume(swapped != digits and swapped[0] != "0")
        entries = [(line, Decimal(one).scaleb(-2)) for line, one in enumerate(numbers, 2)]
        entries[which] = (which + 2, Decimal(swapped).scaleb(-2))
        found = sum(one for _, one in entries)
        causes = likely_causes(found, Decimal(sum(numbers)).scaleb(-2), entries)
        assert causes
        assert (int(swapped) - int(digits)) % 9 == 0
        named = [cause for cause in causes if cause.startswith(f"line {which + 2}: ")]
        assert named or len(causes) >= 3  # others may explain it as well
