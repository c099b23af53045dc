"""Makes a claim of a number: with which interval, allowed for the interim analyses, and what it bears.

Results of a practice and of a group say which numbers become claims; all are made here, so that the same interval is
never told in two ways. Earlier keys are turned where files are read. This module must not word a sentence.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Mapping

import numpy as np
from scipy import special

from onsetstudy.core.claims import Bearing, Claim, Look, bearing, counted_in, first_decided, within_patients
from onsetstudy.core.quantities import Quantity, quantity_of
from onsetstudy.core.results import (
    FEW_OF_AN_ARM,
    NO_SPREAD,
    Caution,
    Counts,
    Estimate,
    EstimateLike,
    HypothesisTest,
    Interval,
    NotAvailable,
)
from onsetstudy.inference.estimate_or_reason import without_number
from onsetstudy.inference.parameter import Parameter, cut_at_possible
from onsetstudy.inference.strata import LEAST_OF_AN_ARM
from onsetstudy.outcomes.scores.pain_moments import welch_difference
from onsetstudy.outcomes.scores.pain_results import PainComparison
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.results import SHUTS, Doubt
from onsetstudy.study.planning.sizes import BY_SPENDING
from onsetstudy.study.results import LooksTaken, Population

DOUBTED = {
    "control_lost": "the control tooth lost its feeling together with the target, so that the tests do not tell "
    "when the target became numb",
    "control_lost_in_arm": "in one arm the control tooth lost its feeling together with the target, so that its tests "
    "do not tell when the target became numb",
    "clock": "in many cases the first planned tests are not recorded, or tests lie long after the last one",
    "not_tested_again": "most teeth that stopped feeling were not tested again, so that their onset was not confirmed",
}
"""Why a number is withheld, by the code of the doubt."""
Told = tuple[EstimateLike, tuple[EstimateLike, ...], HypothesisTest | None]
"""What is told of a quantity: its answer, the same of each arm, reference first, and the test that belongs to it."""
LEAST_PAIRS = 5
"""Patients with both arms below which no difference of waits within them is claimed."""
EVIDENCE = {"cold_tests": "onset", "cases": "chair", "": ""}


def shutting(doubts: Iterable[Doubt]) -> tuple[Doubt, ...]:
    """One doubt of each kind that withholds a number."""
    return tuple({d.code: d for d in doubts if d.effect == SHUTS}.values())


def claims_among(
    found: Mapping[str, Told],
    protocol: Protocol,
    *,
    shut: tuple[Doubt, ...],
    look: Look | None,
    population: str,
    known: Counts,
    subset: str = "",
    strictest: float = 0.0,
) -> tuple[Claim, ...]:
    """The claims about quantities of the same cases, in their order; the plan's primary one leads, but of no subset.

    Parameters
    ----------
    found : mapping of str to (answer, arms, test)
        By the key of the table of quantities; see :func:`claim_of`.
    shut : tuple of Doubt
        Why the cold tests cannot bear a claim: what rests on them has no number then.
    strictest : float
        Critical value to which all are held but the claim that leads, where another look may have decided.
    """
    claims = []
    beside = look
    if look is not None and strictest > look.critical:
        beside = dataclasses.replace(look, critical=strictest, other=True)
    for key, (answer, arms, test) in found.items():
        if shut and quantity_of(key).rests_on == "cold_tests":
            reason = "the cold tests cannot bear it: " + "; ".join(DOUBTED[d.code] for d in shut)
            answer, arms, test = without_number(answer, "withheld", reason), (), None
        leads = not subset and key == protocol.plan.primary
        claims.append(
            claim_of(
                key, answer, protocol, arms=arms, test=test, look=look if leads else beside, population=population,
                known=known, leads=leads, subset=subset,
            )
        )  # fmt: skip
    return tuple(claims)


def claim_of(
    key: str,
    answer: EstimateLike,
    protocol: Protocol,
    *,
    population: str,
    known: Counts,
    arms: tuple[EstimateLike, ...] = (),
    test: HypothesisTest | None = None,
    look: Look | None = None,
    leads: bool = False,
    subset: str = "",
) -> Claim:
    """The claim about one quantity.

    Parameters
    ----------
    key : str
        Of the table of quantities.
    answer : Estimate or NotAvailable
        As estimated, without allowance for the looks; under the key of the table; readers of files turn earlier ones.
    protocol : Protocol
        Names the difference that matters.
    population, subset : str
        Whose cases; within patients these are counted, of scores the scores.
    known : Counts
        Cases behind it.
    arms, test
        The same of each arm, reference first; the test that belongs to it.
    look : Look or None
        The deciding interim analysis; every claim is made as often as the study is looked at.
    leads : bool
        Whether the verdict is about this quantity.
    """
    quantity, now = quantity_of(key), answer
    matters = _matters(quantity, protocol)
    alone: Interval | None = None
    bears: Bearing | None = None
    if isinstance(now, Estimate):
        if look is not None:
            alone = _possible(now, quantity, protocol).interval
            now = allowed_for_looks(now, quantity, look.critical, test)
        now = _possible(now, quantity, protocol)
        bears = bearing(quantity, now.interval.low, now.interval.high, matters=matters)
        if _withheld(quantity, bears.side, look, protocol) or (look is None and _not_rejected(test, now)):
            bears = dataclasses.replace(bears, side=0, size="within" if bears.size == "within" else "open")
        if (few := _few_of_an_arm(quantity, now, protocol)) is not None:
            now = dataclasses.replace(now, caution=(*now.caution, few))
        # What a boundary that was crossed has shown of waits it has not of values that do not vary.
        if few in now.caution or NO_SPREAD in now.caution:
            bears = dataclasses.replace(bears, side=0, size="open" if matters is not None else bears.size)
    return Claim(
        quantity=quantity,
        population=_of_whom(quantity, now) or population,
        subset=subset,
        answer=now,
        n=known,
        arms=arms,
        test=test,
        looks=look,
        leads=leads,
        alone=alone,
        matters=matters,
        bears=bears,
        places=_places(quantity, now, matters),
        evidence=_evidence(quantity),
    )


def _evidence(quantity: Quantity) -> str:
    """Section that shows a claim's evidence."""
    if quantity.key == "treatment_success_difference":
        return "safety"
    return "comfort" if quantity.unit == "score" else EVIDENCE[quantity.rests_on]


def _withheld(quantity: Quantity, side: int, look: Look | None, protocol: Protocol) -> bool:
    """Whether the interim analysis does not let this direction be said: its boundary was not crossed to that side.

    The verdict is about the primary outcome and whatever else the same table tells: no number of the cold tests may
    claim what the analysis of the cold tests has not, and no score what the analysis of the scores has not.
    """
    if look is None or side == look.side:
        return False
    lead = quantity_of(protocol.plan.primary)
    if lead.unit == "score":
        return quantity.unit == "score"
    return quantity is lead if lead.rests_on == "cases" else quantity.rests_on == lead.rests_on


def _not_rejected(test: HypothesisTest | None, answer: Estimate) -> bool:
    """Whether the test that the study was sized by leaves no difference possible, whatever the interval says.

    The ratio of rates has its interval by its likelihood and its test by ranks; in small samples the interval is the
    bolder of the two.
    """
    return test is not None and test.p_shown is not None and test.p_shown >= 1 - answer.interval.level


def _few_of_an_arm(quantity: Quantity, answer: Estimate, protocol: Protocol) -> Caution | None:
    """Why a wait's interval bears neither direction nor size; ``None`` where it does.

    Nor does that of pain where interim analyses of it are planned: none is one before each arm has ten cases.

    A small arm often holds none of the teeth that wait longest: it then seems sooner, and its variance too small. With
    no difference, limits at 95 % excluded that in 6 to 11 % of studies with 4 to 6 cases in one arm. Within patients,
    whose differences then lie as often to one side as to the other, in 1 to 4 % with 4 to 6 patients; with fewer than
    5 it is not known how well limits hold a true difference.
    """
    pairs = within_patients(answer)
    least = min((arm.cases for arm in answer.n.by_arm), default=LEAST_OF_AN_ARM)
    spends = protocol.looks is not None and protocol.looks.boundary in BY_SPENDING
    looked_at = spends and quantity is quantity_of(protocol.plan.primary)
    told = {"rmst_difference": "waiting"} | ({"pain_difference": "mean pain"} if looked_at else {})
    enough = LEAST_PAIRS if pairs and not looked_at else LEAST_OF_AN_ARM
    if quantity.key not in told or least >= enough:
        return None
    text = (
        f"With {least} {'case' if least == 1 else 'cases'} in an arm the limits of a difference in "
        f"{told[quantity.key]} are too narrow, so that no difference is claimed before each arm has {LEAST_OF_AN_ARM}."
    )
    if pairs:
        text = (
            f"With {least} patients treated in both arms how their differences spread is hardly known, so that no "
            f"difference in {told[quantity.key]} is claimed before there are {enough}."
        )
    return Caution(code=FEW_OF_AN_ARM, text=text)


def allowed_for_looks(
    answer: Estimate, quantity: Quantity, critical: float, test: HypothesisTest | None = None
) -> Estimate:
    """The answer with its repeated confidence interval: critical value of the analysis instead of that of one look.

    Either end's distance from the estimate, on the quantity's scale, is multiplied by the ratio of the critical values.
    For an interval by the normal distribution this is estimate +- critical value x standard error (Jennison and
    Turnbull 1989); one that is skew, or wider by Student's t, stays so. Of a shift of
    scores the near end is drawn to no difference where its test does not rule that out at this critical value.
    """
    one = float(-special.ndtri((1 - answer.interval.level) / 2))
    ratio = max(1.0, critical / one)
    span, log = answer.interval, quantity.scale == "log"

    def far(end: float) -> float:
        if not math.isfinite(end) or (log and end <= 0):
            return end
        if log:
            centre = math.log(answer.estimate)
            return math.exp(centre + ratio * (math.log(end) - centre))
        return answer.estimate + ratio * (end - answer.estimate)

    low, high = (0.0 if log else -math.inf, math.inf) if not math.isfinite(ratio) else (far(span.low), far(span.high))
    if quantity.unit == "proportion":
        low, high = max(low, -1.0), min(high, 1.0)
    method = f"{span.method}, repeated confidence interval"
    if quantity.key == "pain_shift" and quantity.side(low, high) and not _ruled_out(answer, critical, test):
        low, high = min(low, 0.0), max(high, 0.0)
        method = f"{method}, drawn to no difference, which its test does not rule out at this analysis"
    wide = Interval(low=low, high=high, level=span.level, method=method)
    return dataclasses.replace(answer, interval=wide)


def _ruled_out(answer: Estimate, critical: float, test: HypothesisTest | None) -> bool:
    """Whether a shift's test rules out no difference at this analysis; without one, whether its limits can grow.

    A limit of coarse scores may lie beside no difference and the estimate on it: no distance is there to multiply.
    """
    if test is None:
        return answer.estimate not in (answer.interval.low, answer.interval.high)
    return test.p_value < 2 * float(special.ndtr(-critical))


def _possible(answer: Estimate, quantity: Quantity, protocol: Protocol) -> Estimate:
    """The answer with its interval cut at the largest difference that there can be.

    Few cases leave a mean's interval by Student's t wider than any difference of waits that end at the horizon, or of
    scores on a scale. The estimates keep what their method gives: Z of an interim analysis is taken from there.
    """
    return dataclasses.replace(
        answer, interval=cut_at_possible(answer.interval, largest_difference(quantity, protocol))
    )


def largest_difference(quantity: Quantity, protocol: Protocol) -> float | None:
    """Largest difference between two arms that there can be; ``None`` where nothing bounds it."""
    if quantity.unit == "proportion" and quantity.contrast == "-":
        return 1.0
    if quantity.key == "rmst_difference":
        return protocol.onset.tau_min
    if quantity.unit == "score" and protocol.pain is not None:
        return protocol.pain.instrument.high - protocol.pain.instrument.low
    return None


def mean_pain(whole: Population, protocol: Protocol) -> EstimateLike:
    """Difference of mean scores at the protocol's moment, on the protocol's scale; earlier results kept the scores."""
    if whole.pain_difference is not None:
        return whole.pain_difference
    pain = whole.pain
    if not isinstance(pain, PainComparison):
        return dataclasses.replace(pain, quantity="pain_difference")
    scores = {arm.arm: np.asarray(arm.scores, dtype=np.float64) for arm in pain.scores}
    arms, level = protocol.arm_codes[:2], protocol.plan.conf_level
    contrast = " - ".join(reversed(arms))
    of = Parameter(quantity="pain_difference", contrast=contrast, unit=pain.unit, n=pain.n, conf_level=level)
    return welch_difference([scores[arm] for arm in arms], of)


def shown_test(test: object) -> HypothesisTest | None:
    """A test that was made, or none."""
    return test if isinstance(test, HypothesisTest) else None


def _matters(quantity: Quantity, protocol: Protocol) -> float | None:
    if quantity.key == "rmst_difference":
        return protocol.plan.wait_difference_min
    if quantity.key in ("pain_difference", "pain_shift") and protocol.pain is not None:
        return protocol.pain.instrument.important_difference
    return None


def _places(quantity: Quantity, answer: EstimateLike, matters: float | None) -> int:
    if isinstance(answer, NotAvailable):
        return quantity.shown.places
    seen = quantity.as_shown(answer.estimate, answer.interval.low, answer.interval.high)
    size = None if matters is None else abs(matters * quantity.shown.factor)
    ends = (seen.low, seen.high)
    if answer.unit == "mm":
        # A line read to the millimetre has no tenths.
        quantity = dataclasses.replace(quantity, shown=dataclasses.replace(quantity.shown, places=0))
    # What an interval bears is told by its ends: an estimate beside the difference that matters says nothing of it.
    return max(quantity.places(seen), quantity.places(ends, () if size is None else (size, -size)))


def cases_told(n: int, practices: int = 1) -> str:
    """Whose cases a claim is of."""
    whose = f" of {practices} practices" if practices > 1 else ""
    return f"{n} {'case' if n == 1 else 'cases'}{whose}"


def _of_whom(quantity: Quantity, answer: EstimateLike) -> str:
    """Patients of an answer within patients, else the scores or treatments that it is of: other cases tell nothing."""
    n, what = counted_in(answer)
    if what == "case":
        if isinstance(answer, NotAvailable) or quantity.key != "treatment_success_difference":
            return ""
        what = "treatment"
    return f"{n} {what if n == 1 else what + 's'}"


def _of_gated(taken: LooksTaken, last: int) -> int:
    """Place of the first of the gated looks up to ``last`` beyond its boundary; ``last`` if there is none."""
    if taken.verdicts[last].code != "gated":
        return last
    judged = [k for k in range(last) if taken.verdicts[k].code not in ("gated", "descriptive")]
    gated = range(judged[-1] + 1 if judged else 0, last)
    return next((k for k in gated if abs(taken.seen[k].z) >= taken.verdicts[k].boundary), last)


def deciding_look(taken: LooksTaken | None) -> Look | None:
    """The deciding interim analysis: the first that crossed or ended, else the last that was one.

    Among gated ones that are the last, it is the one at which an open study would have ended.
    """
    if taken is None:
        return None
    verdicts = taken.verdicts
    last = next((k for k in range(len(verdicts) - 1, -1, -1) if verdicts[k].code != "descriptive"), len(verdicts) - 1)
    decided = first_decided(v.code for v in verdicts)
    over = _of_gated(taken, last) if decided is None else decided
    v = verdicts[over]
    return Look(
        number=over + 1,
        planned=max(len(taken.plan.looks), over + 1),
        label=v.label,
        code=v.code,
        side={"sooner": 1, "later": -1}.get(v.direction, 0),
        counted=v.counted,
        planned_count=v.planned,
        unit=v.unit,
        critical=v.boundary,
        sided=taken.plan.sided,
        later=over < len(verdicts) - 1,
    )
