"""The section about time says what the numbers say, and no more."""

import dataclasses
import re

import numpy as np
import pytest

from onsetstudy.core.claims import Look
from onsetstudy.outcomes.chair_time import compare_chair_time, hours_and_money
from onsetstudy.report.figures import visit
from onsetstudy.report.numbers import MINUS
from onsetstudy.report.sections.main.chair_time import chair_section
from onsetstudy.study.answer.claims import claim_of
from tests.outcomes.test_chair_time import PRICES, drawn, seen
from tests.study.cases import protocol

PROMISED = protocol()
LABELS = {"plain": "plain", "buffered": "buffered"}


def chair(records, prices=PRICES):
    names = np.array(["plain", "buffered"])
    stages = (
        ("seated to needle", np.full(len(records.arm), 8.0)),
        ("wait", records.wait_min),
        ("treatment", np.full(len(records.arm), 30.0)),
    )
    moved = type(records)(
        arm=names[(records.arm == "b").astype(int)],
        stages=stages,
        **{f: getattr(records, f) for f in ("wait_min", "at_least", "mixing_min", "wait_used", "patient", "visit_min")},
    )
    return compare_chair_time(moved, prices, reference_arm="plain", contrast_arm="buffered")


def section_of(found):
    """The section, told from the claim about the same numbers."""
    claim = claim_of(
        "chair_time_difference", found.difference, PROMISED, population=f"{found.n.cases} cases", known=found.n
    )
    return chair_section(found, PROMISED, claim)


def words(section):
    return " ".join(b.text for b in section.blocks if b.kind == "paragraph")


@pytest.mark.parametrize(
    ("gain", "said"),
    [
        (4.0, "were saved with buffered against not buffered injections"),
        (1.0, "cases cannot tell whether any time is given back once mixing is paid for."),
        (-3.0, "were lost with buffered against not buffered injections"),
    ],
)
def test_the_sentence_follows_the_interval(gain, said):
    found = chair(drawn(200, gain=gain))
    assert said in words(section_of(found))


def test_time_lost_is_not_called_saved():
    found = chair(drawn(200, gain=-3.0))
    said = words(section_of(found))
    assert "minutes a case were lost" in said
    assert "saved with" not in said
    hours = found.hours_month.interval
    assert hours.high < 0
    assert f"that is from {-hours.low:.1f} hours lost to {-hours.high:.1f} hours lost a month" in said
    assert "if the minutes saved can be used" not in said


def test_nothing_to_say():
    assert chair_section(None, PROMISED, None) is None
    section = section_of(chair(seen([5.0, 6.0], ["a", "a"])))
    assert (
        "The difference in chair time, mixing included cannot be estimated: it takes 2 recorded times in each arm."
        in words(section)
    )


def test_the_line_of_a_visit_holds_the_medians():
    found = chair(drawn())
    plain = visit.data_for(found)["plain"]
    assert [bar.start for bar in plain] == pytest.approx([0, 8, 8 + plain[1].minutes])
    drawing = visit.draw_figure(found, LABELS).titled("timeline", "How?")
    assert f"plain: seated to needle 8.0, wait {plain[1].minutes:.1f}, treatment 30.0" in drawing.alt
    assert drawing.svg == visit.draw_figure(found, LABELS).titled("timeline", "How?").svg
    # On a narrow page the wait stands in one line with its arm, and not over it.
    waits = f"wait {plain[1].minutes:.1f}"
    assert [text for text in re.findall(r">([^<>]*)</text>", str(drawing.svg)) if waits in text] == [waits]
    assert f">plain, {waits}</text>" in str(drawing.narrow)


def test_costs_that_nobody_stated_are_not_in_the_table():
    bare = type(PRICES)(cases_per_month=5)
    table = next(b for b in section_of(chair(drawn(), bare)).blocks if b.kind == "table")
    assert not any("cost" in row[0] or "material" in row[0] for row in table.rows if "mixing" not in row[0])


def test_the_table_says_where_the_limits_of_hours_and_money_come_from():
    table = next(b for b in section_of(chair(drawn(20))).blocks if b.kind == "table")
    assert "hours and money carry the limits of the minutes saved" in table.notes[-1]


def test_hours_and_money_say_no_direction_that_the_minutes_withhold():
    once = chair(drawn(200, gain=2.0))
    narrow = claim_of("chair_time_difference", once.difference, PROMISED, population="200 cases", known=once.n)
    assert narrow.bears.side == 1
    assert "hours a month (" in words(chair_section(once, PROMISED, narrow))
    look = Look(
        number=1, planned=4, label="2026Q1", code="continue", side=0, counted=50, planned_count=350, unit="onsets",
        critical=30.0,
    )  # fmt: skip
    wide = claim_of("chair_time_difference", once.difference, PROMISED, population="200 cases", known=once.n, look=look)
    assert wide.bears.side == 0
    found = dataclasses.replace(once, **hours_and_money(wide.answer, PRICES, mixes=True))
    factor = found.cases_per_month / 60
    low, high = wide.answer.interval.low, wide.answer.interval.high
    np.testing.assert_allclose(
        (found.hours_month.interval.low, found.hours_month.interval.high), (-high * factor, -low * factor)
    )
    section = chair_section(found, PROMISED, wide)
    assert f"that is from {high * factor:.1f} hours lost to {-low * factor:.1f} hours saved a month" in words(section)
    table = next(b for b in section.blocks if b.kind == "table")
    assert f"{-high:.1f} to {-low:.1f}".replace("-", MINUS) in str(table)
    assert "the other limits not allowing for the interim analyses" in str(table)
