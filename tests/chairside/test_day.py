"""A day of forty cases on three chairs, sent by pages that reload, sleep and change their clocks."""

from __future__ import annotations

import random

import pytest

from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.recorded import read_store
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.records.chair.event_log import FLAG
from tests.case_codes import new_case_code
from tests.chairside.asgi import Study
from tests.clean_process import run_command
from tests.records.chair.test_event_log import Page

PROTOCOL = read_protocol("protocols/mandibular_block_group.toml")
NAMES = ("id", "kind", "clock", "at_monotonic", "at_wall", "device", "payload", "case_id", "corrects")
TOLERANCE_MIN = 0.25 / 60


class Script:
    """One chair: what it does, and the truth of when it did it."""

    def __init__(self, number, chance):
        self.page = Page(device=f"chair-{number}")
        self.chance = chance
        self.truth = {}

    def mishap(self):
        """What happens in a surgery between two taps; an anchor follows, as the page asks when it resumes."""
        what = self.chance.choice(["nothing"] * 12 + ["load", "sleep", "shift"])
        if what == "load":
            self.page.load()
        elif what == "sleep":
            self.page.sleep(self.chance.uniform(1, 20))
        elif what == "shift":
            self.page.wall_shift += self.chance.choice([-3600, 3600, 7.7])
        if what != "nothing":
            self.page.anchor()

    def case(self, code, patient):
        page, chance, answers = self.page, self.chance, []
        opened = {
            "patient_id": patient, "tooth": "46", "technique": "ianb", "agent": "lidocaine", "agent_percent": 2,
            "cartridge_ml": 1.8, "clinician_id": "P01-A", "pulp_status": "normal", "procedure": "filling",
            "age_band": "40-59",
        }  # fmt: skip
        page.anchor()
        page.tap("case_opened", opened, case_id=code)
        for role in ("target", "control"):
            page.tap("baseline", {"tooth_role": role, "response": "felt"}, case_id=code)
        page.wait(60)
        page.tap("prepared", case_id=code)
        page.wait(20)
        page.tap("injection_start", case_id=code)
        page.wait(90)
        page.tap("injection_end", case_id=code)
        zero, onset, run = page.true, chance.weibullvariate(5, 1.5), 0
        for planned in PROTOCOL.schedule.tests_min:
            self.mishap()
            page.wait(max(0.0, zero + 60 * planned - page.true) + chance.uniform(0, 6))
            if chance.random() < 0.05:
                continue
            response = "not_felt" if planned >= onset else "felt"
            for role, said in (("target", response), ("control", "felt")):
                page.tap("test", {"planned_min": planned, "tooth_role": role, "response": said}, case_id=code)
                answers.append(((page.true - zero) / 60, role, said))
                page.wait(chance.uniform(1, 3))
            run = run + 1 if response == "not_felt" else 0
            if run == PROTOCOL.onset.confirmations:
                break
        page.tap("treatment_start", case_id=code)
        page.tap("recorded", {"pain_deposition": chance.randrange(20, 80), "guess_patient": "unsure"}, case_id=code)
        page.tap("closed", case_id=code)
        page.wait(300)
        self.truth[code] = answers


@pytest.mark.slow
def test_a_day_of_forty_cases_on_three_chairs(tmp_path):
    chance = random.Random(20260403)
    study = Study(PROTOCOL, tmp_path)
    chairs = [Script(k, chance) for k in range(3)]
    for n in range(40):
        chairs[n % 3].case(new_case_code("P01", chance.randrange), new_case_code("P01", chance.randrange))
    tester, mixer = study.browser("tester"), study.browser("mixer")
    queues = [list(c.page.events) for c in chairs]
    while any(queues):
        queue = chance.choice([q for q in queues if q])
        some = [queue.pop(0) for _ in range(min(len(queue), chance.randrange(1, 40)))]
        sent = [{name: getattr(e, name) for name in NAMES} for e in some]
        for _ in range(chance.choice([1, 1, 2])):  # the answer to the first is lost now and then
            states = [a["state"] for a in tester.post("/api/entries", {"entries": sent}).json()["entries"]]
            assert set(states) <= {"written", "known"}
    for n, code in enumerate(code for c in chairs for code in c.truth):
        arm = {"arm": "plain"} if n % 2 else {"arm": "buffered", "mix_mode": "replace", "bicarbonate_ml": 0.18}
        kept = mixer.entry(
            "preparation", {**arm, "volume_ml": 1.8, "reason": "entered late"}, case_id=code, key=f"kept-{n:04d}"
        )
        again = mixer.entry("prepared", case_id=code, key=f"told-{n:04d}")
        answers = mixer.post("/api/mixing/prepared", {"preparation": kept, "prepared": again}).json()["entries"]
        assert [a["state"] for a in answers] == ["written", "written"]
    study.close()
    records = read_records(study.path, PROTOCOL)
    assert records.problems == ()
    assert len(records.cases) == 40
    folded = read_store(study.path)
    notes = folded.cases.frame.set_index("case_id")["notes"]
    tests = folded.cold_tests.frame
    exact = 0
    for chair in chairs:
        for code, answers in chair.truth.items():
            own = tests[tests["case_id"] == code]
            assert own["response"].tolist() == [said for _, _, said in answers]
            recorded, true = own["minute"].astype(float).tolist(), [minute for minute, _, _ in answers]
            if FLAG in str(notes[code]):
                continue
            assert recorded == pytest.approx(true, abs=TOLERANCE_MIN)
            exact += 1
    assert exact >= 30  # a reload, a sleep or a changed clock is known exactly in nearly all of them
    more = ["--without-list", "a day of the tests", "--format", "json", "--into", tmp_path]
    done = run_command("onsetstudy", "report", "protocols/mandibular_block_group.toml", study.path, *more)
    assert done.returncode == 0, done.stderr
    assert "Cases: 40 read, 40 accepted, 0 refused." in done.stdout
