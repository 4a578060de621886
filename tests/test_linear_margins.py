"""Margins of loops against textbooks, closed forms and python-control."""

import control
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from servosim.errors import ParameterError
from servosim.linear.margins import margins

HALF_POWER = -10.0 * np.log10(2.0)  # dB


def of(system):
    """Return the margins of a python-control loop, its stability told by its own poles."""
    poles = system.poles()
    T = system.dt or 0.0
    size = np.abs(poles[np.abs(poles) > 1e-9]) if not T else np.ones(1)
    top = np.pi / T if T else 100.0 * max(size.max(initial=1.0), 1.0)
    grid = np.geomspace(1e-5 * top, top, 800)
    own = np.abs(np.log(poles[poles != 0.0]) / T).real if T else np.abs(poles)
    own = own[(own > grid[0]) & (own < top)]
    near = (own[:, None] * (1.0 + np.linspace(-0.02, 0.02, 21))).ravel()
    grid = np.unique(np.concatenate([grid, near[near < top]]))

    def response(omega, rows=None):
        s = np.exp(1j * omega * T) if T else 1j * omega
        return np.asarray(system(s)).reshape(np.shape(omega))

    closed = control.feedback(system, 1).poles()
    stable = np.all(np.abs(closed) < 1.0) if T else np.all(closed.real < 0.0)
    return margins(response(grid)[None], grid, response, stable=[stable])


def third_order(K_v, omega, zeta):
    """Return the position loop of an axis with one oscillation."""
    s = control.tf("s")
    return control.ss(K_v / (s * (s**2 / omega**2 + 2.0 * zeta * s / omega + 1.0)))


class TestPublishedLoops:
    def test_six_decibels_are_half_of_the_limit(self):
        # Wang, ch. 4 problem 1 (p. 80): w_h = 320 rad/s, zeta = 0.2; limit 128 1/s, 6 dB: 64 1/s
        m = of(third_order(64.0, 320.0, 0.2))
        assert m.gain_margin[0] * 64.0 == pytest.approx(128.0, rel=1e-9)
        assert m.gain_frequency[0] == pytest.approx(320.0, rel=1e-9)
        assert 20.0 * np.log10(m.gain_margin[0]) == pytest.approx(6.0206, abs=1e-4)

    def test_motor_with_lead_screw(self):
        # Wang, ch. 6 problem 1 (p. 139): w_h = 100 rad/s, zeta = 0.225; marginal at 45 1/s,
        # 6 dB at 22.5 1/s
        assert of(third_order(22.5, 100.0, 0.225)).gain_margin[0] == pytest.approx(2.0, rel=1e-9)
        assert bool(of(third_order(44.99, 100.0, 0.225)).stable[0])
        unstable = of(third_order(45.01, 100.0, 0.225))
        assert not unstable.stable[0]
        assert unstable.gain_margin[0] == pytest.approx(45.0 / 45.01, rel=1e-9)

    def test_rule_of_a_third(self):
        # Esposito, ex. 17-1 (p. 610): open-loop gain w_H/3 with w_H = 259.9 rad/s, 86.6 1/s.
        # With the limit 2 zeta w_h it has a gain margin of 6 zeta, so that zeta = 1/3 gives 6 dB
        assert of(third_order(86.63, 259.9, 1.0 / 3.0)).gain_margin[0] == pytest.approx(
            2.0, rel=1e-3
        )

    def test_butterworth(self):
        # zeta = 1/sqrt 2, K_v = w_h/(2 sqrt 2): half power at exactly w_h/sqrt 2, no resonance
        # (Butterworth polynomial of third order, from memory)
        m = of(third_order(100.0 / np.sqrt(8.0), 100.0, np.sqrt(0.5)))
        assert m.bandwidth[0] == pytest.approx(100.0 / np.sqrt(2.0), rel=1e-8)
        assert (m.resonance_peak[0], m.resonance_frequency[0]) == (1.0, 0.0)

    def test_caution_for_light_damping(self):
        # the rule K_v = 0.3 to 0.4 w_h is unstable for zeta = 0.1, whose limit is 0.2 w_h
        assert not of(third_order(0.3 * 100.0, 100.0, 0.1)).stable[0]


class TestClosedForms:
    @pytest.mark.parametrize("K, dead", [(10.0, 0.05), (3.0, 0.2)])
    def test_integrator_with_dead_time(self, K, dead):
        def loop(omega, rows=None):
            return K * np.exp(-1j * omega * dead) / (1j * omega)

        grid = np.linspace(0.01, 60.0 / dead, 4000)
        m = margins(loop(grid)[None], grid, loop, stable=[True])
        assert m.gain_margin[0] == pytest.approx(np.pi / (2.0 * K * dead), rel=1e-9)
        assert m.gain_frequency[0] == pytest.approx(np.pi / (2.0 * dead), rel=1e-9)
        assert m.phase_margin[0] == pytest.approx(np.pi / 2.0 - K * dead, rel=1e-9)
        assert m.phase_frequency[0] == pytest.approx(K, rel=1e-9)
        assert m.delay_margin[0] == pytest.approx((np.pi / 2.0 - K * dead) / K, rel=1e-9)

    def test_conditionally_stable(self):
        # s^3 + K (s + 1)^2: Routh asks for K > 1/2
        s = control.tf("s")
        m = of(control.ss(2.0 * (s + 1.0) ** 2 / s**3))
        assert m.gain_margin[0] == np.inf
        assert m.gain_margin_low[0] == pytest.approx(0.25, rel=1e-9)

    def test_unstable_plant(self):
        # K/(s - 1) is stable for K > 1; its Nyquist curve is a circle through -K
        m = of(control.ss([[1.0]], [[1.0]], [[3.0]], [[0.0]]))
        assert m.gain_margin[0] == np.inf
        assert m.gain_margin_low[0] == pytest.approx(1.0 / 3.0, rel=1e-6)
        assert m.phase_margin[0] == pytest.approx(np.arctan(np.sqrt(8.0)), rel=1e-9)
        assert m.maximum_sensitivity[0] == pytest.approx(1.0, abs=1e-3)

    def test_sampled_integrator_meets_its_limit_at_half_the_sampling_rate(self):
        # the closed loop's pole 1 - K leaves the circle at -1, for K = 2
        m = of(control.ss([[1.0]], [[1.0]], [[0.5]], [[0.0]], 0.001))
        assert m.gain_margin[0] == pytest.approx(4.0, rel=1e-12)
        assert m.gain_frequency[0] == pytest.approx(np.pi / 0.001, rel=1e-12)

    def test_sensitivity_and_resonance_of_second_order(self):
        # L = w^2/(s (s + 2 zeta w)): the closed loop's peak is 1/(2 zeta sqrt(1 - zeta^2)) at
        # w sqrt(1 - 2 zeta^2), its crossover and phase margin have closed forms too
        w, zeta = 30.0, 0.2
        s = control.tf("s")
        m = of(control.ss(w**2 / (s * (s + 2.0 * zeta * w))))
        assert m.resonance_peak[0] == pytest.approx(
            1.0 / (2.0 * zeta * np.sqrt(1.0 - zeta**2)), rel=1e-9
        )
        assert m.resonance_frequency[0] == pytest.approx(w * np.sqrt(1.0 - 2.0 * zeta**2), rel=1e-5)
        over = np.sqrt(np.sqrt(4.0 * zeta**4 + 1.0) - 2.0 * zeta**2)
        assert m.phase_frequency[0] == pytest.approx(w * over, rel=1e-9)
        assert m.phase_margin[0] == pytest.approx(np.arctan(2.0 * zeta / over), rel=1e-9)
        band = np.sqrt(1.0 - 2.0 * zeta**2 + np.sqrt(2.0 - 4.0 * zeta**2 + 4.0 * zeta**4))
        assert m.bandwidth[0] == pytest.approx(w * band, rel=1e-6)


def judged(system, m, digits=1e-6):
    """Compare margins with python-control's of all crossings."""
    gains, phases, distances, *_ = control.stability_margins(system, returnall=True)
    gains, distances = np.asarray(gains), np.asarray(distances)
    above, below = gains[gains > 1.0], gains[gains < 1.0]
    turns = np.abs((np.deg2rad(np.asarray(phases)) + np.pi) % (2.0 * np.pi) - np.pi)
    assert m.gain_margin[0] == pytest.approx(above.min(initial=np.inf), rel=digits)
    assert m.gain_margin_low[0] == pytest.approx(
        below.max(initial=0.0), rel=10.0 * digits, abs=1e-9
    )
    assert m.phase_margin[0] == pytest.approx(turns.min(initial=np.inf), rel=digits, abs=1e-9)
    if len(distances) and distances.min() < 0.9:
        assert m.maximum_sensitivity[0] == pytest.approx(1.0 / distances.min(), rel=digits)


@st.composite
def loops(draw):
    """Draw a loop with an integrator, oscillations and perhaps zeros, between slow and fast."""
    s = control.tf("s")
    real = st.floats(0.3, 3.0)
    system = draw(st.floats(0.02, 2.0)) / s
    for _ in range(draw(st.integers(1, 2))):
        w, zeta = draw(real), draw(st.floats(0.02, 1.2))
        system *= w**2 / (s**2 + 2.0 * zeta * w * s + w**2)
    if draw(st.booleans()):
        w, zeta = draw(real), draw(st.floats(0.05, 1.0))
        system *= (s**2 + 2.0 * zeta * w * s + w**2) / w**2
    return control.ss(system)


class TestAgainstPythonControl:
    @settings(max_examples=25, deadline=None)
    @given(loops())
    def test_continuous(self, system):
        m = of(system)
        if not m.stable[0]:
            return
        judged(system, m)
        closed = control.feedback(system, 1)
        judge = control.bandwidth(closed, dbdrop=HALF_POWER)
        assert m.bandwidth[0] == pytest.approx(float(judge), rel=1e-2)
        # peaks against their neighbourhood, and against all frequencies of a grid
        for loop, value, at in (
            (control.feedback(1, system), m.maximum_sensitivity[0], m.sensitivity_frequency[0]),
            (closed, m.resonance_peak[0], m.resonance_frequency[0]),
        ):
            wide = np.geomspace(1e-3, 1e2, 1500)
            assert np.abs(loop(1j * wide)).max() <= value * (1.0 + 1e-9)
            if 1e-3 < at < 1e2:
                near = np.abs(loop(1j * at * np.linspace(0.999, 1.001, 101)))
                assert value == pytest.approx(near.max(), rel=1e-6)

    @pytest.mark.parametrize("period", [0.1, 0.3])
    @pytest.mark.parametrize("zeta", [0.15, 0.6])
    def test_sampled(self, zeta, period):
        held = control.c2d(third_order(0.2, 1.0, zeta), period)
        judged(held, of(held), 1e-4)  # of sampled loops the judge may interpolate

    @settings(max_examples=25, deadline=None)
    @given(loops(), st.sampled_from([0.0, 0.1, 0.4]))
    def test_gain_at_the_margin_puts_a_pole_on_the_limit(self, system, period):
        if period:
            system = control.c2d(system, period)
        m = of(system)
        if not (m.stable[0] and m.gain_margin[0] < 1e3):
            return
        poles = control.feedback(m.gain_margin[0] * system, 1).poles()
        beyond = np.abs(poles) - 1.0 if period else poles.real
        assert np.max(beyond) == pytest.approx(0.0, abs=1e-6)
        turning = poles[np.argmax(beyond)]
        at = np.abs(np.angle(turning)) / period if period else np.abs(turning.imag)
        assert at == pytest.approx(m.gain_frequency[0], rel=1e-4)

    @settings(max_examples=25, deadline=None)
    @given(loops())
    def test_dead_time_at_the_margin_puts_the_loop_through_minus_one(self, system):
        m = of(system)
        if not (m.stable[0] and np.isfinite(m.delay_margin[0])):
            return
        delay = m.delay_margin[0]

        def distance(log_omega, L=None):
            w = np.exp(log_omega)
            L = system(1j * w) if L is None else L
            return np.abs(1.0 + L * np.exp(-1j * w * delay))

        x = np.log(np.geomspace(1e-3, 1e2, 3000))
        L = system(1j * np.exp(x))
        # where |L| crosses one, no smaller dead time reaches -1
        log = np.log(np.abs(L))
        k = np.flatnonzero(log[1:] * log[:-1] < 0.0)
        at = np.exp(x[k] - log[k] * (x[k + 1] - x[k]) / (log[k + 1] - log[k]))
        left = np.angle(-system(1j * at)) % (2.0 * np.pi) / at
        assert delay <= np.min(left) * (1.0 + 1e-2) + 1e-4
        # and this one does, somewhere
        found = []
        for k in np.argsort(distance(x, L))[:3]:
            low, high = x[max(k - 1, 0)], x[min(k + 1, len(x) - 1)]
            search = optimize.minimize_scalar(
                distance, bounds=(low, high), method="bounded", options={"xatol": 1e-10}
            )
            found.append(search.fun)
        assert min(found) < 1e-5


class TestConventions:
    def test_delay_margin_is_phase_margin_over_crossover_of_a_single_crossing(self):
        m = of(third_order(20.0, 100.0, 0.5))
        assert m.delay_margin[0] == pytest.approx(m.phase_margin[0] / m.phase_frequency[0])

    def test_of_an_unstable_loop_no_figure_looks_good(self):
        m = of(third_order(100.0, 100.0, 0.2))
        assert not m.stable[0]
        assert m.gain_margin[0] == pytest.approx(0.4, rel=1e-9)
        assert (m.gain_margin_low[0], m.delay_margin[0]) == (1.0, 0.0)
        assert m.phase_margin[0] < 0.0
        assert m.maximum_sensitivity[0] == m.resonance_peak[0] == np.inf
        assert np.isnan(m.bandwidth[0])

    def test_a_loop_that_never_reaches_one_has_no_phase_margin_to_lose(self):
        m = of(control.ss([[-1.0]], [[1.0]], [[0.5]], [[0.0]]))
        assert m.gain_margin[0] == m.phase_margin[0] == m.delay_margin[0] == np.inf
        assert np.isnan(m.gain_frequency[0])
        assert np.isnan(m.phase_frequency[0])

    def test_many_loops_are_each_by_themselves(self):
        systems = [third_order(K, 100.0, 0.3) for K in (5.0, 20.0, 40.0, 80.0)]
        grid = np.geomspace(0.01, 1e4, 300)

        def loop(omega, rows):
            return np.array([systems[k](1j * w) for w, k in zip(omega, rows, strict=True)])

        whole = margins(
            np.array([s(1j * grid) for s in systems]), grid, loop, stable=[True, True, True, False]
        )
        for k, system in enumerate(systems):
            alone = of(system)
            for name in ("gain_margin", "phase_margin", "maximum_sensitivity", "bandwidth"):
                expected = getattr(alone, name)[0]
                assert getattr(whole, name)[k] == pytest.approx(expected, rel=1e-6, nan_ok=True)

    def test_without_a_function_the_grid_decides(self):
        system = third_order(20.0, 100.0, 0.3)
        grid = np.geomspace(0.1, 1e4, 2000)
        m = margins(system(1j * grid)[None], grid, stable=[True])
        exact = of(system)
        for name in ("gain_margin", "phase_margin", "delay_margin", "maximum_sensitivity"):
            assert getattr(m, name)[0] == pytest.approx(getattr(exact, name)[0], rel=1e-3)

    def test_a_sharp_peak_between_coarse_frequencies_is_found(self):
        # 4 % from the limit of stability the sensitivity's peak is narrower than the grid
        system = third_order(0.96 * 2.0 * 0.05 * 100.0, 100.0, 0.05)
        grid = np.geomspace(0.1, 1e4, 120)
        loop = lambda w, rows=None: np.asarray(system(1j * w)).reshape(np.shape(w))  # noqa: E731
        m = margins(loop(grid)[None], grid, loop, stable=[True])
        at = m.sensitivity_frequency[0]
        for span in (0.05, 1e-3):
            near = at * np.linspace(1.0 - span, 1.0 + span, 1001)
            peak = np.abs(control.feedback(1, system)(1j * near)).max()
            assert peak <= m.maximum_sensitivity[0] * (1.0 + 1e-9)
        assert m.maximum_sensitivity[0] == pytest.approx(peak, rel=1e-6)

    def test_without_peaks_the_margins_are_the_same(self):
        system = third_order(20.0, 100.0, 0.3)
        grid = np.geomspace(0.1, 1e4, 200)
        L = system(1j * grid)[None]
        loop = lambda w, rows=None: np.asarray(system(1j * w)).reshape(np.shape(w))  # noqa: E731
        quick = margins(L, grid, loop, stable=[True], peaks=False)
        full = margins(L, grid, loop, stable=[True])
        assert quick.gain_margin[0] == full.gain_margin[0]
        assert quick.phase_margin[0] == full.phase_margin[0]
        assert np.isnan(quick.maximum_sensitivity[0])


class TestFaults:
    def test_shapes(self):
        with pytest.raises(ParameterError, match=r"omega has shape \(4,\)"):
            margins(np.ones((1, 3)), [1.0, 2.0, 3.0, 4.0], stable=[True])

    @pytest.mark.parametrize("grid", [[3.0, 2.0, 1.0], [0.0, 1.0, 2.0]])
    def test_frequencies(self, grid):
        with pytest.raises(ParameterError, match="growing, positive frequencies"):
            margins(np.ones((1, 3)), grid, stable=[True])


class TestBetweenFrequencies:
    """Pairs of crossings that no frequency of the grid tells of."""

    def test_a_peak_that_just_passes_one(self):
        """Third-order loop whose resonance rises to 1.02 between two frequencies."""
        zeta = 0.005
        size = np.poly1d([1.0, 0.0, 4.0 * zeta**2 - 2.0, 0.0, 1.0, 0.0, 0.0])  # |s (s2 + 2zs + 1)|2
        places = np.linspace(0.99, 1.01, 200001)
        K = 1.02 * np.sqrt(np.min(size(places)))

        def loop(w, rows=None):
            return K / (1j * w * (1.0 - w * w + 2j * zeta * w))

        grid = np.concatenate(
            [np.geomspace(1e-3, 0.99, 40), [0.998, 1.003], np.geomspace(1.02, 90)]
        )
        assert not np.any(np.abs(loop(grid[(grid > 0.1)])) >= 1.0)
        found = margins(loop(grid)[None], grid, loop, stable=[True])
        # |L| = 1 is a polynomial in w; the phase margin is the least of its roots
        roots = (size - K * K).roots
        roots = np.sort(roots[(np.abs(roots.imag) < 1e-9) & (roots.real > 0.0)].real)
        assert len(roots) == 3
        turns = np.abs(np.angle(-loop(roots)))
        assert found.phase_margin[0] == pytest.approx(np.min(turns), rel=1e-6)
        assert found.phase_frequency[0] == pytest.approx(roots[np.argmin(turns)], rel=1e-6)
        delays = np.mod(np.angle(-loop(roots)), 2.0 * np.pi) / roots
        assert found.delay_margin[0] == pytest.approx(np.min(delays), rel=1e-6)

    def test_a_notch_that_just_falls_below_one(self):
        """In x = log w the size is exp((x - x0)^2 - d): one at x0 -+ sqrt(d)."""
        d, middle = 1e-4, np.log(10.3)

        def loop(w, rows=None):
            x = np.log(w) - middle
            return np.exp(x * x - d + 1j * (np.pi - 1.0 - x))

        grid = np.geomspace(1.0, 100.0, 25)
        assert np.all(np.abs(loop(grid)) > 1.0)
        found = margins(loop(grid)[None], grid, loop, stable=[True], peaks=False)
        assert found.phase_margin[0] == pytest.approx(1.0 - np.sqrt(d), rel=1e-6)

    @pytest.mark.parametrize("side", [1.0, -1.0])
    def test_a_bend_that_just_passes_180_degrees(self, side):
        """The imaginary part is ((x - x0)^2 - d) of one sign but near x0, the real one -0.5 + x."""
        d, middle = 1e-4, np.log(10.5)

        def loop(w, rows=None):
            x = np.log(w) - middle
            return -0.5 + 0.1 * x + 1j * side * (x * x - d)

        grid = np.geomspace(8.0, 13.0, 9)
        assert len(set(np.sign(loop(grid).imag))) == 1
        found = margins(loop(grid)[None], grid, loop, stable=[True], peaks=False)
        assert found.gain_margin[0] == pytest.approx(1.0 / (0.5 + 0.1 * np.sqrt(d)), rel=1e-6)
        assert np.log(found.gain_frequency[0]) == pytest.approx(middle - np.sqrt(d), rel=1e-6)

    def test_nothing_is_found_where_a_peak_stays_below(self):
        zeta = 0.005

        def loop(w, rows=None):
            return 0.98 * 2.0 * zeta / (1j * w * (1.0 - w * w + 2j * zeta * w))

        grid = np.concatenate(
            [np.geomspace(1e-3, 0.99, 40), [0.998, 1.003], np.geomspace(1.02, 90)]
        )
        found = margins(loop(grid)[None], grid, loop, stable=[True])
        assert found.phase_frequency[0] == pytest.approx(0.98 * 2.0 * zeta, rel=1e-3)
