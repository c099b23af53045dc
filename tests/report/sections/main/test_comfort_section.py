"""The words about missing scores say how many are missing in either arm, and what they could do."""

import numpy as np
import pytest

from onsetstudy.outcomes.scores.pain_moment_results import Comfort
from onsetstudy.outcomes.scores.pain_moments import PainRecords, moment_of_pain
from onsetstudy.report.sections.main.kindness_and_harm import comfort_blocks, comfort_section
from tests.study.cases import analyse, case, protocol, readings_of, records

PROMISED = protocol()
UNIT = PROMISED.pain.instrument.unit


def words(plain_missing, buffered_missing, gain=12.0, n=30):
    rng = np.random.default_rng(3)
    arm = np.repeat(["plain", "buffered"], n)
    score = np.round(np.concatenate([rng.normal(42, 8, n), rng.normal(42 - gain, 8, n)]))
    score[:plain_missing] = np.nan
    score[n : n + buffered_missing] = np.nan
    found = moment_of_pain(
        PainRecords(
            score=score,
            arm=arm,
            reason=np.full(2 * n, ""),
            patient=np.array([f"K{i}" for i in range(2 * n)]),
            covariates={},
        ),
        moment=PROMISED.pain.moment,
        arms=("plain", "buffered"),
        unit=UNIT,
    )
    comfort = Comfort(moments=(found,), odds=None, anxiety=None, shared=None, n=found.comparison.n)
    text = " ".join(b.text for b in comfort_blocks(comfort, PROMISED) if b.kind == "paragraph")
    return text, found.missing


def test_plain_scores_that_are_missing_alone_are_not_passed_over():
    text, missing = words(20, 0)
    assert "That is 20 of 30 not buffered and 0 of 30 buffered." in text
    assert "No buffered score is missing, so none of theirs could change the difference." in text
    shift = abs(missing.tipping_reference)
    assert f"The missing not buffered scores would have to be {shift:.1f} {UNIT} lower than the others" in text
    assert "being like the others" not in text


def test_one_missing_score_is_one():
    assert f"1 score at {PROMISED.pain.moment} is missing (not buffered: 1 " in words(1, 0)[0]
    assert f"2 scores at {PROMISED.pain.moment} are missing (" in words(1, 1)[0]


def test_missing_scores_of_both_arms_are_told_with_what_is_taken_of_the_other():
    text, missing = words(6, 3)
    assert "That is 6 of 30 not buffered and 3 of 30 buffered." in text
    assert (
        f"The missing buffered scores would have to be {missing.tipping:.1f} {UNIT} higher than the others, on "
        "average, for the difference of means to be in doubt, the missing not buffered ones being like the "
        "others of theirs."
    ) in text
    assert f"The missing not buffered scores would have to be {-missing.tipping_reference:.1f} {UNIT} lower" in text
    assert (
        f"{missing.tipping_both:.1f} {UNIT} would do if the missing buffered scores were higher and the missing not "
        "buffered ones lower by as much at once."
    ) in text
    assert 0 < missing.tipping_both < min(missing.tipping, -missing.tipping_reference)


@pytest.mark.parametrize(("plain_missing", "said"), [(20, False), (1, True)])
def test_a_scale_that_does_not_reach_so_far_is_said_of_plain_scores_too(plain_missing, said):
    assert ("The scale does not reach so far." in words(plain_missing, 0)[0]) == said


def test_a_difference_in_the_other_direction_turns_the_words():
    text, _ = words(6, 3, gain=-12.0)
    assert (
        "if the missing not buffered scores were higher and the missing buffered ones lower by as much at once." in text
    )


def test_a_difference_that_is_in_doubt_has_no_shift_but_its_counts():
    text, missing = words(6, 3, gain=0.0)
    assert missing.tipping_reference is missing.tipping_both is None
    assert "That is 6 of 30 not buffered and 3 of 30 buffered." in text
    assert "would have to be" not in text


@pytest.mark.parametrize(("missing", "said"), [(1, True), (10, False)])
def test_a_shift_of_both_that_the_scale_does_not_reach_is_said(missing, said):
    last = words(missing, missing)[0].split(" would do if ")[1]
    assert ("by as much at once. The scale does not reach so far." in last) == said


@pytest.mark.parametrize("scale", [None, PROMISED.anxiety])
def test_secondary_outcomes_and_anxiety_are_told_where_pain_is_not_recorded(scale):
    promised = protocol(plan={"secondary": ("success_difference",)}, looks=None, pain=None, anxiety=scale)
    cases = [case(n, ("plain", "buffered")[n % 2], anxiety_before=f"{5 + n}" * bool(scale)) for n in range(1, 13)]
    readings = [row for n in range(1, 13) for row in readings_of(n, "f" * (n % 4) + "nn")]
    found = analyse(promised, records(cases, readings, promised))
    blocks = comfort_section(found).blocks
    assert blocks[0].text == "Not shown: the protocol does not record pain."
    captions = [b.caption for b in blocks if b.kind == "table"]
    assert captions == [*(["Anxiety, points"] if scale else []), "Secondary outcomes together"]
