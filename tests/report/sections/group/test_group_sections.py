"""A group's report has one rule for whether practices differ, and one value of a quantity that is the answer."""

from __future__ import annotations

import dataclasses
import math

import pytest

from onsetstudy.core.results import ArmCount, Caution, Counts, HypothesisTest, Interval
from onsetstudy.pool.combine import PoolOptions, combine_estimates
from onsetstudy.pool.funnel import funnel
from onsetstudy.pool.results import Member, Subgroups
from onsetstudy.report.document import Table
from onsetstudy.report.sections.blocks import group_curves_block
from onsetstudy.report.sections.group.completeness import refused_words
from onsetstudy.report.sections.group.first_page import first_page
from onsetstudy.report.sections.group.heterogeneity import (
    beside_section,
    differ_words,
    heterogeneity_words,
    where_section,
)
from onsetstudy.report.sections.group.pooled import pooled_section, statistician_section
from onsetstudy.study.group.results import GroupGate
from tests.report.claimed import group_of
from tests.report.samples import estimate, rich

N = Counts(cases=20, onsets=15)


def pooled_of(values, error, key="hazard_ratio"):
    """Practices' values on their scale, each as sure as the others."""
    ratio = key == "hazard_ratio"
    turn = math.exp if ratio else float
    made = [
        estimate(key, "buffered / plain" if ratio else "buffered - plain", turn(v), turn(v - 2 * error),
                 turn(v + 2 * error), "ratio" if ratio else "proportion", N, std_error=error)
        for v in values
    ]  # fmt: skip
    return combine_estimates(made, [chr(65 + k) for k in range(len(values))], PoolOptions())


def by_practice(pooled, p):
    test = HypothesisTest(
        quantity="hazard_ratio", contrast=None, statistic=1.0, statistic_name="chi-square", df=1, p_value=p,
        alternative="two-sided", method="likelihood ratio", n=N,
    )  # fmt: skip
    levels = tuple(Member(label=m.label, result=m.result, weight=m.weight) for m in pooled.members)
    return Subgroups(grouping="practice", levels=levels, test=test)


def group(pooled, p=0.022):
    found = group_of(rich())
    others = tuple(x for x in found.pooled if x.quantity != pooled.quantity)
    within = tuple(x.average for x in found.pooled if x.quantity != "hazard_ratio")
    overall = dataclasses.replace(found.overall, differences=within)
    return dataclasses.replace(found, overall=overall, pooled=(pooled, *others), subgroups=(by_practice(pooled, p),))


def words(section):
    return " ".join(
        " ".join([getattr(block, "text", ""), getattr(block, "allows", ""), *getattr(block, "notes", ())])
        for block in section.blocks
    )


@pytest.mark.parametrize("p", [0.0004, 0.022, 0.4])
@pytest.mark.parametrize(
    ("values", "error"),
    [((2.1, -0.1), 0.6), ((0.1, 0.1), 0.6), ((0.4, 0.41, 0.4, 0.39) * 20, 0.1), ((0.0, 3.0, -3.0, 1.0) * 5, 0.1)],
)
def test_whether_practices_differ_is_said_by_one_rule_whatever_the_p_value(values, error, p):
    pooled = pooled_of(values, error)
    rule = differ_words(pooled)
    assert heterogeneity_words(pooled, lambda low, high: "between").startswith(rule)
    said = words(where_section(group(pooled, p), None))
    assert rule[1:] in said
    assert "it seems to differ" not in said
    none = pooled.heterogeneity.i2_interval.low == 0
    assert ("no more than a sign" in said) == (none and p < 0.05)


def test_values_nearer_than_chance_would_put_them_say_nothing_of_how_practices_differ():
    pooled = pooled_of((0.1, 0.1), 0.6)
    assert pooled.heterogeneity.i2_interval.high == 0
    assert differ_words(pooled).startswith("With 2 practices it cannot be told whether they differ")
    table = next(b for b in pooled_section(group(pooled), None).blocks if isinstance(b, Table))
    assert "0 (–)" in {row[-1] for row in table.rows}
    assert "0 (0 to 0)" not in str(table)


def test_two_practices_that_cannot_be_told_apart_are_not_told_apart_further_down():
    said = words(where_section(group(pooled_of((1.5, -0.1), 0.6)), None))
    assert "p = 0.022" in said
    assert "with 2 practices it cannot be told whether they differ" in said


def test_of_three_values_of_a_quantity_one_is_called_the_answer_and_the_others_what_they_are():
    pooled = pooled_of((2.1, -0.1), 0.6)
    pooled = dataclasses.replace(
        pooled, average=dataclasses.replace(pooled.average, estimate=2.33),
        common=dataclasses.replace(pooled.common, estimate=1.46),
    )  # fmt: skip
    results = group(pooled)
    answer = results.overall.hazard_ratio.estimate
    section = pooled_section(results, None)
    table = next(b for b in section.blocks if isinstance(b, Table) and b.caption.startswith("Pooled"))
    row = next(row for row in table.rows if row[0] == "hazard ratio")
    assert table.columns[1:3] == ("all cases: the answer", "average of practices")
    assert row[1].startswith(f"{answer:.2f}")
    assert row[2].startswith("2.33")
    told = " ".join(str(block) for block in section.blocks)
    assert "1.46" not in told
    assert "1.46" in str(statistician_section(results))
    assert "as if practices did not differ (common effect): hazard ratio" in str(statistician_section(results)).lower()


def test_a_quantity_that_is_averaged_only_has_its_average_as_the_answer():
    pooled = pooled_of((0.1, 0.3), 0.1, key="chair_time_difference")
    results = group(pooled)
    table = next(b for b in pooled_section(results, None).blocks if isinstance(b, Table))
    row = next(row for row in table.rows if row[0].startswith("chair time"))
    assert row[1] == row[2]
    assert "Of chair time saved it is the answer." in " ".join(table.notes)


def test_no_limit_of_a_pooled_number_reads_like_no_difference_unless_it_is():
    pooled = pooled_of((-1.3, -1.29, -1.31), 0.64, key="rmst_difference")
    end = Interval(low=-2.6, high=-0.02, level=0.95, method="Student's t")
    average = dataclasses.replace(pooled.average, interval=dataclasses.replace(end, high=-0.01))
    results = group(dataclasses.replace(pooled, average=average, prediction=end))
    table = next(b for b in pooled_section(results, None).blocks if isinstance(b, Table))
    row = next(row for row in table.rows if row[0].startswith("time to onset saved"))
    assert row[2:4] == ("1.30 (0.01 to 2.60)", "0.02 to 2.60")


def test_page_one_goes_by_the_same_rule():
    pooled = pooled_of((0.3, -0.2), 0.2, key=group_of(rich()).protocol.plan.primary)
    wide = Interval(low=0.0, high=1.0, level=0.95, method="Q-profile")
    pooled = dataclasses.replace(
        pooled, heterogeneity=dataclasses.replace(pooled.heterogeneity, i2=0.5, i2_interval=wide)
    )
    said = words(first_page(group(pooled), None))
    assert "With 2 practices it cannot be told whether they differ (0 to 100" in said


def test_nothing_is_said_to_be_within_practices_where_some_are_compared_with_others():
    found = group(pooled_of((0.4, 0.1, 0.2), 0.6))
    told = Caution(code="practices_together", text="12 cases are compared in strata that hold more than one practice.")
    crossed = dataclasses.replace(found, caution=(*found.caution, told))
    plain = "within practices and combined"
    assert plain in str(first_page(found, None))
    assert plain not in str(first_page(crossed, None))
    assert "within practices as far as they have cases of both arms" in str(first_page(crossed, None))
    assert "within practices;" in str(pooled_section(found, None))
    assert "within practices;" not in str(pooled_section(crossed, None))


def test_few_cases_are_told_under_the_names_that_the_reader_knows():
    drawn = funnel([3, 2, 9], [12, 15, 60], [2.5, 2.5, 9.0], ["A", "D", "E"], quantity="by_target")
    found = dataclasses.replace(group(pooled_of((0.1, 0.1), 0.6)), funnels=(drawn, drawn))
    few = "fewer than 20 cases, from which little can be said."
    for own, names in (
        (None, "Practice A, Practice D"),
        ("D", "Practice A, Your practice"),
        ("E", "Practice A, Practice D"),
    ):
        said = words(beside_section(found, own))
        assert said.count(few) == 1
        assert f"{names}: {few}" in said


def test_refused_cases_that_could_turn_the_answer_stand_on_page_one():
    found = group(pooled_of((0.1, 0.1), 0.6))
    one, *others = (dataclasses.replace(p, recorded=93, refused=9) for p in found.practices)
    few = dataclasses.replace(found, practices=(one, *others))
    many = dataclasses.replace(found, practices=(dataclasses.replace(one, refused=35), *others))
    untold = dataclasses.replace(found, practices=(dataclasses.replace(one, refused=None, recorded=None), *others))
    for own in (None, one.letter):
        assert refused_words(few, own) == refused_words(untold, own) == []
    (told,) = refused_words(many, None)
    assert f"could turn the answer: Practice {one.letter}, 35 of 93 cases." in told
    assert told in first_page(many, None).blocks[-1].texts
    assert f": {one.code}, 35 of 93 cases." in refused_words(many, None, coordinator=True)[0]
    assert ": Your practice, 35 of 93 cases." in refused_words(many, one.letter)[0]
    # What was left out of the answer cannot turn it.
    out = GroupGate(letter=one.letter, verdict="shut", doubts=(), left_out=True)
    assert refused_words(dataclasses.replace(many, gates=(out,)), None) == []
    # Another practice's own page counts and names nobody.
    (told,) = refused_words(many, "another")
    assert "could turn the answer: 1 other practice. " in told


@pytest.mark.parametrize(
    ("cases", "few"), [((50, 3), "3 cases with buffered are"), ((1, 0), "1 case with not buffered is")]
)
def test_a_group_says_of_which_arm_there_are_too_few_cases_to_draw(cases, few):
    found = group(pooled_of((0.1, 0.1), 0.6))
    arms = zip(("plain", "buffered"), cases, strict=True)
    n = Counts(cases=sum(cases), onsets=0, by_arm=tuple(ArmCount(arm=a, cases=k, onsets=0) for a, k in arms))
    block = group_curves_block(dataclasses.replace(found, overall=dataclasses.replace(found.overall, n=n, curves=())))
    assert f"{few} too few to draw a curve; it takes 5 or more in an arm." in block.text
