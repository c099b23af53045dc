"""A complete case in a browser: how many taps it takes, and whether the paper asks the same in the same order."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from onsetstudy.files.documents.case_sheet import case_sheet
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.recorded import read_store
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.records.chair.case_questions import asked_after, asked_before, question_of
from tests.chairside.chair import Chair, quick_audit
from tests.chairside.test_roles import block  # noqa: F401 a fixture
from tests.chairside.whole_case import (
    COUNT,
    answer_tests,
    ask_the_rest,
    baseline,
    counted,
    inject,
    open_fully,
    prepare_fully,
    treat,
)
from tests.printed_sheet import order_on_paper

# Three tests: one felt, two not felt; with a control tooth each is two taps.
PER = {3: "one", 6: "two"}
FIELDS = {1: "one field", 2: "two fields"}
TOLD = " ".join(Path("README.md").read_text().split())


@pytest.fixture
def device(context):
    """A new device that counts its taps."""

    def new(address):
        made = context()
        made.add_init_script(COUNT)
        return Chair(made.new_page(), address)

    return new


def on_paper(path, *, lip):
    """What the paper asks of such a case, minutes taken together, up to the end of the treatment.

    The page does not ask what has one answer, which injection of a new patient it is, nor the lip after an
    infiltration.
    """
    protocol = read_protocol(path)
    questions = [question_of(name, protocol) for name in (*asked_before(protocol), *asked_after(protocol))]
    never = {"period"} if lip else {"period", "lip_numb"}
    known = {q.question for q in questions if len(q.answers) == 1 or q.name in never}
    asked = [re.sub(r" \(.* the patient says\)", "", text) for text in order_on_paper(case_sheet(protocol))]
    told = ["tests" if re.fullmatch(r"\d+:\d\d", text) else text for text in asked]
    once = [text for k, text in enumerate(told) if k == 0 or (text, told[k - 1]) != ("tests", "tests")]
    return [text for text in once[: once.index("Treatment ended") + 1] if text not in known]


@pytest.mark.slow
def test_a_complete_case_of_an_audit(tmp_path, serve, device):
    path = quick_audit(tmp_path)
    server = serve(path)
    chair = device(server.addresses["alone"])

    def case():
        before = counted(chair)
        seen = open_fully(chair, "P06", ["16"])
        seen += baseline(chair) + prepare_fully(chair, "buffered") + inject(chair)
        tests = answer_tests(chair)
        seen += tests + ask_the_rest(chair) + treat(chair)
        return seen, counted(chair) - before

    seen, first = case()
    again, later = case()
    chair.wait_until_written()
    assert seen == on_paper(path, lip=False)
    assert "As last time?" in again
    assert (
        f"{later.taps} taps in the audit ({first.taps} for the first case, before the page knows what is usual), "
        f"{PER[later.answers]} more for each test and {FIELDS[later.typed]} to type"
    ) in TOLD
    assert read_records(server.store, read_protocol(path)).problems == ()
    assert read_store(server.store).cases.frame["pain_deposition"].notna().all()


@pytest.mark.slow
def test_a_complete_case_of_a_blinded_block_study(block, serve, device):  # noqa: F811
    server = serve(block, "--practice", "P01")
    tester, treating, mixer = (device(server.addresses[role]) for role in ("tester", "treating", "mixer"))

    def mix(case):
        if mixer.page.locator("#mixer").count():
            mixer.page.locator("#mixer").click()
            mixer.page.locator("#mixer").fill("P01-M")
            mixer.button("Next").click()
        mixer.page.get_by_role("button", name=case).click()
        mixer.button("Open the next slip").click()
        mixer.button("Prepared").click()
        mixer.expect("Nothing waits")
        return ["Slip"]

    def case():
        before = [counted(one) for one in (tester, treating, mixer)]
        seen = open_fully(tester, "P01", ["46", "33"]) + baseline(tester)
        seen += mix(tester.page.locator(".strip[aria-current=true] span").inner_text())
        seen += inject(treating) + answer_tests(tester) + ask_the_rest(treating) + treat(treating)
        return seen, [counted(one) - was for one, was in zip((tester, treating, mixer), before, strict=True)]

    seen, first = case()
    again, later = case()
    for chair in (tester, treating, mixer):
        chair.wait_until_written()
    assert seen == on_paper(block, lip=True)
    assert "As last time?" in again
    tests, treats, mixes = (taps.taps for taps in later)
    more, typed = PER[sum(taps.answers for taps in later)], FIELDS[sum(taps.typed for taps in later)]
    assert (
        f"{tests + treats + mixes} in the block study ({tests} by whoever tests, {treats} by whoever treats, "
        f"{mixes} by whoever mixes; {sum(taps.taps for taps in first)} for the first), "
        f"{more} more for each test and {typed} to type"
    ) in TOLD
    assert read_records(server.store, read_protocol(block)).problems == ()
