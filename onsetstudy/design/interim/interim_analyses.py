"""Looking every quarter: the plan, and what each look allows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.claims import DECIDED
from onsetstudy.core.errors import DesignError
from onsetstudy.core.results import Caution
from onsetstudy.design.interim.boundaries import (
    Bounds,
    drift_for_power,
    naive_error,
    spending_bounds,
    spending_futility,
)
from onsetstudy.design.interim.crossing import begin, crossing_chances
from onsetstudy.design.interim.results import ConditionalPower, GatedLook, LookPlan, LookSeen, LookVerdict, PlannedLook

# A look with less new information than this share of the plan tells nothing new.
LEAST_STEP = 1e-4
STANDS_STILL = 1e-9
LEAST_GAIN = 1e-3
"""A look with less more information than this share of what there was finds what the one before it found."""
NODES = 41
"""Of the quadrature over the drift."""


def plan_looks(
    fractions: Sequence[float],
    *,
    kind: str,
    planned_information: float,
    alpha: float = 0.05,
    sided: int = 2,
    rho: float = 3.0,
    power: float = 0.8,
    futility: str = "none",
    unit: str = "onsets",
) -> LookPlan:
    """Plan of looks.

    Parameters
    ----------
    fractions : sequence of float
        Share of the planned information at each look, the last 1.
    kind : str
        ``obrien_fleming``, ``obrien_fleming_total``, ``pocock`` or ``power``.
    planned_information : float
        Onsets (or cases) in all.
    alpha : float
        Error rate of all looks together, both sides if ``sided`` is 2.
    sided : int
    rho : float
        Of the ``power`` family.
    power : float
        For the effect that the planned information suffices for: ``design_drift``, which futility rests on.
    futility : str
        ``none``, ``non_binding`` or ``binding``.
    unit : str
        ``onsets`` or ``cases``.

    Returns
    -------
    LookPlan

    Raises
    ------
    DesignError
        If fractions do not grow to 1, or a number is out of range.
    """
    steps = np.asarray(fractions, dtype=np.float64)
    if not steps.size or abs(steps[-1] - 1) > 1e-9:
        raise DesignError("the last look is at the whole planned information: let the fractions end with 1")
    if sided not in (1, 2) or futility not in ("none", "non_binding", "binding"):
        raise DesignError("sided is 1 or 2, and futility none, non_binding or binding")
    bounds_of = partial(spending_bounds, steps, steps, kind=kind, alpha=alpha, sided=sided, rho=rho, final=True)
    floor_of = partial(spending_futility, fraction=steps, power=power, kind=kind, rho=rho)
    bounds, moved = bounds_of(), math.inf
    if futility == "none" or steps.size == 1:
        floor, drift = None, drift_for_power(bounds, power)
    else:
        floor, drift = floor_of(bounds)
    # A binding rule makes the boundaries rest on the floor, and that on them: in turns until both stand still.
    while futility == "binding" and floor is not None and moved >= STANDS_STILL:
        closer = bounds_of(floors=floor[:-1])
        moved, bounds = float(np.max(np.abs(closer.upper - bounds.upper))), closer
        floor, drift = floor_of(bounds)
    lower = bounds.lower if floor is None else np.maximum(bounds.lower, floor)
    design = crossing_chances(steps, lower, bounds.upper, drift=drift)
    single = -special.ndtri(alpha / sided) - special.ndtri(1 - power)
    looks = tuple(
        PlannedLook(
            number=k + 1,
            fraction=float(steps[k]),
            upper=float(bounds.upper[k]),
            lower=float(bounds.lower[k]) if sided == 2 else None,
            futility=None if floor is None else float(floor[k]),
            alpha_spent=float(bounds.spent[k]) * sided,
            cross_design=float(design.upper[k]),
        )
        for k in range(steps.size)
    )
    return LookPlan(
        spending=kind,
        alpha=alpha,
        sided=sided,
        rho=rho,
        power=power,
        futility=futility,
        planned_information=float(planned_information),
        unit=unit,
        looks=looks,
        inflation=float((drift / single) ** 2),
        naive_error=naive_error(steps.size, alpha=alpha, sided=sided, fraction=steps),
        design_drift=drift,
        method="alpha spending, boundaries by recursive numerical integration",
        source="Lan & DeMets 1983, Biometrika 70:659-663; Jennison & Turnbull 2000, chapter 19",
    )


def judge_looks(plan: LookPlan, seen: Sequence[LookSeen], *, last: bool = False) -> tuple[LookVerdict, ...]:
    """What each look allows, in order; looks need be neither planned nor equally spaced.

    Parameters
    ----------
    plan : LookPlan
    seen : sequence of LookSeen
        All looks so far, the present one last.
    last : bool
        The present look is the last that will be: whatever was not spent is spent.

    Returns
    -------
    tuple of LookVerdict

    Raises
    ------
    DesignError
        If there is no look, or a score is not a number.

    Notes
    -----
    A look with no more information than the one before, one after the boundary was crossed, and one after the
    planned information was reached, are descriptive: their error rate has been spent. Efficacy boundaries are as if
    futility were not acted on, unless the rule is binding. A gated look spends what it would have spent, and neither
    crosses nor ends.

    Information is estimated anew at each look and may fall. Where that happens at the last look of all, what is left of
    the error rate is spent there by a boundary that a single score passes with just that chance. The chance to pass it
    for the first time is then no larger, however the last score and the ones before are correlated. (To take the last
    score for the one before would give a lower boundary, and too many errors as soon as they differ.)
    """
    if not seen or not all(math.isfinite(s.z) and s.counted >= 0 for s in seen):
        raise DesignError("every look needs a score and a count, and there must be one look or more")
    verdicts: list[LookVerdict] = []
    counted: list[LookSeen] = []
    over = ""
    for number, look in enumerate(seen, start=1):
        verdict = _as_seen(plan, seen[:number])
        closing = (last and number == len(seen)) or look.counted >= plan.planned_information
        step = look.counted - (counted[-1].counted if counted else 0.0)
        fresh = step >= LEAST_STEP * plan.planned_information and _informed(counted, look)
        fallen = closing and not fresh and bool(counted) and (look.information is None or look.information > 0)
        if over or not (fresh or fallen):
            why = over or "no new information since the look before"
            extra = Caution(code="extra_look", text=f"Extra look, descriptive only: {why}.")
            verdict = replace(verdict, caution=(extra,))
        elif fallen:
            verdict = _close_without_growth(plan, counted[-1].information, look, verdict, verdicts)
        else:
            counted.append(look)
            verdict = _judge(plan, counted, closing, verdict, verdicts)
        if isinstance(look, GatedLook):
            verdict = _gated(verdict)
        verdicts.append(verdict)
        over = over or _over(verdict)
    return tuple(verdicts)


def _over(verdict: LookVerdict) -> str:
    """Why looks after this one are descriptive; empty where the study goes on."""
    what = "the boundary was crossed" if verdict.code == "crossed" else "the study ended"
    return f"{what} at {verdict.label}" if verdict.code in DECIDED else ""


def _gated(verdict: LookVerdict) -> LookVerdict:
    """The same without what its statistic says."""
    return replace(
        verdict,
        code="descriptive" if verdict.code == "descriptive" else "gated",
        direction="",
        z=math.nan,
        naive_claim=False,
        futility=None,
        conditional=None,
    )


def _beyond(plan: LookPlan, z: float, bound: float) -> bool:
    return z >= bound or (plan.sided == 2 and z <= -bound)


def _as_seen(plan: LookPlan, seen: Sequence[LookSeen]) -> LookVerdict:
    """The last of these looks before it is judged: descriptive."""
    look, steps = seen[-1], _steps(seen)
    return LookVerdict(
        label=look.label,
        code="descriptive",
        direction="",
        z=look.z,
        boundary=math.inf,
        futility=None,
        fraction=look.counted / plan.planned_information,
        counted=look.counted,
        planned=plan.planned_information,
        unit=plan.unit,
        alpha_spent=math.nan,
        naive_claim=_beyond(plan, look.z, plan.single_look),
        naive_error=naive_error(steps.size, alpha=plan.alpha, sided=plan.sided, fraction=steps),
        conditional=None,
    )


def _steps(seen: Sequence[LookSeen]) -> FloatArray:
    """Information of looks of which each knew more than those before; of one that knew nothing, 1.

    By the variance of the score where it grows from look to look, else by the count. A look at the same data again
    finds what the one before it found.
    """
    information = np.array([look.information for look in seen], dtype=np.float64)
    if not (np.diff(information, prepend=0.0) > 0).all():
        information = np.array([look.counted for look in seen], dtype=np.float64)
    before = np.maximum.accumulate(np.concatenate([[0.0], information[:-1]]))
    fresh = information[information > before * (1 + LEAST_GAIN)]
    return fresh if fresh.size else np.ones(1)


def _decided(plan: LookPlan, look: LookVerdict, bound: float, *, spent: float, closing: bool) -> LookVerdict:
    """A look held against its boundary."""
    z = look.z
    crossed = _beyond(plan, z, bound)
    caution: tuple[Caution, ...] = ()
    if look.fraction > 1 + LEAST_STEP:
        text = (
            f"More {plan.unit} than planned ({look.fraction:.0%}): the boundary uses what was left of the error rate "
            "and the information as it is."
        )
        caution = (Caution(code="over_running", text=text),)
    return replace(
        look,
        code="crossed" if crossed else "ended" if closing else "continue",
        direction=("sooner" if z > 0 else "later") if crossed else "",
        boundary=bound,
        alpha_spent=spent,
        caution=caution,
    )


def _informed(counted: list[LookSeen], look: LookSeen) -> bool:
    if look.information is None:
        return True
    known = (s.information for s in reversed(counted) if s.information is not None or not isinstance(s, GatedLook))
    before = next(known, 0.0)
    return before is not None and look.information > before * (1 + 1e-6) and look.information > 0


def _bounds(
    plan: LookPlan, information: FloatArray, fraction: FloatArray, *, final: bool, floors: Sequence[float] = ()
) -> Bounds:
    of_plan = partial(spending_bounds, kind=plan.spending, alpha=plan.alpha, sided=plan.sided, rho=plan.rho)
    return of_plan(information, fraction, final=final, floors=floors)


def _judge(
    plan: LookPlan, counted: list[LookSeen], closing: bool, look: LookVerdict, earlier: list[LookVerdict]
) -> LookVerdict:
    fraction = np.array([s.counted for s in counted]) / plan.planned_information
    known = np.array([s.information for s in counted], dtype=np.float64)
    information = fraction if np.isnan(known).any() else known
    binding = [v.futility for v in earlier if v.code != "descriptive"] if plan.futility == "binding" else []
    floors = [-np.inf if f is None else f for f in binding]
    bounds = _bounds(plan, information, fraction, final=closing, floors=floors)
    spent = float(bounds.spent[-1]) * plan.sided
    found = _decided(plan, look, float(bounds.upper[-1]), spent=spent, closing=closing)
    if closing:
        return found
    floor, powers = _outlook(plan, look.z, information, fraction)
    below = found.code == "continue" and floor is not None and look.z < floor
    code = ("futile" if plan.futility == "binding" else "unlikely") if below else found.code
    return replace(found, code=code, futility=floor, conditional=powers)


def _close_without_growth(
    plan: LookPlan, before: float | None, seen: LookSeen, look: LookVerdict, earlier: list[LookVerdict]
) -> LookVerdict:
    """The last look of all where its information is not above that of the look ``before``."""
    used = next(v.alpha_spent for v in reversed(earlier) if v.code != "descriptive")
    left = max(plan.alpha - used, 0.0)
    bound = float(-special.ndtri(left / plan.sided))
    found = _decided(plan, look, bound, spent=plan.alpha, closing=True)
    known = before is not None and seen.information is not None and seen.information <= before
    told = f" ({seen.information:.3g} after {before:.3g})" if known else ""
    text = (
        f"The last look has no more information than the one before{told}, so that its boundary cannot rest on how the "
        f"looks go together. What was left of the error rate ({100 * left:.2g} %) is spent here with a boundary that "
        "holds however they do, and is stricter for it. The estimate that allows for the looks is not given."
    )
    return replace(found, caution=(Caution(code="no_growth", text=text), *found.caution))


def _outlook(
    plan: LookPlan, z: float, information: FloatArray, fraction: FloatArray
) -> tuple[float | None, ConditionalPower | None]:
    """Futility boundary of this look, and the chances of the looks to come as planned."""
    now = float(fraction[-1])
    ahead = np.array([p.fraction for p in plan.looks if p.fraction > now + LEAST_STEP])
    if not ahead.size:
        return None, None
    # Information per planned unit, as seen so far, goes on to hold.
    scale = float(information[-1]) / now
    steps = np.concatenate([information, ahead * scale])
    shares = np.concatenate([fraction, ahead])
    whole = _bounds(plan, steps, shares, final=True)
    here = information.size
    onward = (z, float(information[-1]), steps[here:], whole.lower[here:], whole.upper[here:])
    powered_for = plan.design_drift / math.sqrt(scale)
    # On the scale of counts the drift of no effect is known.
    effect, known = (plan.effect, powered_for) if information is not fraction else (None, None)
    powers = ConditionalPower(
        design=conditional_power(*onward, drift=powered_for if effect is None else effect),
        predictive=predictive_power(*onward),
        effect=effect,
        powered_for=known,
    )
    if plan.futility == "none":
        return None, powers
    floor, _ = spending_futility(whole, shares, power=plan.power, kind=plan.spending, rho=plan.rho)
    return float(floor[here - 1]), powers


def conditional_power(
    z: float, information: float, following: ArrayLike, lower: ArrayLike, upper: ArrayLike, *, drift: float
) -> float:
    """Chance that a later look passes the upper boundary before it falls below the lower one.

    Parameters
    ----------
    z : float
        At ``information``.
    following : array_like of float, shape (m,)
        Information of the looks to come.
    lower, upper : array_like of float, shape (m,)
        Their boundaries, Z scale.
    drift : float
        Mean of the score for each unit of information from now on.
    """
    steps = np.asarray(following, dtype=np.float64)
    if not steps.size or steps[0] <= information:
        raise DesignError("conditional power asks for a later look with more information")
    start = begin(information, z * float(np.sqrt(information)))
    return crossing_chances(steps, lower, upper, drift=drift, start=start).above


def predictive_power(z: float, information: float, following: ArrayLike, lower: ArrayLike, upper: ArrayLike) -> float:
    """Conditional power averaged over what the score so far leaves likely of the drift (flat prior).

    References
    ----------
    .. [1] Spiegelhalter DJ, Freedman LS, Blackburn PR. Controlled Clinical Trials 1986;7:8-17 (from memory).
    """
    node, weight = np.polynomial.hermite_e.hermegauss(NODES)
    drifts = z * np.sqrt(information) / information + node / np.sqrt(information)
    powers = [conditional_power(z, information, following, lower, upper, drift=float(d)) for d in drifts]
    return float(np.average(powers, weights=weight))
