"""The study group that looks whenever it likes: the sequential test of onset and the limits of success, by quarter."""

from __future__ import annotations

import numpy as np

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.results import Caution
from onsetstudy.protocol.model import Quarter
from onsetstudy.records.derived.allocation import KeptList, block_of
from onsetstudy.study.results import AnytimeLook, AnytimeTaken
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.survival.sequential.confidence_sequences import success_sequence
from onsetstudy.survival.sequential.e_values import anytime_test


def anytime_looks(data: AnalysisSet, kept: KeptList | None, this: Quarter) -> AnytimeTaken | None:
    """Evidence up to each quarter; ``None`` where the protocol does not ask for it.

    Parameters
    ----------
    data : AnalysisSet
        With arms as allocated.
    kept : KeptList or None
        The list of slips: the blocks in which arms were drawn are what the test rests on.
    this : Quarter

    Notes
    -----
    Cases are taken in the order of treatment; those without a slip on the list are left out and counted. A block counts
    when its last case is in.
    """
    protocol = data.protocol
    rule = protocol.looks
    if rule is None or rule.boundary != "anytime":
        return None
    if not protocol.study.randomised:
        return _nothing("arms were not drawn by chance, and the test rests on nothing else", rule.alpha)
    if kept is None or kept.source != "list":
        return _nothing("the list of slips was not given, and the test rests on its blocks", rule.alpha)
    in_order = data.by_day()
    block = block_of(in_order.frame, kept.listed)
    known = block.notna().to_numpy()
    used = in_order.where(known)
    have, are = ("case has", "is") if (gone := int((~known).sum())) == 1 else ("cases have", "are")
    text = f"{gone} {have} no slip on the list and {are} left out of the sequential test."
    names = block[known].to_numpy(dtype=str)
    try:
        test = anytime_test(
            used.times("hazard"),
            used.arm,
            reference_arm=protocol.reference_arm,
            block=names,
            stratum=used.plan_stratum(),
            grid_min=protocol.schedule.tests_min,
        )
        success = success_sequence(
            used.times("success"),
            used.arm,
            reference_arm=protocol.reference_arm,
            block=names,
            target_min=protocol.onset.target_min,
            conf_level=1 - rule.alpha,
        )
    except OnsetStudyError as error:
        return _nothing(str(error).rstrip("."), rule.alpha)
    quarter = used.frame["quarter"].to_numpy(dtype=str)
    counts = {q.label: int(np.sum(quarter <= q.label)) for q in protocol.quarters if q.first_day <= this.first_day}
    looks = [
        AnytimeLook(
            label=label,
            cases=count,
            e_value=float(test.path[count - 1]),
            highest=float(test.path[:count].max(initial=1.0)),
            low=float(success.low[count - 1]),
            high=float(success.high[count - 1]),
        )
        for label, count in counts.items()
        if count
    ]
    return AnytimeTaken(
        test=test,
        success=success,
        looks=tuple(looks),
        alpha=rule.alpha,
        crossed_at=test.crossed_at(rule.alpha),
        caution=() if known.all() else (Caution(code="no_slip", text=text),),
    )


def _nothing(reason: str, alpha: float) -> AnytimeTaken:
    caution = (Caution(code="no_sequential_test", text=f"No sequential test: {reason}."),)
    return AnytimeTaken(test=None, success=None, looks=(), alpha=alpha, crossed_at=None, caution=caution)
