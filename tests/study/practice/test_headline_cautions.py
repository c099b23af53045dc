"""What decides whether the headline may be believed is told where it is true, and where it is not it is not."""

from __future__ import annotations

import dataclasses
import math
import re

import pandas as pd
import pytest

from onsetstudy.records.derived.results import AllocationReview, Deviation
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.sections.main.for_patients import patient_sections
from onsetstudy.study.practice.cautions import (
    all_numb_at_first,
    analysed_early,
    headline_cautions,
    main_outcome_missing,
    opened_late,
    operator_one_arm,
    study_cautions,
)
from onsetstudy.study.results import ArmTable, ArmTableRow
from onsetstudy.study.topics.baseline import told_operators
from onsetstudy.survival.results import FinenessOfTesting
from tests.study.cases import analyse, case, protocol, readings_of, records, study

pytestmark = pytest.mark.usefixtures("few_draws")
NUMB, NEVER, AT_ONCE = "fff" + "n" * 12, "f" * 15, "n" * 15


def codes(results) -> set[str]:
    return {c.code for c in headline_cautions(results)}


def review(late: int, slips: int = 14) -> AllocationReview:
    found = (Deviation(code="skipped", text="", count=3, where=()),)
    found += (Deviation(code="opened_late", text="", count=late, where=()),) if late else ()
    return AllocationReview(cases=slips, with_slip=slips, received=(), deviations=found, source="log")


@pytest.mark.parametrize(
    ("late", "says"),
    [(14, "All 14 slips were opened after the injection: nothing shows that chance chose the arms."),
     (3, "3 of 14 slips were opened after the injection: nothing shows that chance chose those arms."),
     (1, "1 of 14 slips was opened after the injection: nothing shows that chance chose that arm.")],
)  # fmt: skip
def test_slips_opened_after_the_injection(late, says):
    assert opened_late(review(late)).text == says


def test_slips_opened_before_it_and_studies_without_slips_say_nothing():
    assert opened_late(review(0)) is None
    assert opened_late(None) is None


def test_not_one_tooth_numb_asks_whether_answers_were_taken_for_each_other():
    none = analyse(*study({"plain": [NEVER] * 6, "buffered": [NEVER] * 6}))
    (told,) = [c.text for c in headline_cautions(none) if c.code == "none_numb"]
    assert told == "Not one of 12 teeth became numb: were felt and not felt taken for each other?"
    assert "none_numb" not in codes(analyse(*study({"plain": [NEVER] * 6, "buffered": [NEVER] * 5 + [NUMB]})))
    assert "none_numb" not in codes(analyse(*study({"plain": [NEVER] * 2, "buffered": [NEVER] * 2})))


def test_all_numb_at_the_first_test():
    results = analyse(*study({"plain": [AT_ONCE] * 6, "buffered": [AT_ONCE] * 6}))
    (told,) = [c.text for c in headline_cautions(results) if c.code == "all_numb_at_first"]
    assert told == "All 12 teeth were numb at their first test: which became numb sooner cannot be told."
    assert "all_numb_at_first" not in codes(analyse(*study({"plain": [NUMB] * 6, "buffered": [AT_ONCE] * 6})))


@pytest.mark.parametrize(("early", "told"), [((10, 10), True), ((9, 9), True), ((9, 8), False), ((0, 0), False)])
def test_nearly_all_numb_at_the_first_test(early, told):
    rows = tuple((arm, 10, n, 0, 1.0, 0) for arm, n in zip(("plain", "buffered"), early, strict=True))
    found = all_numb_at_first(FinenessOfTesting(rows=rows, caution=()))
    assert (found is not None) == told
    assert found is None or found.text.startswith("All 20" if sum(early) == 20 else f"{sum(early)} of 20")


def table(*operators: tuple[int, int]) -> ArmTable:
    whole = [sum(o[k] for o in operators) for k in (0, 1)]
    rows = tuple(
        ArmTableRow(
            variable="clinician_id", level=f"A{k}", standardised_difference=None,
            cells=tuple((n, of, None, None) for n, of in zip(o, whole, strict=True)),
        )
        for k, o in enumerate(operators)
    )  # fmt: skip
    return ArmTable(arms=("plain", "buffered"), rows=rows)


@pytest.mark.parametrize(
    ("operators", "randomised", "says"),
    [
        ([(12, 0), (0, 12)], False, "Each operator used one arm only"),
        ([(12, 0), (0, 12)], True, "Each operator used one arm only"),
        # Chance alone parts three and three in one of ten studies.
        ([(3, 0), (0, 3)], True, None),
        ([(3, 0), (0, 3)], False, "Each operator used one arm only"),
        ([(10, 10), (5, 0)], False, "1 of 2 operators (5 of 25 cases) used one arm only"),
        ([(10, 10), (2, 0)], False, None),
        ([(10, 10), (5, 5)], False, None),
        # One case can be of one arm only.
        ([(1, 0), (0, 1), (1, 0)], False, None),
        # Where there is one arm, everybody used it.
        ([(6, 0), (6, 0)], False, None),
        ([], False, None),
    ],
)
def test_operators_of_one_arm(operators, randomised, says):
    found = operator_one_arm(table(*operators), randomised=randomised)
    assert (found is None) == (says is None)
    assert found is None or found.text == f"{says}: what differs may be the operator, not the injection."


def test_operators_are_among_who_was_in_the_arms_and_no_name_is_told():
    promised = protocol()
    cases = [case(n, ("plain", "buffered")[n % 2], clinician_id=("P01-A", "Hildegard")[n % 2]) for n in range(1, 13)]
    found = analyse(promised, records(cases, [r for n in range(1, 13) for r in readings_of(n, NUMB)], promised))
    rows = {r.level: [cell[:2] for cell in r.cells] for r in found.arm_table.rows if r.variable == "clinician_id"}
    assert rows == {"P01-A": [(6, 6), (0, 6)], "operator 1": [(0, 6), (6, 6)]}
    assert "operator_one_arm" in codes(found)


def scored(plain: list[str], buffered: list[str], primary: str = "pain_difference", **parts: object):
    """A study of the mean score, looked at once; an empty score is missing."""
    promised = protocol(plan={"primary": primary}, **{"looks": None, **parts})
    scores = [("plain", s) for s in plain] + [("buffered", s) for s in buffered]
    cases = [case(n, arm, pain_deposition=score) for n, (arm, score) in enumerate(scores, start=1)]
    readings = [row for n in range(1, len(cases) + 1) for row in readings_of(n, NUMB)]
    return analyse(promised, records(cases, readings, promised))


HIGH, LOW = ["60", "62", "64", "58", "61", "59"], ["40", "42", "44", "38", "41", "39"]


def test_missing_scores_that_could_turn_the_answer_say_how_far_off_they_would_have_to_be():
    results = scored([*HIGH, ""], [*LOW, ""])
    (main,) = results.comfort.moments
    assert results.claims.primary().bears.side == 1
    # A seventh of either arm: both together move the difference by two sevenths of what each is off.
    bound = main.missing.mean_difference.interval.high
    assert main.missing.tipping_both == pytest.approx(-bound * 7 / 2)
    told = main_outcome_missing(results)
    # 60 mm off: there is no such score.
    assert told.text == "2 of 14 scores of the main outcome are missing."


def test_an_answer_that_interim_analyses_judge_has_no_tipping_point_of_one_analysis():
    results = scored([*HIGH, *HIGH, "", ""], [*LOW, *LOW, "", ""], looks=protocol().looks)
    assert results.claims.primary().looks is not None
    assert main_outcome_missing(results).text == "4 of 28 scores of the main outcome are missing."


@pytest.mark.parametrize(
    ("both", "says"), [(2.34, "2.3 mm"), (-2.34, "2.3 mm"), (0.06, "0.1 mm"), (0.02, "less than 0.1 mm")]
)
def test_the_tipping_point_is_that_of_the_missing_scores_of_both_arms(both, says):
    results = scored([*HIGH, ""], [*LOW, ""])
    (main,) = results.comfort.moments
    turned = dataclasses.replace(main, missing=dataclasses.replace(main.missing, tipping_both=both))
    told = main_outcome_missing(
        dataclasses.replace(results, comfort=dataclasses.replace(results.comfort, moments=(turned,)))
    )
    assert told.text == (
        f"2 of 14 scores of the main outcome are missing: {says} against the difference, on average, would put it in "
        "doubt."
    )


@pytest.mark.parametrize("both", [None, math.inf, 70.0])
def test_few_missing_scores_that_cannot_turn_it_are_not_told(both):
    results = scored([*HIGH * 2, ""], [*LOW * 2])
    (main,) = results.comfort.moments
    turned = dataclasses.replace(main, missing=dataclasses.replace(main.missing, tipping_both=both))
    same = dataclasses.replace(results, comfort=dataclasses.replace(results.comfort, moments=(turned,)))
    assert main_outcome_missing(same) is None


def test_no_score_missing_and_another_main_outcome_say_nothing():
    assert main_outcome_missing(scored(HIGH, LOW)) is None
    other = scored([*HIGH, "", ""], [*LOW, "", ""], primary="hazard_ratio")
    assert main_outcome_missing(other) is None


def test_treatments_of_patients_in_one_arm_only_are_known_all_the_same():
    promised = protocol(plan={"primary": "treatment_success_difference"}, looks=None, study={"design": "split_mouth"},
                        pain={"mild_at_most": 54.0})  # fmt: skip
    # Ten patients with both arms, four with one; how one treatment of the fourteen first went is not known.
    cases = [
        case(n, arm, patient_id=f"P01-K{who:03d}", period=period, pain_treatment=str(40 + 5 * (n % 7)))
        for n, (who, arm, period) in enumerate(
            [*((k, "plain", "1") for k in range(14)), *((k, "buffered", "2") for k in range(10))], start=1
        )
    ]
    readings = [row for n in range(1, 25) for row in readings_of(n, NUMB)]
    results = analyse(promised, records(cases, readings, promised))
    assert results.overall.treatment_difference.n.cases == 20
    assert main_outcome_missing(results) is None
    unknown = [{**row, "pain_treatment": ""} if n < 6 else row for n, row in enumerate(cases)]
    told = main_outcome_missing(analyse(promised, records(unknown, readings, promised)))
    assert told.text == "Whether the treatment succeeded, the main outcome, is not known in 6 of 24 cases."


def test_what_may_be_a_name_stands_on_no_page_and_codes_stand_as_they_are():
    promised = protocol(plan={"min_stratum_cases": 4}, looks=None, study={"practices": ()})
    cases = [
        case(n, ("plain", "buffered")[n % 2], practice_id=f"my_{n % 3}", clinician_id=("op_1", "Hildegard")[n // 2 % 2])
        for n in range(1, 61)
    ]
    found = analyse(promised, records(cases, [r for n in range(1, 61) for r in readings_of(n, NUMB)], promised))
    assert [o.code for o in found.watch.operators] == ["op_1", "operator 1"]
    told = str(compose(found))
    assert "Hildegard" not in told
    assert "my_2, 20 cases" in told
    assert not re.search("op 1|my 2", told)


def test_a_number_in_place_of_a_name_is_nobodys_code():
    told = told_operators(pd.Series(["Hildegard", "operator 1", None, "Brunhilde"]))
    assert told.tolist() == ["operator 3", "operator 1", None, "operator 2"]


SHORT = "More treatments were planned than are counted here"


def test_a_study_planned_to_be_analysed_once_is_early_until_its_size_is_reached():
    once = protocol(looks=None)
    results = analyse(*study({"plain": [NUMB] * 6, "buffered": [AT_ONCE] * 6}, once))
    more, (told,) = results.more_needed, [c.text for c in results.caution if c.code == "analysed_early"]
    assert told == (
        f"Planned to be analysed once, at {more.cases_needed} cases; these are 12. Read it as a description, not as "
        "the study's answer."
    )
    assert told in str(compose(results).sections[0])
    assert SHORT in str(patient_sections(results))

    def of(**changes):
        return analysed_early(dataclasses.replace(results, more_needed=dataclasses.replace(more, **changes)))

    assert of(cases_seen=more.cases_needed - 1) is not None
    assert of(cases_seen=more.cases_needed) is None
    assert of(cases_needed=None) is None
    assert of(events_needed=380) is None
    audit = dataclasses.replace(once, study=dataclasses.replace(once.study, allocation="clinician_choice"))
    assert analysed_early(dataclasses.replace(results, protocol=audit)) is None


def test_where_looks_are_planned_an_early_one_is_none_too_early():
    results = analyse(*study({"plain": [NUMB] * 6, "buffered": [AT_ONCE] * 6}))
    assert results.more_needed.cases_seen < results.more_needed.cases_needed
    assert "analysed_early" not in codes(results)
    assert SHORT not in str(patient_sections(results))


def test_looks_that_nobody_planned_say_it_once():
    once = protocol(looks=None)
    cases = [case(n, ("plain", "buffered")[n % 2], case_date=f"2026-0{2 + 3 * (n > 6)}-03") for n in range(1, 13)]
    found = records(cases, [r for n in range(1, 13) for r in readings_of(n, NUMB)], once)
    results = analyse(once, found, quarter="2026Q2")
    (looked,) = [c.text for c in results.caution if c.code == "repeated_looks"]
    assert looked == "Looked at 2 times, once a quarter; the limits make no allowance for that."
    enough = dataclasses.replace(results.more_needed, cases_seen=results.more_needed.cases_needed)
    (looked,) = [
        c.text for c in study_cautions(dataclasses.replace(results, more_needed=enough)) if c.code == "repeated_looks"
    ]
    assert looked.endswith("Until the last planned look, take them as a description.")
