"""Rows that count several cases, the same cases one by one, and these in another order: one result.

To 1e-12, since like rows are put together in order before anything is computed from them. Two places are told apart.
The ratio of rates is found by iterating over kinds of cases whose centre is a weighted mean: its rounding differs, and
where the search stops with it. The ends of its profile interval, as roots, are found to the tolerance of the search.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.serialise import to_dict
from onsetstudy.survival.curve.npmle import fit_npmle
from onsetstudy.survival.hazards.frailty import fit_shared_frailty
from onsetstudy.survival.hazards.proportional_hazards import fit_proportional_hazards
from onsetstudy.survival.ranktests.compare import compare_arms
from onsetstudy.survival.ranktests.score_statistics import score_pieces
from onsetstudy.survival.summaries.npmle_proportion import curve_limits
from onsetstudy.survival.summaries.probability_index import probability_numb_sooner
from onsetstudy.survival.summaries.quantiles import estimate_quantile
from onsetstudy.survival.summaries.rmst import estimate_rmst
from onsetstudy.survival.summaries.success import never_numb_share, success_by
from tests.examples import examples
from tests.survival.build import inf

STUDIES = 250  # in a thorough run
EXACT = 1e-12


@st.composite
def studies(draw):
    """Rows (left, right, arm, stratum, weight) on a half-minute lattice, two to twelve of them."""
    width = st.sampled_from([0.0, 0.5, 1.0, 2.5, 4.0, inf])
    row = st.tuples(st.integers(0, 12), width, st.booleans(), st.booleans(), st.integers(0, 5))
    rows = draw(st.lists(row, min_size=4, max_size=12))
    order = draw(st.randoms(use_true_random=False))
    return rows, order


def as_arrays(rows):
    times = Intervals([a / 2 for a, *_ in rows], [a / 2 + w for a, w, *_ in rows])
    arm = np.array(["buffered" if b else "plain" for _, _, b, _, _ in rows])
    stratum = np.array(["x" if s else "y" for *_, s, _ in rows])
    return times, arm, stratum, np.array([n for *_, n in rows])


def three_ways(study):
    """The same cases as counts, one by one, and one by one in another order."""
    rows, order = study
    copies = [(*row[:-1], 1) for row in rows for _ in range(row[-1])]
    shuffled = list(copies)
    order.shuffle(shuffled)
    return as_arrays(rows), as_arrays(copies), as_arrays(shuffled)


def leaves(value: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for key, part in value.items():
            yield from leaves(part, f"{path}.{key}")
    elif isinstance(value, list | tuple):
        for place, part in enumerate(value):
            yield from leaves(part, f"{path}[{place}]")
    else:
        yield path, value


def outcome(call):
    """Everything that the result says, or the error that was raised."""
    try:
        found = call()
    except (NotEstimable, OnsetStudyError) as error:
        return {"error": type(error).__name__, "text": str(error)}
    return dict(leaves([to_dict(r) for r in found] if isinstance(found, tuple) else to_dict(found)))


def same(ours, theirs, tolerance):
    assert ours.keys() == theirs.keys()
    for path, value in ours.items():
        other = theirs[path]
        if isinstance(value, float) and isinstance(other, float | int) and math.isfinite(value):
            assert abs(value - other) <= tolerance * max(1.0, abs(value)), (path, value, other)
        else:
            assert value == other, path


def of_arms(verb, **options):
    def call(times, arm, stratum, weight):
        return verb(times, arm, reference_arm="plain", stratum=stratum, weight=weight, **options)

    return call


def of_a_group(verb, *args):
    def call(times, arm, stratum, weight):
        return verb(times, *args, weight=weight)

    return call


CALLS = {
    "success": of_arms(success_by, target_min=2.0),
    "success, exact limits, no grace": of_arms(success_by, target_min=2.25, limits="exact", grace_min=0),
    "not numb": of_arms(never_numb_share, tau_min=5.0),
    "wait": of_arms(estimate_rmst, tau_min=3.0),
    "wait, longer": of_arms(estimate_rmst, tau_min=6.0, small_sample=False, grace_min=9.0),
    "quantile": of_arms(estimate_quantile, share=0.5),
    "chance": of_arms(probability_numb_sooner),
    "test": of_arms(compare_arms),
    "score test": of_arms(compare_arms, scores="finkelstein", method="score"),
    "pieces": of_arms(score_pieces),
    "limits": of_a_group(curve_limits, [1.0, 2.25, 6.0]),
    "curve": of_a_group(fit_npmle),
}


@pytest.mark.parametrize("name", CALLS)
@examples(STUDIES, usual=16)
@given(study=studies())
def test_counts_copies_and_shuffled_rows_say_the_same(name, study):
    counted, copied, shuffled = three_ways(study)
    assume(len(copied[0]) >= 2)
    ours = outcome(lambda: CALLS[name](*counted))
    same(ours, outcome(lambda: CALLS[name](*copied)), EXACT)
    same(ours, outcome(lambda: CALLS[name](*shuffled)), EXACT)


@examples(STUDIES, usual=8)
@given(study=studies())
def test_a_ratio_of_rates_is_the_same_to_the_tolerance_of_its_search(study):
    found = []
    for times, arm, stratum, weight in three_ways(study):
        try:
            fit = fit_proportional_hazards(times, {"arm": arm}, reference_arm="plain", stratum=stratum, weight=weight)
        except OnsetStudyError as error:
            found.append((type(error).__name__, getattr(error, "code", "")))
            continue
        found.append((fit.log_likelihood, fit.estimates[0], fit.n.cases))
    for other in found[1:]:
        if isinstance(found[0][0], str) or isinstance(other[0], str):
            assert other == found[0]
            continue
        assert other[0] == pytest.approx(found[0][0], abs=1e-8)
        assert math.log(other[1].estimate) == pytest.approx(math.log(found[0][1].estimate), abs=1e-5)
        assert other[1].interval.low == pytest.approx(found[0][1].interval.low, rel=1e-2)
        assert other[1].interval.high == pytest.approx(found[0][1].interval.high, rel=1e-2)
        assert other[2] == found[0][2]


def test_the_spread_of_practices_is_the_same_to_the_tolerance_of_its_search():
    rng = np.random.default_rng(8)
    rows = [(int(a), 1.0, bool(b), False, int(n)) for a, b, n in rng.integers((0, 0, 0), (9, 2, 4), (60, 3))]
    who = np.array(list("pqrst"))[np.arange(60) % 5]
    times, arm, _, weight = as_arrays(rows)
    split = np.repeat(np.arange(60), weight)
    ours = fit_shared_frailty(times, {"arm": arm}, cluster=who, weight=weight, reference_arm="plain")
    theirs = fit_shared_frailty(times.take(split), {"arm": arm[split]}, cluster=who[split], reference_arm="plain")
    assert ours.n == theirs.n
    assert ours.log_likelihood == pytest.approx(theirs.log_likelihood, abs=1e-7)
    assert ours.estimates[0].estimate == pytest.approx(theirs.estimates[0].estimate, rel=1e-4)
