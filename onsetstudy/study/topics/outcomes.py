"""Outcomes beside onset, of the analysed cases: chair time, harms, and comfort (pain at every moment, and anxiety).

Comfort has the secondary outcomes of the plan together, under one error rate.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
from scipy import special

from onsetstudy.core.results import Caution, Counts, Estimate, EstimateLike, HypothesisTest, NotAvailable
from onsetstudy.outcomes.chair_results import ChairTime
from onsetstudy.outcomes.chair_time import ChairRecords, Prices, compare_chair_time, hours_and_money
from onsetstudy.outcomes.harm_results import Safety
from onsetstudy.outcomes.harms import EventRecorded, SafetyRecords, summarise_safety
from onsetstudy.outcomes.scores.multiplicity import share_error
from onsetstudy.outcomes.scores.ordered_bands import BANDS, proportional_odds
from onsetstudy.outcomes.scores.pain_moment_results import Anxiety, Comfort, MomentOfPain, SharedError
from onsetstudy.outcomes.scores.pain_moments import PainRecords, anxiety_change, moment_of_pain
from onsetstudy.outcomes.scores.pain_results import PainComparison
from onsetstudy.protocol.model import Protocol
from onsetstudy.protocol.vocabulary import MIXED_ARM, PAIN_MOMENTS
from onsetstudy.records.model import OpenTables
from onsetstudy.study.results import Population
from onsetstudy.study.sets.analysis_set import AnalysisSet

STAGES = ("seated to needle", "injection", "wait", "treatment", "until dismissed")
COVARIATES = ("technique", "topical", "period")
NO_OPEN_TABLES = OpenTables()


def chair_time_of(data: AnalysisSet) -> ChairTime | None:
    """Chair time of the plan's two arms; ``None`` where the protocol states no caseload."""
    protocol = data.protocol
    if protocol.chair_time is None:
        return None
    return compare_chair_time(
        chair_records(data),
        Prices(**dataclasses.asdict(protocol.chair_time)),
        reference_arm=protocol.reference_arm,
        contrast_arm=protocol.contrast_arm,
        conf_level=protocol.plan.conf_level,
    )


def carried(chair: ChairTime, difference: EstimateLike, protocol: Protocol) -> ChairTime:
    """Chair time whose hours and money carry the limits of this difference, such as those of its claim."""
    if protocol.chair_time is None:
        return chair
    prices = Prices(**dataclasses.asdict(protocol.chair_time))
    return dataclasses.replace(chair, **hours_and_money(difference, prices, mixes=protocol.contrast_arm == MIXED_ARM))


def chair_records(data: AnalysisSet, *, of_a_part: bool = False) -> ChairRecords:
    """Waits, mixing, use of the wait and stages of every analysed case.

    A wait ends with the start of treatment: the chair is not free when a supplement is given, it is taken for longer.
    A wait of which the start of treatment is not recorded lasted at least to the supplement, or to the last test of the
    first injection. In an arm of which a practice recorded no start there are no waits: how long teeth were tested is
    the plan's choice, not the chair's time. A part of its records does not tell that yet (``of_a_part``).
    """
    zero = data.numbers(data.protocol.schedule.clock_zero)
    start, end = data.numbers("injection_start"), data.numbers("injection_end")
    treated, rescued, last = (data.numbers(f"{name}_min") for name in ("treatment_start", "rescue", "last_test"))
    seen = ~np.isnan(treated)
    # fmax: a minute and nothing is the minute.
    least = np.fmax(rescued, np.where(last > 0, last, np.nan))
    whose = [data.column("practice_id"), data.arm]
    told = of_a_part | pd.Series(seen).groupby(whose).transform("any").to_numpy(dtype=bool)
    wait = np.where(seen, treated, np.where(told, least, np.nan))
    seated, finished, dismissed = (data.numbers(f"{c}_time") for c in ("seated", "treatment_end", "dismissed"))
    stages = (
        start - seated,
        end - start,
        np.where(seen, wait, np.nan),
        finished - zero - treated,
        dismissed - finished,
    )
    return ChairRecords(
        arm=data.arm,
        wait_min=wait,
        at_least=~seen & ~np.isnan(wait),
        mixing_min=data.numbers("mixing_min"),
        wait_used=data.text("wait_used"),
        # To compare cases of a patient who was to have both arms as if of two makes limits too wide, not too narrow.
        patient=np.full(len(data), "") if data.protocol.study.paired else data.column("patient_id"),
        visit_min=dismissed - seated,
        stages=tuple(zip(STAGES, stages, strict=True)),
        practice=data.column("practice_id"),
        mixed_arm=MIXED_ARM,
    )


def recorded_events(data: AnalysisSet, open_tables: OpenTables) -> tuple[EventRecorded, ...]:
    """The events of the analysed cases one by one, from the table of events; none where there is no such table."""
    table = open_tables.adverse_events
    if table is None:
        return ()
    text = table[["case_id", "kind", "serious"]].astype(object)
    text = text.where(text.notna(), "").astype(str)
    case_id, kinds, serious = (text[name].str.strip() for name in text)
    row = pd.Index(data.frame["case_id"]).get_indexer(case_id)
    return tuple(EventRecorded(int(r), k, s) for r, k, s in zip(row, kinds, serious, strict=True) if r >= 0)


def safety_of(data: AnalysisSet, open_tables: OpenTables = NO_OPEN_TABLES) -> Safety:
    """Adverse events, supplements and missed blocks by arm; by what was injected where that is known.

    Harms follow the syringe, not the list: with an allocation list, cases are counted in the arm that was injected.
    """
    return summarise_safety(
        SafetyRecords(
            arm=data.received,
            event=data.text("adverse_event"),
            serious=data.text("adverse_serious"),
            supplement=data.frame["rescue_min"].notna().to_numpy(),
            lip_numb=data.text("lip_numb"),
            technique=data.text("technique"),
            recorded=recorded_events(data, open_tables),
            treatment=data.treatment() if data.protocol.tells_treatment else None,
        ),
        arms=data.protocol.arm_codes[:2],
        conf_level=data.protocol.plan.conf_level,
    )


def comfort_of(data: AnalysisSet, overall: Population) -> Comfort | None:
    """Comfort in the plan's two arms; ``None`` where neither is recorded and the plan names no secondary outcome.

    Notes
    -----
    Every moment is kept apart and on its own scale. Pain is adjusted for technique, topical anaesthetic and order of
    the injection where these were recorded and differ.
    """
    protocol, pain, arms = data.protocol, data.protocol.pain, data.protocol.arm_codes[:2]
    if pain is None and protocol.anxiety is None and not protocol.plan.secondary:
        return None
    moments = tuple(found for moment in PAIN_MOMENTS if (found := _moment(data, moment)) is not None)
    odds = anxiety = None
    if pain is not None and pain.instrument.scale in BANDS and not np.isnan(data.pain).all():
        odds = proportional_odds(
            data.pain, data.arm, scale=pain.instrument.scale, moment=pain.moment,
            reference_arm=arms[0], contrast_arm=arms[1], conf_level=protocol.plan.conf_level,
        )  # fmt: skip
    if protocol.anxiety is not None:
        anxiety = anxiety_change(
            data.numbers("anxiety_before"), data.numbers("anxiety_after"), data.arm, arms=arms,
            scale=protocol.anxiety.scale, unit=protocol.anxiety.unit, conf_level=protocol.plan.conf_level,
        )  # fmt: skip
    return Comfort(
        moments=moments,
        odds=odds,
        anxiety=anxiety,
        shared=_shared(data, overall, moments, anxiety),
        n=Counts.of(np.ones(len(data), dtype=bool), data.arm, arms),
        caution=_cautions(data),
    )


def _moment(data: AnalysisSet, moment: str) -> MomentOfPain | None:
    """One moment, if anybody recorded it."""
    protocol = data.protocol
    if protocol.pain is None or np.isnan(score := data.numbers(f"pain_{moment}")).all():
        return None
    there = {name: data.column(name) for name in COVARIATES if data.frame[name].notna().any()}
    return moment_of_pain(
        PainRecords(
            score=score,
            arm=data.arm,
            reason=data.text("score_missing_reason"),
            patient=data.column("patient_id"),
            covariates={name: values for name, values in there.items() if np.unique(values).size > 1},
            pairs=data.pairs(),
        ),
        moment=moment,
        arms=protocol.arm_codes[:2],
        unit=protocol.pain.instrument.unit,
        painless_at_most=protocol.pain.painless_at_most,
        important_difference=protocol.pain.instrument.important_difference,
        conf_level=protocol.plan.conf_level,
    )


def _shared(
    data: AnalysisSet, overall: Population, moments: tuple[MomentOfPain, ...], anxiety: Anxiety | None
) -> SharedError | None:
    """The plan's secondary outcomes under one error rate."""
    protocol = data.protocol
    if not protocol.plan.secondary:
        return None
    main = next((m for m in moments if protocol.pain and m.moment == protocol.pain.moment), None)
    pain = overall.pain
    found: dict[str, Estimate | NotAvailable | HypothesisTest | None] = {
        "success_difference": overall.success_difference,
        "hazard_ratio": overall.onset_test,
        "rmst_difference": overall.wait_difference,
        "not_numb_difference": overall.never_numb_difference,
        "pain_difference": overall.pain_difference if isinstance(pain, PainComparison) else pain,
        "treatment_success_difference": overall.treatment_difference,
        "painless_share": None if main is None else main.painless_difference,
        "anxiety_change": None if anxiety is None else anxiety.difference,
    }
    lines = [(name, *_p_value(found[name])) for name in protocol.plan.secondary]
    return share_error(lines, procedure=protocol.plan.multiplicity, alpha=1 - protocol.plan.conf_level)


def _p_value(result: Estimate | NotAvailable | HypothesisTest | None) -> tuple[float | None, str]:
    if result is None:
        return None, "not recorded"
    if isinstance(result, NotAvailable):
        return None, result.reason
    if isinstance(result, HypothesisTest):
        why = "cases repeat within clusters, and the test takes them as independent"
        return result.p_shown, "" if result.p_shown is not None else why
    if result.p_value is not None:
        return result.p_value, ""
    if any(c.code == "clusters_too_narrow" for c in result.caution):
        return None, "too few clusters: the interval is too narrow for a P value"
    # Without a test of its own: how far the interval lies from no difference.
    z = float(-special.ndtri((1 - result.interval.level) / 2))
    side = result.interval.low if result.estimate > 0 else result.interval.high
    reach = abs(result.estimate - side)
    if reach == 0 or not math.isfinite(reach):
        return None, "the estimate has no spread"
    return float(2 * special.ndtr(-abs(result.estimate) / (reach / z))), "from the interval"


def _cautions(data: AnalysisSet) -> tuple[Caution, ...]:
    scale = None if data.protocol.pain is None else data.protocol.pain.instrument
    if scale is None or scale.important_difference is None:
        return ()
    unit = scale.unit.removesuffix("s") if scale.important_difference == 1 else scale.unit
    text = (
        f"The difference that matters ({scale.important_difference:g} {unit}) is this study's own: none has been "
        "established for the pain of injections."
    )
    return (Caution(code="own_margin", text=text),)
