"""Scores: other software's values, hand-worked fractions, laws and a numerical twin of the information."""

from __future__ import annotations

import itertools
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.stats import rankdata

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.intervals import Intervals
from onsetstudy.survival.curve.innermost import support_index
from onsetstudy.survival.ranktests.rank_scores import (
    SCORE_FAMILY,
    CaseScores,
    case_scores,
    emphasis_of,
    score_variance,
    survival_moves,
)
from tests.survival.build import cases, inf, interval_rows

KINDS = tuple(SCORE_FAMILY)
SOFTWARE = ("logrank", "finkelstein", "wilcoxon")


def intervals(rows):
    return Intervals([a for a, _ in rows], [b for _, b in rows])


# --- other software -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", SOFTWARE)
def test_scores_of_every_case_equal_those_of_r(reference, kind):
    ref = reference("interval_cosmesis_tests")
    ours = case_scores(Intervals(ref.data["left"], ref.data["right"]), scores=kind)
    assert np.max(np.abs(ours.value - ref.data[kind])) < 5e-9, ref.source["citation"]
    ref.check(f"{kind}_squares", float(np.sum((ours.value - ours.value.mean()) ** 2)))


@pytest.mark.parametrize("kind", SOFTWARE)
def test_information_on_another_programs_curve_gives_its_score_statistic(reference, kind):
    # Its curve keeps a mass that is 0 at the maximum; on the same curve the same statistic comes out (source.toml).
    ref = reference("interval_mice_tests")
    count = sum(name.endswith("_left") for name in ref.expected["name"])
    ends = ([ref.value(f"mass_{i}_{side}") for i in range(count)] for side in ("left", "right"))
    support = Intervals(*ends)
    mass = np.array([ref.value(f"mass_{i}") for i in range(count)])
    first, last = support_index(Intervals(ref.data["l"], ref.data["u"]), support)
    survival = np.concatenate(([1.0], 1 - np.cumsum(mass)[:-1], [0.0]))
    emphasis = emphasis_of(kind, survival, support.left, support.right, None)
    moves = survival_moves(kind, survival, emphasis)
    scored = CaseScores(
        value=(moves[first] - moves[last + 1]) / (survival[first] - survival[last + 1]),
        first=first,
        last=last + 1,
        survival=survival,
        emphasis=emphasis,
        kind=kind,
        determined=True,
    )
    member = (ref.data["grp"] == "ge").to_numpy(float)[:, None]
    total = float((scored.value @ member)[0])
    variance = score_variance(scored, member, np.ones(len(member)))
    ref.check(f"{kind}_score_chi_square", total**2 / float(variance[0, 0]))


def test_exact_and_right_censored_times_give_one_less_cumulative_hazard(reference):
    # Log-rank scores of right-censored data: 1 (onset) or 0 (none) less the Nelson-Aalen sum.
    data = reference("survival_freireich_logrank").data
    time, status = data["time"].to_numpy(float), data["status"].to_numpy()
    ours = case_scores(Intervals(time, np.where(status == 1, time, inf))).value
    points = np.unique(time[status == 1])
    hazard = [np.sum((time == t) & (status == 1)) / np.sum(time >= t) for t in points]
    nelson_aalen = np.array([sum(h for h, p in zip(hazard, points, strict=True) if p <= t) for t in time])
    assert ours == pytest.approx(status - nelson_aalen, abs=1e-9)


def test_wilcoxon_scores_of_exact_times_are_midranks():
    time = np.array([3.0, 1.0, 2.0, 2.0, 7.0, 1.0, 1.0, 9.0])
    ours = case_scores(Intervals(time, time), scores="wilcoxon").value
    # S before + S after - 1 = 1 - 2 (midrank - 1/2) / n
    assert ours == pytest.approx(1 - (2 * rankdata(time) - 1) / time.size, abs=1e-12)


# --- by hand --------------------------------------------------------------------------------------------------------

# Three numb in (0, 1], two in (1, 2], one never: S = 1, 1/2, 1/6, 0; hazards 1/2, 2/3, 1.
BY_HAND = {
    "logrank": ("1/2", "-1/6", "-7/6"),
    "wilcoxon": ("1/2", "-1/3", "-5/6"),
    "early": ("1/2", "-5/12", "-2/3"),
}


@pytest.mark.parametrize("kind", BY_HAND)
def test_scores_worked_to_fractions(kind):
    times, _ = cases(a=[(0, 1, 3), (1, 2, 2), (2, inf, 1)])
    expected = np.repeat([float(Fraction(f)) for f in BY_HAND[kind]], (3, 2, 1))
    assert case_scores(times, scores=kind).value == pytest.approx(expected, abs=1e-12)


def test_finkelstein_scores_worked_by_hand():
    times, _ = cases(a=[(0, 1, 3), (1, 2, 2), (2, inf, 1)])
    # -(1/2 ln 1/2) / (1/2); (1/2 ln 1/2 - 1/6 ln 1/6) / (1/3); ln 1/6
    expected = [np.log(2), (0.5 * np.log(0.5) - np.log(1 / 6) / 6) * 3, np.log(1 / 6)]
    assert case_scores(times, scores="finkelstein").value == pytest.approx(np.repeat(expected, (3, 2, 1)), abs=1e-12)


@pytest.mark.parametrize(
    ("target", "expected"),
    [
        (1.0, ("1/2", "-1/2", "-1/2")),  # later hazards count 0: after the target all are alike
        (1.5, ("1/2", "-1/3", "-5/6")),  # half of the gap (1, 2] lies before the target
        (2.0, ("1/2", "-1/6", "-7/6")),  # the last test: all hazards count, as in the log-rank scores
    ],
)
def test_scores_up_to_the_target_minute(target, expected):
    times, _ = cases(a=[(0, 1, 3), (1, 2, 2), (2, inf, 1)])
    ours = case_scores(times, scores="by_target", target_min=target).value
    assert ours == pytest.approx(np.repeat([float(Fraction(f)) for f in expected], (3, 2, 1)), abs=1e-12)


def test_exact_times_count_towards_the_target_up_to_and_with_it():
    times = Intervals([1.0, 2.0, 3.0], [1.0, 2.0, 3.0])
    # S = 1, 2/3, 1/3, 0; hazards 1/3 and 1/2 count, that at 3 does not.
    ours = case_scores(times, scores="by_target", target_min=2.0).value
    assert ours == pytest.approx([2 / 3, 1 / 6, -5 / 6], abs=1e-12)


# --- laws -----------------------------------------------------------------------------------------------------------


def scored(rows, kind, weight=None, factor=1.0):
    return case_scores(
        intervals(rows).rescale(factor),
        scores=kind,
        weight=weight,
        target_min=3.0 * factor if kind == "by_target" else None,
    )


@given(rows=interval_rows(), kind=st.sampled_from(KINDS))
def test_scores_sum_to_zero(rows, kind):
    ours = scored(rows, kind).value
    assert abs(ours.sum()) < 1e-6 * len(rows)


@given(rows=interval_rows(), kind=st.sampled_from(KINDS), data=st.data())
def test_row_order_and_unit_of_time_change_nothing(rows, kind, data):
    order = data.draw(st.permutations(range(len(rows))))
    ours = scored(rows, kind).value
    assert scored([rows[i] for i in order], kind).value == pytest.approx(ours[list(order)], abs=1e-6)
    assert scored(rows, kind, factor=60.0).value == pytest.approx(ours, abs=1e-6)


@given(rows=interval_rows(), kind=st.sampled_from(KINDS))
def test_a_weight_stands_for_that_many_cases(rows, kind):
    weight = np.array([1.0 + i % 3 for i in range(len(rows))])
    split = [row for row, w in zip(rows, weight, strict=True) for _ in range(int(w))]
    assert np.repeat(scored(rows, kind, weight).value, weight.astype(int)) == pytest.approx(
        scored(split, kind).value, abs=1e-6
    )


@given(rows=interval_rows(), kind=st.sampled_from(KINDS))
def test_a_case_that_says_nothing_scores_nothing(rows, kind):
    # Case censored at 0: its score is 0 and no other score moves (unless an onset is at 0 exactly, which it denies).
    assume((0.0, 0.0) not in rows)
    more = scored([*rows, (0.0, inf)], kind).value
    assert abs(more[-1]) < 1e-9
    assert more[:-1] == pytest.approx(scored(rows, kind).value, abs=1e-6)


@given(rows=interval_rows())
def test_sooner_never_scores_less(rows):
    ours = scored(rows, "wilcoxon").value
    for (a, b), (c, d) in itertools.permutations(zip(rows, ours, strict=True), 2):
        if a[0] <= c[0] and a[1] <= c[1] and not (a[0] == c[0] and a[0] == a[1]):
            assert b >= d - 1e-7


# --- information ----------------------------------------------------------------------------------------------------


def shifted(kind, survival, emphasis, effect):
    """The curve moved by ``effect`` under the model of the scores."""
    if kind == "finkelstein":
        return survival ** np.exp(effect)
    if kind == "wilcoxon":
        return survival / (survival + np.exp(effect) * (1 - survival))
    hazard = 1 - survival[1:] / survival[:-1]
    inner = hazard[:-1] / (1 - hazard[:-1]) * np.exp(emphasis[:-1] * effect)
    return np.concatenate(([1.0], np.cumprod(1 / (1 + inner)), [0.0]))


def profile_curvature(kind, found, member, free):
    """Minus the second derivative of the profile log-likelihood, from differences of the full one."""

    def value(z):
        effect, inner = z[0], z[1:]
        survival = np.concatenate(([1.0], inner, [0.0]))
        each = np.where(member[:, None], shifted(kind, survival, found.emphasis, effect), survival)
        rows = np.arange(member.size)
        return float(np.sum(free * np.log(each[rows, found.first] - each[rows, found.last])))

    at = np.concatenate(([0.0], found.survival[1:-1]))
    step, size = 2e-4, at.size
    hessian = np.zeros((size, size))
    for i, j in itertools.combinations_with_replacement(range(size), 2):
        total = 0.0
        for a, b in itertools.product((1, -1), repeat=2):
            z = at.copy()
            z[i] += a * step
            z[j] += b * step
            total += a * b * value(z)
        hessian[i, j] = hessian[j, i] = -total / (4 * step**2)
    cross = hessian[0, 1:]
    return hessian[0, 0] - cross @ np.linalg.solve(hessian[1:, 1:], cross)


@pytest.mark.parametrize("kind", KINDS)
def test_information_equals_differences_of_the_log_likelihood(kind):
    rows = [
        (0, 2),
        (0, 4),
        (2, 4),
        (2, 6),
        (4, 6),
        (4, inf),
        (6, inf),
        (2, inf),
        (0, 2),
        (6, 8),
        (8, inf),
        (4, 8),
        (3, 3),
    ]
    member = np.array([1, 0, 1, 0, 0, 1, 0, 1, 0, 1, 0, 0, 1], dtype=bool)
    weight = np.array([1, 2, 1, 1, 3, 1, 1, 2, 1, 1, 2, 1, 1], dtype=float)
    found = case_scores(intervals(rows), scores=kind, weight=weight, target_min=5.0)
    ours = score_variance(found, (member * weight)[:, None], weight)[0, 0]
    # The weights of the early scores are fixed at the pooled curve, as the score takes them.
    assert ours == pytest.approx(profile_curvature(kind, found, member, weight), rel=2e-5)


def test_information_without_missed_tests_is_the_hypergeometric_one_by_its_factor(reference):
    # docstring of score_variance: sum over onset times of d (n - d) n1 n0 / n^3
    ref = reference("survival_freireich_logrank")
    time, status = ref.data["time"].to_numpy(float), ref.data["status"].to_numpy()
    member = (ref.data["trt"] == "placebo").to_numpy()
    found = case_scores(Intervals(time, np.where(status == 1, time, inf)))
    hypergeometric = by_factor = 0.0
    for t in np.unique(time[status == 1]):
        n, d, n1 = np.sum(time >= t), np.sum((time == t) & (status == 1)), np.sum((time >= t) & member)
        if n > 1:
            part = d * (n - d) * n1 * (n - n1) / (n**2 * (n - 1))
            hypergeometric += part
            by_factor += part * (n - 1) / n
    ref.check("variance", hypergeometric)
    ours = score_variance(found, member.astype(float)[:, None], np.ones(time.size))[0, 0]
    assert ours == pytest.approx(by_factor, rel=1e-9)


@given(rows=interval_rows(min_size=4), kind=st.sampled_from(KINDS))
def test_variances_of_two_arms_are_the_same_and_cancel(rows, kind):
    found = scored(rows, kind)
    assume(found.survival.size > 2)
    member = np.array([i % 2 for i in range(len(rows))], dtype=float)
    both = score_variance(found, np.column_stack((member, 1 - member)), np.ones(len(rows)))
    # Moving both arms alike only renames the pooled curve, so it tells nothing.
    scale = np.abs(both).max() + 1e-12
    if kind in SOFTWARE:
        assert np.abs(both.sum(axis=1)).max() < 1e-6 * max(scale, 1.0)
    assert both[0, 1] == pytest.approx(both[1, 0], abs=1e-9 * max(scale, 1.0))


def test_unknown_scores_and_a_missing_target_are_refused_in_words():
    times, _ = cases(a=[(0, 1, 3), (1, 2, 2)])
    with pytest.raises(OnsetStudyError) as found:
        case_scores(times, scores="gehan")
    assert str(found.value) == (
        "key scores: the scores 'gehan' are not known. Choose one of logrank, finkelstein, wilcoxon, early, by_target."
    )
    with pytest.raises(OnsetStudyError) as found:
        case_scores(times, scores="by_target")
    assert str(found.value) == (
        'key target_min: the scores "by_target" need a target minute. Give target_min, for example target_min=2.0.'
    )
