"""Whether those who were to be blind guessed the arm."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

import numpy as np

from onsetstudy.core.arrays import StrArray
from onsetstudy.core.results import Assumption, Counts, EstimateLike
from onsetstudy.inference.parameter import Parameter
from onsetstudy.inference.proportions import newcombe_paired_difference
from onsetstudy.outcomes.scores.paired_results import Blinding, GuessLine

SOURCE = "Bang H, Ni L, Davis CE. Controlled Clinical Trials 2004;25:143-156 (from memory)"
METHOD = "right less wrong guesses, over all guesses with unsure ones"
UNSURE = "unsure"
FEW = 5


def blinding_index(
    guesses: Mapping[str, StrArray],
    arm: StrArray,
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
    Limits are Newcombe's for the difference of two shares of the same cases, here of right and of wrong guesses, which
    no case has both; the standard error is that of a multinomial. Below five guesses there is no index.
    """
    lines = []
    for (who, said), code in itertools.product(guesses.items(), arms):
        asked = (arm == code) & (said != "")
        if not asked.any():
            continue
        right, unsure = (int(np.sum(asked & (said == word))) for word in (code, UNSURE))
        wrong = int(asked.sum()) - right - unsure
        index = _index(right, wrong, unsure, f"{who}, {code}", conf_level)
        lines.append(GuessLine(who=who, arm=code, right=right, wrong=wrong, unsure=unsure, index=index))
    return Blinding(
        lines=tuple(lines), intended=tuple((w, bool(intended.get(w, False))) for w in guesses), source=SOURCE
    )


def _index(right: int, wrong: int, unsure: int, contrast: str, level: float) -> EstimateLike:
    n = right + wrong + unsure
    counts = Counts(cases=n, onsets=right)
    of = Parameter(quantity="blinding_index", contrast=contrast, unit="index", n=counts, conf_level=level)
    if n < FEW:
        return of.absent(f"{n} guesses are too few; it takes {FEW}", code="too_few", method=METHOD)
    index = (right - wrong) / n
    spread = float(np.sqrt(((right + wrong) / n - index**2) / n))
    return of.estimate(
        index,
        newcombe_paired_difference(0, right, wrong, unsure, level),
        by="Newcombe, paired shares",
        std_error=spread,
        method=METHOD,
        assumptions=(Assumption(name="independent guesses", detail="nobody told anybody"),),
        source=SOURCE,
    )
