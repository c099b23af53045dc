"""The comparisons that a plan asks of the cold tests, within patients who were treated in both arms."""

from __future__ import annotations

import dataclasses
from typing import Any

from onsetstudy.core.arrays import IntArray
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.results import Caution
from onsetstudy.inference.means import LEAST
from onsetstudy.study.sets.analysis_set import AnalysisSet
from onsetstudy.survival.results import ArmContrast
from onsetstudy.survival.summaries.waits_within_patient import paired_wait
from onsetstudy.survival.summaries.within_patient import paired_not_numb, paired_numb_by

TOO_FEW = f"it takes {LEAST} patients treated in both arms"
VERBS = {"rmst_difference": paired_wait, "not_numb_difference": paired_not_numb}
"""Verb of each difference; of the others, that of proportions by a minute."""


def within_patients(cases: AnalysisSet, pairs: IntArray, question: str, key: str, **more: Any) -> ArmContrast:
    """A comparison of the first case of each patient in either arm with each other.

    Parameters
    ----------
    pairs : ndarray of int, shape (patients, 2)
        As :meth:`AnalysisSet.pairs` gives them.
    question : str
        Of which intervals: ``wait``, ``success`` or ``treatment``.
    more
        The minute and the grace, as the verb takes them.

    Raises
    ------
    NotEstimable
        If fewer than two patients have both, or the verb refuses their cases.
    """
    if len(pairs) < LEAST:
        raise NotEstimable(key, TOO_FEW, code="too_few")
    both = cases.take(pairs.reshape(-1))
    found: ArmContrast = cases.work.ask(
        VERBS.get(key, paired_numb_by),
        both.times(question),
        both.arm,
        both.column("patient_id"),
        reference_arm=cases.protocol.reference_arm,
        conf_level=cases.protocol.plan.conf_level,
        **more,
    )
    return cautioned(found, unpaired(cases, pairs))


def cautioned(found: ArmContrast, caution: tuple[Caution, ...]) -> ArmContrast:
    """A comparison and its difference with further cautions."""
    difference = dataclasses.replace(found.difference, caution=(*found.difference.caution, *caution))
    return dataclasses.replace(found, difference=difference, caution=(*found.caution, *caution))


def unpaired(cases: AnalysisSet, pairs: IntArray) -> tuple[Caution, ...]:
    """What is said of patients without a case in one arm, and of further cases."""
    frame = cases.frame[["patient_id", "arm"]]
    incomplete = frame["patient_id"].nunique() - len(pairs)
    left_out = len(frame) - len(frame.drop_duplicates())
    found = []
    if incomplete:
        have, are = ("patient has", "is") if incomplete == 1 else ("patients have", "are")
        text = f"{incomplete} {have} a case in one arm only and {are} left out of the comparison within patients."
        found.append(Caution(code="incomplete_pairs", text=text))
    if left_out:
        further = "further case" if left_out == 1 else "further cases"
        are = "is" if left_out == 1 else "are"
        text = f"{left_out} {further} of a patient in the same arm {are} left out: each patient counts once in each."
        found.append(Caution(code="further_cases", text=text))
    return tuple(found)
