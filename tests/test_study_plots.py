"""Figures of a study: what they show is the study, in the unit that the axis says."""

from __future__ import annotations

import dataclasses
import math
import subprocess
import sys
import warnings

import numpy as np
import pytest
from matplotlib.collections import LineCollection, PolyCollection, QuadMesh
from matplotlib.figure import Figure
from study_cases import (
    FLOW,
    GAIN,
    OIL,
    design_points,
    grid_result,
    plan_by_hand,
    problem_of,
    result_by_hand,
    sampled_result,
    varied,
)

from servosim import ParameterError
from servosim.panels.study_drawing import edges, metric_scale, parameter_scale, pretty, rounded
from servosim.plots import save_figure
from servosim.studies.limits import limits_of as servosim_limits
from servosim.study_plots import (
    plot_bands,
    plot_map,
    plot_parallel,
    plot_sobol,
    plot_study,
    plot_tornado,
    plot_yield,
)

LIMIT = {"settling_time": {"high": "2.105 s"}}


@pytest.fixture(autouse=True)
def quiet():
    """Turn every warning of a figure into an error, and draw with nothing that stays."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        yield


def drawn(ax):
    """Draw the figure of some axes, so that what only fails then fails here."""
    ax.get_figure().canvas.draw()
    return ax


def texts(ax):
    """Return all text of some axes and their legend."""
    legend = ax.get_legend()
    words = [one.get_text() for one in legend.get_texts()] if legend else []
    words += [one.get_text() for one in ax.texts]
    return [*words, ax.get_title(), ax.get_title(loc="left"), ax.get_xlabel(), ax.get_ylabel()]


def sensitivity_result(missing=()):
    """Return a study for sensitivity: overshoot u + 0.5 v in micrometres."""
    names = [OIL, GAIN]
    x = design_points(128, names)
    design = {"method": "sensitivity", "sensitivity": {"problem": problem_of(names)}}
    inputs = [varied(OIL, "case", 290.0 + x[:, 0]), varied(GAIN, "case", 10.0 + x[:, 1])]
    values = 1e-6 * (x[:, 0] + 0.5 * x[:, 1])
    values[list(missing)] = np.nan
    plan = plan_by_hand(("case",), (len(x),), inputs, design=design)
    return result_by_hand(plan, {"overshoot": values})


def robust_result(limits=None):
    """Return gain x kind x ten samples: overshoot is that of the place, plus the sample's."""
    inputs = [
        varied("controller.kind", "kind", ["sampled", "continuous"]),
        varied(GAIN, "velocity_gain", [10.0, 20.0, 30.0]),
        varied(OIL, "case", 290.0 + np.arange(10.0)),
    ]
    plan = plan_by_hand(
        ("kind", "velocity_gain", "case"), (2, 3, 10), inputs, limits=limits,
        design={"method": "random"},
    )  # fmt: skip
    kind, gain, case = np.indices(plan.shape)
    return result_by_hand(plan, {"overshoot": 1e-6 * (kind + 2.0 * gain + 0.1 * case).ravel()})


class TestScales:
    @pytest.mark.parametrize(
        ("metric", "values", "label", "shown"),
        [
            ("overshoot", [2e-6], "overshoot [µm]", 2.0),
            ("overshoot", [2e-3], "overshoot [mm]", 2.0),
            ("settling_time", [2.5], "settling time [s]", 2.5),
            ("pressure_max", [15e6], "pressure max [bar]", 150.0),
            ("flow_peak", [1e-3 / 6.0], "flow peak [L/min]", 10.0),
            ("hold_drift_rate", [1e-3], "hold drift rate [mm/s]", 1.0),
            ("valve_saturation", [0.25], "valve saturation [%]", 25.0),
            ("settled", [1.0], "settled", 1.0),
        ],
    )
    def test_of_figures(self, metric, values, label, shown):
        scale = metric_scale(metric, np.array([*values, np.nan]))
        assert scale.label == label
        assert float(scale.of(values[0])) == pytest.approx(shown)

    def test_of_parameters_are_those_of_the_file(self):
        result, _, _ = sampled_result(10)
        scale = parameter_scale(result, OIL)
        assert scale.label == "oil temperature [°C]"
        assert float(scale.of(293.15)) == pytest.approx(20.0)
        assert parameter_scale(grid_result(), FLOW).label == "valve rated flow [L/min]"

    def test_parameters_that_vary_together_say_so(self):
        inputs = [
            varied(FLOW, "rated_flow", [1e-4, 2e-4]),
            varied("valve.natural_frequency", "rated_flow", [500.0, 400.0]),
            varied(GAIN, "velocity_gain", [10.0, 20.0]),
        ]
        plan = plan_by_hand(("rated_flow", "velocity_gain"), (2, 2), inputs)
        result = result_by_hand(plan, {"overshoot": [0.0, 1e-6, 2e-6, 3e-6]})
        assert result.factors == ((FLOW, "valve.natural_frequency"), (GAIN,))
        assert parameter_scale(result, FLOW).label == "valve rated flow and 1 more [L/min]"
        assert [one.parameter for one in result.effects("overshoot")] == [FLOW, GAIN]

    def test_of_choices_are_places(self):
        scale = parameter_scale(robust_result(), "controller.kind")
        assert scale.names == ("sampled", "continuous")
        assert scale.of("continuous") == 1.0
        assert scale.text("continuous") == "continuous"

    def test_units_are_printed_as_people_write_them(self):
        assert [pretty(one) for one in ("um", "mm2/s", "1/s2", "m3/s", "cm3/min/bar", "degC")] == [
            "µm", "mm²/s", "1/s²", "m³/s", "cm³/min/bar", "°C",
        ]  # fmt: skip

    @pytest.mark.parametrize(
        ("values", "reach", "wanted"),
        [
            ([0.0, 0.5, 1.0], 1.0, ["0", "0.5", "1"]),
            ([-0.000172, 0.3], 0.6, ["0", "0.3"]),
            ([1024.0, 1536.0], 512.0, ["1024", "1536"]),
            ([-2.5], 0.0, ["−2.5"]),
        ],
    )
    def test_numbers_have_the_digits_that_matter(self, values, reach, wanted):
        assert rounded(values, reach) == wanted

    def test_cells_lie_around_their_values(self):
        assert edges(np.array([1.0, 2.0, 3.5, 4.5]))[0].tolist() == [0.5, 1.5, 2.75, 4.0, 5.0]
        cells, by_ratio = edges(np.array([1.0, 2.0, 4.0, 8.0]))
        assert by_ratio
        np.testing.assert_allclose(cells, math.sqrt(0.5) * 2.0 ** np.arange(5))
        assert not edges(np.array([1.0, 2.0, 3.0, 4.0]))[1]
        assert edges(np.array([-1.0, 0.0, 10.0]))[1] is False
        low, high = edges(np.array([0.0]))[0]
        assert low < 0.0 < high


class TestMap:
    def mesh(self, ax):
        (found,) = [one for one in ax.collections if isinstance(one, QuadMesh)]
        return found.get_array()

    def test_colours_are_the_figures(self):
        result = grid_result()
        ax = drawn(plot_map(result, "settling_time"))
        # the longer dimension lies across
        assert ax.get_xlabel() == "controller velocity gain [1/s]"
        assert ax.get_ylabel() == "valve rated flow [L/min]"
        np.testing.assert_allclose(self.mesh(ax), result.figure("settling_time").reshape(3, 4))

    def test_axes_can_be_turned(self):
        ax = drawn(plot_map(grid_result(), "settling_time", x="rated_flow"))
        assert ax.get_xlabel() == "valve rated flow [L/min]"
        np.testing.assert_allclose(
            self.mesh(ax), grid_result().figure("settling_time").reshape(3, 4).T
        )

    def test_flows_by_ratio_stand_on_a_logarithmic_axis(self):
        ax = plot_map(grid_result(), "settling_time")
        assert (ax.get_xscale(), ax.get_yscale()) == ("linear", "log")

    def test_the_limit_is_a_line_where_it_is_crossed(self):
        ax = drawn(plot_map(grid_result(LIMIT), "settling_time"))
        # 2.1 + 0.01 (25 - gain)/5 = 2.105 at a gain of 22.5 and a flow of 16 L/min
        points = np.concatenate([
            path.vertices for one in ax.collections if type(one).__name__ == "QuadContourSet"
            for path in one.get_paths() if len(path.vertices)
        ])  # fmt: skip
        nearest = points[np.argmin(np.abs(points[:, 1] - 16.0))]
        assert nearest[0] == pytest.approx(22.5, abs=0.05)
        assert "limit 2.1 s" in texts(ax) or "limit 2.11 s" in texts(ax)

    def test_failed_cells_and_those_without_the_figure_are_hatched_apart(self):
        status = [0] * 12
        status[0] = status[1] = 2
        result = grid_result(status=status)
        result.cases.columns["settling_time"][5] = np.nan
        ax = drawn(plot_map(result, "settling_time"))
        hatches = {}
        for one in ax.collections:
            if isinstance(one, PolyCollection) and one.get_hatch():
                hatches[one.get_hatch()] = int(np.ma.count(one.get_array()))
        assert hatches == {"////": 2, "....": 1}
        assert {"failed", "ran without this figure"} <= set(texts(ax))
        assert np.ma.getmaskarray(self.mesh(ax)).ravel().nonzero()[0].tolist() == [0, 1, 5]

    def test_other_dimensions_are_taken_together(self):
        result = robust_result()
        ax = drawn(plot_map(result, "overshoot", percent=100.0))
        kind, gain = np.indices((2, 3))
        np.testing.assert_allclose(self.mesh(ax), kind + 2.0 * gain + 0.9)
        assert any("100 % point of 10 cases" in one for one in texts(ax))
        assert [one.get_text() for one in ax.get_yticklabels()] == ["sampled", "continuous"]

    def test_the_share_within_the_limits(self):
        result = robust_result({"overshoot": {"high": "2.45 um"}})
        mesh = self.mesh(drawn(plot_map(result, None)))
        # kind + 2 gain + 0.1 case <= 2.45: ten of ten, five of ten (0..4), none
        np.testing.assert_allclose(mesh, [[100.0, 50.0, 0.0], [100.0, 0.0, 0.0]])

    def test_borders_of_a_limit_between_choices(self):
        result = robust_result({"overshoot": {"high": "2.46 um"}})
        ax = drawn(plot_map(result, "overshoot"))
        lines = [one for one in ax.collections if isinstance(one, LineCollection)]
        segments = {tuple(map(tuple, one)) for one in lines[0].get_segments()}
        # medians kind + 2 gain + 0.45: 0.45, 2.45, 4.45 and 1.45, 3.45, 5.45
        assert segments == {((25.0, -0.5), (25.0, 0.5)), ((15.0, 0.5), (15.0, 1.5)),
                            ((15.0, 0.5), (25.0, 0.5))}  # fmt: skip

    def test_a_limit_that_is_crossed_nowhere_has_no_line(self):
        ax = drawn(plot_map(grid_result({"settling_time": {"high": "9 s"}}), "settling_time"))
        assert "limit 9 s, crossed nowhere" in texts(ax)
        assert not [one for one in ax.collections if type(one).__name__ == "QuadContourSet"]

    def test_one_case_a_cell_is_within_or_outside(self):
        ax = drawn(plot_map(grid_result(LIMIT), None))
        assert self.mesh(ax).reshape(3, 4).tolist() == [[1.0] * 4, [0.0, 0.0, 0.0, 1.0], [0.0] * 4]
        assert {"within", "outside"} <= set(texts(ax))

    def test_of_nothing_but_failures(self):
        drawn(plot_map(grid_result(LIMIT, status=[2] * 12), "settling_time"))

    def test_needs_two_dimensions(self):
        with pytest.raises(ParameterError, match="two dimensions"):
            plot_map(sampled_result(10)[0], "settling_time")
        with pytest.raises(ParameterError, match="'gain'"):
            plot_map(grid_result(), "settling_time", x="gain")


class TestBands:
    def test_along_a_grid_are_those_of_everything_else(self):
        ax = drawn(plot_bands(robust_result(), "overshoot", over=GAIN))
        x, y = next(one for one in ax.lines if one.get_label() == "median").get_data()
        assert x.tolist() == [10.0, 20.0, 30.0]
        np.testing.assert_allclose(y, [0.95, 2.95, 4.95])  # kinds 0 and 1, samples 0 to 0.9

    def test_over_samples_are_equal_shares(self):
        result, u, v = sampled_result(400)
        ax = drawn(plot_bands(result, "settling_time"))
        assert ax.get_xlabel() == "oil temperature [°C]"
        x, y = next(one for one in ax.lines if one.get_label() == "median").get_data()
        assert len(x) == 20
        first = np.argsort(u)[:20]
        assert x[0] == pytest.approx(16.85 + 30.0 * np.median(u[first]))
        assert y[0] == pytest.approx(2.0 + np.median(u[first] + 0.1 * v[first]))
        assert "20 equal shares of 400 samples" in texts(ax)

    def test_say_where_cases_lack_the_figure(self):
        result, _, _ = sampled_result(400, missing=range(7))
        assert "cases without it (7)" in texts(drawn(plot_bands(result, "settling_time")))

    def test_a_fine_grid_is_not_lumped(self):
        plan = plan_by_hand(
            ("velocity_gain",), (50,), [varied(GAIN, "velocity_gain", np.arange(1.0, 51.0))]
        )
        ax = drawn(
            plot_bands(result_by_hand(plan, {"settling_time": np.arange(50.0)}), "settling_time")
        )
        assert len(ax.lines[0].get_xdata()) == 50

    def test_over_choices(self):
        ax = drawn(plot_bands(robust_result(LIMIT), "overshoot", over="controller.kind"))
        assert [one.get_text() for one in ax.get_xticklabels()] == ["sampled", "continuous"]


class TestYieldPlot:
    def test_the_curve_is_the_share_of_all_cases(self):
        limits = {"settling_time": {"high": "2.5 s"}}
        result, u, v = sampled_result(200, limits, missing=range(20))
        ax = drawn(plot_yield(result, "settling_time"))
        x, y = next(one for one in ax.lines if one.get_label() == "200 cases").get_data()
        assert y[0] == 0.0 and y[-1] == pytest.approx(90.0)
        within = (2.0 + u + 0.1 * v)[20:] <= 2.5
        assert y[np.searchsorted(x, 2.5, "right") - 1] == pytest.approx(100.0 * within.sum() / 200)
        assert {"limit 2.5 s", "95 % band"} <= set(texts(ax))
        assert any("20 without this figure" in one for one in texts(ax))

    def test_the_band_holds_the_curve_and_the_interval_of_the_share(self):
        result, _, _ = sampled_result(200, {"settling_time": {"high": "2.5 s"}})
        ax = drawn(plot_yield(result, "settling_time"))
        (band,) = [one for one in ax.collections if one.get_label() == "95 % band"]
        points = band.get_paths()[0].vertices
        share = result.yield_().overall
        near = points[np.abs(points[:, 0] - 2.5) < 0.02]
        assert near[:, 1].min() == pytest.approx(100.0 * share.low, abs=2.5)
        assert near[:, 1].max() == pytest.approx(100.0 * share.high, abs=2.5)

    @pytest.mark.parametrize("n", [4, 40, 300])
    def test_the_band_holds_the_curve_between_the_figures_too(self, n):
        # Wilson's interval of k of n holds k/n, and nothing changes from one figure to the next
        result, _, _ = sampled_result(n, None)
        ax = drawn(plot_yield(result, "settling_time"))
        (band,) = [one for one in ax.collections if one.get_label() == "95 % band"]
        (outline,) = band.get_paths()
        held = np.sort(result.figure("settling_time"))
        for share in (0.01, 0.5, 0.99):
            at = held[:-1] + share * np.diff(held)
            points = np.column_stack([at, 100.0 * np.arange(1, n) / n])
            assert outline.contains_points(points).all()

    def test_one_figure_of_zero_keeps_the_axis_in_its_unit(self):
        result, _, _ = sampled_result(1, None)
        plan = result.plan
        ax = drawn(plot_yield(result_by_hand(plan, {"overshoot": [0.0]}), "overshoot"))
        assert max(map(abs, ax.get_xlim())) <= 2.0  # as many um, or mm, or m
        assert "1 case" in texts(ax)

    def test_a_grid_has_no_band(self):
        ax = drawn(plot_yield(grid_result(LIMIT), "settling_time"))
        assert "95 % band" not in texts(ax)
        assert any(one.startswith("41.7 % within") for one in texts(ax))  # 5 of 12

    def test_of_nothing_but_failures(self):
        drawn(plot_yield(grid_result(LIMIT, status=[2] * 12), "settling_time"))


class TestFarLimits:
    """A limit far from all figures is told, and doesn't take their room on the axis."""

    LIMIT = {"settling_time": {"high": "90 s"}}  # noqa: RUF012

    @pytest.mark.parametrize("draw", [plot_yield, plot_bands])
    def test_are_in_the_legend_alone(self, draw):
        ax = drawn(draw(sampled_result(400, self.LIMIT)[0], "settling_time"))
        assert "limit 90 s, beyond the axis" in texts(ax)
        assert max(ax.get_xlim()[1] if draw is plot_yield else ax.get_ylim()[1], 0.0) < 10.0

    def test_are_above_the_parallel_axis(self):
        ax = drawn(plot_parallel(sampled_result(400, self.LIMIT)[0], "settling_time"))
        assert "limit 90 s, above" in texts(ax)
        low = sampled_result(400, {"settling_time": {"low": "0.1 ms"}})[0]
        assert "limit 0.0001 s, below" in texts(drawn(plot_parallel(low, "settling_time")))

    def test_leave_the_unit_to_the_figures(self):
        result = sensitivity_result()
        limits = {"overshoot": servosim_limits({"overshoot": {"high": "0.3 m"}})["overshoot"]}
        far = type(result)(dataclasses.replace(result.plan, limits=limits), result.cases)
        assert drawn(plot_yield(far, "overshoot")).get_xlabel() == "overshoot [µm]"
        plot_study(far).canvas.draw()


class TestTornado:
    def bars(self, ax):
        return [(one.get_x(), one.get_width()) for one in ax.patches if one.get_facecolor()[3] > 0]

    def test_bars_run_from_mean_to_mean(self):
        ax = drawn(plot_tornado(grid_result(), "settling_time"))
        assert [one.get_text() for one in ax.get_yticklabels()] == [
            "valve\nrated flow", "controller\nvelocity gain",
        ]  # fmt: skip
        low, high, *_ = self.bars(ax)
        assert low == pytest.approx((2.115, -0.1)) and high == pytest.approx((2.115, 0.1))
        assert {"8 L/min", "32 L/min", "10 1/s", "25 1/s"} <= set(texts(ax))
        assert any("grid: means at both ends" in one for one in texts(ax))

    @pytest.mark.parametrize("n", [60, 400])
    def test_says_how_samples_were_used(self, n):
        result, _, _ = sampled_result(n, missing=[3])
        title = drawn(plot_tornado(result, "settling_time")).get_title(loc="left")
        assert ("regression" if n == 60 else "tenth") in title
        assert f"without it: 1 of {n} cases" in title

    def test_of_nothing_but_failures(self):
        drawn(plot_tornado(grid_result(LIMIT, status=[2] * 12), "settling_time"))


class TestSobol:
    def test_bars_are_the_indices(self):
        result = sensitivity_result()
        ax = drawn(plot_sobol(result, "overshoot"))
        indices = result.sensitivity("overshoot")
        widths = [one.get_width() for one in ax.patches]
        np.testing.assert_allclose(widths, 100.0 * np.concatenate([indices.first, indices.total]))
        # variances of u and 0.5 v are as 4 to 1
        np.testing.assert_allclose(widths, [80.0, 20.0, 80.0, 20.0], atol=5.0)
        assert ax.get_yticklabels()[0].get_text() == "oil\ntemperature"

    def test_says_what_was_left_out(self):
        ax = drawn(plot_sobol(sensitivity_result([5]), "overshoot"))
        assert ax.get_title(loc="left").endswith("incomplete and left out: 1")


class TestParallel:
    def lines(self, ax):
        return sum(len(one.get_segments()) for one in ax.collections if len(one.get_segments()) and
                   one.get_segments()[0].shape[0] > 2)  # fmt: skip

    def test_each_case_is_a_line(self):
        ax = drawn(plot_parallel(grid_result(LIMIT), "settling_time"))
        assert self.lines(ax) == 12
        assert {"within all limits (5)", "outside, or without a figure (7)"} <= set(texts(ax))

    def test_heights_are_shares_of_each_range(self):
        ax = plot_parallel(grid_result(), "settling_time", parameters=[GAIN, FLOW])
        (part,) = [one for one in ax.collections if isinstance(one, LineCollection) and
                   len(one.get_segments()) == 12]  # fmt: skip
        # case 6: gain 20 of 10..25, flow 16 of 8..32, time 2.11 of 2.00..2.23
        heights = part.get_segments()[6][:, 1]
        np.testing.assert_allclose(heights, [2.0 / 3.0, 1.0 / 3.0, 0.11 / 0.23])

    def test_of_very_many_cases_some_are_drawn_and_it_says_so(self):
        ax = drawn(plot_parallel(sampled_result(400)[0], "settling_time", most=50))
        assert self.lines(ax) == 50
        assert ax.get_title(loc="left") == "50 of 400 cases, evenly chosen"

    def test_choices_and_missing_figures_have_a_place(self):
        result = robust_result(LIMIT)
        result.cases.columns["overshoot"][3] = np.nan
        ax = drawn(plot_parallel(result, "overshoot", parameters=["controller.kind", GAIN]))
        assert {"sampled", "continuous", "none"} <= set(texts(ax))


class TestPage:
    @pytest.mark.parametrize(
        ("made", "wanted"),
        [
            (lambda: grid_result(LIMIT), ["settling time"]),
            (lambda: sampled_result(400, LIMIT)[0], ["share of the cases [%]"]),
            (lambda: robust_result({"overshoot": {"high": "2 um"}}),
             ["share of 10 cases a cell, within all limits"]),
            (sensitivity_result, ["share of the variance of overshoot [%]"]),
            (lambda: grid_result(status=[2] * 12), []),
        ],
        ids=["grid", "samples", "robust", "sensitivity", "failed"],
    )  # fmt: skip
    def test_suits_the_plan(self, made, wanted, tmp_path):
        result = made()
        figure = plot_study(result)
        assert isinstance(figure, Figure)
        save_figure(figure, tmp_path / "page.png")
        words = {text for ax in figure.axes for text in texts(ax)}
        assert set(wanted) <= words
        assert figure.get_suptitle().startswith(f"By hand\n{len(result)} cases")

    def test_of_the_metrics_asked_for(self):
        result = grid_result()
        result.cases.columns["overshoot"][:] = np.arange(12.0) * 1e-6
        words = {text for ax in plot_study(result, ["overshoot"]).axes for text in texts(ax)}
        assert "overshoot" in words and "settling time" not in words

    def test_failures_are_noted(self):
        figure = plot_study(grid_result(LIMIT, status=[2] + [0] * 11))
        assert figure.get_supxlabel() == "Note: 1 of 12 cases failed"

    def test_needs_no_window(self):
        program = (
            "import sys\nimport servosim.study_plots\n"
            "print('matplotlib.pyplot' in sys.modules, 'SALib' in sys.modules)"
        )
        done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
        assert done.stdout == "False False\n"
