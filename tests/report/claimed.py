"""Claims written in one line, and a group made of the same numbers as a practice."""

from __future__ import annotations

from onsetstudy.core.quantities import quantity_of
from onsetstudy.pool.results import CommonOdds, Member, Pooled
from onsetstudy.report.sentences import sentence
from onsetstudy.study.answer.claims import claim_of, mean_pain
from onsetstudy.study.group.results import GroupHarm, GroupOverall, GroupPractice, GroupResults, GroupSuccess
from tests.report.samples import counts, estimate, missing
from tests.study.cases import protocol

N = counts(13, 11, (9, 11))
RANDOMISED, AUDIT = protocol(), protocol(study={"allocation": "clinician_choice"})
UNITS = {"proportion": "proportion", "min": "min", "ratio": "ratio", "score": "mm"}


def claim(key, value, low, high, promised=RANDOMISED, **more):
    quantity = quantity_of(key)
    of = quantity.contrast_of(promised.contrast_arm, promised.reference_arm)
    found = estimate(key, of, value, low, high, UNITS[quantity.unit], N)
    return claim_of(key, found, promised, population="24 cases", known=N, **more)


def told(key, value, low, high, promised=RANDOMISED, **more):
    return sentence(claim(key, value, low, high, promised, **more), promised)


def group_of(results, *, looks=None, average=None):
    """A group whose averages are the practice's own numbers, as files of one practice would give them."""
    whole, promised = results.overall, results.protocol
    found = {
        "rmst_difference": whole.wait_difference,
        "hazard_ratio": whole.hazard_ratio,
        "success_difference": whole.success_difference,
        "pain_difference": mean_pain(whole, promised),
        **(
            {}
            if whole.treatment_difference is None
            else {whole.treatment_difference.quantity: whole.treatment_difference}
        ),
        **(average or {}),
    }
    pooled = tuple(
        Pooled(
            quantity=key, contrast=e.contrast, unit=e.unit, average=e, common=e, n=whole.n, method="invented",
            members=(Member(label="A", result=e, weight=0.5), Member(label="B", result=e, weight=0.5)),
        )
        for key, e in found.items()
    )  # fmt: skip
    gone = missing("odds", "buffered / plain", "not asked", whole.n)
    numb = estimate("numb_difference", "buffered - plain", 0.04, -0.02, 0.1, "proportion", whole.n)
    practices = tuple(
        GroupPractice(
            code=f"P0{k}", letter=letter, quarters=(results.quarter,), files=("f",), n=whole.n, by_quarter=(),
            recorded=None, refused=None, left_out=None, scores=None, moved=None,
        )
        for k, letter in enumerate("AB", start=1)
    )  # fmt: skip

    def success(difference):
        odds = CommonOdds(odds_ratio=gone, difference=difference, homogeneity=None, tables=1)
        return GroupSuccess(undecided=(), pooled=odds)

    return GroupResults(
        protocol=promised, quarter=results.quarter, period_start=results.period_start, period_end=results.period_end,
        practices=practices,
        overall=GroupOverall(
            n=whole.n, curves=whole.curves, onset_test=whole.onset_test, hazard_ratio=whole.hazard_ratio,
            frailty=gone, success=success(whole.success_difference), numb_at_all=success(numb),
            by_target=whole.success, never_numb=whole.never_numb, treatment=whole.treatment,
        ),
        pooled=pooled, cumulative=(), subgroups=(), funnels=(),
        looks=looks,
        harms=(GroupHarm(event="any", arms=()), GroupHarm(event="serious", arms=())),
        unrecorded=(), missing=(), shorter=(), beyond=(), skipped=(), notes=(), caution=results.caution,
        provenance=results.provenance,
    )  # fmt: skip
