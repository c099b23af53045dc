"""What every estimator is given: checked once, all problems at once."""

from __future__ import annotations

import inspect
from dataclasses import FrozenInstanceError, replace

import numpy as np
import pandas as pd
import pytest

from onsetstudy.core.cases import Cases, merge_alike
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.hazards.frailty import fit_shared_frailty
from onsetstudy.survival.hazards.proportional_hazards import fit_proportional_hazards
from onsetstudy.survival.ranktests.compare import compare_arms
from onsetstudy.survival.summaries.npmle_proportion import curve_limits
from onsetstudy.survival.summaries.probability_index import probability_numb_sooner
from onsetstudy.survival.summaries.quantiles import estimate_quantile
from onsetstudy.survival.summaries.rmst import estimate_rmst
from onsetstudy.survival.summaries.success import never_numb_share, success_by

INF = np.inf
VERBS = (
    success_by,
    never_numb_share,
    estimate_rmst,
    estimate_quantile,
    probability_numb_sooner,
    compare_arms,
    curve_limits,
    fit_npmle,
    fit_proportional_hazards,
    fit_shared_frailty,
)
COMPARING = {
    success_by: {"target_min": 2},
    never_numb_share: {"tau_min": 4},
    estimate_rmst: {"tau_min": 4},
    estimate_quantile: {"share": 0.4},
    probability_numb_sooner: {},
    compare_arms: {},
}


def study():
    times = Intervals([0, 0, 2, 0, 2, 4, 0, 2], [2, 2, 4, 4, 4, INF, 2, INF])
    arm = ["buffered"] * 4 + ["plain"] * 4
    return times, arm, ["a", "b"] * 4, [2, 1, 3, 1, 2, 2, 1, 4]


def test_all_problems_come_at_once():
    with pytest.raises(OnsetStudyError) as found:
        Cases(
            Intervals([0, 1, 2], [1, 2, INF]),
            ["plain", None, "buffered"],
            stratum=["a"],
            cluster=np.ma.masked_array(["x", "y", "z"], mask=[False, False, True]),
            period=["1", "2", "1"],
            weight=[1, 0.5, -2],
            covariates={"age": [20.0, np.nan, 30.0]},
            conf_level=95,
        )
    assert [problem.where.key for problem in found.value.problems] == [
        "arm",
        "stratum",
        "cluster",
        "period",
        "weight",
        "age",
        "conf_level",
    ]
    text = str(found.value)
    assert "cluster is missing for case 2" in text
    assert "period is text for case 0, 1, 2" in text
    assert "0.5 for case 1, -2 for case 2" in text


def test_numbers_written_as_text_are_refused_as_weights():
    times, arm, _, _ = study()
    with pytest.raises(OnsetStudyError, match="weight is text for case 0"):
        success_by(times, arm, reference_arm="plain", target_min=2, weight=["2"] + [1] * 7)


def test_cases_cannot_be_changed():
    times, arm, stratum, weight = study()
    cases = Cases(times, arm, reference_arm="plain", stratum=stratum, weight=weight)
    with pytest.raises(FrozenInstanceError):
        cases.conf_level = 0.9
    with pytest.raises(ValueError, match="read-only"):
        cases.weight[0] = 5
    assert (len(cases), cases.n) == (8, 16)
    assert replace(cases, weight=[0.5] * 8, weight_kind="probabilities").n == 8


@pytest.mark.parametrize("verb", COMPARING, ids=lambda v: v.__name__)
def test_cases_and_bare_arrays_are_two_ways_to_say_the_same(verb):
    times, arm, stratum, weight = study()
    fields = {"reference_arm": "plain", "stratum": stratum, "weight": weight}
    if "conf_level" in inspect.signature(verb).parameters:
        fields["conf_level"] = 0.8
    said = verb(times, arm, **fields, **COMPARING[verb])
    assert verb(Cases(times, arm, **fields), **COMPARING[verb]).to_dict() == said.to_dict()
    assert verb(times, np.array(arm), **fields, **COMPARING[verb]).to_dict() == said.to_dict()
    assert said.n.cases == sum(weight)


def test_a_ratio_of_rates_takes_the_arm_as_covariate():
    times, arm, stratum, weight = study()
    cases = Cases(times, arm, reference_arm="plain", stratum=stratum, weight=weight, conf_level=0.9)
    ours = fit_proportional_hazards(cases)
    bare = fit_proportional_hazards(
        times, {"arm": arm}, reference={"arm": "plain"}, stratum=stratum, weight=weight, conf_level=0.9
    )
    assert ours.to_dict() == bare.to_dict()
    assert ours.estimates[0].contrast == "buffered / plain"
    turned = fit_proportional_hazards(times, {"arm": arm}, reference_arm="buffered", stratum=stratum, weight=weight)
    assert turned.estimates[0].contrast == "plain / buffered"
    assert turned.estimates[0].estimate == pytest.approx(1 / ours.estimates[0].estimate, rel=1e-5)


def test_a_field_that_a_verb_would_overlook_is_refused():
    times, arm, stratum, _ = study()
    clustered = Cases(times, arm, reference_arm="plain", cluster=list("wwxxyyzz"))
    with pytest.raises(OnsetStudyError, match="cluster is not used here"):
        success_by(clustered, target_min=2)
    with pytest.raises(OnsetStudyError, match="arm is not used here"):
        curve_limits(Cases(times, arm), 2)
    with pytest.raises(OnsetStudyError, match="one group of cases, and takes no stratum"):
        fit_npmle(Cases(times, stratum=stratum))
    with pytest.raises(OnsetStudyError, match="weight is given beside cases"):
        success_by(replace(clustered, cluster=None), target_min=2, weight=[1] * 8)
    with pytest.raises(OnsetStudyError, match="the cases name no reference arm"):
        success_by(Cases(times, arm), target_min=2)
    with pytest.raises(TypeError, match="tau"):
        success_by(replace(clustered, cluster=None), tau=2)


@pytest.mark.parametrize("verb", COMPARING, ids=lambda v: v.__name__)
def test_weights_that_are_no_counts_need_a_robust_error(verb):
    times, arm, _, _ = study()
    half = [0.5] * 8
    with pytest.raises(OnsetStudyError, match=r"weight is not a whole number of 0 or more: 0\.5 for case 0"):
        verb(times, arm, reference_arm="plain", weight=half, **COMPARING[verb])
    with pytest.raises(OnsetStudyError, match="need a robust error"):
        verb(times, arm, reference_arm="plain", weight=half, weight_kind="probabilities", **COMPARING[verb])
    with pytest.raises(OnsetStudyError, match="Write counts or probabilities"):
        verb(times, arm, reference_arm="plain", weight=half, weight_kind="shares", **COMPARING[verb])


def test_where_errors_are_robust_only_the_proportion_of_the_weights_matters():
    rng = np.random.default_rng(3)
    left = rng.integers(0, 6, 60).astype(float)
    times, arm = Intervals(left, left + 1), np.array(["plain", "buffered"])[np.arange(60) % 2]
    weight, who = rng.uniform(0.2, 2, 60), np.arange(60) // 2
    with pytest.raises(OnsetStudyError, match="without clusters"):
        fit_proportional_hazards(times, {"arm": arm}, weight=weight, weight_kind="probabilities")
    one, tenth = (
        fit_proportional_hazards(times, {"arm": arm}, cluster=who, weight=weight * k, weight_kind="probabilities")
        for k in (1.0, 0.1)
    )
    assert tenth.estimates[0].estimate == pytest.approx(one.estimates[0].estimate, rel=1e-5)
    assert tenth.estimates[0].std_error == pytest.approx(one.estimates[0].std_error, rel=1e-4)
    assert one.n.cases == 60


def test_a_curve_counts_cases_and_not_rows():
    curve = fit_npmle(Intervals([0, 2, 4], [2, 4, INF]), weight=[3, 2, 5])
    assert (curve.n.cases, curve.n.onsets) == (10, 5)
    loose = fit_npmle(Intervals([0, 2, 4], [2, 4, INF]), weight=[0.3, 0.2, 0.5], weight_kind="probabilities")
    assert (loose.n.cases, loose.n.onsets) == (3, 2)
    np.testing.assert_allclose(curve.mass, loose.mass, atol=1e-12)


def test_a_weight_of_nought_is_no_case_and_gives_its_arm_none():
    times, arm, _, _ = study()
    with pytest.raises(OnsetStudyError, match="no case belongs to the reference arm 'plain'"):
        success_by(times, arm, reference_arm="plain", target_min=2, weight=[1] * 4 + [0] * 4)
    frame = pd.DataFrame({"arm": [*arm, "saline"]})
    more = Intervals([*times.left, 0], [*times.right, 1])
    with_it = fit_proportional_hazards(more, frame, reference_arm="plain", weight=[1] * 8 + [0])
    assert len(with_it.estimates) == 1


def test_like_rows_are_put_together_in_order():
    times, weight = merge_alike(Intervals([2, 0, 2, 0], [4, 2, 4, 1]), np.array([1.0, 2.0, 5.0, 0.0]))
    assert (times.left.tolist(), times.right.tolist(), weight.tolist()) == ([0, 2], [2, 4], [2, 6])
    nobody, none = merge_alike(Intervals([], []))
    assert (len(nobody), none.size) == (0, 0)


@pytest.mark.parametrize("verb", VERBS, ids=lambda v: v.__name__)
def test_fields_have_one_name_and_one_default_on_every_verb(verb):
    parameters = inspect.signature(verb).parameters
    assert parameters["weight"].default is None
    assert parameters["weight_kind"].default == "counts"
    if "conf_level" in parameters:
        assert parameters["conf_level"].default == 0.95
    for name in ("stratum", "block"):
        assert name not in parameters or parameters[name].default is None
    assert "weight_kind" in verb.__doc__ or "with the same parameters" in verb.__doc__
