"""Onset curves by arm with the numbers still being tested, and the stopwatch answer beside them."""

from __future__ import annotations

import numpy as np

from onsetstudy.core.results import EstimateLike, NotAvailable
from onsetstudy.inference.estimate_or_reason import attempt, not_asked
from onsetstudy.study.results import ArmCurve, NaiveStopwatch
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.survival.summaries.npmle_proportion import curve_limits


def arm_curves(
    data: AnalysisSet, *, with_limits: bool = True, missing: str = "no case of the arm {} has been recorded"
) -> tuple[ArmCurve, ...]:
    """Curve of the first injection alone for each arm of the protocol, reference first.

    Each has the cases still tested at each minute; ``missing`` is told of an arm without a case.
    """
    arms, label = data.protocol.arm_codes[:2], data.protocol.label
    return tuple(_arm_curve(data.where(data.arm == a), a, missing.format(label(a)), with_limits) for a in arms)


def _arm_curve(data: AnalysisSet, arm: str, missing: str, with_limits: bool) -> ArmCurve:
    protocol, plan, times, weight = data.protocol, data.protocol.plan, data.times("success"), data.weight
    n, unit = data.counts("success"), "proportion"
    if not len(data):
        none = not_asked("onset_curve", missing, code="arm_missing", contrast=arm, unit=unit, n=n)
        return ArmCurve(arm=arm, curve=none, still_tested=())
    curve = attempt(
        lambda: data.curves.fit(times, weight=weight),
        quantity="onset_curve",
        contrast=arm,
        unit=unit,
        method="nonparametric maximum likelihood",
        n=n,
        level=plan.conf_level,
    )
    minutes = [t for t in protocol.schedule.tests_min if t <= protocol.onset.tau_min]
    limits: tuple[tuple[float, EstimateLike], ...] = ()
    if with_limits and not isinstance(curve, NotAvailable):
        found = curve_limits(times, minutes, weight=weight, conf_level=plan.conf_level, curves=data.curves)
        limits = tuple(zip(minutes, found, strict=True))
    many = np.ones(len(data), dtype=np.int64) if weight is None else weight
    still = tuple((float(t), int(many[data.watched >= t].sum())) for t in (0.0, *minutes))
    return ArmCurve(arm=arm, curve=curve, still_tested=still, limits=limits)


def naive_stopwatch(data: AnalysisSet) -> NaiveStopwatch:
    """Mean first not-felt minute among confirmed onsets, by arm: what a stopwatch would have said of these."""
    protocol = data.protocol
    first = data.frame["right_hazard"].to_numpy()
    numb = np.isfinite(first)
    means: list[tuple[str, float | None, int, int]] = []
    for arm in protocol.arm_codes[:2]:
        rows = data.arm == arm
        seen = first[rows & numb]
        means.append((arm, float(seen.mean()) if seen.size else None, int(seen.size), int((rows & ~numb).sum())))
    reference, other = means[0][1], means[1][1]
    difference = None if reference is None or other is None else other - reference
    left_out = sum(m[3] for m in means)
    text = (
        f"The mean of the first not-felt minute leaves out {left_out} cases without an onset confirmed as planned "
        "and takes every onset for as late as the test that found it."
    )
    return NaiveStopwatch(means=tuple(means), difference=difference, text=text)
