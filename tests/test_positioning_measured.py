"""Measured tables: what is read, and faults named by line and column."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

import servosim
from servosim.positioning.evaluation import evaluate
from servosim.positioning.measured import read_measured

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "params/measured_deviations.csv"
HEADER = "target [mm],direction,run,deviation [um]"
WHOLE = [
    "100,+,1,2", "100,+,2,4", "100,-,1,0.5", "100,-,2,1.5", "250.5,+,1,-1", "250.5,+,2,3",
    "250.5,-,1,0", "250.5,-,2,-2",
]  # fmt: skip


@pytest.fixture
def table(tmp_path):
    """Write a table and return its path."""

    def write(*lines, name="table.csv", **options):
        path = tmp_path / name
        path.write_bytes("\n".join(lines).encode(options.get("encoding", "utf-8")))
        return path

    return write


def faults_of(path):
    """Return the faults of a file, without its name."""
    with pytest.raises(servosim.ParameterError) as caught:
        read_measured(path)
    assert all(fault.file == str(path) for fault in caught.value.faults)
    return [str(fault).removeprefix(str(path)).strip() for fault in caught.value.faults]


class TestRead:
    def check(self, found, scale=1.0):
        assert found.targets == pytest.approx([0.1 * scale, 0.2505 * scale], rel=1e-15)
        expected = [[2, 4], [-1, 3]], [[0.5, 1.5], [0, -2]]
        assert found.positive * 1e6 == pytest.approx(np.array(expected[0]), rel=1e-12)
        assert found.negative * 1e6 == pytest.approx(np.array(expected[1]), rel=1e-12)

    def test_as_written(self, table):
        found = read_measured(table(HEADER, *WHOLE))
        self.check(found)
        assert found.travel == pytest.approx(0.1505)
        assert found.notes == found.remarks == ()

    def test_a_unit_that_cannot_be_right_is_asked_about(self, table):
        """Micrometres under a head of millimetres."""
        found = read_measured(table("target [mm],direction,run,deviation [mm]", *WHOLE))
        assert found.notes == (
            "deviations up to 4 mm: is the unit in the header of the table right?",
        )

    def test_lines_in_any_order(self, table):
        """Runs stand in the order of their numbers."""
        self.check(read_measured(table(HEADER, *WHOLE[::-1])))

    def test_columns_in_any_order_and_others_beside(self, table):
        lines = [",".join((*(line.split(",")[::-1]), "20.1")) for line in WHOLE]
        found = read_measured(
            table("Deviation [um],RUN,direction, target [mm] ,table [degC]", *lines)
        )
        self.check(found)
        assert found.notes == ("not read: column 'table [degC]'",)

    def test_units_of_the_header(self, table):
        lines = [line.split(",") for line in WHOLE]
        rows = [f"{float(x) / 25.4!r},{d},{r},{float(y) / 1000!r}" for x, d, r, y in lines]
        self.check(read_measured(table("target [in],direction,run,deviation [mm]", *rows)))
        rows = [",".join(line) for line in lines]
        self.check(
            read_measured(table("target [cm],direction,run,deviation [µm]", *rows)), scale=10.0
        )

    @pytest.mark.parametrize("delimiter", [";", "\t"])
    def test_other_delimiters(self, table, delimiter):
        rows = [line.replace(",", delimiter) for line in (HEADER, *WHOLE)]
        self.check(read_measured(table(*rows)))

    def test_files_of_spreadsheets(self, table):
        rows = [f'"{line}"'.replace(",", '","') for line in (HEADER, *WHOLE)]
        rows = [row.replace('"-"', '"\u2212"') for row in rows]
        path = table("\r\n".join([*rows, "", ",,,", ""]), encoding="utf-8-sig")
        self.check(read_measured(path))

    def test_comment_lines_are_remarks(self, table):
        found = read_measured(table("# a, first", HEADER, *WHOLE[:3], "  # then", "#", *WHOLE[3:]))
        self.check(found)
        assert found.remarks == ("a, first", "then")

    def test_numbers_with_an_exponent(self, table):
        self.check(read_measured(table(HEADER, "1e2,+,1,20E-1", "1.0e+2,+,2,.4e1", *WHOLE[2:])))

    def test_runs_may_differ_in_number(self, table):
        found = read_measured(table(HEADER, *WHOLE, "100,-,7,2"))
        assert [list(runs) for runs in found.runs] == [[2, 2], [3, 2]]
        assert found.negative[0] * 1e6 == pytest.approx([0.5, 1.5, 2.0])

    def test_a_long_axis_needs_one_run(self, table):
        found = read_measured(table(HEADER, "0,+,1,1", "0,-,1,0", "2100,+,1,3", "2100,-,1,2"))
        assert evaluate(found).symbols["E"] == pytest.approx(3e-6)

    def test_demonstration(self):
        found = read_measured(DEMO)
        assert "Invented" in found.remarks[0]
        assert found.positive.shape == found.negative.shape == (8, 5)


class TestFaults:
    @pytest.mark.parametrize(
        ("cells", "expected"),
        [
            ("100,+,3,abc", "column 'deviation [um]': 'abc' has no number"),
            ("100,+,3,NaN", "column 'deviation [um]': 'NaN' is not finite"),
            ("100,+,3,-inf", "column 'deviation [um]': '-inf' is not finite"),
            ("100,+,3,1e999", "column 'deviation [um]': '1e999' is not a number"),
            ("100,+,3,", "column 'deviation [um]': is empty"),
            ("100,+,3,2 um", "column 'deviation [um]': '2 um' is more than a number"),
            ('100,+,3,"1,5"', "column 'deviation [um]': '1,5' has a comma"),
            ("nan,+,3,1", "column 'target [mm]': 'nan' is not finite"),
            ("1 00,+,3,1", "column 'target [mm]': '1 00' has a number broken in two"),
            ("100,up,3,1", "column 'direction': 'up' is no direction; expected + or -"),
            ("100,,3,1", "column 'direction': is empty; expected + or -"),
            ("100,+,1.5,1", "column 'run': '1.5' is no number of a run"),
            ("100,+,-1,1", "column 'run': '-1' is no number of a run"),
            ("100,+,,1", "column 'run': is empty"),
            ("100,+,1,9", "column 'run': run 1 at 100 mm in direction + stands already in line 3"),
            ("100,+,3,1e30", "column 'deviation [um]': '1e30' is more than can be meant"),
            ("2e6,+,3,1", "column 'target [mm]': '2e6' is more than can be meant; expected 1000 m"),
            ("100.000,+,1,9", "column 'run': run 1 at 100.000 mm in direction + stands already"),
        ],
    )
    def test_of_a_cell(self, table, cells, expected):
        (fault,) = faults_of(table("# head", HEADER, *WHOLE[:5], "", cells, *WHOLE[5:]))
        assert fault.startswith(f"line 9, {expected}"), fault

    @pytest.mark.parametrize(
        ("cells", "what"),
        [
            ("100", "1 cell"),
            ("100,+,3", "3 cells"),
            ("100,+,3,1,5", "5 cells: a decimal comma, or a separator too many"),
        ],
    )
    def test_of_a_line(self, table, cells, what):
        (fault,) = faults_of(table(HEADER, *WHOLE, cells))
        assert fault == f"line 10: holds {what}; expected 4 cells as in the header"

    def test_a_lone_quote_is_told_in_its_line(self, table):
        (fault,) = faults_of(table(HEADER, *WHOLE[:2], '"100,+,3,1', *WHOLE[2:]))
        assert fault.startswith("line 4: '\"100,+,3,1' cannot be parted into cells")

    def test_all_at_once(self, table):
        found = faults_of(table(HEADER, "x,+,1,1", "100,y,1,1", "100,+,z,1", "100,+,1,w"))
        assert [fault.split(",")[0] for fault in found] == [f"line {n}" for n in (2, 3, 4, 5)]

    def test_not_without_end(self, table):
        found = faults_of(table(HEADER, *["x,+,1,1"] * 100))
        assert len(found) == 31
        assert found[-1].endswith("and 70 faults more")

    @pytest.mark.parametrize(
        ("header", "expected"),
        [
            (
                "target [mm],direction,run,deviatoin [um]",
                "line 1: there is no column 'deviation'; expected columns 'target [mm]', "
                "'direction', 'run' and 'deviation [um]'; nearest name 'deviatoin [um]'",
            ),
            (
                "target,direction,run,deviation [um]",
                "line 1, column 'target': has no unit; expected the unit in brackets, such as "
                "'target [mm]'",
            ),
            (
                "target [mm],direction,run,deviation [bar]",
                "line 1, column 'deviation [bar]': 'bar' is a pressure; write a length in m, cm, "
                "mm, um, nm, in, ft; expected a length, such as 'deviation [um]'",
            ),
            (
                "target [mm],direction,run,deviation [mu]",
                "line 1, column 'deviation [mu]': unknown unit 'mu'",
            ),
            (
                "target [mm],direction,run [1],deviation [um]",
                "line 1, column 'run [1]': run has no unit; expected 'run'",
            ),
        ],
    )
    def test_of_the_header(self, table, header, expected):
        (fault,) = faults_of(table(header, *WHOLE))
        assert fault.startswith(expected), fault

    def test_of_a_column_twice(self, table):
        lines = [f"{line},1" for line in WHOLE]
        (fault,) = faults_of(table(f"{HEADER},deviation [mm]", *lines))
        assert "column 'deviation [mm]': this column stands twice" in fault

    def test_a_direction_is_missing(self, table):
        (fault,) = faults_of(table("# head", HEADER, *WHOLE[:6]))
        assert fault == (
            "line 7, column 'direction': target 250.5 mm has no run in direction -; expected 2 "
            "runs at least in each direction, 5 by the standard"
        )

    def test_too_few_runs(self, table):
        (fault,) = faults_of(table(HEADER, *WHOLE[:7]))
        assert fault.startswith(
            "line 6, column 'direction': target 250.5 mm has a single run in direction -, too few "
            "for a standard deviation; expected 2 runs"
        )

    def test_of_the_file(self, table, tmp_path):
        assert faults_of(table("# only a remark"))[0].startswith(": holds no table; expected")
        assert faults_of(table(HEADER)) == [": holds no deviations; expected 5 runs"]
        assert faults_of(tmp_path)[0].startswith(": is a folder")
        missing = faults_of(tmp_path / "tabel.csv")[0]
        assert missing.startswith(": no such file") and "nearest name 'table.csv'" in missing
        (fault,) = faults_of(table(HEADER.replace("um", "µm"), encoding="latin-1"))
        assert "line 1 is not UTF-8 text" in fault
        (fault,) = faults_of(table(HEADER, *WHOLE, '"100,+,3,1'))
        assert fault.startswith("line 10: ")

    @pytest.mark.skipif(os.name != "posix", reason="needs a device that is no file")
    def test_of_a_device(self):
        assert faults_of("/dev/null") == [": is not a plain file; expected a CSV file"]
