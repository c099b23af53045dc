"""Cases, weights and labels at the edges of what is allowed, with the words of what is not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from onsetstudy.core.arrays import checked_weight, label_codes
from onsetstudy.core.cases import Cases, merge_alike, takes_cases
from onsetstudy.core.errors import Gathered, OnsetStudyError
from onsetstudy.core.intervals import Intervals

TIMES = Intervals([0.0, 1.0, 2.0], [1.0, 2.0, np.inf])


def told(**fields):
    with pytest.raises(OnsetStudyError) as found:
        Cases(TIMES, **fields)
    return [(p.code, p.what, p.mend) for p in found.value.problems]


def test_cases_without_a_weight_are_their_rows():
    plain = Cases(TIMES)
    assert (len(plain), plain.n, plain.filled) == (3, 3, ())
    assert Cases(TIMES, weight=[2, 0, 3]).n == 5
    assert Cases(TIMES, weight=[0.5, 0.0, 3], weight_kind="probabilities").n == 2


@pytest.mark.parametrize("level", [0.0, 1.0, 1.5, -0.1, True, "0.95"])
def test_a_level_lies_between_nought_and_one(level):
    assert [code for code, _, _ in told(conf_level=level)] == ["conf_level"]
    assert Cases(TIMES, conf_level=0.5).conf_level == 0.5


def test_kinds_of_weight_are_two():
    assert told(weight_kind="rows")[0][0] == "weight_kind"
    with pytest.raises(OnsetStudyError, match="counts or probabilities"):
        checked_weight([1], 1, "rows")
    assert checked_weight(None, 3) is None
    assert checked_weight([1, 0, 2], 3).tolist() == [1, 0, 2]
    assert checked_weight([0.5], 1, "probabilities").tolist() == [0.5]


@pytest.mark.parametrize(
    ("weight", "code", "words"),
    [([1, 2], "shape", "weight has 2 entries for 3 cases"), ([[1, 2, 3]], "shape", "weight has the shape (1, 3)"),
     ([1, -1, 1], "weight", "weight is not a whole number of 0 or more: -1 for case 1"),
     ([1, 0.5, 1], "weight", "weight is not a whole number of 0 or more: 0.5 for case 1"),
     ([1, "2", 1], "text", "weight is text for case 1"), ([1, np.inf, 1], "infinite", "weight is infinite for case 1"),
     ([1, None, 1], "missing", "weight is missing for case 1")],
)  # fmt: skip
def test_what_is_wrong_with_a_weight_is_named(weight, code, words):
    found = told(weight=weight)
    assert len(found) == 1
    assert found[0][0] == code
    assert found[0][1].startswith(words)


def test_a_probability_may_be_a_part_but_not_negative():
    found = told(weight=[0.5, -0.5, 1], weight_kind="probabilities")
    assert found == [("weight", "weight is not a number of 0 or more: -0.5 for case 1 (counted from 0)",
                      "a weight must be 0 or more")]  # fmt: skip


def test_chosen_rows_stay_together():
    whole = Cases(TIMES, ["a", "b", "a"], reference_arm="a", weight=[1, 2, 3], covariates={"age": [30, 40, 50]},
                  conf_level=0.9)  # fmt: skip
    found = whole.take([2, 0])
    assert found.outcome.left.tolist() == [2.0, 0.0]
    assert list(found.arm) == ["a", "a"]
    assert found.weight.tolist() == [3, 1]
    assert found.covariates["age"].tolist() == [50, 30]
    assert (found.reference_arm, found.conf_level) == ("a", 0.9)


def test_covariates_of_numbers_stay_numbers_and_of_words_words():
    found = Cases(TIMES, covariates={"age": [30, 40, 50], "tooth": ["36", "37", "46"], "mm": np.array([1.0, 2, 3])})
    assert found.covariates["age"].dtype.kind == "i"
    assert found.covariates["tooth"].dtype.kind == "U"
    assert found.covariates["mm"].tolist() == [1, 2, 3]
    assert told(covariates={"age": [30, None, 50]})[0][0] == "missing"


def test_labels_are_numbered_in_order_of_their_names():
    problems = Gathered()
    code, names = label_codes(["b", "a", "b"], 3, "arm", problems)
    assert (code.tolist(), names, problems) == ([1, 0, 1], ["a", "b"], [])
    code, names = label_codes(["b", None, "b"], 3, "arm", problems)
    assert (code.tolist(), names) == ([0, 0, 0], [])
    assert [p.code for p in problems] == ["missing"]
    # What was wrong before is not taken for a fault of these.
    assert label_codes(["x"], 1, "arm", problems)[1] == ["x"]


def test_like_intervals_are_one_with_their_weights_added():
    times = Intervals([1.0, 0.0, 1.0, 1.0], [2.0, 1.0, 2.0, 3.0])
    found, weight = merge_alike(times)
    assert list(zip(found.left, found.right, weight, strict=True)) == [(0, 1, 1), (1, 2, 2), (1, 3, 1)]
    found, weight = merge_alike(times, np.array([1.0, 0.0, 4.0, 2.0]))
    assert list(zip(found.left, found.right, weight, strict=True)) == [(1, 2, 5), (1, 3, 2)]


@takes_cases("weight")
def compared(times, arm, *, reference_arm, weight=None, conf_level=0.95, more=1):
    return len(times), None if arm is None else list(arm), reference_arm, weight, conf_level, more


@takes_cases("weight", second="covariates")
def fitted(times, covariates, *, reference_arm=None, weight=None, conf_level=0.95):
    return len(times), {k: list(v) for k, v in covariates.items()}, reference_arm


@takes_cases("weight", second="")
def alone(times, *, weight=None):
    return len(times), weight


def test_a_verb_is_given_its_fields_and_no_row_of_no_weight():
    cases = Cases(TIMES, ["a", "b", "a"], reference_arm="a", weight=[1, 0, 3], conf_level=0.9)
    count, arm, reference, weight, level, more = compared(cases, more=7)
    assert (count, arm, reference, weight.tolist(), level, more) == (2, ["a", "a"], "a", [1, 3], 0.9, 7)
    assert compared(TIMES, ["a", "b", "a"], reference_arm="a", weight=[1, 0, 3])[1] == ["a", "a"]
    assert alone(TIMES)[0] == 3
    assert alone(Cases(TIMES, weight=[0, 1, 1]))[0] == 2
    assert (compared.uses, fitted.uses, alone.uses) == (("arm", "weight"), ("covariates", "weight"), ("weight",))


def test_arms_are_a_covariate_where_the_verb_takes_covariates():
    cases = Cases(TIMES, ["a", "b", "a"], reference_arm="a", covariates={"age": [30, 40, 50]})
    assert fitted(cases) == (3, {"arm": ["a", "b", "a"], "age": [30, 40, 50]}, "a")
    assert fitted(TIMES, {"age": [30, 40, 50]}, weight=[1, 0, 1]) == (2, {"age": [30, 50]}, None)
    frame = pd.DataFrame({"age": [30, 40, 50]})
    assert fitted(TIMES, frame, weight=[1, 0, 1])[1] == {"age": [30, 50]}
    assert fitted(Cases(TIMES, covariates={"age": [1, 2, 3]}))[1] == {"age": [1, 2, 3]}
    with pytest.raises(OnsetStudyError, match="no covariate"):
        fitted(Cases(TIMES))


@pytest.mark.parametrize(
    ("cases", "options", "code"),
    [(Cases(TIMES), {}, "arm"), (Cases(TIMES, ["a", "b", "a"]), {}, "reference_arm"),
     (Cases(TIMES, ["a", "b", "a"], reference_arm="a", cluster=["x", "y", "z"]), {}, "unused"),
     (Cases(TIMES, ["a", "b", "a"], reference_arm="a"), {"weight": [1, 1, 1]}, "twice")],
)  # fmt: skip
def test_a_verb_refuses_what_it_cannot_use(cases, options, code):
    with pytest.raises(OnsetStudyError) as found:
        compared(cases, **options)
    assert code in {p.code for p in found.value.problems}
    with pytest.raises(OnsetStudyError, match="arm, but no arm"):
        Cases(TIMES, reference_arm="a")
