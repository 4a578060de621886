"""Exponentials of stacks of matrices against SciPy and closed forms."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import linalg

from servosim.linear.exponentials import matrix_exponentials


@settings(max_examples=30)
@given(seed=st.integers(0, 10**6), size=st.integers(1, 20), scale=st.floats(-4.0, 2.0))
def test_as_scipy_has_them(seed, size, scale):
    rng = np.random.default_rng(seed)
    A = 10.0**scale * rng.standard_normal((3, size, size)) * rng.uniform(0.1, 1.0, (3, 1, 1))
    A -= np.max(np.linalg.eigvals(A).real, axis=1)[:, None, None] * np.eye(size)  # nothing grows
    expected = linalg.expm(A)
    assert_allclose(
        matrix_exponentials(A), expected, atol=1e-12 * max(np.abs(expected).max(), 1.0) * 1e2
    )


def test_closed_forms():
    turn, decay, shear = 2.0, 700.0, 5.0
    A = np.zeros((3, 2, 2))
    A[0] = [[0.0, -turn], [turn, 0.0]]
    A[1] = [[-decay, 0.0], [0.0, -1e-9]]
    A[2] = [[0.0, shear], [0.0, 0.0]]
    found = matrix_exponentials(A)
    c, s = np.cos(turn), np.sin(turn)
    assert_allclose(found[0], [[c, -s], [s, c]], rtol=1e-14)
    assert_allclose(found[1], [[np.exp(-decay), 0.0], [0.0, np.exp(-1e-9)]], atol=1e-15)
    assert_allclose(found[2], [[1.0, shear], [0.0, 1.0]], rtol=1e-15)


@pytest.mark.parametrize("shape", [(0, 3, 3), (4, 1, 1)])
def test_shapes(shape):
    assert matrix_exponentials(np.zeros(shape)).shape == shape
    assert np.all(matrix_exponentials(np.zeros(shape)) == np.eye(shape[1]))
