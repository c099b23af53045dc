"""The parts of a study that need no records: balance, and what it would take to know more."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest

from onsetstudy.core.errors import DesignError, NotEstimable
from onsetstudy.core.results import ArmCount, Counts, NotAvailable
from onsetstudy.design.sizes.formulas import log_rank_events
from onsetstudy.inference.estimate_or_reason import attempt
from onsetstudy.study.answer.more_needed import more_needed
from onsetstudy.study.topics.baseline import arm_table, standardised_difference
from tests.study.cases import protocol


@pytest.mark.parametrize(
    ("hazard_ratio", "power", "printed"),
    [(1.5, 0.8, 190.97), (1.5, 0.9, 255.65), (2, 0.8, 65.35), (2, 0.9, 87.48), (2.5, 0.8, 37.39), (2.5, 0.9, 50.06)],
)
def test_events_of_the_log_rank_test(hazard_ratio, power, printed):
    """Schoenfeld 1983, Biometrics 39:499, equation 1, two-sided 5 %, computed independently to two decimals."""
    assert log_rank_events(hazard_ratio, power=power) == pytest.approx(printed, abs=0.005)


def test_events_do_not_care_which_arm_is_faster():
    assert log_rank_events(2) == pytest.approx(log_rank_events(0.5))


@pytest.mark.parametrize("options", [{"hazard_ratio": 1}, {"hazard_ratio": -2}, {"hazard_ratio": 2, "power": 1.2}])
def test_events_refuse_what_cannot_be_planned(options):
    with pytest.raises(DesignError):
        log_rank_events(**options)


def test_standardised_difference_by_hand():
    # 12 of 20 against 6 of 20: (0.3 - 0.6) / sqrt((0.24 + 0.21) / 2) = -0.3 / sqrt(0.225)
    assert standardised_difference((0.6, 0.3), (0.24, 0.21)) == pytest.approx(-0.3 / math.sqrt(0.225))
    assert standardised_difference((1.0, 1.0), (0.0, 0.0)) == 0.0
    assert standardised_difference((1.0, 0.0), (0.0, 0.0)) is None


def test_equal_values_have_no_spread_though_their_mean_is_rounded():
    plain, buffered = np.full(15, 1.7), np.full(15, 1.9)
    assert plain.var(ddof=1) + buffered.var(ddof=1) > 0, "the trap: rounding looks like a spread"
    (m1, v1), (m2, v2) = [(float(a.mean()), float(a.var(ddof=1))) for a in (plain, buffered)]
    assert standardised_difference((m1, m2), (v1, v2)) is None
    assert standardised_difference((m1, m1), (v1, v1)) == 0.0


def cases():
    return pd.DataFrame(
        {
            "arm": ["plain"] * 4 + ["buffered"] * 4,
            "technique": ["ianb", "ianb", "ianb", "buccal_infiltration"] + ["ianb", "buccal_infiltration"] * 2,
            "topical": [None] * 8,
            "procedure": ["filling", None, "filling", "filling"] + ["filling"] * 4,
            "volume_ml": [1.8, 1.8, 1.6, np.nan, 1.98, 1.98, 1.8, 1.8],
        }
    )


def test_table_of_arms_counts_everyone_and_leaves_out_what_nobody_filled_in():
    table = arm_table(cases(), ("plain", "buffered"))
    rows = {(row.variable, row.level): row for row in table.rows}
    assert {row.variable for row in table.rows} == {"technique", "procedure", "volume_ml"}
    assert rows["technique", "ianb"].cells == ((3, 4, None, None), (2, 4, None, None))
    assert rows["procedure", "not recorded"].cells == ((1, 4, None, None), (0, 4, None, None))
    given, of, mean, _ = rows["volume_ml", ""].cells[0]
    assert (given, of) == (3, 4)
    assert mean == pytest.approx(5.2 / 3)


def test_an_arm_without_cases_has_no_standardised_difference():
    table = arm_table(cases().query("arm == 'plain'"), ("plain", "buffered"))
    assert all(row.standardised_difference is None for row in table.rows)


def test_what_is_not_estimable_becomes_a_result():
    def fails():
        raise NotEstimable("log_hazard", "no onset in plain", code="no_onset_in_arm", bound=(1.2, math.inf))

    counts = Counts(cases=4, onsets=2, by_arm=(ArmCount(arm="plain", cases=2, onsets=0),))
    result = attempt(
        fails, quantity="hazard_ratio", contrast="buffered / plain", unit="ratio", method="m", n=counts, level=0.9
    )
    assert isinstance(result, NotAvailable)
    assert (result.quantity, result.code, result.reason) == ("hazard_ratio", "no_onset_in_arm", "no onset in plain")
    assert dataclasses.astuple(result.bound) == (1.2, math.inf, 0.9, "one-sided bound")


def test_the_pace_begins_with_the_first_case():
    by_arm = tuple(ArmCount(arm=arm, cases=15, onsets=15) for arm in ("plain", "buffered"))
    promised = protocol()
    told = more_needed(promised, Counts(cases=30, onsets=30, by_arm=by_arm), (0, 0, 30))
    assert told.cases_per_quarter == 30, "quarters before the study had begun are no part of the pace"
    assert more_needed(promised, Counts(cases=30, onsets=30, by_arm=by_arm), (30, 0)).cases_per_quarter == 15
