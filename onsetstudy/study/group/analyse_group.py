"""A study group from the counts of its practices."""

from __future__ import annotations

import hashlib
import itertools
import json
import string
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from onsetstudy.core.errors import Problem, RecordsError
from onsetstudy.core.parallel import Progress
from onsetstudy.core.quantities import quantity_of
from onsetstudy.core.results import Caution, Counts, EstimateLike, NotAvailable
from onsetstudy.inference.estimate_or_reason import without_number
from onsetstudy.pool.combine import FEW_PRACTICES, PoolOptions, combine_estimates
from onsetstudy.pool.funnel import funnel
from onsetstudy.pool.results import Funnel, Pooled, Step
from onsetstudy.protocol.model import Protocol, Quarter
from onsetstudy.study.answer.cautions import (
    NOT_RANDOMISED,
    TEST_THE_TOOTH,
    apart_caution,
    ethics_caution,
    few_onsets_caution,
    group_arms_caution,
    group_slips_caution,
    plan_caution,
)
from onsetstudy.study.answer.claims import largest_difference
from onsetstudy.study.counts.counted_estimates import POOLED, estimates_of_counts
from onsetstudy.study.counts.exchange import OTHER
from onsetstudy.study.exchange_results import Exchange, as_sent
from onsetstudy.study.group.controls import controls_untold, group_controls
from onsetstudy.study.group.given_away import techniques_of_one_practice
from onsetstudy.study.group.harms import group_harms, practices_without_harms
from onsetstudy.study.group.interim import OF_SCORES, group_looks, strictest_open
from onsetstudy.study.group.pool_files import (
    Gathered,
    cut,
    digest_of_counts,
    first_quarter,
    gates_of,
    gather,
    last_quarter,
    sent_less,
    until,
    without,
)
from onsetstudy.study.group.reconcile import not_reproduced, reconcile, unlike_rows
from onsetstudy.study.group.results import (
    OTHERS,
    GroupGate,
    GroupOverall,
    GroupPractice,
    GroupResults,
    in_order,
    none_can_answer,
)
from onsetstudy.study.group.stratified_ipd import expected_failures, failures_by, pool_in_one_stage, subgroups_by
from onsetstudy.study.results import Provenance
from onsetstudy.study.sets.analysis_set import PRACTICE
from onsetstudy.study.sets.contrasts import ask, cautions_of
from onsetstudy.study.sets.counted_set import CountedSet
from onsetstudy.study.sets.side_files import Companions

PACKAGES = ("onsetstudy", "numpy", "pandas", "scipy", "statsmodels")
WITHOUT_QUARTER = (*OF_SCORES, "chair_time_difference")


def analyse_group(
    files: Sequence[tuple[str, Exchange]],
    protocol: Protocol,
    *,
    quarter: str | None = None,
    skipped: Sequence[str] = (),
    beside: Companions | None = None,
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
    beside : Companions or None
        What lies beside the protocol, of which the lock is asked.
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
    group = _group_of(files, protocol, quarter)
    whole, counts, letters, data = group.whole, group.counts, group.letters, group.lettered(group.counts)
    options = options or PoolOptions(conf_level=protocol.plan.conf_level)
    told(0, 5, "one stage")
    overall = pool_in_one_stage(data)
    told(1, 5, "practices")
    own = {c: _whole(estimates_of_counts(data.of_practice(letters[c])), c, counts) for c in counts.practices}
    lettered = {letters[code]: estimates for code, estimates in own.items()}
    most = {key: replace(options, most=largest_difference(quantity_of(key), protocol)) for key in POOLED}
    pooled = tuple(found for key in POOLED if (found := _combined(lettered, key, most[key])) is not None)
    told(2, 5, "quarters")
    cumulative = _cumulative(data, group.quarter, options)
    told(3, 5, "techniques and practices")
    subgroups = tuple(subgroups_by(column, data) for column in ("technique", "practice_id"))
    funnels = [_drawn(data, failures_by(data, kind), kind) for kind in ("by_target", "never_numb")]
    if not counts.operators.empty:
        funnels.append(_operators(counts, letters))
    told(4, 5, "looks")
    looks = group_looks(counts, group.quarter, shut=none_can_answer(group.gates))
    practices = tuple(_practice(code, whole, letters) for code in whole.practices)
    missing, shorter = sent_less(whole)
    results = GroupResults(
        protocol=protocol,
        quarter=group.quarter.label,
        period_start=protocol.quarters[0].first_day.isoformat(),
        period_end=group.quarter.last_day.isoformat(),
        practices=tuple(sorted(practices, key=lambda p: in_order(p.letter))),
        overall=overall,
        pooled=pooled,
        cumulative=cumulative,
        subgroups=subgroups,
        funnels=tuple(funnels),
        looks=looks,
        strictest=strictest_open(counts, group.quarter, looks),
        harms=group_harms(whole.safety, protocol),
        unrecorded=tuple((letters[code], n) for code, n in practices_without_harms(whole.safety)),
        missing=missing,
        shorter=shorter,
        beyond=whole.beyond,
        skipped=tuple(skipped),
        notes=(*counts.notes, *not_reproduced(counts, own)),
        caution=_cautions(counts, whole, overall, beside or Companions()),
        provenance=Provenance.of(protocol, hashlib.sha256(f"group {group.secret}".encode()).hexdigest(), PACKAGES),
    )
    return _with_what_bears_on_it(results, group)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Group:
    """Files up to a quarter: ``whole`` is all of them, ``counts`` those of practices whose cold tests can bear a claim.

    ``letters`` are of practices by code; ``secret`` is known to those only who hold all files.
    """

    quarter: Quarter
    whole: Gathered
    counts: Gathered
    letters: dict[str, str]
    gates: tuple[GroupGate, ...]
    secret: str

    def lettered(self, counts: Gathered) -> CountedSet:
        """What was counted, practices under their letters."""
        data = counts.counted
        cells, values = (f.assign(practice_id=f[PRACTICE].map(self.letters)) for f in (data.frame, data.values))
        return replace(data, frame=cells, values=values)


def _group_of(files: Sequence[tuple[str, Exchange]], protocol: Protocol, quarter: str | None) -> _Group:
    everything = gather(files, protocol)
    this = _quarter(everything, protocol, quarter)
    whole, secret = cut(everything, this.label), _secret(everything)
    letters = _letters(everything.practices, secret)
    gates = gates_of(whole, letters)
    out = {gate.letter for gate in gates if gate.left_out}
    counts = without(whole, tuple(code for code in whole.practices if letters[code] in out or not whole.begun(code)))
    return _Group(quarter=this, whole=whole, counts=counts, letters=letters, gates=gates, secret=secret)


def _with_what_bears_on_it(results: GroupResults, group: _Group) -> GroupResults:
    """Results, with what a reader has to hold against the answer: how its cases came about, what else it could be."""
    protocol, whole, counts, letters = results.protocol, group.whole, group.counts, group.letters
    left_out = any(gate.left_out for gate in group.gates)
    beside = pool_in_one_stage(group.lettered(whole)) if left_out else None
    return replace(
        results,
        reconciled=reconcile(results.overall, results.pooled, practices=len(counts.practices)),
        unlike_rows=unlike_rows(
            counts.files,
            beyond=bool(counts.beyond),
            first_look=results.looks is not None and protocol.plan.primary in OF_SCORES,
        ),
        arms=tuple((letters[e.practice], e.arms) for _, e in whole.files) if protocol.study.randomised else (),
        slips=tuple((letters[code], *slips) for code, slips in whole.slips.items()),
        one_practice=techniques_of_one_practice(counts.cells),
        gates=group.gates,
        negative=group_controls(counts),
        controls_untold=controls_untold(counts, letters),
        with_left_out=() if beside is None else (beside.hazard_ratio, *beside.differences),
    )


def _quarter(counts: Gathered, protocol: Protocol, label: str | None) -> Quarter:
    this = protocol.quarter(label or max(q for _, e in counts.files for q in e.quarters))
    if until(counts.cells, this.label).empty:
        first = min(q for _, e in counts.files for q in e.quarters)
        what = f"no practice sent a case up to {this.label}"
        raise RecordsError(Problem(what=what, mend=f"the first cases are of {first}", code="quarter"))
    return this


def _secret(counts: Gathered) -> str:
    """Known to those only who hold all files."""
    texts = [json.dumps(as_sent(e), sort_keys=True) for _, e in counts.files]
    return hashlib.sha256("\n".join(texts).encode()).hexdigest()


def _letters(practices: Sequence[str], secret: str) -> dict[str, str]:
    """Letters in an order that nobody can work out who does not hold all files."""
    order = sorted(practices, key=lambda c: hashlib.sha256(f"{secret}{c}".encode()).hexdigest())
    # A to Z, then AA to ZZ, and so on.
    words = (word for size in itertools.count(1) for word in itertools.product(string.ascii_uppercase, repeat=size))
    return {code: "".join(word) for code, word in zip(order, words, strict=False)}


def _combined(own: dict[str, tuple[EstimateLike, ...]], quantity: str, options: PoolOptions) -> Pooled | None:
    """One quantity of practices combined, in the order of their letters; ``None`` where nobody has it."""
    told = {letter: r for letter in sorted(own, key=in_order) for r in own[letter] if r.quantity == quantity}
    return combine_estimates([*told.values()], [*told], options) if told else None


def _cumulative(data: CountedSet, this: Quarter, options: PoolOptions) -> tuple[Step, ...]:
    """The average hazard ratio over practices, quarter by quarter, with all cases up to each."""
    steps, last = [], last_quarter(data.frame["quarter"])
    for quarter in (q for q in data.protocol.quarters if q.first_day <= this.first_day):
        so_far = data.where(last <= quarter.label)
        asked = np.unique(so_far.column(PRACTICE))
        own = {str(p): estimates_of_counts(so_far.of_practice(p), ("hazard_ratio",)) for p in asked}
        if (found := _combined(own, "hazard_ratio", options)) is not None:
            tau2 = None if found.heterogeneity is None else found.heterogeneity.tau2
            steps.append(Step(label=quarter.label, result=found.average, tau2=tau2))
    return tuple(steps)


def _operators(counts: Gathered, letters: dict[str, str]) -> Funnel | NotAvailable:
    """Operators of the practices that sent them, as far as they are known: those with few cases stay together."""
    frame = counts.operators[counts.operators["outcome"] != "undecided"]
    unit = frame["practice_id"].map(letters) + frame["operator"].astype(str).replace(OTHER, OTHERS)
    failed = np.where(frame["outcome"] == "not_numb", frame["n"], 0)
    return _drawn(counts.counted, expected_failures(frame.assign(unit=unit, failed=failed), "unit"), "operators")


def _drawn(data: CountedSet, units: pd.DataFrame, kind: str) -> Funnel | NotAvailable:
    failed, cases, expected = (units[column].to_numpy() for column in ("failed", "n", "expected"))
    n, names = Counts(cases=int(cases.sum()), onsets=int(failed.sum())), [str(u) for u in units.index]
    drawn = partial(funnel, failed, cases, expected, names, quantity=kind)
    return ask(data, kind, drawn, n=n, method="funnel", unit="proportion")


def _whole(own: tuple[EstimateLike, ...], code: str, counts: Gathered) -> tuple[EstimateLike, ...]:
    """A practice's estimates; those of counts without a quarter only where its files end with the report."""
    last = dict(counts.beyond).get(code)
    if last is None:
        return own
    reason = f"its file goes on to {last}, and these counts carry no quarter; ask for a file that ends with "
    reason += counts.label
    return tuple(without_number(e, "no_quarter", reason) if e.quantity in WITHOUT_QUARTER else e for e in own)


def _practice(code: str, counts: Gathered, letters: dict[str, str]) -> GroupPractice:
    sent = [(name, e) for name, e in counts.files if e.practice == code]
    cells, flow, values = (f[f[PRACTICE] == code] for f in (counts.cells, counts.flow, counts.values))
    by_quarter = cells.groupby(last_quarter(cells["quarter"]), sort=True)["n"].sum()
    stages = flow.groupby("stage")["n"].sum()
    protocol, cuttable = counts.protocol, code not in dict(counts.beyond)
    pain = "" if protocol.pain is None else f"pain_{protocol.pain.moment}"
    rows = {name: int(stages.get(name, 0)) if cuttable else None for name in ("recorded", "refused", "left_out")}
    return GroupPractice(
        code=code,
        letter=letters[code],
        quarters=tuple(sorted({q for _, e in sent for q in e.quarters})),
        files=tuple(name for name, _ in sent),
        n=CountedSet(frame=cells, protocol=protocol).counts(),
        by_quarter=tuple((str(q), int(n)) for q, n in by_quarter.items()),
        **rows,
        scores=int(values.loc[values["quantity"] == pain, "n"].sum()) if cuttable and pain else None,
        moved=sum(e.held_back.moved for _, e in sent) if cuttable else None,
        digest=digest_of_counts(counts.tables, code) if cuttable else "",
    )


def _apart(cells: pd.DataFrame, protocol: Protocol) -> bool | None:
    """Whether all quarters of one arm came before those of the other; ``None`` where an arm has no case."""
    arms = [cells.loc[cells["arm"] == arm, "quarter"] for arm in protocol.arm_codes[:2]]
    if any(arm.empty for arm in arms):
        return None
    (_, ended), (began, _) = sorted((first_quarter(arm).min(), last_quarter(arm).max()) for arm in arms)
    return bool(ended < began)


def _apart_caution(counts: Gathered) -> Caution | None:
    """Arms are compared within practices as far as these had both."""
    practices = (_apart(own, counts.protocol) for _, own in counts.cells.groupby(PRACTICE))
    told = [apart for apart in practices if apart is not None]
    told = told or [_apart(counts.cells, counts.protocol) or False]
    return apart_caution(sum(told), len(told))


def _cautions(counts: Gathered, sent: Gathered, overall: GroupOverall, beside: Companions) -> tuple[Caution, ...]:
    study, slips, k = counts.protocol.study, sent.slips, len(counts.practices)
    # Files name no days: the first case came at the latest at the end of the first quarter.
    latest = counts.protocol.quarter(last_quarter(sent.cells["quarter"]).min()).last_day
    untold, after = len(sent.practices) - len(slips), sent.label if sent.beyond else ""
    texts = {
        "no_ranks": "Practices are not ranked. Letters are drawn anew for every report, and small differences are "
        "chance."
        if len(sent.practices) > 1
        else "",
        "few_practices": f"{k} {'practice' if k == 1 else 'practices'}: how much practices differ is hardly known."
        if k < FEW_PRACTICES
        else "",
        "no_pairs": "Each patient was to have both, but the files hold no pairs: arms are compared as if patients were "
        "different, and as a rule the intervals are wider than within patients they would be. A practice's own report "
        "compares within patients."
        if study.paired
        else "",
        "repeated_patients": ""
        if study.paired
        else "Counts do not tell who came again: patients with several cases count as if they were others.",
        "recognisable": "In a group of few practices a colleague may be recognised from the number of cases. Keep this "
        "report within the group.",
    }
    found = (
        TEST_THE_TOOTH,
        group_slips_caution(tuple(slips.values()), untold=untold) if study.randomised else None,
        group_arms_caution([e.arms for _, e in sent.files], also_after=after) if study.randomised else NOT_RANDOMISED,
        None if study.randomised else _apart_caution(counts),
        plan_caution(beside.standing(counts.protocol, latest), "the coordinator is told in what"),
        few_onsets_caution(overall.n),
        *(Caution(code=code, text=text) for code, text in texts.items() if text),
        ethics_caution(study),
        *cautions_of(overall.differences, ("coarser_strata", "practices_together", "unlike_gaps")),
    )
    return tuple(caution for caution in found if caution is not None)
