"""Solution of a positive definite system in small blocks.

A threaded linear algebra library can take a thousand times longer for a few hundred unknowns when its threads
wait for a busy processor. Its routines use one thread only on small blocks; so the factorisation is put
together from those.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg import lapack

from onsetstudy.core.arrays import FloatArray

_WHOLE = 96
_BLOCK = 64


def solve_positive(matrix: FloatArray, rhs: FloatArray) -> FloatArray | None:
    """Solution of ``matrix @ x = rhs`` by Cholesky factors, or ``None`` if ``matrix`` is not positive definite.

    Parameters
    ----------
    matrix : ndarray of float, shape (n, n)
        Symmetric; only its upper triangle is read.
    rhs : ndarray of float, shape (n,)
    """
    n = rhs.size
    if n <= _WHOLE:
        # The transpose of the upper triangle is a lower one in the order of memory that LAPACK wants.
        _, solution, info = lapack.dposv(matrix.T, rhs, lower=1)
        return np.asarray(solution) if info == 0 else None
    count = -(-n // _BLOCK)
    padded = np.zeros((count * _BLOCK, count * _BLOCK))
    padded[:n, :n] = matrix
    np.einsum("ii->i", padded)[n:] = 1.0
    block = padded.reshape(count, _BLOCK, count, _BLOCK).swapaxes(1, 2)
    inverse = _factorise(block)
    if inverse is None:
        return None
    x = np.zeros((count, _BLOCK))
    x.ravel()[:n] = rhs
    for j in range(count):
        x[j] = x[j] @ inverse[j]
        x[j + 1 :] -= np.matmul(x[j], block[j, j + 1 :])
    for j in reversed(range(count)):
        x[j] -= np.matmul(block[j, j + 1 :], x[j + 1 :, :, None]).sum(axis=0)[:, 0]
        x[j] = inverse[j] @ x[j]
    return np.asarray(x.ravel()[:n])


def _factorise(block: FloatArray) -> FloatArray | None:
    """Put the upper Cholesky factor's blocks above the diagonal into ``block``; inverses of those on it come back."""
    count = block.shape[0]
    inverse = np.zeros((count, _BLOCK, _BLOCK))
    for j in range(count):
        factor, info = lapack.dpotrf(block[j, j], lower=0, clean=1)
        if info != 0:
            return None
        inverse[j], _ = lapack.dtrtri(factor, lower=0)
        panel = np.matmul(inverse[j].T, block[j, j + 1 :])
        block[j, j + 1 :] = panel
        for i in range(j + 1, count):
            block[i, i:] -= np.matmul(panel[i - j - 1].T, panel[i - j - 1 :])
    return inverse
