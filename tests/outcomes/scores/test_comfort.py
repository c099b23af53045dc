"""Comfort: by hand, against statsmodels and scipy, with laws; missing scores, bands, anxiety, shared error."""

import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.results import Estimate, HypothesisTest, NotAvailable
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.outcomes.scores.multiplicity import share_error
from onsetstudy.outcomes.scores.ordered_bands import BANDS, proportional_odds, to_bands
from onsetstudy.outcomes.scores.pain_moments import PainRecords, anxiety_change, moment_of_pain
from tests.examples import examples

ARMS = ("plain", "buffered")


def recorded(score, arm, **more):
    n = len(score)
    filled = {
        "reason": np.full(n, "", dtype="<U12"),
        "patient": np.array([f"p{i}" for i in range(n)]),
        "covariates": {},
        **more,
    }
    return PainRecords(score=np.asarray(score, dtype=float), arm=np.asarray(arm), **filled)


def moment(records, **more):
    return moment_of_pain(records, moment="deposition", arms=ARMS, unit="mm", **more)


def drawn(n=80, seed=1, gain=8.0):
    rng = np.random.default_rng(seed)
    arm = np.where(np.arange(n) % 2, "buffered", "plain")
    topical = rng.choice(["none", "benzocaine"], n)
    score = np.clip(np.round(rng.normal(35, 15, n) - gain * (arm == "buffered") - 6 * (topical != "none")), 0, 100)
    return recorded(score, arm, covariates={"topical": topical})


def test_by_hand():
    """Plain 0 10 20 30 (median 15), buffered 0 0 5 10: painless 1 of 4 and 2 of 4; 10 less than 15: scores to 5."""
    found = moment(recorded([0, 10, 20, 30, 0, 0, 5, 10], ["plain"] * 4 + ["buffered"] * 4), important_difference=10)
    assert [e.estimate for e in found.painless] == [0.25, 0.5]
    assert found.painless_difference.estimate == 0.25
    assert [e.estimate for e in found.noticeably_less] == [0.25, 0.75]
    assert found.missing.mean_difference.estimate == pytest.approx(3.75 - 15)
    loose = moment(recorded([0, 10, 3, 30, 0, 0, 5, 10], ["plain"] * 4 + ["buffered"] * 4), painless_at_most=5)
    assert [e.estimate for e in loose.painless] == [0.5, 0.75]
    assert loose.noticeably_less == ()


@pytest.mark.parametrize("scores", [(2, 7), (0.1, 0.3), (3.3, 3.3), (0, 0)])
def test_scores_that_do_not_vary_have_no_adjusted_difference(scores):
    """Whatever rounding leaves of their spread: P would be 0."""
    arm, clinic = np.repeat(ARMS, 30), np.tile(["a", "b", "b"], 20)
    found = moment(recorded(np.repeat(scores, 30), arm, covariates={"clinic": clinic}))
    assert found.adjusted.code == found.missing.mean_difference.code == "no_spread"


def test_the_adjusted_difference_is_that_of_statsmodels():
    records = drawn()
    x = sm.add_constant(
        np.column_stack([records.arm == "buffered", records.covariates["topical"] == "none"]).astype(float)
    )
    fit = sm.OLS(records.score, x).fit(cov_type="HC3", use_t=True)
    found = moment(records).adjusted
    assert found.estimate == pytest.approx(fit.params[1])
    assert found.std_error == pytest.approx(fit.bse[1])
    assert "adjusted for topical" in found.method


def test_patients_who_repeat_are_kept_together():
    """Every case four times over: the same estimate; the standard error is that of the cases, not half of it."""
    records = drawn(60)
    four = recorded(
        np.repeat(records.score, 4), np.repeat(records.arm, 4), patient=np.repeat(records.patient, 4),
        covariates={"topical": np.repeat(records.covariates["topical"], 4)},
    )  # fmt: skip
    one, many = moment(records).adjusted, moment(four).adjusted
    assert many.estimate == pytest.approx(one.estimate)
    assert many.std_error == pytest.approx(one.std_error, rel=0.15)
    assert "by patient" in many.method


@pytest.mark.parametrize(("patients", "narrow"), [(15, True), (16, False)])
def test_few_patients_who_repeat_make_the_interval_too_narrow(patients, narrow):
    records = drawn(4 * patients)
    names = np.tile([f"P{k:02d}" for k in range(patients)], 4)
    found = moment(recorded(records.score, records.arm, patient=names)).adjusted
    assert found.interval.method == "clustered"
    assert [c.code for c in found.caution] == (["clusters_too_narrow"] if narrow else [])
    assert (found.p_value is None) == narrow


def test_covariates_that_say_the_arm_are_said_so():
    records = drawn()
    same = recorded(records.score, records.arm, covariates={"topical": records.arm})
    assert moment(same).adjusted.code == "collinear"
    assert moment(recorded([1, 2], ["plain", "buffered"])).adjusted.code == "too_few"


def test_missing_scores_and_their_tipping_point():
    """The tipping shift moves the interval of the mean difference exactly to no difference."""
    records = drawn(120, gain=14)
    score, reason = records.score.copy(), records.reason.copy()
    score[[1, 3, 5, 7, 9, 0]] = np.nan
    reason[[1, 3]] = "declined"
    found = moment(recorded(score, records.arm, reason=reason, covariates=records.covariates)).missing
    assert found.by_reason == (("plain", "not said", 1), ("buffered", "declined", 2), ("buffered", "not said", 3))
    share = 5 / 60
    assert found.mean_difference.interval.high + found.tipping * share == pytest.approx(0, abs=1e-9)
    assert found.tipping > 0
    assert found.by_arm == (("plain", 1, 60), ("buffered", 5, 60))
    assert found.mean_difference.interval.high - found.tipping_reference / 60 == pytest.approx(0, abs=1e-9)
    assert found.tipping_both == pytest.approx(-found.mean_difference.interval.high / (5 / 60 + 1 / 60))
    assert moment(drawn(120, gain=14)).missing.tipping == math.inf
    assert moment(drawn(20, gain=0.5)).missing.tipping is None


@pytest.mark.parametrize("sign", [1, -1])
def test_missing_scores_of_the_reference_alone_have_a_tipping_point_too(sign):
    """Missing plain scores filled in at the others' mean plus the shift bring the limit to no difference."""
    records = drawn(120, gain=14 * sign)
    score = records.score.copy()
    gone = np.flatnonzero(records.arm == "plain")[:40]
    score[gone] = np.nan
    found = moment(recorded(score, records.arm)).missing
    limit = found.mean_difference.interval
    limit = limit.high if sign > 0 else limit.low
    assert found.tipping == math.inf
    assert found.tipping_reference * sign < 0
    plain = score[records.arm == "plain"]
    mean = np.nanmean(plain)
    filled = np.where(np.isnan(plain), mean + found.tipping_reference, plain)
    assert limit - (filled.mean() - mean) == pytest.approx(0, abs=1e-9)
    assert found.tipping_both == pytest.approx(-found.tipping_reference)


@settings(max_examples=15, deadline=None)
@given(st.permutations(range(24)))
def test_the_order_of_cases_changes_nothing(order):
    records, rows = drawn(24), np.array(order)
    moved = recorded(
        records.score[rows], records.arm[rows], covariates={"topical": records.covariates["topical"][rows]}
    )
    one, other = moment(records), moment(moved)
    assert one.painless == other.painless
    assert one.adjusted.estimate == pytest.approx(other.adjusted.estimate)
    assert one.comparison.shift == other.comparison.shift


def test_no_scores_give_reasons():
    found = moment(recorded([np.nan] * 4, ["plain", "plain", "buffered", "buffered"]))
    assert isinstance(found.adjusted, NotAvailable)
    assert all(isinstance(e, NotAvailable) for e in found.painless)
    assert isinstance(moment(recorded([5.0] * 8, ["plain", "buffered"] * 4)).missing.mean_difference, NotAvailable)
    again = from_dict(to_dict(moment(drawn())))
    assert again.adjusted == moment(drawn()).adjusted


# --- bands ----------------------------------------------------------------------------------------------------------


def test_bands_of_the_heft_parker_line():
    """None 0, mild to 54, moderate below 114, severe from 114 (Heft & Parker 1984)."""
    bands = to_bands(np.array([0, 0.5, 54, 54.5, 113.9, 114, 170, np.nan]), "hp170")
    assert bands[:-1].tolist() == [0, 1, 1, 2, 2, 3, 3]
    assert np.isnan(bands[-1])
    assert all(len(names) == len(ends) + 1 for ends, names in BANDS.values())


def odds(score, arm, scale="vrs4"):
    return proportional_odds(
        np.asarray(score, dtype=float), np.asarray(arm), scale=scale, moment="deposition", reference_arm="plain",
        contrast_arm="buffered",
    )  # fmt: skip


def table(plain, buffered):
    score = np.concatenate([np.repeat(np.arange(len(c)), c) for c in (plain, buffered)])
    return score, np.repeat(["plain", "buffered"], [sum(plain), sum(buffered)])


def test_two_bands_are_a_fourfold_table():
    """30 of 50 against 20 of 50: odds ratio (20/30) / (30/20) = 4/9, standard error sqrt(1/20 + 1/30 + 1/30 + 1/20)."""
    found = odds(*table((20, 30), (30, 20))).odds_ratio
    assert found.estimate == pytest.approx(4 / 9, rel=1e-5)
    assert found.std_error == pytest.approx(math.sqrt(2 / 20 + 2 / 30), rel=1e-4)


def test_one_ratio_by_a_slow_likelihood():
    """The same maximum by scipy on the likelihood written out."""
    from scipy.optimize import minimize

    plain, buffered = (8, 22, 14, 6), (16, 20, 10, 4)

    def loss(v):
        total = 0.0
        cuts = np.array([v[0], v[0] + np.exp(v[1]), v[0] + np.exp(v[1]) + np.exp(v[2])])
        for counts, shift in ((plain, 0.0), (buffered, v[3])):
            cumulated = np.concatenate(([0], 1 / (1 + np.exp(-(cuts - shift))), [1]))
            total -= np.sum(np.array(counts) * np.log(np.diff(cumulated)))
        return total

    slow = minimize(loss, [-1, 0, 0, 0], method="BFGS", options={"gtol": 1e-9}).x[3]
    found = odds(*table(plain, buffered))
    assert math.log(found.odds_ratio.estimate) == pytest.approx(slow, abs=1e-4)
    assert len(found.by_band) == 3
    assert isinstance(found.check, HypothesisTest)
    assert found.check.p_value > 0.05


TABLES = [
    ((8, 22, 14, 6), (16, 20, 10, 4)),
    ((20, 60, 10, 10), (50, 5, 10, 35)),
    ((0, 3, 9, 1), (4, 0, 2, 7)),
    ((1, 0, 0, 40), (0, 1, 1, 300)),
]


@pytest.mark.parametrize(("plain", "buffered"), TABLES)
def test_one_ratio_is_that_of_statsmodels(plain, buffered):
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    score, arm = table(plain, buffered)
    x = (arm == "buffered").astype(float)
    fit = OrderedModel(score, x[:, None], distr="logit").fit(method="bfgs", disp=False, maxiter=500, gtol=1e-8)
    found = odds(score, arm).odds_ratio
    assert math.log(found.estimate) == pytest.approx(fit.params[0], abs=1e-5)
    assert found.std_error == pytest.approx(fit.bse[0], rel=1e-4)


@pytest.mark.parametrize(("plain", "buffered"), TABLES[:2])
def test_the_check_by_logistic_fits_of_every_cut(plain, buffered):
    """Brant's statistic as printed: a logistic fit at each cut, sandwiched row by row."""
    score, arm = table(plain, buffered)
    design = sm.add_constant((arm == "buffered").astype(float))
    fits = [sm.GLM((score > c).astype(float), design, family=sm.families.Binomial()).fit() for c in range(3)]
    chance = [f.fittedvalues for f in fits]
    inverse = [np.linalg.inv(design.T @ ((p * (1 - p))[:, None] * design)) for p in chance]
    covariance = np.empty((3, 3))
    for i in range(3):
        for j in range(i, 3):
            weight = (chance[j] * (1 - chance[i]))[:, None]
            covariance[i, j] = covariance[j, i] = (inverse[i] @ (design.T @ (weight * design)) @ inverse[j])[1, 1]
    apart = np.array([[-1, 1, 0], [0, -1, 1]])
    difference = apart @ [f.params[1] for f in fits]
    statistic = difference @ np.linalg.solve(apart @ covariance @ apart.T, difference)
    assert odds(score, arm).check.statistic == pytest.approx(statistic, rel=1e-6)


def test_the_check_sees_a_ratio_that_changes():
    found = odds(*table((20, 60, 10, 10), (50, 5, 10, 35)))
    assert found.check.p_value < 0.001
    cuts = [e.estimate for _, e in found.by_band]
    assert cuts[0] < 1 < cuts[-1]


def test_the_check_keeps_its_error_rate():
    rng = np.random.default_rng(5)
    hits = []
    for _ in range(400):
        latent = rng.logistic(size=200) - 0.7 * (np.arange(200) % 2)
        score = np.digitize(latent, [-1.0, 0.3, 1.6])
        check = odds(score, np.where(np.arange(200) % 2, "buffered", "plain")).check
        hits.append(isinstance(check, HypothesisTest) and check.p_value < 0.05)
    assert abs(np.mean(hits) - 0.05) < 4 * math.sqrt(0.05 * 0.95 / 400)


def test_bands_that_do_not_overlap_have_no_ratio():
    found = odds(*table((0, 0, 10, 10), (10, 10, 0, 0)))
    assert found.odds_ratio.code == "separation"
    assert isinstance(found.check, NotAvailable)
    assert odds([1, 1, 1, 1], ["plain", "plain", "buffered", "buffered"]).odds_ratio.code == "no_scores"


# --- anxiety and shared error -----------------------------------------------------------------------------------------


def test_anxiety_within_cases():
    before, after = np.array([20.0, 12, 19, 8, np.nan]), np.array([15.0, 12, 18, 9, 5])
    found = anxiety_change(
        before,
        after,
        np.array(["plain", "plain", "buffered", "buffered", "plain"]),
        arms=ARMS,
        scale="nrs11",
        unit="points",
    )
    assert [e.estimate for e in found.change] == [-2.5, 0.0]
    assert found.difference.estimate == 2.5
    assert found.high_before == ()
    other = anxiety_change(
        before, after, np.array(["plain"] * 2 + ["buffered"] * 3), arms=ARMS, scale="nrs11", unit="points"
    )
    assert other.threshold is None
    assert other.high_before == ()
    # Scores before are counted for themselves: nobody needs one afterwards.
    trait = anxiety_change(before, np.full(5, np.nan), np.array(["plain"] * 2 + ["buffered"] * 3), arms=ARMS,
                           scale="mdas", unit="points")  # fmt: skip
    assert [e.n.arm(str(e.contrast)).onsets for e in trait.high_before] == [2, 2]


@pytest.mark.parametrize(("scale", "threshold", "high"), [("mdas", 19, [0.5, 0.5]), ("das", 15, [0.5, 0.5])])
def test_a_trait_scale_is_told_once_and_never_as_a_change(scale, threshold, high):
    before, after = np.array([20.0, 12, 19, 8]), np.array([15.0, 12, 18, 9])
    arm = np.array(["plain", "plain", "buffered", "buffered"])
    found = anxiety_change(before, after, arm, arms=ARMS, scale=scale, unit="points")
    assert found.change == ()
    assert isinstance(found.difference, NotAvailable)
    assert "trait" in found.difference.reason
    assert [e.estimate for e in found.before] == [16.0, 13.5]
    assert found.threshold == threshold
    assert [e.estimate for e in found.high_before] == high
    never = anxiety_change(before, np.full(4, np.nan), arm, arms=ARMS, scale=scale, unit="points")
    assert [e.estimate for e in never.before] == [16.0, 13.5]


def test_welch_is_scipys():
    records = drawn()
    found = moment(records).missing.mean_difference
    x, y = records.score[records.arm == "buffered"], records.score[records.arm == "plain"]
    p = stats.ttest_ind(x, y, equal_var=False)
    assert found.p_value == pytest.approx(p.pvalue)
    assert (found.interval.low, found.interval.high) == pytest.approx(tuple(p.confidence_interval()))
    assert isinstance(found, Estimate)


def test_shared_error_by_hand():
    """Holm of .01, .04, .03: 3 x .01, then 2 x .03 = .06, then max(.06, .04). Hochberg: .03, .04, .04."""
    lines = [("a", 0.01, ""), ("b", 0.04, ""), ("c", 0.03, "")]
    holm = share_error(lines, procedure="holm")
    assert [x.adjusted for x in holm.lines] == pytest.approx([0.03, 0.06, 0.06])
    assert [x.passes for x in holm.lines] == [True, False, False]
    hochberg = share_error(lines, procedure="hochberg")
    assert [x.adjusted for x in hochberg.lines] == pytest.approx([0.03, 0.04, 0.04])
    fixed = share_error([("a", 0.01, ""), ("b", 0.2, ""), ("c", 0.001, "")], procedure="fixed_sequence")
    assert [x.adjusted for x in fixed.lines] == [0.01, 0.2, 0.2]
    plain = share_error(lines, procedure="none")
    assert all(x.passes for x in plain.lines)


@pytest.mark.parametrize(("procedure", "theirs"), [("holm", "holm"), ("hochberg", "simes-hochberg")])
def test_sharing_is_that_of_statsmodels(procedure, theirs):
    rng = np.random.default_rng(8)
    for k in (1, 2, 5, 9):
        values = np.append(rng.uniform(0, 0.4, k), [0.01] * (k > 2))  # with a tie
        found = share_error([(str(i), float(p), "") for i, p in enumerate(values)], procedure=procedure)
        other = multipletests(values, method=theirs)
        assert [x.adjusted for x in found.lines] == pytest.approx(other[1], rel=1e-12)
        assert [x.passes for x in found.lines] == other[0].tolist()


def test_an_outcome_without_a_p_value_shares_but_cannot_pass():
    found = share_error([("a", 0.02, ""), ("b", None, "not recorded")], procedure="holm")
    assert found.lines[0].adjusted == pytest.approx(0.04)
    assert not found.lines[1].passes
    stopped = share_error([("b", None, "not recorded"), ("a", 0.001, "")], procedure="fixed_sequence")
    assert not stopped.lines[1].passes
    assert share_error([], procedure="holm").lines == ()
    with pytest.raises(OnsetStudyError, match="choose among"):
        share_error([], procedure="luck")


@examples(100, usual=8)
@given(st.lists(st.floats(0, 1), min_size=1, max_size=6))
def test_sharing_never_helps(values):
    lines = [(str(k), p, "") for k, p in enumerate(values)]
    for procedure in ("holm", "hochberg", "fixed_sequence"):
        assert all(x.adjusted >= x.p_value - 1e-12 for x in share_error(lines, procedure=procedure).lines)
    holm, hochberg = (share_error(lines, procedure=p).lines for p in ("holm", "hochberg"))
    assert all(a.adjusted >= b.adjusted - 1e-12 for a, b in zip(holm, hochberg, strict=True))
