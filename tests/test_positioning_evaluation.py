"""Figures of a positioning test: tables worked by hand, what leaves them alone, verdicts."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import stats

import servosim
from servosim.positioning.conformity import departures
from servosim.positioning.deviations import Deviations
from servosim.positioning.evaluation import SYMBOLS, definitions, evaluate, figures
from servosim.positioning.judged import decimals, judge
from servosim.positioning.verdicts import verdicts

UM = 1e-6


def test_of(targets, positive, negative):
    """Return a test from targets [mm] and deviations [um]."""
    return Deviations(np.array(targets) * 1e-3, np.array(positive) * UM, np.array(negative) * UM)


test_of.__test__ = False

# Table 1. Five runs; the runs m - d, m - d, m, m + d, m + d have mean m and
# s = sqrt(4 d^2 / (5 - 1)) = d.
#   target    m+   s+    m-   s-    B_i   (m+ + m-)/2
#   100 mm     3   1      1   0.5    2      2
#   300 mm     5   0.5    4   2      1      4.5
#   550 mm    -1   1     -4   1      3     -2.5
# B = max(2, 1, 3) = 3, mean 6/3 = 2
# E+ = 5 - (-1) = 6; E- = 4 - (-4) = 8; E = 5 - (-4) = 9; M = 4.5 - (-2.5) = 7
# R_i+ = 4, 2, 4: R+ = 4; R_i- = 2, 8, 4: R- = 8
# R_i = max(2 + 1 + 2, 4, 2) = 5; max(1 + 4 + 1, 2, 8) = 8; max(2 + 2 + 3, 4, 4) = 7: R = 8
# m+ + 2 s+ = 5, 6, 1; m+ - 2 s+ = 1, 4, -3: A+ = 6 - (-3) = 9
# m- + 2 s- = 2, 8, -2; m- - 2 s- = 0, 0, -6: A- = 8 - (-6) = 14; A = 8 - (-6) = 14
FIRST = test_of(
    [100.0, 300.0, 550.0],
    [[2, 2, 3, 4, 4], [4.5, 4.5, 5, 5.5, 5.5], [-2, -2, -1, 0, 0]],
    [[0.5, 0.5, 1, 1.5, 1.5], [2, 2, 4, 6, 6], [-5, -5, -4, -3, -3]],
)
FIRST_FIGURES = {
    "A": 14, "A+": 9, "A-": 14, "R": 8, "R+": 4, "R-": 8, "B": 3, "Bmean": 2, "E": 9, "E+": 6,
    "E-": 8, "M": 7,
}  # fmt: skip
# The same with three standard deviations:
# R+ = 6; R- = 12; R_i = max(3 + 1.5 + 2, 6, 3) = 6.5; max(1.5 + 6 + 1, 3, 12) = 12;
# max(3 + 3 + 3, 6, 6) = 9: R = 12
# m+ + 3 s+ = 6, 6.5, 2; m+ - 3 s+ = 0, 3.5, -4: A+ = 10.5
# m- + 3 s- = 2.5, 10, -1; m- - 3 s- = -0.5, -2, -7: A- = 17; A = 10 - (-7) = 17
FIRST_OLDER = FIRST_FIGURES | {"A": 17, "A+": 10.5, "A-": 17, "R": 12, "R+": 6, "R-": 12}

# Table 2. Three runs; m - d, m, m + d have s = sqrt(2 d^2 / (3 - 1)) = d. Reversals are negative
# but one; both ends of A come from the positive direction and R from both directions together.
#   target       m+   s+    m-   s-    B_i   (m+ + m-)/2
#   25.4 mm      -2   1      6   0.5   -8      2
#   127 mm        4   2      3   1      1      3.5
#   228.6 mm      0   0      2   2     -2      1
# B = 8, mean -9/3 = -3; E+ = 4 - (-2) = 6; E- = 6 - 2 = 4; E = 6 - (-2) = 8; M = 3.5 - 1 = 2.5
# R+ = 4 * 2 = 8; R- = 4 * 2 = 8
# R_i = 2 + 1 + 8 = 11; max(4 + 2 + 1, 8, 4) = 8; max(0 + 4 + 2, 0, 8) = 8: R = 11
# m+ + 2 s+ = 0, 8, 0; m+ - 2 s+ = -4, 0, 0: A+ = 12
# m- + 2 s- = 7, 5, 6; m- - 2 s- = 5, 1, -2: A- = 9; A = 8 - (-4) = 12
SECOND = test_of(
    [25.4, 127.0, 228.6],
    [[-3, -2, -1], [2, 4, 6], [0, 0, 0]],
    [[5.5, 6, 6.5], [2, 3, 4], [0, 2, 4]],
)
SECOND_FIGURES = {
    "A": 12, "A+": 12, "A-": 9, "R": 11, "R+": 8, "R-": 8, "B": 8, "Bmean": -3, "E": 8, "E+": 6,
    "E-": 4, "M": 2.5,
}  # fmt: skip


def in_um(found):
    return {name: value / UM for name, value in found.symbols.items()}


class TestByHand:
    @pytest.mark.parametrize(
        ("test", "practice", "expected"),
        [
            (FIRST, "2s", FIRST_FIGURES),
            (FIRST, "3s", FIRST_OLDER),
            (SECOND, "2s", SECOND_FIGURES),
        ],
    )
    def test_figures_of_the_axis(self, test, practice, expected):
        found = in_um(evaluate(test, practice=practice))
        assert list(found) == list(SYMBOLS)
        assert found == pytest.approx(expected, rel=1e-12)

    def test_figures_of_the_targets(self):
        found = evaluate(SECOND)
        for name, expected in {
            "mean_positive": [-2, 4, 0],
            "mean_negative": [6, 3, 2],
            "mean_both": [2, 3.5, 1],
            "s_positive": [1, 2, 0],
            "s_negative": [0.5, 1, 2],
            "R_positive": [4, 8, 0],
            "R_negative": [2, 4, 8],
            "R_both": [11, 8, 8],
            "B_i": [-8, 1, -2],
        }.items():
            assert getattr(found, name) / UM == pytest.approx(expected, rel=1e-12), name

    def test_where_each_was_decided(self):
        found = evaluate(SECOND).decided
        assert found["A"] == ((1, "+"), (0, "+"))
        assert found["A-"] == ((0, "-"), (2, "-"))
        assert found["E"] == ((0, "-"), (0, "+"))
        assert found["R"] == found["B"] == ((0, ""),)
        assert found["R-"] == ((2, "-"),)
        assert found["M"] == ((1, ""), (2, ""))
        assert found["Bmean"] == ()
        assert evaluate(FIRST).decided["A"] == ((1, "-"), (2, "-"))

    def test_scatter_is_that_of_scipy(self):
        x = np.random.default_rng(4).normal(3.0, 2.0, (6, 7))
        x[2, 4:] = np.nan
        found = evaluate(test_of(np.arange(6.0), x, x))
        expected = stats.tstd(x, axis=1, nan_policy="omit")
        assert found.s_positive / UM == pytest.approx(expected, rel=1e-10)
        assert found.mean_positive / UM == pytest.approx(np.nanmean(x, axis=1), rel=1e-10)

    def test_runs_that_agree_have_no_scatter(self):
        """Not even by rounding: the mean of five equal numbers is that number."""
        found = evaluate(test_of([1.0, 2.0], [[0.1] * 5] * 2, [[0.7] * 5] * 2))
        assert found.symbols["R+"] == found.symbols["R-"] == found.symbols["E+"] == 0.0
        assert found.symbols["R"] == found.symbols["B"] == pytest.approx(0.6 * UM)

    def test_many_tests_at_once(self):
        one = evaluate(FIRST)
        parts = (one.mean_positive, one.mean_negative, one.s_positive, one.s_negative)
        twice = figures(*(np.stack([x, 2.0 * x]) for x in parts))
        for symbol, value in one.symbols.items():
            assert twice[symbol] == pytest.approx([value, 2.0 * value])

    def test_definitions_state_the_practice(self):
        assert set(definitions()) == set(SYMBOLS)
        assert "4 s" in definitions()["R+"]
        assert "6 s" in definitions("3s")["R+"]
        with pytest.raises(servosim.ParameterError, match="'4s' is not known; expected one of"):
            definitions("4s")


deviation = st.floats(-50.0, 50.0).map(lambda x: round(x, 2))


@st.composite
def tests(draw):
    m = draw(st.integers(1, 6))
    runs = draw(st.integers(2, 5))
    x = draw(hnp.arrays(np.float64, (2, m, runs), elements=deviation))
    return test_of(np.sort(draw(st.permutations(range(20)))[:m]) * 50.0, x[0], x[1])


tests.__test__ = False
few = settings(max_examples=60)


class TestProperties:
    @few
    @given(tests(), deviation)
    def test_a_shift_of_all_deviations_changes_nothing(self, test, shift):
        """All are ranges over deviations, differences of means or scatters, M too."""
        moved = Deviations(test.targets, test.positive + shift * UM, test.negative + shift * UM)
        before, after = in_um(evaluate(test)), in_um(evaluate(moved))
        assert after == pytest.approx(before, abs=1e-8)

    @few
    @given(tests(), st.floats(0.01, 20.0))
    def test_figures_scale_with_the_deviations(self, test, scale):
        larger = Deviations(test.targets, test.positive * scale, test.negative * scale)
        before, after = in_um(evaluate(test)), in_um(evaluate(larger))
        expected = {name: scale * value for name, value in before.items()}
        assert after == pytest.approx(expected, abs=1e-8)

    @few
    @given(tests())
    def test_directions_exchanged(self, test):
        """The signs of the symbols go with the directions, the mean reversal turns its sign."""
        turned = Deviations(test.targets, test.negative, test.positive)
        before, after = in_um(evaluate(test)), in_um(evaluate(turned))
        names = {"A+": "A-", "A-": "A+", "R+": "R-", "R-": "R+", "E+": "E-", "E-": "E+"}
        expected = {name: before[names.get(name, name)] for name in SYMBOLS}
        expected["Bmean"] *= -1.0
        assert after == pytest.approx(expected, abs=1e-8)

    @few
    @given(tests())
    def test_the_axis_seen_from_its_other_end(self, test):
        """Positions and deviations turn their sign and the directions change: the same machine."""
        turned = Deviations(1.0 - test.targets[::-1], -test.negative[::-1], -test.positive[::-1])
        before, after = in_um(evaluate(test)), in_um(evaluate(turned))
        names = {"A+": "A-", "A-": "A+", "R+": "R-", "R-": "R+", "E+": "E-", "E-": "E+"}
        expected = {name: before[names.get(name, name)] for name in SYMBOLS}
        assert after == pytest.approx(expected, abs=1e-8)

    @few
    @given(tests())
    def test_figures_bound_each_other(self, test):
        found = in_um(evaluate(test))
        slack = 1e-8
        for sign in "+-":
            assert found[f"A{sign}"] >= max(found[f"E{sign}"], found[f"R{sign}"]) - slack
            assert found["A"] >= found[f"A{sign}"] - slack
            assert found["R"] >= found[f"R{sign}"] - slack
            assert found["E"] >= found[f"E{sign}"] - slack
        assert found["A"] >= max(found["E"], found["R"]) - slack
        assert found["R"] >= found["B"] - slack
        assert found["E"] >= max(found["M"], found["B"]) - slack
        assert found["B"] >= abs(found["Bmean"]) - slack

    @few
    @given(tests(), st.randoms(use_true_random=False))
    def test_the_order_of_runs_does_not_matter(self, test, random):
        order = list(range(test.positive.shape[1]))
        random.shuffle(order)
        other = Deviations(test.targets, test.positive[:, order], test.negative)
        assert in_um(evaluate(other)) == pytest.approx(in_um(evaluate(test)), abs=1e-8)

    @few
    @given(tests())
    def test_older_practice_is_wider(self, test):
        new, old = in_um(evaluate(test)), in_um(evaluate(test, practice="3s"))
        for symbol in ("R+", "R-"):
            assert old[symbol] == pytest.approx(1.5 * new[symbol], abs=1e-8)
        for symbol in ("A", "A+", "A-", "R"):
            assert old[symbol] >= new[symbol] - 1e-8
        for symbol in ("B", "Bmean", "E", "E+", "E-", "M"):
            assert old[symbol] == new[symbol]


class TestLongAxis:
    def test_one_approach_and_no_scatter(self):
        targets = [0.0, 700.0, 1400.0, 2000.001]
        found = evaluate(test_of(targets, [[1], [2], [5], [3]], [[0], [0], [1], [1]]))
        assert found.long_axis
        symbols = in_um(found)
        assert all(math.isnan(symbols[name]) for name in ("A", "A+", "A-", "R", "R+", "R-"))
        # B_i = 1, 2, 4, 2; means of both 0.5, 1, 3, 2
        expected = {"B": 4, "Bmean": 2.25, "E": 5, "E+": 4, "E-": 1, "M": 2.5}
        assert {name: symbols[name] for name in expected} == pytest.approx(expected)
        assert np.isnan(found.R_both).all()
        assert found.decided["A"] == ()

    def test_repeatability_is_left_out_even_with_several_runs(self):
        found = evaluate(test_of([0.0, 2500.0], [[1, 2], [2, 3]], [[0, 1], [0, 1]]))
        assert math.isnan(found.symbols["R"]) and math.isnan(found.symbols["A"])
        assert found.s_positive / UM == pytest.approx([math.sqrt(0.5)] * 2)

    def test_two_metres_are_no_long_axis(self):
        test = test_of([100.0, 2100.0], [[1, 2], [2, 3]], [[0, 1], [0, 1]])
        assert not test.long_axis
        assert math.isfinite(evaluate(test).symbols["A"])

    def test_one_run_is_too_few_up_to_two_metres(self):
        with pytest.raises(servosim.ParameterError) as caught:
            evaluate(test_of([0.0, 2000.0], [[1, 2], [2, math.nan]], [[1], [2]]))
        text = str(caught.value)
        assert "target 2000 mm: a single run in direction + has no standard deviation" in text
        assert len(caught.value.faults) == 3

    def test_a_direction_is_missing(self):
        with pytest.raises(servosim.ParameterError, match="1 mm: no approach in direction -"):
            evaluate(test_of([1.0], [[1, 2]], [[math.nan, math.nan]]))


class TestDeviations:
    @pytest.mark.parametrize(
        ("targets", "positive", "words"),
        [
            ([], [], "one target at least"),
            ([1, 1], [[1], [1]], "do not ascend"),
            ([1, math.nan], [[1], [1]], "not all finite"),
            ([1, 2], [[1, 2]], "expected 2 rows"),
            ([1, 2], [1, 2], "expected 2 rows"),
            ([1], [[math.inf]], "infinite"),
        ],
    )
    def test_refused(self, targets, positive, words):
        with pytest.raises(servosim.ParameterError, match=words):
            Deviations(targets, positive, positive)

    def test_travel(self):
        assert FIRST.travel == pytest.approx(0.45)
        assert Deviations([0.1], [[0.0]], [[0.0]], travel=3.0).long_axis
        with pytest.raises(servosim.ParameterError, match=r"travel: is -1\.0 m"):
            Deviations([0.1], [[0.0]], [[0.0]], travel=-1.0)

    def test_arrays_are_kept_from_writing(self):
        positive = np.zeros((1, 2))
        test = Deviations([0.1], positive, positive)
        positive[:] = 1.0
        assert not test.positive.any()
        with pytest.raises(ValueError, match="read-only"):
            test.positive[0, 0] = 1.0
        assert pickle.loads(pickle.dumps(test)).travel == test.travel


class TestVerdicts:
    def test_each_figure_against_its_limit(self):
        found = verdicts(evaluate(SECOND), {"R": 11e-6, "A": 11.9e-6, "Bmean": 2.5e-6})
        assert [(one.symbol, one.met, one.given) for one in found] == [
            ("A", False, True), ("R", True, True), ("Bmean", False, True),
        ]  # fmt: skip

    def test_common_practice_if_nothing_is_asked_for(self):
        found = verdicts(evaluate(FIRST))
        limits = {one.symbol: one.limit for one in found}
        assert limits == {"A": 2 * 12.7e-6, "R": 2.54e-6}  # common practice, no source
        assert [one.met for one in found] == [True, False]
        assert not any(one.given for one in found)

    def test_not_evaluated_is_not_judged(self):
        long = test_of([0.0, 2500.0], [[1], [2]], [[0], [0]])
        found = judge(long, name="long", tolerances={"A": 1.0, "B": 1.0})
        assert [one.met for one in found.verdicts] == [None, True]
        assert found.met is None
        assert found.uncertainty is None
        assert judge(long, name="long", tolerances={"A": 1.0, "B": 1e-9}).met is False

    def test_doubtful_where_the_interval_reaches_across(self):
        plain = judge(FIRST, name="first")
        low, high = plain.uncertainty.intervals["A"]
        for limit, met, doubtful in (
            (0.99 * low, False, False),
            (0.5 * (low + plain.evaluation.symbols["A"]), False, True),
            (0.5 * (high + plain.evaluation.symbols["A"]), True, True),
            (1.01 * high, True, False),
        ):
            (one,) = judge(FIRST, name="first", tolerances={"A": limit}).verdicts
            assert (one.met, one.doubtful) == (met, doubtful)

    @pytest.mark.parametrize(
        ("given", "words"),
        [({"Q": 1e-6}, "'Q' is no figure"), ({"A": 0.0}, "0 um for A"), ({"A": -1e-6}, "-1 um")],
    )
    def test_refused(self, given, words):
        with pytest.raises(servosim.ParameterError, match=words):
            judge(FIRST, name="first", tolerances=given)

    def test_decimals_go_with_the_largest_figure(self):
        assert decimals(evaluate(FIRST)) == 2  # 14 um
        assert decimals(evaluate(test_of([1.0], [[0, 200]], [[0, 0]]))) == 1


class TestDepartures:
    def test_a_standard_test_has_none(self):
        x = np.random.default_rng(0).normal(size=(5, 5))
        assert departures(test_of([10.0, 130.0, 260.0, 395.0, 505.0], x, x)) == ()

    def test_each_is_named(self):
        text = " / ".join(departures(SECOND))
        assert "3 targets over 203.2 mm: the standard asks for 5" in text
        assert "3 runs in a direction where the standard asks for 5" in text
        assert "evenly spaced" in text
        assert "evenly spaced" not in " ".join(departures(FIRST))

    def test_runs_that_differ_in_number(self):
        x = np.ones((2, 5)) * [1, 2, 3, 4, 5]
        less = x.copy()
        less[0, 4] = np.nan
        text = " ".join(departures(test_of([0.0, 10.0], x, less)))
        assert "differs between targets or directions, 4 to 5" in text

    def test_a_long_axis(self):
        targets = np.arange(11) * 251.0 + np.arange(11) ** 2
        assert departures(test_of(targets, np.ones((11, 1)), np.ones((11, 1)))) == (
            "travel 2610 mm, over 2000 mm: repeatabilities and accuracies are not evaluated, as "
            "the standard has it",
        )

    def test_a_run_far_from_the_others(self):
        """Nine cells of -1, -1, 0, 1, 1: s = 1. In the tenth -1, 0, 1, 1 and a point misplaced.

        The mean of the other four is 0.25; 10 lies 9.75 from it, 9.75 s or 8.7 times the standard
        deviation of such a difference, s sqrt(5/4).
        """
        x = np.tile([-1.0, -1.0, 0.0, 1.0, 1.0], (5, 1))
        test = test_of([10.0, 130.0, 260.0, 395.0, 505.0], x, x)
        assert departures(test) == ()
        y = x.copy()
        y[1, 1] = 10.0
        (said,) = departures(test_of([10.0, 130.0, 260.0, 395.0, 505.0], x, y))
        assert said == (
            "a deviation of 10 um at 130 mm in direction - lies 9.75 um from the mean of the other "
            "runs there, 9.75 times the scatter: a slip in writing it down?"
        )
        y[1, 1] = 9.0  # 8.75 s, 7.8 times
        assert departures(test_of([10.0, 130.0, 260.0, 395.0, 505.0], x, y)) == ()

    def test_an_instrument_that_shows_no_scatter(self):
        text = " ".join(departures(test_of([0.0, 10.0], np.ones((2, 5)), np.ones((2, 5)))))
        assert "all runs agree to the last digit" in text
        assert "all runs agree" not in " ".join(departures(SECOND))
