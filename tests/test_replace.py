"""An axis made from another: the short way gives what reading the whole file anew gives."""

import copy
import math
import pickle

import numpy as np
import pytest
import scipy.optimize
from hypothesis import given, settings
from hypothesis import strategies as st

import servosim
from servosim import params, units
from servosim._record import record
from servosim.axis import Axis
from servosim.components.valve import land_flow
from servosim.components.valve_rating import blocked_port_pressure, rate_valve
from servosim.document import AxisFile
from servosim.errors import ParameterError
from servosim.params import Rule, Rules, fields_of, places_of
from servosim.params._derived import Derived
from servosim.params._replace import replace_whole

NAMES = ("tube_sheet_table", "teaching_rig", "vertical_slide", "screw_table")
AXES = {name: servosim.read_axis(f"params/{name}.toml") for name in NAMES}
FIELDS = {
    f"{table}.{key}": field
    for table, place in places_of(AxisFile).items()
    for key, field in fields_of(place.kind).items()
}


def all_of(document):
    """Return values, texts, keys that are not read and pydantic's own notes, for comparison."""
    tables = [getattr(document, name) for name in places_of(type(document))]
    unread = [table._unread for table in tables]
    noted = [table.model_fields_set for table in tables]
    return document, params.dumps(document), unread, noted, [list(vars(t)) for t in tables]


def outcome(way, document, changes):
    try:
        return all_of(way(document, changes))
    except ParameterError as error:
        return error.faults


def equal_numbers(a, b):
    """Return whether nested numbers are equal bit for bit; nan equals nan."""
    if isinstance(a, tuple | list):
        return len(a) == len(b) and all(map(equal_numbers, a, b))
    if isinstance(a, np.ndarray):
        return a.tobytes() == b.tobytes()
    return type(a) is type(b) and (a == b or (a != a and b != b))


def close_values(field):
    """Values in and somewhat outside the limits, as SI numbers and as texts."""
    limits = field.limits
    low = limits.get("low", limits.get("above", -1.0))
    high = min(limits.get("high", limits.get("below", 1e3)), 1e9)
    span = max(high - low, 1e-9)
    number = st.floats(low - 0.02 * span, high + 0.02 * span)
    if field.kind == "number" and field.whole:
        return st.integers(int(low) - 1, int(min(high, 1000)))
    if field.kind == "number":
        return number
    text = number.map(lambda value: f"{value!r} {units.si_unit(field.unit)}")
    return number | text if field.unit not in ("degC",) else number


def values_of(path):
    field = FIELDS[path]
    odd = st.sampled_from([None, "", "3 bar", "12 mm", True, math.inf, math.nan, -1.0, 0, "no"])
    if field.kind == "choice":
        usual = st.sampled_from(field.options)
    elif field.kind == "text":
        usual = st.sampled_from(["measured", ""])
    elif field.kind == "interval":
        usual = st.tuples(close_values(field), close_values(field))
    elif field.many:
        usual = st.just(["0 %", "40 %", "100 %"]) | st.lists(close_values(field), max_size=3)
    else:
        usual = close_values(field)
    return st.one_of(usual, usual, usual, usual, usual, odd)


def nearby(axis, path):
    """A value of a path within some per cent of the present one: most axes made so are sound."""
    value = params.get(axis.file, path)
    if FIELDS[path].kind == "choice":
        return st.just(value) | st.sampled_from(FIELDS[path].options)
    if isinstance(value, float) and value != 0.0:
        return st.floats(0.97, 1.03).map(lambda factor: value * factor)
    return st.just(value)


def is_read(axis, path):
    table, key = path.split(".")
    return key not in getattr(axis.file, table)._unread


WRONG = ("valve.rated_flw", "vlave.rated_flow", "valve", "title", "notes", "oil.1.density", "")


READ = {
    name: [path for path in sorted(FIELDS) if is_read(axis, path)] for name, axis in AXES.items()
}


@st.composite
def cases(draw, chain=1):
    name = draw(st.sampled_from(NAMES))
    stages = []
    for _ in range(draw(st.integers(1, chain))):
        bold = draw(st.integers(0, 2)) == 0
        known = st.sampled_from(sorted(FIELDS) if bold else READ[name])
        paths = draw(st.lists(known, min_size=1, max_size=5))
        changes = {
            path: draw(values_of(path) if bold else nearby(AXES[name], path)) for path in paths
        }
        if bold and draw(st.booleans()):
            changes[draw(st.sampled_from(WRONG))] = draw(st.sampled_from(["x", None, 1.0]))
        stages.append(changes)
    return AXES[name], stages


class TestSameAsTheWholeFile:
    @given(cases())
    @settings(max_examples=150, deadline=None)
    def test_document_or_faults(self, case):
        axis, (changes,) = case
        expected = outcome(replace_whole, axis.file, changes)
        assert outcome(params.replace, axis.file, changes) == expected

    @given(cases(chain=4))
    @settings(max_examples=60, deadline=None)
    def test_chains_of_changes_with_their_numbers(self, case):
        axis, stages = case
        for changes in stages:
            try:
                made = axis.replace(changes)
            except ParameterError as error:
                with pytest.raises(ParameterError) as caught:
                    replace_whole(axis.file, changes)
                assert caught.value.faults == error.faults
                continue
            whole = Axis(replace_whole(axis.file, changes))
            assert equal_numbers(made.parameters, whole.parameters)
            assert equal_numbers(made.move, whole.move)
            assert all_of(made.file) == all_of(whole.file)
            assert made.file.warnings() == whole.file.warnings()
            axis = made

    @pytest.mark.parametrize("name", NAMES)
    def test_each_number_of_the_file(self, name):
        axis = AXES[name]
        for path in FIELDS:
            value = params.get(axis.file, path)
            if isinstance(value, float) and value > 0.0:
                changes = {path: 1.001 * value}
                expected = outcome(replace_whole, axis.file, changes)
                assert outcome(params.replace, axis.file, changes) == expected, path

    def test_a_choice_drops_what_hangs_on_it(self):
        axis = AXES["tube_sheet_table"]
        changes = {"lock.kind": "none", "lock.trigger": None, "thrust.mode": "none"}
        assert outcome(params.replace, axis.file, changes) == outcome(
            replace_whole, axis.file, changes
        )

    def test_a_list_changed_later_does_not_change_the_text(self):
        axis = AXES["tube_sheet_table"]
        limits = [1.0, 600.0]
        made = axis.replace({"envelope.workpiece_mass": limits})
        limits[1] = 700.0
        assert params.get(made.file, "envelope.workpiece_mass").high == 600.0
        assert 'workpiece_mass = ["1 kg", "600 kg"]' in params.dumps(made.file)


class TestSharing:
    axis = AXES["tube_sheet_table"]

    def changed(self, changes):
        made = self.axis.replace(changes)
        before, after = self.axis.parameters, made.parameters
        kept = {name for name in before._fields if getattr(before, name) is getattr(after, name)}
        return set(before._fields) - kept - {"n_x", "n_all"}, made

    @pytest.mark.parametrize(
        ("path", "value", "blocks"),
        [
            ("oil.free_air", 0.004, {"oil", "valve", "controller"}),
            ("controller.velocity_gain", 20.0, {"controller"}),
            ("lock.dwell", 0.1, {"lock"}),
            ("move.target", 0.39, set()),
            ("move.seed", 7, set()),
            ("transducer.noise", 2e-7, {"transducer"}),
            ("table.mass", 640.0, {"load"}),  # level: its steady load is zero as before
            ("envelope.free_air", ["0.2 %", "1 %"], set()),
        ],
    )
    def test_only_what_follows_from_the_change_is_made_anew(self, path, value, blocks):
        assert self.changed({path: value})[0] <= blocks

    def test_an_axis_shares_what_it_never_computed_before(self):
        axis = servosim.read_axis("params/tube_sheet_table.toml")
        made = axis.replace({"oil.free_air": 0.004})
        assert made.parameters.lock is axis.parameters.lock

    def test_another_noise_needs_no_other_plan(self):
        _, made = self.changed({"move.seed": 99})
        assert made.move.seed == 99 and self.axis.move.seed == 1
        assert made.move.profile is self.axis.move.profile

    def test_tables_that_did_not_change_are_the_same(self):
        made = self.axis.replace({"oil.free_air": 0.004})
        assert made.file.valve is self.axis.file.valve
        assert made.file.oil is not self.axis.file.oil
        assert self.axis.file.oil.free_air == 0.005

    def test_equal_hashable_and_as_small_as_before(self):
        made = self.axis.replace({"oil.free_air": 0.004}).replace({"oil.free_air": "0.5 %"})
        assert made == self.axis and hash(made) == hash(self.axis)
        again = pickle.loads(pickle.dumps(made.file))
        assert again == made.file and params.dumps(again) == params.dumps(made.file)
        fresh = pickle.dumps(servosim.read_axis("params/tube_sheet_table.toml").file)
        assert len(pickle.dumps(made.file)) < 1.1 * len(fresh)

    @pytest.mark.parametrize("way", [copy.copy, copy.deepcopy, lambda file: file.model_copy()])
    def test_copies_derive_their_own(self, way):
        file = way(self.axis.file)
        other = file.oil.replace(free_air="1 %")
        changed = file.model_copy(update={"oil": other})
        assert Axis(changed).parameters.oil.a_0 == 0.01
        assert Axis(file).parameters.oil.a_0 == 0.005


class TestRules:
    def test_computed_once_and_only_from_what_they_need(self):
        calls = []

        def double(a):
            calls.append(a)
            return 2.0 * a[0]

        rules = Rules(
            {"twice": Rule(double, ("a",)), "sum": Rule(lambda x, b: x + b, ("twice", "b"))}
        )
        a, b = [1.0], 3.0
        first = Derived(rules, {"a": a, "b": b})
        assert (first("sum"), first("twice"), len(calls)) == (5.0, 2.0, 1)
        second = Derived(rules, {"a": a, "b": 4.0}, first)
        assert (second("sum"), len(calls)) == (6.0, 1)
        third = Derived(rules, {"a": [1.0], "b": 4.0}, second)
        assert (third("sum"), len(calls)) == (6.0, 2)
        fourth = Derived(rules, {"a": [5.0], "b": 4.0}, third)
        assert fourth("sum") == 14.0
        fifth = Derived(rules, {"a": a, "b": b}, fourth)
        assert fifth("sum") == 5.0

    def test_what_a_rule_raises_is_not_kept(self):
        rules = Rules({"inverse": Rule(lambda a: 1.0 / a, ("a",))})
        first = Derived(rules, {"a": 0.0})
        for _ in range(2):
            with pytest.raises(ZeroDivisionError):
                first("inverse")
        assert Derived(rules, {"a": 2.0}, first)("inverse") == 0.5

    def test_zero_and_one_are_not_false_and_true(self):
        rules = Rules({"kind": Rule(lambda a: type(a).__name__, ("a",))})
        first = Derived(rules, {"a": 1})
        assert first("kind") == "int"
        assert Derived(rules, {"a": True}, first)("kind") == "bool"
        assert Derived(rules, {"a": 1.0}, first)("kind") == "float"


OVERLAPS = st.floats(-0.3, 0.3) | st.sampled_from([-0.01, 0.0, 0.005])


class TestClearance:
    """The searches in compiled code against the library's, on the same land equation."""

    rig = AXES["teaching_rig"].file

    @given(OVERLAPS, OVERLAPS, st.floats(-0.05, 0.05), st.sampled_from(["linear", "dual_gain"]))
    @settings(max_examples=40, deadline=None)
    def test_blocked_port(self, L_P, L_T, xs, opening):
        knee = {"knee_opening": "30 %", "knee_area": "10 %"} if opening == "dual_gain" else {}
        p = record(rate_valve(self.rig.valve.replace(opening=opening, **knee), self.rig.oil))
        found = blocked_port_pressure(xs, L_P, L_T, 1e-7, 140e5, 1.0, p)

        def excess(pressure):
            q_in = land_flow(xs - L_P, 140e5 - pressure, 1e-7, p)
            return q_in - land_flow(-xs - L_T, pressure, 1e-7, p)

        expected = scipy.optimize.brentq(excess, 0.0, 140e5, xtol=1e-9, rtol=1e-15)
        assert found == pytest.approx(expected, rel=1e-9, abs=1e-6)
