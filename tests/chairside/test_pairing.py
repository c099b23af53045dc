"""The page calls tests complete exactly where the records will show onset."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from onsetstudy.chairside.views import setup_view
from onsetstudy.core.seeds import stream
from onsetstudy.records.derived.onset import Onsets
from tests.study.cases import case, protocol, records

PAGE = Path("onsetstudy/chairside/page")
PLANNED = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0)
COMPLETE = """async ([cases, setup]) => {
  const { foldCases } = await import("/flow.js");
  const entry = (n, kind, payload, at) => ({ id: `${n}-${kind}-${at}`, case_id: `case-${n}`, kind, payload, at });
  const entries = cases.flatMap((tests, n) => [
    ...["case_opened", "injection_start", "injection_end"].map((kind) => entry(n, kind, {}, 0)),
    ...tests.map(({ minute, ...payload }) => entry(n, "test", payload, 60 * minute))]);
  return foldCases(entries, setup, ({ at }) => 600 - at).map((c) => c.phase === "complete");
}"""


def tapped(random: np.random.Generator) -> list[dict]:
    """Tests of one case as they may be tapped: late, the control long after its tooth, not done, or passed over."""
    found, at = [], 0.0
    for planned in PLANNED:
        for role, numb in (("target", 0.7), ("control", 0.2)):
            at = max(at, planned) + random.uniform(0.01, 0.7)
            said = random.choice(["not_felt", "felt", "not_done"], p=[numb, 0.9 - numb, 0.1])
            if random.random() < 0.9 or planned == PLANNED[-1]:
                told = {"planned_min": planned, "tooth_role": role, "response": str(said), "minute": float(at)}
                found.append(told)
    return found


def complete(context, promised, cases):
    """What the page's own scripts say of each case, without a computer behind them."""
    page = context().new_page()
    page.route("**/*", lambda route: route.fulfill(path=PAGE / route.request.url.rsplit("/", 1)[1]))
    page.goto("https://chair.test/style.css")
    setup = dataclasses.asdict(setup_view(promised, role="alone", practice="P01", practising=True))
    return page.evaluate(COMPLETE, [cases, setup])


@pytest.mark.parametrize("window", [0.0, 0.35, 0.5])
@pytest.mark.parametrize("setting", ["required", "optional", "none"])
def test_tests_are_complete_where_the_records_show_onset(context, setting, window):
    random = stream(7, f"pairing {setting} {window}")
    cases = [tapped(random) for _ in range(150)]
    promised = protocol(schedule={"tests_min": PLANNED, "control_tooth": setting, "control_window_min": window})
    read = records(
        [case(n) for n in range(len(cases))],
        [
            {"case_id": case(n)["case_id"], **{name: str(test[name]) for name in ("minute", "tooth_role", "response")}}
            for n, tests in enumerate(cases)
            for test in tests
            if test["response"] != "not_done"
        ],
        promised,
    )
    onset = Onsets(records=read, protocol=promised).table()
    shown = dict(zip(onset["case_id"], np.isfinite(onset["right_min"]), strict=True))
    said = complete(context, promised, cases)
    assert said == [bool(shown.get(case(n)["case_id"], False)) for n in range(len(cases))]
    assert 10 < sum(said) < len(said) or window == 0


def test_the_control_of_the_last_test_is_waited_for(context):
    tests = [
        {"planned_min": minute, "tooth_role": role, "response": said, "minute": minute + late}
        for minute in (0.5, 1.0)
        for role, said, late in (("target", "not_felt", 0.0), ("control", "felt", 0.2))
    ]
    promised = protocol(schedule={"tests_min": PLANNED})
    assert complete(context, promised, [tests[:3], tests]) == [False, True]


def test_one_test_that_two_pages_answer_confirms_nothing(context):
    twice = [
        {"planned_min": 1.0, "tooth_role": role, "response": said, "minute": at}
        for role, said, at in (
            ("target", "not_felt", 1.0),
            ("target", "not_felt", 1.02),
            ("control", "felt", 1.1),
        )
    ]
    later = [{**test, "planned_min": 1.5, "minute": test["minute"] + 0.5} for test in twice]
    promised = protocol(schedule={"tests_min": PLANNED})
    assert complete(context, promised, [twice, [*twice, *later]]) == [False, True]
