"""Lists of positions: what is read, what is refused and how it is named; targets typed by hand."""

from decimal import Decimal
from fractions import Fraction
from itertools import pairwise, permutations
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from servosim.cycles import (
    least_travel,
    one_sided,
    read_positions,
    travel,
    typed_positions,
    with_overruns,
)
from servosim.errors import ParameterError

DEMO = Path(__file__).parents[1] / "params" / "tube_sheet_positions.csv"


def tube_sheet():
    """Return the text of the invented tube sheet in params.

    Holes on a triangular pitch of 31.75 mm inside a circle of 232 mm radius about 350 mm, seen from
    one axis: row by row across, each second row backwards. Arithmetic in whole half pitches.
    """
    pitch, radius, middle = Fraction(127, 4), 232, 350
    rows = []
    for row in range(-8, 9):
        row_height = Fraction(3, 4) * row * row * pitch**2
        halves = [
            half
            for half in range(-20, 21)
            if (half - row) % 2 == 0 and (half * pitch / 2) ** 2 + row_height <= radius**2
        ]
        rows.append(halves if row % 2 == 0 else halves[::-1])
    lines, total, auxiliary = [], Fraction(0), Decimal(0)
    for number, halves in enumerate(rows, 1):
        for hole, half in enumerate(halves, 1):
            target = middle + half * pitch / 2
            total += target
            names, times, speed = "", "", "100"
            if hole == 1:
                names, times, auxiliary = "cross slide", "3", auxiliary + 3
            if number == hole == 1:
                names, times = "tool change | spindle speed | coolant", "45 | 2 | 0.5"
                auxiliary += Decimal("47.5") - 3
                speed = "50"
            lines.append(
                f"{float(target):.3f},absolute,any,{speed},100,2500,2.4,0.3,{names},{times},"
                f"row {number} hole {hole}"
            )
    count = len(lines)
    head = [
        "# title = Tube sheet of 199 holes, crosswise axis",
        "# Invented for demonstration. Triangular pitch 31.75 mm inside a circle of 464 mm about",
        "# 350 mm; one axis at a time, row by row across and back. The cross slide goes on one row",
        "# where it is named; thrust and feed are those of the drill.",
        "target [mm],mode,approach,speed [%],thrust along [N],thrust normal [N],feed time [s],"
        "dwell [s],auxiliary,auxiliary time [s],comment",
    ]
    foot = [
        f"# total lines = {count}",
        f"# total target [mm] = {float(total):.3f}",
        f"# total speed [%] = {100 * count - 50}",
        f"# total thrust along [N] = {100 * count}",
        f"# total thrust normal [N] = {2500 * count}",
        f"# total feed time [s] = {Decimal('2.4') * count}",
        f"# total dwell [s] = {Decimal('0.3') * count}",
        f"# total auxiliary time [s] = {auxiliary}",
    ]
    return "\n".join([*head, *lines, *foot]) + "\n"


@pytest.fixture
def listed(tmp_path):
    """Give a function that writes a list and reads it."""

    def read(text, **options):
        path = tmp_path / "list.csv"
        if isinstance(text, str):
            text = text.encode()
        path.write_bytes(text)
        return read_positions(path, **options)

    return read


def refused(read, *arguments, **options):
    """Return the lines of the message with which something is refused."""
    with pytest.raises(ParameterError) as error:
        read(*arguments, **options)
    assert len(str(error.value).splitlines()) == len(error.value.faults)
    return str(error.value).splitlines()


def targets(found):
    return [one.target for one in found.positions]


class TestDemonstration:
    def test_file_is_the_one_that_is_described(self):
        assert DEMO.read_text(encoding="utf-8") == tube_sheet()

    def test_holes(self):
        found = read_positions(DEMO, stroke=0.7)
        assert len(found.positions) == 199
        # symmetrical about 350 mm: the mean is exactly there
        assert sum(Decimal(repr(one)) for one in targets(found)) == 199 * Decimal("0.35")
        # neighbours in a row are a pitch apart, 31.75 mm; from row to row an odd half pitch
        steps = {round(abs(b - a) / 0.015875) for a, b in pairwise(targets(found))}
        assert 2 in steps
        assert all(step == 2 or step % 2 for step in steps)
        assert len(found.totals) == 8
        assert found.notes == ()

    def test_what_happens_at_the_first_hole(self):
        first = read_positions(DEMO).positions[0]
        assert first.auxiliary == (("tool change", 45.0), ("spindle speed", 2.0), ("coolant", 0.5))
        assert (first.speed, first.thrust_along, first.thrust_normal) == (0.5, 100.0, 2500.0)
        assert (first.feed_time, first.dwell, first.line) == (2.4, 0.3, 6)


class TestReading:
    def test_missing_columns_are_defaults(self, listed):
        found = listed("target [mm]\n412.5\n")
        (one,) = found.positions
        assert (one.line, one.target, one.approach, one.speed) == (2, 0.4125, "any", 1.0)
        assert (one.thrust_along, one.thrust_normal, one.feed_time, one.dwell) == (0, 0, 0, 0)
        assert (one.auxiliary, one.comment, one.overrun) == ((), "", False)
        assert found.notes == ("no control total for: lines, target",)

    def test_columns_by_name_in_any_order_and_unit(self, listed):
        found = listed(
            "# title = Two holes\nComment,Feed_time [ms],thrust  normal [kN],target [in],approach\n"
            '"a, b",400,2.5,10,-\n,,,1.5,ANY\n'
        )
        one, two = found.positions
        assert (one.target, one.approach, one.comment) == (0.254, "-", "a, b")
        assert (one.thrust_normal, one.feed_time) == (2500.0, 0.4)
        assert (two.target, two.approach) == (0.0381, "any")
        assert found.title == "Two holes"

    @pytest.mark.parametrize("separator", [",", ";", "\t"])
    @pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
    @pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
    def test_separators_ends_of_lines_and_byte_order_mark(self, listed, separator, end, mark):
        lines = ["target [mm],dwell [s]", "412.5,1", "#,", "", "10,2", "# total lines = 2,", ",,"]
        text = end.join(lines).replace(",", separator)
        found = listed(mark + text.encode())
        assert [(one.line, one.target, one.dwell) for one in found.positions] == [
            (2, 0.4125, 1.0),
            (5, 0.01, 2.0),
        ]

    def test_separator_stated_in_the_first_line(self, listed):
        assert targets(listed("sep=;\ntarget [mm]\n1.5\n")) == [0.0015]

    def test_stated_decimal_comma(self, listed):
        found = listed(
            "# decimal = comma\ntarget [mm];dwell [s]\n1,5;0,25\n12;\n# total target [mm] = 13,5\n"
        )
        assert targets(found) == [0.0015, 0.012]
        assert found.positions[0].dwell == 0.25

    def test_unit_from_outside_the_file(self, listed):
        assert targets(listed("target\n1.5\n", units={"target": "mm"})) == [0.0015]
        text = refused(listed, "target [cm]\n1.5\n", units={"target": "mm"})
        assert "'target [cm]' disagrees with the unit mm stated outside the file" in text[0]

    def test_increments_are_added_exactly(self, listed):
        rows = "0.1,incremental\n" * 9
        found = listed(f"target [mm],mode\n0.1,absolute\n{rows}")
        # ten times a tenth is one; in floats ten additions of 0.1 end at 0.9999999999999999
        assert found.positions[-1].target == 0.001
        assert targets(found)[2] == 0.0003

    def test_increment_from_a_start(self, listed):
        found = listed("target [mm],mode\n-0.1,incremental\n12.7,incremental\n", start=0.25)
        assert targets(found) == [0.2499, 0.2626]

    def test_line_taken_out_is_noted(self, listed):
        found = listed("target [mm],dwell [s]\n1,1\n#2,1\n3,1\n")
        assert found.notes[0] == "line 3 begins with '#' and is no position: '2,1'"

    @settings(max_examples=60)
    @given(
        st.lists(
            st.tuples(
                st.decimals(0, 700, places=4),
                st.sampled_from(["+", "-", "any"]),
                st.decimals(1, 200, places=1),
                st.decimals(-5000, 5000, places=2),
                st.decimals("0.001", 100, places=3),
                st.lists(
                    st.tuples(st.sampled_from(["coolant", "tool, new"]), st.integers(0, 99)),
                    max_size=3,
                ),
                st.text("abc ,;\"'|äöµ", max_size=8),
            ),
            min_size=1,
            max_size=12,
        ),
        st.sampled_from([",", ";", "\t"]),
    )
    def test_round_trip(self, tmp_path_factory, rows, separator):
        # written here cell by cell, every text in quotes
        columns = ["target [mm]", "approach", "speed [%]", "thrust along [N]", "feed time [s]"]
        columns += ["auxiliary", "auxiliary time [s]", "comment"]
        lines = [separator.join(columns)]
        for target, approach, speed, thrust, feed, actions, comment in rows:
            cells = [str(target), approach, str(speed), str(thrust), str(feed)]
            cells += [" | ".join(name for name, _ in actions)]
            cells += ["|".join(str(time) for _, time in actions), comment + "."]
            quoted = ['"' + cell.replace('"', '""') + '"' for cell in cells]
            lines.append(separator.join(quoted))
        path = tmp_path_factory.mktemp("lists") / "list.csv"
        path.write_text("\n".join(lines), encoding="utf-8")
        found = read_positions(path, stroke=0.7)
        assert len(found.positions) == len(rows)
        for one, row in zip(found.positions, rows, strict=True):
            target, approach, speed, thrust, feed, actions, comment = row
            assert one.target == float(Fraction(target) / 1000)
            assert one.approach == approach
            assert one.speed == float(Fraction(speed) / 100)
            assert (one.thrust_along, one.feed_time) == (float(thrust), float(feed))
            assert one.auxiliary == tuple((name, float(time)) for name, time in actions)
            assert one.comment == (comment + ".").strip()


class TestRefused:
    def test_all_faults_at_once_by_line_and_column(self, listed):
        text = (
            "target [mm],mode,approach,speed [%],thrust normal [N],feed time [s],auxiliary,"
            "auxiliary time [s]\n"
            "4l2.5,,,,,,,\n"
            "100,absolut,,,,,,\n"
            "100,,up,,,,,\n"
            "100,,,0,,,,\n"
            "100,,,,2500,,,\n"
            "100,,,,,-1,,\n"
            "100,,,,,,coolant|tool change,3\n"
            "701,,,,,,,\n"
            ",,,50,,,,\n"
            "100,,,,,,\n"
            "100,,,1e3,,,,nan\n"
            "-12.7,,,,,,,\n"
            "+12.7,,,,,,,\n"
        )
        found = refused(listed, text, stroke=0.7)
        expected = [
            (2, "target [mm]", "'4l2.5' has something behind the number", "412.5"),
            (3, "mode", "'absolut' is not known", "nearest name 'absolute'"),
            (4, "approach", "'up' is not known", "'+', '-', 'any'"),
            (5, "speed [%]", "'0 %' is too low", "more than 0 %, at most 200 %"),
            (6, "thrust normal [N]", "a thrust of 2500 N without a feed time", "above zero"),
            (7, "feed time [s]", "'-1 s' is too low", "0 s to 3600 s"),
            (8, "auxiliary time [s]", "1 time (3 s) for 2 auxiliary actions", "parted by '|'"),
            (9, "target [mm]", "'701 mm' is outside the stroke", "0 mm to 700 mm, the stroke"),
            (10, "target [mm]", "has no target", "a number in mm"),
            (11, "", "has 7 cells, the header 8", "8 cells parted by commas"),
            (12, "speed [%]", "'1e3 %' is too high", "at most 200 %"),
            (12, "auxiliary time [s]", "'nan' is not a finite number", "a number in s"),
            (13, "target [mm]", "'-12.7 mm' is outside the stroke; a distance needs", "0 mm"),
            (14, "target [mm]", "'+12.7 mm' has a sign '+' and no mode", "'incremental'"),
        ]
        assert len(found) == len(expected)
        for line, (number, column, what, would_do) in zip(found, expected, strict=True):
            place = f"line {number}, column '{column}': " if column else f"line {number}: "
            assert "list.csv " + place + what in line
            assert would_do in line.split("; expected")[1]

    @pytest.mark.parametrize(
        ("header", "what"),
        [
            ("target", "column 1: 'target' has no unit; expected a unit such as 'target [mm]'"),
            ("target [mn]", "column 1: 'target [mn]': unknown unit 'mn'"),
            ("target [s]", "'s' is a unit of time; expected length in m, cm, mm"),
            ("traget [mm]", "names no column of a position list"),
            ("target [mm],aproach", "unknown column 'aproach'"),
            ("dwell [s]", "there is no column 'target'"),
            ("target [mm],target [m]", "column 2: 'target [m]' stands already in column 1"),
            ("target [mm],comment [mm]", "has a unit, and the column holds text"),
            ("target [mm],auxiliary", "'auxiliary' stands without 'auxiliary time'"),
            ("target [mm],", "column 2: has contents but no name"),
            ("412.5", "is not a header"),
            ("target [mm];dwell [s],comment", "the header has commas and semicolons"),
        ],
    )
    def test_header(self, listed, header, what):
        cells = header.count(",") + 1
        text = refused(listed, f"{header}\n{','.join(['1', *['x'] * (cells - 1)])}\n")
        assert any(what in line for line in text)

    @pytest.mark.parametrize(
        ("number", "why"),
        [
            ("1;5", "1 cell"),
            ('"1,5"', "'1,5' has a comma; decimals stand after a point"),
            ('"1,500"', "'1,500' has a comma"),
            ("1 500", "is a number broken in two"),
            ("1'500", "is a number broken in two"),
            ("1_500", "is a number broken in two"),
            ("412.5 mm", "has something behind the number; units stand in the header"),
            ("\N{MINUS SIGN}5", "has a dash in the place of a minus"),
            ("١٢", "is not a number"),
            ("inf", "is not a finite number"),
            ("=A1", "is not a number"),
            ("1e999", "is too large"),
            ("1" * 50, "has more than 40 characters"),
            ("", "has no target"),
        ],
    )
    def test_numbers(self, listed, number, why):
        text = refused(listed, f"target [mm],comment\n{number},x\n1,x\n".replace("1;5,", "1;5"))
        assert len(text) == 1
        assert why in text[0]
        assert "line 2" in text[0]

    def test_decimal_commas_between_commas(self, listed):
        # one cell too many
        text = refused(listed, "target [mm],approach,comment\n412,5,+,first\n")
        assert "line 2: has 4 cells, the header 3: '412,5,+,first'; a decimal comma" in text[0]
        # as many cells as the header, by bad luck
        text = refused(listed, "target [mm],comment\n412,5\n")
        assert "'5' is a bare number beside a number: a decimal comma in '412,5'?" in text[0]
        text = refused(listed, "target [mm]\n412,5\n")
        assert "has 2 cells, the header 1" in text[0]
        text = refused(listed, "target [mm];comment\n412,5;a\n")
        assert "'412,5' has a comma" in text[0]
        assert "'# decimal = comma' at the head of the file" in text[0]

    def test_stated_decimal_comma_knows_no_point(self, listed):
        text = refused(listed, "# decimal = comma\ntarget [mm];comment\n1.500;a\n")
        assert "'1.500' has a point, although the file states decimals after a comma" in text[0]
        text = refused(listed, "# decimal = comma\ntarget [mm],dwell [s]\n1,5\n")
        assert "so would be the decimals of every number" in text[0]
        text = refused(listed, "# decimal = coma\ntarget [mm]\n1\n")
        assert "'coma' does not say where the decimals stand" in text[0]

    def test_increment_from_nowhere_is_told_once(self, listed):
        text = refused(listed, "target [mm],mode\n1,incremental\n1,incremental\n")
        assert len(text) == 1
        assert "'1 mm' is incremental, and nothing stands before" in text[0]
        text = refused(listed, "target [mm],mode\nx,absolute\n1,incremental\n")
        assert len(text) == 1

    def test_increment_that_leaves_the_stroke(self, listed):
        rows = "690,absolute\n10,incremental\n0.001,incremental\n"
        text = refused(listed, f"target [mm],mode\n{rows}", stroke=0.7)
        assert len(text) == 1
        assert "line 4" in text[0]
        assert "'0.001 mm' leads to 700.001 mm, which is outside the stroke" in text[0]

    def test_position_that_might_be_a_remark(self, listed):
        text = refused(listed, "comment,target [mm]\na,1\n#2 hole,2\n")
        assert "line 3, column 'comment': '#2 hole,2' may be a remark or a position" in text[0]
        assert len(listed('comment,target [mm]\na,1\n"#2 hole",2\n').positions) == 2

    @pytest.mark.parametrize(
        ("content", "what"),
        [
            (b"", "has no header"),
            (b"# only this\n,,\n", "has no header"),
            (b"target [mm]\n", "has no positions"),
            (b"target [mm],comment\n1,\xb5\n", "line 2 is not UTF-8 text"),
            ("target [mm]\n1\n".encode("utf-16"), "is not UTF-8 but UTF-16"),
            (b'target [mm],comment\n1,"a\n2,b\n', "line 2: '1,\"a' cannot be parted into cells"),
            (b"target [mm],dwell [s]\n1,1\n,\n2,2\n", "line 3: is empty, and positions follow"),
            (b"# titel = x\ntarget [mm]\n1\n", "'titel' is not known"),
        ],
    )
    def test_files(self, listed, content, what):
        assert what in refused(listed, content)[0]

    def test_no_such_file(self, tmp_path):
        (tmp_path / "sheet.csv").write_text("")
        text = refused(read_positions, tmp_path / "shet.csv")
        assert "no such file" in text[0]
        assert "nearest name 'sheet.csv'" in text[0]
        assert "is a folder" in refused(read_positions, tmp_path)[0]

    def test_stroke_and_start(self):
        for options in ({"stroke": 0.0}, {"stroke": float("nan")}, {"stroke": 0.2, "start": 0.3}):
            with pytest.raises(ParameterError):
                typed_positions(["1 mm"], **options)


class TestTyped:
    def test_positions_and_distances(self):
        found = typed_positions(["412.5 mm", "+12.7mm", "-0.5 in", "10 cm"], stroke=0.7)
        # 412.5 + 12.7 = 425.2, less 12.7
        assert targets(found) == [0.4125, 0.4252, 0.4125, 0.1]
        assert [one.line for one in found.positions] == [1, 2, 3, 4]
        assert targets(typed_positions(["+0.1 mm"] * 10, start=0.0))[-1] == 0.001

    def test_faults_at_once(self):
        texts = ["1,5 mm", "+1 mm", "7", "800 mm", "-1 m", "5 s", "", "690 mm"]
        text = refused(typed_positions, texts, stroke=0.7)
        expected = {
            1: "has a comma",
            3: "has no unit",
            4: "'800 mm' is outside the stroke",
            5: "'-1 m' leads to -200 mm, which is outside the stroke",
            6: "is a time",
            7: "has no number",
        }
        assert len(text) == len(expected)
        for line, (place, what) in zip(text, expected.items(), strict=True):
            assert line.startswith(f"target {place}: ")
            assert what in line

    def test_distance_from_nowhere(self):
        text = refused(typed_positions, ["+1 mm", "+1 mm"])
        assert len(text) == 1
        assert "nothing stands before" in text[0]
        assert "no targets" in refused(typed_positions, [])[0]
        assert "is one text" in refused(typed_positions, "1 mm")[0]


def places(*millimetres):
    return typed_positions([f"{one} mm" for one in millimetres])


class TestOrders:
    @settings(max_examples=60)
    @given(
        st.lists(st.integers(0, 50), min_size=1, max_size=6),
        st.one_of(st.none(), st.integers(0, 50)),
    )
    def test_least_travel_against_all_orders(self, millimetres, start):
        found = places(*millimetres)
        begin = None if start is None else start / 1000

        def way(order):
            whole = order if start is None else (start, *order)
            return sum(abs(b - a) for a, b in pairwise(whole))

        best = min(way(order) for order in permutations(millimetres))
        better = least_travel(found, start=begin)
        assert round(travel(better, start=begin) * 1000) == best
        assert sorted(one.line for one in better.positions) == list(range(1, len(millimetres) + 1))

    def test_directions_get_a_pass_each(self, listed):
        text = "target [mm],approach\n1,+\n5,-\n3,+\n2,-\n4,any\n"
        found = least_travel(listed(text), start=0.0)
        assert [round(1000 * one) for one in targets(found)] == [1, 3, 4, 5, 2]

    def test_actions_stay_between_what_they_part(self, listed):
        head = "target [mm],auxiliary,auxiliary time [s]\n"
        found = listed(head + "5,,\n1,,\n7,tool change,3\n2,,\n6,,\n# total lines = 5\n")
        better = least_travel(found, start=0.0)
        assert [one.line for one in better.positions] == [3, 2, 4, 6, 5]
        assert better.totals == ()
        assert any("control totals" in note for note in better.notes)
        free = least_travel(found, start=0.0, across_actions=True)
        assert targets(free) == sorted(targets(found))

    @settings(max_examples=60)
    @given(
        st.lists(st.integers(20, 50), min_size=1, max_size=12),
        st.sampled_from(["+", "-"]),
        st.one_of(st.none(), st.integers(0, 70)),
    )
    def test_one_sided(self, millimetres, side, start):
        begin = None if start is None else start / 1000
        found = one_sided(places(*millimetres), side=side, overrun=0.005, start=begin, stroke=0.07)
        worked = [one for one in found.positions if not one.overrun]
        assert [round(1000 * one.target) for one in worked] == millimetres
        before, arrived = begin, ""
        for one in found.positions:
            if before is not None and one.target != before:
                arrived = "+" if one.target > before else "-"
            if one.overrun:
                assert one.feed_time == one.dwell == 0.0
                assert one.auxiliary == ()
            else:
                assert arrived == side
            before = one.target

    def test_overruns_where_they_are_needed_alone(self):
        found = one_sided(places(10, 20, 15, 15, 30), overrun=0.005, start=0.0)
        assert [round(1000 * one, 9) for one in targets(found)] == [10, 20, 10, 15, 15, 30]
        assert [one.line for one in found.positions if one.overrun] == [3]
        assert "overrun" in found.notes[0]

    def test_nothing_asked_nothing_changed(self, listed):
        found = listed("target [mm]\n5\n1\n# total lines = 2\n")
        assert with_overruns(found, overrun=0.001) == found

    def test_refused(self, listed):
        text = refused(one_sided, places(3), overrun=0.005)
        assert "line 1: the overrun of 5 mm before 3 mm ends at -2 mm" in text[0]
        assert (
            "outside the stroke"
            in refused(one_sided, places(68), overrun=0.005, side="-", stroke=0.07)[0]
        )
        found = listed("target [mm],approach\n10,-\n")
        assert "asks for an approach '-'" in refused(one_sided, found, overrun=0.005)[0]
        assert "side 'up' is not known" in refused(one_sided, found, overrun=0.1, side="up")[0]
        for overrun in (0.0, -1.0, float("nan")):
            assert "an overrun of" in refused(with_overruns, found, overrun=overrun)[0]
        overrun = one_sided(places(10, 5), overrun=0.001)
        assert "another order" in refused(least_travel, overrun)[0]
