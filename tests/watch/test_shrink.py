"""Operators' shares: drawn to the whole by what chance explains, honest limits, no ranking."""

from functools import partial

import numpy as np
import pytest

from onsetstudy.core.errors import NotEstimable
from onsetstudy.watch.shrinkage import shrink_shares, usual_chances
from tests.simulation.kept import KeptStudies


def cases(counts):
    failed = np.concatenate([np.arange(n) < x for x, n in counts.values()])
    return failed, np.concatenate([np.full(n, code) for code, (_, n) in counts.items()])


def test_usual_chances_by_hand():
    """3 of 10 in one group, 0 of 4 in another: whole (3.5)/15; groups (3 + 10w)/20 and 10w/14; unknown group w."""
    failed, group = cases({"a": (3, 10), "b": (0, 4)})
    w = 3.5 / 15
    assert usual_chances(failed, group, ["a", "b", "c"]) == pytest.approx([(3 + 10 * w) / 20, 10 * w / 14, w])
    assert (usual_chances([False] * 5, ["a"] * 5, ["a"]) > 0).all()
    with pytest.raises(NotEstimable):
        usual_chances([], [], ["a"])


def test_shares_lie_between_their_own_and_the_whole():
    found = shrink_shares(*cases({"a": (2, 10), "b": (9, 10), "c": (50, 100)}))
    assert [s.code for s in found] == ["a", "b", "c"]
    whole = 61 / 120
    for s in found:
        assert min(s.share, whole) - 0.02 <= s.shrunken <= max(s.share, whole) + 0.02
        assert s.low < s.shrunken < s.high
    assert abs(found[2].shrunken - 0.5) < 0.02


def test_more_cases_are_drawn_less():
    few = shrink_shares(*cases({"a": (9, 10), "b": (10, 20), "c": (12, 20)}))[0]
    many = shrink_shares(*cases({"a": (90, 100), "b": (10, 20), "c": (12, 20)}))[0]
    assert abs(many.shrunken - 0.9) < abs(few.shrunken - 0.9)


def test_order_and_names_change_nothing():
    failed, who = cases({"a": (2, 10), "b": (9, 10), "c": (50, 100)})
    order = np.random.default_rng(1).permutation(failed.size)
    one, two = shrink_shares(failed, who), shrink_shares(failed[order], who[order])
    assert one == two


def test_one_operator_and_none_or_all_failed():
    for counts in ({"a": (0, 6)}, {"a": (6, 6)}, {"a": (0, 5), "b": (0, 9)}):
        for s in shrink_shares(*cases(counts)):
            assert 0 < s.shrunken < 1
            assert 0 <= s.low < s.high <= 1
    with pytest.raises(NotEstimable):
        shrink_shares([], [])


def eight_operators(spread, k):
    rng = np.random.default_rng([7, k])
    true = 1 / (1 + np.exp(-(0.8 + spread * rng.normal(size=8))))
    n = rng.integers(15, 36, 8)
    x = rng.binomial(n, true)
    found = shrink_shares(*cases({f"o{k}": (int(x[k]), int(n[k])) for k in range(8)}))
    return {"held": sum(s.low <= t <= s.high for s, t in zip(found, true, strict=True))}


LIMITS = {
    spread: KeptStudies(name=f"shrunken_shares_{spread:g}", one=partial(eight_operators, spread), count=60)
    for spread in (0.01, 0.6)
}


@pytest.mark.parametrize("spread", LIMITS)
def test_limits_hold_what_they_promise(spread):
    """Eight operators with 15 to 35 cases, shares spread on the logit scale: 95 % limits hold the true share."""
    assert LIMITS[spread].numbers()["held"].sum() / 480 > 0.95 - 4 * np.sqrt(0.05 * 0.95 / 480)
