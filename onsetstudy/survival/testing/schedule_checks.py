"""Whether the testing itself treated the arms alike, and whether it was fine enough to see what was asked."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Caution, Counts, HypothesisTest
from onsetstudy.inference.assumptions import INDEPENDENT_CASES
from onsetstudy.survival.results import FinenessOfTesting, ScheduleCheck

FIRST_TESTS = 5
"""How many tests of each case are compared, the first with the first and so on."""
FEWEST = 4
MANY_LEFT = 0.2


def check_schedule(case: ArrayLike, minute: ArrayLike, arm: ArrayLike, *, reference_arm: str) -> ScheduleCheck:
    """Whether the arms' first tests came at the same minutes.

    Parameters
    ----------
    case : array_like of int, shape (m,)
        Case of each valid target reading, 0 to n - 1.
    minute : array_like of float, shape (m,)
        Minutes from clock zero.
    arm : array_like of str, shape (n,)
        Arm of each case.
    reference_arm : str

    Returns
    -------
    ScheduleCheck
        ``test``: smallest Mann-Whitney p-value over the first tests, times their number (Bonferroni). ``minutes``:
        median and quartiles of each test by arm, for a figure.

    Raises
    ------
    NotEstimable
        If an arm has fewer than four cases with a reading.
    OnsetStudyError
        If arrays do not fit.

    Notes
    -----
    The k-th test of a case does not depend on when it becomes numb, as long as it was reached; comparing gaps or
    numbers of tests would, since testing ends with onset.
    """
    number, at = np.asarray(case, dtype=np.intp), np.asarray(minute, dtype=np.float64)
    arms = np.asarray(arm).astype(str)
    if number.shape != at.shape or (number.size and (number.min() < 0 or number.max() >= arms.size)):
        raise OnsetStudyError("case and minute must be equally long, and every case must have an arm")
    frame = pd.DataFrame({"case": number, "minute": at}).sort_values(["case", "minute"], kind="stable")
    frame["test"] = frame.groupby("case").cumcount() + 1
    frame = frame[frame["test"] <= FIRST_TESTS].assign(arm=lambda f: arms[f["case"]])
    others = sorted(set(arms) - {reference_arm})
    if reference_arm not in arms or len(others) != 1:
        raise OnsetStudyError(f"two arms are compared here; the reference arm is {reference_arm!r}")
    p_values = {}
    for k, part in frame.groupby("test"):
        one, two = (part.loc[part["arm"] == a, "minute"].to_numpy() for a in (reference_arm, others[0]))
        if min(one.size, two.size) >= FEWEST:
            same = np.ptp(np.concatenate((one, two))) == 0
            p_values[int(str(k))] = 1.0 if same else float(stats.mannwhitneyu(two, one, method="asymptotic").pvalue)
    if not p_values:
        raise NotEstimable("schedule_test", "too few cases of an arm were tested", code="too_few_cases")
    worst = min(p_values, key=lambda k: p_values[k])
    p_value = min(1.0, len(p_values) * p_values[worst])
    counts = Counts.of(np.bincount(number, minlength=arms.size) > 0, arms)
    return ScheduleCheck(
        test=HypothesisTest(
            quantity="schedule_test",
            contrast=f"{others[0]} - {reference_arm}",
            statistic=float(worst),
            statistic_name="number of the test that differs most",
            df=len(p_values),
            p_value=p_value,
            alternative="two-sided",
            method="Mann-Whitney tests of the minutes of the first tests, Bonferroni",
            n=counts,
            assumptions=(INDEPENDENT_CASES,),
            source="Hollander & Wolfe 1999, Nonparametric Statistical Methods, chapter 4",
        ),
        minutes=_quartiles(frame),
        method="minutes of the first tests compared between arms",
        n=counts,
        caution=_unlike(frame, worst, reference_arm, others[0]) if p_value < 0.05 else (),
    )


def _quartiles(frame: pd.DataFrame) -> tuple[tuple[str, int, int, float, float, float], ...]:
    told = frame.groupby(["arm", "test"])["minute"].describe().reset_index()
    rows = told[["arm", "test", "count", "25%", "50%", "75%"]].to_numpy()
    return tuple(
        (str(arm), int(k), int(n), float(low), float(half), float(high)) for arm, k, n, low, half, high in rows
    )


def _unlike(frame: pd.DataFrame, worst: int, reference_arm: str, other: str) -> tuple[Caution, ...]:
    mean = frame[frame["test"] == worst].groupby("arm")["minute"].mean()
    text = (
        f"The arms were not tested alike: test {worst} came at {mean[other]:.1f} min on average in the arm {other} "
        f"and at {mean[reference_arm]:.1f} min in the arm {reference_arm}. Differences in onset may come from that."
    )
    return (Caution(code="unlike_schedules", text=text),)


def summarise_testing(
    times: Intervals, arm: ArrayLike, *, target_min: float, missed: ArrayLike | None = None
) -> FinenessOfTesting:
    """How fine the testing was, by arm: share numb at the first test, widths of the gaps, missed tests.

    Parameters
    ----------
    times : Intervals, n cases
    arm : array_like of str, shape (n,)
    target_min : float
        Minute that the study asks about.
    missed : array_like of int, shape (n,), optional
        Planned tests that were not done, per case.

    Returns
    -------
    FinenessOfTesting
        ``rows``: arm, cases, cases numb at their first test, of these first tested after the target, median width of
        the gaps in which onset was seen, missed tests.
    """
    arms = np.asarray(arm).astype(str)
    lost = np.zeros(len(times), dtype=np.int64) if missed is None else np.asarray(missed, dtype=np.int64)
    if arms.shape != (len(times),) or lost.shape != arms.shape:
        raise OnsetStudyError("arm and missed must have one value per case")
    rows, cautions = [], []
    for name in sorted(set(arms)):
        mine = arms == name
        at_first = times.left_censored & mine
        seen = np.isfinite(times.right) & mine
        width = float(np.median((times.right - times.left)[seen])) if seen.any() else float("nan")
        n, early, late = (int(who.sum()) for who in (mine, at_first, at_first & (times.right > target_min)))
        rows.append((name, n, early, late, width, int(lost[mine].sum())))
        if late > 0:
            text = (
                f"In the arm {name} {late} teeth were numb at a first test that came after minute {target_min:g}: "
                "nobody can say whether they were numb by then."
            )
            cautions.append(Caution(code="first_test_too_late", text=text))
        elif early > MANY_LEFT * n:
            text = (
                f"In the arm {name} {early} of {n} teeth were numb at their first test already: an earlier test would "
                "show more."
            )
            cautions.append(Caution(code="many_numb_at_first_test", text=text))
    return FinenessOfTesting(rows=tuple(rows), caution=tuple(cautions))
