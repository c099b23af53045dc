"""Patients who had both arms, and guesses at the arm."""

from __future__ import annotations

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import IntArray
from onsetstudy.core.results import Estimate, EstimateLike
from onsetstudy.inference.means import LEAST
from onsetstudy.outcomes.scores.blinding import blinding_index
from onsetstudy.outcomes.scores.paired_results import Blinding, OrderEffects, PairedComparison, PairedStudy
from onsetstudy.outcomes.scores.within_patient import compare_pairs, order_effects
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.study.sets.contrasts import Refusal, ask, cautions_of
from onsetstudy.study.sets.pairs import TOO_FEW, unpaired
from onsetstudy.survival.hazards.frailty import WITHOUT_SPREAD, fit_shared_frailty

PEOPLE = ("patient", "operator", "assessor")


def paired_study(data: AnalysisSet) -> PairedStudy | None:
    """What the overall results do not tell within patients; ``None`` unless the design gives each patient both arms.

    Notes
    -----
    A patient counts with the first case in each arm; patients without both are left out and counted. The ratio of rates
    is within patients who differ by a shared effect: a baseline for each would make it inconsistent (incidental
    parameters). A difference between the two injections that has to do with their order alone is
    told beside it, where the order was recorded.
    """
    pairs = data.pairs()
    if pairs is None:
        return None
    both = data.in_pairs()
    few = ("too_few", TOO_FEW) if len(pairs) < LEAST else None
    ratio = _ratio(both, few)
    return PairedStudy(
        pairs=len(pairs),
        incomplete=data.frame["patient_id"].nunique() - len(pairs),
        hazard_ratio=ratio,
        pain=_pain(data, pairs),
        order=_order(data, pairs),
        n=both.counts("success"),
        caution=(*unpaired(data, pairs), *cautions_of((ratio,), (WITHOUT_SPREAD.code,))),
    )


def _ratio(both: AnalysisSet, refusal: Refusal | None) -> EstimateLike:
    protocol = both.protocol

    def estimate() -> Estimate:
        fit = fit_shared_frailty(
            both.times("hazard"),
            {"arm": both.arm},
            cluster=both.column("patient_id"),
            reference={"arm": protocol.reference_arm},
            conf_level=protocol.plan.conf_level,
        )
        return next(e for e in fit.estimates if e.contrast == f"{protocol.contrast_arm} / {protocol.reference_arm}")

    method = "proportional hazards with an effect shared by the cases of a patient"
    return ask(both, "hazard_ratio", estimate, refusal=refusal, n=both.counts("success"), method=method)


def _pain(data: AnalysisSet, pairs: IntArray) -> PairedComparison | None:
    plan, arms = data.protocol.pain, data.protocol.arm_codes[:2]
    if plan is None:
        return None
    reference, other = data.pain[pairs].T
    level = data.protocol.plan.conf_level
    return compare_pairs(reference, other, arms=arms, unit=plan.instrument.unit, conf_level=level)


def _order(data: AnalysisSet, pairs: IntArray) -> OrderEffects | None:
    """Effects of the order on pain, where the order was recorded for both injections."""
    plan, arms = data.protocol.pain, data.protocol.arm_codes[:2]
    if plan is None:
        return None
    place = pd.to_numeric(data.frame["period"].astype(object), errors="coerce").to_numpy(dtype=float)[pairs].T
    known = ~np.isnan(place).any(axis=0) & (place[0] != place[1])
    if not known.any():
        return None
    reference_first = (place[0] < place[1])[known]
    reference, other = data.pain[pairs[known]].T
    names = (f"{arms[0]} first", f"{arms[1]} first")
    return order_effects(
        np.where(reference_first, reference, other),
        np.where(reference_first, other, reference),
        np.where(reference_first, *names),
        orders=names,
        unit=plan.instrument.unit,
        conf_level=data.protocol.plan.conf_level,
    )


def blinding_of(data: AnalysisSet) -> Blinding | None:
    """Guesses at the arm; ``None`` where nobody was asked. Arms as injected, where that is known."""
    protocol = data.protocol
    guesses = {who: said for who in PEOPLE if ((said := data.text(f"guess_{who}")) != "").any()}
    if not guesses:
        return None
    known = dict(protocol.study.blinding)
    return blinding_index(
        guesses,
        data.received,
        arms=protocol.arm_codes[:2],
        intended={who: known.get(who) == "yes" for who in PEOPLE},
        conf_level=protocol.plan.conf_level,
    )
