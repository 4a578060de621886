"""Exponentials of many small matrices at once.

SciPy's function takes a stack of matrices too, but works on one after another with several threads
each: beside other work on the same cores a stack of a thousand took seconds instead of hundredths.
Here every operation is one of NumPy's on the whole stack.

Source. N. J. Higham, "The scaling and squaring method for the matrix exponential revisited", SIAM
Journal on Matrix Analysis and Applications 26(4), 2005 (degree and bound from memory; a test
compares with SciPy).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_DEGREE = 13
_BOUND = 5.37  # norm up to which the rational form of this degree is exact to rounding
# (2m - k)! m! / ((2m)! (m - k)! k!), times a common factor
_COEFFICIENTS = tuple(
    float(math.factorial(2 * _DEGREE - k) // (math.factorial(_DEGREE - k) * math.factorial(k)))
    for k in range(_DEGREE + 1)
)


def matrix_exponentials(A: Array) -> Array:
    """Return the exponential of each matrix.

    Parameters
    ----------
    A : ndarray, shape (n, n_x, n_x)
        Matrices [-].

    Returns
    -------
    ndarray, shape (n, n_x, n_x)
        exp(A) of each, exact to rounding.
    """
    A = np.asarray(A, dtype=float)
    size = np.max(np.sum(np.abs(A), axis=1), axis=1, initial=0.0)
    halvings = np.ceil(np.log2(np.maximum(size / _BOUND, 1.0))).astype(int)
    A = A / np.exp2(halvings)[:, None, None]
    b = _COEFFICIENTS
    eye = np.eye(A.shape[1])
    A2 = A @ A
    A4 = A2 @ A2
    A6 = A4 @ A2
    odd = A6 @ (b[13] * A6 + b[11] * A4 + b[9] * A2)
    odd = A @ (odd + b[7] * A6 + b[5] * A4 + b[3] * A2 + b[1] * eye)
    even = A6 @ (b[12] * A6 + b[10] * A4 + b[8] * A2)
    even = even + b[6] * A6 + b[4] * A4 + b[2] * A2 + b[0] * eye
    found = np.linalg.solve(even - odd, even + odd)
    for k in range(int(np.max(halvings, initial=0))):
        left = halvings > k
        found[left] = found[left] @ found[left]
    return np.asarray(found)
