"""What is asked of a case at the chair: everything that is recorded there, and what the allocation rests on."""

from __future__ import annotations

import dataclasses

import pytest

from onsetstudy.chairside.case_flow import case_state
from onsetstudy.chairside.views import setup_view
from onsetstudy.design.allocation.lists import draw_allocation_list
from onsetstudy.files.sealed.allocation_list import write_allocation
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.recorded import read_store
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.files.store import EventStore
from onsetstudy.protocol.keys import STRATA
from onsetstudy.records.chair.case_questions import AFTER, BEFORE, NOT_ASKED, asked_before, question_of
from onsetstudy.records.chair.event_kinds import ENTERED
from tests.case_codes import new_case_code
from tests.chairside.asgi import CASE, PATIENT, Study
from tests.chairside.chair import Chair, quick_audit, quick_block
from tests.chairside.test_day import NAMES
from tests.chairside.test_server import OPENED
from tests.records.chair.test_event_log import Page

BLOCK = read_protocol("protocols/mandibular_block_group.toml")
AUDIT = read_protocol("protocols/infiltration_audit.toml")


def stratified_by(*columns):
    """The block study, its allocation stratified by these columns."""
    eligible = dataclasses.replace(
        BLOCK.eligibility,
        procedures=("filling", "crown"),
        agents=("lidocaine", "articaine"),
        pulp_status=("normal", "irreversible_pulpitis"),
    )
    rule = dataclasses.replace(BLOCK.allocation, strata=(*columns, "practice_id"))
    return dataclasses.replace(BLOCK, eligibility=eligible, allocation=rule)


def test_whatever_is_recorded_at_the_chair_is_asked_or_named_as_not_asked():
    assert set(ENTERED) == set(BEFORE) | set(AFTER) | set(NOT_ASKED)
    assert len(ENTERED) == len(BEFORE) + len(AFTER) + len(NOT_ASKED)


@pytest.mark.parametrize("column", [name for name in STRATA if name != "practice_id"])
def test_whatever_the_allocation_is_stratified_by_has_to_be_answered(column):
    protocol = stratified_by(column)
    assert column in asked_before(protocol)
    assert question_of(column, protocol).required


@pytest.mark.parametrize("path", [BLOCK, AUDIT], ids=["block", "audit"])
def test_of_the_topical_anaesthetic_it_is_asked_which_one_and_need_not_be_known(path):
    question = question_of("topical", path)
    assert question.answers == (
        ("none", "none"),
        ("benzocaine", "benzocaine"),
        ("lidocaine", "lidocaine"),
        ("lidocaine_prilocaine", "lidocaine with prilocaine"),
        ("other", "other"),
    )
    assert not question.required
    asked = [q.name for q in setup_view(path, role="alone", practice="P01", practising=False).before]
    assert asked.index("cartridge_ml") < asked.index("topical") < asked.index("age_band")


def test_a_slip_is_opened_at_the_chair_where_the_allocation_is_stratified_by_the_topical_anaesthetic(tmp_path):
    protocol = stratified_by("technique", "topical")
    drawn = draw_allocation_list(protocol, slips_per_stratum=4, seed=7)
    paths = write_allocation(drawn, tmp_path / "keeper", seed=7)
    study = Study(protocol, tmp_path, sealed=next(p for p in paths if p.name == "sealed-P01.json"))
    tester, mixer = study.browser("tester"), study.browser("mixer")
    asked = {q["name"]: [code for code, _ in q["answers"]] for q in tester.get("/api/setup").json()["before"]}
    opened = {name: OPENED[name] if name in OPENED else answers[-2:][0] for name, answers in asked.items() if answers}
    assert tester.tap("case_opened", {**opened, "patient_id": PATIENT, "tooth": "46"})["state"] == "written"
    for role in ("target", "control"):
        tester.tap("baseline", {"tooth_role": role, "response": "felt"})
    got = mixer.post("/api/mixing/slip", {"case_id": CASE, "by": "P01-M"})
    assert got.status == 200, got.body
    stratum = {slip.slip: slip.stratum for slip in drawn.slips}[got.json()["slip"]]
    assert stratum == "P01 | ianb | lidocaine_prilocaine"
    study.close()


def audited(folder, **opened):
    """A recorder of the audit with one case, opened with these answers and injected; its overview, and its store."""
    study, page, case = Study(AUDIT, folder, practice="P06"), Page(), new_case_code("P06", lambda n: 7)
    patient = new_case_code("P06", lambda n: 3)
    told = {**OPENED, "patient_id": patient, "tooth": "16", "technique": "buccal_infiltration", **opened}
    page.anchor()
    for kind, payload in (
        ("case_opened", told),
        ("baseline", {"tooth_role": "target", "response": "felt"}),
        ("injection_start", {}),
        ("injection_end", {}),
        ("test", {"planned_min": 1, "tooth_role": "target", "response": "not_felt"}),
        ("closed", {}),
    ):
        page.tap(kind, payload, case_id=case)
        page.wait(30)
    browser = study.browser("alone")
    sent = browser.post("/api/entries", {"entries": [{name: getattr(e, name) for name in NAMES} for e in page.events]})
    assert {answer["state"] for answer in sent.json()["entries"]} == {"written"}
    kept = browser.entry("preparation", {"arm": "plain", "volume_ml": 1.8, "reason": "entered late"}, case_id=case)
    ready = browser.entry("prepared", case_id=case)
    assert browser.post("/api/mixing/prepared", {"preparation": kept, "prepared": ready}).status == 200
    overview = browser.get("/api/overview").json()
    study.close()
    return overview, study.path


def test_the_answer_stands_in_the_records(tmp_path):
    _, store = audited(tmp_path, topical="benzocaine")
    records = read_records(store, AUDIT)
    assert records.problems == ()
    assert records.cases["topical"].tolist() == ["benzocaine"]


def test_a_store_without_the_question_is_read_as_before(tmp_path):
    overview, store = audited(tmp_path)
    ((_, missing),) = overview["incomplete"]
    assert "age_band" in missing
    assert "topical" not in missing
    assert read_store(store).cases.frame["topical"].isna().all()
    records = read_records(store, AUDIT)
    assert records.problems == ()
    assert records.cases["topical"].isna().tolist() == [True]


def injected(**opened):
    """Entries of a case that was opened with these answers, and injected."""
    page = Page()
    page.tap("case_opened", {"tooth": "46", "technique": "ianb", "patient_id": PATIENT, **opened}, case_id=CASE)
    for kind in ("injection_start", "injection_end"):
        page.tap(kind, case_id=CASE)
    return page.events


def test_a_question_that_was_skipped_is_missing_and_one_that_an_earlier_recorder_had_not_is_none():
    skipped = case_state(CASE, injected(topical=None, age_band=None), BLOCK, day_of=str).missing
    assert {"topical", "age_band"} <= set(skipped)
    earlier = case_state(CASE, injected(), BLOCK, day_of=str).missing
    assert "age_band" in earlier
    assert "topical" not in earlier
    assert "topical" not in case_state(CASE, injected(topical="none"), BLOCK, day_of=str).missing


def opened_in(store):
    """What was entered when the last case was opened."""
    with EventStore(store) as read:
        return [e.payload for e in read.events() if e.kind == "case_opened"][-1]


def test_on_the_page_it_is_asked_of_every_case_anew_and_what_is_skipped_is_kept_as_skipped(tmp_path, serve, context):
    server = serve(quick_audit(tmp_path))
    chair = Chair(context().new_page(), server.addresses["alone"])
    asked = []

    def open_case(topical):
        chair.button("New case").click()
        while "before the injection" not in chair.heading:
            asked.append(chair.heading)
            if chair.heading == "Topical anaesthetic before the needle":
                chair.button(topical).click()
            elif chair.heading == "As last time?":
                assert "benzocaine" not in chair.page.inner_text("main")
                chair.button("Yes, as last time").click()
            elif chair.page.locator("input#clinician_id").count():
                chair.page.fill("input#clinician_id", "P06-A")
                chair.button("Next").click()
            elif chair.heading in ("Its concentration, %", "Weight, kg"):
                chair.button("Skip").click()
            else:
                named = chair.button("New patient").or_(chair.button("tooth 16", exact=True))
                named.or_(chair.page.locator(".choices button")).first.click()
        chair.answer("felt")
        chair.wait_until_written()
        return opened_in(server.store)

    first, second, third = open_case("benzocaine"), open_case("none"), open_case("Skip")
    assert [one["topical"] for one in (first, second, third)] == ["benzocaine", "none", None]
    assert [one["weight_kg"] for one in (first, second, third)] == [None] * 3
    assert asked.count("Topical anaesthetic before the needle") == 3
    assert asked.count("As last time?") == 2
    # What was skipped is nothing to be remembered: it is asked again, and not taken for the same as last time.
    assert asked.count("Its concentration, %") == 3
    assert chair.errors == []


def test_what_decides_the_slip_cannot_be_skipped_on_the_page(tmp_path, serve, context):
    path = quick_block(tmp_path)
    path.write_text(path.read_text().replace('strata = ["technique"', 'strata = ["technique", "topical"'))
    server = serve(path, "--practice", "P01", "--practise")
    chair = Chair(context().new_page(), server.addresses["tester"])
    chair.button("New case").click()
    for _ in range(40):
        if chair.heading == "Topical anaesthetic before the needle":
            break
        tooth = chair.button("tooth 33" if "control" in chair.heading else "tooth 46", exact=True)
        tooth.or_(chair.button("New patient")).or_(chair.page.locator(".choices button")).first.click()
    chair.expect("Topical anaesthetic")
    assert chair.button("Skip").count() == 0
    assert chair.button("Back").count() == 1
