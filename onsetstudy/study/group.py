"""A study group from the counts of its practices."""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
from collections.abc import Sequence

import numpy as np
import pandas as pd

from onsetstudy.core.errors import NotEstimable, Problem, RecordsError, Where
from onsetstudy.core.results import Caution, Counts, Estimate, NotAvailable
from onsetstudy.core.serialise import to_dict
from onsetstudy.core.work import Progress
from onsetstudy.pool.combine import PoolOptions, combine_estimates
from onsetstudy.pool.funnel import funnel
from onsetstudy.pool.results import Funnel, Pooled, Step
from onsetstudy.protocol.model import Protocol, Quarter
from onsetstudy.study.cell_estimates import POOLED, cell_counts, estimates_of_counts
from onsetstudy.study.exchange_results import Exchange
from onsetstudy.study.gather import Gathered, gather
from onsetstudy.study.group_looks import group_looks
from onsetstudy.study.group_results import Agreement, GroupOverall, GroupPractice, GroupResults
from onsetstudy.study.one_stage import by_practice, by_technique, failures_by, pool_in_one_stage
from onsetstudy.study.results import Provenance

__all__ = ["analyse_group"]

PACKAGES = ("onsetstudy", "numpy", "pandas", "scipy", "statsmodels")
SPREAD_AGREES = 0.5
FEW_PRACTICES = 5
REPRODUCED = 1e-6


def analyse_group(
    files: Sequence[tuple[str, Exchange]],
    protocol: Protocol,
    *,
    quarter: str | None = None,
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
        By default the last one that a practice sent.
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
    counts = gather(files, protocol)
    this = _quarter(counts, protocol, quarter)
    cells = _until(counts.cells, this.label)
    letters = _letters(counts)
    options = options or PoolOptions(conf_level=protocol.plan.conf_level)
    told(0, 5, "one stage")
    overall = pool_in_one_stage(_lettered(cells, letters), protocol)
    told(1, 5, "practices")
    own = {
        code: estimates_of_counts(cells[cells["practice_id"] == code], _rows(counts.values, code), protocol)
        for code in counts.practices
    }
    pooled = tuple(
        combine_estimates([r for _, r in rows], [letters[code] for code, _ in rows], options)
        for quantity in POOLED
        if (rows := _of(own, quantity, letters))
    )
    told(2, 5, "quarters")
    cumulative = _cumulative(counts, protocol, this, letters, options)
    told(3, 5, "techniques and practices")
    subgroups = (by_technique(cells, protocol), by_practice(_lettered(cells, letters), protocol))
    funnels = tuple(_funnel(cells, protocol, letters, kind) for kind in ("by_target", "never_numb"))
    told(4, 5, "looks")
    practices = tuple(_practice(code, counts, cells, protocol, letters) for code in counts.practices)
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
        agreement=_agreement(overall, ratio),
        funnels=funnels if counts.operators.empty else (*funnels, _operators(counts, letters)),
        looks=group_looks(counts, protocol, this, _until),
        events=_events(counts, protocol),
        notes=(*counts.notes, *_not_reproduced(counts, own)),
        caution=_cautions(counts, protocol),
        provenance=Provenance(
            protocol_digest=protocol.digest,
            records_digest=hashlib.sha256(f"group {_secret(counts)}".encode()).hexdigest(),
            seed=protocol.plan.seed,
            versions=tuple((name, importlib.metadata.version(name)) for name in PACKAGES),
        ),
    )


def _quarter(counts: Gathered, protocol: Protocol, label: str | None) -> Quarter:
    labels = [q.label for q in protocol.quarters]
    label = label or max(q for _, e in counts.files for q in e.quarters)
    if label not in labels:
        mend = f"choose one of {', '.join(labels)}"
        raise RecordsError(
            Problem(what=f"{label} is not a quarter of this study", where=Where(), mend=mend, code="quarter")
        )
    if _until(counts.cells, label).empty:
        first = min(q for _, e in counts.files for q in e.quarters)
        what = f"no practice sent a case up to {label}"
        raise RecordsError(Problem(what=what, where=Where(), mend=f"the first cases are of {first}", code="quarter"))
    return next(q for q in protocol.quarters if q.label == label)


def _until(cells: pd.DataFrame, label: str) -> pd.DataFrame:
    """Cells up to a quarter; periods that were joined count with their last quarter."""
    return cells[cells["quarter"].astype(str).str.split("+").str[-1] <= label].reset_index(drop=True)


def _rows(frame: pd.DataFrame, practice: str) -> pd.DataFrame:
    return frame[frame["practice_id"] == practice]


def _secret(counts: Gathered) -> str:
    """Known to those only who hold all files."""
    texts = [json.dumps(to_dict(e), sort_keys=True) for _, e in counts.files]
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


def _of(
    own: dict[str, tuple[Estimate | NotAvailable, ...]], quantity: str, letters: dict[str, str]
) -> list[tuple[str, Estimate | NotAvailable]]:
    return [
        (code, result)
        for code in sorted(own, key=lambda c: (len(letters[c]), letters[c]))
        for result in own[code]
        if result.quantity == quantity
    ]


def _cumulative(
    counts: Gathered, protocol: Protocol, this: Quarter, letters: dict[str, str], options: PoolOptions
) -> tuple[Step, ...]:
    """The average ratio of rates over practices, quarter by quarter, with all cases up to each."""
    steps = []
    for quarter in (q for q in protocol.quarters if q.first_day <= this.first_day):
        cells = _until(counts.cells, quarter.label)
        own = {
            code: estimates_of_counts(part, counts.values.iloc[:0], protocol)
            for code, part in cells.groupby("practice_id", sort=True)
        }
        rows = _of({str(c): v for c, v in own.items()}, "hazard_ratio", letters)
        if not rows:
            continue
        found = combine_estimates([r for _, r in rows], [letters[code] for code, _ in rows], options)
        tau2 = None if found.heterogeneity is None else found.heterogeneity.tau2
        steps.append(Step(label=quarter.label, result=found.average, tau2=tau2))
    return tuple(steps)


def _funnel(cells: pd.DataFrame, protocol: Protocol, letters: dict[str, str], kind: str) -> Funnel | NotAvailable:
    return _drawn(failures_by(_lettered(cells, letters), protocol, kind), kind)


def _operators(counts: Gathered, letters: dict[str, str]) -> Funnel | NotAvailable:
    """Operators of the practices that sent them, as far as they are known: those with few cases stay together."""
    frame = counts.operators[counts.operators["outcome"] != "undecided"].copy()
    frame["unit"] = frame["practice_id"].map(letters) + frame["operator"].astype(str)
    frame["failed"] = np.where(frame["outcome"] == "not_numb", frame["n"], 0)
    usual = frame.groupby(["technique", "arm"])[["failed", "n"]].transform("sum")
    frame["expected"] = usual["failed"] / usual["n"] * frame["n"]
    return _drawn(frame.groupby("unit", sort=True)[["failed", "n", "expected"]].sum(), "operators")


def _drawn(units: pd.DataFrame, kind: str) -> Funnel | NotAvailable:
    try:
        return funnel(
            units["failed"].to_numpy(), units["n"].to_numpy(), units["expected"].to_numpy(),
            [str(u) for u in units.index], quantity=kind,
        )  # fmt: skip
    except NotEstimable as error:
        n = Counts(cases=int(units["n"].sum()), onsets=int(units["failed"].sum()))
        return NotAvailable(
            quantity=kind,
            contrast=None,
            code=error.code,
            reason=error.reason,
            unit="proportion",
            method="funnel",
            n=n,
        )


def _practice(
    code: str, counts: Gathered, cells: pd.DataFrame, protocol: Protocol, letters: dict[str, str]
) -> GroupPractice:
    sent = [(name, e) for name, e in counts.files if e.practice == code]
    flow = _rows(counts.flow, code).groupby("stage")["n"].sum()
    pain = "" if protocol.pain is None else f"pain_{protocol.pain.moment}"
    values = _rows(counts.values, code)
    return GroupPractice(
        code=code,
        letter=letters[code],
        quarters=tuple(sorted({q for _, e in sent for q in e.quarters})),
        files=tuple(name for name, _ in sent),
        n=cell_counts(_rows(cells, code), protocol),
        recorded=int(flow.get("recorded", 0)),
        refused=int(flow.get("refused", 0)),
        left_out=int(flow.get("left_out", 0)),
        scores=int(values.loc[values["quantity"] == pain, "n"].sum()),
        moved=sum(e.held_back.moved for _, e in sent),
    )


def _events(counts: Gathered, protocol: Protocol) -> tuple[tuple[str, int, int, int], ...]:
    """By arm: cases, cases with an event, and with a serious one, of all that was sent."""
    total = counts.safety.groupby(["arm", "what"])["n"].sum()

    def count(arm: str, what: str) -> int:
        return int(total.get((arm, what), 0))

    return tuple(
        (arm, count(arm, "cases"), count(arm, "event"), count(arm, "serious")) for arm in protocol.arm_codes[:2]
    )


def _agreement(overall: GroupOverall, ratio: Pooled) -> Agreement:
    """Why one stage and two stages differ, as far as they do."""
    reasons = []
    if any(m.weight == 0 for m in ratio.members):
        reasons.append("left_out")
    if ratio.heterogeneity is not None and ratio.heterogeneity.tau2 > 0:
        reasons.append("spread")
    if sum(m.weight > 0 for m in ratio.members) < FEW_PRACTICES:
        reasons.append("few")
    one, two = overall.hazard_ratio, ratio.average
    if not (isinstance(one, Estimate) and isinstance(two, Estimate)):
        return Agreement(apart=None, reasons=tuple(reasons))
    apart = abs(float(np.log(one.estimate / two.estimate))) / (two.std_error or 1.0)
    if apart > SPREAD_AGREES and not reasons:
        reasons.append("weights")
    return Agreement(apart=apart, reasons=tuple(reasons))


def _not_reproduced(counts: Gathered, own: dict[str, tuple[Estimate | NotAvailable, ...]]) -> tuple[str, ...]:
    """Practices whose own estimates do not follow from the counts that they sent, though nothing was merged away."""
    notes = []
    for code in counts.practices:
        sent = [e for _, e in counts.files if e.practice == code]
        if len(sent) > 1 or any("became" in step for step in sent[0].held_back.steps):
            continue
        again = {r.quantity: r for r in own[code]}
        for theirs in sent[0].estimates:
            ours = again.get(theirs.quantity)
            if not (isinstance(theirs, Estimate) and isinstance(ours, Estimate)) or ours.n != theirs.n:
                continue
            if abs(theirs.estimate - ours.estimate) > REPRODUCED * max(1.0, abs(ours.estimate)):
                notes.append(
                    f"{code}: its own {theirs.quantity} ({theirs.estimate:.4g}) does not follow from its counts "
                    f"({ours.estimate:.4g}); ask which version made the file."
                )
    return tuple(notes)


def _cautions(counts: Gathered, protocol: Protocol) -> tuple[Caution, ...]:
    found = [
        Caution(
            code="test_the_tooth",
            text="A statistic about past cases. Test the tooth and ask the patient before every procedure.",
        ),
        Caution(
            code="no_ranks",
            text="Practices are not ranked. Letters stand in an order that means nothing, and small differences are "
            "chance.",
        ),
    ]
    if not protocol.study.randomised:
        text = "Not randomised: the arms may differ in ways not measured."
        found.insert(1, Caution(code="not_randomised", text=text))
    k = len(counts.practices)
    if k < FEW_PRACTICES:
        text = f"{k} {'practice' if k == 1 else 'practices'}: how much practices differ is hardly known."
        found.append(Caution(code="few_practices", text=text))
    found.append(
        Caution(
            code="repeated_patients",
            text="Counts do not tell who came again: patients with several cases count as if they were others.",
        )
    )
    found.append(
        Caution(
            code="recognisable",
            text="In a group of few practices a colleague may be recognised from the number of cases. Keep this report "
            "within the group.",
        )
    )
    found.append(
        Caution(
            code="ethics",
            text="Ethics, consent and privacy: follow local rules. Recorded status: "
            f"{protocol.study.ethics_status or 'not recorded'}.",
        )
    )
    return tuple(found)
