"""Onset curves by arm with the numbers still being tested, and the stopwatch answer beside them."""

from __future__ import annotations

import numpy as np

from onsetstudy.core.results import Estimate, NotAvailable
from onsetstudy.inference.estimate_or_reason import attempt, not_asked
from onsetstudy.study.results import ArmCurve, NaiveStopwatch
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.survival.summaries.npmle_proportion import curve_limits

__all__ = ["arm_curves", "naive_stopwatch"]


def arm_curves(data: AnalysisSet, *, with_limits: bool) -> tuple[ArmCurve, ...]:
    """Curve of the first injection alone for each arm of the protocol, reference first."""
    arms = data.protocol.arm_codes[:2]
    return tuple(_arm_curve(data.where(data.arm == arm), arm, with_limits=with_limits) for arm in arms)


def _arm_curve(data: AnalysisSet, arm: str, *, with_limits: bool) -> ArmCurve:
    protocol = data.protocol
    counts = data.counts("success")
    if len(data) == 0:
        reason = f"no case of the arm {protocol.label(arm)} has been recorded"
        none = not_asked("onset_curve", reason, code="arm_missing", contrast=arm, unit="proportion", n=counts)
        return ArmCurve(arm=arm, curve=none, still_tested=())
    times = data.times("success")
    curve = attempt(
        lambda: data.curves.fit(times),
        quantity="onset_curve",
        contrast=arm,
        unit="proportion",
        method="nonparametric maximum likelihood",
        n=counts,
        level=protocol.plan.conf_level,
    )
    minutes = [t for t in protocol.schedule.tests_min if t <= protocol.onset.tau_min]
    limits: tuple[tuple[float, Estimate | NotAvailable], ...] = ()
    if with_limits and not isinstance(curve, NotAvailable):
        plan = protocol.plan
        found = curve_limits(times, minutes, conf_level=plan.conf_level, seed=plan.seed, curves=data.curves)
        limits = tuple(zip(minutes, found, strict=True))
    return ArmCurve(arm=arm, curve=curve, still_tested=_still_tested(data, minutes), limits=limits)


def _still_tested(data: AnalysisSet, minutes: list[float]) -> tuple[tuple[float, int], ...]:
    """Cases that were tested at or after each minute and had not been seen numb before it."""
    numb_from = data.frame["right_hazard"].to_numpy()
    last = data.frame["last_test_min"].to_numpy()
    return tuple((float(t), int(np.sum((last >= t) & (numb_from >= t)))) for t in (0.0, *minutes))


def naive_stopwatch(data: AnalysisSet) -> NaiveStopwatch:
    """Mean first not-felt minute among those who went numb, by arm: what a stopwatch would have said."""
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
        f"The mean of the first not-felt minute leaves out {left_out} cases that were not seen to go numb "
        "and takes every onset for as late as the test that found it."
    )
    return NaiveStopwatch(means=tuple(means), difference=difference, text=text)
