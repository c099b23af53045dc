"""The group that looks whenever it likes: evidence from the list's blocks, and words when there is none."""

import dataclasses

import pytest

from onsetstudy.design.allocation.lists import draw_allocation_list
from onsetstudy.design.trials.demo_tables import simulate_study
from onsetstudy.design.trials.trial_model import DEMO
from onsetstudy.records.derived.allocation import KeptList, as_allocated, block_of
from onsetstudy.report.sections.appendix.interim import anytime_first_page, anytime_section, anytime_words
from onsetstudy.study.practice.cautions import study_cautions
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.study.topics.e_values import anytime_looks
from tests.records.checks.test_corpus import raw
from tests.study.cases import analyse, case, protocol, readings_of, records


def promised(**study):
    made = protocol(plan={"sensitivity": ()})
    looks = dataclasses.replace(made.looks, boundary="anytime", futility="none")
    return dataclasses.replace(made, looks=looks, study=dataclasses.replace(made.study, **study))


@pytest.fixture(scope="module")
def invented():
    from onsetstudy.records.checks.check import check_records

    made = promised()
    strong = tuple(
        dataclasses.replace(t, hazard_ratio=2.5, never_plain=0.05, never_buffered=0.05) for t in DEMO.techniques
    )
    study = simulate_study(dataclasses.replace(DEMO, techniques=strong), made, seed=11, n_cases=160)
    tables = [raw(t, f"{n}.csv") for t, n in ((study.cases, "cases"), (study.cold_tests, "cold_tests"))]
    found = check_records(*tables, made)
    kept = KeptList(listed=study.allocation.to_frame())
    data, _ = prepare(made, as_allocated(found, kept), through=made.quarters[-1])
    return made, data, kept


def test_a_strong_effect_crosses(invented):
    made, data, kept = invented
    taken = anytime_looks(data, kept, made.quarters[-1])
    assert taken.crossed_at is not None
    assert taken.looks[-1].highest >= 20
    said = anytime_words(taken, made)
    assert f"Boundary crossed after {taken.crossed_at} cases: buffered teeth were numb sooner" in said
    assert anytime_first_page(taken, made) == (
        f"After {taken.crossed_at} cases the evidence was strong enough, however often one has looked: buffered teeth "
        "were numb sooner than not buffered ones."
    )
    early = anytime_first_page(dataclasses.replace(taken, crossed_at=None), made)
    assert early.startswith("The evidence is not strong enough yet")
    assert " to 1" not in early
    assert [x.cases for x in taken.looks] == sorted(x.cases for x in taken.looks)
    assert taken.looks[-1].cases == len(data)
    section = anytime_section(taken, made)
    assert "No limits of this kind are given for the hazard ratio" in section.blocks[1].notes[0]


def test_every_case_is_in_the_block_of_its_slip(invented):
    made, data, kept = invented
    block = block_of(data.frame, kept.listed)
    assert block.notna().all()
    sizes = block.value_counts()
    assert sizes.max() <= max(made.allocation.block_sizes)
    whole = draw_allocation_list(made, slips_per_stratum=8, seed=1).to_frame()
    parts = whole.groupby(["stratum", "block"])["arm"].agg(lambda a: (a == "buffered").mean())
    assert (parts == 0.5).all()


def test_cases_without_a_slip_are_left_out_and_counted(invented):
    made, data, kept = invented
    frame = data.frame.copy()
    frame.loc[:2, "allocation_slip"] = None
    taken = anytime_looks(dataclasses.replace(data, frame=frame), kept, made.quarters[-1])
    assert "3 cases have no slip on the list" in taken.caution[0].text
    assert taken.looks[-1].cases == len(data) - 3


def test_without_chance_or_list_there_is_no_test(invented):
    made, data, kept = invented
    assert "the list of slips was not given" in anytime_words(anytime_looks(data, None, made.quarters[-1]), made)
    audit = promised(allocation="clinician_choice", design="audit")
    chosen = dataclasses.replace(data, protocol=audit)
    said = anytime_words(anytime_looks(chosen, kept, made.quarters[-1]), audit)
    assert "arms were not drawn by chance" in said
    plain = protocol()
    assert anytime_looks(dataclasses.replace(data, protocol=plain), kept, made.quarters[-1]) is None
    assert anytime_section(None, plain) is None


def test_intervals_are_not_said_to_allow_for_looks_that_no_boundary_counts():
    # The answers' intervals are those of one look, whatever the sequential test allows for.
    made = promised()
    cases = [case(n, ("plain", "buffered")[n % 2], case_date=f"2026-0{5 + 3 * (n % 3 == 0)}-03") for n in range(1, 25)]
    found = analyse(made, records(cases, [r for n in range(1, 25) for r in readings_of(n, "fffnn")], made))
    assert found.looks is None

    def told(results):
        return next(c.text for c in study_cautions(results) if c.code == "repeated_looks")

    assert told(found) == "Looked at 2 times, once a quarter; the limits make no allowance for that."
    tested = dataclasses.replace(found, anytime=dataclasses.replace(found.anytime, test="a test"))
    assert told(tested) == (
        "Looked at 2 times: the sequential test and its own limits allow for that, the answers' intervals do not."
    )
