"""Time at the chair: the wait that was spent, mixing taken off, and what it comes to in hours and money.

The waits are those that were spent, from the end of the injection to the start of treatment. They answer another
question than the wait for numbness: an operator who always waits five minutes saves nothing, however soon a tooth is
numb.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from onsetstudy.core.arrays import BoolArray, FloatArray, StrArray
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.quantities import quantity_of
from onsetstudy.core.results import Assumption, Caution, Counts, Estimate, EstimateLike, NotAvailable
from onsetstudy.inference.assumptions import INDEPENDENT_CASES
from onsetstudy.inference.means import LEAST, WELCH, contrast_of_means, moments_by_stratum
from onsetstudy.inference.parameter import Parameter
from onsetstudy.inference.strata import merge_small
from onsetstudy.outcomes.chair_results import ChairTime, Stage, WaitsSeen
from onsetstudy.outcomes.summaries import mean_of, share_of

MINUTES = 60.0
MONTHS = 12.0
CARRIED = "minutes saved times what is stated; limits are those of the minutes"
SAME_CASELOAD = Assumption(name="caseload", detail="future cases are like these, and as many as stated each month")
AS_SPENT = Assumption(name="waits as spent", detail="operators began treatment when they judged that they could")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ChairRecords:
    """What was recorded of each case; all arrays of shape (n,), minutes, ``nan`` where not recorded.

    Parameters
    ----------
    arm : array of str
    wait_min : array of float
        From clock zero to the start of treatment, with a supplement before it or without.
    at_least : array of bool
        The wait was not seen to its end: it lasted at least so long.
    mixing_min : array of float
        Time that preparing the mixture took; ``nan`` where not recorded.
    wait_used : array of str
        ``yes``, ``no`` or empty: whether the wait was used for another task.
    patient : array of str
        Cases of a patient belong together; an empty one belongs to nobody, or to a patient who was to have both arms.
    stages : tuple of (name, array of float)
        Minutes of each stage of the visit, in the order in which they come.
    visit_min : array of float
        From being seated to being dismissed.
    practice : array of str, optional
        Differences are taken within practices and combined by their numbers of cases.
    mixed_arm : str
        The arm whose cartridges are mixed, which costs time and material; empty: the arm that is compared.
    """

    arm: StrArray
    wait_min: FloatArray
    at_least: BoolArray
    mixing_min: FloatArray
    wait_used: StrArray
    patient: StrArray
    visit_min: FloatArray
    stages: tuple[tuple[str, FloatArray], ...] = ()
    practice: StrArray | None = None
    mixed_arm: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Prices:
    """Caseload and costs of one practice; costs in ``currency``, ``None`` where not stated.

    ``mixing_min`` is charged to a mixed case whose mixing time was not recorded; ``None``: the case is left out.
    """

    cases_per_month: float
    mixing_min: float | None = None
    chair_hour_cost: float | None = None
    material_cost: float | None = None
    currency: str = ""


def compare_chair_time(
    records: ChairRecords, prices: Prices, *, reference_arm: str, contrast_arm: str, conf_level: float = 0.95
) -> ChairTime:
    """Wait spent, mixing, minutes saved, hours and money of one arm against the reference.

    Parameters
    ----------
    records : ChairRecords, n cases
    prices : Prices
    reference_arm, contrast_arm : str
    conf_level : float

    Returns
    -------
    ChairTime
        ``difference`` is in minutes a case, compared arm minus reference arm, the mixed one of them with its mixing;
        negative is saved.

    Raises
    ------
    OnsetStudyError
        If the arrays differ in length.

    Notes
    -----
    A wait that was not seen to its end counts with the minutes that were seen, in both arms, and is counted; the
    difference is then too small if the reference arm has more of them. Means by Welch's t (Welch 1947, Biometrika
    34:28-35); shares by Wilson's limits (statsmodels). Caseload and costs are stated, not measured: hours and money are
    the minutes saved times a constant (or a constant over them) and carry the limits of the minutes, so that no line of
    the table can say more than the minutes do. What the material costs is weighed only where the compared arm is the
    mixed one.
    """
    arms = (reference_arm, contrast_arm)
    arm = np.asarray(records.arm).astype(str)
    if any(np.asarray(a).shape != arm.shape for a in (records.wait_min, records.mixing_min, records.patient)):
        raise OnsetStudyError("arm, waits, mixing and patients must be equally long rows")
    mixed_arm = records.mixed_arm or contrast_arm
    mixing, charged = mixing_minutes(records, prices.mixing_min, arm == mixed_arm)
    cost = records.wait_min + mixing
    by_arm = {a: (arm == a) for a in arms}
    waits = tuple(_seen(records, mixing, charged, a, rows) for a, rows in by_arm.items())
    mine, whole = np.isin(arm, arms), ~np.isnan(records.wait_min) & ~records.at_least
    counts = Counts.of(whole[mine], arm[mine], arms)
    contrast = f"{contrast_arm} - {reference_arm}"

    def of(quantity: str, contrast: str = contrast, unit: str = "min", n: Counts = counts) -> Parameter:
        return Parameter(quantity=quantity, contrast=contrast, unit=unit, n=n, conf_level=conf_level)

    asked = np.isin(records.wait_used, ("yes", "no"))
    answered = Counts.of(asked[mine], arm[mine], arms)
    difference = _difference(cost, records, arms, of("chair_time_difference"))
    return ChairTime(
        waits=waits,
        spent=tuple(_mean(records.wait_min[by_arm[a]], of("wait_spent", a)) for a in arms),
        mixing=_mean(mixing[arm == mixed_arm], of("mixing_time", mixed_arm)),
        difference_before_mixing=_difference(
            records.wait_min, records, arms, of("chair_time_before_mixing_difference")
        ),
        difference=difference,
        wait_used=tuple(
            _used(records.wait_used[by_arm[a] & asked] == "yes", of("wait_used", a, "proportion", answered))
            for a in arms
        ),
        visit_difference=_difference(records.visit_min, records, arms, of("visit_time_difference")),
        **hours_and_money(difference, prices, mixes=mixed_arm == contrast_arm),
        cases_per_month=prices.cases_per_month,
        currency=prices.currency,
        stages=_stages(records, arm, arms),
        method=WELCH,
        n=counts,
        assumptions=(INDEPENDENT_CASES, AS_SPENT, SAME_CASELOAD),
        caution=_cautions(waits, records.patient[mine & ~np.isnan(cost)]),
    )


def mixing_minutes(records: ChairRecords, usual_min: float | None, mixed: BoolArray) -> tuple[FloatArray, BoolArray]:
    """Mixing minutes of every case (none for unmixed ones) and where they were charged, not recorded."""
    recorded = np.asarray(records.mixing_min, dtype=np.float64)
    charged = mixed & np.isnan(recorded)
    return np.where(charged, np.nan if usual_min is None else usual_min, np.where(mixed, recorded, 0.0)), charged


def _seen(records: ChairRecords, mixing: FloatArray, charged: BoolArray, arm: str, rows: BoolArray) -> WaitsSeen:
    known = ~np.isnan(records.wait_min)
    return WaitsSeen(
        arm=arm,
        cases=int(rows.sum()),
        whole=int(np.sum(rows & known & ~records.at_least)),
        at_least=int(np.sum(rows & known & records.at_least)),
        unknown=int(np.sum(rows & ~known)),
        mixing_charged=int(np.sum(rows & charged & ~np.isnan(mixing))),
    )


def _mean(values: FloatArray, of: Parameter) -> EstimateLike:
    known = values[~np.isnan(values)]
    if known.size < LEAST:
        return of.absent(f"times recorded: {known.size}; it takes {LEAST}", code="too_few", method=WELCH)
    # Minutes cannot be negative: with few cases and a long one Student's limits would be.
    return mean_of(known, of, by="Student's t", method="mean", least=0.0)


def _difference(values: FloatArray, records: ChairRecords, arms: tuple[str, str], of: Parameter) -> EstimateLike:
    """Within the strata that :func:`~onsetstudy.inference.strata.merge_small` makes of those where it is known."""
    arm = np.asarray(records.arm).astype(str)
    known = ~np.isnan(values) & np.isin(arm, arms)
    stratum = None
    if records.practice is not None and known.any():
        stratum = merge_small([np.asarray(records.practice)[known]], arm[known], arms).code
    moments = moments_by_stratum(values[known], arm[known], arms, stratum=stratum)
    return contrast_of_means(moments, of, what="recorded times", needs_spread=False, assumptions=(AS_SPENT,))


def _used(used: BoolArray, of: Parameter) -> EstimateLike:
    if used.size == 0:
        return of.absent("nobody recorded how the wait was used", code="not_recorded", method=WELCH)
    return share_of((int(used.sum()), used.size), of, method=f"share of {used.size} waits used for another task")


def _saved(difference: EstimateLike) -> EstimateLike:
    """The difference as readers see it, minutes saved: what hours and money are made of, reference arm first."""
    contrast = " - ".join(reversed(str(difference.contrast).split(" - ")))
    if isinstance(difference, NotAvailable):
        return replace(difference, contrast=contrast)
    low, high = difference.interval.low, difference.interval.high
    seen = quantity_of(difference.quantity).as_shown(difference.estimate, low, high)
    span = replace(difference.interval, low=seen.low, high=seen.high)
    return replace(difference, contrast=contrast, estimate=seen.value, interval=span)


def hours_and_money(difference: EstimateLike, prices: Prices, *, mixes: bool) -> dict[str, Any]:
    """Hours in a month and a year, cost of a minute saved, net value of a case, and the break-even.

    Parameters
    ----------
    difference : Estimate or NotAvailable
        Minutes a case, compared arm minus reference arm; its limits are carried.
    prices : Prices
    mixes : bool
        The material is what the compared arm uses; otherwise it is not weighed against the minutes.

    Returns
    -------
    dict
        By the names of the fields of :class:`~onsetstudy.outcomes.chair_results.ChairTime`.
    """
    saved = _saved(difference)
    material, chair = prices.material_cost if mixes else None, prices.chair_hour_cost
    not_stated = "no material cost is stated" if mixes else "the material is used by the arm that is compared with"
    both = "costs of material and chair are not both stated" if mixes else not_stated
    break_even = {"break_even_min": None if material is None or not chair else material / (chair / MINUTES)}
    by_minute = f"{prices.currency}/min"
    units = {"hours_month": "h", "hours_year": "h", "cost_per_minute": by_minute, "net_value": prices.currency}

    def gone(name: str, reason: str, code: str = "not_stated") -> NotAvailable:
        of = Parameter(quantity=name, contrast=str(saved.contrast), unit=units[name], n=saved.n)
        return of.absent(reason, code=code, method=WELCH)

    if not isinstance(saved, Estimate):
        return break_even | {name: gone(name, "the minutes saved are not known", "too_few") for name in units}
    month = prices.cases_per_month / MINUTES
    return break_even | {
        "hours_month": _scaled(saved, "hours_month", "h", month),
        "hours_year": _scaled(saved, "hours_year", "h", MONTHS * month),
        "cost_per_minute": gone("cost_per_minute", not_stated)
        if material is None
        else _per_minute(material, saved, by_minute),
        "net_value": gone("net_value", both)
        if material is None or chair is None
        else _scaled(saved, "net_value", prices.currency, chair / MINUTES, less=material),
    }


def _scaled(saved: Estimate, name: str, unit: str, factor: float, *, less: float = 0.0) -> Estimate:
    """Minutes saved times a stated number, less a stated number; the limits go along."""
    low, value, high = (v * factor - less for v in (saved.interval.low, saved.estimate, saved.interval.high))
    error = None if saved.std_error is None else saved.std_error * factor
    found = replace(saved, quantity=name, unit=unit, std_error=error, assumptions=(INDEPENDENT_CASES, SAME_CASELOAD))
    return _carried(found, value, low, high, CARRIED)


def _carried(of: Estimate, value: float, low: float, high: float, method: str) -> Estimate:
    """What follows from the minutes saved, with limits that follow from theirs."""
    interval = replace(of.interval, low=low, high=high, method=method)
    return replace(of, estimate=value, interval=interval, method=method)


def _per_minute(material: float, saved: Estimate, unit: str) -> EstimateLike:
    """Cost of one minute saved. Where no minute may have been saved at all there is no finite upper limit."""
    low, high = saved.interval.low, saved.interval.high
    if saved.estimate <= 0:
        least = None
        if high > 0:
            least = replace(saved.interval, low=material / high, high=float("inf"), method="one-sided bound")
        of = Parameter(quantity="cost_per_minute", contrast=saved.contrast, unit=unit, n=saved.n)
        return of.absent("no time was saved in these cases", code="nothing_saved", method=CARRIED, bound=least)
    method = "material cost over minutes saved; limits are those of the minutes"
    upper = material / low if low > 0 else float("inf")
    found = replace(saved, quantity="cost_per_minute", unit=unit, std_error=None, assumptions=(INDEPENDENT_CASES,))
    return _carried(found, material / saved.estimate, material / high, upper, method)


def _stages(records: ChairRecords, arm: StrArray, arms: Sequence[str]) -> tuple[Stage, ...]:
    found = []
    for code, (name, minutes) in itertools.product(arms, records.stages):
        known = minutes[(arm == code) & ~np.isnan(minutes)]
        if known.size:
            found.append(Stage(arm=code, stage=name, median_min=float(np.median(known)), cases=int(known.size)))
    return tuple(found)


def waits_not_seen(at_least: Mapping[str, int]) -> tuple[Caution, ...]:
    """The caution on waits of each arm whose end nobody saw; none where all were seen."""
    by_arm = ", ".join(f"{n} {arm}" for arm, n in at_least.items())
    total = sum(at_least.values())
    waits, counts = f"{total} waits were not seen to their end", "count"
    if total == 1:
        waits, counts = "1 wait was not seen to its end", "counts"
    text = f"{waits} ({by_arm}) and {counts} with the minutes that were seen."
    return (Caution(code="waits_at_least", text=text),) if total else ()


def _cautions(waits: tuple[WaitsSeen, ...], patient: StrArray) -> tuple[Caution, ...]:
    found = list(waits_not_seen({w.arm: w.at_least for w in waits}))
    unknown, charged = sum(w.unknown for w in waits), sum(w.mixing_charged for w in waits)
    if unknown:
        have, are = ("case has", "is") if unknown == 1 else ("cases have", "are")
        found.append(Caution(code="waits_unknown", text=f"{unknown} {have} no wait recorded and {are} left out."))
    if charged:
        have, are = ("case has", "is") if charged == 1 else ("cases have", "are")
        text = f"{charged} mixed {have} no mixing time and {are} charged the minutes that the protocol states."
        found.append(Caution(code="mixing_charged", text=text))
    told = patient[patient != ""]
    if more := told.size - np.unique(told).size:
        text = (
            f"{more} {'case is a further one' if more == 1 else 'cases are further ones'} of patients who are counted "
            "already. The limits of minutes, hours and money take every case as one of its own, and may be too narrow."
        )
        found.append(Caution(code="patients_repeat", text=text))
    return tuple(found)
