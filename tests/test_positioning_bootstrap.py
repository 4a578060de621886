"""Uncertainty of the figures by bootstrap: against scipy, closed forms and known truth."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

import servosim
from servosim.positioning.bootstrap import resampled, uncertainty
from servosim.positioning.deviations import Deviations
from servosim.positioning.evaluation import SYMBOLS, evaluate, figures

UM = 1e-6
POSITIONS = np.array([0.03, 0.12, 0.21, 0.33, 0.41, 0.52, 0.60, 0.69])
# systematic deviation of 5 um and a reversal of 2 um to 3 um
MEANS = UM * (5.0 * np.sin(8.0 * POSITIONS) + np.outer([0.5, -0.5], 2.0 + POSITIONS))
SCATTER = np.full_like(MEANS, 1.0 * UM)


def drawn(rng, runs=5):
    x = MEANS[..., None] + SCATTER[..., None] * rng.standard_normal((2, 8, runs))
    return Deviations(POSITIONS, x[0], x[1])


class TestResampling:
    def test_mean_reversal_against_its_closed_form(self):
        """Its variance is the sum of all s_i^2/n over m^2, as for any mean of independent runs."""
        found = evaluate(drawn(np.random.default_rng(1)))
        figure = resampled(found.deviations, factor=2.0, resamples=4000, seed=3)
        spread = float(np.std(figure[SYMBOLS.index("Bmean")]))
        squares = np.sum(found.s_positive**2 + found.s_negative**2) / 5
        assert spread == pytest.approx(math.sqrt(squares) / 8, rel=0.04)
        centre = float(np.mean(figure[SYMBOLS.index("Bmean")]))
        assert centre == pytest.approx(found.symbols["Bmean"], abs=0.05 * spread)

    def test_scatter_is_not_too_small(self):
        """Over all resamples the variance is that of the test, not (n - 1)/n of it."""
        one = Deviations([0.1], [[0, 1, 2, 4, 8]], [[0, 0, 0, 0, 0]])
        figure = resampled(one, factor=2.0, resamples=20000, seed=0)
        mean_square = float(np.mean((figure[SYMBOLS.index("R+")] / 4.0) ** 2))
        assert mean_square == pytest.approx(np.var([0, 1, 2, 4, 8], ddof=1), rel=0.03)

    def test_one_cell_against_scipy(self):
        """The systematic deviation of two targets, one without scatter, is a mean of one cell."""
        runs = [8.0, 9.0, 11.0, 12.0, 14.0]
        still = [[0.0] * 5] * 2
        found = evaluate(Deviations([0.1, 0.2], [[0.0] * 5, runs], still))
        ends = uncertainty(found, resamples=9999, seed=1).intervals["E+"]
        mean = np.mean(runs)
        stretched = mean + (np.array(runs) - mean) * math.sqrt(5 / 4)
        judge = stats.bootstrap(
            (stretched,), np.mean, n_resamples=9999, method="basic", rng=np.random.default_rng(7)
        ).confidence_interval
        assert ends == pytest.approx((judge.low, judge.high), abs=0.15)

    def test_runs_stay_within_target_and_direction(self):
        """Cells that are far apart never mix: no resampled mean leaves its cell's range."""
        far = Deviations([0.1, 0.2], [[0, 1, 2], [100, 101, 102]], [[-50, -50, -50], [7, 7, 7]])
        figure = resampled(far, factor=2.0, resamples=500, seed=0)
        E = figure[SYMBOLS.index("E+")]
        width = math.sqrt(3 / 2) + 1e-9  # the runs are stretched about their mean
        assert 100 - 2 * width <= E.min() < 100 < E.max() <= 100 + 2 * width
        assert np.all(figure[SYMBOLS.index("R-")] == 0.0)


class TestIntervals:
    def test_the_seed_decides(self):
        found = evaluate(drawn(np.random.default_rng(2)))
        once, again, other = (uncertainty(found, seed=seed).intervals for seed in (0, 0, 1))
        assert once == again != other
        for symbol in SYMBOLS:
            width = once[symbol][1] - once[symbol][0]
            assert other[symbol] == pytest.approx(once[symbol], abs=0.15 * width)

    def test_they_hold_what_they_should(self):
        """Against the figures of endless runs, which follow from the means and scatters drawn."""
        truth = figures(*MEANS, *SCATTER)
        rng = np.random.default_rng(11)
        trials, held, outside = 120, dict.fromkeys(SYMBOLS, 0), dict.fromkeys(SYMBOLS, 0)
        for _ in range(trials):
            found = evaluate(drawn(rng))
            intervals = uncertainty(found, resamples=300, seed=1).intervals
            for symbol, (low, high) in intervals.items():
                held[symbol] += low <= truth[symbol] <= high
                outside[symbol] += not low <= found.symbols[symbol] <= high
        # 0.83 to 0.97 in long trials; three standard errors of 120 trials are 0.10
        assert min(held.values()) >= 0.73 * trials, held
        assert min(held.values()) < trials  # they are not merely wide
        assert max(outside.values()) <= 0.1 * trials, outside

    def test_more_runs_narrow_them(self):
        rng = np.random.default_rng(5)
        few, many = (
            uncertainty(evaluate(drawn(rng, runs)), resamples=500).intervals["Bmean"]
            for runs in (5, 80)
        )
        # as one over the root of the runs: 4 times, give or take
        assert 2.5 < (few[1] - few[0]) / (many[1] - many[0]) < 6.5

    def test_a_higher_level_widens_them(self):
        found = evaluate(drawn(np.random.default_rng(6)))
        narrow, wide = (uncertainty(found, level=level).intervals for level in (0.8, 0.99))
        for symbol in SYMBOLS:
            assert wide[symbol][0] <= narrow[symbol][0] < narrow[symbol][1] <= wide[symbol][1]

    def test_sizes_stay_sizes(self):
        """No interval of a size reaches below zero; that of the mean reversal may."""
        rng = np.random.default_rng(8)
        x = UM * rng.standard_normal((2, 5, 2))
        found = uncertainty(evaluate(Deviations(POSITIONS[:5], x[0], x[1]))).intervals
        assert all(found[symbol][0] >= 0.0 for symbol in SYMBOLS if symbol != "Bmean")
        assert found["Bmean"][0] < 0.0

    def test_none_without_scatter_to_draw_from(self):
        long = Deviations([0.0, 2.5], [[1.0], [2.0]], [[1.0], [2.0]])
        assert uncertainty(evaluate(long)) is None

    @pytest.mark.parametrize("options", [{"level": 1.0}, {"level": 0.0}, {"resamples": 0}])
    def test_refused(self, options):
        with pytest.raises(servosim.ParameterError):
            uncertainty(evaluate(drawn(np.random.default_rng(0))), **options)
