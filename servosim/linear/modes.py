"""Plants as sums of their modes: their answer to a command or a thrust at any frequency, quickly.

With the eigenvectors V of a plant's matrix its answer is ``sum_m (C V)_m (V^-1 B)_m k_m``. The
kernel k_m of a mode is ``1/(j omega - lambda_m)``, or, for a command that a sampled controller
holds, its exact counterpart in ``z = exp(j omega T)``. One product of matrices gives all
frequencies of all plants. Where eigenvectors nearly coincide, as with a critically damped valve,
the sum loses digits: the matrix of such a plant is changed by some 1e-10 of its numbers, which
parts the eigenvalues. Each plant is checked against direct solutions, and one whose sum is off is
solved directly everywhere.

The null of the valve shifts with supply pressure. Of a sampled controller this shift is held with
the command: the plant answers as if its command were multiplied by ``1/(1 - b P)``, P being the
supply pressure at the time of the command over the held command.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from servosim.linear.exponentials import matrix_exponentials
from servosim.linear.plants import Plants
from servosim.linear.sampling import state_scales
from servosim.linear.timing import Timing, timing_of

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Rows = NDArray[np.intp]

READINGS = ("scale_reading", "pressure_reading_a", "pressure_reading_b")
SEEN = (*READINGS, "table_position")
_ALL = (*SEEN, "supply_pressure")
_DIGITS = 1e-8  # of an answer that the sum of modes should not lose
_LOST = 1e-6  # of an answer: beyond it a plant is solved directly
_PARTINGS = (1e-11, 1e-10, 1e-9)  # relative changes of a matrix whose eigenvalues coincide


class Answers(NamedTuple):
    """What an input does: now, with the scale's delay, and when the command acts; any may lack."""

    now: Any
    late: Any
    acting: Any


@dataclass(frozen=True)
class Modes:
    """Many plants by their modes.

    Attributes
    ----------
    eigenvalues : ndarray of complex, shape (n, n_x)
        Poles of the plants [1/s].
    weights : ndarray of complex, shape (n, 2, 5, n_x)
        Weight of each mode, for command and thrust, in each of ``SEEN`` and the supply pressure.
    A, B, C : ndarray, shapes (n, n_x, n_x), (n, n_x, 2), (n, 5, n_x)
        Matrices of the plants, states in units of their usual size; of a sampled controller
        without the shift of the null.
    shift : ndarray, shape (n,)
        Slope of the null over supply pressure that is held with the command [1/Pa].
    direct : ndarray of int
        Plants whose modes would lose digits.
    timing : Timing
        Of the controller.
    """

    eigenvalues: ComplexArray
    weights: ComplexArray
    A: Array
    B: Array
    C: Array
    shift: Array
    direct: Rows
    timing: Timing

    def channels(self, mix: Array | None = None, *, thrust: bool = False) -> Channels:
        """Return sums of the outputs as functions of frequency.

        Parameters
        ----------
        mix : ndarray, shape (n, n_o, 4), optional
            Weights [-] of ``SEEN`` in each channel, the scale's reading not mixed with others;
            each output by itself if not given.
        thrust : bool, optional
            Whether the input is the thrust instead of the command.

        Returns
        -------
        Channels
            To be called with frequencies.
        """
        n = len(self.A)
        if mix is None:
            mix = np.broadcast_to(np.eye(len(SEEN)), (n, len(SEEN), len(SEEN)))
        scale = np.flatnonzero(np.any(mix[:, :, 0] != 0.0, axis=0))
        return Channels(self, thrust, mix, mix @ self.weights[:, int(thrust), :4], scale)

    def kernels(self, omega: Array, rows: Rows | None, thrust: bool) -> Answers:
        """Return what each mode answers.

        Parameters
        ----------
        omega : ndarray, shape (n, 1, n_f), or (m, 1) with rows
            Frequencies [rad/s].
        rows : ndarray of int, shape (m,), optional
            Plant of each frequency.
        thrust : bool
            Whether the input is the thrust, which isn't held between samples.

        Returns
        -------
        Answers
            Of shape (n, n_x, n_f), or (m, n_x) with rows.
        """
        T, d, D = self.timing
        s = 1j * omega
        shifts = bool(np.any(self.shift != 0.0))

        def at(values: ComplexArray) -> ComplexArray:
            return values[:, :, None] if rows is None else values[rows]

        if thrust or T == 0.0:
            now = 1.0 / (s - at(self.eigenvalues))
            late = now * np.exp(-s * D) if D > 0.0 else None
            return Answers(now, late, now * np.exp(s * d) if shifts else None)
        grown, first, second, to_command, early, since, h0, h1 = self._held
        z = np.exp(s * T)
        now = (at(first) * z + at(second)) / (z * (z - at(grown)))
        acting = at(to_command) * now + at(early) / z if shifts else None
        if D == 0.0:
            return Answers(now, None, acting)
        whole, part = _whole_and_part(D, T)
        if part == 0.0:
            return Answers(now, now / z**whole, acting)
        late = (at(since) * now + at(h0) + at(h1) / z) / z ** (whole + 1)
        return Answers(now, late, acting)

    @cached_property
    def _held(self) -> tuple[ComplexArray, ...]:
        """What becomes of the modes between samples, each of shape (n, n_x).

        Growth over a period; effect of a new command and of the one before it at the next sample;
        growth until a command acts, and effect of the one before it by then; the same three until
        the scale is read, if that lies between samples.
        """
        lam, (T, d, D) = self.eigenvalues, self.timing
        early = _risen(lam, d)
        second = np.exp(lam * (T - d)) * early
        since = T - _whole_and_part(D, T)[1]
        h0, h1 = 0.0 * lam, _risen(lam, since)
        if since > d:
            h0, h1 = _risen(lam, since - d), np.exp(lam * (since - d)) * early
        times = np.exp(lam * T), _risen(lam, T - d), second, np.exp(lam * d), early
        return *times, np.exp(lam * since), h0, h1

    def solved(self, k: int, omega: Array, thrust: bool) -> Answers:
        """Return what the states of one plant answer, solved without its modes.

        Parameters
        ----------
        k : int
            The plant.
        omega : ndarray, shape (m,)
            Frequencies [rad/s].
        thrust : bool
            Whether the input is the thrust.

        Returns
        -------
        Answers
            Of shape (m, n_x).
        """
        A, B = self.A[k], self.B[k][:, [int(thrust)]]
        T, d, D = self.timing
        s = 1j * omega[:, None, None]
        eye = np.eye(len(A))
        if thrust or T == 0.0:
            now = np.linalg.solve(s * eye - A, np.broadcast_to(B, (len(omega), *B.shape)))
            now = now[:, :, 0]
            s = s[:, :, 0]
            return Answers(now, now * np.exp(-s * D), now * np.exp(s * d))
        back = np.exp(-s * T)
        over, _ = _transition(A, B, T)
        after, first = _transition(A, B, T - d)
        to_command, early = _transition(A, B, d)
        now = np.linalg.solve(eye / back - over, first + after @ early * back)
        acting = to_command @ now + early * back
        whole, part = _whole_and_part(D, T)
        late = now * back**whole
        if part > 0.0:
            since = T - part
            over, h1 = _transition(A, B, since)
            h0 = 0.0 * h1
            if since > d:
                after, h0 = _transition(A, B, since - d)
                h1 = after @ early
            late = (over @ now + h0 + h1 * back) * back ** (whole + 1)
        return Answers(now[:, :, 0], late[:, :, 0], acting[:, :, 0])


@dataclass(frozen=True)
class Channels:
    """Chosen sums of the outputs of plants, as functions of frequency; see :meth:`Modes.channels`.

    Attributes
    ----------
    modes : Modes
        The plants.
    thrust : bool
        Whether the input is the thrust instead of the command.
    mix : ndarray, shape (n, n_o, 4)
        Weights of ``SEEN`` in each channel.
    residues : ndarray of complex, shape (n, n_o, n_x)
        Weight of each mode in each channel.
    scale : ndarray of int
        Channels that hold the scale's reading, which alone has a transport delay.
    """

    modes: Modes
    thrust: bool
    mix: Array
    residues: ComplexArray
    scale: Rows

    def __call__(self, omega: Array, rows: Rows | None = None) -> ComplexArray:
        """Return the answers.

        Parameters
        ----------
        omega : ndarray, shape (n, n_f), or (m,) with rows
            Frequencies [rad/s].
        rows : ndarray of int, shape (m,), optional
            Plant of each frequency.

        Returns
        -------
        ndarray of complex, shape (n, n_o, n_f), or (m, n_o) with rows
            SI unit of the output over the command [-] or the thrust [N].
        """
        m = self.modes
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            found = self._summed(omega, rows)
        for k in m.direct:
            if rows is None:
                found[k] = self._solved(int(k), omega[k]).T
            elif np.any(rows == k):
                found[rows == k] = self._solved(int(k), omega[rows == k])
        return found

    def _summed(self, omega: Array, rows: Rows | None) -> ComplexArray:
        m, whole = self.modes, rows is None
        w = omega[:, None, :] if whole else omega[:, None]

        def times(weights: ComplexArray, kernel: ComplexArray) -> Any:
            """Return the sums over the modes: (n, n_o, n_f), or (m, n_o) with rows."""
            if whole:
                return weights @ kernel
            return np.einsum("kox,kx->ko", weights[rows], kernel)

        answers = m.kernels(w, rows, self.thrust)
        found = times(self.residues, answers.now)
        if answers.late is not None and len(self.scale):
            found[:, self.scale] = times(self.residues[:, self.scale], answers.late)
        if answers.acting is None:
            return np.asarray(found)
        b = m.shift[:, None, None] if whole else m.shift[rows][:, None]
        moved = b * times(m.weights[:, int(self.thrust), 4:], answers.acting)
        if not self.thrust:
            return np.asarray(found / (1.0 - moved))
        return np.asarray(found + replace(self, thrust=False, residues=self._of_command())(
            omega, rows) * moved)  # fmt: skip

    def _of_command(self) -> ComplexArray:
        return np.asarray(self.mix @ self.modes.weights[:, 0, :4])

    def _solved(self, k: int, omega: Array) -> ComplexArray:
        """Return the answers of one plant without its modes, shape (m, n_o)."""
        m = self.modes
        C, b, p_S = self.mix[k] @ m.C[k, :4], m.shift[k], m.C[k, 4]
        answers = m.solved(k, omega, self.thrust)
        found = answers.now @ C.T
        found[:, self.scale] = (answers.late @ C.T)[:, self.scale]
        moved = b * (answers.acting @ p_S)[:, None]
        if not self.thrust:
            return np.asarray(found / (1.0 - moved))
        by_command = replace(self, thrust=False, residues=self._of_command())
        return np.asarray(found + by_command._solved(k, omega) * moved)


def _risen(lam: ComplexArray, t: float) -> ComplexArray:
    """Return (exp(lambda t) - 1)/lambda, which is t for lambda = 0."""
    still = lam == 0.0
    safe = np.where(still, 1.0, lam)
    return np.asarray(np.where(still, t, np.expm1(safe * t) / safe))


def _whole_and_part(delay: float, period: float) -> tuple[int, float]:
    """Return a delay as whole periods and the rest, rounding forgiven."""
    whole = int(np.floor(delay / period + 1e-9))
    part = delay - whole * period
    return whole, part if part > 1e-9 * period else 0.0


def _transition(A: Array, B: Array, t: float) -> tuple[Array, Array]:
    """Return the states' transition over a time and the effect of an input held over it."""
    n_x, n_u = B.shape
    joined = np.zeros((n_x + n_u, n_x + n_u))
    joined[:n_x, :n_x], joined[:n_x, n_x:] = A * t, B * t
    grown = matrix_exponentials(joined[None])[0]
    return grown[:n_x, :n_x], grown[:n_x, n_x:]


def modes(plants: Plants) -> Modes:
    """Return plants by their modes, with the timing of their axes.

    Parameters
    ----------
    plants : Plants
        The plants.

    Returns
    -------
    Modes
        From which responses at any frequency follow quickly.

    Raises
    ------
    ParameterError
        If the axes of the points differ in their timing, or there is no point.
    """
    timing = timing_of(plants)
    inputs = [plants.inputs.index("spool_command"), plants.inputs.index("thrust")]
    A, B = plants.A, plants.B[:, :, inputs]
    C = plants.C[:, [plants.outputs.index(name) for name in _ALL]]
    shift = np.zeros(len(A))
    if timing.period > 0.0:
        shift = np.asarray(plants.null_shift_slope, dtype=float)
        A = A - B[:, :, :1] * (shift[:, None] * C[:, 4])[:, None, :]
    # states in units in which they act on one another alike
    scale = state_scales(plants.states)
    A, B, C = A * scale / scale[:, None], B / scale[:, None], C * scale
    lam, weights = _decomposed(A, B, C)
    none = np.zeros(0, dtype=np.intp)
    made = Modes(lam, weights, A, B, C, shift, none, timing)
    losses = _losses(made)
    for part in _PARTINGS:  # eigenvalues that coincide are moved apart by less than anyone knows
        bad = np.flatnonzero(losses > _DIGITS)
        if not len(bad):
            break
        moved = np.random.default_rng(0).standard_normal(A.shape[1:])
        lam_bad, weights_bad = _decomposed(A[bad] * (1.0 + part * moved), B[bad], C[bad])
        tried = Modes(lam_bad, weights_bad, A[bad], B[bad], C[bad], shift[bad], none, timing)
        losses_bad = _losses(tried)
        better = losses_bad < losses[bad]
        chosen = bad[better]
        lam[chosen], weights[chosen] = lam_bad[better], weights_bad[better]
        losses[chosen] = losses_bad[better]
    return replace(made, direct=np.flatnonzero(losses > _LOST))


def _decomposed(A: Array, B: Array, C: Array) -> tuple[ComplexArray, ComplexArray]:
    """Return the eigenvalues of matrices and the weights of the modes from inputs to outputs."""
    # what is nothing beside the rest is rounding, but would mislead the balancing of the matrix
    largest = np.max(np.abs(A), axis=(1, 2), keepdims=True)
    lam, V = np.linalg.eig(np.where(np.abs(A) < 1e-16 * largest, 0.0, A))
    lam, V = lam.astype(complex), V.astype(complex)
    try:
        left = np.linalg.solve(V, B.astype(complex))
    except np.linalg.LinAlgError:  # of one of them: it shows as a loss
        left = np.array([np.linalg.pinv(v) @ b for v, b in zip(V, B, strict=True)])
    return lam, (C @ V)[:, None] * left.swapaxes(1, 2)[:, :, None, :]


def _losses(m: Modes) -> Array:
    """Return how far each plant's sum of modes is from a direct solution, relative to it."""
    size = np.where(m.eigenvalues.imag > 0.0, np.abs(m.eigenvalues), 0.0)
    middle = np.max(size, axis=1)
    middle = np.where(middle > 0.0, middle, 30.0)
    low, high = np.full(len(middle), 0.1), np.full(len(middle), 3e3)
    omega = np.stack([low, np.sqrt(low * middle), middle, high], axis=1)
    s = 1j * omega[:, :, None, None]
    X = np.linalg.solve(s * np.eye(m.A.shape[1]) - m.A[:, None], m.B[:, None].astype(complex))
    exact = (m.C[:, None] @ X).swapaxes(2, 3)  # plant, frequency, input, output
    kernel = 1.0 / (1j * omega[:, None, :] - m.eigenvalues[:, :, None])
    summed = np.einsum("nuox,nxf->nfuo", m.weights, kernel)
    size = np.abs(exact) + 1e-3 * np.max(np.abs(exact), axis=1, keepdims=True)
    # supply pressure moves the command's null alone, which has to be exact beside the command
    with np.errstate(invalid="ignore", divide="ignore"):
        size[..., 4] = (1.0 / np.abs(m.shift))[:, None, None]
        error = np.where(size > 0.0, np.abs(summed - exact) / size, 0.0)
    return np.asarray(np.max(np.where(np.isfinite(error), error, np.inf), axis=(1, 2, 3)))
