"""Whether arms can be compared among cases alike: where the arm follows from what was recorded, they cannot.

Takes who had which arm and the columns of what was recorded; refuses, and names what goes with the arm. Must not know
what came of the cases.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from onsetstudy.adjustment.propensity import LEAST_LEVEL, Design
from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable

LEAST_ALIKE = LEAST_LEVEL
"""Cases of each arm that a comparison among cases alike has to be worth: as many as a level of its own takes."""
NOTHING = 1e-9


def worth(other: NDArray[np.bool_], matrix: FloatArray) -> float:
    """Cases of each arm that tell as much of a difference, were all alike, as these do among cases alike.

    Twice the sum of squares of the arm that is left once the columns have explained what they can. With one
    covariate: of every level twice the product of its cases of both arms over their sum, added up. Twelve cases of
    each arm that do not differ are worth twelve; one case of an arm among eleven of the other is worth 1.8.
    """
    arm = other.astype(np.float64)
    x = np.column_stack((np.ones(arm.size), matrix))
    left = arm - x @ np.linalg.lstsq(x, arm, rcond=None)[0]
    return 2 * float(left @ left)


def refuse_same(other: NDArray[np.bool_], matrix: FloatArray) -> None:
    """Refuse cases of whom nobody alike had the other arm.

    Raises
    ------
    NotEstimable
        If the columns say the arm of every case.
    """
    if worth(other, matrix) < NOTHING:
        raise NotEstimable("fair_comparison", "arm and what was recorded are the same", code="positivity")


def refuse_nearly_same(other: NDArray[np.bool_], design: Design, words: Mapping[str, str]) -> None:
    """Refuse cases of whom too few have somebody alike in the other arm, and name what goes with the arm.

    Parameters
    ----------
    other : ndarray of bool, shape (n,)
    design : Design
        Columns of the same cases.
    words : mapping of str to str
        What a covariate is called, where its code is no word.

    Raises
    ------
    NotEstimable
        If there is one arm only, or what is told among cases alike is worth fewer than ``LEAST_ALIKE`` cases of each.
    """
    if other.all() or not other.any():
        raise NotEstimable("fair_comparison", "there is one arm only", code="arm_missing")
    told = worth(other, design.matrix)
    if told >= LEAST_ALIKE:
        return
    alone = {
        name: worth(other, design.matrix[:, [k for k, (of, _) in enumerate(design.names) if of == name]])
        for name in dict.fromkeys(of for of, _ in design.names)
    }
    same = [name for name, value in alone.items() if value < NOTHING]
    near = same or [name for name, value in alone.items() if value < LEAST_ALIKE]
    named = [words.get(name, name.replace("_", " ")) for name in near or alone]
    if same or told < NOTHING:
        how = f"arm and {' and '.join(named)} are the same here" if near else _follows(named)
        reason = f"{how}, so that which of them made a difference cannot be told"
    else:
        how = f"arm and {' and '.join(named)} are nearly the same here" if near else _follows(named, "nearly ")
        reason = f"{how}: cases alike tell as much as {_count(told)} of each arm would, and it takes {LEAST_ALIKE}"
    raise NotEstimable("fair_comparison", reason, code="positivity")


def _follows(named: list[str], how: str = "") -> str:
    return f"the arm {how}follows from {' and '.join(named)} taken together"


def _count(told: float) -> str:
    return "less than one" if told < 1 else f"{int(told)}"
