"""How long it takes to have enough cases."""

from __future__ import annotations

import math

import numpy as np

from onsetstudy.core.errors import DesignError
from onsetstudy.core.seeds import stream
from onsetstudy.design.size_results import Pace

DRAWS = 20_000
MONTHS = 3.0


def time_to_answer(
    needed: int,
    *,
    cases_per_month: float,
    eligible_share: float = 1.0,
    rate_cv: float = 0.25,
    level: float = 0.8,
    seed: int = 1,
) -> Pace:
    """Quarters until ``needed`` cases are included.

    Parameters
    ----------
    needed : int
        Cases to include, losses already added.
    cases_per_month : float
        Of all practices together.
    eligible_share : float
        Share of them that may be included and agree.
    rate_cv : float
        How sure the pace is: coefficient of variation of the true pace around the stated one (a quarter: common
        practice, no source).
    level : float
        Of the likely range.
    seed : int

    Notes
    -----
    Cases come at random (Poisson) at a true pace that is drawn from a log-normal around the stated one; the time to the
    last of ``needed`` cases is then a gamma variable.
    """
    pace = cases_per_month * eligible_share
    if needed < 1 or pace <= 0 or not 0 < eligible_share <= 1 or not 0 < level < 1 or rate_cv < 0:
        raise DesignError("give a case, a pace above 0, an eligible share up to 1 and a level between 0 and 1")
    rng = stream(seed, "time to answer")
    sigma = math.sqrt(math.log1p(rate_cv**2))
    true = pace * np.exp(rng.normal(-(sigma**2) / 2, sigma, DRAWS))
    months = rng.gamma(needed, 1.0, DRAWS) / true
    tail = (1 - level) / 2
    low, middle, high = np.quantile(months, [tail, 0.5, 1 - tail]) / MONTHS
    return Pace(
        needed=needed,
        included_per_month=pace,
        quarters=math.ceil(middle),
        low=math.ceil(low),
        high=math.ceil(high),
        level=level,
        months=float(middle * MONTHS),
        assumptions=f"Poisson cases at a pace known to within a coefficient of variation of {rate_cv:g}",
    )
