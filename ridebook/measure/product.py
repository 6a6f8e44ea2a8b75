"""Products of matrices in pieces that stay on the calling thread."""

from __future__ import annotations

import numpy as np

SINGLE_N = 250_000
"""Multiplications of a product that numpy's OpenBLAS does on the calling thread; from 2**18 on (from memory) it cuts it
over threads. For sizes like ours that is slower, and many times slower while other threads work: whoever has done waits
for the others and burns a processor meanwhile."""


def product(rows: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """``rows @ weights``, a few rows at a time.

    Parameters
    ----------
    rows : ndarray
        Shape (rows, inner).
    weights : ndarray
        Shape (inner, columns).
    """
    step = max(SINGLE_N // max(weights.size, 1), 1)
    if len(rows) <= step:
        return np.asarray(rows @ weights)
    return np.concatenate([rows[first : first + step] @ weights for first in range(0, len(rows), step)])
