"""Training of those who test: one recorded sequence, each alone, and how far two agree."""

from __future__ import annotations

import dataclasses

import pytest

from onsetstudy.chairside.views import TrainingView
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.records.chair.training import following_sequence, moments_of
from tests.chairside.asgi import Study
from tests.chairside.chair import Chair, at_sizes, look_at, quick_block
from tests.chairside.test_screening import events

MOMENTS = moments_of("A1")
FIRST = ["felt" if m.kind == "felt" else "not_felt" for m in MOMENTS]
DOUBTED = [k for k, m in enumerate(MOMENTS) if m.kind == "doubtful"][:3]
SECOND = ["felt" if k in DOUBTED else told for k, told in enumerate(FIRST)]


@pytest.fixture
def practice(tmp_path):
    made = Study(read_protocol("protocols/mandibular_block_group.toml"), tmp_path)
    made.recorder.practising = True
    yield made
    made.close()


def trained(moment, response, assessor="P01-A", **more):
    return {"assessor": assessor, "sequence": "A1", "moment": moment, "response": response, **more}


def answer_all(browser, assessor, responses, sequence="A1"):
    for moment, response in enumerate(responses, start=1):
        told = trained(moment, response, assessor, sequence=sequence)
        assert browser.tap("trained", told, case_id=None, key=f"{assessor}-{sequence}-{moment}")["state"] == "written"


def test_training_belongs_to_practice(practice):
    practice.recorder.practising = False
    browser = practice.browser("tester")
    assert browser.get("/api/training").status == 409
    assert browser.tap("trained", trained(1, "felt"), case_id=None)["state"] == "refused"
    assert practice.store.last() == 0


def test_nobody_is_told_anothers_answers_before_giving_all_of_their_own(practice):
    first, second = practice.browser("tester"), practice.browser("treating")
    answer_all(first, "P01-A", FIRST)
    answer_all(second, "P01-B", SECOND[:-1])
    before = second.get("/api/training?assessor=P01-B&sequence=A1").json()
    assert set(before) == {f.name for f in dataclasses.fields(TrainingView)}
    assert (before["finished"], before["agreements"], before["next_step"]) == (False, [], "")
    assert before["moments"] == [m.shown for m in MOMENTS]
    # Whoever has finished is not told of one who has not: the two could talk.
    assert first.get("/api/training?assessor=P01-A").json()["agreements"] == []
    for answer in second.seen:
        assert b"P01-A" not in answer.body
    assert second.get("/api/chair?after=0").json()["entries"] == []
    assert second.get("/api/chair?after=1").json()["entries"] == []
    answer_all(second, "P01-B", SECOND[:1], sequence="A2")  # another sequence finishes nothing
    assert not second.get("/api/training?assessor=P01-B&sequence=A1").json()["finished"]
    second.tap("trained", trained(len(MOMENTS), SECOND[-1], "p01-b"), case_id=None)
    told = second.get("/api/training?assessor=p01-b&sequence=A1").json()
    (pair,) = told["agreements"]
    assert (pair["first"], pair["second"], pair["alike"], pair["n"]) == ("P01-A", "P01-B", 21, 24)
    assert [m["moment"] for m in pair["apart"]] == [k + 1 for k in DOUBTED]
    assert pair["beyond_chance"]["kappa"] == pytest.approx(1 - (3 / 24) / (1 - (8 * 11 + 16 * 13) / 24**2))
    assert "A2" in told["next_step"]


def test_a_corrected_answer_holds_and_is_sent_to_no_other_page(practice):
    first, second = practice.browser("tester"), practice.browser("treating")
    answer_all(first, "P01-A", FIRST)
    answer_all(second, "P01-B", FIRST)
    other = "felt" if FIRST[0] == "not_felt" else "not_felt"
    fix = {"reason": "tapped the other answer", "instead": trained(1, other)}
    assert first.tap("correction", fix, case_id=None, corrects="P01-A-A1-1")["state"] == "written"
    wrong = {"reason": "tapped the other answer", "instead": trained(99, other)}
    assert first.tap("correction", wrong, case_id=None, corrects="P01-A-A1-2")["state"] == "refused"
    (pair,) = second.get("/api/training?assessor=P01-B").json()["agreements"]
    assert [m["moment"] for m in pair["apart"]] == [1]
    assert second.get("/api/chair?after=0").json()["entries"] == []
    assert second.get("/api/chair?after=1").json()["entries"] == []


def test_the_meaning_of_a_moment_is_not_sent_before_the_end(practice):
    body = practice.browser("tester").get("/api/training?assessor=P01-A&sequence=A3").body
    assert b"doubtful" not in body
    assert b"not_felt" not in body


def test_everybody_gets_the_sequence_that_was_answered_last(practice):
    browser = practice.browser("tester")
    assert browser.get("/api/training").json()["sequence"] == "A1"
    browser.tap("trained", trained(1, "felt", sequence="A7"), case_id=None)
    browser.tap("trained", {"assessor": "P01-C", "moment": 2, "response": "felt"}, case_id=None)  # of an earlier page
    told = browser.get("/api/training?assessor=P01-B").json()
    assert (told["sequence"], told["following"]) == ("A7", following_sequence("A7")) == ("A7", "A8")
    assert browser.get("/api/training?sequence=B1").status == 409


@pytest.mark.parametrize(
    "wrong",
    [
        trained(25, "felt"),
        trained(0, "felt"),
        trained(1.5, "felt"),
        trained(1, "not_done"),
        trained(1, "felt", sequence="A0"),
        trained(1, "felt", sequence="a1"),
        trained(1, "felt", sequence="A1000"),
        trained(1, "felt", sequence=1),
        trained(1, "felt", kind="felt"),
        {"assessor": "P01-A", "moment": 17, "response": "felt"},
    ],
)
def test_an_answer_to_no_moment_is_refused(practice, wrong):
    assert practice.browser("tester").tap("trained", wrong, case_id=None)["state"] == "refused"


def test_a_name_is_refused_before_the_first_moment(practice):
    got = practice.browser("tester").get("/api/training?assessor=Mrs+Anna+Example")
    assert (got.status, "code" in got.json()["why"]) == (409, True)


# On the page ----------------------------------------------------------------------------------------------------------


def go_to_training(chair):
    chair.button("More").click()
    chair.button("Train whoever tests").click()
    chair.expect("Who trains?")


def begin(chair, person):
    chair.expect("Who trains?")
    chair.page.fill("#assessor", person)
    chair.page.keyboard.press("Enter")
    chair.page.wait_for_selector("[data-answer=felt]")


def press_all(chair, responses):
    for k, response in enumerate(responses):
        chair.expect(MOMENTS[k].shown)
        chair.page.keyboard.press({"felt": "f", "not_felt": "n"}[response])


def test_two_testers_train_by_keys_alone_and_are_told_what_to_talk_about(tmp_path, serve, context):
    server = serve(quick_block(tmp_path), "--practice", "P01", "--practise")
    chair = Chair(context().new_page(), server.addresses["tester"])
    go_to_training(chair)
    begin(chair, "P01-A")
    assert not chair.page.locator("nav").is_visible()  # nothing but the moment
    press_all(chair, FIRST[:5])
    chair.page.keyboard.press("Backspace")  # the wrong key
    chair.expect(MOMENTS[4].shown)
    chair.page.keyboard.press("f" if FIRST[4] == "felt" else "n")
    for k, response in enumerate(FIRST[5:], start=5):
        chair.expect(MOMENTS[k].shown)
        chair.page.keyboard.press({"felt": "f", "not_felt": "n"}[response])
    chair.expect("Done.")
    assert "somebody else answers sequence A1" in chair.page.inner_text("#next-step")
    chair.page.keyboard.press("Enter")
    begin(chair, "p01-b")
    press_all(chair, SECOND)
    chair.expect("Sequence A1: 21 of 24 alike")
    main = chair.page.inner_text("main")
    assert "P01-A and P01-B" in main
    assert "21 of 24 alike: 88" in main
    assert "Cohen’s kappa" in main
    rows = chair.page.locator("tbody tr")
    assert rows.count() == 3
    assert [MOMENTS[k].shown in rows.nth(i).inner_text() for i, k in enumerate(DOUBTED)] == [True] * 3
    assert "each answer sequence A2" in chair.page.inner_text("#next-step")
    chair.page.keyboard.press("Enter")
    chair.expect("Who trains?")
    assert "Sequence A2" in chair.page.inner_text("main")
    kept = events(tmp_path / "practice.practise.sqlite", "trained")
    assert len(kept) == 2 * 24 + 1
    assert {e.payload["sequence"] for e in kept} == {"A1"}
    assert not (tmp_path / "practice.sqlite").exists()
    assert chair.errors == []


def test_who_has_answered_a_sequence_gets_its_result_and_no_second_try(tmp_path, serve, context):
    server = serve(quick_block(tmp_path), "--practice", "P01", "--practise")
    chair = Chair(context().new_page(), server.addresses["tester"])
    go_to_training(chair)
    begin(chair, "P01-A")
    press_all(chair, FIRST)
    chair.expect("Done.")
    chair.page.reload()
    go_to_training(chair)
    chair.page.fill("#assessor", "P01-A")
    chair.button("Next").click()
    chair.expect("Done.")
    assert chair.page.locator("[data-answer]").count() == 0
    chair.button("Take sequence A2").click()
    chair.expect("Who trains?")
    chair.page.fill("#assessor", "Mrs Anna Example")
    chair.button("Next").click()
    chair.page.wait_for_selector(".mark >> text=use a code")
    assert chair.errors == []


def test_what_is_answered_while_the_computer_is_away_is_not_lost(tmp_path, serve, context):
    server = serve(quick_block(tmp_path), "--practice", "P01", "--practise")
    device = context()
    chair = Chair(device.new_page(), server.addresses["tester"])
    go_to_training(chair)
    begin(chair, "P01-A")
    device.set_offline(True)
    press_all(chair, FIRST)
    chair.expect("Your answers are being written.")
    device.set_offline(False)
    chair.expect("Done.")
    assert [e.payload["response"] for e in events(tmp_path / "practice.practise.sqlite", "trained")] == FIRST


def test_the_training_is_large_whole_and_legible(practised, context):
    page = context().new_page()
    chair = Chair(page, practised.addresses["treating"])
    go_to_training(chair)
    look_at(page)
    begin(chair, "P01-B")
    look_at(page)
    first = [_answers(page) for _ in at_sizes(page)]
    for felt, not_felt in first:
        assert felt["width"] == pytest.approx(not_felt["width"], abs=1)
        assert min(b["height"] for b in (felt, not_felt)) >= 120
        assert max(b["y"] + b["height"] for b in (felt, not_felt)) <= 740
    longest = max(range(24), key=lambda k: len(MOMENTS[k].shown))
    for k, response in enumerate(SECOND):
        chair.expect(MOMENTS[k].shown)
        if k == longest:  # the answers stay where the finger is, however much is to be read
            assert [_answers(page)[0]["y"] for _ in at_sizes(page)] == [felt["y"] for felt, _ in first]
        page.keyboard.press({"felt": "f", "not_felt": "n"}[response])
    page.wait_for_selector("table")
    look_at(page)
    assert chair.errors == []


def _answers(page):
    return [page.locator(f"[data-answer={code}]").bounding_box() for code in ("felt", "not_felt")]


@pytest.fixture
def practised(tmp_path, serve, context):
    """A store in which somebody has answered the first sequence."""
    server = serve(quick_block(tmp_path), "--practice", "P01", "--practise")
    chair = Chair(context().new_page(), server.addresses["tester"])
    go_to_training(chair)
    begin(chair, "P01-A")
    press_all(chair, FIRST)
    chair.expect("Done.")
    return server
