"""What the front door is handed: what cannot be meant is refused with a correction, what is meant is taken."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import onsetstudy as front
from onsetstudy.core.cases import Cases
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.survival.summaries.npmle_proportion import curve_limits

PROTOCOL = Path(__file__).parents[1] / "protocols" / "infiltration_audit.toml"
LEFT = [0.0, 2, 2, 4, 0, 2, 4, 4]
RIGHT = [2.0, 4, 4, np.inf, 2, 4, 6, np.inf]
TIMES = front.Intervals(LEFT, RIGHT)
ARM = np.array([0, 0, 0, 0, 1, 1, 1, 1])
NAMED = np.where(ARM == 0, "plain", "buffered")

ARMED = {
    "compare_arms": {},
    "estimate_rmst": {"tau_min": 4},
    "success_by": {"target_min": 4},
    "never_numb_share": {"tau_min": 4},
    "estimate_quantile": {},
    "probability_numb_sooner": {},
}
MODELS = ("fit_proportional_hazards", "fit_accelerated_time", "fit_grouped_hazards", "check_proportionality")


def refused(match, call, *args, **options):
    with pytest.raises(front.OnsetStudyError, match=match) as caught:
        call(*args, **options)
    assert all(problem.mend for problem in caught.value.problems)


@pytest.mark.parametrize(
    ("left", "said"),
    [
        (np.array([1, 2], "timedelta64[m]"), "durations"),
        (pd.to_timedelta([1, 2], "min"), "durations"),
        (pd.to_datetime(["2020-01-01"] * 2), "dates"),
        (["1", "2"], "'1'"),
        ([1, "2"], "'2'"),
        (np.array(["1", "2"]), "text"),
        (pd.Series(["1", 2.0], dtype=object), "'1'"),
        ([True, False], "True"),
        (np.array([1j, 1]), "complex"),
        ([[1, 2], [1]], "left holds"),
        ({"a": 1}, "left holds"),
    ],
)
def test_ends_that_are_no_numbers_are_refused(left, said):
    refused(said, front.Intervals, left, [3.0, 4.0])


@pytest.mark.parametrize(
    "left", [np.ma.masked_array([1.0, 2.0], [0, 1]), [1.0, None], pd.array([1.0, pd.NA], dtype="Float64")]
)
def test_a_masked_end_is_a_missing_end(left):
    refused("interval 1 .* missing|Interval 1 .* missing", front.Intervals, left, [3.0, 4.0])


def test_ends_that_were_exchanged_are_told_once_with_how_many():
    """A thousand swapped rows are one mistake."""
    with pytest.raises(OnsetStudyError) as refused:
        front.Intervals(np.arange(1.0, 1001), np.arange(1000.0))
    (problem,) = refused.value.problems
    assert problem.what == "interval 0 (1, 0] ends before it begins; 1000 of 1000 are so"
    assert "exchanged" in problem.mend
    with pytest.raises(OnsetStudyError) as refused:
        front.Intervals([np.nan, 0, 3, np.inf, 5], [1.0, 1, 2, 2, 4])
    assert [p.what for p in refused.value.problems] == [
        "interval 0 (nan, 1] has a missing end",
        "interval 3 (inf, 2] has a left end that is negative or infinite",
        "interval 2 (3, 2] ends before it begins; 3 of 5 are so",
    ]


@pytest.mark.parametrize(
    "left",
    [[1, 2.0], np.ma.masked_array([1, 2]), pd.Series([1, 2.0], dtype=object), pd.array([1, 2], dtype="Int64")],
)
def test_numbers_of_any_make_are_taken(left):
    np.testing.assert_array_equal(front.Intervals(left, [3, np.inf]).left, [1.0, 2.0])


def test_the_ends_are_copies():
    left = np.array([1.0, 2.0])
    times = front.Intervals(left, [3.0, 4.0])
    left[0] = 9.0
    assert times.left[0] == 1.0
    with pytest.raises(ValueError, match="read-only"):
        times.left[0] = 9.0


@pytest.mark.parametrize("name", ARMED)
def test_arms_named_by_number_are_what_they_are_by_name(name):
    verb, options = getattr(front, name), ARMED[name]
    by_number = verb(TIMES, ARM, reference_arm=0, **options)
    assert repr(by_number) == repr(verb(TIMES, ARM.astype(str), reference_arm="0", **options))
    assert repr(by_number) == repr(verb(Cases(TIMES, ARM, reference_arm=0), **options))
    refused("reference arm .?7", verb, TIMES, ARM, reference_arm=7, **options)


@pytest.mark.parametrize("name", ARMED)
@pytest.mark.parametrize("times", ["text", [1, 2, 3], None, np.array([1.0, 2.0])])
def test_times_that_are_no_intervals_are_refused(name, times):
    refused("give Intervals|Give Intervals", getattr(front, name), times, ARM, reference_arm=0, **ARMED[name])


@pytest.mark.parametrize("name", [*MODELS, "fit_never_numb", "fit_npmle"])
def test_models_refuse_times_that_are_no_intervals(name):
    more = () if name == "fit_npmle" else ({"arm": NAMED},)
    refused("Give Intervals", getattr(front, name), [1, 2, 3], *more)


@pytest.mark.parametrize("name", MODELS)
@pytest.mark.parametrize("covariates", ["arm", list(NAMED), NAMED])
def test_covariates_without_names_are_refused(name, covariates):
    refused("named columns", getattr(front, name), TIMES, covariates)


@pytest.mark.parametrize("name", MODELS)
def test_two_covariates_of_one_name_are_refused(name):
    twice = pd.DataFrame(np.column_stack((ARM, ARM)), columns=["arm", "arm"])
    refused("two covariates have this name", getattr(front, name), TIMES, twice)
    refused("two covariates have this name", getattr(front, name), TIMES, {1: ARM, "1": NAMED})


@pytest.mark.parametrize("name", MODELS)
def test_a_masked_covariate_is_missing(name):
    column = np.ma.masked_array(np.arange(8), [1] + [0] * 7)
    refused("1 values are missing", getattr(front, name), TIMES, {"arm": column})


def test_dates_are_no_covariate():
    days = pd.date_range("2020-01-01", periods=8)
    refused("dates, durations", front.fit_proportional_hazards, TIMES, {"day": days})
    refused("dates, durations", front.fit_proportional_hazards, TIMES, {"day": days - days[0]})


def test_the_first_category_is_the_reference():
    for first, other in (("plain", "buffered"), ("buffered", "plain")):
        arm = pd.Categorical(NAMED, categories=["not seen", first, other])
        for covariates in ({"arm": arm}, pd.DataFrame({"arm": arm}), {"arm": pd.Series(arm)}):
            assert front.fit_proportional_hazards(TIMES, covariates).estimates[0].contrast == f"{other} / {first}"
        cases = Cases(TIMES, covariates={"arm": arm}, weight=np.ones(8))
        assert front.fit_proportional_hazards(cases).estimates[0].contrast == f"{other} / {first}"


def test_a_row_of_weight_0_leaves_the_order_of_categories():
    arm = pd.Categorical(NAMED, categories=["plain", "buffered"])
    weight = np.array([0.0, 1, 1, 1, 1, 1, 1, 1])
    fitted = front.fit_proportional_hazards(TIMES, {"arm": arm}, weight=weight)
    assert fitted.estimates[0].contrast == "buffered / plain"
    assert repr(fitted) == repr(front.fit_proportional_hazards(TIMES.take(weight > 0), {"arm": arm[weight > 0]}))


def test_numbers_in_an_object_column_are_numbers():
    age = [40, 31, 52, 38, 45, 60.5, 29, 33]
    as_objects = front.fit_proportional_hazards(TIMES, {"age": pd.Series(age, dtype=object)})
    assert repr(as_objects) == repr(front.fit_proportional_hazards(TIMES, {"age": np.array(age)}))
    assert as_objects.estimates[0].contrast == "age: per unit"


@pytest.mark.parametrize("name", MODELS)
def test_an_arm_told_by_number_is_a_factor_once_its_reference_is_named(name):
    # Onset in four gaps, as the check of proportionality needs.
    times = front.Intervals([0.0, 2, 4, 6, 0, 2, 4, 4], [2.0, 4, 6, 8, 2, 4, 6, 6])
    for reference_arm in (0, "0"):
        found = getattr(front, name)(times, {"arm": ARM}, reference_arm=reference_arm)
        text = getattr(front, name)(times, {"arm": ARM.astype(str)}, reference_arm="0")
        assert repr(found) == repr(text)


def test_the_arms_of_never_numb_may_be_numbers_and_none_may_be_missing():
    weeks = np.tile(np.arange(8.0), 3)
    times = front.Intervals(np.append(weeks, [20.0] * 12), np.append(weeks + 1, [np.inf] * 12))
    arm = np.tile([0, 1], 18)
    by_number = front.fit_never_numb(times, arm, reference_arm=0)
    assert repr(by_number) == repr(front.fit_never_numb(times, arm.astype(str), reference_arm="0"))
    refused("arm is missing for case 3 ", front.fit_never_numb, times, np.where(np.arange(36) == 3, np.nan, arm))


@pytest.mark.parametrize("seed", [-1, 1.5, "a", True, [1]])
def test_seeds_that_cannot_be_told_again_are_refused(seed):
    by_chance = {"method": "permutation", "n_resamples": 9, "max_enumeration": 2}
    refused("the seed is|The seed is", front.compare_arms, TIMES, NAMED, reference_arm="plain", seed=seed, **by_chance)


def test_pain_scores_must_be_numbers():
    said = {"reference_arm": 0, "contrast_arm": 1, "moment": "insertion", "unit": "mm"}
    assert front.compare_pain([10.0, 20, 30, 40, 15, None, 35, 45], ARM, **said).n.by_arm[1].onsets == 3
    refused("score holds", front.compare_pain, ["10"] * 8, ARM, **said)
    refused("score holds an infinite number", front.compare_pain, [np.inf, *range(7)], ARM, **said)
    refused("score has the shape", front.compare_pain, np.zeros((8, 1)), ARM, **said)


@pytest.mark.parametrize(
    "arm",
    [np.ma.masked_array(NAMED, [1] + [0] * 7), [None, *NAMED[1:]], [np.nan, *NAMED[1:]], [pd.NA, *NAMED[1:]]],
)
def test_no_case_of_pain_vanishes_for_want_of_an_arm(arm):
    said = {"reference_arm": "plain", "contrast_arm": "buffered", "moment": "insertion", "unit": "mm"}
    refused("arm is missing for case 0", front.compare_pain, np.arange(8.0), arm, **said)


@pytest.mark.parametrize(
    ("option", "value", "said"),
    [
        ("reference_arm", "plian", "no case belongs to the reference arm 'plian'; arms seen: buffered, plain"),
        ("contrast_arm", "bufered", "no case belongs to 'bufered'; arms seen: buffered, plain"),
        ("moment", None, "moment is NoneType"),
        ("unit", ["mm"], "unit is list"),
    ],
)
def test_what_pain_is_compared_of_is_named_as_it_is_recorded(option, value, said):
    asked = {"reference_arm": "plain", "contrast_arm": "buffered", "moment": "insertion", "unit": "mm"}
    refused(f"(?i){said}", front.compare_pain, np.arange(8.0), NAMED, **{**asked, option: value})


NOT_ONE_NUMBER = ["4", [4], None, np.array([1, 2])]


@pytest.mark.parametrize("name", ["estimate_rmst", "success_by", "never_numb_share", "estimate_quantile"])
@pytest.mark.parametrize("value", NOT_ONE_NUMBER)
def test_what_must_be_one_number_is_refused_otherwise(name, value):
    option = next(iter(ARMED[name]), "share")
    refused(f"{option} is", getattr(front, name), TIMES, NAMED, reference_arm="plain", **{option: value})


def test_a_fraction_is_a_number():
    for name in ("estimate_rmst", "success_by", "never_numb_share"):
        verb, (option, minute) = getattr(front, name), *ARMED[name].items()
        by_fraction = verb(TIMES, NAMED, reference_arm="plain", **{option: Fraction(minute), "grace_min": Fraction(1)})
        assert repr(by_fraction) == repr(verb(TIMES, NAMED, reference_arm="plain", **{option: minute, "grace_min": 1}))
        refused(f"{option} is 1000", verb, TIMES, NAMED, reference_arm="plain", **{option: 10**400})


@pytest.mark.parametrize("draws", [0, -1, 10**9, 10**18])
def test_arrangements_are_drawn_in_a_number_that_ends(draws):
    asked = {"reference_arm": "plain", "method": "permutation", "n_resamples": draws, "seed": 1}
    refused("n_resamples is", front.compare_arms, TIMES, NAMED, **asked)


@pytest.mark.parametrize("limits", [["wilson"], None, np.array(["wilson", "exact"]), "wald"])
def test_limits_are_named(limits):
    for name in ("success_by", "never_numb_share"):
        call = getattr(front, name)
        refused("limits is", call, TIMES, NAMED, reference_arm="plain", limits=limits, **ARMED[name])


def test_counts_of_any_size_take_neither_time_nor_memory():
    few, many = (
        front.estimate_rmst(TIMES, NAMED, reference_arm="plain", tau_min=4, weight=np.full(8, 1.0) * n)
        for n in (1, 10**12)
    )
    assert many.difference.estimate == pytest.approx(few.difference.estimate)


@pytest.mark.parametrize("level", [*NOT_ONE_NUMBER, -1, 0.0, 1.0, 95, np.nan])
def test_a_confidence_level_lies_between_0_and_1(level):
    for name in (*MODELS, "fit_never_numb"):
        covariates = NAMED if name == "fit_never_numb" else {"arm": NAMED}
        refused("is not a share", getattr(front, name), TIMES, covariates, conf_level=level)
    for name, options in ARMED.items():
        if name != "compare_arms":
            verb = getattr(front, name)
            refused("is not a share", verb, TIMES, NAMED, reference_arm="plain", conf_level=level, **options)
    said = {"reference_arm": "plain", "contrast_arm": "buffered", "moment": "insertion", "unit": "mm"}
    refused("is not a share", front.compare_pain, np.arange(8.0), NAMED, conf_level=level, **said)


@pytest.mark.parametrize("weight", [np.ones(8, "timedelta64[m]"), list(pd.date_range("2020-01-01", periods=8)), "1"])
def test_weights_must_be_numbers(weight):
    refused("weight", front.estimate_rmst, TIMES, NAMED, reference_arm="plain", tau_min=4, weight=weight)


def test_strata_of_the_check_are_one_for_each_case():
    for stratum in ("a", ["a", "b"], ["a"] * 7 + [None]):
        refused("stratum", front.check_proportionality, TIMES, {"arm": NAMED}, stratum=stratum)


def test_files_and_what_is_made_of_them_are_told_apart():
    protocol = front.read_protocol(PROTOCOL)
    refused("read_protocol", front.analyse, str(PROTOCOL), None)
    refused("read_records", front.analyse, protocol, pd.DataFrame())
    refused("read_companions", front.analyse, protocol, None, beside="x")
    refused("read_protocol", front.read_records, "somewhere", str(PROTOCOL))
    refused("workbook", front.read_records, 1, protocol)
    refused("name of a file", front.read_records, [1], protocol)
    with pytest.raises(front.OnsetStudyError, match=r"[Nn]o file was given"):
        front.read_records([], protocol)
    for path in (1, ["a.toml"]):
        refused("name of a protocol file", front.read_protocol, path)
    refused("analyse", front.write_report, "results", "somewhere")
    for data in ("text", [1]):
        refused("to_dict", front.from_dict, data)
    refused("by column", front.fit_proportional_hazards, TIMES, {"arm": NAMED}, reference="plain")


@pytest.mark.parametrize("option", ["scores", "method", "trend"])
def test_options_of_another_kind_are_refused(option):
    refused(f"{option} is", front.compare_arms, TIMES, NAMED, reference_arm="plain", **{option: ["x"]})


def test_an_option_whose_default_is_none_takes_it():
    times = front.Intervals([0, 1, 2, 1], [2, 3, 4, 5])
    arm = ["plain", "plain", "buffered", "buffered"]
    left_out = front.compare_arms(times, arm, reference_arm="plain")
    assert front.compare_arms(times, arm, reference_arm="plain", target_min=None).statistic == left_out.statistic
    with pytest.raises(OnsetStudyError, match="target_min is None"):
        front.success_by(times, arm, reference_arm="plain", target_min=None)


@pytest.mark.parametrize("verb", ARMED)
def test_arms_without_a_reference_arm_are_told_from_an_unknown_one(verb):
    refused("no reference arm is named; arms seen: buffered, plain", getattr(front, verb), TIMES, NAMED, **ARMED[verb])
    call = getattr(front, verb)
    refused("reference arm 'x'; arms seen: buffered, plain", call, TIMES, NAMED, reference_arm="x", **ARMED[verb])


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("column", [[1, "a", 2, 3, 4, 5, 6, 7], pd.Series([1, "a", 2, 3, 4, 5, 6, 7], dtype=object)])
def test_names_among_numbers_are_refused_and_not_taken_for_levels(model, column):
    refused("names and numbers stand in one column: 'a' and 1", getattr(front, model), TIMES, {"x": column})


def test_an_arm_is_said_once():
    refused("said twice", Cases, TIMES, NAMED, reference_arm="plain", covariates={"arm": NAMED[::-1]})
    two = {"reference_arm": "plain", "reference": {"arm": "buffered"}}
    for model in MODELS:
        refused("two reference arms", getattr(front, model), TIMES, {"arm": NAMED}, **two)
    alike = front.fit_proportional_hazards(TIMES, {"arm": NAMED}, reference_arm="plain", reference={"arm": "plain"})
    assert alike.estimates[0].contrast == "buffered / plain"


def test_cases_do_not_change_with_the_arrays_they_were_made_of():
    given = {name: np.arange(8.0) for name in ("period", "weight", "x")} | {"arm": pd.Categorical(NAMED)}
    by_name = {"x": given["x"], "arm": given["arm"]}
    cases = Cases(TIMES, period=given["period"], weight=given["weight"], covariates=by_name)
    for name in ("period", "weight", "x"):
        given[name][1] = 99.0
    given["arm"][0] = "buffered"
    by_name["more"] = NAMED
    assert [cases.period[1], cases.weight[1], cases.covariates["x"][1]] == [1.0, 1.0, 1.0]
    assert (cases.covariates["arm"][0], list(cases.covariates)) == ("plain", ["x", "arm"])
    with pytest.raises(ValueError, match="read-only"):
        cases.covariates["x"][1] = 9.0


@pytest.mark.parametrize("model", MODELS)
def test_models_take_cases(model):
    times = front.Intervals([0, 2, 2, 4, 6, 8, 0, 0, 2, 2, 4, 6], [2, 4, 4, 6, 8, np.inf, 2, 2, 4, 4, 6, 8])
    said = {"reference_arm": "plain", "conf_level": 0.8}
    cases = Cases(times, ["plain"] * 6 + ["buffered"] * 6, **said)
    by_hand = getattr(front, model)(times, {"arm": cases.arm}, **said)
    assert repr(getattr(front, model)(cases)) == repr(by_hand)
    refused("cluster is not used", front.fit_accelerated_time, Cases(TIMES, NAMED, cluster=ARM))
    refused("block is not used", getattr(front, model), Cases(TIMES, NAMED, block=ARM))


def test_a_model_of_one_group_takes_cases_of_one_group():
    assert repr(front.fit_accelerated_time(Cases(TIMES))) == repr(front.fit_accelerated_time(TIMES))
    refused("Give Intervals", front.fit_never_numb, Cases(TIMES))


def test_durations_take_cases_with_all_that_is_said_of_them():
    back = np.where(np.isinf(RIGHT), np.nan, 30 + 3 * np.arange(8.0))
    said = {"reference_arm": "plain", "stratum": list("ababbaba"), "weight": np.array([1, 2, 1, 1, 1, 1, 3, 1])}
    cases = Cases(TIMES, NAMED, **said)
    found = front.compare_durations(cases, back, back + 5)
    assert repr(found) == repr(front.compare_durations(TIMES, back, back + 5, NAMED, **said))
    assert found.n.cases == 9
    assert "2 of 11 cases never became numb" in found.caution[-2].text
    refused("arm is given beside", front.compare_durations, cases, back, back + 5, NAMED)
    refused("no arm", front.compare_durations, TIMES, back, back + 5)
    curve = front.fit_duration(TIMES, back, back + 5)
    assert repr(front.fit_duration(Cases(TIMES, weight=np.ones(8)), back, back + 5)) == repr(curve)
    refused("one group", front.fit_duration, cases, back, back + 5)


def test_covariates_are_named_columns_or_none():
    assert Cases(TIMES, covariates=None).covariates == {}
    refused("covariates are list", Cases, TIMES, covariates=[1, 2])


def test_no_row_may_be_chosen_but_no_half_one():
    assert len(TIMES.take([])) == len(Cases(TIMES, NAMED, covariates={"x": LEFT}).take([])) == 0
    assert len(TIMES.take(np.zeros(8, dtype=bool))) == 0
    for choose in (TIMES.take, Cases(TIMES, NAMED).take):
        with pytest.raises(OnsetStudyError, match="indices or a boolean mask"):
            choose([0.5])


def test_a_contrast_arm_that_nobody_has_is_told_from_a_single_arm():
    call = front.probability_numb_sooner
    refused("no case belongs to 'zz'; arms seen: buffered, plain", call, TIMES, NAMED, reference_arm="plain",
            contrast_arm="zz")  # fmt: skip
    refused("'plain' is the reference arm", call, TIMES, NAMED, reference_arm="plain", contrast_arm="plain")
    three = [*NAMED[:6], "warmed", "warmed"]
    with pytest.raises(OnsetStudyError, match="no reference arm is named") as caught:
        call(TIMES, three)
    assert len(caught.value.problems) == 1
    pair = call(TIMES, three, reference_arm="plain", contrast_arm="warmed")
    assert pair.contrast == "warmed before plain"


def test_a_kind_of_weight_without_weights_asks_nothing():
    said = {"reference_arm": "plain", "weight_kind": "probabilities"}
    left_out = front.estimate_rmst(TIMES, NAMED, reference_arm="plain", tau_min=4)
    assert repr(front.estimate_rmst(Cases(TIMES, NAMED, **said), tau_min=4)) == repr(left_out)
    refused("robust error", front.estimate_rmst, TIMES, NAMED, tau_min=4, weight=np.full(8, 0.5), **said)


@pytest.mark.parametrize(
    ("verb", "option", "value"),
    [
        ("estimate_rmst", "grace_min", -1),
        ("success_by", "grace_min", "x"),
        ("estimate_rmst", "grace_min", np.nan),
        ("compare_arms", "target_min", -1),
        ("compare_arms", "n_resamples", 1.5),
        ("compare_arms", "max_enumeration", "x"),
        ("compare_arms", "trend", {"plain": "a", "buffered": 1}),
        ("probability_numb_sooner", "weight_kind", "x"),
    ],
)
def test_numbers_that_cannot_be_meant_are_refused(verb, option, value):
    refused(option, getattr(front, verb), TIMES, NAMED, reference_arm="plain", **ARMED[verb] | {option: value})


def test_a_curve_says_what_it_cannot_use():
    refused("say it in Cases only|Say it in Cases only", front.fit_npmle, Cases(TIMES), weight=np.ones(8))
    refused("tolerance is 'x'", front.fit_npmle, TIMES, tolerance="x")
    curve = front.fit_npmle(TIMES)
    refused("a minute is missing", curve.at, [1.0, np.nan])
    refused("'x'|text", curve.at, "x")
    assert curve.at(np.inf)[1] == curve.at([np.inf])[1][0]
    for share in (np.nan, -0.1, 1.1, "0.5"):
        refused(f"p is {share!r}", curve.quantile, share)
    refused("t_min holds text", curve_limits, TIMES, "x")
    for factor in ("x", 0, -1, np.inf):
        refused(f"factor is {factor!r}", TIMES.rescale, factor)


def test_the_check_of_proportionality_names_the_covariates_there_are():
    times = front.Intervals(np.arange(8.0), np.arange(8.0) + 1)
    columns = {"arm": NAMED, "age": np.arange(8.0) % 3}
    refused("there are arm, age", front.check_proportionality, times, columns, covariate="zz")
    refused("split_min holds", front.check_proportionality, times, {"arm": np.tile(["a", "b"], 4)}, split_min=["a"])
    refused(
        "split_min is missing", front.check_proportionality, times, {"arm": np.tile(["a", "b"], 4)}, split_min=[np.nan]
    )
    refused(
        "split_min is a table", front.check_proportionality, times, {"arm": np.tile(["a", "b"], 4)}, split_min=[[4]]
    )


def test_pain_of_an_arm_is_not_compared_with_itself():
    said = {"reference_arm": "plain", "contrast_arm": "plain", "moment": "insertion", "unit": "mm"}
    refused("compared with itself", front.compare_pain, np.arange(8.0), NAMED, **said)


def test_an_arm_has_a_name():
    arm = np.where(np.arange(8) == 5, "", NAMED)
    refused("arm of case 5 .counted from 0. has no name", Cases, TIMES, arm)
    refused("has no name", front.success_by, TIMES, arm, reference_arm="plain", target_min=4)
