"""Whether those who were to be blind guessed the arm."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.results import Assumption, Counts, Estimate, Interval, NotAvailable
from onsetstudy.outcomes.scores.paired_results import Blinding, GuessLine

__all__ = ["blinding_index"]

SOURCE = "Bang H, Ni L, Davis CE. Controlled Clinical Trials 2004;25:143-156 (from memory)"
METHOD = "right less wrong guesses, over all guesses with unsure ones"
UNSURE = "unsure"
FEW = 5


def blinding_index(
    guesses: Mapping[str, NDArray[np.str_]],
    arm: NDArray[np.str_],
    *,
    arms: Sequence[str],
    intended: Mapping[str, bool],
    conf_level: float = 0.95,
) -> Blinding:
    """Index of each person's guesses about each arm, with limits.

    Parameters
    ----------
    guesses : mapping of person to array of str, shape (n,)
        An arm, ``unsure``, or empty where nobody was asked.
    arm : array of str, shape (n,)
    arms : sequence of str
    intended : mapping of person to bool
        Whether the person was to be blind.
    conf_level : float

    Notes
    -----
    Limits by the normal approximation of a multinomial; below five guesses there is no index.
    """
    lines = []
    for who, said in guesses.items():
        for code in arms:
            asked = (arm == code) & (said != "")
            if not asked.any():
                continue
            right = int(np.sum(asked & (said == code)))
            unsure = int(np.sum(asked & (said == UNSURE)))
            wrong = int(asked.sum()) - right - unsure
            lines.append(
                GuessLine(
                    who=who, arm=code, right=right, wrong=wrong, unsure=unsure,
                    index=_index(right, wrong, unsure, who, code, conf_level),
                )
            )  # fmt: skip
    return Blinding(
        lines=tuple(lines), intended=tuple((w, bool(intended.get(w, False))) for w in guesses), source=SOURCE
    )


def _index(right: int, wrong: int, unsure: int, who: str, arm: str, level: float) -> Estimate | NotAvailable:
    n = right + wrong + unsure
    counts = Counts(cases=n, onsets=right)
    if n < FEW:
        error = NotEstimable("blinding_index", f"{n} guesses are too few; it takes {FEW}", code="too_few")
        return NotAvailable.because(error, contrast=f"{who}, {arm}", unit="index", method=METHOD, n=counts)
    index = (right - wrong) / n
    spread = float(np.sqrt(((right + wrong) / n - index**2) / n))
    half = float(stats.norm.isf((1 - level) / 2)) * spread
    return Estimate(
        quantity="blinding_index",
        contrast=f"{who}, {arm}",
        estimate=index,
        std_error=spread,
        interval=Interval(low=max(-1.0, index - half), high=min(1.0, index + half), level=level, method="normal"),
        unit="index",
        method=METHOD,
        n=counts,
        assumptions=(Assumption(name="independent guesses", detail="nobody told anybody"),),
        source=SOURCE,
    )
