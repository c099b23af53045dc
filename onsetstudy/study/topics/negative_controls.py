"""What the injection cannot change, compared between the arms: a difference there is one of people or of testing.

Insertion of the needle hurts before any solution flows: who knows the arm may insert, or ask, in another way. The
control tooth lies outside the numb field: where it "goes numb" more often in one arm, teeth of the arms were not tested
alike.
"""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import BoolArray, IntArray
from onsetstudy.core.intervals import derive_intervals
from onsetstudy.core.results import Counts
from onsetstudy.records.model import Records
from onsetstudy.study.results import NegativeControl
from onsetstudy.study.sets.analysis_set import PRACTICE, AnalysisSet
from onsetstudy.study.sets.contrasts import arm_missing, ask, compared_treatments, control_onset_of, pain_compared
from onsetstudy.study.sets.counted_set import CountedSet
from onsetstudy.survival.results import ArmContrast

INSERTION = "pain_insertion"


def negative_controls(data: AnalysisSet, records: Records) -> tuple[NegativeControl, ...]:
    """The negative controls that were recorded, in the analysed cases.

    Parameters
    ----------
    data : AnalysisSet
        Analysed cases, arms as they are compared.
    records : Records
        Their readings.

    Notes
    -----
    Onset of the control tooth is read as that of the target: so many tests in a row not felt. What is compared is its
    chance at each test that so many tests followed, so that an arm whose targets go numb sooner, and whose testing
    ends sooner, is not taken for one whose control teeth hold longer. Tests of a tooth count one by one: given that it
    felt the cold up to a test, whether it does there is a new draw. A single test at which the tooth does not feel is
    counted beside, as the first of its case: one is enough to discard a test of the target, and so to spoil what would
    have confirmed its onset.
    """
    confirmations = data.protocol.onset.confirmations
    # Where one test makes an onset the two are one.
    asked = {"control_tooth": confirmations} | ({"control_single": 1} if confirmations > 1 else {})
    controls = (_control(data, records, outcome, in_a_row) for outcome, in_a_row in asked.items())
    return tuple(found for found in (_insertion(data), *controls) if found is not None)


def _insertion(data: AnalysisSet) -> NegativeControl | None:
    """Pain of the insertion; ``None`` where it was not recorded, or is what the study compares."""
    protocol = data.protocol
    if protocol.pain is None or protocol.pain.moment == "insertion" or INSERTION not in data.frame:
        return None
    scores = data.numbers(INSERTION)
    if np.isnan(scores).all():
        return None
    difference = pain_compared(data, scores, quantity="insertion_pain_difference")
    return NegativeControl(outcome="insertion_pain", difference=difference)


def _control(data: AnalysisSet, records: Records, outcome: str, in_a_row: int) -> NegativeControl | None:
    """Tests at which the control tooth began not to feel, so often in a row; ``None`` without a control tooth."""
    protocol = data.protocol
    if protocol.schedule.control_tooth == "none":
        return None
    case, lost = control_tests(data, records, in_a_row)
    if not case.size:
        return None
    practice = {PRACTICE: data.column(PRACTICE)[case]}
    return control_compared(compared_treatments(lost, data.arm[case], practice, protocol), data.counts(), outcome)


def control_compared(tested: CountedSet, n: Counts, outcome: str = "control_tooth") -> NegativeControl:
    """Tests at which a control tooth began not to feel, compared between the arms within practices."""
    refusal = arm_missing(tested, "no control tooth was tested in the arm {}")
    compared = partial(control_onset_of, tested)
    answer = ask(tested, "control_onset_difference", compared, refusal=refusal, n=n, sign="-", unit="proportion")
    if isinstance(answer, ArmContrast):
        return NegativeControl(outcome=outcome, difference=answer.difference, arms=answer.arms[:2])
    return NegativeControl(outcome=outcome, difference=answer)


def control_tests(data: AnalysisSet, records: Records, confirmations: int) -> tuple[IntArray, BoolArray]:
    """Tests of control teeth that could be an onset, in the order of cases and minutes.

    Returns
    -------
    case : ndarray of int, shape (m,)
        Row of each test's case.
    lost : ndarray of bool, shape (m,)
        Whether the tooth began there not to feel.
    """
    case, readings = data.readings(records, "control")
    minute = readings["minute"].to_numpy(dtype=np.float64)
    order = np.lexsort((minute, case))
    case, minute, felt = case[order], minute[order], (readings["response"] == "felt").to_numpy(dtype=bool)[order]
    right = derive_intervals(case, minute, felt, n_cases=len(data), confirmations=confirmations).right[case]
    after = pd.Series(case).groupby(case).cumcount(ascending=False).to_numpy()
    # Up to the onset; and the last tests of a tooth have too few after them to be one.
    able = (minute <= right) & (after + 1 >= confirmations)
    return case[able], (minute == right)[able]
