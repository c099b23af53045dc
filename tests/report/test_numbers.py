"""Numbers as readers see them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from onsetstudy.report import numbers

MINUS, THIN = "\u2212", "\u202f"


@pytest.mark.parametrize(
    ("shown", "expected"),
    [
        (numbers.decimal(-1.26), f"{MINUS}1.3"),
        (numbers.decimal(-0.04), "0.0"),
        (numbers.decimal(math.inf), "\u221e"),
        (numbers.decimal(-math.inf), f"{MINUS}\u221e"),
        (numbers.interval(-0.42, 2.06), f"{MINUS}0.4 to 2.1"),
        (numbers.percent(0.224, 85), f"22{THIN}%"),
        (numbers.percent(0.0049, 85), f"0{THIN}%"),
        (numbers.percent(0.0049, 204), f"0.5{THIN}%"),
        (numbers.percent(0.9951, 204), f"99.5{THIN}%"),
        (numbers.percent(0.0004, 204), f"0.0{THIN}%"),
        (numbers.percent(0.0, 204), f"0{THIN}%"),
        (numbers.percent(0.2244, 1000), f"22.4{THIN}%"),
        (numbers.percent(0.2244, 999), f"22{THIN}%"),
        (numbers.percent(0.2244, 8500), f"22.4{THIN}%"),
        (numbers.percent_interval(0.0524, 0.3339, 150), f"5 to 33{THIN}%"),
        (numbers.level(0.975), f"97.5{THIN}%"),
        (numbers.p_text(0.00004), "< 0.001"),
        (numbers.p_text(0.0123), "0.012"),
        (numbers.p_text(0.4712), "0.47"),
        (numbers.counted(1, "case"), "1 case"),
        (numbers.counted(24, "case"), "24 cases"),
        (numbers.listed(()), ""),
        (numbers.listed(("a",)), "a"),
        (numbers.listed(("a", "b", "c")), "a, b and c"),
        (numbers.day("2026-09-30"), "30 September 2026"),
        (numbers.quarter("2026Q3"), "third quarter of 2026"),
        (numbers.ratio(1.307), "1.31"),
        (numbers.ratio(0.0), "under 0.01"),
        (numbers.ratio(100.0), "100.00"),
        (numbers.ratio(172677.59), "over 100"),
        (numbers.ratio(math.inf), "∞"),
        (numbers.amount(1.0, "points"), "1 point"),
        (numbers.amount(10.0, "mm"), "10 mm"),
        (numbers.amount(1.5, "points"), "1.5 points"),
        (numbers.tidy("80 % of 412, from -3 to 2, pages 45-49, 8%"),
         f"80{THIN}% of 412, from {MINUS}3 to 2, pages 45-49, 8{THIN}%"),
    ],
)  # fmt: skip
def test_numbers_as_readers_see_them(shown, expected):
    assert shown == expected


@pytest.mark.parametrize(
    ("values", "landmarks", "base", "places"),
    [((1.26, 0.4), (0.0,), 1, 1), ((0.04,), (0.0,), 1, 2), ((0.004,), (0.0,), 1, 3), ((1e-9,), (0.0,), 1, 3),
     ((0.47,), (0.5,), 1, 2), ((0.5,), (0.5,), 1, 1), ((1.004,), (1.0,), 2, 3), ((math.inf, 0.3), (0.0,), 1, 1)],
)  # fmt: skip
def test_enough_digits_to_stay_on_the_right_side(values, landmarks, base, places):
    assert numbers.places_for(values, landmarks, base=base) == places


def test_decimal_points_stand_under_each_other():
    cells = numbers.aligned(("1.25", f"{MINUS}0.5", "14710", "", "–"))
    assert cells == ("1.25", f"{MINUS}0.5\u2007", "14710\u2008\u2007\u2007", "", "–")
    assert numbers.aligned(("3", "12")) == ("3", "12")


@given(st.lists(st.floats(-1e4, 1e4).map(lambda v: f"{v:g}" if abs(v) >= 1e-3 else "0").filter(lambda t: "e" not in t)))
def test_aligned_numbers_are_equally_long_behind_the_point(texts):
    cells = numbers.aligned([t.replace("-", MINUS) for t in texts])
    behind = {len(c.partition(".")[2]) if "." in c else len(c) - len(c.rstrip("\u2007\u2008")) - 1 for c in cells}
    assert len(behind) <= 1


@pytest.mark.parametrize(
    ("share", "n", "told"),
    [
        (0.1234, 99, "12"), (0.1234, 100, "12"), (0.1234, 999, "12"), (0.1234, 1000, "12.3"),
        (0.004, 99, "0"), (0.004, 100, "0.4"),
    ],
)  # fmt: skip
def test_a_share_has_a_decimal_where_the_cases_bear_it_or_where_it_would_seem_to_be_none(share, n, told):
    assert numbers.percent(share, n) == f"{told}{numbers.THIN}%"
