"""E-values of many studies at once: the test martingale of one study, drawn out for simulation."""

from __future__ import annotations

import numpy as np

from onsetstudy.survival.sequential.e_values import BEFOREHAND, RATIOS, _factor, _grid, _learned, _told


def many_anytime_paths(left, right, other, *, grid_min):
    """E-values after every block, shape (studies, blocks).

    ``left, right, other``: shape (studies, blocks, cases of a block).
    """
    grid, power = _grid(grid_min), np.sqrt(np.asarray(RATIOS))
    studies, blocks, _ = left.shape
    mass = np.full((studies, grid.size), BEFOREHAND / grid.size)
    running = np.ones((studies, 2 * len(RATIOS)))
    found = np.empty((studies, blocks))
    for k in range(blocks):
        told = _told(left[:, k], right[:, k], grid, mass, power)
        running *= _factor(told, other[:, k])
        found[:, k] = running.mean(axis=1)
        mass = _learned(mass, left[:, k], right[:, k], grid)
    return found
