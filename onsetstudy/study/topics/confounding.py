"""A fair comparison where nobody drew the arms: weights, standardisation, and what may be left."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.adjustment.learning import learning_curve
from onsetstudy.adjustment.least_reach import LeastReach, draws_too_narrow
from onsetstudy.adjustment.propensity import (
    code_columns,
    one_sided,
    overlap_of,
)
from onsetstudy.adjustment.results import EValue, FairComparison, FairLine, OneSided, Overlap
from onsetstudy.adjustment.unmeasured_confounding import e_value, e_value_of_limit, ratio_of_common_hazard
from onsetstudy.core.arrays import BoolArray
from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.parallel import Progress
from onsetstudy.core.results import Assumption, Caution, Estimate, EstimateLike, NotAvailable
from onsetstudy.core.seeds import stream
from onsetstudy.inference.parameter import Parameter
from onsetstudy.outcomes.scores.pain_moment_results import Comfort
from onsetstudy.records.checks.privacy import PSEUDONYMS
from onsetstudy.study.results import Population
from onsetstudy.study.sets.adjusted_contrasts import WAYS, WORDS, AlikeCases
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.study.sets.contrasts import difference_asked

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
BOOTSTRAP = "bootstrap of patients, chances of the arm fitted anew, percentile limits"
PLAINLY = {"not_converged": "the curves of cases alike could not be fitted to so few cases"}
AT_LEAST = ", no nearer than those of the difference as it is"
NO_OTHER = Assumption(name="nothing unrecorded", detail="arms differ by chance among cases alike in what was recorded")


def fair_comparison(
    data: AnalysisSet, overall: Population, comfort: Comfort | None = None, *, progress: Progress | None = None
) -> FairComparison | None:
    """The arms as they are, weighted and standardised; ``None`` for randomised studies.

    Notes
    -----
    Weights are overlap weights: the answer is of cases for whom both arms were likely. Standardisation predicts every
    case under either arm from a proportional-hazards model (onset) or a linear one (pain) with the same covariates and
    averages. Where what was recorded says the arm, or nearly, both are refused. Limits come from drawing patients anew
    with everything fitted anew; where fewer than nine in ten draws can be fitted there are none, and of few cases they
    reach at least as far as those of the difference as it is.
    """
    protocol = data.protocol
    if protocol.study.randomised:
        return None
    other = data.arm == protocol.contrast_arm
    counts, times, target = data.counts("success"), data.times("success"), protocol.onset.target_min
    covariates, left_out = _covariates(data)
    crude = _crude(overall, comfort, data)
    found = _adjusted(data, other, covariates, progress)
    units = {"success_difference": "proportion", "rmst_difference": "min"}
    if protocol.pain is not None:
        units["pain_difference"] = protocol.pain.instrument.unit
    asked = [difference_asked(protocol, name, unit, counts) for name, unit in units.items()]
    return FairComparison(
        lines=tuple(
            FairLine(
                outcome=of.quantity,
                unit=of.unit,
                crude=crude[of.quantity],
                weighted=found.estimate("weighted", of, crude[of.quantity]),
                standardised=found.estimate("standardised", of, crude[of.quantity]),
            )
            for of in asked
        ),
        overlap=found.overlap,
        e_values=_e_values(overall),
        learning=learning_curve(
            times.right <= target,
            (times.right <= target) | (times.left >= target),
            data.places("clinician_id") + 1,
            other,
            conf_level=protocol.plan.conf_level,
        ),
        period=_period(data, other),
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
    known = 0
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
        matrix = code_columns({**found, name: column}).matrix
        if matrix.shape[1] == known:
            # Rare levels are taken together: where all are, nothing is left to account for.
            left_out.append((name, "too few cases of each"))
        elif matrix.shape[1] > len(data) / CASES_A_COLUMN:
            left_out.append((name, "too many levels for so few cases"))
        elif np.linalg.matrix_rank(np.column_stack((np.ones(len(data)), matrix))) <= matrix.shape[1]:
            left_out.append((name, "says the same as the others"))
        else:
            found[name], known = column, matrix.shape[1]
    return found, left_out


def _crude(overall: Population, comfort: Comfort | None, data: AnalysisSet) -> dict[str, EstimateLike]:
    plan, moments = data.protocol.pain, () if comfort is None else comfort.moments
    main = next((m for m in moments if plan is not None and m.moment == plan.moment), None)
    nothing = difference_asked(data.protocol, "pain_difference", "", overall.n).absent(
        "no score was recorded", code="no_scores", method="difference of means"
    )
    return {
        "success_difference": overall.success_difference,
        "rmst_difference": overall.wait_difference,
        "pain_difference": nothing if main is None else main.missing.mean_difference,
    }


@dataclass(slots=True)
class _Found:
    """Estimates by outcome and way, their draws, and why there are none: a code and a sentence."""

    point: dict[tuple[str, str], float] = field(default_factory=dict)
    draw: dict[tuple[str, str], list[float]] = field(default_factory=dict)
    reason: dict[tuple[str, str], tuple[str, str]] = field(default_factory=dict)
    reach: dict[str, LeastReach] = field(default_factory=dict)
    one_sided: tuple[OneSided, ...] = ()
    extrapolated: tuple[Caution, ...] = ()
    overlap: Overlap | None = None
    draws: int = 0

    @property
    def separated(self) -> bool:
        """Whether what was recorded says for some cases which arm they had for certain."""
        return any(code == "separation" for code, _ in self.reason.values())

    def estimate(self, how: str, of: Parameter, crude: EstimateLike) -> EstimateLike:
        """One adjusted difference with its limits, or why there is none."""
        name, method = of.quantity, {"weighted": "overlap weights", "standardised": "standardised over all cases"}[how]
        drawn = np.array(self.draw.get((name, how), []))
        held = drawn[np.isfinite(drawn)]
        reach, why = self.reach.get(name), None
        if (name, how) not in self.point:
            why = self.reason.get((name, how), ("not_fitted", "it could not be fitted"))
        elif held.size < LEAST_HELD * max(self.draws, 1):
            why = "few_draws", f"{held.size} of {self.draws} draws could be fitted, too few for limits"
        elif isinstance(crude, NotAvailable):
            # What the cases as they are do not say, such as a wait beyond the last test, weights do not find either.
            why = crude.code, crude.reason
        if why is not None:
            return of.absent(why[1], code=why[0], method=method)
        value, tail, limits = self.point[name, how], (1 - of.conf_level) / 2, BOOTSTRAP
        low, high = (float(end) for end in np.quantile(held, [tail, 1 - tail]))
        if reach is not None and isinstance(crude, Estimate):
            limits += AT_LEAST
            low, high = reach.widened(value, (low, high), crude.estimate, crude.interval)
        return of.estimate(
            value,
            (low, high),
            by=limits,
            method=f"{method}; {limits}",
            std_error=float(held.std(ddof=1)),
            assumptions=(NO_OTHER,),
            caution=self.extrapolated if how == "standardised" else (),
        )


def _adjusted(
    data: AnalysisSet, other: BoolArray, covariates: dict[str, NDArray[Any]], progress: Progress | None
) -> _Found:
    found = _Found()
    if not covariates:
        # Weights by nothing are no weights: what they would give is the difference as it is, under another name.
        nothing = ("not_fitted", "nothing was recorded in which cases could differ")
        found.reason = {(name, how): nothing for how, outcomes, _ in WAYS for name in outcomes}
        return found
    design = code_columns(covariates)
    cases = AlikeCases(data=data, other=other, design=design, rows=np.arange(len(data)), strict=True)
    for how, outcomes, work in WAYS:
        try:
            found.point |= {(name, how): value for name, value in work(cases).items()}
        except OnsetStudyError as error:
            found.reason |= {(name, how): _why(error) for name in outcomes}
    arms = (data.protocol.reference_arm, data.protocol.contrast_arm)
    if any(how == "standardised" for _, how in found.point):
        found.one_sided, inside = one_sided(other, covariates, arms)
        found.extrapolated = _extrapolated(found, int(inside.sum()), data)
    if any(how == "weighted" for _, how in found.point):
        found.overlap = overlap_of(other, cases.chance, cases.weight, arms)
    if found.point:
        found.reach = _reach(cases, {name for name, _ in found.point})
        _draw(cases, found, progress)
    return found


def _why(error: OnsetStudyError) -> tuple[str, str]:
    """Code and sentence of a refusal."""
    if not isinstance(error, NotEstimable):
        return "not_fitted", str(error)
    return error.code, PLAINLY.get(error.code, error.reason)


def _reach(cases: AlikeCases, asked: set[str]) -> dict[str, LeastReach]:
    """How far limits reach at least, of the outcomes whose draws do not spread enough."""
    data, onset, every = cases.data, cases.data.protocol.onset, np.ones(len(cases.rows), dtype=bool)
    success, wait = data.times("success"), data.times("wait")
    outcomes = {
        "success_difference": (success.right <= onset.target_min, every, 1.0),
        "rmst_difference": (np.column_stack((wait.left, wait.right)), every, onset.tau_min),
        "pain_difference": (cases.score, ~np.isnan(cases.score), math.inf),
    }
    return {
        name: LeastReach.of(cases.other[used], cases.matrix[used], edge)
        for name, (values, used, edge) in outcomes.items()
        if name in asked and draws_too_narrow(values[used], cases.other[used])
    }


def _draw(cases: AlikeCases, found: _Found, progress: Progress | None) -> None:
    """Patients drawn anew with all their cases; everything fitted anew in each draw."""
    names, group = np.unique(cases.data.column("patient_id"), return_inverse=True)
    members = np.split(np.argsort(group, kind="stable"), np.cumsum(np.bincount(group))[:-1])
    rng = stream(cases.data.protocol.plan.seed, "fair comparison")
    found.draws = REPLICATES
    asked = [(how, outcomes, work) for how, outcomes, work in WAYS if (outcomes[0], how) in found.point]
    for number in range(REPLICATES):
        if progress is not None and number % 20 == 0:
            progress(number, REPLICATES, "fair comparison")
        picked = rng.integers(0, names.size, names.size)
        rows = np.concatenate([members[i] for i in picked])
        drawn = replace(cases, other=cases.other[rows], rows=rows, strict=False)
        for how, outcomes, work in asked:
            try:
                values = work(drawn)
            except OnsetStudyError:
                values = {}
            for name in outcomes:
                found.draw.setdefault((name, how), []).append(values.get(name, np.nan))


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
        f"{WORDS.get(g.covariate, g.covariate.replace('_', ' '))} "
        f"{g.level if g.covariate in PSEUDONYMS else g.level.replace('_', ' ')}: "
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
    return tuple(Caution(code=code, text=text) for code, text in texts)
