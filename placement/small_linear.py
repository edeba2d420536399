"""Small linear systems and products, compiled, for use inside of other compiled functions.

NumPy's own may be called there too, but take seconds each to compile: they come with every shape,
kind and error message that there could be.
"""

from __future__ import annotations

import numpy as np

from placement.compiled import compiled


@compiled
def solve(matrix: np.ndarray, right: np.ndarray) -> bool:
    """Solve linear equations in place, by elimination with the largest pivot of each column.

    Parameters
    ----------
    matrix : ndarray, shape (N, N)
        Left without meaning.
    right : ndarray, shape (N, M)
        Right-hand sides; filled with the solutions.

    Returns
    -------
    bool
        False where the matrix is singular or not finite.

    Notes
    -----
    Source: Golub and Van Loan, Matrix Computations, section 3.4 (from memory).
    """
    n, m = right.shape
    for k in range(n):
        best, size = k, abs(matrix[k, k])
        for i in range(k + 1, n):
            if abs(matrix[i, k]) > size:
                best, size = i, abs(matrix[i, k])
        if not 0.0 < size < np.inf:
            return False
        if best != k:
            for j in range(k, n):
                matrix[k, j], matrix[best, j] = matrix[best, j], matrix[k, j]
            for j in range(m):
                right[k, j], right[best, j] = right[best, j], right[k, j]
        over = 1.0 / matrix[k, k]
        for i in range(k + 1, n):
            share = matrix[i, k] * over
            if share != 0.0:
                for j in range(k + 1, n):
                    matrix[i, j] -= share * matrix[k, j]
                for j in range(m):
                    right[i, j] -= share * right[k, j]
    for k in range(n - 1, -1, -1):
        over = 1.0 / matrix[k, k]
        for j in range(m):
            right[k, j] *= over
        for i in range(k):
            share = matrix[i, k]
            for j in range(m):
                right[i, j] -= share * right[k, j]
    return True


@compiled
def multiply(one: np.ndarray, other: np.ndarray, out: np.ndarray) -> None:
    """The product of two matrices, (N, K) and (K, M), into `out` (N, M)."""
    for i in range(one.shape[0]):
        for j in range(other.shape[1]):
            out[i, j] = 0.0
        for k in range(one.shape[1]):
            for j in range(other.shape[1]):
                out[i, j] += one[i, k] * other[k, j]
