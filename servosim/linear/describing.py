"""Describing functions: what a nonlinearity makes of the first harmonic of a sinusoid.

For an input ``A sin(theta)`` the describing function is the complex gain of the output's first
harmonic, ``N(A) = (b + j a)/A`` with ``b = (1/pi) int y sin`` and ``a = (1/pi) int y cos`` over one
period. The loop around it is taken to filter the higher harmonics away, which an axis does the
better, the further its natural frequency and valve lie below three times the frequency of the
cycle. A mean of the output is dropped.

Formulas take amplitudes as floats or arrays and return complex arrays of that shape;
:func:`of_curve` and :func:`of_memory` integrate any nonlinearity numerically.

Sources. A. Gelb, W. E. Vander Velde, *Multiple-Input Describing Functions and Nonlinear System
Design*, McGraw-Hill 1968, app. B; D. P. Atherton, *Nonlinear Control Engineering*, Van Nostrand
Reinhold 1975, ch. 3 (both from memory). Tests integrate each of them.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from servosim.errors import ParameterError

Complex = NDArray[np.complex128]
Array = NDArray[np.float64]

_SAMPLES = 2048  # of a period: a jump of the output is caught to 1e-3 of its height
_SETTLING = 2  # periods after which a play's memory repeats


def _amplitudes(amplitude: ArrayLike) -> Array:
    A = np.asarray(amplitude, dtype=float)
    if not np.all(A > 0.0):
        raise ParameterError(
            f"amplitude {float(np.min(A)):g}: the describing function is a gain over the amplitude "
            "and needs a positive one"
        )
    return A


def _not_negative(name: str, value: float) -> None:
    if not value >= 0.0:
        raise ParameterError(f"{name} {value:g} is negative; give its size, zero or more")


def _within(A: Array, corner: float) -> Array:
    """Return the share of a unit gain that acts within +-corner alone: 1 for small amplitudes."""
    ratio = np.minimum(corner / A, 1.0)
    return 2.0 / np.pi * (np.arcsin(ratio) + ratio * np.sqrt(1.0 - ratio**2))


def two_slopes(amplitude: ArrayLike, corner: float, inner: float, outer: float) -> Complex:
    """Return the describing function of a characteristic with a knee.

    Parameters
    ----------
    amplitude : array_like
        Amplitudes of the input.
    corner : float
        Input at the knee, in units of the amplitude.
    inner, outer : float
        Slopes up to it and beyond it.

    Returns
    -------
    ndarray of complex
        ``outer + (inner - outer) f(corner/A)`` with
        ``f(r) = (2/pi) (asin r + r sqrt(1 - r^2))`` (Gelb and Vander Velde 1968, from memory).

    Raises
    ------
    ParameterError
        If an amplitude isn't positive or the corner is negative.
    """
    _not_negative("corner", corner)
    A = _amplitudes(amplitude)
    return np.asarray(outer + (inner - outer) * _within(A, corner), dtype=complex)


def dead_zone(amplitude: ArrayLike, half_width: float, gain: float = 1.0) -> Complex:
    """Return the describing function of a dead zone with a linear gain beyond it.

    Parameters
    ----------
    amplitude : array_like
        Amplitudes of the input.
    half_width : float
        Half of the zone, in units of the amplitude.
    gain : float, optional
        Slope beyond the zone.

    Returns
    -------
    ndarray of complex
        ``gain (1 - f(half_width/A))``, zero inside the zone; f as in :func:`two_slopes`.

    Raises
    ------
    ParameterError
        If an amplitude isn't positive or the width is negative.
    """
    return two_slopes(amplitude, half_width, 0.0, gain)


def saturation(amplitude: ArrayLike, limit: float, gain: float = 1.0) -> Complex:
    """Return the describing function of a limit.

    Parameters
    ----------
    amplitude : array_like
        Amplitudes of the input.
    limit : float
        Input at which the output stops to grow, in units of the amplitude.
    gain : float, optional
        Slope up to it.

    Returns
    -------
    ndarray of complex
        ``gain f(limit/A)``; f as in :func:`two_slopes`.

    Raises
    ------
    ParameterError
        If an amplitude isn't positive or the limit is negative.
    """
    return two_slopes(amplitude, limit, gain, 0.0)


def relay(
    amplitude: ArrayLike, level: float, dead_zone: float = 0.0, hysteresis: float = 0.0
) -> Complex:
    """Return the describing function of a relay; without zone and hysteresis, of Coulomb friction.

    Parameters
    ----------
    amplitude : array_like
        Amplitudes of the input (of friction: of the velocity).
    level : float
        Size of the output.
    dead_zone : float, optional
        Mean of the inputs at which it switches on and off, in units of the amplitude.
    hysteresis : float, optional
        Half of the way between switching on and off.

    Returns
    -------
    ndarray of complex
        With ``on = dead_zone + hysteresis`` and ``off = dead_zone - hysteresis``:
        ``(2 level/(pi A)) (sqrt(1 - (on/A)^2) + sqrt(1 - (off/A)^2)) - j 4 level h/(pi A^2)``,
        zero where the amplitude doesn't switch it. ``4 level/(pi A)`` without zone and hysteresis
        (Gelb and Vander Velde 1968; Atherton 1975, from memory).

    Raises
    ------
    ParameterError
        If an amplitude isn't positive or a width is negative.
    """
    _not_negative("dead zone", dead_zone)
    _not_negative("hysteresis", hysteresis)
    A = _amplitudes(amplitude)
    on, off = dead_zone + hysteresis, dead_zone - hysteresis
    switches = np.maximum(abs(on), abs(off)) < A
    with np.errstate(invalid="ignore"):
        real = (
            2.0 * level / (np.pi * A) * (np.sqrt(1 - (on / A) ** 2) + np.sqrt(1 - (off / A) ** 2))
        )
    found = np.where(switches, real, 0.0) - 1j * np.where(
        switches, 4.0 * level * hysteresis / (np.pi * A**2), 0.0
    )
    return np.asarray(found, dtype=complex)


def play(amplitude: ArrayLike, half_width: float, gain: float = 1.0) -> Complex:
    """Return the describing function of a play: backlash, hysteresis or threshold of a valve.

    Parameters
    ----------
    amplitude : array_like
        Amplitudes of the input.
    half_width : float
        Half of the free travel, in units of the amplitude.
    gain : float, optional
        Slope while it is driven.

    Returns
    -------
    ndarray of complex
        With ``r = half_width/A``:
        ``gain (1/2 + (asin(1 - 2r) + 2 (1 - 2r) sqrt(r (1 - r)))/pi - j (4/pi) r (1 - r))``, zero
        inside the free travel (Gelb and Vander Velde 1968; Atherton 1975, from memory).

    Raises
    ------
    ParameterError
        If an amplitude isn't positive or the width is negative.
    """
    _not_negative("half width", half_width)
    r = np.minimum(half_width / _amplitudes(amplitude), 1.0)
    c = 1.0 - 2.0 * r
    real = 0.5 + (np.arcsin(c) + 2.0 * c * np.sqrt(r * (1.0 - r))) / np.pi
    return np.asarray(gain * (real - 4j / np.pi * r * (1.0 - r)), dtype=complex)


def quantiser(amplitude: ArrayLike, step: float, *, between: bool = False) -> Complex:
    """Return the describing function of rounding to the nearest step.

    Parameters
    ----------
    amplitude : array_like
        Amplitudes of the input.
    step : float
        Step, in units of the amplitude; zero rounds nothing.
    between : bool, optional
        Whether the input swings about the rise between two steps, not about the middle of one.

    Returns
    -------
    ndarray of complex
        ``(4 step/(pi A)) sum_i sqrt(1 - (at_i/A)^2)`` over all rises ``at_i = (i - 1/2) step`` that
        the amplitude passes: relays with dead zones, side by side (Atherton 1975, from memory).
        Largest, 4/pi, at an amplitude of 0.71 steps. About a rise the rises lie at ``i step``, and
        that in the middle counts ``2 step/(pi A)``: a relay, whose gain has no upper end.

    Raises
    ------
    ParameterError
        If an amplitude isn't positive or the step is negative.
    """
    _not_negative("step", step)
    A = _amplitudes(amplitude)
    if step == 0.0:
        return np.ones(A.shape, dtype=complex)
    shift = 0.0 if between else 0.5
    rises = int(np.floor(np.max(A, initial=0.0) / step + shift))
    at = (np.arange(1, rises + 1) - shift) * step
    passed = np.sqrt(np.maximum(1.0 - (at / A[..., None]) ** 2, 0.0)).sum(axis=-1)
    passed = passed + 0.5 if between else passed
    return np.asarray(4.0 * step / (np.pi * A) * passed, dtype=complex)


def of_curve(
    curve: Callable[[Array], ArrayLike], amplitude: ArrayLike, *, samples: int = _SAMPLES
) -> Complex:
    """Return the describing function of a characteristic without memory, by integration.

    Parameters
    ----------
    curve : callable
        Output for an array of inputs.
    amplitude : array_like
        Amplitudes of the input.
    samples : int, optional
        Points of one period.

    Returns
    -------
    ndarray of complex
        ``(2/(A samples)) sum y (sin + j cos)``, the midpoint rule.

    Raises
    ------
    ParameterError
        If an amplitude isn't positive.
    """
    A = _amplitudes(amplitude)
    theta: Array = (np.arange(samples, dtype=float) + 0.5) * (2.0 * np.pi / samples)
    y = np.asarray(curve(A[..., None] * np.sin(theta)), dtype=float)
    return _harmonic(y, theta, A)


def of_memory(
    operator: Callable[[float, Any], tuple[float, Any]],
    amplitude: ArrayLike,
    *,
    memory: Any = 0.0,
    samples: int = _SAMPLES,
) -> Complex:
    """Return the describing function of an operator with memory, by integration once it repeats.

    Parameters
    ----------
    operator : callable
        ``operator(u, memory)`` returns the output and the new memory.
    amplitude : array_like
        Amplitudes of the input.
    memory : object, optional
        Memory at the start.
    samples : int, optional
        Points of one period.

    Returns
    -------
    ndarray of complex
        As in :func:`of_curve`, over the last period.

    Raises
    ------
    ParameterError
        If an amplitude isn't positive.
    """
    A = _amplitudes(amplitude)
    theta: Array = (np.arange(samples, dtype=float) + 0.5) * (2.0 * np.pi / samples)
    out = np.empty((A.size, samples))
    for row, a in zip(out, A.ravel().tolist(), strict=True):
        kept = memory
        for _ in range(_SETTLING):
            for k, u in enumerate((a * np.sin(theta)).tolist()):
                row[k], kept = operator(u, kept)
    return _harmonic(out.reshape((*A.shape, samples)), theta, A)


def _harmonic(y: Array, theta: Array, A: Array) -> Complex:
    """Return the complex gain of the first harmonic of outputs over one period."""
    basis = np.sin(theta) + 1j * np.cos(theta)
    return np.asarray(2.0 / (A * theta.size) * (y @ basis), dtype=complex)
