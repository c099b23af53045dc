"""Published results are chosen by technique alone, and the words say what else differs."""

from __future__ import annotations

import dataclasses

import pandas as pd
import pytest

from onsetstudy.core.results import NotAvailable
from onsetstudy.core.serialise import from_dict
from onsetstudy.files.sources.dated_tables import read_published_ranges
from onsetstudy.study.topics.published import context_of
from tests.report.samples import counts, population, rich
from tests.study.cases import protocol

TABLE = read_published_ranges()


def cases(techniques=("ianb",), agents=("lidocaine",)):
    rows = [{"technique": t, "agent": a} for t in techniques for a in agents]
    return pd.DataFrame(rows, columns=["technique", "agent"])


def made(techniques=("ianb",), agents=("lidocaine",), promised=None, table=TABLE):
    overall = population("All cases", "overall", "all", counts(40, 40, (36, 38)))
    return context_of((overall,), cases(techniques, agents), promised or protocol(), table)


def shown(context, outcome):
    panel = next(p for p in context.panels if p.outcome == outcome)
    return {r.id for g in panel.groups for r in (*g.drawn, *g.listed)}


def test_results_of_the_technique_are_chosen_whatever_they_found():
    context = made()
    chosen = {i for outcome in ("onset", "success", "pain") for i in shown(context, outcome)}
    of_technique = {r.id for r in TABLE.ranges if "ianb" in r.techniques}
    assert chosen == of_technique
    assert {r.finding for r in TABLE.ranges if r.id in chosen} >= {"sooner", "no_difference", "less_pain"}


def test_every_result_of_the_table_is_shown_or_counted():
    for techniques in (("ianb",), ("buccal_infiltration",), ("ianb", "buccal_infiltration"), ("psa",)):
        context = made(techniques)
        told = sum(len(shown(context, p.outcome)) + p.other for p in context.panels)
        assert told == len(TABLE.ranges)


def test_two_techniques_stand_apart_with_their_own_estimates():
    results = rich()
    context = context_of(
        (results.overall, *results.by_technique), cases(("ianb", "mental_incisive")), protocol(), TABLE
    )
    groups = {g.technique: g for g in context.panels[0].groups}
    assert groups["ianb"].own.estimate == pytest.approx(-2.2)
    assert isinstance(groups["mental_incisive"].own, NotAvailable)
    assert groups["mental_incisive"].drawn == ()
    assert from_dict(context.to_dict()) == context


def test_a_technique_without_its_own_analysis_has_no_estimate_of_all_cases():
    context = made(("ianb", "psa"))
    own = {g.technique: g.own for g in context.panels[0].groups}
    assert all(isinstance(e, NotAvailable) for e in own.values())
    assert own["psa"].reason == "this technique was not analysed by itself"


def test_the_share_numb_is_turned_and_in_points_of_a_hundred():
    panel = next(p for p in made().panels if p.outcome == "success")
    [group] = panel.groups
    assert group.own.estimate == pytest.approx(0.04)
    assert (group.own.interval.low, group.own.interval.high) == pytest.approx((-0.02, 0.1))
    assert panel.own_factor == 100


def test_pain_is_stretched_openly_or_not_at_all():
    promised = protocol()
    eleven = dataclasses.replace(promised.pain.instrument, scale="nrs11", high=10.0, unit="points")
    panel = made(promised=protocol(pain={"instrument": eleven})).panels[-1]
    assert panel.own_factor == 10
    assert panel.own_scaled == "your scale of 0 to 10 stretched to 0 to 100 for drawing"
    words = dataclasses.replace(promised.pain.instrument, scale="vrs4", high=3.0, unit="points")
    group = made(promised=protocol(pain={"instrument": words})).panels[-1].groups[0]
    assert isinstance(group.own, NotAvailable)
    assert group.own.reason == "four words have no place on a line from 0 to 100"
    assert made().panels[-1].own_scaled == ""


def test_pain_of_treatment_is_not_set_beside_pain_of_injections():
    assert [p.outcome for p in made(promised=protocol(pain={"moment": "treatment"})).panels] == ["onset", "success"]


def test_the_words_count_what_differs():
    words = " ".join(made().words)
    n = sum("ianb" in r.techniques for r in TABLE.ranges)
    assert f"{n} published results share a technique with these cases, whatever they found." in words
    assert "tested by cold" in words
    assert "electric pulp tester" in words
    assert "used another anaesthetic" not in words
    articaine = " ".join(made(agents=("articaine",)).words)
    assert "used another anaesthetic than these cases (lidocaine)" in articaine
    audit = " ".join(made(promised=protocol("infiltration_audit")).words)
    assert "Most published arms were allocated at random; yours were not." in audit


def test_nothing_published_is_said():
    context = made(("intraosseous",))
    assert context.words == ("No published result in the table shares a technique with these cases.",)
    assert all(not g.drawn for p in context.panels for g in p.groups)
