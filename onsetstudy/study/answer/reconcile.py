"""Where a group's numbers differ from each other, or from a report of the same cases from their rows: which, and why.

One of the two is the answer: the difference within practices, combined by numbers of cases. The mean of practices
stands beside it. This module finds the reasons; it words nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

from onsetstudy.core.quantities import read_earlier
from onsetstudy.core.results import Estimate, EstimateLike, NotAvailable
from onsetstudy.pool.results import Pooled
from onsetstudy.study.exchange_results import Exchange
from onsetstudy.study.group_results import GroupOverall, Reconciled

__all__ = ["reconcile", "unlike_rows"]

ALIKE = 1e-9


def reconcile(overall: GroupOverall, pooled_all: Sequence[Pooled], *, practices: int) -> tuple[Reconciled, ...]:
    """Quantities of which the mean of practices differs from the answer; empty with one practice."""
    if practices < 2:
        return ()
    found = []
    for within in (overall.hazard_ratio, *overall.differences):
        pooled = next((p for p in pooled_all if read_earlier(p.quantity)[0] == within.quantity), None)
        if pooled is None or _alike(within, pooled.average):
            continue
        reasons = []
        if any(m.weight == 0 for m in pooled.members):
            reasons.append("left_out")
        spread = pooled.heterogeneity is not None and pooled.heterogeneity.tau2 > 0
        reasons.append("spread" if spread else "weights")
        found.append(
            Reconciled(
                quantity=within.quantity, within=within, mean_of_practices=pooled.average, reasons=tuple(reasons)
            )
        )
    return tuple(found)


def unlike_rows(files: Sequence[tuple[str, Exchange]], *, beyond: bool, first_look: bool = False) -> tuple[str, ...]:
    """Why a report of the same cases from their rows may have other numbers: by code.

    ``beyond`` says that some files go on after the quarter reported, ``first_look`` that interim analyses of scores
    were planned, of which files allow this quarter's alone.
    """
    steps = [step for _, e in files for step in e.held_back.steps]
    found = []
    if any("joined into one period" in step for step in steps):
        found.append("quarters_merged")
    if any("became" in step for step in steps):
        found.append("techniques_merged")
    if any(e.held_back.scores_kept_back for _, e in files):
        found.append("scores_held_back")
    if beyond:
        found.append("beyond")
    if first_look:
        found.append("first_look")
    return tuple(found)


def _alike(one: EstimateLike, two: EstimateLike) -> bool:
    if not (isinstance(one, Estimate) and isinstance(two, Estimate)):
        return isinstance(one, NotAvailable) and isinstance(two, NotAvailable)
    pairs = zip(
        (one.estimate, one.interval.low, one.interval.high),
        (two.estimate, two.interval.low, two.interval.high),
        strict=True,
    )
    return all(abs(a - b) <= ALIKE * max(1.0, abs(a)) for a, b in pairs)
