"""The table of quantities says each direction once; these tests fail when a row is turned."""

import math
from string import Formatter

import pytest

from onsetstudy.core.quantities import QUANTITIES, quantity_of, read_earlier


@pytest.mark.parametrize(
    ("key", "better", "worse", "word"),
    [
        ("rmst_difference", -1.2, 1.2, "sooner"),
        ("hazard_ratio", 1.5, 1 / 1.5, "sooner"),
        ("success_difference", 0.2, -0.2, "more"),
        ("not_numb_difference", -0.1, 0.1, "fewer"),
        ("pain_difference", -8.0, 8.0, "lower"),
        ("chair_time_difference", -2.0, 2.0, "saved"),
    ],
)
def test_the_better_side_of_a_quantity(key, better, worse, word):
    q = quantity_of(key)
    assert q.toward(better, 0.5) > 0 > q.toward(worse, 0.5)
    assert q.toward(better, 0.5) == pytest.approx(-q.toward(worse, 0.5))
    assert q.side(better, better) == 1
    assert q.side(worse, worse) == -1
    assert q.side(min(better, worse), max(better, worse)) == 0
    assert q.word(q.side(better, better)) == word


def test_an_end_that_touches_no_difference_does_not_exclude_it():
    assert quantity_of("rmst_difference").side(-1.0, 0.0) == 0
    assert quantity_of("hazard_ratio").side(1.0, 2.0) == 0


def test_minutes_are_shown_saved_with_their_ends_in_order():
    seen = quantity_of("rmst_difference").as_shown(-1.3, -2.1, 0.4)
    assert seen == (1.3, -0.4, 2.1)
    assert quantity_of("success_difference").as_shown(0.2, 0.05, 0.33) == pytest.approx((20, 5, 33))
    assert str(quantity_of("rmst_difference").as_shown(0.0, 0.0, 0.0)[0]) == "0.0"


def test_a_value_next_to_no_difference_gets_digits_enough():
    q = quantity_of("rmst_difference")
    assert q.places((0.04, 0.01, 0.9)) == 2
    assert q.places((0.5, 0.4, 0.9)) == 1
    assert quantity_of("hazard_ratio").places((1.004, 1.2)) == 3


def test_earlier_keys_are_read_with_the_sign_they_had():
    assert read_earlier("minutes_saved") == ("chair_time_difference", -1)
    assert read_earlier("restricted_wait_difference") == ("rmst_difference", 1)
    assert read_earlier("hazard_ratio") == ("hazard_ratio", 1)


def test_every_row_is_whole():
    for key, q in QUANTITIES.items():
        assert key == q.key
        assert (q.contrast != "") == (q.null is not None) == (q.favours != 0)
        assert len(set(q.words)) == len(q.words) == (2 if q.contrast else 0)
        assert not math.isnan(q.shown.factor)
        fields = {setting for _, setting, _, _ in Formatter().parse(q.plain) if setting is not None}
        assert len(fields) <= 1
        assert fields <= {"tau_min", "target_min"}


def test_distance_is_counted_in_standard_errors_on_the_scale_of_the_quantity():
    assert quantity_of("rmst_difference").toward(-1.2, 0.5) == pytest.approx(2.4)
    assert quantity_of("hazard_ratio").toward(2.0, 0.5) == pytest.approx(2 * math.log(2))


def test_digits_are_no_more_than_needed():
    assert quantity_of("hazard_ratio").places((1.5, 1.2)) == 2
    assert quantity_of("visit_time_difference").places((3.2, 1.4)) == 1
    assert quantity_of("success_difference").places((20.0, 5.0)) == 0


def test_a_gloss_of_shares_names_both_directions():
    for key in ("success_difference", "not_numb_difference"):
        assert quantity_of(key).plain.startswith("more or fewer")


def test_minutes_once_kept_as_saved_are_turned_and_nothing_else_is():
    for key, q in QUANTITIES.items():
        for old, _ in q.earlier:
            assert read_earlier(old) == (key, -1 if "saved" in old else 1)


def test_more_successful_treatments_are_the_other_arms_favour():
    found = QUANTITIES["treatment_success_difference"]
    assert found.favours == QUANTITIES["success_difference"].favours == 1
    assert (found.word(1), found.word(-1)) == ("more", "fewer")
    assert "more or fewer of a hundred treated" in found.plain
