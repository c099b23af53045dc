"""No number of the cold tests stands on the first page while the testing cannot bear it; harms and pain stay."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from onsetstudy.design.interim.results import GatedLook
from onsetstudy.protocol.ledger import make_entry
from onsetstudy.protocol.ledger import sentence as sentence_of
from onsetstudy.records.derived.results import SHUTS
from onsetstudy.records.validity.gates import COUNTED
from onsetstudy.report.claims_told import answer_line
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.figures import canvas, interim
from onsetstudy.report.sections.appendix.interim import looks_section
from onsetstudy.report.sections.main.records import REASONS, WORDS, doubt_words
from onsetstudy.report.sentences import sentence
from onsetstudy.study.answer.claims import DOUBTED
from onsetstudy.study.practice.analyse import analyse
from onsetstudy.study.practice.interim_on_record import as_taken, new_looks
from tests.study import demo

pytestmark = pytest.mark.usefixtures("unpainted")

PROTOCOL = demo.of_all_cases_alone(demo.PROTOCOL)


def with_control_lost(records):
    """Control readings without feeling whenever the target had none, as in a field that covers both teeth."""
    readings = records.readings.copy()
    target = readings[readings["tooth_role"] == "target"].set_index("case_id")
    numb = target[target["response"] == "not_felt"].groupby("case_id")["minute"].min()
    near = (readings["tooth_role"] == "control") & (readings["minute"] >= readings["case_id"].map(numb) - 0.05)
    readings.loc[near, "response"] = "not_felt"
    return dataclasses.replace(records, readings=readings)


@pytest.fixture(scope="module")
def honest():
    return analyse(PROTOCOL, demo.records(), without_list="tried out")


@pytest.fixture(scope="module")
def shut():
    return analyse(PROTOCOL, with_control_lost(demo.records()), without_list="tried out")


def page_one(results):
    section = compose(results).sections[0]
    texts = []
    for block in section.blocks:
        texts += [getattr(block, name, "") for name in ("seen", "allows", "text", "caption", "alt", "svg")]
        texts += list(getattr(block, "texts", ()))
    return " ".join(t for t in texts if t)


def test_an_honest_study_is_shown(honest):
    assert honest.doubts == ()
    assert "not shown" not in page_one(honest)
    assert [b.kind for b in compose(honest).sections[0].blocks].count("figure") == 2


def test_a_control_lost_with_the_target_shuts_the_claim(shut):
    [doubt] = [d for d in shut.doubts if d.code == "control_lost"]
    claim = shut.claims.primary()
    assert claim.answer.code == "withheld"
    text = page_one(shut)
    assert text.startswith("No answer is shown: the cold tests cannot bear it")
    assert "was it inside the numb field?" in text
    assert "smaller than half a minute" not in text
    assert "sooner" not in text
    # Apart from the counts of the doubt, pain on its scale and the sample, no digit is left.
    assert not [b for b in compose(shut).sections[0].blocks if b.kind == "figure"]
    assert answer_line(shut.claims, PROTOCOL).startswith("No answer is shown")
    for _, n in doubt.counts:
        assert str(n) in text
    assert shut.safety is not None


def test_a_curve_that_page_one_keeps_back_stands_with_the_statistician(honest, shut):
    def curves(results):
        return [s.id for s in compose(results).sections for b in s.blocks if getattr(b, "name", "") == "curves"]

    assert curves(shut) == ["statistician"]
    assert curves(honest) == ["answer"]


BESIDE = ("pain_difference", "pain_shift", "chair_time_difference")


def test_a_shut_gate_makes_no_other_claim_bolder(honest, shut):
    for key in BESIDE:
        open_one, beside = (found.claims.get(key) for found in (honest, shut))
        spans = [claim.answer.interval for claim in (open_one, beside)]
        assert spans[1].low <= spans[0].low + 1e-3, key
        assert spans[1].high >= spans[0].high - 1e-3, key
        assert abs(beside.bears.side) <= abs(open_one.bears.side)
        assert beside.alone == open_one.alone


@pytest.mark.parametrize("gate", ["honest", "shut"])
def test_hours_follow_the_minutes_with_the_allowance_for_interim_analyses(gate, request):
    found = request.getfixturevalue(gate)
    minutes, hours = found.claims.get("chair_time_difference").answer.interval, found.chair_time.hours_month.interval
    factor = found.chair_time.cases_per_month / 60
    assert (hours.low, hours.high) == pytest.approx((-minutes.high * factor, -minutes.low * factor))
    assert found.with_looks(found.looks) == found
    alone = found.with_looks(None).chair_time.hours_month.interval
    assert hours.low < alone.low < alone.high < hours.high


def test_a_gated_look_counts_and_decides_nothing(honest, shut):
    assert [v.label for v in shut.looks.verdicts] == [v.label for v in honest.looks.verdicts]
    assert {v.code for v in shut.looks.verdicts} == {"gated"}
    assert all(v.alpha_spent > 0 and np.isnan(v.z) and not v.direction for v in shut.looks.verdicts)
    assert not any(isinstance(look, GatedLook) for look in honest.looks.seen)
    text = str(looks_section(shut.looks, PROTOCOL))
    assert "its part of the error rate is spent" in text
    assert all(f"z {look.z:.2f}" not in text for look in shut.looks.seen)
    assert page_one(shut).startswith("No answer is shown")
    assert "This interim analysis counts all the same." in page_one(shut)


def test_looks_that_were_all_gated_can_be_drawn(shut):
    """Their boundaries are: no score stands beside them."""
    drawn = interim.draw_figure(shut.looks, look=canvas.look_of("buffered", PROTOCOL.arm_codes))
    with canvas.canvas(6.0, 3.0) as figure:
        interim.draw(shut.looks, figure.add_subplot(), look=canvas.look_of("buffered", PROTOCOL.arm_codes))
    assert "as the cold tests could not bear an answer" in drawn.alt


def test_a_gated_look_is_entered_as_gated_and_stands_once_the_records_are_right(honest, shut):
    quarter, entries = shut.quarter, ()

    def entered(found):
        told = new_looks(found.looks, PROTOCOL, entries, by="practice", records="r", quarter=quarter)
        return (*entries, *(make_entry(entries, kind, body, at="2026-10-01T09:00:00+00:00") for kind, body in told))

    entries = entered(shut)
    assert [e.body["quarter"] for e in entries] == [v.label for v in shut.looks.verdicts]
    last = sentence_of(entries[-1])
    assert "gated, as the cold tests could not bear an answer; its alpha counts as spent" in last
    assert "z " not in last
    assert entered(shut) == entries
    kept = as_taken(honest.looks, PROTOCOL, entries, by="practice", quarter=quarter)
    assert {v.code for v in kept.verdicts} == {"gated"}
    assert "cold tests that cannot bear an answer" in " ".join(c.text for c in kept.caution)
    later = honest.with_looks(kept).claims.primary()
    assert later.bears.side == 0
    assert "the cold tests could not bear an answer, so that nothing was decided" in sentence(later, PROTOCOL).seen


def test_teeth_tested_once_at_numbness_are_told_and_not_taken_for_teeth_that_stay_awake():
    records = demo.records()
    readings = records.readings
    numb = readings[(readings["tooth_role"] == "target") & (readings["response"] == "not_felt")]
    until = readings["case_id"].map(numb.groupby("case_id")["minute"].min()).fillna(np.inf)
    once = analyse(
        PROTOCOL, dataclasses.replace(records, readings=readings[readings["minute"] <= until]), without_list="tried out"
    )
    text = page_one(once)
    assert "were not felt at their last test and not tested again. An onset takes 2 such tests in a row" in text
    assert "No answer is shown: the cold tests cannot bear it: most teeth that stopped feeling were not tested" in text
    assert "were felt and not felt taken for each other" not in text
    assert not re.search(r"\d\s%\s(of|numb)", text)


def test_what_only_qualifies_stands_beside_the_number(honest):
    from onsetstudy.records.derived.results import QUALIFIES, Doubt

    late = Doubt(
        code="off_schedule_positive",
        effect=QUALIFIES,
        p_value=0.001,
        counts=(("numb", 12), ("expected", 4), ("tests", 20)),
    )
    doubted = dataclasses.replace(honest, doubts=(late,))
    text = page_one(doubted)
    assert "Of 20 tests off schedule 12 found the tooth numb, where about 4 would be expected" in text
    assert doubted.claims.primary().answer == honest.claims.primary().answer


def test_every_doubt_has_its_sentence():
    assert set(COUNTED) == set(WORDS) == set(REASONS)
    for code, (effect, names) in COUNTED.items():
        assert (code in DOUBTED) == (effect == SHUTS)
        assert len(set(re.findall(r"\{(\d)\}", WORDS[code]))) == len(names)
    assert doubt_words(()) == []


def test_no_figure_of_the_tests_is_left_on_a_shut_first_page(shut):
    text = page_one(shut)
    pain = sentence(shut.claims.get("pain_difference"), PROTOCOL).text
    rest = text.replace(pain, "")
    for words in doubt_words(shut.doubts):
        assert words in rest
        rest = rest.replace(words, "")
    assert not re.search(r"\d\.\d|\d\u202f%|\d min", rest), rest
