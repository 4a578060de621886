"""Margins of many loops at once: crossings and peaks found on a grid and refined by search.

A loop is given by its frequency response L, with the sign of the feedback taken out, so that the
closed loop is 1/(1 + L). Whether it is stable is told by the eigenvalues of the closed loop, not by
its margins.

Definitions. At every frequency where L is real and negative, the gain times ``1/|L|`` puts an
eigenvalue on the limit of stability; the gain margin is the smallest of these factors above one,
the low gain margin the largest below one. At every frequency where ``|L| = 1`` the phase of L may
turn by its distance from -180 degrees, either way; the smallest turn is the phase margin. A dead
time turns one way only, in proportion to frequency: the smallest that takes one of the crossings to
-180 degrees is the delay margin. The maximum sensitivity is the largest ``|1/(1 + L)|``, one over
the smallest distance of L from -1. Bandwidth and resonance are those of ``L/(1 + L)``.

Of a sampled loop the frequencies end at Nyquist's, where L is real. Its delay margin is that of the
response at the crossing, as in the textbooks.

Sources. K. J. Astrom and R. M. Murray, *Feedback Systems*, 2nd ed. 2021, section 10.3 (gain and
phase margin as the smallest over all crossings, stability margin), from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import elementwise

from servosim.errors import ParameterError
from servosim.linear._hidden_crossings import hidden_crossings

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Rows = NDArray[np.intp]
Flags = NDArray[np.bool_]
Evaluate = Callable[[Array, Rows], ComplexArray]

_LEAST = 1e-8  # of |L|: a crossing below it is none, its factor would be beyond any gain
_REAL = 1e-6  # of |L|: what is imaginary at an end of the frequencies and counts as nothing
_FLAT = 0.02  # slope and phase of a loop that tends to a constant at the lowest frequency
_HALF_POWER = np.sqrt(0.5)
_SLACK = 1.2  # by which a loop may leave the range of its ends between two frequencies
_PEAKS = 2  # local peaks that are searched in each loop
GAIN, PHASE, BAND = 0, 1, 2  # kinds of crossings


@dataclass(frozen=True)
class Margins:
    """Margins of many loops, each array of shape (n,).

    Attributes
    ----------
    stable : ndarray of bool
        Whether the closed loop is stable, by its eigenvalues.
    gain_margin : ndarray
        Factor [-] by which the gain may rise until an eigenvalue lies on the limit of stability;
        infinite if none does. Of an unstable loop the largest factor below one at which one lies
        there, zero if none.
    gain_margin_low : ndarray
        Factor [-] below one to which the gain may fall; zero if to nothing, one if unstable.
    gain_frequency : ndarray
        Frequency of the gain margin [rad/s], nan if there is none.
    phase_margin : ndarray
        Phase [rad] by which the loop may turn either way; infinite if the gain never crosses one.
        Of an unstable loop zero or less.
    phase_frequency : ndarray
        Frequency of the phase margin [rad/s], nan if there is none.
    delay_margin : ndarray
        Dead time [s] that the loop may be given; infinite if any, zero if unstable.
    maximum_sensitivity : ndarray
        Largest |1/(1 + L)| [-], infinite if unstable.
    sensitivity_frequency : ndarray
        Where it lies [rad/s], nan if unstable.
    bandwidth : ndarray
        First frequency [rad/s] at which the closed loop falls to 1/sqrt(2) of its value at rest;
        nan if unstable, infinite if it never does.
    resonance_peak : ndarray
        Largest value of the closed loop over that at rest [-], infinite if unstable.
    resonance_frequency : ndarray
        Where it lies [rad/s], zero if at rest, nan if unstable.
    cut : str
        Where the loop is opened: ``command`` or ``position``, or "".
    """

    stable: Flags
    gain_margin: Array
    gain_margin_low: Array
    gain_frequency: Array
    phase_margin: Array
    phase_frequency: Array
    delay_margin: Array
    maximum_sensitivity: Array
    sensitivity_frequency: Array
    bandwidth: Array
    resonance_peak: Array
    resonance_frequency: Array
    cut: str = ""

    def take(self, rows: Rows | Flags | slice, cut: str | None = None) -> Margins:
        """Return the margins of some of the loops.

        Parameters
        ----------
        rows : index
            Which of them.
        cut : str, optional
            Name of the cut instead of the present one.
        """
        values = {f.name: getattr(self, f.name)[rows] for f in fields(self) if f.name != "cut"}
        return Margins(**values, cut=self.cut if cut is None else cut)


def margins(
    loop: ComplexArray,
    omega: ArrayLike,
    evaluate: Evaluate | None = None,
    *,
    stable: ArrayLike,
    cut: str = "",
    peaks: bool = True,
) -> Margins:
    """Return the margins of loops.

    Parameters
    ----------
    loop : ndarray of complex, shape (n, n_f)
        Open loops, negative feedback taken out [-].
    omega : array_like, shape (n_f,) or (n, n_f)
        Growing, positive frequencies [rad/s], close enough to resolve the loops. Of sampled loops
        the last should be Nyquist's.
    evaluate : callable, optional
        ``evaluate(omega, rows)`` returns the loops at single frequencies [rad/s], all of shape
        (m,). Without it magnitude and phase run straight between the given frequencies.
    stable : array_like of bool, shape (n,)
        Whether each closed loop is stable, by its eigenvalues.
    cut : str, optional
        Where the loops are opened.
    peaks : bool, optional
        Whether sensitivity, bandwidth and resonance are sought too; they are nan otherwise.

    Returns
    -------
    Margins
        One of each kind for each loop.

    Raises
    ------
    ParameterError
        If the shapes don't fit, or frequencies don't grow.

    Examples
    --------
    The third-order loop of a hydraulic axis with half of the gain that makes it unstable has a gain
    margin of two:

    >>> import numpy as np
    >>> omega, zeta, K_v = 320.0, 0.2, 64.0
    >>> def loop(w, rows=None):
    ...     s = 1j * w
    ...     return K_v / (s * (s * s / omega**2 + 2.0 * zeta * s / omega + 1.0))
    >>> grid = np.geomspace(0.1, 1e4, 200)
    >>> found = margins(loop(grid)[None], grid, loop, stable=[True])
    >>> round(float(found.gain_margin[0]), 6), round(float(found.gain_frequency[0]), 3)
    (2.0, 320.0)
    """
    L = np.atleast_2d(np.asarray(loop, dtype=complex))
    n = len(L)
    w = np.asarray(omega, dtype=float)
    ok = np.broadcast_to(np.asarray(stable, dtype=bool), (n,)).copy()
    if w.shape[-1] != L.shape[1] or w.ndim > 2 or (w.ndim == 2 and len(w) != n):
        raise ParameterError(
            f"omega has shape {w.shape} and the loops {L.shape}; give one frequency for each "
            "column of the loops"
        )
    if w.shape[-1] < 3 or not (np.all(np.diff(w, axis=-1) >= 0.0) and np.all(w > 0.0)):
        raise ParameterError("omega: expected at least three growing, positive frequencies")
    w = np.broadcast_to(w, L.shape)
    if evaluate is None:
        evaluate = _between(L, w)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        return _margins(L, w, evaluate, ok, cut, peaks)


def _between(L: ComplexArray, w: Array) -> Evaluate:
    """Return the loops between their frequencies, log of magnitude and phase straight."""
    size, phase, x = np.log(np.abs(L)), np.unwrap(np.angle(L), axis=1), np.log(w)

    def evaluate(omega: Array, rows: Rows) -> ComplexArray:
        found = np.empty(len(rows), dtype=complex)
        for k in np.unique(rows):
            mine = rows == k
            at = np.log(omega[mine])
            found[mine] = np.exp(np.interp(at, x[k], size[k]) + 1j * np.interp(at, x[k], phase[k]))
        return found

    return evaluate


def _margins(
    L: ComplexArray, w: Array, evaluate: Evaluate, stable: Flags, cut: str, peaks: bool
) -> Margins:
    n = len(L)
    T = np.abs(L / (1.0 + L))
    # towards rest an integrator makes the loop endless and the closed loop one
    slope = np.log(np.abs(L[:, 1] / L[:, 0])) / np.log(w[:, 1] / w[:, 0])
    rest = np.where(slope < -0.5, 1.0, T[:, 0])
    rows, kinds, at, values = _crossings(L, T if peaks else None, rest, w, evaluate)

    # gain margins: also an end of the frequencies at which the loop is real
    real = (kinds == PHASE) & (values.real < 0.0) & (np.abs(values) > _LEAST)
    g_rows, g_at, g = rows[real], at[real], 1.0 / np.abs(values[real])
    first, last = L[:, 0], L[:, -1]
    # real and constant towards rest
    starts = (np.abs(slope) <= _FLAT) & (np.abs(first.imag) <= _FLAT * np.abs(first))
    ends = np.abs(last.imag) <= _REAL * np.abs(last)
    for value, here, place in ((first, starts, 0.0 * w[:, 0]), (last, ends, w[:, -1])):
        here = here & (value.real < -_LEAST)
        g_rows = np.concatenate([g_rows, np.flatnonzero(here)])
        g_at = np.concatenate([g_at, place[here]])
        g = np.concatenate([g, -1.0 / value[here].real])
    # what lies on the limit itself counts as having no margin either way
    above = g >= 1.0
    gain, gain_at = _least(n, g_rows[above], g[above], g_at[above], np.inf)
    low, low_at = _least(n, g_rows[~above], 1.0 / g[~above], g_at[~above], np.inf)
    low = 1.0 / low

    one = kinds == GAIN
    turn = np.angle(-values[one])
    phase, phase_at = _least(n, rows[one], np.abs(turn), at[one], np.inf)
    delays = np.mod(turn, 2.0 * np.pi) / at[one]
    delay, _ = _least(n, rows[one], delays, at[one], np.inf)

    nan = np.full(n, np.nan)
    band = worst = worst_at = peak = peak_at = nan
    if peaks:
        band, _ = _least(n, rows[kinds == BAND], at[kinds == BAND], at[kinds == BAND], np.inf)
        worst, worst_at, peak, peak_at = _peaks(L, T, w, evaluate)
        peak = peak / rest
        at_rest = peak <= 1.0 + 1e-9
        peak, peak_at = np.where(at_rest, 1.0, peak), np.where(at_rest, 0.0, peak_at)
    return Margins(
        stable=stable,
        gain_margin=np.where(stable, gain, low),
        gain_margin_low=np.where(stable, low, 1.0),
        gain_frequency=np.where(stable, gain_at, low_at),
        phase_margin=np.where(stable, phase, np.where(np.isfinite(phase), -phase, -np.pi)),
        phase_frequency=phase_at,
        delay_margin=np.where(stable, delay, 0.0),
        maximum_sensitivity=np.where(stable, worst, np.inf),
        sensitivity_frequency=np.where(stable, worst_at, nan),
        bandwidth=np.where(stable, band, nan),
        resonance_peak=np.where(stable, peak, np.inf),
        resonance_frequency=np.where(stable, peak_at, nan),
        cut=cut,
    )


def _least(n: int, rows: Rows, values: Array, at: Array, none: float) -> tuple[Array, Array]:
    """Return the smallest value of each loop and where it lies, nan if there is none."""
    least, place = np.full(n, none), np.full(n, np.nan)
    order = np.argsort(values, kind="stable")[::-1]  # the last one written is the smallest
    least[rows[order]], place[rows[order]] = values[order], at[order]
    return least, place


def _crossings(
    L: ComplexArray, T: Array | None, rest: Array, w: Array, evaluate: Evaluate
) -> tuple[Rows, Rows, Array, ComplexArray]:
    """Return row, kind, frequency and loop of every crossing."""
    over = np.abs(L) >= 1.0
    gain = over[:, 1:] != over[:, :-1]
    up = L.imag >= 0.0
    left = L.real < 0.0
    phase = (up[:, 1:] != up[:, :-1]) & (left[:, 1:] | left[:, :-1])
    phase &= _may_be_least(L, phase)
    band = np.zeros_like(gain)
    if T is not None:
        inside = np.greater_equal(T, _HALF_POWER * rest[:, None])
        falls = inside[:, :-1] & ~inside[:, 1:]
        has = np.any(falls, axis=1)
        band[np.flatnonzero(has), np.argmax(falls, axis=1)[has]] = True

    found = [np.nonzero(flags) for flags in (gain, phase, band)]
    rows = np.concatenate([f[0] for f in found])
    places = np.concatenate([f[1] for f in found])
    kinds = np.repeat(np.arange(3), [len(f[0]) for f in found])
    x = np.log(w)
    hidden = hidden_crossings(L, x, evaluate, (GAIN, PHASE))
    first = np.concatenate([x[rows, places], hidden[2]])
    last = np.concatenate([x[rows, places + 1], hidden[3]])
    rows, kinds = np.concatenate([rows, hidden[0]]), np.concatenate([kinds, hidden[1]])
    if not len(rows):
        return rows, kinds, np.zeros(0), np.zeros(0, dtype=complex)
    limit = np.log(_HALF_POWER * rest[rows])

    def height(x: Array, row: Rows, kind: Rows, level: Array) -> Array:
        value = evaluate(np.exp(x), row)
        log = np.log(np.abs(value))
        closed = log - np.log(np.abs(1.0 + value)) - level
        turned = value.imag / np.abs(value)
        return np.where(kind == GAIN, log, np.where(kind == PHASE, turned, closed))

    sought = elementwise.find_root(
        height,
        (first, last),
        args=(rows, kinds, limit),
        tolerances={"xatol": 1e-11, "xrtol": 1e-13},
    )
    found_x = np.array(sought.x)
    # a crossing at a frequency of the grid itself may lie beside it by rounding
    lost = np.flatnonzero(~np.isfinite(found_x))
    if len(lost):
        ends = np.stack([first[lost], last[lost]])
        args = rows[lost], kinds[lost], limit[lost]
        heights = np.abs([height(end, *args) for end in ends])
        found_x[lost] = np.where(heights[0] <= heights[1], ends[0], ends[1])
    at = np.exp(found_x)
    return rows, kinds, at, evaluate(at, rows)


def _may_be_least(L: ComplexArray, crossed: Flags) -> Flags:
    """Return the intervals whose crossing may be a loop's nearest to one, on either side."""
    size = np.abs(L)
    large = _SLACK * np.maximum(size[:, 1:], size[:, :-1])
    small = np.minimum(size[:, 1:], size[:, :-1]) / _SLACK
    # of the crossings surely below one the largest counts, of those surely above the smallest
    below, above = crossed & (large < 1.0), crossed & (small > 1.0)
    best = np.max(np.where(below, small, 0.0), axis=1, keepdims=True)
    least = np.min(np.where(above, large, np.inf), axis=1, keepdims=True)
    return np.asarray((~below | (large >= best)) & (~above | (small <= least)))


def _peaks(
    L: ComplexArray, T: Array, w: Array, evaluate: Evaluate
) -> tuple[Array, Array, Array, Array]:
    """Return the largest sensitivity and the largest closed loop of each loop, with their places.

    Between two frequencies the loop runs nearly straight: the smallest distance of the straight
    piece from -1 tells which of the local peaks are worth a search.
    """
    n, x = len(L), np.log(w)
    S = 1.0 / np.abs(1.0 + L)
    best_S, best_T = np.argmax(S, axis=1), np.argmax(T, axis=1)
    all_rows = np.arange(n)
    worst, worst_at = S[all_rows, best_S], w[all_rows, best_S]
    peak, peak_at = T[all_rows, best_T], w[all_rows, best_T]

    step = L[:, 1:] - L[:, :-1]
    share = np.clip(-((1.0 + L[:, :-1]) * step.conj()).real / np.abs(step) ** 2, 0.0, 1.0)
    near = np.abs(1.0 + L[:, :-1] + share * step)
    hope = 1.0 / np.minimum(near[:, 1:], near[:, :-1])
    rows_S, places_S = _tops(S, np.where(np.isfinite(hope), hope, S[:, 1:-1]))
    rows_T, places_T = _tops(T, T[:, 1:-1])
    rows = np.concatenate([rows_S, rows_T])
    places = np.concatenate([places_S, places_T])
    if not len(rows):
        return worst, worst_at, peak, peak_at
    kinds = np.repeat([0, 1], [len(rows_S), len(rows_T)])

    def depth(at: Array, row: Rows, kind: Rows) -> Array:
        value = evaluate(np.exp(at), row)
        log = np.log(np.abs(1.0 + value))
        return np.where(kind == 0, log, log - np.log(np.abs(value)))

    sought = elementwise.find_minimum(
        depth,
        (x[rows, places - 1], x[rows, places], x[rows, places + 1]),
        args=(rows, kinds),
        tolerances={"xatol": 1e-7, "xrtol": 1e-9, "fatol": 1e-13, "frtol": 1e-13},
    )
    heights, at = np.exp(-sought.f_x), np.exp(sought.x)
    for kind, top, place in ((0, worst, worst_at), (1, peak, peak_at)):
        mine = (kinds == kind) & np.isfinite(heights)
        depths, where = _least(n, rows[mine], -heights[mine], at[mine], np.inf)
        better = -depths > top
        top[better], place[better] = -depths[better], where[better]
    return worst, worst_at, peak, peak_at


def _tops(values: Array, hope: Array) -> tuple[Rows, Rows]:
    """Return row and place of the inner local peaks of the greatest hope, a few in each row."""
    middle = values[:, 1:-1]
    local = (middle >= values[:, :-2]) & (middle >= values[:, 2:])
    local &= (middle > values[:, :-2]) | (middle > values[:, 2:])
    rows, places = np.nonzero(local)
    order = np.lexsort((-hope[rows, places], rows))
    rows, places = rows[order], places[order]
    first = np.searchsorted(rows, rows)  # rows are sorted: place of each row's best
    kept = np.arange(len(rows)) - first < _PEAKS
    return rows[kept], places[kept] + 1
