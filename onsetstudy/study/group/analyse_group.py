"""A study group from the counts of its practices."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence

import numpy as np
import pandas as pd

from onsetstudy.core.errors import NotEstimable, Problem, RecordsError
from onsetstudy.core.parallel import Progress
from onsetstudy.core.results import Caution, Counts, EstimateLike, NotAvailable
from onsetstudy.pool.combine import PoolOptions, combine_estimates
from onsetstudy.pool.funnel import funnel
from onsetstudy.pool.results import Funnel, Pooled, Step
from onsetstudy.protocol.model import Protocol, Quarter
from onsetstudy.study.answer.cautions import NOT_RANDOMISED, TEST_THE_TOOTH, group_arms_caution, group_slips_caution
from onsetstudy.study.counts.counted_estimates import NO_VALUES, POOLED, cell_counts, estimates_of_counts
from onsetstudy.study.exchange_results import Exchange, as_sent
from onsetstudy.study.group.controls import controls_untold, group_controls, group_test_errors
from onsetstudy.study.group.gates import gates_of, left_out, without
from onsetstudy.study.group.given_away import techniques_of_one_practice
from onsetstudy.study.group.harms import group_harms, practices_without_harms
from onsetstudy.study.group.interim import OF_SCORES, group_looks
from onsetstudy.study.group.pool_files import Gathered, Period, cut, gather, last_quarter, sent_less, until
from onsetstudy.study.group.reconcile import FEW_PRACTICES, agreement_of, not_reproduced, reconcile, unlike_rows
from onsetstudy.study.group.results import GroupOverall, GroupPractice, GroupResults
from onsetstudy.study.group.stratified_ipd import expected_failures, failures_by, pool_in_one_stage, subgroups_by
from onsetstudy.study.results import Provenance
from onsetstudy.study.sets.contrasts import cautions_of

__all__ = ["analyse_group"]

PACKAGES = ("onsetstudy", "numpy", "pandas", "scipy", "statsmodels")
WITHOUT_QUARTER = ("pain_difference", "chair_time_difference", "treatment_success_difference")


def analyse_group(
    files: Sequence[tuple[str, Exchange]],
    protocol: Protocol,
    *,
    quarter: str | None = None,
    skipped: Sequence[str] = (),
    options: PoolOptions | None = None,
    progress: Progress | None = None,
) -> GroupResults:
    """Results of a study group up to the end of a quarter.

    Parameters
    ----------
    files : sequence of (name, Exchange)
        As read from the practices' files.
    protocol : Protocol
        The group's.
    quarter : str or None
        By default the last one that a practice sent. What carries no quarter is left out of practices whose files go on
        after it.
    skipped : sequence of str
        Names of files that lay beside those given and were not read: the report says so.
    options : PoolOptions or None
        Of the two-stage analyses; by default restricted maximum likelihood and the wider of both intervals.
    progress : callable or None

    Returns
    -------
    GroupResults

    Raises
    ------
    RecordsError
        If files do not fit the protocol or each other, or the quarter is not one of the study's.
    """
    told: Progress = progress or (lambda _done, _total, _label: None)
    everything = gather(files, protocol)
    this = _quarter(everything, protocol, quarter)
    whole = cut(everything, this.label)
    letters = _letters(whole.counts)
    gates = gates_of(whole.counts, letters)
    period = without(whole, left_out(gates, letters))
    counts, cells = period.counts, period.counts.cells
    options = options or PoolOptions(conf_level=protocol.plan.conf_level)
    told(0, 5, "one stage")
    overall = _overall(period, letters, protocol)
    beside = _overall(whole, letters, protocol) if period is not whole else None
    told(1, 5, "practices")
    own = {
        code: _whole(estimates_of_counts(_rows(cells, code), _rows(counts.values, code), protocol), code, period)
        for code in counts.practices
    }
    combined = (_combined(own, quantity, letters, options) for quantity in POOLED)
    pooled = tuple(found for found in combined if found is not None)
    told(2, 5, "quarters")
    cumulative = _cumulative(cells, protocol, this, letters, options)
    told(3, 5, "techniques and practices")
    lettered = _lettered(cells, letters)
    subgroups = tuple(subgroups_by(column, lettered, protocol) for column in ("technique", "practice_id"))
    funnels = [_drawn(failures_by(lettered, protocol, kind), kind) for kind in ("by_target", "never_numb")]
    if not counts.operators.empty:
        funnels.append(_operators(counts, letters))
    told(4, 5, "looks")
    looks = group_looks(counts, protocol, this)
    practices = tuple(_practice(code, whole, protocol, letters) for code in whole.counts.practices)
    missing, shorter = sent_less(everything, protocol, this.label)
    ratio = next(p for p in pooled if p.quantity == "hazard_ratio")
    return GroupResults(
        protocol=protocol,
        quarter=this.label,
        period_start=protocol.quarters[0].first_day.isoformat(),
        period_end=this.last_day.isoformat(),
        practices=tuple(sorted(practices, key=lambda p: p.letter)),
        overall=overall,
        pooled=pooled,
        cumulative=cumulative,
        subgroups=subgroups,
        agreement=agreement_of(overall, ratio),
        funnels=tuple(funnels),
        looks=looks,
        harms=group_harms(whole.counts.safety, protocol),
        unrecorded=tuple((letters[code], n) for code, n in practices_without_harms(whole.counts.safety)),
        missing=missing,
        shorter=shorter,
        beyond=whole.beyond,
        skipped=tuple(skipped),
        notes=(*counts.notes, *not_reproduced(period, own)),
        caution=(
            *_cautions(counts, whole.counts, protocol),
            *cautions_of(overall.differences, ("coarser_strata", "practices_together", "unlike_gaps")),
        ),
        reconciled=reconcile(overall, pooled, practices=len(counts.practices)),
        unlike_rows=unlike_rows(
            counts.files,
            beyond=bool(period.beyond),
            first_look=looks is not None and protocol.plan.primary in OF_SCORES,
        ),
        arms=tuple((letters[e.practice], e.arms) for _, e in whole.counts.files) if protocol.study.randomised else (),
        slips=tuple((letters[code], *counts) for code, counts in whole.counts.slips.items()),
        one_practice=techniques_of_one_practice(cells),
        gates=gates,
        negative=group_controls(period.counts, protocol),
        test_errors=group_test_errors(period.counts, protocol),
        controls_untold=controls_untold(period, letters),
        with_left_out=() if beside is None else (beside.hazard_ratio, *beside.differences),
        provenance=Provenance.of(
            protocol, hashlib.sha256(f"group {_secret(whole.counts)}".encode()).hexdigest(), PACKAGES
        ),
    )


def _overall(period: Period, letters: dict[str, str], protocol: Protocol) -> GroupOverall:
    """All cases of a period in one stage."""
    counts = period.counts
    known = counts.values[~counts.values["practice_id"].isin(dict(period.beyond))]
    return pool_in_one_stage(_lettered(counts.cells, letters), _lettered(known, letters), protocol)


def _quarter(counts: Gathered, protocol: Protocol, label: str | None) -> Quarter:
    labels = [q.label for q in protocol.quarters]
    label = label or max(q for _, e in counts.files for q in e.quarters)
    if label not in labels:
        mend = f"choose one of {', '.join(labels)}"
        raise RecordsError(Problem(what=f"{label} is not a quarter of this study", mend=mend, code="quarter"))
    if until(counts.cells, label).empty:
        first = min(q for _, e in counts.files for q in e.quarters)
        what = f"no practice sent a case up to {label}"
        raise RecordsError(Problem(what=what, mend=f"the first cases are of {first}", code="quarter"))
    return next(q for q in protocol.quarters if q.label == label)


def _rows(frame: pd.DataFrame, practice: str) -> pd.DataFrame:
    return frame[frame["practice_id"] == practice]


def _secret(counts: Gathered) -> str:
    """Known to those only who hold all files."""
    texts = [json.dumps(as_sent(e), sort_keys=True) for _, e in counts.files]
    return hashlib.sha256("\n".join(texts).encode()).hexdigest()


def _letters(counts: Gathered) -> dict[str, str]:
    """Letters in an order that nobody can work out who does not hold all files."""
    secret = _secret(counts)
    order = sorted(counts.practices, key=lambda c: hashlib.sha256(f"{secret}{c}".encode()).hexdigest())
    return {code: _letter(place) for place, code in enumerate(order)}


def _letter(place: int) -> str:
    text = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        text = chr(65 + rest) + text
    return text


def _lettered(cells: pd.DataFrame, letters: dict[str, str]) -> pd.DataFrame:
    return cells.assign(practice_id=cells["practice_id"].map(letters))


def _combined(
    own: dict[str, tuple[EstimateLike, ...]], quantity: str, letters: dict[str, str], options: PoolOptions
) -> Pooled | None:
    """One quantity of practices combined, in the order of their letters; ``None`` where nobody has it."""
    codes = sorted(own, key=lambda c: (len(letters[c]), letters[c]))
    told = [(letters[code], result) for code in codes for result in own[code] if result.quantity == quantity]
    return combine_estimates([r for _, r in told], [letter for letter, _ in told], options) if told else None


def _cumulative(
    counted: pd.DataFrame, protocol: Protocol, this: Quarter, letters: dict[str, str], options: PoolOptions
) -> tuple[Step, ...]:
    """The average hazard ratio over practices, quarter by quarter, with all cases up to each."""
    steps = []
    for quarter in (q for q in protocol.quarters if q.first_day <= this.first_day):
        cells = until(counted, quarter.label)
        parts = {str(code): part for code, part in cells.groupby("practice_id", sort=True)}
        own = {
            code: estimates_of_counts(part, NO_VALUES, protocol, only="hazard_ratio") for code, part in parts.items()
        }
        if (found := _combined(own, "hazard_ratio", letters, options)) is not None:
            tau2 = None if found.heterogeneity is None else found.heterogeneity.tau2
            steps.append(Step(label=quarter.label, result=found.average, tau2=tau2))
    return tuple(steps)


def _operators(counts: Gathered, letters: dict[str, str]) -> Funnel | NotAvailable:
    """Operators of the practices that sent them, as far as they are known: those with few cases stay together."""
    frame = counts.operators[counts.operators["outcome"] != "undecided"]
    unit = frame["practice_id"].map(letters) + frame["operator"].astype(str)
    failed = np.where(frame["outcome"] == "not_numb", frame["n"], 0)
    return _drawn(expected_failures(frame.assign(unit=unit, failed=failed), "unit"), "operators")


def _drawn(units: pd.DataFrame, kind: str) -> Funnel | NotAvailable:
    failed, cases, expected = (units[column].to_numpy() for column in ("failed", "n", "expected"))
    try:
        return funnel(failed, cases, expected, [str(u) for u in units.index], quantity=kind)
    except NotEstimable as error:
        n = Counts(cases=int(units["n"].sum()), onsets=int(units["failed"].sum()))
        return NotAvailable(
            quantity=kind, contrast=None, code=error.code, reason=error.reason, unit="proportion", method="funnel", n=n
        )


def _whole(own: tuple[EstimateLike, ...], code: str, period: Period) -> tuple[EstimateLike, ...]:
    """A practice's estimates; those of counts without a quarter only where its files end with the report."""
    last = dict(period.beyond).get(code)
    if last is None:
        return own
    reason = f"its file goes on to {last}, and these counts carry no quarter; ask for a file that ends with "
    return tuple(
        NotAvailable(
            quantity=e.quantity, contrast=e.contrast, code="no_quarter", reason=reason + period.label, unit=e.unit,
            method=e.method, n=e.n,
        )
        if e.quantity in WITHOUT_QUARTER
        else e
        for e in own
    )  # fmt: skip


def _practice(code: str, period: Period, protocol: Protocol, letters: dict[str, str]) -> GroupPractice:
    counts = period.counts
    sent = [(name, e) for name, e in counts.files if e.practice == code]
    cells = _rows(counts.cells, code)
    by_quarter = cells.groupby(last_quarter(cells["quarter"]), sort=True)["n"].sum()
    cuttable = code not in dict(period.beyond)
    flow = _rows(counts.flow, code).groupby("stage")["n"].sum()
    pain = "" if protocol.pain is None else f"pain_{protocol.pain.moment}"
    values = _rows(counts.values, code)
    return GroupPractice(
        code=code,
        letter=letters[code],
        quarters=tuple(sorted({q for _, e in sent for q in e.quarters})),
        files=tuple(name for name, _ in sent),
        n=cell_counts(cells, protocol),
        by_quarter=tuple((str(q), int(n)) for q, n in by_quarter.items()),
        recorded=int(flow.get("recorded", 0)) if cuttable else None,
        refused=int(flow.get("refused", 0)) if cuttable else None,
        left_out=int(flow.get("left_out", 0)) if cuttable else None,
        scores=int(values.loc[values["quantity"] == pain, "n"].sum()) if cuttable and pain else None,
        moved=sum(e.held_back.moved for _, e in sent) if cuttable else None,
    )


def _cautions(counts: Gathered, sent: Gathered, protocol: Protocol) -> tuple[Caution, ...]:
    drawn, slips, k = protocol.study.randomised, sent.slips, len(counts.practices)
    untold = len(sent.practices) - len(slips)
    texts = {
        "no_ranks": "Practices are not ranked. Letters are drawn anew for every report, and small differences are "
        "chance."
        if len(sent.practices) > 1
        else "",
        "few_practices": f"{k} {'practice' if k == 1 else 'practices'}: how much practices differ is hardly known."
        if k < FEW_PRACTICES
        else "",
        "repeated_patients": "Counts do not tell who came again: patients with several cases count as if they were "
        "others.",
        "recognisable": "In a group of few practices a colleague may be recognised from the number of cases. Keep this "
        "report within the group.",
        "ethics": "Ethics, consent and privacy: follow local rules. Recorded status: "
        f"{protocol.study.ethics_status or 'not recorded'}.",
    }
    found = (
        TEST_THE_TOOTH,
        group_slips_caution(tuple(slips.values()), untold=untold) if drawn else None,
        group_arms_caution([e.arms for _, e in sent.files]) if drawn else NOT_RANDOMISED,
        *(Caution(code=code, text=text) for code, text in texts.items() if text),
    )
    return tuple(caution for caution in found if caution is not None)
