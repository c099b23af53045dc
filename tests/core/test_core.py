from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from onsetstudy.core.errors import NotEstimable, OnsetStudyError, Problem, RecordsError, Where
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Certificate, Counts, Estimate, Interval, NotAvailable, complement_of
from onsetstudy.core.seeds import stream
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.inference.estimate_or_reason import attempt
from onsetstudy.survival.results import OnsetCurve


def test_a_problem_reads_as_one_line():
    problem = Problem(
        what='the time "4;30" cannot be read',
        where=Where(file="cases.csv", row=14, column="reading_min"),
        mend="write minutes and seconds as 4:30, or minutes as 4.5",
    )
    assert str(problem) == (
        'cases.csv, row 14, column reading_min: the time "4;30" cannot be read. '
        "Write minutes and seconds as 4:30, or minutes as 4.5."
    )


def test_an_error_shows_all_its_problems():
    problems = [Problem(what=f"fault {i}", where=Where(file="a.csv", row=i), mend="mend it") for i in (2, 3)]
    error = RecordsError(problems)
    assert str(error).splitlines() == ["a.csv, row 2: fault 2. Mend it.", "a.csv, row 3: fault 3. Mend it."]


def test_intervals_name_every_faulty_row():
    with pytest.raises(OnsetStudyError) as caught:
        Intervals([0, -1, 3, np.nan], [1, 2, 2, 4])
    assert [p.what.split()[1] for p in caught.value.problems] == ["3", "1", "2"]


def test_intervals_cannot_be_changed():
    source = np.array([0.0, 1.0])
    times = Intervals(source, [1, np.inf])
    source[0] = 9
    assert times.left.tolist() == [0, 1]
    with pytest.raises(ValueError, match="read-only"):
        times.left[0] = 5
    assert times.right_censored.tolist() == [False, True]
    assert times.left_censored.tolist() == [True, False]


def test_unequal_ends_are_refused():
    with pytest.raises(OnsetStudyError, match="equally long"):
        Intervals([0, 1], [2])


def test_streams_depend_on_the_name_only():
    first = stream(1, "bootstrap", 3).random(4)
    assert np.array_equal(first, stream(1, "bootstrap", 3).random(4))
    assert not np.array_equal(first, stream(1, "bootstrap", 4).random(4))
    assert not np.array_equal(first, stream(1, "permutation", 3).random(4))
    assert not np.array_equal(first, stream(2, "bootstrap", 3).random(4))


def estimate(value, low, high):
    return Estimate(
        quantity="wait",
        contrast=None,
        estimate=value,
        interval=Interval(low=low, high=high, level=0.95, method="m"),
        unit="min",
        method="m",
        n=Counts.of(np.array([True, False]), np.array(["a", "b"])),
    )


@given(st.floats(allow_nan=False), st.floats(allow_nan=False), st.floats(allow_nan=False))
def test_an_estimate_survives_json(value, low, high):
    original = estimate(value, low, high)
    text = json.dumps(original.to_dict(), allow_nan=False)
    assert from_dict(json.loads(text)) == original


def test_a_curve_survives_json_with_its_infinite_end():
    curve = OnsetCurve(
        left=[0, 2],
        right=[2, np.inf],
        mass=[0.25, 0.75],
        determined=[1, 1],
        log_likelihood=-1.5,
        certificate=Certificate(converged=True, iterations=3, gap=0.0, tolerance=1e-8),
        n=Counts(cases=4, onsets=1),
    )
    back = from_dict(json.loads(json.dumps(curve.to_dict(), allow_nan=False)))
    assert back.right.tolist() == [2, np.inf]
    assert not back.mass.flags.writeable
    assert back.to_dict() == curve.to_dict()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"version": 99}, "format version 99"),
        ({"kind": "unheard_of"}, "'unheard_of' is not known"),
        ({"extra": 1}, "fields that are not known: extra"),
        ({"unit": None, "estimate": None, "quantity": None}, None),
    ],
)
def test_foreign_results_are_refused(change, words):
    data = {**estimate(1.0, 0.0, 2.0).to_dict(), **change}
    if words is None:
        del data["method"]
        words = "incomplete"
    with pytest.raises(OnsetStudyError, match=words):
        from_dict(data)


def test_an_unregistered_class_has_no_plain_form():
    with pytest.raises(TypeError, match="no plain form"):
        to_dict(object())


def test_what_is_not_estimable_keeps_its_bound():
    error = NotEstimable("hazard_ratio", "no onset in plain", code="no_onset_in_arm", bound=(1.7, np.inf))

    def refused():
        raise error

    asked = {"quantity": "hazard_ratio", "contrast": "buffered / plain", "unit": "ratio", "method": "m"}
    result = attempt(refused, **asked, n=Counts(cases=3, onsets=2), level=0.9)
    assert isinstance(result, NotAvailable)
    assert (result.quantity, result.code, result.bound.level) == ("hazard_ratio", "no_onset_in_arm", 0.9)
    assert (result.bound.low, result.bound.high) == (1.7, np.inf)
    assert result.to_frame()["estimate"].isna().all()
    assert str(error) == "The hazard ratio is not estimable: no onset in plain."


# The curve: hand case. Masses 1/4 in (0, 2], 1/4 at exactly 3, 1/2 never seen numb after 4.
CURVE = OnsetCurve(
    left=[0, 3, 4],
    right=[2, 3, np.inf],
    mass=[0.25, 0.25, 0.5],
    determined=[1, 1, 1],
    log_likelihood=0.0,
    certificate=Certificate(converged=True, iterations=1, gap=0.0, tolerance=1e-8),
    n=Counts(cases=4, onsets=2),
)


@pytest.mark.parametrize(
    ("t", "low", "high"),
    [(0, 1, 1), (1, 0.75, 1), (2, 0.75, 0.75), (2.5, 0.75, 0.75), (3, 0.5, 0.5), (4, 0.5, 0.5), (5, 0, 0.5)],
)
def test_the_curve_is_a_band_where_nobody_looked(t, low, high):
    assert CURVE.at(t) == (low, high)


def test_the_curve_takes_many_times_at_once():
    low, high = CURVE.at([0, 2, 3])
    assert low.tolist() == [1, 0.75, 0.5]
    assert high.tolist() == [1, 0.75, 0.5]


@pytest.mark.parametrize(("p", "interval"), [(0.1, (0, 2)), (0.25, (0, 2)), (0.5, (3, 3)), (0.51, (4, np.inf))])
def test_quantiles_are_intervals(p, interval):
    assert CURVE.quantile(p) == interval


def test_a_complement_turns_the_ends_with_the_value_and_has_a_name_of_its_own():
    """Not numb is numb taken from one: .1 more numb (.02 to .18) is .1 fewer not numb (.18 fewer to .02 fewer)."""
    numb = Estimate(
        quantity="success_difference", contrast="buffered - plain", estimate=0.1, interval=Interval(
            low=0.02, high=0.18, level=0.95, method="by hand"), n=Counts(cases=10, onsets=8), unit="proportion",
        method="by hand",
    )  # fmt: skip
    turned = complement_of(numb, "not_numb_difference")
    assert (turned.quantity, turned.estimate) == ("not_numb_difference", -0.1)
    assert (turned.interval.low, turned.interval.high) == (-0.18, -0.02)
    assert complement_of(turned, "success_difference") == numb
    nothing = complement_of(dataclasses.replace(numb, estimate=0.0), "not_numb_difference")
    assert f"{nothing.estimate}" == "0.0"
