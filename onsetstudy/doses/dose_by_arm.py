"""How much was deposited in each arm, and the difference: arms with unlike doses differ in more than the buffer."""

from __future__ import annotations

import numpy as np

from onsetstudy.core.arrays import FloatArray, StrArray
from onsetstudy.core.results import ArmCount, Counts, EstimateLike
from onsetstudy.doses.results import ArmAmount
from onsetstudy.inference.assumptions import INDEPENDENT_CASES
from onsetstudy.inference.means import Moments, contrast_of_means
from onsetstudy.inference.parameter import Parameter

DIGITS = 9
ROUNDING = 10.0**-DIGITS
"""Milligrams (or micrograms) that are no difference."""
METHOD = "difference of mean amounts per case"


def arm_amounts(amount: FloatArray, arm: StrArray, arms: tuple[str, ...]) -> tuple[ArmAmount, ...]:
    """Mean and standard deviation of an amount in each arm.

    Parameters
    ----------
    amount : ndarray of float, shape (n,)
        ``nan`` where it cannot be told.
    arm : ndarray of str, shape (n,)
    arms : tuple of str
        Order of the result.
    """
    found = []
    for name in arms:
        of_arm = amount[arm == name]
        # Summed in order of size, so that the order of the rows changes no digit.
        known = np.sort(of_arm[~np.isnan(of_arm)])
        # Equal amounts, and their means, are off by rounding, which would pass for a spread or a difference.
        alike = known.size > 0 and known[-1] - known[0] <= ROUNDING
        found.append(
            ArmAmount(
                arm=name,
                cases=int(of_arm.size),
                with_amount=int(known.size),
                mean=float(round(known[0], DIGITS) if alike else known.mean()) if known.size else None,
                sd=float(0.0 if alike else known.std(ddof=1)) if known.size > 1 else None,
            )
        )
    return tuple(found)


def mean_difference(
    amounts: tuple[ArmAmount, ArmAmount], *, quantity: str, unit: str, conf_level: float
) -> EstimateLike:
    """Mean of the second arm less that of the first, with Welch's interval.

    Parameters
    ----------
    amounts : tuple of two ArmAmount
        Reference first.
    quantity, unit : str
        Name and unit of the amount.
    conf_level : float
        Level of the interval.

    Returns
    -------
    Estimate or NotAvailable
        Not available with fewer than two amounts in an arm. Where no amount varies the interval is one number.

    References
    ----------
    .. [1] Welch BL. The generalization of Student's problem when several different population variances are
           involved. Biometrika 1947;34:28-35.
    """
    reference, other = amounts
    counts = Counts(
        cases=sum(a.cases for a in amounts),
        onsets=sum(a.with_amount for a in amounts),
        by_arm=tuple(ArmCount(arm=a.arm, cases=a.cases, onsets=a.with_amount) for a in amounts),
    )
    contrast = f"{other.arm} - {reference.arm}"
    of = Parameter(quantity=quantity, contrast=contrast, unit=unit, n=counts, conf_level=conf_level)
    told = [
        Moments(n=a.with_amount, mean=a.mean, variance=a.sd**2)
        for a in amounts
        if a.mean is not None and a.sd is not None
    ]
    if len(told) < len(amounts):
        few = min(amounts, key=lambda a: a.with_amount)
        many = f"{few.with_amount} {few.arm} case{'' if few.with_amount == 1 else 's'}"
        return of.absent(
            f"the dose of {many} is known, and it takes two in each arm", code="too_few_doses", method=METHOD
        )
    return contrast_of_means(
        [(told[0], told[1])], of, what="amounts", needs_spread=False, assumptions=(INDEPENDENT_CASES,)
    )
