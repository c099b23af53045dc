"""Where a group's numbers differ, and why: from each other, from practices' own, from a report from the rows.

One of the two is the answer: the difference within practices, combined by numbers of cases. The mean of practices
stands beside it. This module finds the reasons; it words nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

from onsetstudy.core.results import Estimate, EstimateLike, NotAvailable
from onsetstudy.pool.results import Pooled
from onsetstudy.study.exchange_results import Exchange
from onsetstudy.study.group.pool_files import Gathered
from onsetstudy.study.group.results import GroupOverall, Reconciled

ALIKE = 1e-9
REPRODUCED = 1e-6


def reconcile(overall: GroupOverall, pooled_all: Sequence[Pooled], *, practices: int) -> tuple[Reconciled, ...]:
    """Quantities of which the mean of practices differs from the answer; empty with one practice."""
    if practices < 2:
        return ()
    found = []
    for within in (overall.hazard_ratio, *overall.differences):
        pooled = next((p for p in pooled_all if p.quantity == within.quantity), None)
        if pooled is None or _alike(within, pooled.average):
            continue
        spread = pooled.heterogeneity is not None and pooled.heterogeneity.tau2 > 0
        told = {"left_out": any(m.weight == 0 for m in pooled.members), "spread": spread, "weights": not spread}
        reasons = tuple(reason for reason, holds in told.items() if holds)
        found.append(Reconciled(quantity=within.quantity, reasons=reasons))
    return tuple(found)


def unlike_rows(files: Sequence[tuple[str, Exchange]], *, beyond: bool, first_look: bool = False) -> tuple[str, ...]:
    """Why a report of the same cases from their rows may have other numbers: by code.

    ``beyond`` says that some files go on after the quarter reported, ``first_look`` that interim analyses of scores
    were planned, of which files allow this quarter's alone.
    """
    steps = [step for _, e in files for step in e.held_back.steps]
    told = {
        "quarters_merged": any("joined into one period" in step for step in steps),
        "techniques_merged": any("became" in step for step in steps),
        "scores_held_back": any(e.held_back.scores_kept_back for _, e in files),
        "beyond": beyond,
        "first_look": first_look,
    }
    return tuple(code for code, holds in told.items() if holds)


def not_reproduced(counts: Gathered, own: dict[str, tuple[Estimate | NotAvailable, ...]]) -> tuple[str, ...]:
    """Practices whose own estimates, which are made from what they sent, do not follow from it."""
    notes = []
    for code in (c for c in counts.practices if c not in dict(counts.beyond)):
        sent = [e for _, e in counts.files if e.practice == code]
        if len(sent) > 1:
            continue
        if not sent[0].estimates:
            notes.append(f"{code}: its file holds none of its own numbers, which every version writes; ask why.")
        again, unlike = {r.quantity: r for r in own[code]}, []
        for theirs in (e for e in sent[0].estimates if isinstance(e, Estimate)):
            ours, told = again.get(theirs.quantity), f"{code}: its own {theirs.quantity}"
            if not isinstance(ours, Estimate):
                notes.append(f"{told} cannot be made from the counts that it sent; ask why.")
            elif theirs.method != ours.method:
                unlike.append(theirs.quantity)
            elif ours.n != theirs.n:
                other = "was made from other cases than the counts that it sent; ask which of the two was changed."
                notes.append(f"{told} {other}")
            elif abs(theirs.estimate - ours.estimate) > REPRODUCED * max(1.0, abs(ours.estimate)):
                not_so = f"({theirs.estimate:.4g}) does not follow from its counts ({ours.estimate:.4g})"
                notes.append(f"{told} {not_so}; ask which version made the file.")
        if unlike:
            notes.append(
                f"{code}: its own {', '.join(unlike)} could not be held against its counts: an earlier version made "
                "the file and compared in another way, or its words were changed. Ask for a file made anew."
            )
    return tuple(notes)


def _alike(one: EstimateLike, two: EstimateLike) -> bool:
    if not (isinstance(one, Estimate) and isinstance(two, Estimate)):
        return isinstance(one, NotAvailable) and isinstance(two, NotAvailable)
    numbers = ((e.estimate, e.interval.low, e.interval.high) for e in (one, two))
    return all(abs(a - b) <= ALIKE * max(1.0, abs(a)) for a, b in zip(*numbers, strict=True))
