"""Watching the adopted arm: charts of failures, restricted mean times to onset of consecutive cases, operators."""

from __future__ import annotations

import contextlib

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.core.errors import DesignError, OnsetStudyError
from onsetstudy.core.results import Assumption, Caution
from onsetstudy.protocol.model import WatchRule
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.survival.summaries.npmle_proportion import decided
from onsetstudy.survival.summaries.rmst import estimate_rmst
from onsetstudy.watch.cusum import baseline_guard, chart_failures
from onsetstudy.watch.results import Chart, Watch, WindowWait
from onsetstudy.watch.shrinkage import shrink_shares, usual_chances

WINDOW = 20
LEAST_WATCHED = 10
DIRECTIONS = 2
NO_CHART = "The first {} cases cannot say well enough what share is usually {} to chart a change in both directions."
NOT_CHARTED = "With a stated share and no cases of the past a change in the share {1} cannot be charted both ways."
FAILURES = {"by_target": "not numb by the target", "never_numb": "never numb"}
METHOD = "risk-adjusted cumulative sums (Steiner and others 2000); limits for the stated run length"
STEADY = Assumption(name="own past", detail="the first cases say what is usual in this mix of techniques")


def watch_of(data: AnalysisSet) -> Watch | None:
    """Charts of the arm that is compared with the reference, in the order of treatment.

    Returns
    -------
    Watch or None
        ``None`` where the protocol has no table ``[watch]``. Without enough cases there are no charts, and a caution.

    Notes
    -----
    A case that was not numb by the target, or by the horizon, has failed; one whose gap between two tests straddles
    that minute is undecided and not in the chart, since neither answer was seen.
    """
    protocol, rule = data.protocol, data.protocol.watch
    if rule is None:
        return None
    watched = data.where(data.arm == protocol.contrast_arm).by_day()
    baseline = 0 if rule.failure_share is not None else rule.first_cases
    charts: list[Chart] = []
    usual: list[tuple[str, str, float]] = []
    undecided: list[tuple[str, int]] = []
    texts: dict[str, str] = {}
    if len(watched) < baseline + LEAST_WATCHED:
        cases = f"{len(watched)} case{'' if len(watched) == 1 else 's'}"
        texts["too_few_to_watch"] = (
            f"{cases} of the watched arm; charts begin {LEAST_WATCHED} cases after the first {baseline}, which say "
            "what is usual."
        )
    else:
        for failure, minute in (("by_target", protocol.onset.target_min), ("never_numb", protocol.onset.tau_min)):
            found, shares, left_out = _charts(watched, rule, baseline, failure, minute)
            charts += found
            usual += shares
            undecided.append((failure, left_out))
            if len(found) < DIRECTIONS:
                told = NO_CHART if baseline else NOT_CHARTED
                texts[f"no_chart_{failure}"] = told.format(baseline, FAILURES[failure])
        if baseline:
            texts["short_past"] = (
                f"What is usual is known from {baseline} cases only; the limits are so wide that false alarms are as "
                "rare as stated with nine chances in ten."
            )
    failed, known = _failures(watched, protocol.onset.target_min)
    operators = watched.column("clinician_id")
    return Watch(
        arm=protocol.contrast_arm,
        baseline_cases=min(baseline, len(watched)),
        watched_cases=max(0, len(watched) - baseline),
        undecided=tuple(undecided),
        usual=tuple(usual),
        charts=tuple(charts),
        windows=_windows(watched),
        operators=shrink_shares(failed[known], operators[known], conf_level=protocol.plan.conf_level)
        if known.any()
        else (),
        method=METHOD,
        assumptions=(STEADY,),
        caution=tuple(Caution(code=code, text=text) for code, text in texts.items()),
    )


def _failures(data: AnalysisSet, minute: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether each case was not numb by a minute, and whether that is known."""
    numb, failed = decided(data.times("success"), minute)
    return failed, failed | numb


def _charts(
    watched: AnalysisSet, rule: WatchRule, baseline: int, failure: str, minute: float
) -> tuple[list[Chart], list[tuple[str, str, float]], int]:
    failed, known = _failures(watched, minute)
    watching, group = np.arange(len(watched)) >= baseline, watched.column("technique")
    past, now, left_out = known & ~watching, known & watching, int((~known & watching).sum())
    share = rule.failure_share if failure == "by_target" else None
    if share is None and not past.any():
        return [], [], left_out
    before = failed[past], group[past]
    chance = usual_chances(*before, group[now]) if share is None else np.full(now.sum(), share)
    shares = sorted({(failure, str(g), float(c)) for g, c in zip(group[now], chance, strict=True)})
    charts = []
    for ratio in (rule.odds_ratio, 1 / rule.odds_ratio):
        guard = 1.0
        if share is None:
            taken = float(usual_chances(*before, group[past]).mean())
            guard = baseline_guard(int(failed[past].sum()), int(past.sum()), ratio, usual=taken)
        if (guard >= ratio) if ratio > 1 else (guard <= ratio):
            # What is usual is known so badly that the change itself may be usual.
            continue
        # So rare or so common a failure that no limit has the stated run length: there is no such chart.
        with contextlib.suppress(DesignError):
            chart = chart_failures(
                failed[now],
                chance,
                failure=failure,
                odds_ratio=ratio,
                run_length=rule.run_length,
                guard=guard,
            )
            charts.append(chart)
    return charts, shares, left_out


def _windows(watched: AnalysisSet) -> tuple[WindowWait, ...]:
    """Restricted mean time to onset of every whole window of consecutive cases, each with its interval."""
    count = len(watched) // WINDOW
    if count == 0:
        return ()
    rows = pd.Series(np.arange(len(watched)) // WINDOW)
    whole = watched.where(rows < count)
    label = np.array([f"{k:04d}" for k in rows[rows < count]])
    try:
        found = estimate_rmst(
            whole.times("wait"),
            label,
            reference_arm="0000",
            tau_min=watched.protocol.onset.tau_min,
            conf_level=watched.protocol.plan.conf_level,
            curves=watched.work.curves,
        )
    except OnsetStudyError:
        return ()
    return tuple(WindowWait(first=k * WINDOW + 1, last=(k + 1) * WINDOW, wait=arm) for k, arm in enumerate(found.arms))
