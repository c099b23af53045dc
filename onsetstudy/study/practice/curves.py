"""Onset curves by arm with the numbers still being tested, and the stopwatch answer beside them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from onsetstudy.core.arrays import FloatArray, IntArray
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Counts, EstimateLike, NotAvailable
from onsetstudy.inference.estimate_or_reason import attempt, not_asked
from onsetstudy.protocol.model import Protocol
from onsetstudy.study.results import ArmCurve, NaiveStopwatch
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.survival.curve.npmle import Curves, fit_npmle
from onsetstudy.survival.summaries.npmle_proportion import curve_limits

__all__ = ["ArmCases", "arm_curves", "curve_of_arm", "naive_stopwatch"]


def arm_curves(data: AnalysisSet, *, with_limits: bool) -> tuple[ArmCurve, ...]:
    """Curve of the first injection alone for each arm of the protocol, reference first."""
    arms = data.protocol.arm_codes[:2]
    return tuple(_arm_curve(data.where(data.arm == arm), arm, with_limits=with_limits) for arm in arms)


def _arm_curve(data: AnalysisSet, arm: str, *, with_limits: bool) -> ArmCurve:
    frame = data.frame
    watched = np.minimum(frame["last_test_min"].to_numpy(), frame["right_hazard"].to_numpy())
    reason = f"no case of the arm {data.protocol.label(arm)} has been recorded"
    cases = ArmCases(times=data.times("success"), n=data.counts("success"), watched=watched, curves=data.curves)
    return curve_of_arm(cases, arm, data.protocol, reason, with_limits=with_limits)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ArmCases:
    """Cases of one arm, as rows or (with ``weight``) as counts of like ones.

    ``watched`` is until which minute a case was tested and had not been seen numb.
    """

    times: Intervals
    n: Counts
    watched: FloatArray
    weight: IntArray | None = None
    curves: Curves | None = None


def curve_of_arm(cases: ArmCases, arm: str, protocol: Protocol, reason: str, *, with_limits: bool = True) -> ArmCurve:
    """Curve of an arm with the cases still tested at each minute; ``reason`` is told where it has no case."""
    plan, times, weight = protocol.plan, cases.times, cases.weight
    if not len(times):
        none = not_asked("onset_curve", reason, code="arm_missing", contrast=arm, unit="proportion", n=cases.n)
        return ArmCurve(arm=arm, curve=none, still_tested=())
    curve = attempt(
        lambda: fit_npmle(times, weight=weight) if cases.curves is None else cases.curves.fit(times),
        quantity="onset_curve",
        contrast=arm,
        unit="proportion",
        method="nonparametric maximum likelihood",
        n=cases.n,
        level=plan.conf_level,
    )
    minutes = [t for t in protocol.schedule.tests_min if t <= protocol.onset.tau_min]
    limits: tuple[tuple[float, EstimateLike], ...] = ()
    if with_limits and not isinstance(curve, NotAvailable):
        found = curve_limits(times, minutes, weight=weight, conf_level=plan.conf_level, curves=cases.curves)
        limits = tuple(zip(minutes, found, strict=True))
    many = np.ones(len(times), dtype=np.int64) if weight is None else weight
    still = tuple((float(t), int(many[cases.watched >= t].sum())) for t in (0.0, *minutes))
    return ArmCurve(arm=arm, curve=curve, still_tested=still, limits=limits)


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
