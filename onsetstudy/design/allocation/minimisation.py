"""Minimisation: the next arm is, most of the time, the one that leaves the arms most alike."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from onsetstudy.core.errors import DesignError
from onsetstudy.core.seeds import stream
from onsetstudy.design.allocation.results import MinimisationStep

BEST_SHARE = 0.8
"""Chance with which the best arm is taken: below 1, so that the next arm cannot be foretold.

The others share the rest by their ratio; equally good arms share all.
"""


def minimise(
    earlier: pd.DataFrame,
    factors: Mapping[str, str],
    *,
    arms: tuple[str, ...],
    seed: int,
    ratio: tuple[int, ...] = (),
) -> MinimisationStep:
    """Arm of the next case.

    Parameters
    ----------
    earlier : DataFrame, one row per case so far
        Column ``arm`` and one column per factor.
    factors : mapping
        Level of each factor for the next case.
    arms : tuple of str
        Codes in the protocol's order.
    seed : int
        Kept apart; the draw depends on it and on the number of earlier cases only.
    ratio : tuple of int
        In the order of ``arms``; by default equal.

    Returns
    -------
    MinimisationStep
        ``imbalance`` is the sum over factors of the range of cases per arm (divided by the ratio) among earlier
        cases of the same level, if the next case had that arm.

    Raises
    ------
    DesignError
        If a factor has no column, or an earlier arm is not one of the arms.

    References
    ----------
    .. [1] Pocock SJ, Simon R. Sequential treatment assignment with balancing for prognostic factors in the
       controlled clinical trial. Biometrics 1975;31:103-15 (from memory): range as the measure, unit weights.
    """
    ratio = ratio or (1,) * len(arms)
    if missing := [name for name in ("arm", *factors) if name not in earlier.columns]:
        raise DesignError(f"the earlier cases have no column {missing[0]}; it is needed to see what is out of balance")
    if strange := sorted(set(earlier["arm"].astype(str)) - set(arms)):
        raise DesignError(f"{strange[0]} is not one of the arms {', '.join(arms)}")
    imbalance = np.zeros(len(arms))
    for name, level in factors.items():
        alike = earlier.loc[earlier[name].map(_told) == _told(level), "arm"].astype(str)
        count = np.array([(alike == arm).sum() for arm in arms], dtype=np.float64)
        after = (count + np.eye(len(arms))) / np.array(ratio)
        imbalance += after.max(axis=1) - after.min(axis=1)
    best = np.isclose(imbalance, imbalance.min())
    weight = np.array(ratio, dtype=np.float64)
    if best.all():
        probability = weight / weight.sum()
    else:
        good, rest = weight * best, weight * ~best
        probability = BEST_SHARE * good / good.sum() + (1 - BEST_SHARE) * rest / rest.sum()
    rng = stream(seed, "minimisation", len(earlier))
    return MinimisationStep(
        arm=arms[int(rng.choice(len(arms), p=probability))],
        arms=arms,
        imbalance=tuple(float(v) for v in imbalance),
        probability=tuple(float(v) for v in probability),
    )


def _told(level: object) -> str:
    """A level as text: 1 and 1.0 are the same, as a column of whole numbers with a gap holds the latter."""
    return f"{float(level):.12g}" if isinstance(level, (int, float, np.number)) else str(level)
