import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special, stats

from onsetstudy.core.errors import NotEstimable, OnsetStudyError
from onsetstudy.pool.funnel import _dispersion, exact_limit, funnel
from onsetstudy.pool.shrinkage import shrink_to_expected
from tests.examples import THOROUGH
from tests.simulation.kept import KeptStudies


@pytest.mark.parametrize(("share", "cases", "tail"), [(0.1, 50, 0.025), (0.1, 50, 0.975), (0.1, 50, 0.999),
                                                (0.2, 100, 0.025), (0.2, 100, 0.975)])  # fmt: skip
def test_limits_as_computed_elsewhere(reference, share, cases, tail):
    name = f"{share} of {cases} at {tail}".replace("0.", ".")
    reference("spiegelhalter_2005_funnel").check(name, float(exact_limit(share, cases, tail)))


@given(st.floats(0.01, 0.99), st.integers(1, 400), st.floats(0.001, 0.999))
def test_the_limit_lies_between_the_whole_numbers_of_the_tail(share, cases, tail):
    limit = cases * exact_limit(share, cases, tail)
    r = stats.binom.ppf(tail, cases, share)
    assert r - 1 - 1e-6 <= limit <= r + 1e-6 or limit == pytest.approx(0, abs=1e-9)


@given(st.floats(0.01, 0.99), st.lists(st.integers(1, 300), min_size=1, max_size=8), st.floats(0.001, 0.999))
def test_limits_together_are_limits_one_by_one(share, cases, tail):
    together = exact_limit(share, cases, tail)
    assert together.tolist() == [float(exact_limit(share, n, tail)) for n in cases]


def test_limits_of_points_and_edges_are_those_of_their_cases():
    found = funnel([20, 5, 9, 2], [60, 40, 50, 25], [11, 6, 8, 4], ["D", "A", "B", "C"])
    wide = float(np.sqrt(found.dispersion)) if found.dispersed else 1.0

    def limits(cases, level):
        low, high = (float(exact_limit(found.centre, cases, t)) for t in ((1 - level) / 2, (1 + level) / 2))
        return [max(0, found.centre - wide * (found.centre - low)), min(1, found.centre + wide * (high - found.centre))]

    for p in found.points:
        assert [p.inner.low, p.inner.high] == pytest.approx(limits(p.cases, 0.95), abs=1e-12)
        assert [p.outer.low, p.outer.high] == pytest.approx(limits(p.cases, 0.998), abs=1e-12)
    assert found.edges[0][0] < 25
    assert found.edges[-1][0] > 60
    for cases, *edge in found.edges:
        assert edge == pytest.approx([*limits(cases, 0.95), *limits(cases, 0.998)], abs=1e-12)


def test_points_stand_in_the_order_of_codes_whatever_their_values():
    found = funnel([20, 5, 9, 2], [60, 40, 50, 25], [11, 6, 8, 4], ["D", "A", "B", "C"])
    assert [p.label for p in found.points] == ["A", "B", "C", "D"]
    assert found.points[3].adjusted == pytest.approx(36 / 175 * 20 / 11)
    # Beyond the outer limits as drawn, but 20 or more of 60 at its own mix's 11 of 60 come by chance 4 times in 1,000.
    assert found.points[3].adjusted > found.points[3].outer.high
    assert 0.001 < stats.binom.sf(19, 60, 11 / 60) < 0.025
    assert found.points[3].flag == "look"
    assert {c.code for c in found.caution} == {"no_ranks"}


def test_one_failure_of_one_case_is_not_outside():
    found = funnel([1, 0] + [10] * 8, [1, 1] + [100] * 8, [0.1, 0.1] + [10.0] * 8, list("ABCDEFGHIJ"))
    assert found.points[0].adjusted > found.points[0].outer.high
    assert [p.flag for p in found.points] == [""] * 10


@pytest.mark.parametrize("share", [0.05, 0.1, 0.2, 0.5] if THOROUGH else [0.05, 0.2])
@pytest.mark.parametrize("cases", [1, 2, 3, 5, 10, 30])
def test_chance_flags_few_cases_no_more_often_than_the_limits_say(share, cases):
    """Every number of failures, weighed by its chance; the rest of the group is large and alike."""
    chances = stats.binom.pmf(np.arange(cases + 1), cases, share)
    # What happens once in 100,000 is not looked at, and taken for flagged.
    flagged = {"": 0.0, "look": 0.0, "outside": chances[chances < 1e-5].sum()}
    for x in np.flatnonzero(chances >= 1e-5):
        rest = [round(2000 * share)] * 6
        found = funnel([x, *rest], [cases] + [2000] * 6, [cases * share, *rest], list("ABCDEFG"))
        flagged[found.points[0].flag] += chances[x]
    assert flagged["outside"] <= 0.002
    assert flagged["outside"] + flagged["look"] <= 0.05


def test_too_many_and_too_few_failures_are_flagged_still():
    found = funnel([60, 2] + [20] * 10, [100] * 12, [20.0] * 12, list("ABCDEFGHIJKL"))
    assert [p.flag for p in found.points[:3]] == ["outside", "outside", ""]
    # Three of three at 1 in 10: once in 1,000, just as rare as what lies beyond an outer limit.
    for share, flag in ((0.1, "outside"), (0.11, "look"), (0.3, "")):
        found = funnel([3] + [10] * 10, [3] + [100] * 10, [3 * share] + [10.0] * 10, list("ABCDEFGHIJK"))
        assert found.points[0].flag == flag


def as_one(failures, cases):
    """A funnel in which every unit is expected to fail as often as all together."""
    return funnel(failures, cases, cases * failures.sum() / cases.sum(), [f"P{k:02d}" for k in range(len(cases))])


def few_cases(k):
    rng = np.random.default_rng([5, k])
    n = np.append(rng.integers(1, 8, 10), [300, 400])
    flags = [p.flag for p in as_one(rng.binomial(n, 0.15), n).points]
    return {"outside": flags.count("outside"), "looked": sum(f != "" for f in flags)}


def alike_and_mixed(k):
    rng = np.random.default_rng([11, k])
    n = rng.integers(30, 120, 12)
    found = as_one(rng.binomial(n, 0.2), n)
    mixed = as_one(rng.binomial(n, rng.beta(2, 8, 12)), n)
    return {
        "outside": sum(p.flag == "outside" for p in found.points),
        "dispersed": found.dispersed,
        "mixed_dispersed": mixed.dispersed,
    }


FEW_CASES = KeptStudies(name="funnels_of_few_cases", one=few_cases, count=150)
ALIKE = KeptStudies(name="funnels_alike_and_mixed", one=alike_and_mixed, count=300)


def test_alike_units_of_few_cases_are_seldom_flagged():
    found = FEW_CASES.numbers()
    assert found["outside"].sum() <= 0.002 * 150 * 12
    assert found["looked"].sum() <= 0.05 * 150 * 12


def test_few_false_flags_when_all_are_alike_and_wider_limits_when_they_differ():
    found = ALIKE.numbers()
    assert found["outside"].sum() <= 300 * 12 * 0.005
    assert found["dispersed"].sum() < 0.06 * 300
    assert found["mixed_dispersed"].sum() > 0.8 * 300


def shrunken(k):
    """Eight units whose log odds are spread by 0.5; what is expected of them is their own share of all."""
    rng = np.random.default_rng([3, k])
    n = rng.integers(15, 80, 8)
    truth = 1 / (1 + np.exp(-(-1.4 + 0.5 * rng.standard_normal(8))))
    x = rng.binomial(n, truth)
    found = shrink_to_expected(x, n, n * x.sum() / n.sum())
    return {
        "inside": sum(limits.low < share < limits.high for share, limits in found),
        "held": sum(limits.low <= p <= limits.high for (_, limits), p in zip(found, truth, strict=True)),
    }


SHRUNKEN = KeptStudies(name="funnels_shrunken", one=shrunken, count=300)


def test_shrunken_limits_hold_the_truth_of_nineteen_in_twenty():
    """2,400 units. Limits that take the middle of all for known hold 92 in 100."""
    found = SHRUNKEN.numbers()
    assert (found["inside"] == 8).all()
    assert found["held"].sum() / 2400 == pytest.approx(0.95, abs=3 * np.sqrt(0.95 * 0.05 / 2400))


def by_even_steps(failures, cases, expected):
    """For each unit: mass below a share, and mean share; sums over even steps of odds, middle and spread.

    Other nodes in other variables than the package's: the log odds themselves, from end to end of what is plausible.
    """
    spreads, base = (np.arange(40) + 0.5) / 20, special.logit(expected / cases)
    centre = special.logit(failures.sum() / cases.sum())

    def rows(k, s, middle):
        """Log odds, and the log of likelihood times density at them, shape (middles, steps)."""
        p = np.clip(failures[k] / cases[k], 0.5 / cases[k], 1 - 0.5 / cases[k])
        width = 1 / np.sqrt(cases[k] * p * (1 - p))
        ends = base[k] + middle.min() - 9 * s, base[k] + middle.max() + 9 * s
        if cases[k] > 200:
            ends = max(ends[0], special.logit(p) - 12 * width), min(ends[1], special.logit(p) + 12 * width)
        if ends[0] >= ends[1]:
            return None, np.full((middle.size, 1), -np.inf)
        odds = np.arange(*ends, min(width / 10, s / 6))
        log = failures[k] * odds - cases[k] * np.logaddexp(0, odds)
        prior = -(((odds - base[k] - middle[:, None]) / s) ** 2) / 2 - np.log(s)
        return odds, log + prior + np.log(odds[1] - odds[0])

    units = range(len(cases))

    def plausible(s, middle):
        return sum(special.logsumexp(rows(k, s, middle)[1], axis=1) for k in units)

    coarse = np.linspace(-8, 8, 161)
    told = {s: plausible(s, coarse) for s in spreads}
    top = max(t.max() for t in told.values())
    grids = {}
    for s, t in told.items():
        near = coarse[t > top - 30]
        if near.size:
            grids[s] = np.linspace(near.min() - 0.1, near.max() + 0.1, 241)
    joint = {s: plausible(s, m) + np.log(m[1] - m[0]) for s, m in grids.items()}
    total = special.logsumexp(np.concatenate(list(joint.values())))

    def averaged(k, of):
        found = 0.0
        for s, m in grids.items():
            odds, log = rows(k, s, m)
            own = np.exp(log - special.logsumexp(log, axis=1)[:, None]) @ of(odds - base[k])
            found += np.exp(joint[s] - total) @ own
        return found

    return [
        (
            # The step in which the share lies counts in part.
            lambda share, k=k: averaged(
                k, lambda at: np.clip((special.logit(share) - centre - at) / (at[1] - at[0]) + 0.5, 0, 1)
            ),
            averaged(k, lambda shift: special.expit(centre + shift)),
        )
        for k in units
    ]


@pytest.mark.parametrize(
    ("failures", "cases", "share"),
    [
        ([0, 2, 60, 110, 7400, 8600], [5, 5, 500, 500, 50_000, 50_000], 0.16),
        ([5, 0, 20, 21_000], [5, 30, 100, 50_000], 0.4),
    ],
)
def test_shrunken_shares_are_those_of_even_steps_for_few_cases_and_many(failures, cases, share):
    failures, cases = np.array(failures), np.array(cases)
    ours = shrink_to_expected(failures, cases, cases * share)
    for (mean, limits), (below, reference) in zip(ours, by_even_steps(failures, cases, cases * share), strict=True):
        assert mean == pytest.approx(reference, abs=2e-4 * (limits.high - limits.low))
        assert below(limits.low) == pytest.approx(0.025, abs=2e-3)
        assert below(limits.high) == pytest.approx(0.975, abs=2e-3)


def test_limits_of_many_cases_are_as_wide_as_those_cases_make_them():
    rng = np.random.default_rng(2)
    cases = np.full(8, 5000)
    failures = rng.binomial(cases, special.expit(special.logit(0.15) + 0.3 * rng.normal(size=8)))
    for x, (share, limits) in zip(
        failures, shrink_to_expected(failures, cases, np.full(8, failures.mean())), strict=True
    ):
        own = 2 * 1.96 * np.sqrt(share * (1 - share) / 5000)
        assert limits.high - limits.low == pytest.approx(own, rel=0.03)
        assert limits.low < x / 5000 < limits.high


def test_shrinkage_pulls_small_units_more():
    failures, cases = np.array([4, 40, 20]), np.array([8, 80, 168])
    (small, _), (large, _), (other, _) = shrink_to_expected(failures, cases, cases * 64 / 256)
    assert 0.25 < small < large < 0.5
    assert 20 / 168 < other < 0.25


def test_what_cannot_be_compared():
    with pytest.raises(NotEstimable, match="ended alike"):
        funnel([0, 0], [10, 10], [1, 1], ["A", "B"])
    with pytest.raises(NotEstimable, match="of no case"):
        funnel([], [], [], [])
    with pytest.raises(OnsetStudyError, match="code of its own"):
        funnel([1, 0], [10, 10], [1, 1], ["A", "A"])


def test_one_unit_is_never_said_to_spread_more_than_chance():
    assert _dispersion(np.array([0.9]), np.array([100]), 0.5)[1] is False
    value, more = _dispersion(np.array([0.9, 0.1]), np.array([100, 100]), 0.5)
    assert more
    assert value > 1 + 2
