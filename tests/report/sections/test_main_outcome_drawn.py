"""Figures of the main outcome draw the main outcome, whichever it is, and say of how many it is."""

from __future__ import annotations

import dataclasses
import math
import re

import pytest

from onsetstudy.core.claims import counted_in
from onsetstudy.core.results import PATIENTS
from onsetstudy.report.document import Figure
from onsetstudy.report.figures import forest
from onsetstudy.report.figures.canvas import LOOKS
from onsetstudy.report.figures.forest import Line, Scale
from onsetstudy.report.sections.group.first_page import first_page
from onsetstudy.report.sections.main.onset import onset_section, where_section
from onsetstudy.study.practice.cautions import _size
from onsetstudy.study.results import Population
from tests.report.claimed import group_of
from tests.report.samples import counts, estimate, rich
from tests.study.cases import analyse, case, protocol, readings_of, records

RATIOS = Scale(unit="hazard ratio", ends=("later", "sooner"), base=2, log=True)
DRAWN = {
    "rmst_difference": ("minutes saved", "1.2 (0.3 to 2.1)"),
    "success_difference": ("percentage points", "12 (3 to 21)"),
    "hazard_ratio": ("hazard ratio", "1.31 (1.05 to 1.64)"),
    "pain_difference": ("mm", "minus 5.0 (minus 9.0 to minus 1.0)"),
}


def of_primary(primary: str):
    results = rich()
    n = counts(203, 207, (200, 207))

    def with_pain(of: Population) -> Population:
        found = estimate("pain_difference", "buffered - plain", -5.0, -9.0, -1.0, "mm", n, std_error=2.0)
        return dataclasses.replace(of, pain_difference=found)

    varied = (dataclasses.replace(v, main_difference=with_pain(results.overall).pain_difference)
              for v in results.sensitivity)  # fmt: skip
    return dataclasses.replace(
        results,
        protocol=protocol(plan={"primary": primary}),
        overall=with_pain(results.overall),
        by_practice=tuple(map(with_pain, results.by_practice)),
        sensitivity=tuple(varied),
    )


def alts(*sections) -> dict[str, str]:
    return {b.name: b.alt for section in sections for b in section.blocks if isinstance(b, Figure)}


@pytest.mark.parametrize("primary", DRAWN)
def test_other_choices_and_places_are_drawn_of_the_main_outcome(primary):
    results, (unit, number) = of_primary(primary), DRAWN[primary]
    told = alts(where_section(results))
    for name in ("everywhere", "choices"):
        assert told[name].startswith(f"One line per group, {unit}, with interval.")
    assert f"All cases, {'407 scores' if unit == 'mm' else '410 cases'}: {number}" in told["everywhere"]
    assert f"As planned, {'407 scores' if unit == 'mm' else '410 cases'}: {number}" in told["choices"]
    # The section on onset stays with onset.
    quarters = alts(onset_section(results))["quarters"]
    assert quarters.startswith(f"One line per group, {'minutes saved' if unit == 'mm' else unit}, with interval.")


@pytest.mark.parametrize("primary", ["success_difference", "hazard_ratio"])
def test_a_practice_and_its_group_draw_the_same_quantity(primary):
    results = of_primary(primary)
    (told,) = (alts(first_page(group_of(results), None))[name] for name in ("forest",))
    assert told.startswith(f"One line per group, {DRAWN[primary][0]}, with interval.")


def test_a_difference_that_matters_stands_where_the_other_arm_did_better():
    results = of_primary("pain_difference")
    claim = results.claims.primary()
    assert (claim.matters_shown, claim.matters_at) == (10, -10)
    assert results.claims.get("rmst_difference").matters_at == results.protocol.plan.wait_difference_min


@pytest.mark.parametrize(
    ("primary", "said"),
    [
        ("rmst_difference", "True differences in waiting smaller than about 1.4 min"),
        ("success_difference", "True differences in the proportion numb by the target minute smaller than about 14 "
                               "percentage points"),
        ("pain_difference", "True differences in mean pain smaller than about 5.6 mm"),
        ("hazard_ratio", "True hazard ratios from about 0.57 to 1.75"),
    ],
)  # fmt: skip
def test_what_may_have_been_missed_is_said_of_the_main_outcome(primary, said):
    """(1.96 + .84) standard errors of 0.5 min, 0.05, 2 mm and .2 on the log scale."""
    results = of_primary(primary)
    errors = {"wait_difference": 0.5, "success_difference": 0.05, "hazard_ratio": 0.2, "pain_difference": 2.0}
    known = {name: dataclasses.replace(getattr(results.overall, name), std_error=s) for name, s in errors.items()}
    results = dataclasses.replace(results, overall=dataclasses.replace(results.overall, **known))
    assert f"{said} could easily have been missed." in _size(results, None).text


def test_a_ratio_stands_by_its_logarithm():
    n = counts(20, 20, (18, 18))
    half, double = (
        estimate("hazard_ratio", "buffered / plain", v, v / 1.5, v * 1.5, "ratio", n, std_error=0.2) for v in (0.5, 2.0)
    )
    endless = estimate("hazard_ratio", "buffered / plain", 3.0, 0.0, math.inf, "ratio", n, std_error=0.2)
    rows = forest.data_for([Line("half", half), Line("double", double)], RATIOS)
    assert [row.number for row in rows] == ["0.50 (0.33 to 0.75)", "2.00 (1.33 to 3.00)"]
    drawn = forest.draw_figure(rows, scale=RATIOS, look=LOOKS[1]).titled("r", "t").svg
    ticks = re.findall(r'text-anchor: middle[^>]*x="([\d.]+)"[^>]*>(0\.5|1|2)<', drawn)
    (a, _), (b, _), (c, _) = sorted(ticks, key=lambda t: float(t[1]))
    assert float(b) - float(a) == pytest.approx(float(c) - float(b), abs=0.01)
    assert [t for _, t in ticks] == ["0.5", "1", "2"]
    (row,) = forest.data_for([Line("endless", endless)], RATIOS)
    assert row.number == "3.00 (under 0.01 to ∞)"
    wide = forest.draw_figure([row], scale=RATIOS, look=LOOKS[1]).titled("r", "t").svg
    assert "nan" not in wide
    assert re.findall(r"text-anchor: middle[^>]*>([\d.]+)<", wide) == ["0.01", "0.1", "1", "10", "100"]


def test_an_answer_says_what_it_counts():
    n = counts(11, 11, (10, 10))
    score = estimate("pain_shift", "buffered - plain", -8.0, -15.5, 0.5, "mm", n)
    wait = estimate("rmst_difference", "buffered - plain", -1.0, -2.0, 0.5, "min", n)
    both = [dataclasses.replace(e, assumptions=(PATIENTS,)) for e in (score, wait)]
    counted = [counted_in(e) for e in (score, wait, *both)]
    assert counted == [
        (20, "score"),
        (22, "case"),
        (10, "patient"),
        (11, "patient"),
    ]


def test_every_choice_of_the_plan_tells_the_main_outcome_of_its_own_cases():
    """Pain is the main outcome: 60 against 40 in all cases, whichever way the cold tests are read."""
    promised = protocol(plan={"primary": "pain_difference", "sensitivity": ("confirmations_1",)}, looks=None)
    arms = ["plain", "buffered"] * 6
    cases = [case(n, arm, pain_deposition=str((60 if arm == "plain" else 40) + n % 3)) for n, arm in enumerate(arms, 1)]
    found = analyse(promised, records(cases, [r for n in range(1, 13) for r in readings_of(n, "fnn")], promised))
    assert [v.code for v in found.sensitivity] == ["main", "confirmations_1"]
    for varied in found.sensitivity:
        assert varied.main_difference.estimate == pytest.approx(found.claims.primary().answer.estimate)
        assert varied.difference("pain_difference") is varied.main_difference
    # Where it is one of the three that every choice tells, it is told once.
    usual = analyse(protocol(plan={"sensitivity": ("confirmations_1",)}, looks=None),
                    records(cases, [r for n in range(1, 13) for r in readings_of(n, "fnn")], promised))  # fmt: skip
    assert {v.main_difference for v in usual.sensitivity} == {None}
