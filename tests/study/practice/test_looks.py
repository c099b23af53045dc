"""Every quarter is a look: scores, verdicts in words, and what is no look."""

import dataclasses
import math
from functools import partial

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from onsetstudy.core.claims import Look
from onsetstudy.core.quantities import QUANTITIES
from onsetstudy.core.results import Counts, Estimate, Interval
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.design.interim.after_stopping import stagewise_p
from onsetstudy.design.interim.interim_analyses import plan_looks
from onsetstudy.design.interim.results import LookSeen
from onsetstudy.inference.means import contrast_of_means, moments_by_stratum
from onsetstudy.inference.parameter import Parameter
from onsetstudy.outcomes.scores.pain import compare_pain
from onsetstudy.outcomes.scores.within_patient import compare_pairs
from onsetstudy.report.figures import interim as figure
from onsetstudy.report.figures.canvas import NARROW, WIDE, Sheet, canvas, look_of
from onsetstudy.report.sections.appendix.interim import looks_section, verdict_words
from onsetstudy.study.answer.claims import allowed_for_looks, claim_of, deciding_look
from onsetstudy.study.planning.power import plan_of
from onsetstudy.study.practice.interim import judge_seen, looks_taken, score_of
from onsetstudy.study.practice.subsets import analyse_population, primary_result
from onsetstudy.study.sets.prepare import prepare
from tests.simulation.kept import KeptStudies
from tests.study.cases import case, protocol, readings_of, records

DAYS = {"2025Q4": "2025-11-03", "2026Q1": "2026-02-03", "2026Q2": "2026-05-04", "2026Q3": "2026-08-03"}


TIMES = 3
"""Means are judged once each arm has ten cases."""


def promised(primary="restricted_wait", secondary=(), **rule):
    made = protocol(plan={"primary": primary, "sensitivity": (), "secondary": secondary})
    filled = {"planned_information": 40 * TIMES, "futility": "none", **rule}
    return dataclasses.replace(made, looks=dataclasses.replace(made.looks, **filled))


def group(made, answers, **more):
    """Cases by quarter: ``{"2025Q4": {"plain": [...], "buffered": [...]}}``."""
    rows, readings, number = [], [], 0
    for quarter, arms in answers.items():
        for arm, texts in arms.items():
            for text in texts * TIMES:
                number += 1
                rows.append(case(number, arm, case_date=DAYS[quarter], **more))
                readings += readings_of(number, text)
    found = records(rows, readings, made)
    return prepare(made, found, through=made.quarters[-1])[0]


SLOW, FAST = ["ffffnn", "fffffnn", "fffnn", "f" * 15], ["fnn", "ffnn", "nn", "fffnn"]
EVERY = {q: {"plain": SLOW, "buffered": FAST} for q in DAYS}
ALIKE = {q: {"plain": FAST, "buffered": FAST} for q in DAYS}


def test_a_clear_difference_crosses_and_later_looks_are_descriptive():
    made = promised(planned_information=28 * TIMES)
    taken = looks_taken(group(made, EVERY), made.quarters[3])
    codes = [v.code for v in taken.verdicts]
    over = codes.index("crossed")
    assert set(codes[:over]) <= {"continue"}
    assert set(codes[over + 1 :]) <= {"descriptive"}
    said = verdict_words(taken, made)
    assert f"Interim analysis {over + 1} (" in said
    assert "With all interim analyses allowed for, buffered teeth were numb sooner than not buffered ones" in said
    assert taken.stopped.estimate > 0
    assert taken.scale == "min"


def test_nothing_to_see_goes_on():
    made = promised(planned_information=200 * TIMES)
    taken = looks_taken(group(made, ALIKE), made.quarters[3])
    assert [v.code for v in taken.verdicts] == ["continue"] * 4
    said = verdict_words(taken, made)
    assert "continue; the boundary is not reached." in said
    assert "claimed" not in said
    assert taken.stopped is None


@pytest.mark.parametrize(
    ("primary", "change", "effect", "told"),
    [
        ("hazard_ratio", {"planned_hazard_ratio": 1.6}, math.log(1.6), "a hazard ratio of 1.6 at all times"),
        ("rmst_difference", {"wait_difference_min": 0.5}, 0.5, "a difference of 0.5 min"),
        ("rmst_difference", {"wait_difference_min": None}, None, "the effect that 120 onsets have 80\u202f% power for"),
        ("pain_difference", {}, 10.0, "a difference of 10 mm"),
    ],
)
def test_the_chance_to_cross_names_the_effect_that_it_is_of(primary, change, effect, told):
    made = promised(primary, futility="non_binding")
    made = dataclasses.replace(made, plan=dataclasses.replace(made.plan, **change))
    taken = judge_seen(made, plan_of(made), [LookSeen(label="2025Q4", z=1.2, counted=40, information=9.0)])
    assert taken.verdicts[0].conditional.effect == pytest.approx(effect)
    said = verdict_words(taken, made)
    assert f"% if there is {told}, and" in said
    assert "Going by the cases so far, 120 onsets have 80\u202f% power for a " in said
    earlier = dataclasses.replace(taken.verdicts[0].conditional, effect=None, powered_for=None)
    kept = dataclasses.replace(taken.verdicts[0], conditional=earlier)
    said = verdict_words(dataclasses.replace(taken, verdicts=(kept,)), made)
    assert "if there is the effect that 120 onsets have 80\u202f% power for, and" in said
    assert "Going by" not in said


def test_the_planned_size_without_a_difference():
    made = promised(planned_information=32 * TIMES)
    taken = looks_taken(group(made, ALIKE), made.quarters[3])
    assert taken.verdicts[-1].code == "ended"
    assert "No difference in the restricted mean time to onset was shown." in verdict_words(taken, made)


def test_futility_is_said():
    made = promised(planned_information=60 * TIMES, futility="non_binding")
    worse = {q: {"plain": FAST, "buffered": SLOW[:3]} for q in DAYS}
    codes = [v.code for v in looks_taken(group(made, worse), made.quarters[1]).verdicts]
    assert "unlikely" in codes or "crossed" in codes


def test_binding_futility_ends_the_study_for_every_reader_of_its_looks():
    made = promised(planned_information=120, futility="binding")
    looks = zip(made.quarters, (0.3, -0.4, 2.9), (30.0, 60.0, 90.0), strict=False)
    seen = [LookSeen(label=q.label, z=z, counted=n, information=n) for q, z, n in looks]
    taken = judge_seen(made, plan_of(made), seen)
    assert [v.code for v in taken.verdicts] == ["continue", "futile", "descriptive"]
    said = verdict_words(taken, made)
    assert "below the boundary of futility, at which the plan ends the study. No difference in the" in said
    assert said.endswith("The analyses after it are descriptive only.")
    assert deciding_look(taken).number == 2
    assert deciding_look(taken).stopped
    # The stage-wise P is that of going on above the boundary of futility of the first look, or passing its upper one.
    first, second = taken.verdicts[:2]
    assert first.futility > -first.boundary
    expected = stagewise_p(-0.4, [30, 60], (first.futility, -np.inf), (first.boundary, np.inf))
    assert taken.stopped.p_value == pytest.approx(2 * min(expected, 1 - expected))
    assert second.z < second.futility


@pytest.mark.parametrize("primary", ["hazard_ratio", "restricted_wait", "success_by_target"])
def test_the_score_is_that_of_the_primary_outcome(primary):
    made = promised(primary)
    data = group(made, EVERY)
    taken = looks_taken(data, made.quarters[3])
    result = primary_result(data)
    if primary == "hazard_ratio":
        assert taken.verdicts[-1].z == pytest.approx(result.statistic)
        whole = analyse_population(data, label="", dimension="overall", level="all", minimum=1)
        assert result.statistic == whole.onset_test.statistic
    elif primary == "restricted_wait":
        assert taken.verdicts[-1].z == pytest.approx(
            1.9599640 * result.estimate / (result.estimate - result.interval.high)
        )
    assert taken.verdicts[-1].z > 0


def test_pain_is_kinder_not_sooner():
    made = promised("pain", information="cases")
    rows = {q: {"plain": FAST, "buffered": FAST} for q in DAYS}
    data = group(made, rows)
    data.frame["pain_deposition"] = np.where(data.arm == "buffered", 10.0, 60.0) + np.arange(len(data)) % 5
    taken = looks_taken(data, made.quarters[3])
    assert "mean pain was lower with buffered than with not buffered injections" in verdict_words(taken, made)
    assert taken.verdicts[0].counted == 8 * TIMES
    assert taken.stopped.estimate == pytest.approx(50, abs=1)  # kinder by 50 mm, and positive is better


@pytest.mark.parametrize("primary", ["restricted_wait", "pain"])
@pytest.mark.parametrize("few", [9, 10])
def test_means_are_not_judged_before_each_arm_has_ten_cases(primary, few):
    """However far apart: with few of one arm, boundaries were crossed by chance in 8 to 9 % of studies, to its side."""
    made = promised(primary, information="cases")
    data = group(made, {"2025Q4": {"plain": SLOW, "buffered": FAST}})
    buffered = data.arm == "buffered"
    data = data.where(~buffered | (np.cumsum(buffered) <= few))
    data.frame["pain_deposition"] = np.where(data.arm == "buffered", 10.0, 60.0) + np.arange(len(data)) % 5
    taken = looks_taken(data, made.quarters[0])
    assert (taken is None) is (few < 10)
    known, look = data.counts(), deciding_look(taken)
    claim = claim_of(made.plan.primary, primary_result(data), made, population="", known=known, look=look, leads=True)
    assert claim.bears.side == (taken is not None and taken.verdicts[0].code == "crossed")


def test_a_quarter_that_cannot_be_judged_is_no_look_and_is_named():
    made = promised()
    answers = {"2025Q4": {"plain": SLOW}, "2026Q1": {"buffered": FAST}, "2026Q2": {"plain": SLOW}}
    taken = looks_taken(group(made, answers), made.quarters[2])
    assert [v.label for v in taken.verdicts] == ["2026Q1", "2026Q2"]
    assert "2025Q4 was no look: no case of the arm buffered has been recorded." in [c.text for c in taken.caution]


def test_without_spending_there_is_no_verdict():
    for boundary in ("none", "anytime"):
        made = promised(boundary=boundary)
        assert plan_of(made) is None
        assert looks_taken(group(made, EVERY), made.quarters[3]) is None
    assert looks_section(None, protocol()) is None


@pytest.mark.parametrize("score", [2.5, 0.4])
def test_a_last_look_with_less_information_is_judged_and_said_on_the_page(score):
    made = promised(planned_information=40)
    seen = [
        LookSeen(label="2025Q4", z=0.5, counted=10, information=6.0),
        LookSeen(label="2026Q1", z=score, counted=40, information=5.0),
        LookSeen(label="2026Q2", z=score, counted=44, information=9.0),
    ]
    taken = judge_seen(made, plan_of(made), seen)
    assert [v.code for v in taken.verdicts] == ["continue", "crossed" if score > 2 else "ended", "descriptive"]
    assert taken.stopped is None
    words = " ".join(b.text for b in looks_section(taken, made).blocks if b.kind == "paragraph")
    assert "The last look has no more information than the one before (5 after 6)" in words
    assert "What was left of the error rate (5\u202f%) is spent here" in words
    decided = judge_seen(made, plan_of(made), seen[:2])
    assert from_dict(to_dict(decided)) == decided


def test_the_section_shows_every_look():
    made = promised(planned_information=28 * TIMES)
    taken = looks_taken(group(made, EVERY), made.quarters[3])
    section = looks_section(taken, made)
    table = next(b for b in section.blocks if b.kind == "table")
    assert [r[0] for r in table.rows] == list(DAYS)
    look = look_of("buffered", ("plain", "buffered"))
    with canvas(WIDE, 2.6) as sheet:
        ax = sheet.add_subplot()
        figure.draw(taken, ax, look=look)
        scores = next(line for line in ax.lines if line.get_marker() == look.marker)
        assert scores.get_ydata().tolist() == [v.z for v in taken.verdicts]
        # No score lies outside the frame, on whichever side.
        for z in (8.0, -8.0):
            figure.draw(
                dataclasses.replace(taken, verdicts=(dataclasses.replace(taken.verdicts[0], z=z),)), ax, look=look
            )
            assert ax.get_ylim()[0] < z < ax.get_ylim()[1]
    drawn = figure.draw_figure(taken, look=look)
    assert all(f"{label}: z " in drawn.alt for label in DAYS)


def test_a_first_look_tells_the_error_of_all_planned_ones_and_a_single_one_of_none():
    """Four equal looks: 12.6 % (Armitage, McPherson & Rowe 1969, J R Statist Soc A 132:235-244), two: 8.3 %."""
    made, at = promised(planned_information=40), [LookSeen(label=q, z=0.5, counted=10.0 * (k + 1), information=1.0 + k)
                                                  for k, q in enumerate(DAYS)]  # fmt: skip
    plan = plan_of(made)
    assert [look.fraction for look in plan.looks] == pytest.approx([0.25, 0.5, 0.75, 1.0])

    def told(plan, seen):
        section = looks_section(judge_seen(made, plan, seen), made)
        return [b.text for b in section.blocks if "limits of a single analysis" in getattr(b, "text", "")]

    first, again = [told(plan, at[:1])[0], told(plan, [at[0], at[0], at[0]])[0]], told(plan, at[:2])[0]
    assert first[0] == first[1]
    assert first[0].startswith(
        "Analysing all 4 planned times with the limits of a single analysis would be wrong in 13"
    )
    assert again.startswith("Analysing 2 times with the limits of a single analysis would be wrong in 8")
    alone = plan_looks([1.0], kind="obrien_fleming", planned_information=40)
    assert told(alone, at[-1:]) == []


def test_names_of_looks_are_struck_through_by_nothing_and_bars_are_whole():
    made = promised(planned_information=200 * TIMES)
    taken = looks_taken(group(made, EVERY), made.quarters[3])
    near = zip(taken.verdicts, (0.19, 0.26, 0.33, 0.46), strict=False)
    taken = dataclasses.replace(taken, verdicts=tuple(dataclasses.replace(v, fraction=f) for v, f in near))
    for width in (WIDE, NARROW):
        with canvas(width, 2.6) as drawn:
            ax = Sheet(drawn, width == NARROW).axes(0.45, 0.5, width - 0.6, 2.0)
            figure.draw(taken, ax, look=look_of("buffered", ("plain", "buffered")))
            drawn.canvas.draw()
            names = [t for t in ax.texts if t.get_text() in DAYS]
            boxes = [t.get_window_extent() for t in names]
            assert len(names) == len(taken.verdicts)
            assert not any(a.overlaps(b) for k, a in enumerate(boxes) for b in boxes[:k])
            low, high = ax.get_ylim()
            for line in ax.lines:
                heights = np.asarray(line.get_ydata(), dtype=float)
                assert np.all((heights > low) & (heights < high))
                if line.get_marker() == "_":
                    middles = ax.transData.transform(np.column_stack([line.get_xdata(), heights]))
                    assert not any(box.contains(*point) for box in boxes for point in middles)


@pytest.mark.parametrize("primary", ["rmst_difference", "success_difference", "pain_difference"])
@given(
    value=st.floats(-0.9, 0.9), below=st.floats(1e-3, 2.0), above=st.floats(1e-3, 2.0), critical=st.floats(1.96, 6.0)
)
def test_a_boundary_is_crossed_where_the_repeated_interval_excludes_no_difference(
    primary, value, below, above, critical
):
    """Whatever the interval's shape: the verdict and the interval beside it never contradict each other."""
    span = Interval(low=value - below, high=value + above, level=0.95, method="made up")
    found = Estimate(
        quantity=primary, contrast="buffered - plain", estimate=value, interval=span, unit="", method="made up",
        n=Counts(cases=40, onsets=30), std_error=below / 3,
    )  # fmt: skip
    z, information = score_of(found, primary)
    assume(abs(abs(z) - critical) > 1e-9)
    wide = allowed_for_looks(found, QUANTITIES[primary], critical).interval
    assert (abs(z) > critical) == (not wide.low <= 0 <= wide.high)
    assert np.sign(z) == -np.sign(value) * (1 if primary != "success_difference" else -1)
    assert z**2 == pytest.approx(value**2 * information)


@pytest.mark.parametrize("better", [1, -1])
@pytest.mark.parametrize("pairs", [False, True])
def test_a_shift_of_coarse_scores_is_not_claimed_at_a_boundary_that_its_test_does_not_cross(better, pairs):
    """Moderate pain or none: P .015 of two samples, .031 within pairs; 4.51 asks for .000007."""
    kept, moved = (np.repeat([2.0, 0.0], n) for n in ((18, 22), (7, 33)))
    if pairs:
        kept = 2.0 + np.zeros(40)
        moved = kept - np.repeat([1.0, 0.0], [6, 34])
    plain, other = (kept, moved) if better == 1 else (moved, kept)
    if pairs:
        found = compare_pairs(plain, other, arms=("plain", "buffered"), unit="points")
    else:
        found = compare_pain(
            np.append(plain, other), ["plain"] * 40 + ["buffered"] * 40, reference_arm="plain",
            contrast_arm="buffered", moment="deposition", unit="points",
        )  # fmt: skip
    q = QUANTITIES["pain_shift"]
    once = allowed_for_looks(found.shift, q, 1.96, found.test).interval
    assert q.side(once.low, once.high) == better
    late = allowed_for_looks(found.shift, q, 4.51, found.test).interval
    near, far = (late.high, late.low) if better == 1 else (late.low, late.high)
    assert near == 0
    assert abs(far) > max(abs(once.low), abs(once.high))
    assert "drawn to no difference" in late.method
    assert "drawn to" not in once.method
    # Where the test is not told, an end that lies on the estimate cannot have grown.
    assert q.side(*_ends(allowed_for_looks(found.shift, q, 4.51).interval)) == 0
    known = dataclasses.replace(found.test, p_value=1e-6)
    assert q.side(*_ends(allowed_for_looks(found.shift, q, 4.51, known).interval)) == better
    look = Look(
        number=1, planned=4, label="2025Q4", code="crossed", side=better, counted=60, planned_count=240, unit="onsets",
        critical=4.51,
    )  # fmt: skip
    for critical, side in ((4.51, 0), (1.96, better)):
        said = claim_of(
            "pain_shift", found.shift, protocol(), population="80 scores", known=found.shift.n, test=found.test,
            look=dataclasses.replace(look, critical=critical),
        )  # fmt: skip
        assert said.bears.side == q.side(*_ends(said.answer.interval)) == side


def _ends(span):
    return span.low, span.high


def hundred_of_pain(an_arm, k):
    """A hundred studies: how many cross, and in how many side and verdict are those of Welch's test."""
    rng = np.random.default_rng([an_arm, k])
    arm = np.repeat(["plain", "buffered"], an_arm)
    crossed, as_welch = 0, 0
    for _ in range(100):
        score = rng.normal(30, 20, 2 * an_arm)
        found = contrast_of_means(
            moments_by_stratum(score, arm, ("plain", "buffered")),
            Parameter(quantity="pain_difference", contrast="buffered - plain", unit="mm",
                      n=Counts(cases=2 * an_arm, onsets=2 * an_arm)),
        )  # fmt: skip
        t, p = stats.ttest_ind(score[an_arm:], score[:an_arm], equal_var=False)
        z = score_of(found, "pain_difference")[0]
        over = abs(z) > stats.norm.isf(0.025)
        crossed += over
        as_welch += over == (p < 0.05) and np.sign(z) == -np.sign(t)
    return {"crossed": crossed, "as_welch": as_welch}


PAIN = {
    n: KeptStudies(name=f"pain_of_{n}_an_arm", one=partial(hundred_of_pain, n), count=40, again=4) for n in (10, 20)
}


@pytest.mark.parametrize("an_arm", PAIN)
def test_a_small_sample_is_judged_by_students_t(an_arm):
    """Pain in one practice without a difference: |Z| exceeds 1.96 as often as Welch's test errs, no more."""
    found = PAIN[an_arm].numbers()
    assert (found["as_welch"] == 100).all()
    assert found["crossed"].sum() / 4000 == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / 4000))
