"""Looks: boundaries to the printed digit, by a multivariate normal and by laws; verdicts; estimates after stopping."""

import dataclasses
import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from onsetstudy.core.claims import first_decided
from onsetstudy.core.errors import DesignError
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.design.interim import crossing
from onsetstudy.design.interim.after_stopping import estimate_after_stopping, stagewise_p
from onsetstudy.design.interim.boundaries import (
    SPENDING,
    Bounds,
    drift_for_power,
    naive_error,
    power_at,
    spending_bounds,
    spent,
)
from onsetstudy.design.interim.crossing import crossing_chances
from onsetstudy.design.interim.interim_analyses import conditional_power, judge_looks, plan_looks, predictive_power
from onsetstudy.design.interim.results import LookSeen
from tests.reference import load_reference

PRINTED = load_reference("jennison_turnbull_2000_looks")
COMPUTED = load_reference("group_sequential_integration")
SHAPES = {"pocock": 0.5, "obf": 0.0}


def equal(k):
    return np.arange(1, k + 1) / k


def classical_boundary(looks, *, alpha=0.05, shape=0.5):
    """Two-sided boundaries at equal steps, ``C (k/K)^(shape - 1/2)``: Pocock at 0.5, O'Brien and Fleming at 0.

    Wang SK, Tsiatis AA. Biometrics 1987;43:193-9.
    """
    steps = equal(looks)
    form = steps ** (shape - 0.5)

    def excess(constant):
        found = crossing_chances(steps, -constant * form, constant * form)
        return found.above + found.below - alpha

    top = float(stats.norm.isf(alpha / 2 / looks)) + 1.0
    return optimize.brentq(excess, 0.5, max(top, 3.0), xtol=1e-10) * form


def as_bounds(upper):
    steps = equal(len(upper))
    return Bounds(information=steps, upper=upper, lower=-upper, spent=np.full(len(upper), 0.025))


@pytest.mark.parametrize("k", [2, 3, 4, 5, 10])
@pytest.mark.parametrize("kind", SHAPES)
def test_classical_constants(k, kind):
    last = classical_boundary(k, shape=SHAPES[kind])[-1]
    PRINTED.check(f"{kind} {k}", last)
    for alpha in ("0.01", "0.05", "0.1"):
        COMPUTED.check(
            f"{kind} constant, alpha {alpha}, K {k}", classical_boundary(k, alpha=float(alpha), shape=SHAPES[kind])[-1]
        )


@pytest.mark.parametrize("k", [2, 3, 4, 5, 10, 20])
def test_error_of_naive_looks(k):
    PRINTED.check(f"naive {k}", naive_error(k))
    if k < 20:
        COMPUTED.check(f"naive error, K {k}", naive_error(k))
    assert naive_error(1) == pytest.approx(0.05)


@pytest.mark.parametrize("alpha", [0.05, 0.025])
@pytest.mark.parametrize("sided", [1, 2])
@pytest.mark.parametrize("steps", [equal(5), np.array([0.3, 0.7, 1.0]), np.array([0.1, 0.12, 0.9, 1.0])])
def test_error_of_naive_looks_is_that_of_a_multivariate_normal(alpha, sided, steps):
    """Chance that none of correlated scores passes the limit of a single look (scipy), one-sided and unequal."""
    z, apart = stats.norm.isf(alpha / sided), np.sqrt(np.minimum.outer(steps, steps) / np.maximum.outer(steps, steps))
    low = np.full(steps.size, -z if sided == 2 else -np.inf)
    none = stats.multivariate_normal(cov=apart, abseps=1e-9, releps=1e-9, maxpts=200_000, seed=1).cdf(
        np.full(steps.size, z), lower_limit=low
    )
    assert naive_error(steps.size, alpha=alpha, sided=sided, fraction=steps) == pytest.approx(1 - none, abs=1e-5)


@pytest.mark.parametrize(("alpha", "rejected"), [(0.05, 0.13), (0.025, 0.0709)])
def test_a_one_sided_plan_is_told_the_error_of_one_side(alpha, rejected):
    """Five equal looks; 200,000 simulated studies without a difference have their score above the limit so often."""
    steps = np.cumsum(np.random.default_rng(0).normal(size=(200_000, 5)), axis=1) / np.sqrt(np.arange(1, 6))
    simulated = np.mean((steps >= stats.norm.isf(alpha)).any(axis=1))
    plan = plan_looks(equal(5), kind="obrien_fleming", planned_information=100, alpha=alpha, sided=1)
    assert simulated == pytest.approx(rejected, abs=0.002)
    assert plan.naive_error == pytest.approx(simulated, abs=4 * np.sqrt(rejected / 200_000))
    verdict = judge_looks(plan, seen(*((0.0, 20.0 * k) for k in range(1, 6))))[-1]
    assert verdict.naive_error == pytest.approx(plan.naive_error)


@pytest.mark.parametrize(("alpha", "sided", "z"), [(0.05, 2, 1.959964), (0.05, 1, 1.644854), (0.025, 1, 1.959964)])
def test_a_reader_of_a_single_analysis_takes_the_quantile_of_its_level(alpha, sided, z):
    """Quantiles of the standard normal distribution, as tables print them; one side and two."""
    plan = plan_looks(equal(3), kind="pocock", planned_information=30, alpha=alpha, sided=sided)
    assert plan.single_look == pytest.approx(z, abs=5e-7)
    for score in (z - 1e-4, z + 1e-4):
        verdict = judge_looks(plan, [LookSeen(label="one", counted=10, z=score)])[0]
        assert verdict.naive_claim == (score > z)


@pytest.mark.parametrize("kind", SPENDING)
@pytest.mark.parametrize("looks", [2, 3, 4, 5, "unequal_0.3_0.7_1"])
def test_spending_boundaries(kind, looks):
    steps = np.array([0.3, 0.7, 1.0]) if isinstance(looks, str) else equal(looks)
    found = spending_bounds(steps, steps, kind=kind, alpha=0.05, rho=3, final=True)
    names = set(COMPUTED.expected["name"])
    for i, z in enumerate(found.upper, start=1):
        name = f"{kind}, looks {looks}, look {i}"
        if name in names:
            COMPUTED.check(name, z)
        printed = f"spending {kind} {looks}, look {i}"
        if printed in set(PRINTED.expected["name"]):
            PRINTED.check(printed, z)
    assert f"{kind}, looks 3, look 1" in names


@pytest.mark.parametrize("k", [2, 3, 4, 5])
@pytest.mark.parametrize("kind", SHAPES)
@pytest.mark.parametrize("power", [0.8, 0.9])
def test_inflation(k, kind, power):
    bounds = as_bounds(classical_boundary(k, shape=SHAPES[kind]))
    single = stats.norm.isf(0.025) + stats.norm.isf(1 - power)
    inflation = (drift_for_power(bounds, power) / single) ** 2
    COMPUTED.check(f"inflation {kind}_K{k}_power{power}", inflation)
    if power == 0.8:
        assert abs(inflation - PRINTED.value(f"inflation {kind} {k}")) < 0.0015  # printed to the third digit +- 1


@pytest.mark.parametrize("drift", [0.0, 1.7])
def test_crossing_by_a_multivariate_normal(drift):
    """Chance of staying inside all boundaries: scipy.stats.multivariate_normal.cdf with lower limits."""
    steps = np.array([0.2, 0.5, 0.55, 1.0])
    upper, lower = np.array([2.9, 2.2, 2.4, 2.0]), np.array([-1.0, -0.5, 0.2, 2.0])
    found = crossing_chances(steps, lower, upper, drift=drift)
    for m in (1, 2, 3):
        t = steps[:m]
        cov = np.sqrt(np.minimum.outer(t, t) / np.maximum.outer(t, t))
        inside = stats.multivariate_normal(
            drift * np.sqrt(t), cov, abseps=1e-8, releps=1e-8, maxpts=2_000_000, seed=1
        ).cdf(upper[:m], lower_limit=lower[:m])
        assert 1 - found.upper[:m].sum() - found.lower[:m].sum() == pytest.approx(inside, abs=2e-7)
    assert found.above + found.below == pytest.approx(1, abs=1e-10)  # the last boundaries meet


@given(
    st.lists(st.floats(0.05, 1.0), min_size=1, max_size=4), st.floats(-3.0, 3.0), st.floats(-14.0, -0.01),
    st.floats(0.5, 3.0),
)  # fmt: skip
def test_a_boundary_is_passed_with_the_chance_asked_for(steps, drift, power_of_ten, held):
    """Whether steps or a search between bounds found it; the chance itself is summed from the density."""
    information = np.cumsum(steps)
    carried = crossing.begin()
    for level, following in itertools.pairwise(information):
        carried = crossing.carry(carried, level, lower=-held, upper=held, drift=drift, following=following)
    last = float(information[-1])
    chance = float(carried.mass.sum()) * 10**power_of_ten
    upper = crossing.solve_upper(carried, last, chance, drift=drift)
    searched = crossing._search_upper(carried, last, chance, drift)
    assert upper == pytest.approx(searched, rel=1e-9, abs=1e-9)
    for found in (upper, searched):
        passed = crossing.tail_chances(carried, last, lower=-np.inf, upper=found, drift=drift)[0]
        assert passed == pytest.approx(chance, rel=1e-8)


@pytest.mark.parametrize("chance", [1e-250, 1e-40, 0.0125, 0.999999])
def test_a_boundary_that_no_step_reaches_is_searched_for(chance, monkeypatch):
    """One look from the beginning: the quantile of the normal distribution, from scipy."""
    monkeypatch.setattr(crossing, "NEWTON_STEPS", 0)
    found = crossing.solve_upper(crossing.begin(), 0.7, chance)
    monkeypatch.undo()
    assert found == pytest.approx(crossing.solve_upper(crossing.begin(), 0.7, chance), rel=1e-9)
    assert found == pytest.approx(stats.norm.isf(chance), rel=1e-9)


def test_crossing_by_simulation():
    rng = np.random.default_rng(1)
    steps = np.array([0.1, 0.4, 0.9])
    walk = np.cumsum(rng.normal(size=(400_000, 3)) * np.sqrt(np.diff(steps, prepend=0)), axis=1) / np.sqrt(steps)
    upper, lower = np.array([2.5, 2.1, 1.8]), np.array([-0.5, 0.0, 0.5])
    found = crossing_chances(steps, lower, upper)
    going = np.ones(len(walk), dtype=bool)
    for k in range(3):
        seen = np.mean(going & (walk[:, k] >= upper[k]))
        assert abs(seen - found.upper[k]) < 4 * np.sqrt(0.25 / len(walk))
        going &= (walk[:, k] < upper[k]) & (walk[:, k] > lower[k])


steps_of = st.lists(st.floats(0.02, 1), min_size=1, max_size=5).map(lambda gaps: np.cumsum(gaps) / np.sum(gaps))


@settings(max_examples=40, deadline=None)
@given(steps_of, st.sampled_from(SPENDING), st.floats(0.01, 0.1), st.sampled_from([1, 2]))
def test_the_whole_error_rate_is_spent_and_no_more(steps, kind, alpha, sided):
    bounds = spending_bounds(steps, steps, kind=kind, alpha=alpha, sided=sided, final=True)
    found = crossing_chances(steps, bounds.lower, bounds.upper)
    assert found.above == pytest.approx(alpha / sided, abs=1e-9)
    assert np.all(np.diff(bounds.spent) >= -1e-15)


@settings(max_examples=30, deadline=None)
@given(steps_of, st.floats(0.01, 1000))
def test_the_scale_of_information_changes_nothing(steps, scale):
    one = spending_bounds(steps, steps, kind="pocock", alpha=0.05, final=True)
    other = spending_bounds(steps * scale, steps, kind="pocock", alpha=0.05, final=True)
    assert one.upper == pytest.approx(other.upper, abs=1e-8)


@settings(max_examples=30, deadline=None)
@given(steps_of)
def test_an_earlier_boundary_does_not_depend_on_later_looks(steps):
    whole = spending_bounds(steps, steps, kind="obrien_fleming", alpha=0.05, final=True)
    for k in range(1, len(steps)):
        part = spending_bounds(steps[:k], steps[:k], kind="obrien_fleming", alpha=0.05)
        assert part.upper == pytest.approx(whole.upper[:k], abs=1e-8)


@pytest.mark.parametrize("kind", SPENDING)
def test_spending_functions(kind):
    grid = [spent(kind, 0.025, t) for t in np.linspace(0, 1, 21)]
    assert grid[0] == 0
    assert grid[-1] == pytest.approx(0.025)
    assert np.all(np.diff(grid) >= 0)
    assert spent(kind, 0.025, 1.7) == pytest.approx(0.025)
    with pytest.raises(DesignError):
        spent(kind, 0.6, 0.5)


def test_what_cannot_be_planned():
    for bad, words in [
        (lambda: plan_looks([0.5, 0.9], kind="pocock", planned_information=100), "end with 1"),
        (lambda: plan_looks([0.5, 0.4, 1], kind="pocock", planned_information=100), "grow from look to look"),
        (lambda: plan_looks([1], kind="tea_leaves", planned_information=100), "not known; choose among"),
        (lambda: plan_looks([1], kind="pocock", planned_information=100, futility="maybe"), "futility none"),
        (lambda: plan_looks([1], kind="pocock", planned_information=100, power=0.01), "must lie above"),
        (lambda: judge_looks(PLAN, []), "one look or more"),
        (lambda: judge_looks(PLAN, [LookSeen(label="a", z=float("nan"), counted=3)]), "needs a score"),
    ]:
        with pytest.raises(DesignError, match=words):
            bad()


PLAN = plan_looks([0.25, 0.5, 0.75, 1], kind="obrien_fleming", planned_information=356, futility="non_binding")


def seen(*pairs):
    return [LookSeen(label=f"Q{k}", z=z, counted=c) for k, (z, c) in enumerate(pairs, start=1)]


def error_of(plan):
    """Chance to pass a boundary though nothing differs: either one, of a binding rule the upper one."""
    upper = np.array([p.upper for p in plan.looks])
    binding = plan.futility == "binding"
    lower = np.array([p.futility for p in plan.looks]) if binding else -upper
    chances = crossing_chances([p.fraction for p in plan.looks], lower, upper)
    return chances.above if binding else chances.above * plan.sided


def test_a_plan_keeps_its_promises():
    steps = [p.fraction for p in PLAN.looks]
    assert error_of(PLAN) == pytest.approx(0.05, abs=1e-9)
    assert sum(p.cross_design for p in PLAN.looks) == pytest.approx(0.8, abs=1e-8)
    assert PLAN.looks[-1].futility == pytest.approx(PLAN.looks[-1].upper)
    assert PLAN.naive_error == pytest.approx(naive_error(4))
    assert PLAN.inflation > 1.024  # more than without a futility rule (printed: 1.024)
    free = plan_looks(steps, kind="obrien_fleming", planned_information=356)
    assert free.inflation == pytest.approx(1.0238, abs=0.01)
    assert from_dict(to_dict(PLAN)) == PLAN


def test_binding_futility_gives_error_rate_back():
    binding = plan_looks([0.25, 0.5, 0.75, 1], kind="obrien_fleming", planned_information=356, futility="binding")
    assert binding.looks[-1].upper < PLAN.looks[-1].upper
    assert binding.inflation < PLAN.inflation
    assert error_of(binding) == pytest.approx(0.025, abs=1e-7)
    assert sum(p.cross_design for p in binding.looks) == pytest.approx(0.8, abs=1e-6)
    codes = [v.code for v in judge_looks(binding, seen((0.2, 84), (-0.2, 180), (2.5, 270)))]
    assert codes == ["continue", "futile", "descriptive"]
    assert first_decided(codes) == 1


def test_verdicts():
    codes = [v.code for v in judge_looks(PLAN, seen((1.9, 84), (2.4, 180), (2.5, 270), (2.1, 367)))]
    assert codes == ["continue", "continue", "crossed", "descriptive"]
    codes = [v.code for v in judge_looks(PLAN, seen((0.2, 84), (-0.2, 180), (2.5, 270)))]
    assert codes == ["continue", "unlikely", "crossed"]  # non-binding: going on costs nothing
    later = judge_looks(PLAN, seen((-1.0, 84), (-3.2, 180)))[-1]
    assert (later.code, later.direction) == ("crossed", "later")
    ended = judge_looks(PLAN, seen((1.0, 84), (1.5, 180), (1.6, 356)))[-1]
    assert (ended.code, ended.conditional) == ("ended", None)
    assert ended.alpha_spent == pytest.approx(0.05)


def test_conditional_power_is_of_the_planned_effect_where_one_is_named():
    """Half a minute where the information suffices for 2.6 min: by 200,000 studies that go on from what was seen."""
    unnamed = plan_looks(equal(3), kind="obrien_fleming", planned_information=90, futility="non_binding")
    named = dataclasses.replace(unnamed, effect=0.5)
    first = LookSeen(label="Q1", z=1.259, counted=36, information=0.498)
    found = judge_looks(named, [first])[0].conditional
    steps = 0.498 * np.array([1, 60 / 36, 90 / 36])
    bounds = spending_bounds(steps, [0.4, 2 / 3, 1], kind="obrien_fleming", alpha=0.05, final=True)
    gain = np.diff(steps)
    moves = np.random.default_rng(1).normal(0.5 * gain, np.sqrt(gain), (200_000, 2))
    z = (1.259 * math.sqrt(0.498) + np.cumsum(moves, axis=1)) / np.sqrt(steps[1:])
    crossed = (z[:, 0] >= bounds.upper[1]) | ((z[:, 0] > -bounds.upper[1]) & (z[:, 1] >= bounds.upper[2]))
    assert found.design == pytest.approx(crossed.mean(), abs=0.003)
    assert (found.effect, found.powered_for) == (0.5, pytest.approx(2.64, abs=0.01))
    whatever = judge_looks(unnamed, [first])[0].conditional
    assert (whatever.effect, whatever.design > 0.7) == (None, True)
    of_counts = judge_looks(named, [dataclasses.replace(first, information=None)])[0].conditional
    assert (of_counts.effect, of_counts.powered_for) == (None, None)
    assert of_counts.design == pytest.approx(whatever.design)


def test_a_naive_reader_would_have_claimed_it():
    verdict = judge_looks(PLAN, seen((1.2, 84), (2.2, 180)))[-1]
    assert (verdict.code, verdict.naive_claim) == ("continue", True)
    assert verdict.naive_error == pytest.approx(naive_error(2, fraction=[84, 180]))


def test_the_error_of_looking_again_is_of_the_looks_as_they_were():
    """The variance of the score fixes how looks go together, else the count; the same data again add nothing."""
    told = [LookSeen(label="a", z=0, counted=84, information=6.0), LookSeen(label="b", z=0, counted=90, information=40)]
    assert judge_looks(PLAN, told)[-1].naive_error == pytest.approx(naive_error(2, fraction=[6, 40]))
    fallen = [told[0], dataclasses.replace(told[1], information=5.0)]
    assert judge_looks(PLAN, fallen)[-1].naive_error == pytest.approx(naive_error(2, fraction=[84, 90]))
    again = seen((0.0, 84), (0.0, 84), (0.0, 84))
    assert [v.naive_error for v in judge_looks(PLAN, again)] == pytest.approx([0.05] * 3)
    assert judge_looks(PLAN, seen((0.0, 0)))[-1].naive_error == pytest.approx(0.05)


def test_extra_looks_are_descriptive():
    repeated = judge_looks(PLAN, seen((1.2, 84), (9.0, 84)))
    assert repeated[-1].code == "descriptive"
    assert "no new information" in repeated[-1].caution[0].text
    over = judge_looks(PLAN, seen((1.2, 356), (9.0, 500)))
    assert [v.code for v in over] == ["ended", "descriptive"]
    same_variance = [
        LookSeen(label="a", z=1, counted=50, information=12.0),
        LookSeen(label="b", z=1, counted=90, information=11.0),
    ]
    assert judge_looks(PLAN, same_variance)[-1].code == "descriptive"


def falling(*looks):
    """Looks as (z, count, information)."""
    return [LookSeen(label=f"Q{k}", z=z, counted=c, information=i) for k, (z, c, i) in enumerate(looks, start=1)]


def free_plan(kind, sided=2):
    return plan_looks([0.25, 0.5, 0.75, 1], kind=kind, planned_information=100, sided=sided)


def test_a_last_look_whose_information_fell_spends_what_is_left():
    """At a quarter of the planned size 7.4e-6 of each side is spent, 2 (1 - Phi(2.2414 / 0.5)); the rest has 1.9601."""
    plan = free_plan("obrien_fleming")
    for last in (True, False):  # at all of the planned size it is the last one anyway
        verdict = judge_looks(plan, falling((1.0, 25, 6.0), (2.0, 100, 5.0)), last=last)[-1]
        assert verdict.code == "crossed"
        assert verdict.boundary == pytest.approx(1.9600, abs=2e-4)
        assert verdict.alpha_spent == pytest.approx(0.05)
        assert "no more information than the one before (5 after 6)" in verdict.caution[0].text
        assert "(5 %)" in verdict.caution[0].text
    below = judge_looks(plan, falling((1.0, 25, 6.0), (1.9, 100, 5.0), (4.0, 130, 9.0)))
    assert [v.code for v in below] == ["continue", "ended", "descriptive"]
    early = judge_looks(plan, falling((1.0, 25, 6.0), (2.0, 50, 5.0), (2.0, 75, 7.0)))
    assert [v.code for v in early] == ["continue", "descriptive", "continue"]


def test_an_early_end_without_a_new_case_spends_what_is_left():
    verdict = judge_looks(PLAN, seen((1.2, 84), (2.3, 84)), last=True)[-1]
    assert (verdict.code, verdict.alpha_spent) == ("crossed", pytest.approx(0.05))
    nothing = judge_looks(PLAN, falling((1.2, 84, 0.0)), last=True)[-1]
    assert nothing.code == "descriptive"


@pytest.mark.parametrize("kind", ["obrien_fleming", "pocock"])
@pytest.mark.parametrize("sided", [1, 2])
def test_the_error_rate_holds_however_the_last_look_goes_together_with_the_others(kind, sided):
    """400,000 studies without a difference; the last score agrees with the one before by anything from 0 to 1. The
    chance to reject is at most 5 %; where the scores have nothing in common, all that was left is spent."""
    looks = [(25, 6.0), (60, 14.0), (100, 13.0)]
    verdicts = judge_looks(free_plan(kind, sided), falling(*((0.0, c, i) for c, i in looks)))
    bounds = np.array([v.boundary for v in verdicts])
    rng, n = np.random.default_rng(11), 400_000
    first = rng.normal(size=n)
    second = math.sqrt(6 / 14) * first + math.sqrt(8 / 14) * rng.normal(size=n)
    noise = rng.normal(size=n)
    error = 3.5 * math.sqrt(0.05 * 0.95 / n)
    for together in (0.0, 0.5, 0.8, 0.95, 1.0):
        third = together * second + math.sqrt(1 - together**2) * noise
        z = np.column_stack((first, second, third))
        passed = (np.abs(z) if sided == 2 else z) >= bounds
        rejected, before = passed.any(axis=1).mean(), passed[:, :2].any(axis=1).mean()
        assert rejected <= 0.05 + error
        if together == 0:
            left = 0.05 - verdicts[1].alpha_spent
            assert rejected == pytest.approx(before + (1 - before) * left, abs=error)


def test_over_running_spends_what_is_left():
    last = judge_looks(PLAN, seen((1.2, 84), (1.9, 180), (2.02, 420)))[-1]
    assert last.alpha_spent == pytest.approx(0.05)
    assert any(c.code == "over_running" for c in last.caution)
    steps = np.array([84, 180, 420]) / 356
    expected = spending_bounds(steps, steps, kind="obrien_fleming", alpha=0.05, final=True).upper[-1]
    assert last.boundary == pytest.approx(expected)


def test_a_study_that_ends_early_may_spend_the_rest():
    last = judge_looks(PLAN, seen((1.2, 84), (2.3, 200)), last=True)[-1]
    assert last.alpha_spent == pytest.approx(0.05)
    assert last.code == "crossed"


def test_looks_as_planned_have_the_planned_boundaries():
    looks = judge_looks(PLAN, seen(*[(0.9, 356 * p.fraction) for p in PLAN.looks]))
    assert [v.boundary for v in looks] == pytest.approx([p.upper for p in PLAN.looks], abs=1e-8)
    assert [v.futility for v in looks[:-1]] == pytest.approx([p.futility for p in PLAN.looks[:-1]], abs=1e-6)


def test_conditional_power_at_one_look_to_come():
    """Closed form: Phi((z sqrt(t) + drift (1 - t) - c) / sqrt(1 - t)) (Jennison & Turnbull 2000, section 10.2)."""
    for z, t, drift in [(1.0, 0.4, 2.8), (-0.5, 0.7, 0.0), (2.0, 0.5, 1.3)]:
        expected = stats.norm.cdf((z * np.sqrt(t) + drift * (1 - t) - 1.96) / np.sqrt(1 - t))
        found = conditional_power(z, t, [1.0], [-1.96], [1.96], drift=drift)
        assert found == pytest.approx(expected, abs=1e-12)
    predictive = stats.norm.cdf((z / np.sqrt(t) - 1.96) / np.sqrt(1 / t - 1))
    assert predictive_power(2.0, 0.5, [1.0], [-1.96], [1.96]) == pytest.approx(predictive, abs=1e-6)
    with pytest.raises(DesignError):
        conditional_power(1.0, 0.5, [0.5], [-2.0], [2.0], drift=0.0)


def test_conditional_power_averages_to_power():
    bounds = spending_bounds(equal(3), equal(3), kind="pocock", alpha=0.05, final=True)
    drift = 2.5
    first = equal(3)[0]
    z = np.linspace(-6, 9, 3001)
    density = stats.norm.pdf(z, drift * np.sqrt(first))
    inside = (z > bounds.lower[0]) & (z < bounds.upper[0])
    later = [
        conditional_power(v, first, equal(3)[1:], bounds.lower[1:], bounds.upper[1:], drift=drift)
        if i
        else float(v >= bounds.upper[0])
        for v, i in zip(z[::10], inside[::10], strict=True)
    ]
    assert np.trapezoid(density[::10] * later, z[::10]) == pytest.approx(power_at(bounds, drift), abs=2e-3)


def test_after_stopping_without_looks_is_the_plain_answer():
    found = estimate_after_stopping(2.3, [40.0], [-np.inf], [np.inf])
    for z in (2.3, -2.3):
        one = estimate_after_stopping(z, [40.0], [-np.inf], [np.inf], sided=1)
        assert one.p_value == pytest.approx(stats.norm.sf(z))
    assert found.estimate == pytest.approx(found.plain)
    half = stats.norm.ppf(0.975) / math.sqrt(40)
    assert (found.interval.low, found.interval.high) == pytest.approx((found.plain - half, found.plain + half))
    assert found.p_value == pytest.approx(2 * stats.norm.sf(2.3))


def test_stopping_on_the_boundary_at_the_first_look_is_plain_too():
    found = estimate_after_stopping(3.4, [20.0], [-3.0], [3.0])
    assert found.estimate == pytest.approx(3.4 / np.sqrt(20))


def test_the_end_of_a_study_with_looks_shrinks_the_estimate():
    bounds = spending_bounds(equal(4), equal(4), kind="pocock", alpha=0.05, final=True)
    found = estimate_after_stopping(2.6, equal(4), bounds.lower, bounds.upper)
    assert found.estimate < found.plain
    assert found.interval.low < found.estimate < found.interval.high
    at_limit = estimate_after_stopping(float(bounds.upper[-1]), equal(4), bounds.lower, bounds.upper)
    assert at_limit.p_value == pytest.approx(0.05, abs=1e-8)  # the p-value agrees with the boundary
    assert stagewise_p(float(bounds.upper[-1]), equal(4), bounds.lower, bounds.upper) == pytest.approx(0.025, abs=1e-9)
    assert at_limit.interval.low == pytest.approx(0, abs=1e-6)


def test_error_rate_with_looks_nobody_planned():
    """20,000 null studies with random numbers, spacing and over-running of looks, judged as they come."""
    rng = np.random.default_rng(7)
    plan = dataclasses.replace(PLAN, futility="none")
    schedules = [np.cumsum(rng.integers(15, 140, 6)).astype(float) for _ in range(40)]
    hits = 0
    for counts in schedules:
        counts = counts[: int(np.searchsorted(counts, plan.planned_information)) + 1]
        stop = len(counts)
        verdicts = judge_looks(plan, [LookSeen(label=str(k), z=0.0, counted=c) for k, c in enumerate(counts)])
        bound = np.array([v.boundary for v in verdicts])
        walk = np.cumsum(rng.normal(size=(500, stop)) * np.sqrt(np.diff(counts, prepend=0)), axis=1) / np.sqrt(counts)
        hits += int(np.any(np.abs(walk) >= bound, axis=1).sum())
    assert abs(hits / 20_000 - 0.05) < 4 * np.sqrt(0.05 * 0.95 / 20_000)


@pytest.mark.parametrize(("z", "direction"), [(4.5, "sooner"), (-4.5, "later"), (0.3, "")])
@pytest.mark.parametrize("counted", [180, 260])
def test_a_verdict_has_the_side_of_its_z_also_where_the_last_look_adds_nothing(z, direction, counted):
    verdict = judge_looks(PLAN, seen((0.2, 84), (0.4, 180), (z, counted)), last=True)[-1]
    assert verdict.direction == direction
    assert verdict.code == ("crossed" if direction else "ended")
