"""Small symmetric systems inside fits. Scalars and arrays in, arrays out.

Numba's disk cache of a caller does not notice a change in this file: after editing it, delete `__pycache__` here.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def solve_free(matrix, right, free, damping, floor, step):  # type: ignore[no-untyped-def]
    """Solve a symmetric system over its free unknowns by Cholesky.

    Parameters
    ----------
    matrix, right, free
        Shape (m, m), (m,) and (m,) bool: only rows and columns that are free take part.
    damping, floor
        Added to the diagonal: this share of it, and this.
    step
        Shape (m,), output; 0 where not free. Untouched when the answer is False.

    Returns
    -------
    bool
        False when the damped matrix is not positive definite.
    """
    n = 0
    index = np.empty(free.size, np.int64)
    for a in range(free.size):
        if free[a]:
            index[n] = a
            n += 1
    lower = np.zeros((n, n))
    for i in range(n):
        for j in range(i + 1):
            total = matrix[index[i], index[j]]
            if i == j:
                total += damping * matrix[index[i], index[i]] + floor
            for k in range(j):
                total -= lower[i, k] * lower[j, k]
            if i == j:
                if total <= 0.0:
                    return False
                lower[i, i] = math.sqrt(total)
            else:
                lower[i, j] = total / lower[j, j]
    z = np.empty(n)
    for i in range(n):
        total = right[index[i]]
        for k in range(i):
            total -= lower[i, k] * z[k]
        z[i] = total / lower[i, i]
    step[:] = 0.0
    for i in range(n - 1, -1, -1):
        total = z[i]
        for k in range(i + 1, n):
            total -= lower[k, i] * step[index[k]]
        step[index[i]] = total / lower[i, i]
    return True
