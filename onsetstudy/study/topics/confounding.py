"""A fair comparison where nobody drew the arms: balance, weights, standardisation, and what may be left."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.adjustment.learning import learning_curve
from onsetstudy.adjustment.propensity import (
    balance,
    code_columns,
    fit_propensity,
    one_sided,
    overlap_of,
    overlap_weights,
)
from onsetstudy.adjustment.results import BalanceRow, EValue, FairComparison, FairLine, OneSided, Overlap
from onsetstudy.adjustment.unmeasured_confounding import e_value, e_value_of_limit, ratio_of_common_hazard
from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.parallel import Progress
from onsetstudy.core.results import Assumption, Caution, Counts, Estimate, EstimateLike, Interval
from onsetstudy.core.seeds import stream
from onsetstudy.inference.estimate_or_reason import not_asked
from onsetstudy.outcomes.scores.pain_moment_results import Comfort
from onsetstudy.study.results import Population
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.survival.hazards.ph_curves import standardise_curves
from onsetstudy.survival.results import OnsetCurve
from onsetstudy.survival.summaries.npmle_proportion import spread_evenly
from onsetstudy.survival.summaries.restricted_mean import wait_to, weighted_curve

COVARIATES = (
    "practice_id", "clinician_id", "technique", "procedure", "pulp_status", "agent", "topical", "age_band", "quarter",
)  # fmt: skip
"""What is accounted for where it was recorded and differs: all of it known before the injection.

Volume, mixing and everything that the arm brings with it are never among them.
"""
MEASURES = ("anxiety_before",)
REPLICATES = 300
LEAST_HELD = 0.9
CASES_A_COLUMN = 5
WORDS = {
    "practice_id": "practice", "clinician_id": "operator", "procedure": "treatment", "pulp_status": "pulp",
    "agent": "drug", "topical": "topical", "age_band": "age",
}  # fmt: skip
OUTCOMES = (("success_difference", "proportion"), ("rmst_difference", "min"), ("pain_difference", ""))
BOOTSTRAP = "bootstrap of patients, chances of the arm fitted anew, percentile limits"
NO_OTHER = Assumption(name="nothing unrecorded", detail="arms differ by chance among cases alike in what was recorded")


def fair_comparison(
    data: AnalysisSet, overall: Population, comfort: Comfort | None = None, *, progress: Progress | None = None
) -> FairComparison | None:
    """The arms as they are, weighted and standardised; ``None`` for randomised studies.

    Notes
    -----
    Weights are overlap weights: the answer is of cases for whom both arms were likely. Standardisation predicts every
    case under either arm from a proportional-hazards model (onset) or a linear one (pain) with the same covariates and
    averages. Limits come from drawing patients anew with everything fitted anew; where fewer than nine in ten draws can
    be fitted there are none.
    """
    protocol = data.protocol
    if protocol.study.randomised:
        return None
    arms = protocol.arm_codes[:2]
    used = data.where(np.isin(data.arm, arms))
    other = used.arm == arms[1]
    counts, times, target = used.counts("success"), used.times("success"), protocol.onset.target_min
    covariates, left_out = _covariates(used)
    crude = _crude(overall, comfort, data)
    found = _adjusted(used, other, covariates, progress)
    lines = tuple(
        FairLine(
            outcome=name,
            unit=unit or (protocol.pain.instrument.unit if protocol.pain else ""),
            crude=crude[name],
            weighted=found.estimate(name, "weighted", unit, counts, protocol.plan.conf_level),
            standardised=found.estimate(name, "standardised", unit, counts, protocol.plan.conf_level),
        )
        for name, unit in OUTCOMES
        if name != "pain_difference" or protocol.pain is not None
    )
    return FairComparison(
        lines=lines,
        balance=found.balance,
        overlap=found.overlap,
        e_values=_e_values(overall),
        learning=learning_curve(
            times.right <= target,
            (times.right <= target) | (times.left >= target),
            used.places("clinician_id") + 1,
            other,
            conf_level=protocol.plan.conf_level,
        ),
        period=_period(used, other),
        covariates=tuple(covariates),
        left_out=tuple(left_out),
        replicates=found.draws,
        n=counts,
        assumptions=(NO_OTHER,),
        caution=(*found.extrapolated, *_cautions(found)),
        one_sided=found.one_sided,
    )


def _covariates(data: AnalysisSet) -> tuple[dict[str, NDArray[Any]], list[tuple[str, str]]]:
    """Covariates that differ between cases, fewer than a fifth of the cases in columns; the others with the reason."""
    found: dict[str, NDArray[Any]] = {}
    left_out: list[tuple[str, str]] = []
    for name in (*COVARIATES, *MEASURES):
        values = data.frame[name]
        if values.isna().all():
            left_out.append((name, "not recorded"))
            continue
        column: NDArray[Any] = data.column(name)
        if name in MEASURES and not values.isna().any():
            column = values.to_numpy(dtype=np.float64)
        if np.unique(column).size < 2:
            continue
        tried = code_columns({**found, name: column})
        if tried.matrix.shape[1] > len(data) / CASES_A_COLUMN:
            left_out.append((name, "too many levels for so few cases"))
        elif np.linalg.matrix_rank(np.column_stack((np.ones(len(data)), tried.matrix))) <= tried.matrix.shape[1]:
            left_out.append((name, "says the same as the others"))
        else:
            found[name] = column
    return found, left_out


def _crude(overall: Population, comfort: Comfort | None, data: AnalysisSet) -> dict[str, EstimateLike]:
    plan, moments = data.protocol.pain, () if comfort is None else comfort.moments
    main = next((m for m in moments if plan is not None and m.moment == plan.moment), None)
    nothing = not_asked(
        "pain_difference", "no score was recorded", code="no_scores", contrast=None, unit="", n=overall.n,
        method="difference of means",
    )  # fmt: skip
    return {
        "success_difference": overall.success_difference,
        "rmst_difference": overall.wait_difference,
        "pain_difference": nothing if main is None else main.missing.mean_difference,
    }


@dataclass(slots=True)
class _Found:
    """Estimates by outcome and way, and their draws."""

    point: dict[tuple[str, str], float] = field(default_factory=dict)
    draw: dict[tuple[str, str], list[float]] = field(default_factory=dict)
    reason: dict[str, str] = field(default_factory=dict)
    separated: bool = False
    one_sided: tuple[OneSided, ...] = ()
    extrapolated: tuple[Caution, ...] = ()
    balance: tuple[BalanceRow, ...] = ()
    overlap: Overlap | None = None
    draws: int = 0

    def estimate(self, name: str, how: str, unit: str, n: Counts, level: float) -> EstimateLike:
        draws = np.array(self.draw.get((name, how), []))
        held = draws[np.isfinite(draws)]
        method = {"weighted": "overlap weights", "standardised": "standardised over all cases"}[how]
        code = reason = ""
        if (name, how) not in self.point:
            code, reason = "not_fitted", self.reason.get(how, "it could not be fitted")
        elif held.size < LEAST_HELD * max(self.draws, 1):
            code, reason = "few_draws", f"{held.size} of {self.draws} draws could be fitted, too few for limits"
        if reason:
            return not_asked(name, reason, code=code, contrast=None, unit=unit, method=method, n=n)
        tail = (1 - level) / 2
        low, high = np.quantile(held, [tail, 1 - tail])
        return Estimate(
            quantity=name,
            contrast=None,
            estimate=self.point[name, how],
            std_error=float(held.std(ddof=1)),
            interval=Interval(low=float(low), high=float(high), level=level, method=BOOTSTRAP),
            unit=unit,
            method=f"{method}; {BOOTSTRAP}",
            n=n,
            assumptions=(NO_OTHER,),
            caution=self.extrapolated if how == "standardised" else (),
        )


def _adjusted(
    data: AnalysisSet, other: NDArray[np.bool_], covariates: dict[str, NDArray[Any]], progress: Progress | None
) -> _Found:
    found = _Found()
    if not covariates:
        # Weights by nothing are no weights: what they would give is the difference as it is, under another name.
        found.reason = {how: "nothing was recorded in which cases could differ" for how, _ in WAYS}
        return found
    design = code_columns(covariates)
    for how, work in WAYS:
        try:
            values = work(data, other, design.matrix, np.arange(len(data)), True)
            found.point |= {(name, how): value for name, value in values.items()}
        except OnsetStudyError as error:
            found.reason[how] = error.reason if isinstance(error, NotEstimable) else str(error)
            found.separated |= isinstance(error, NotEstimable) and error.code == "separation"
    arms = (data.protocol.reference_arm, data.protocol.contrast_arm)
    if any(how == "standardised" for _, how in found.point):
        found.one_sided, inside = one_sided(other, covariates, arms)
        found.extrapolated = _extrapolated(found, int(inside.sum()), data)
    if any(how == "weighted" for _, how in found.point):
        chance = fit_propensity(other, design.matrix)
        weight = overlap_weights(other, chance)
        found.balance = balance(other, design, weight)
        found.overlap = overlap_of(other, chance, weight, arms)
    if found.point:
        _draw(data, other, design.matrix, found, progress)
    return found


def _draw(
    data: AnalysisSet, other: NDArray[np.bool_], matrix: FloatArray, found: _Found, progress: Progress | None
) -> None:
    """Patients drawn anew with all their cases; everything fitted anew in each draw."""
    names, group = np.unique(data.column("patient_id"), return_inverse=True)
    members = np.split(np.argsort(group, kind="stable"), np.cumsum(np.bincount(group))[:-1])
    rng = stream(data.protocol.plan.seed, "fair comparison")
    found.draws = REPLICATES
    for number in range(REPLICATES):
        if progress is not None and number % 20 == 0:
            progress(number, REPLICATES, "fair comparison")
        picked = rng.integers(0, names.size, names.size)
        rows = np.concatenate([members[i] for i in picked])
        for how, work in WAYS:
            try:
                values = work(data, other, matrix, rows, False)
            except OnsetStudyError:
                values = {}
            for key in (k for k in found.point if k[1] == how):
                found.draw.setdefault(key, []).append(values.get(key[0], np.nan))


def _summaries(data: AnalysisSet, curves_of: Callable[[Intervals], tuple[OnsetCurve, OnsetCurve]]) -> dict[str, float]:
    """Differences in success and wait between two curves, other arm minus reference."""
    onset = data.protocol.onset
    success, wait = data.times("success"), data.times("wait")
    first = curves_of(success)
    alike = np.array_equal(success.left, wait.left) and np.array_equal(success.right, wait.right)
    second = first if alike else curves_of(wait)
    return {
        "success_difference": spread_evenly(first[1], onset.target_min) - spread_evenly(first[0], onset.target_min),
        "rmst_difference": wait_to(second[1], onset.tau_min) - wait_to(second[0], onset.tau_min),
    }


def _weighted(
    data: AnalysisSet, other: NDArray[np.bool_], matrix: FloatArray, rows: NDArray[np.intp], strict: bool
) -> dict[str, float]:
    arm = other[rows]
    weight = overlap_weights(arm, fit_propensity(arm, matrix[rows], strict=strict))

    sides = (np.flatnonzero(~arm), np.flatnonzero(arm))

    def curves(times: Intervals) -> tuple[OnsetCurve, OnsetCurve]:
        first, second = (weighted_curve(times.take(rows[side]), weight[side]) for side in sides)
        return first, second

    values, score = _summaries(data, curves), data.pain[rows]
    scored = [side[~np.isnan(score[side]) & (weight[side] > 0)] for side in sides]
    if all(side.size for side in scored):
        means = [float(np.average(score[side], weights=weight[side])) for side in scored]
        values["pain_difference"] = means[1] - means[0]
    return values


def _standardised(
    data: AnalysisSet, other: NDArray[np.bool_], matrix: FloatArray, rows: NDArray[np.intp], strict: bool
) -> dict[str, float]:
    protocol, arm = data.protocol, other[rows]
    names = np.array(protocol.arm_codes[:2])[arm.astype(np.intp)]
    columns = _independent(matrix[rows])
    frame = pd.DataFrame({"arm": names, **{f"x{k}": matrix[rows, k] for k in columns}})

    def curves(times: Intervals) -> tuple[OnsetCurve, OnsetCurve]:
        # Cases drawn anew are nobody else's; only the curve of the cases themselves is worth keeping.
        kept = data.curves if strict else None
        reference = {"arm": protocol.reference_arm}
        found = standardise_curves(times.take(rows), frame, by="arm", reference=reference, curves=kept)
        return found[protocol.reference_arm], found[protocol.contrast_arm]

    values, score = _summaries(data, curves), data.pain[rows]
    known = ~np.isnan(score)
    x = np.column_stack((np.ones(int(known.sum())), arm[known].astype(np.float64), matrix[rows][known][:, columns]))
    if x.shape[0] > x.shape[1] and np.unique(arm[known]).size > 1:
        values["pain_difference"] = float(np.linalg.lstsq(x, score[known], rcond=None)[0][1])
    return values


def _independent(matrix: FloatArray) -> list[int]:
    """Columns that differ between cases and say something new, in order."""
    kept: list[int] = []
    basis = np.ones((matrix.shape[0], 1))
    for k in range(matrix.shape[1]):
        tried = np.column_stack((basis, matrix[:, k]))
        if np.linalg.matrix_rank(tried) > basis.shape[1]:
            basis = tried
            kept.append(k)
    return kept


WAYS = (("weighted", _weighted), ("standardised", _standardised))


def _period(data: AnalysisSet, other: NDArray[np.bool_]) -> str:
    """``apart``: no day has both arms; ``mixed``: arms overlap in time; quarters are accounted for."""
    day = pd.to_datetime(data.frame["case_date"]).to_numpy()
    if not other.any() or other.all():
        return "one_arm"
    before = day[~other].max() < day[other].min() or day[other].max() < day[~other].min()
    return "apart" if before else "mixed"


def _e_values(overall: Population) -> tuple[EValue, ...]:
    ratio = overall.hazard_ratio
    if not isinstance(ratio, Estimate):
        return ()
    risk, low, high = (ratio_of_common_hazard(v) for v in (ratio.estimate, ratio.interval.low, ratio.interval.high))
    limit = e_value_of_limit(risk, low, high)
    source = "VanderWeele & Ding 2017, Ann Intern Med 167:268-274"
    return (EValue(outcome="hazard_ratio", ratio=ratio.estimate, value=e_value(risk), limit=limit, source=source),)


def _extrapolated(found: _Found, cases: int, data: AnalysisSet) -> tuple[Caution, ...]:
    """Standardising answers for every case, also where nobody alike had the other arm; it has to be said which."""
    if not found.one_sided and not found.separated:
        return ()
    told = "; ".join(
        f"{WORDS.get(g.covariate, g.covariate.replace('_', ' '))} {g.level.replace('_', ' ')}: "
        f"{g.cases} {'case' if g.cases == 1 else 'cases'}, never {data.protocol.label(g.never)}"
        for g in found.one_sided
    )
    text = (
        f"{cases} of {len(data)} cases are in groups that never had one of the arms ({told}). What that arm would have "
        "done for them is"
        if found.one_sided
        else "Taken together, what was recorded says for some cases which arm they had for certain: nobody alike had "
        "the other. What it would have done for them is"
    )
    text += (
        " extrapolated from unlike cases in the standardised result; these cases cannot check it, and the limits do "
        "not allow for it."
    )
    return (Caution(code="extrapolated", text=text),)


def _cautions(found: _Found) -> tuple[Caution, ...]:
    texts = []
    if found.overlap is not None:
        low = [(name, round(eff), n) for name, eff, n in found.overlap.effective if eff < 0.5 * n]
        if low:
            told = ", ".join(f"{n} {name} cases count as {eff}" for name, eff, n in low)
            texts.append(("little_overlap", f"The arms had few cases alike: weighted, {told}."))
        if found.overlap.outside > 0.1:
            texts.append(("outside", f"{found.overlap.outside:.0%} of cases have nobody alike in the other arm."))
    if any(abs(b.after) > 0.1 for b in found.balance):
        texts.append(("not_balanced", "Weighting did not make the arms alike in everything recorded."))
    return tuple(Caution(code=code, text=text) for code, text in texts)
