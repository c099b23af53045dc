"""The recorder started without a protocol: the page asks, the protocol is written, and the first case is recorded."""

from __future__ import annotations

import pytest

from onsetstudy.chairside.set_up import SetUpPage
from onsetstudy.files.ledger.lock import read_lock
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.recorded import read_store
from onsetstudy.protocol.guided.questions import GUIDED, SETTLED, is_asked
from tests.chairside.asgi import ORIGIN, Browser
from tests.chairside.chair import Chair, look_at
from tests.chairside.conftest import wait_for

AUDIT = {
    "practice": "P07",
    "technique": "buccal_infiltration",
    "control_tooth": "no",
    "tests_min": "1 2 3",
    "tau_min": "2",
}
SETTLE = {
    "consent": "in writing, by whoever treats",
    "registration": "in the public register of trials, number 12345, before the first patient",
    "insurance": "the practice, insured by its liability policy",
    "medicines_authority": "asked on 3 May 2026: not a medicinal trial",
    "data_protection": "consent; the practice keeps the key for ten years",
    "funding": "the practice pays for all of it",
    "interests": "whoever runs it has no interests to declare",
    "monitoring": "the coordinator sees them, and the practice stops it",
    "harms": "at every visit, and by a call the day after",
    "no_rule_because": "adoption is for the practice to judge",
}
CHANCE = {"practice": "P07", "randomised": "yes", "assessor_blind": "yes", "ethics": "committee of the county, 12/2026"}


def answer_all(chair, told):
    """Answer every question of the page; what is not told is left at its usual."""
    page = chair.page
    questions = [*GUIDED, *(SETTLED if told.get("randomised") == "yes" else ())]
    questions = [q for q in questions if is_asked(q, told)]
    for number, question in enumerate(questions, 1):
        page.wait_for_selector(f"p >> text=Question {number} of")
        said = told.get(question.name, question.default)
        if page.locator("#answer").count():
            if said:
                page.fill("#answer", said)
                chair.button("Next").click()
            else:
                chair.button("Leave it open").click()
        else:
            codes = question.codes or ("yes", "no")
            page.locator(".choices button").nth(codes.index(said)).click()
    chair.expect("Is this right?")


@pytest.fixture
def asked(tmp_path, serve, context):
    """The recorder without a protocol, and the page that it asks on."""
    server = serve(None, until=("set-up",))
    chair = Chair(context().new_page(), server.addresses["set-up"])
    yield server, chair
    assert chair.errors == []


def test_an_audit_is_set_up_on_the_page_and_its_first_case_recorded(asked, context, tmp_path):
    server, chair = asked
    answer_all(chair, AUDIT | {"primary": "numb", "numb_difference": "20"})
    chair.page.reload()  # what was answered is still there
    chair.expect("Is this right?")
    chair.button("Write the protocol").dblclick()
    chair.expect("The protocol is written.")
    assert "--practise" in chair.page.inner_text("main")
    assert "The plan asks for " in chair.page.inner_text("main")
    assert "placeholders, until records of your own say better" in chair.page.inner_text("main")
    server.read()
    protocol = read_protocol(tmp_path / "protocol.toml")
    assert protocol.schedule.tests_min == (1.0, 2.0, 3.0)
    assert not protocol.study.randomised
    first = Chair(context().new_page(), server.addresses["alone"])
    first.open_case()
    first.answer("felt")
    first.prepare_alone("buffered")
    first.inject()
    first.wait_until_written()
    wait_for(lambda: len(read_store(server.store).cases.frame) == 1)
    assert read_store(server.store).cases.frame["arm"].tolist() == ["buffered"]
    server.kill()
    server.start()  # the protocol is found again beside the store, and nothing is asked
    assert "set-up" not in "".join(server.said)


def test_a_question_behind_one_that_was_not_asked_is_not_asked_on_the_page(asked, tmp_path):
    """Whoever chose a crossover and then says that chance does not decide is not asked for days between visits."""
    server, chair = asked
    answer_all(chair, CHANCE | SETTLE | {"design": "crossover", "washout_days": "10"})
    chair.button("Change: Does chance decide who receives what? (no: you choose; an audit)").click()
    chair.button("No").click()
    chair.expect("Is this right?")
    assert "Days at least between" not in chair.page.inner_text("main")
    chair.button("Write the protocol").click()
    chair.expect("The protocol is written.")
    server.read()
    assert read_protocol(tmp_path / "protocol.toml").study.design == "audit"


def test_where_chance_decides_the_page_draws_the_list_and_locks(asked, tmp_path):
    server, chair = asked
    answer_all(chair, CHANCE | SETTLE)
    chair.button("Write the protocol").click()
    chair.expect("The protocol is written.")
    assert "It is locked" in chair.page.inner_text("main")
    server.read(("mixer",))
    assert {"tester", "treating", "mixer"} <= set(server.addresses)
    assert read_lock(tmp_path / "protocol.toml").latest.digest == read_protocol(tmp_path / "protocol.toml").digest
    assert (tmp_path / "sealed-P07.json").exists()


def test_what_contradicts_itself_is_told_and_can_be_changed(asked, tmp_path):
    server, chair = asked
    answer_all(chair, AUDIT | {"tau_min": "120"})
    chair.button("Write the protocol").click()
    chair.page.wait_for_selector("main [role=alert]")
    assert not (tmp_path / "protocol.toml").exists()
    chair.button("Change: Last minute that counts").click()
    chair.expect("Last minute that counts")
    chair.page.fill("#answer", "2")
    chair.page.keyboard.press("Enter")
    chair.expect("Is this right?")
    chair.button("Write the protocol").click()
    chair.expect("The protocol is written.")
    server.read()


def test_the_set_up_is_readable_and_axe_is_content(serve, context):
    server = serve(None, until=("set-up",))
    page = context().new_page()
    chair = Chair(page, server.addresses["set-up"])

    page.wait_for_selector("#answer")
    look_at(page)
    page.fill("#answer", "P07")
    chair.button("Next").click()
    page.wait_for_selector(".choices")
    look_at(page)
    chair.button("Back").click()
    answer_all(chair, AUDIT)
    look_at(page)


# Without a browser ----------------------------------------------------------------------------------------------------


def a_page(finish=lambda told: ("written",)):
    ended = []
    page = SetUpPage(finish, lambda: ended.append(True), cookie="onset_set_up")
    return page, Browser(page.app([ORIGIN])), ended


def test_the_set_up_lets_one_browser_in_once():
    page, browser, ended = a_page()
    token = page.token
    assert browser.get("/api/setup").status == 401
    assert browser.post("/api/set-up", {"answers": {}}).status == 401
    assert browser.get("/enter?token=").status == 403
    assert browser.get(f"/enter?token={token}").status == 303
    assert browser.get("/api/setup").status == 200
    other = Browser(browser.app)
    assert other.get(f"/enter?token={token}").status == 403
    assert other.get("/enter?token=").status == 403
    assert browser.post("/api/set-up", {"answers": {}}, origin="http://example.org").status == 403
    assert ended == []
    assert browser.post("/api/set-up", {"answers": {}}).json() == {"lines": ["written"]}
    assert ended == [True]


@pytest.mark.parametrize("body", [{}, {"answers": []}, {"answers": {"practice": 1}}])
def test_answers_that_are_none_are_refused_and_the_set_up_goes_on(body):
    page, browser, ended = a_page()
    browser.get(f"/enter?token={page.token}")
    assert browser.post("/api/set-up", body).status == 400
    assert ended == []
