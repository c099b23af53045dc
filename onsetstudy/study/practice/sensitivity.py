"""The main results under the other choices that the plan names."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from onsetstudy.core.parallel import Progress
from onsetstudy.doses.mixing import LATE_MIN, unusual
from onsetstudy.protocol.estimands import AS_TREATED, PER_PROTOCOL, Estimand, main_set, questions_of
from onsetstudy.protocol.model import Protocol, Quarter
from onsetstudy.protocol.vocabulary import FIRST_CASES, SENSITIVITY
from onsetstudy.records.derived.onset import Onsets
from onsetstudy.records.derived.results import ArmStanding
from onsetstudy.study.practice.subsets import variation
from onsetstudy.study.results import Variation
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.study.sets.prepare import prepare


def run_sensitivity(
    onsets: Onsets,
    main: AnalysisSet,
    *,
    through: Quarter,
    arms: ArmStanding | None = None,
    progress: Progress | None = None,
) -> tuple[Variation, ...]:
    """Hazard ratio, share numb by the target and waiting under each choice of the plan, the plan's own first.

    Parameters
    ----------
    onsets : Onsets
        What was derived for the main results; choices that read the readings alike take it from there.
    main : AnalysisSet
        The cases as the plan derives them.
    through : Quarter
        Last quarter analysed.
    arms : ArmStanding or None
        How the arm of a randomised case is known: as allocated, the main results are by intention to treat, and as
        treated and per protocol stand beside them wherever somebody received another arm.

    Returns
    -------
    tuple of Variation
        Empty when the plan names no other choice. Where only planned tests decide, all tests stand beside them.
    """
    protocol = onsets.protocol
    # None where there is no list.
    received = main.received != main.arm
    # What the tests left out, and who kept to the plan, stand beside the answer, whether the plan names them or not.
    beside = {"all_tests": protocol.schedule.window_min is not None, "per_protocol": received.any()}
    names = [*dict.fromkeys((*protocol.plan.sensitivity, *(name for name, shown in beside.items() if shown)))]
    if not names:
        return ()
    planned = questions_of(protocol)
    varied = [variation(main, "main", *_main_words(protocol, arms))]
    for done, name in enumerate(names):
        if progress is not None:
            progress(done, len(names), f"sensitivity: {name}")
        asked, data = questions_of(protocol, choice=name), main
        # Where the same intervals answer, nothing has to be derived anew.
        if any((asked[q].rule, asked[q].strategies) != (planned[q].rule, planned[q].strategies) for q in asked):
            data, _ = prepare(protocol, onsets.records, through=through, asked=asked, onsets=onsets, work=main.work)
        varied.append(variation(cases_of(data, asked["hazard"]), name, *SENSITIVITY[name]))
    if received.any():
        asked = questions_of(protocol, analysis_set=AS_TREATED)
        text = f"cases are counted in the arm that was injected ({int(received.sum())} had another than allocated)"
        varied.append(variation(cases_of(main, asked["hazard"]), "as_treated", AS_TREATED, text))
    return tuple(varied)


def cases_of(data: AnalysisSet, asked: Estimand) -> AnalysisSet:
    """The cases that an estimand is of, in the arm that its analysis set counts them in.

    Parameters
    ----------
    data : AnalysisSet
        All analysed cases in the arm of the main analysis.
    asked : Estimand
    """
    if not asked.first_cases:
        data = data.where(data.places("clinician_id", "arm") >= FIRST_CASES)
    if asked.analysis_set == PER_PROTOCOL:
        return data.where(_as_planned(data))
    if asked.analysis_set == AS_TREATED:
        return replace(data, frame=data.frame.assign(arm=data.received))
    return data


def _main_words(protocol: Protocol, arms: ArmStanding | None) -> tuple[str, str]:
    """Standard name of the main analysis and what it is."""
    if arms is None:
        return "as planned", "as the protocol says"
    name = main_set(protocol, as_injected=arms.as_injected)
    if name == AS_TREATED:
        return name, "cases are counted in the arm that was injected; which was allocated is not known"
    return name, "cases are counted in the arm that was allocated, whatever was injected"


def _as_planned(data: AnalysisSet) -> NDArray[np.bool_]:
    """Cases whose preparation, as far as it was recorded, kept to the plan."""
    frame = data.frame
    off = data.numbers("mixed_to_injection_min") > LATE_MIN
    off |= data.received != data.arm
    if "off_protocol" in frame:
        off |= (frame["off_protocol"] != "").to_numpy()
    ratio = data.numbers("bicarbonate_ml") / data.numbers("cartridge_ml")
    return np.asarray(~off & ~(unusual(ratio) & (data.received != data.protocol.reference_arm)), dtype=bool)
