"""Small linear systems against NumPy (LAPACK)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from placement.small_linear import multiply, solve


@given(st.integers(1, 12), st.integers(1, 4), st.integers(0, 2**32 - 1))
def test_solutions_are_those_of_lapack(n, m, seed):
    rng = np.random.default_rng(seed)
    matrix, right = rng.normal(size=(n, n)), rng.normal(size=(n, m))
    matrix[0, 0] = 0.0 if n > 1 else matrix[0, 0]  # so that rows must change places
    wanted = np.linalg.solve(matrix, right)
    found = right.copy()
    assert solve(matrix.copy(), found)
    # what is left of the equations, as rounding allows it
    size = np.abs(matrix).sum(axis=1).max() * max(np.abs(wanted).max(), 1.0)
    assert np.abs(matrix @ found - right).max() < 1e-12 * size


@pytest.mark.parametrize(
    "matrix",
    [
        np.zeros((3, 3)),
        np.array([[1.0, 2.0], [2.0, 4.0]]),
        np.array([[np.nan, 1.0], [1.0, 2.0]]),
        np.array([[1.0, 1.0], [1.0, np.nan]]),
        np.array([[1.0, 1.0], [1.0, np.inf]]),
    ],
)
def test_what_has_no_solution_is_told(matrix):
    assert not solve(matrix.copy(), np.ones((len(matrix), 1)))


def test_products_are_those_of_numpy():
    rng = np.random.default_rng(3)
    one, other, out = rng.normal(size=(5, 3)), rng.normal(size=(3, 7)), np.full((5, 7), np.nan)
    multiply(one, other, out)
    assert np.allclose(out, one @ other, atol=1e-13)
