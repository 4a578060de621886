"""Parameter files: every fault at once, texts kept, bit for bit through a file and back."""

import copy
import json
import math
import os
import pickle
import re
import stat
import tomllib
from typing import Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from servosim import params, units
from servosim.errors import Fault, ParameterError, ServosimError, SimulationError, UnitError
from servosim.params import (
    Document,
    Range,
    Table,
    choice,
    interval,
    number,
    quantity,
    switch,
    text,
)


class Drill(Table):
    """Drilling head of an invented heat-exchanger shop."""

    feed: Literal["constant", "pecking", "table"] = choice("How the drill is fed.")
    thrust: float = quantity("kN", above=0, high="50 kN", symbol="F_d", doc="Thrust of one drill.")
    retract: float = quantity(
        "mm", low=0, high="100 mm", when={"feed": ("pecking",)}, doc="Way back between two pecks."
    )
    speed_table: tuple[float, ...] = quantity(
        "mm/min", above=0, many=True, count=(2, 4), when={"feed": ("table",)}, doc="Feed rates."
    )
    cooled: bool = switch("Whether coolant runs.", absent=False)
    coolant_flow: float = quantity(
        "L/min", above=0, when={"cooled": (True,)}, absent=1e-4, doc="Flow of coolant."
    )
    spindles: int = number(low=1, high=12, doc="Number of spindles.")
    wear: float = quantity("%", low=0, absent=0.0, doc="Loss of thrust when blunt.")
    ratio: float = quantity("1", low=0, below=1, absent=0.5, doc="Part of the time in the cut.")
    factor: float = number(above=0, absent=1.0, doc="Margin on thrust.")
    speeds: Range = interval("rpm", above=0, doc="Spindle speeds.")
    limit: float | None = quantity("bar", above=0, absent=None, doc="Relief pressure, if any.")

    def check(self):
        """Refuse a retract longer than the drill's guide."""
        if self.retract == 0.099:
            return [Fault(key="retract", what="longer than the guide")]
        return []


class Shop(Table):
    """Conditions in the shop."""

    temperature: float = quantity("degC", low="-40 degC", high="80 degC", doc="Air temperature.")
    swing: float = quantity("K", low=0, doc="Change over a day.")
    note: str = text("Free remark.", absent="")


class Row(Table):
    """One row of holes."""

    pitch: float = quantity("mm", above=0, doc="Distance of two holes.")


class Stop(Table):
    """A stop between two rows, with choices that hang on each other."""

    taken: bool = switch("Whether the table stops.", absent=True)
    by: Literal["time", "signal"] = choice("What ends the stop.", when={"taken": (True,)})
    dwell: float = quantity("s", low=0, when={"by": ("time",)}, unread=-1.0, doc="Time at rest.")
    count: int = number(absent=0, doc="Stops so far.")


class Plan(Document):
    """Stops one after another."""

    stops: tuple[Stop, ...]


class Job(Document):
    """A job of the drilling shop."""

    title: str
    drill: Drill
    shop: Shop | None = None
    rows: tuple[Row, ...] = ()

    def check(self):
        """Refuse fewer rows than spindles would need."""
        if self.drill.factor > 1e300:
            return [Fault(what=f"{math.exp(self.drill.factor)}")]
        if self.drill.spindles == 11:
            return [Fault(table="drill", key="spindles", what="11 spindles do not fit the plate")]
        return []

    def warnings(self):
        """Warn of dry drilling."""
        return [] if self.drill.cooled else [Fault(table="drill", key="cooled", what="runs dry")]


FILE = """\
# Invented for a test.
title = "Tube sheet 12"

[drill]
feed = "pecking"
thrust = "4.50 kN"   # from the catalogue
retract = "2e1 mm"
spindles = 4
ratio = 0.4
wear = "5 %"
speeds = ["200 rpm", "0.9e3 rpm"]
cooled = true
source = "invented"

[shop]
temperature = "20 degC"
swing = "8 K"

[[rows]]
pitch = "25 mm"
[[rows]]
pitch = "1 in"
"""


@pytest.fixture(scope="session")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("jobs")


@pytest.fixture(scope="session")
def job(folder):
    return read_text(folder, FILE)


@pytest.fixture(scope="session")
def validator():
    jsonschema = pytest.importorskip("jsonschema")
    schema = json.loads(json.dumps(params.schema(Job)))
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def read_text(folder, content, overrides=None):
    path = folder / "job.toml"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return params.read(Job, path, overrides)


def faults_of(folder, content, overrides=None):
    with pytest.raises(ParameterError) as caught:
        read_text(folder, content, overrides)
    lines = str(caught.value).splitlines()
    assert len(lines) == len(caught.value.faults)
    return [line.replace(str(folder) + os.sep, "") for line in lines]


class TestErrors:
    def test_fault_in_words(self):
        fault = Fault("axis.toml", "valve", "rated_flw", "unknown key", "", "rated_flow")
        assert str(fault) == "axis.toml [valve] rated_flw: unknown key; nearest name 'rated_flow'"
        assert str(Fault(what="no oil", expected="oil")) == "no oil; expected oil"

    def test_error_shows_one_fault_a_line_and_is_a_value_error(self):
        error = ParameterError([Fault(what="a"), Fault(table="b", what="c")])
        assert str(error) == "a\n[b]: c"
        assert isinstance(error, ValueError) and isinstance(error, ServosimError)
        assert ParameterError("too hot").faults == (Fault(what="too hot"),)

    @pytest.mark.parametrize(
        "error",
        [ParameterError([Fault("f", "t", "k", "w", "e", "n")]), UnitError("x"),
         SimulationError("stopped", run=[1, 2])],
    )  # fmt: skip
    def test_errors_cross_a_process_border(self, error):
        again = pickle.loads(pickle.dumps(error))
        assert type(again) is type(error) and str(again) == str(error)
        assert vars(again) == vars(error)


class TestRead:
    def test_values_are_si(self, job):
        assert job.title == "Tube sheet 12"
        assert job.drill.thrust == 4500.0
        assert job.drill.retract == 0.02
        assert job.drill.wear == 0.05
        assert job.drill.speeds.low == pytest.approx(200 * 2 * math.pi / 60, rel=1e-15)
        assert job.drill.speeds.high == pytest.approx(900 * 2 * math.pi / 60, rel=1e-15)
        assert job.shop.temperature == 293.15
        assert job.shop.swing == 8.0
        assert [row.pitch for row in job.rows] == [0.025, 0.0254]

    def test_keys_left_out_and_keys_not_read(self, job):
        assert job.drill.coolant_flow == 1e-4
        assert job.drill.factor == 1.0
        assert job.drill.limit is None
        assert job.drill.speed_table == ()
        assert job.shop.source == ""

    def test_neutral_value_of_a_key_that_is_not_read(self, folder):
        dry = read_text(folder, FILE.replace("cooled = true", "cooled = false"))
        assert dry.drill.coolant_flow == 0.0  # not read, so not the value for a key left out

    def test_kinds_are_plain(self, job):
        assert type(job.drill.thrust) is float
        assert type(job.drill.spindles) is int
        assert type(job.drill.speeds) is Range

    def test_a_table_may_be_left_out(self, folder):
        short = read_text(folder, FILE[: FILE.index("[shop]")])
        assert short.shop is None and short.rows == ()

    @pytest.mark.parametrize(
        ("before", "after"),
        [("4.50 kN", "50 kN"), ("5 %", "0 %"), ("20 degC", "-40 degC"), ("20 degC", "80 degC"),
         ("spindles = 4", "spindles = 1"), ("spindles = 4", "spindles = 12"),
         ("ratio = 0.4", "ratio = 0"), ("0.9e3 rpm", "200 rpm")],
    )  # fmt: skip
    def test_limit_that_belongs_to_the_range(self, folder, before, after):
        assert before in FILE
        assert params.dumps(read_text(folder, FILE.replace(before, after))).count(after) >= 1

    def test_table_with_a_default(self, folder):
        class Plate(Document):
            """A plate."""

            row: Row = Row(pitch="12 mm")

        path = folder / "plate.toml"
        path.write_text("")
        assert params.read(Plate, path).row.pitch == 0.012

    def test_byte_order_mark_is_skipped(self, folder, job):
        assert read_text(folder, b"\xef\xbb\xbf" + FILE.encode()) == job

    def test_immutable(self, job):
        with pytest.raises(ValueError, match="frozen"):
            job.drill.thrust = 1.0
        with pytest.raises(ValueError, match="frozen"):
            job.title = "x"

    def test_equal_by_value_not_by_spelling(self, folder, job):
        other = read_text(folder, FILE.replace("4.50 kN", "4500 N"))
        assert other == job and hash(other) == hash(job)
        assert read_text(folder, FILE.replace("4.50 kN", "4501 N")) != job

    def test_copies_are_equal(self, job):
        for again in (pickle.loads(pickle.dumps(job)), copy.deepcopy(job), job.model_copy()):
            assert again == job
            assert params.dumps(again) == params.dumps(job)


class TestFaults:
    @pytest.mark.parametrize(
        ("before", "after", "message"),
        [
            ('"4.50 kN"', '"0 kN"', "[drill] thrust: 0 kN is out of range; expected more than 0 kN "
             "and at most 50 kN"),
            ('"4.50 kN"', '"50.001 kN"', "[drill] thrust: 50.001 kN is out of range"),
            ('"4.50 kN"', '"-1 N"', "[drill] thrust: -1 N is out of range"),
            ('"4.50 kN"', '"4.50 bar"', "[drill] thrust: '4.50 bar' is a pressure; write a force"),
            ('"4.50 kN"', '"4.50"', "[drill] thrust: '4.50' has no unit; write the unit: '4.50 k"),
            ('"4.50 kN"', "4.5", "[drill] thrust: the number 4.5 has no unit; expected a text with "
             "the unit, '4.5 kN'"),
            ('"5 %"', "5", "[drill] wear: the number 5 has no unit; expected a text with the unit"),
            ('"4.50 kN"', "true", "[drill] thrust: the switch true where a quantity is wanted"),
            ('"4.50 kN"', "[1]", "[drill] thrust: a list where a quantity is wanted"),
            ('"4.50 kN"', "1979-05-27", "[drill] thrust: the value 1979-05-27 where a quantity"),
            ('"4.50 kN"', "{a = 1}", "[drill] thrust: a table where a quantity is wanted"),
            ("thrust =", "thrst =", "[drill] thrst: unknown key; nearest name 'thrust'"),
            ("thrust =", "thrst =", "[drill] thrust: missing (Thrust of one drill); expected for "
             'example thrust = "10 kN", more than 0 kN and at most 50 kN'),
            ("[drill]", "[dril]", "[dril]: unknown table; nearest name 'drill'"),
            ("[drill]", "[dril]", "[drill]: missing table (Drilling head of an invented "
             "heat-exchanger shop); expected [drill] with feed, thrust, spindles, speeds"),
            ("title = ", "titel = ", "job.toml titel: unknown key; nearest name 'title'"),
            ("title = ", "titel = ", "job.toml title: missing; expected for example title = "),
            ('"Tube sheet 12"', "12", "title: the number 12 where a text is wanted"),
            ('"pecking"', '"peking"', "[drill] feed: unknown choice 'peking'; expected one of "
             "'constant', 'pecking', 'table'; nearest name 'pecking'"),
            ('"pecking"', "3", "[drill] feed: the number 3 where a name is wanted"),
            ('"pecking"', '"constant"', "[drill] retract: not read when feed = 'constant'; expected"
             " feed = 'pecking', or the key left out"),
            ('"pecking"', '"table"', "[drill] speed_table: missing (Feed rates), wanted when feed "
             "= 'table'; expected for example speed_table = [\"10 mm/min\", \"10 mm/min\"]"),
            ('feed = "pecking"\n', "", "[drill] feed: missing (How the drill is fed); expected "
             'feed = "constant" or "pecking" or "table"'),
            ("cooled = true", 'coolant_flow = "3 L/min"', "[drill] coolant_flow: not read when "
             "cooled = false; expected cooled = true, or the key left out"),
            ("cooled = true", "cooled = 1", "[drill] cooled: the number 1 where a switch"),
            ("spindles = 4", "spindles = 4.0", "[drill] spindles: 4.0 is not a whole number"),
            ("spindles = 4", "spindles = 13", "[drill] spindles: 13 is out of range; expected at "
             "least 1 and at most 12"),
            ("spindles = 4", "spindles = '4'", "[drill] spindles: the text '4' where a number"),
            ("spindles = 4", f"spindles = 1{'0' * 400}", "[drill] spindles: 1000"),
            ("spindles = 4", "spindles = 11", "job.toml [drill] spindles: 11 spindles do not fit"),
            ("2e1 mm", "99 mm", "job.toml [drill] retract: longer than the guide"),
            ("ratio = 0.4", "ratio = 1.0", "[drill] ratio: 1 is out of range; expected at least 0 "
             "and less than 1"),
            ("ratio = 0.4", "ratio = nan", "[drill] ratio: nan is not finite"),
            ("ratio = 0.4", "factor = inf", "[drill] factor: inf is not finite"),
            ("ratio = 0.4", f"ratio = 1{'0' * 400}", "is not finite"),
            ('["200 rpm", "0.9e3 rpm"]', '["900 rpm", "200 rpm"]', "[drill] speeds: the lowest, "
             "900 rpm, is above the highest, 200 rpm; expected the lowest first"),
            ('["200 rpm", "0.9e3 rpm"]', '["200 rpm"]', "[drill] speeds: a list of 1 entries"),
            ('["200 rpm", "0.9e3 rpm"]', '["0 rpm", "1 rpm"]', "[drill] speeds: lowest: 0 rpm is "
             "out of range; expected more than 0 rpm"),
            ('["200 rpm", "0.9e3 rpm"]', '["1 rpm", "1 bar"]', "speeds: highest: '1 bar' is a"),
            ('["200 rpm", "0.9e3 rpm"]', '"200 rpm"', "where a list is wanted"),
            ("20 degC", "20 K", "[shop] temperature: 20 K is out of range; expected at least "
             "-40 degC and at most 80 degC"),
            ("8 K", "8 degC", "[shop] swing: '8 degC' is a temperature"),
            ("25 mm", "0 mm", "[rows 1] pitch: 0 mm is out of range"),
            ("1 in", "1 inch", "[rows 2] pitch: unknown unit 'inch' in '1 inch'; nearest: in"),
            ("[shop]", "[drill.x]", "[drill] x: unknown key"),
        ],
    )  # fmt: skip
    def test_message(self, folder, before, after, message):
        assert before in FILE
        lines = faults_of(folder, FILE.replace(before, after))
        assert any(message in line for line in lines), lines
        assert all(line.startswith("job.toml") for line in lines)

    def test_one_fault_makes_one_line(self, folder):
        # A wrong choice says nothing about the keys that hang on it.
        assert len(faults_of(folder, FILE.replace('"pecking"', '"peking"'))) == 1

    def test_all_faults_at_once(self, folder):
        content = FILE.replace("4.50 kN", "4.50 bar").replace("8 K", "8").replace("25 mm", "-1 mm")
        lines = faults_of(folder, content + "[extra]\n")
        assert [line.split(":")[0] for line in lines] == [
            "job.toml [extra]", "job.toml [drill] thrust", "job.toml [shop] swing",
            "job.toml [rows 1] pitch",
        ]  # fmt: skip

    def test_consistency_is_checked_only_on_sound_tables(self, folder):
        content = FILE.replace("spindles = 4", "spindles = 11").replace("8 K", "8")
        assert len(faults_of(folder, content)) == 1

    def test_check_that_cannot_be_computed(self, folder):
        lines = faults_of(folder, FILE.replace("ratio = 0.4", "factor = 1e301"))
        assert len(lines) == 1
        assert "job.toml: the values cannot be checked together: math range error" in lines[0]

    def test_count_of_a_list(self, folder):
        content = FILE.replace('"pecking"', '"table"').replace(
            'retract = "2e1 mm"', 'speed_table = ["1 mm/min"]'
        )
        assert "speed_table: a list of 1 entries; expected 2 to 4" in faults_of(folder, content)[0]
        content = content.replace('["1 mm/min"]', '["1 mm/min", "1 bar"]')
        assert "speed_table: entry 2: '1 bar' is a pressure" in faults_of(folder, content)[0]

    @pytest.mark.parametrize(
        ("content", "message"),
        [
            ("title = \n", "job.toml: line 1, column 9: no value; texts and quantities stand in"),
            ("a = 1\na = 2", "line 2, end of the file: this key stands twice in its table"),
            ("a = 1\na = 2\n", "line 2, column 6: this key stands twice in its table"),
            ("[a]\n[a]\n", "line 2, column 3: this table stands twice in the file"),
            ("a = 3 mm\n", "line 1, column 7: something behind the value; quantities stand in"),
            ("a = mm\n", "line 1, column 5: no value; texts and quantities stand in quotes"),
            ("[drill", "job.toml: line 1, end of the file: not TOML"),
            ("a = 'x", "line 1, end of the file: a quote is not closed"),
            ('a = "x\nb = 2', "line 1, column 7: a quote is not closed on its line"),
            ("flow rate = 2", "line 1, column 6: a key without '='"),
            (b"title = '\xff'", "job.toml: line 1 is not UTF-8 text"),
            (b"\xff\xfea\x00", "not UTF-8"),
            ("a = " + "[" * 5000, "not TOML: nested too deep"),
            ("a = 1" + "0" * 5000, "not TOML: a number too long to be read"),
            ("drill = 3", "[drill]: the number 3 where a table is wanted; expected a line [drill]"),
            ("rows = 3", "[rows]: not a list of tables; expected [[rows]] heads"),
            (
                "rows = [3]",
                "[rows 1]: the number 3 where a table is wanted; expected a line [[rows]]",
            ),
            ("", "[drill]: missing table"),
            ("\x00", "not TOML"),
            ('"a\\nb" = 1', "job.toml 'a\\nb': unknown key"),
        ],
    )
    def test_file_that_is_no_job(self, folder, content, message):
        lines = faults_of(folder, content)
        assert any(message in line for line in lines), lines

    def test_paths_that_cannot_be_read(self, folder):
        (folder / "job.toml").write_text(FILE)
        for path, message in [
            (folder / "jobb.toml", "no such file; expected the path of a TOML file; nearest name "
             "'job.toml'"),
            (folder, "is a folder"),
            (folder / "job.toml" / "x", "cannot be read"),
            ("a\0b", "cannot be read"),
            ("x" * 5000, "cannot be read"),
        ]:  # fmt: skip
            with pytest.raises(ParameterError, match=message):
                params.read(Job, path)

    @pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
    def test_pipe_does_not_hang(self, folder):
        os.mkfifo(folder / "pipe.toml")
        with pytest.raises(ParameterError, match="not a plain file"):
            params.read(Job, folder / "pipe.toml")

    def test_file_too_large(self, folder):
        assert "larger than 4 MB" in faults_of(folder, "#" * 4_000_001)[0]


class TestOverrides:
    def test_texts_take_the_place_of_the_file(self, folder):
        changed = read_text(
            folder,
            FILE,
            {
                "drill.thrust": "3 kN", "title": "Other", "drill.spindles": "6",
                "drill.cooled": "false", "drill.speeds": "100 rpm, 200 rpm",
                "rows.2.pitch": "30 mm", "drill.ratio": "0.25", "drill.factor": "1.5",
            },
        )  # fmt: skip
        drill = changed.drill
        assert (drill.thrust, drill.spindles, drill.cooled) == (3000.0, 6, False)
        assert (drill.ratio, drill.factor, changed.title) == (0.25, 1.5, "Other")
        assert drill.speeds == Range(units.parse("100 rpm", "Hz"), units.parse("200 rpm", "Hz"))
        assert [row.pitch for row in changed.rows] == [0.025, 0.03]

    def test_key_that_was_left_out(self, folder):
        assert read_text(folder, FILE, {"drill.limit": "70 bar"}).drill.limit == 7e6

    def test_other_choice_drops_what_is_no_longer_read(self, folder):
        changed = read_text(folder, FILE, {"drill.feed": "constant"})
        assert changed.drill.retract == 0.0
        assert "retract" not in params.dumps(changed)

    def test_other_choice_in_a_list_of_tables(self, folder):
        path = folder / "plan.toml"
        path.write_text('[[stops]]\nby = "time"\ndwell = "3 s"\n' * 2)
        plan = params.read(Plan, path, {"stops.1.by": "signal"})
        assert [stop.dwell for stop in plan.stops] == [-1.0, 3.0]

    def test_other_choice_repairs_nothing_else(self, folder):
        # speed_table is not read for either choice, so it stays a fault of the file.
        content = FILE.replace("spindles", 'speed_table = ["1 mm/s", "2 mm/s"]\nspindles')
        lines = faults_of(folder, content, {"drill.feed": "constant"})
        assert [line.split(":")[0] for line in lines] == ["job.toml [drill] speed_table"]

    @pytest.mark.parametrize(
        ("overrides", "message"),
        [
            ({"drill.thrst": "3 kN"}, "--set [drill] thrst: unknown key; nearest name 'thrust'"),
            ({"dril.thrust": "3 kN"}, "--set dril.thrust: unknown name; nearest name 'drill.th"),
            ({"thrust": "3 kN"}, "--set thrust: unknown name; nearest name 'drill.thrust'"),
            ({"": "3 kN"}, "--set '': unknown name; expected one of title, drill, shop, rows"),
            ({"drill.thrust": "3 bar"}, "--set [drill] thrust: '3 bar' is a pressure"),
            ({"drill.thrust": "3"}, "--set [drill] thrust: '3' has no unit"),
            ({"drill.spindles": "four"}, "--set [drill] spindles: the text 'four' where a number"),
            ({"drill.cooled": "yes"}, "--set [drill] cooled: the text 'yes' where a switch"),
            ({"drill.feed": "table"}, "job.toml [drill] speed_table: missing"),
            ({"drill.speed_table": "1 mm/s, 2 mm/s"}, "--set [drill] speed_table: not read when"),
            ({"drill": "3"}, "--set [drill]: the text '3' where a table is wanted"),
            ({"rows.3.pitch": "3 mm"}, "--set [rows] pitch: there is no table number 3; expected "
             "1 to 2"),
            ({"rows.pitch": "3 mm"}, "--set [rows] rows.pitch: no number of a table in the list"),
            ({"title": "\udcff"}, "--set title: '\\udcff' has characters that cannot be written"),
            ({"drill.spindles": "11"}, "--set [drill] spindles: 11 spindles do not fit"),
        ],
    )  # fmt: skip
    def test_message(self, folder, overrides, message):
        assert any(message in line for line in faults_of(folder, FILE, overrides))

    def test_table_that_was_left_out(self, folder):
        short = FILE[: FILE.index("[shop]")]
        line = faults_of(folder, short, {"shop.swing": "3 K"})[0]
        assert "--set [shop] swing: the document has no table [shop]" in line

    def test_faults_of_file_and_of_overrides_together(self, folder):
        lines = faults_of(folder, FILE.replace("8 K", "8"), {"drill.thrst": "3 kN"})
        assert [line.split(" ")[0] for line in lines] == ["--set", "job.toml"]


class TestWrite:
    def test_texts_are_kept(self, job):
        content = params.dumps(job)
        for part in ("4.50 kN", "2e1 mm", "0.9e3 rpm", "ratio = 0.4", "spindles = 4", "1 in"):
            assert part in content
        assert "coolant_flow" not in content and "limit" not in content

    def test_bit_for_bit(self, folder, job):
        path = folder / "written.toml"
        params.write(job, path)
        again = params.read(Job, path)
        assert again == job
        assert params.dumps(again) == params.dumps(job)

    def test_writes_what_the_file_said(self, job):
        assert tomllib.loads(params.dumps(job)) == tomllib.loads(FILE)

    def test_changed_value_is_written_in_the_unit_of_the_key(self, job):
        content = params.dumps(params.replace(job, {"drill.thrust": 3250.0}))
        assert 'thrust = "3.25 kN"' in content and "2e1 mm" in content

    def test_beside_and_renamed(self, tmp_path, job):
        path = tmp_path / "job.toml"
        path.write_text("old")
        path.chmod(0o640)
        params.write(job, path)
        assert [one.name for one in tmp_path.iterdir()] == ["job.toml"]
        assert stat.S_IMODE(path.stat().st_mode) == 0o640

    def test_link_stays_a_link(self, tmp_path, job):
        (tmp_path / "real.toml").write_text("old")
        (tmp_path / "link.toml").symlink_to(tmp_path / "real.toml")
        params.write(job, tmp_path / "link.toml")
        assert (tmp_path / "link.toml").is_symlink()
        assert params.read(Job, tmp_path / "real.toml") == job

    def test_failure_leaves_the_file_as_it_was(self, tmp_path, job, monkeypatch):
        path = tmp_path / "job.toml"
        path.write_text("old")

        def fail(*_):
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(os, "fsync", fail)
        with pytest.raises(ParameterError, match="cannot be written: No space left"):
            params.write(job, path)
        assert path.read_text() == "old"
        assert len(list(tmp_path.iterdir())) == 1

    def test_no_folder(self, tmp_path, job):
        with pytest.raises(ParameterError, match="cannot be written"):
            params.write(job, tmp_path / "none" / "job.toml")

    @settings(max_examples=60)
    @given(
        thrust=st.floats(0.0, 50e3, exclude_min=True),
        retract=st.floats(0.0, 0.09),
        wear=st.floats(0.0, 1e300),
        ratio=st.floats(0.0, 1.0, exclude_max=True),
        speeds=st.tuples(st.floats(1e-300, 1e3), st.floats(1e3, 1e300)),
        temperature=st.floats(234.0, 353.0),
        note=st.text(st.characters(exclude_categories=["Cs"])),
        limit=st.none() | st.floats(1e-9, 1e12),
    )
    def test_any_values_bit_for_bit(self, folder, job, thrust, retract, wear, ratio, speeds,
                                    temperature, note, limit):  # fmt: skip
        drill = job.drill.replace(thrust=thrust, retract=retract, wear=wear, ratio=ratio,
                                  speeds=speeds, limit=limit)  # fmt: skip
        shop = Shop(temperature=temperature, swing=1.0, note=note, source=note)
        made = Job(title=note, drill=drill, shop=shop, rows=job.rows)
        assert (drill.thrust, drill.wear, drill.speeds) == (thrust, wear, Range(*speeds))
        path = folder / "any.toml"
        params.write(made, path)
        again = params.read(Job, path)
        assert again == made
        assert params.dumps(again) == params.dumps(made)


class TestEdit:
    def test_comments_stay(self, folder):
        content = params.edit(FILE, {"drill.thrust": "5 kN", "rows.2.pitch": "2 in"})
        assert 'thrust = "5 kN"   # from the catalogue' in content
        assert content.startswith("# Invented for a test.")
        edited = read_text(folder, content)
        assert (edited.drill.thrust, edited.rows[1].pitch) == (5000.0, 0.0508)
        changed = [pair for pair in zip(FILE.splitlines(), content.splitlines(), strict=True)
                   if pair[0] != pair[1]]  # fmt: skip
        assert len(changed) == 2

    def test_key_is_added_to_its_table(self, folder):
        content = params.edit(FILE, {"drill.limit": "70 bar", "title": "New"})
        assert read_text(folder, content).drill.limit == 7e6

    @pytest.mark.parametrize(
        "path", ["dril.thrust", "drill.feed.x", "rows.3.pitch", "rows.0.pitch"]
    )
    def test_no_such_table(self, path):
        with pytest.raises(ParameterError, match="no such table"):
            params.edit(FILE, {path: "1 kN"})

    def test_not_toml(self):
        with pytest.raises(ParameterError, match="not TOML"):
            params.edit("[a", {})


class TestBuild:
    def test_from_texts_and_from_si_values_alike(self):
        by_text = Shop(temperature="20 degC", swing="5 K")
        assert by_text == Shop(temperature=293.15, swing=5)
        assert by_text == Shop(temperature=np.float64(293.15), swing=np.int64(5))

    def test_faults(self):
        with pytest.raises(ParameterError, match=r"swing: missing") as caught:
            Shop(temperature=20)
        assert "temperature: -253.15 degC is out of range" in str(caught.value)

    def test_document_from_mappings(self, job):
        assert Job(**tomllib.loads(FILE)) == job

    def test_document_is_checked(self, job):
        with pytest.raises(ParameterError, match="11 spindles do not fit"):
            Job(title="x", drill=job.drill.replace(spindles=11))

    def test_warnings(self, job):
        assert job.warnings() == []
        dry = params.replace(job, {"drill.cooled": False})
        assert [str(fault) for fault in dry.warnings()] == ["[drill] cooled: runs dry"]

    def test_replace_in_a_table(self, job):
        drill = job.drill.replace(thrust=3000, retract="1 cm")
        assert (drill.thrust, drill.retract, drill.spindles) == (3000.0, 0.01, 4)
        assert job.drill.thrust == 4500.0
        with pytest.raises(ParameterError, match="thrust: 0 kN is out of range"):
            job.drill.replace(thrust=0.0)
        with pytest.raises(ParameterError, match="thrst: unknown key; nearest name 'thrust'"):
            job.drill.replace(thrst=0.0)
        with pytest.raises(ParameterError, match="retract: longer than the guide"):
            job.drill.replace(retract="99 mm")
        with pytest.raises(ParameterError, match="retract: not read when feed = 'constant'"):
            job.drill.replace(feed="constant", retract=0.01)
        assert job.drill.replace(feed="constant").retract == 0.0
        assert job.drill.replace(wear=None).wear == 0.0

    @pytest.mark.parametrize(
        ("body", "message"),
        [
            ({"a": (int, quantity("m", doc=""))}, "does not fit quantity"),
            ({"a": (float, quantity("m", doc="", many=True))}, "does not fit quantity"),
            ({"a": (float, switch(""))}, "does not fit switch"),
            ({"a": (float, 1.0)}, "state it with quantity"),
            ({"a": (float | None, quantity("m", doc=""))}, "only a key with absent=None"),
            ({"a": (float, quantity("m", doc="", when={"b": (1,)}))}, "no choice of this table"),
            ({"b": (Literal["x"], choice("")), "a": (bool, switch("", when={"b": ("y",)}))},
             "values that 'b' cannot take"),
            ({"a": (bool, switch("", when={"b": (True,)})), "b": (bool, switch("",
             when={"a": (True,)}))}, "run in a circle"),
        ],
    )  # fmt: skip
    def test_contradictions_in_a_class_are_refused_at_once(self, body, message):
        names = {key: stated for key, (_, stated) in body.items()}
        names["__annotations__"] = {key: kind for key, (kind, _) in body.items()}
        names["__module__"] = __name__
        with pytest.raises(TypeError, match=message):
            type("Wrong", (Table,), names)

    def test_wrong_statements(self):
        with pytest.raises(UnitError, match="unknown unit 'mb'"):
            quantity("mb", doc="")
        with pytest.raises(TypeError, match="must be a tuple"):
            quantity("m", doc="", when={"a": "linear"})

    def test_chain_of_choices(self):
        assert Stop(by="time", dwell="3 ms").dwell == 0.003
        assert Stop(by="signal").dwell == -1.0
        closed = Stop(taken=False)
        assert (closed.by, closed.dwell) == ("", -1.0)
        with pytest.raises(ParameterError, match="dwell: not read when taken = false"):
            Stop(taken=False, dwell="3 ms")

    def test_whole_number_that_fits_no_counter(self):
        assert Stop(by="signal", count=2**63 - 1).count == 2**63 - 1
        with pytest.raises(ParameterError, match=r"count: .* is too large for a whole number"):
            Stop(by="signal", count=2**63)


class TestPaths:
    def test_get(self, job):
        assert params.get(job, "drill.thrust") == 4500.0
        assert params.get(job, "title") == "Tube sheet 12"
        assert params.get(job, "shop") is job.shop
        assert params.get(job, "rows.2.pitch") == 0.0254
        assert params.get(job, "rows") == job.rows

    @pytest.mark.parametrize(
        ("path", "message"),
        [
            ("drill.thrst", "[drill] thrst: unknown key; nearest name 'thrust'"),
            ("dril", "dril: unknown name; nearest name 'drill'"),
            ("drill.thrust.x", "[drill] thrust.x: unknown key"),
            ("rows.9.pitch", "there is no table number 9; expected 1 to 2"),
            ("rows.x.pitch", "no number of a table in the list"),
            (".", "unknown name"),
        ],
    )
    def test_unknown_path(self, job, path, message):
        with pytest.raises(ParameterError, match=re.escape(message)):
            params.get(job, path)
        if "9" not in path:
            with pytest.raises(ParameterError, match=re.escape(message)):
                params.replace(job, {path: 1.0})

    def test_get_from_a_table_left_out(self, job):
        with pytest.raises(ParameterError, match=r"the document has no table \[shop\]"):
            params.get(params.replace(job, {"shop": None}), "shop.swing")

    def test_replace(self, job):
        made = params.replace(job, {"drill.thrust": "20 kN", "drill.retract": 0.05, "title": "b"})
        assert (made.drill.thrust, made.drill.retract, made.title) == (20e3, 0.05, "b")
        assert job.drill.thrust == 4500.0
        with pytest.raises(ParameterError, match=r"\[drill\] thrust: 60 kN is out of range"):
            params.replace(job, {"drill.thrust": 60e3})
        with pytest.raises(ParameterError, match="11 spindles"):
            params.replace(job, {"drill.spindles": 11})
        assert params.replace(job, {"shop": Shop(temperature=300, swing=1)}).shop.swing == 1.0

    def test_replace_reports_all_faults(self, job):
        with pytest.raises(ParameterError) as caught:
            params.replace(job, {"drill.a": 1, "shop.b": 1})
        assert len(caught.value.faults) == 2


class TestDiff:
    def test_other_spelling_is_no_difference(self, folder, job):
        assert params.diff(job, read_text(folder, FILE.replace("4.50 kN", "4500 N"))) == []

    def test_differences_in_words(self, job):
        changes = {"drill.feed": "constant", "drill.thrust": "3 kN", "drill.limit": "70 bar",
                   "shop": None, "rows.1.pitch": 0.03, "title": "New",
                   "drill.cooled": False}  # fmt: skip
        found = [str(one) for one in params.diff(job, params.replace(job, changes))]
        assert found == [
            "title: Tube sheet 12 -> New",
            "[drill] feed: pecking -> constant",
            "[drill] thrust: 4.50 kN -> 3 kN",
            "[drill] retract: 2e1 mm -> not read",
            "[drill] cooled: true -> false",
            "[drill] coolant_flow: 6 L/min -> not read",
            "[drill] limit: left out -> 70 bar",
            "[shop]: a table -> no table",
            "[rows 1] pitch: 25 mm -> 30 mm",
        ]

    def test_read_and_not_read_differ_even_at_the_same_number(self, job):
        still = params.replace(job, {"drill.retract": "0 mm"})
        found = params.diff(still, params.replace(still, {"drill.feed": "constant"}))
        assert "[drill] retract: 0 mm -> not read" in [str(one) for one in found]

    def test_other_kind_of_file(self, job):
        class Other(Document):
            """Another file."""

        with pytest.raises(ParameterError, match="cannot be compared"):
            params.diff(job, Other())


def test_si_values_for_json(job):
    values = json.loads(json.dumps(params.si(job)))
    assert values["title"] == "Tube sheet 12"
    assert values["drill"]["thrust"] == 4500.0
    assert values["drill"]["coolant_flow"] == 1e-4
    assert values["drill"]["speeds"] == list(job.drill.speeds)
    assert values["drill"]["limit"] is None
    assert "speed_table" not in values["drill"]
    assert values["rows"] == [{"pitch": 0.025, "source": ""}, {"pitch": 0.0254, "source": ""}]


class TestSchema:
    def test_file_is_valid(self, validator):
        validator.validate(tomllib.loads(FILE))

    @pytest.mark.parametrize(
        ("before", "after"),
        [
            ("4.50 kN", "4.50 bar"), ('"4.50 kN"', "4.50"), ("4.50 kN", "4.50"),
            ('"pecking"', '"peking"'), ('"pecking"', '"constant"'), ('"pecking"', '"table"'),
            ("thrust", "thrst"), ("cooled = true", 'coolant_flow = "1 L/min"'),
            ("spindles = 4", "spindles = 13"), ('["200 rpm", ', "["), ("[drill]", "[dril]"),
            ("20 degC", "20 bar"), ("8 K", "8 degC"),
        ],
    )  # fmt: skip
    def test_wrong_file_is_not(self, validator, folder, before, after):
        content = FILE.replace(before, after)
        assert not validator.is_valid(tomllib.loads(content))
        faults_of(folder, content)

    @pytest.mark.parametrize(
        ("stop", "is_valid"),
        [
            ({"by": "signal"}, True), ({"by": "time", "dwell": "1 s"}, True), ({}, False),
            ({"by": "time"}, False), ({"by": "signal", "dwell": "1 s"}, False),
            ({"taken": False}, True), ({"taken": False, "by": "signal"}, False),
            ({"taken": True}, False),
        ],
    )  # fmt: skip
    def test_choices_that_may_be_left_out(self, stop, is_valid):
        jsonschema = pytest.importorskip("jsonschema")
        validator = jsonschema.Draft202012Validator(params.schema(Plan))
        assert validator.is_valid({"stops": [stop]}) == is_valid
        if is_valid:
            Plan(stops=[stop])
        else:
            with pytest.raises(ParameterError, match=r"\[stops 1\]"):
                Plan(stops=[stop])

    def test_descriptions(self):
        keys = params.schema(Job)["$defs"]["Drill"]["properties"]
        assert keys["thrust"]["description"] == (
            "Thrust of one drill. Symbol F_d, unit kN, more than 0 kN and at most 50 kN."
        )
        assert keys["coolant_flow"]["description"].endswith("6 L/min if left out.")

    @settings(max_examples=80)
    @given(data=st.data())
    def test_what_is_read_is_valid(self, validator, folder, data):
        content = mutated(data)
        try:
            read_text(folder, content)
        except ParameterError:
            return
        validator.validate(tomllib.loads(content))


SCALARS = st.one_of(
    st.sampled_from(['"1 mm"', '"3 kN"', '"1 K"', '"300 K"', '"table"', '"constant"', "true", "5",
                     "0.5", "nan", "-inf", "[]", "{}", '["1 rpm", "2 rpm"]', "1979-05-27",
                     '["1 mm/s", "2 mm/s"]', '""', "07:32:00", "0x10", "1e400", "[[[]]]"]),
    st.integers().map(str),
    st.floats().map(lambda value: repr(value)),
    st.text(max_size=8).map(json.dumps),
)  # fmt: skip


def mutated(data):
    """Return the valid file with some lines replaced, removed, doubled or swapped."""
    lines = FILE.splitlines()
    for _ in range(data.draw(st.integers(1, 3))):
        index = data.draw(st.integers(0, len(lines) - 1))
        kind = data.draw(st.sampled_from(["value", "value", "remove", "double", "swap", "key"]))
        key, equals, value = lines[index].partition("=")
        if kind == "value" and equals:
            lines[index] = f"{key}= {data.draw(SCALARS)}"
        elif kind == "key" and equals:
            other = data.draw(st.sampled_from(["wear", "factor", "note", "limit", "coolant_flow"]))
            lines[index] = f"{other} ={value}"
        elif kind == "remove" and len(lines) > 1:
            del lines[index]
        elif kind == "double":
            lines.insert(index, lines[index])
        else:
            other = data.draw(st.integers(0, len(lines) - 1))
            lines[index], lines[other] = lines[other], lines[index]
    return "\n".join(lines)


def survives(folder, content, overrides=None):
    """Read whatever it is: a document that goes through a file, or a parameter error in words."""
    try:
        found = read_text(folder, content, overrides)
    except ParameterError as error:
        assert error.faults
        assert len(str(error).splitlines()) == len(error.faults)
        str(error).encode()
    else:
        path = folder / "again.toml"
        params.write(found, path)
        assert params.read(Job, path) == found


class TestAnyBytes:
    @settings(max_examples=150)
    @given(content=st.binary(max_size=200))
    def test_random_bytes(self, folder, content):
        survives(folder, content)

    @settings(max_examples=250)
    @given(data=st.data())
    def test_mutated_file(self, folder, data):
        survives(folder, mutated(data))

    @settings(max_examples=100)
    @given(
        position=st.integers(0, len(FILE)), length=st.integers(0, 12), patch=st.binary(max_size=6)
    )
    def test_damaged_file(self, folder, position, length, patch):
        content = FILE.encode()
        survives(folder, content[:position] + patch + content[position + length :])

    @settings(max_examples=100)
    @given(
        overrides=st.dictionaries(
            st.sampled_from(["drill.feed", "drill.speeds", "drill.thrust", "rows.1.pitch", "shop",
                             "drill.spindles", "drill.cooled", "title", "drill.limit"])
            | st.text(max_size=8),
            st.text(max_size=12) | st.sampled_from(["table", "3 kN", "1 rpm, 2 rpm", "true", "3"]),
            max_size=3,
        )
    )  # fmt: skip
    def test_any_overrides(self, folder, overrides):
        survives(folder, FILE, overrides)
