"""Entries of the recorder folded into tables, and their clocks reconciled."""

from __future__ import annotations

import dataclasses
import datetime as dt
import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from onsetstudy.records.chair.case_codes import ALPHABET, check_sign, is_case_code
from onsetstudy.records.chair.event import Event
from onsetstudy.records.chair.event_clock import TOLERANCE_S, largest_drift, place_events
from onsetstudy.records.chair.event_kinds import ENTERED
from onsetstudy.records.chair.event_log import (
    EARLY_FLAG,
    PREPARED_COLUMNS,
    TWICE_FLAG,
    WALL_FLAG,
    StudyFacts,
    fold_events,
)
from tests.case_codes import new_case_code

FACTS = StudyFacts(study_id="s", practice_id="P01", allocation="randomised", clock_zero="injection_end")
NOON = dt.datetime(2026, 4, 3, 14, 0, tzinfo=dt.UTC)
CASE = "P01-K7Q2M" + check_sign("K7Q2M")


class Page:
    """A page whose true time, monotonic clock and wall clock are told apart."""

    def __init__(self, *, device="device-1", boot="boot-1"):
        self.events, self.device, self.boot = [], device, boot
        self.true = 0.0  # seconds since NOON
        self.counted = 0.0  # seconds of the page's monotonic clock, which stands still in sleep
        self.wall_shift = 0.0
        self.loads = 0
        self.load()

    def load(self):
        self.loads += 1
        self.counted = 0.0

    def wait(self, seconds):
        self.true += seconds
        self.counted += seconds

    def sleep(self, seconds):
        self.true += seconds

    def tap(self, kind, payload=None, *, case_id=CASE, corrects=None):
        event = Event(
            id=f"{self.device}-entry-{len(self.events):05d}",
            kind=kind,
            clock=f"{self.device}-load-{self.loads}",
            at_monotonic=self.counted,
            at_wall=(NOON + dt.timedelta(seconds=self.true + self.wall_shift)).isoformat(),
            device=self.device,
            payload=payload or {},
            case_id=None if kind == "anchor" else case_id,
            corrects=corrects,
            seq=len(self.events) + 1,
        )
        self.events.append(event)
        return event

    def anchor(self, half_s=0.01):
        server = 5000.0 + self.true
        return self.tap(
            "anchor",
            {"boot": self.boot, "server_s": server, "server_wall_s": NOON.timestamp() + self.true, "half_s": half_s},
        )

    def test(self, planned, target, control="felt"):
        self.tap("test", {"planned_min": planned, "tooth_role": "target", "response": target})
        self.tap("test", {"planned_min": planned, "tooth_role": "control", "response": control})


def injected(page):
    page.anchor()
    page.tap(
        "case_opened",
        {"tooth": "46", "technique": "ianb", "patient_id": CASE, "agent": "lidocaine", "clinician_id": "P01-A"},
    )
    page.tap("baseline", {"tooth_role": "target", "response": "felt"})
    page.tap("prepared")
    page.wait(30)
    page.tap("injection_start")
    page.wait(90)
    page.tap("injection_end")


def prepared(**told):
    page = Page(device="mixer-1")
    page.tap("preparation", {"arm": "plain", "mix_mode": "none", "volume_ml": 1.8, **told})
    return page.events


def minutes(folded):
    return folded.cold_tests.frame["minute"].astype(float).tolist()


def test_a_case_becomes_its_rows():
    page = Page()
    injected(page)
    page.wait(61)
    page.test(1, "felt")
    page.wait(60)
    page.test(2, "not_felt")
    page.wait(59)
    page.tap("supplement", {"technique": "long_buccal", "volume_ml": 0.9})
    page.wait(30)
    page.tap("treatment_start")
    page.tap("recorded", {"pain_treatment": 12})
    folded = fold_events(page.events, prepared(arm="buffered", mix_mode="add", bicarbonate_ml=0.18), FACTS)
    row = folded.cases.frame.iloc[0].dropna().to_dict()
    assert row["arm"] == "buffered"
    assert row["injection_start"] == "14:00:30"
    assert row["injection_end"] == "14:02:00"
    assert row["case_date"] == "2026-04-03"
    assert row["mixed_to_injection_min"] == "0.50"
    assert row["rescue_min"] == "3.000"
    assert row["treatment_start_min"] == "3.500"
    assert row["observation_end_min"] == "2.017"
    assert row["pain_treatment"] == "12"
    assert row["baseline_response"] == "felt"
    assert minutes(folded) == [1.017, 1.017, 2.017, 2.017]
    assert folded.cold_tests.frame["response"].tolist() == ["felt", "felt", "not_felt", "felt"]
    assert folded.flagged == ()


@pytest.mark.parametrize(
    ("one", "other", "taken", "noted"),
    [
        ("not_felt", "not_felt", "not_felt", False),  # one test, and no confirmation of itself
        ("felt", "not_felt", "felt", True),
        ("not_done", "felt", "felt", False),
    ],
)
def test_two_pages_that_answer_one_planned_test_make_one_row_of_it(one, other, taken, noted):
    page = Page()
    injected(page)
    for wait, response in ((60, one), (1, other)):
        page.wait(wait)
        page.tap("test", {"planned_min": 1, "tooth_role": "target", "response": response})
    page.tap("test", {"planned_min": None, "tooth_role": "target", "response": "felt"})
    page.tap("test", {"planned_min": 1, "tooth_role": "control", "response": "felt"})
    folded = fold_events(page.events, prepared(), FACTS)
    tests = folded.cold_tests.frame
    rows = list(tests[["tooth_role", "response", "test_kind"]].itertuples(index=False, name=None))
    assert sorted(rows) == sorted(
        [("target", taken, "planned"), ("target", "felt", "extra"), ("control", "felt", "planned")]
    )
    first = tests[(tests["tooth_role"] == "target") & (tests["test_kind"] == "planned")]["minute"].astype(float)
    assert first.tolist() == [pytest.approx((61 if one == "not_done" else 60) / 60, abs=1e-3)]
    assert (TWICE_FLAG in str(folded.cases.frame["notes"].iloc[0])) == noted


def test_a_correction_takes_the_place_and_the_time_of_what_was_wrong():
    page = Page()
    injected(page)
    page.wait(60)
    wrong = page.tap("test", {"planned_min": 1, "tooth_role": "target", "response": "not_felt"})
    slip = page.tap("adverse_event", {"kind": "syncope", "serious": "no"})
    page.wait(40)
    right = {"planned_min": 1, "tooth_role": "target", "response": "felt"}
    page.tap("correction", {"reason": "other key", "instead": right}, corrects=wrong.id)
    page.tap("correction", {"reason": "other case", "instead": None}, corrects=slip.id)
    folded = fold_events(page.events, prepared(), FACTS)
    assert folded.cold_tests.frame[["minute", "response"]].values.tolist() == [["1.000", "felt"]]
    assert "adverse_event" not in folded.cases.frame.iloc[0].dropna()
    assert len(folded.adverse_events) == 0


def test_the_table_has_room_for_one_event_and_takes_the_serious_one():
    page = Page()
    injected(page)
    page.tap("adverse_event", {"kind": "palpitations", "serious": "no"})
    page.tap("adverse_event", {"kind": "allergic", "serious": "yes", "note": "sent to hospital"})
    folded = fold_events(page.events, prepared(), FACTS)
    assert folded.cases.frame.iloc[0]["adverse_event"] == "allergic"
    assert folded.adverse_events["kind"].tolist() == ["palpitations", "allergic"]


def test_a_case_that_was_never_injected_is_in_no_table():
    page = Page()
    page.anchor()
    page.tap("case_opened", {"tooth": "46"})
    folded = fold_events(page.events, (), FACTS)
    assert folded.not_injected == (CASE,)
    assert len(folded.cases.frame) == 0


def test_no_column_of_the_chair_tells_the_arm():
    assert not set(ENTERED) & set(PREPARED_COLUMNS)
    assert {"arm", "mix_mode", "bicarbonate_ml", "allocation_slip", "volume_ml"} <= set(PREPARED_COLUMNS)


def test_a_reload_shifts_nothing():
    page = Page()
    injected(page)
    page.wait(30)
    page.load()
    page.wait(30)
    page.test(1, "felt")
    page.wait(5)
    page.anchor()
    assert minutes(fold_events(page.events, prepared(), FACTS)) == [1.0, 1.0]


@pytest.mark.parametrize("shift", [-3600, -0.5, 7.0, 86400])
def test_a_changed_system_clock_shifts_nothing(shift):
    page = Page()
    injected(page)
    page.wait(30)
    page.wall_shift = shift
    page.wait(30)
    page.test(1, "felt")
    page.wait(20)
    page.anchor()
    folded = fold_events(page.events, prepared(), FACTS)
    assert minutes(folded) == [1.0, 1.0]
    assert folded.flagged == ()


def test_a_sleep_between_two_anchors_is_placed_by_the_wall_clock():
    page = Page()
    injected(page)
    page.wait(60)
    page.test(1, "felt")
    page.sleep(600)
    page.wait(60)
    page.test(12, "not_felt")
    page.anchor()
    folded = fold_events(page.events, prepared(), FACTS)
    assert minutes(folded) == [1.0, 1.0, 12.0, 12.0]
    assert folded.flagged == ()


def test_a_sleep_that_no_clock_explains_is_flagged_and_widens_the_interval():
    """Asleep for ten minutes and the wall clock set back meanwhile: the tests lie before or after."""
    page = Page()
    injected(page)
    page.wait(60)
    page.test(1, "felt")
    page.wall_shift = 77.0
    page.test(1.5, "felt")
    page.sleep(600)
    page.wall_shift = -333.0
    page.wait(60)
    page.test(12, "not_felt")
    page.wait(1)
    page.wall_shift = 500
    page.anchor()
    folded = fold_events(page.events, prepared(), FACTS)
    frame = folded.cold_tests.frame
    felt = frame.loc[(frame["tooth_role"] == "target") & (frame["response"] == "felt"), "minute"].astype(float)
    silent = frame.loc[(frame["tooth_role"] == "target") & (frame["response"] == "not_felt"), "minute"].astype(float)
    assert folded.flagged == (CASE,)
    assert felt.max() <= 1.0 + 1e-3  # truth is 1.0
    assert silent.min() >= 12.0 - 1e-3  # truth is 12.0
    assert "clocks disagreed" in folded.cases.frame.iloc[0]["notes"]


def test_each_extra_test_of_the_target_is_placed_by_what_it_said_itself():
    page = Page()
    injected(page)
    for response in ("felt", "not_felt"):
        page.sleep(60)
        page.tap("test", {"tooth_role": "target", "response": response})
    page.wait(5)
    page.load()
    page.anchor()
    rows = fold_events(page.events, prepared(), FACTS).cold_tests.frame.set_index("response")["minute"].astype(float)
    # Known no better than between the injection and the last anchor.
    assert rows["felt"] <= 1.0
    assert rows["not_felt"] >= 2.0


def test_an_event_stands_before_the_entry_that_there_was_none():
    page = Page()
    injected(page)
    page.tap("adverse_event", {"kind": "none"})
    page.tap("adverse_event", {"kind": "haematoma", "serious": "no"})
    row = fold_events(page.events, prepared(), FACTS).cases.frame.iloc[0]
    assert (row["adverse_event"], row["adverse_serious"]) == ("haematoma", "no")


def test_asleep_while_the_server_was_away_is_never_guessed():
    page = Page()
    injected(page)
    page.wait(60)
    page.test(1, "felt")
    page.sleep(600)
    page.test(11, "not_felt")  # no anchor of this page ever follows
    page.wait(5)
    page.load()
    page.anchor()
    folded = fold_events(page.events, prepared(), FACTS)
    assert folded.flagged == (CASE,)
    frame = folded.cold_tests.frame
    silent = frame.loc[frame["response"] == "not_felt", "minute"].astype(float).min()
    assert 11.0 - 1e-3 <= silent <= 11.1 + 1e-3  # bounded by the anchor five seconds later


def test_a_page_that_never_met_the_server_is_placed_by_the_wall_clock_between_two_that_did():
    page = Page()
    injected(page)
    page.load()
    page.wait(60)
    page.test(1, "felt")
    page.load()
    page.anchor()
    folded = fold_events(page.events, prepared(), FACTS)
    assert minutes(folded) == pytest.approx([1.0, 1.0], abs=0.001)
    assert folded.flagged == ()


def test_a_page_whose_wall_clock_changed_meanwhile_is_bounded_by_its_neighbours():
    page = Page()
    injected(page)
    page.load()
    page.wait(60)
    page.wall_shift = 100
    page.test(1, "not_felt")
    page.wait(60)
    page.load()
    page.anchor()
    folded = fold_events(page.events, prepared(), FACTS)
    assert folded.flagged == (CASE,)
    assert min(minutes(folded)) == pytest.approx(2.0, abs=0.001)  # not later than two minutes, truth 1


@pytest.mark.parametrize(("meanwhile", "afterwards"), [((-3600, -3600), 7200), ((7200,), -7200)])
def test_a_wall_clock_that_was_set_and_set_back_places_nothing_outside_its_neighbours(meanwhile, afterwards):
    page = Page()
    page.anchor()
    page.wait(60)
    page.wall_shift += meanwhile[0]
    page.load()
    tap = page.tap("test")
    page.wall_shift += sum(meanwhile[1:])
    page.load()
    page.wall_shift += afterwards
    page.wait(60)
    page.anchor()
    moment = place_events(page.events)[tap.id]
    assert moment.flagged
    assert (moment.low_s - NOON.timestamp(), moment.high_s - NOON.timestamp()) == pytest.approx((0.0, 120.0))


def test_a_wall_clock_that_turns_the_order_of_entries_round_places_none_of_them():
    page = Page()
    page.anchor()
    page.load()
    page.wait(100)
    page.wall_shift = 50
    first = page.tap("test")
    page.wall_shift = -40
    page.load()
    page.wait(20)
    second = page.tap("test")
    page.wall_shift = 0
    page.load()
    page.wait(60)
    page.anchor()
    moments = place_events(page.events)
    assert [moments[tap.id].flagged for tap in (first, second)] == [True, True]
    for tap, true in ((first, 100), (second, 120)):
        assert moments[tap.id].low_s - NOON.timestamp() <= true <= moments[tap.id].high_s - NOON.timestamp()


@given(st.data())
def test_whatever_happens_to_the_clocks_the_truth_lies_between(data):
    """Sleeps, reloads, changed clocks, anchors: a moment told exactly is right, another holds the truth."""
    page, truth = Page(), {}
    page.anchor()
    for _ in range(data.draw(st.integers(1, 25))):
        what = data.draw(st.sampled_from(["wait", "sleep", "load", "shift", "anchor", "tap", "tap"]))
        if what == "wait":
            page.wait(data.draw(st.floats(0, 300)))
        elif what == "sleep":
            page.sleep(data.draw(st.floats(1, 900)))
        elif what == "load":
            page.load()
        elif what == "shift":
            page.wall_shift += data.draw(st.sampled_from([-3600.0, -61.7, 13.3, 7200.0]))
        elif what == "anchor":
            page.anchor()
        else:
            truth[page.tap("test").id] = page.true
    page.anchor()
    moments = place_events(page.events)
    for key, true in truth.items():
        moment = moments[key]
        assert moment.low_s - NOON.timestamp() <= true + TOLERANCE_S
        assert moment.high_s - NOON.timestamp() >= true - TOLERANCE_S
        assert math.isfinite(moment.low_s)
        if not moment.flagged:
            assert moment.low_s - NOON.timestamp() == pytest.approx(true, abs=TOLERANCE_S)


def test_drift_is_measured_and_allowed_for():
    page = Page()
    page.anchor()
    for _ in range(10):
        page.wait(60)
        page.counted -= 60 * 100e-6  # the page's clock is slow by 100 parts in a million
    tap = page.tap("test")
    page.anchor()
    assert largest_drift(page.events)["device-1-load-1"] == pytest.approx(100, rel=0.01)
    assert place_events(page.events)[tap.id].low_s - NOON.timestamp() == pytest.approx(600, abs=1e-3)


def drifting(page, seconds, ppm, *, every=30.0):
    """Time passes on a clock that is slow by so much, and the page asks the computer now and then."""
    page.anchor()
    for _ in range(int(seconds // every)):
        page.wait(every)
        page.counted -= every * ppm * 1e-6
        page.wall_shift -= every * ppm * 1e-6  # of one quartz with the page's clock
        page.anchor()


@pytest.mark.parametrize("every", [30.0, 3600.0])
def test_a_clock_that_ran_apart_for_hours_counts_whatever_it_comes_to(every):
    page = Page()
    drifting(page, 4 * 3600, 100, every=every)  # 1.44 s in all; in the longer steps 0.36 s between two anchors
    assert largest_drift(page.events)["device-1-load-1"] == pytest.approx(100, rel=0.01)


def test_a_sleep_a_restart_and_a_stopped_clock_are_no_drift():
    page = Page()
    drifting(page, 600, 50)
    page.sleep(300)  # the wall clock runs on, and tells of it
    page.anchor()
    drifting(page, 600, 50)
    assert largest_drift(page.events)["device-1-load-1"] == pytest.approx(50, rel=0.01)
    page.true += 40.0
    page.wall_shift -= 40.0  # the whole machine stood still, its wall clock too
    drifting(page, 600, 50)
    page.boot = "boot-2"
    page.wait(3600)
    page.counted -= 0.2
    drifting(page, 600, 50)
    assert largest_drift(page.events)["device-1-load-1"] == pytest.approx(50, rel=0.01)


def test_a_page_watched_for_less_than_a_minute_tells_no_drift():
    page = Page()
    drifting(page, 30, 100)
    assert largest_drift(page.events) == {}


def test_the_table_of_clocks_says_how_far_a_case_went_and_whether_it_was_widened():
    page = Page()
    injected(page)
    drifting(page, 600, 500)
    page.test(2, "not_felt")
    page.anchor()
    (row,) = fold_events(page.events, prepared(), FACTS).clocks.itertuples(index=False)
    # From opening to the last test of the case: 12 minutes at half a second in a thousand; the first two ran true.
    assert row.case_id == CASE
    assert row.apart_s == pytest.approx(720 * 500e-6 * 600 / 720, rel=0.02)
    assert not row.widened
    page.load()  # a page that was never tied to the computer, on a device whose clock is set
    page.wall_shift = 5000.0
    page.wait(60)
    page.test(4, "not_felt")
    folded = fold_events(page.events, prepared(), FACTS)
    assert folded.clocks["widened"].tolist() == [True]
    assert folded.widened == folded.flagged == (CASE,)


def test_a_supplement_of_unknown_moment_widens_no_interval():
    page = Page()
    injected(page)
    page.wait(120)
    page.test(2, "not_felt")
    page.anchor()
    page.load()
    page.wall_shift = 5000.0
    page.wait(60)
    page.tap("supplement", {"technique": "intraligamentary"})
    page.load()
    page.wait(30)
    page.anchor()
    folded = fold_events(page.events, prepared(), FACTS)
    assert folded.flagged == (CASE,)
    assert folded.widened == ()


def test_a_computer_that_was_restarted_is_trusted_to_two_seconds():
    page = Page()
    page.anchor()
    page.wait(60)
    tap = page.tap("test")
    page.boot, page.wall_shift = "boot-2", 0.0
    page.sleep(120)
    page.anchor()
    moment = place_events(page.events)[tap.id]
    assert moment.flagged
    assert moment.low_s - NOON.timestamp() <= 60 <= moment.high_s - NOON.timestamp()


def test_every_single_wrong_sign_and_every_swap_in_a_code_is_noticed():
    drawn = iter([3, 17, 30, 0, 8])
    code = new_case_code("P01", lambda n: next(drawn))
    assert is_case_code(code)
    practice, signs = code.split("-")
    for place, sign in itertools.product(range(len(signs)), ALPHABET):
        if sign != signs[place]:
            assert not is_case_code(f"{practice}-{signs[:place]}{sign}{signs[place + 1 :]}")
    for i, j in itertools.combinations(range(len(signs)), 2):
        if signs[i] != signs[j]:
            swapped = list(signs)
            swapped[i], swapped[j] = swapped[j], swapped[i]
            assert not is_case_code(f"{practice}-{''.join(swapped)}")


@pytest.mark.parametrize(
    ("taps", "volume", "agent"),
    [
        ([(0.9, "lidocaine")], "0.9", "lidocaine"),
        ([(0.9, "lidocaine"), (0.45, "lidocaine")], "1.35", "lidocaine"),
        ([(0.9, None)], "0.9", None),
        ([(0.9, "lidocaine"), (0.9, "articaine")], None, None),
        ([(0.9, "lidocaine"), (None, "lidocaine")], None, None),
        ([(None, "lidocaine"), (None, "articaine")], None, None),
    ],
)
def test_volumes_of_supplements_add_up_for_one_solution_and_are_not_told_for_two(taps, volume, agent):
    page = Page()
    injected(page)
    page.wait(60)
    page.test(1, "felt")
    for ml, code in taps:
        page.wait(30)
        given = {"technique": "long_buccal", "volume_ml": ml, "agent": code}
        page.tap("supplement", {k: v for k, v in given.items() if v is not None})
    folded = fold_events(page.events, prepared(), FACTS)
    row = folded.cases.frame.iloc[0]
    assert row["rescue_min"] is not None
    assert (row["rescue_volume_ml"], row["rescue_agent"]) == (volume, agent)
    # What the row has no room for is kept beside it, each by its own.
    kept = folded.supplements[["rescue_agent", "rescue_volume_ml"]].astype(object)
    kept = kept.where(kept.notna(), None).to_numpy().tolist()
    assert kept == ([] if volume else [[code, ml] for ml, code in taps])
    assert folded.supplements["rescue_volume_ml"].dtype == float, "also where nobody told a volume"


def test_a_test_of_a_planned_minute_is_planned_and_one_of_none_is_extra():
    page = Page()
    injected(page)
    page.wait(60)
    page.test(1, "felt")
    page.wait(20)
    page.tap("test", {"tooth_role": "target", "response": "not_felt"})
    page.wait(40)
    page.test(2, "not_felt")
    tests = fold_events(page.events, prepared(), FACTS).cold_tests.frame
    kinds = dict(zip(tests["minute"].astype(float).round(1), tests["test_kind"], strict=True))
    assert sorted(kinds.values()) == ["extra", "planned", "planned"]
    assert min(m for m, kind in kinds.items() if kind == "extra") == sorted(kinds)[1]


def test_a_supplement_at_the_moment_of_the_injection_is_not_written_as_if_none_was_given():
    page = Page()
    injected(page)
    page.tap("supplement", {"technique": "long_buccal"})
    row = fold_events(page.events, prepared(), FACTS).cases.frame.iloc[0]
    assert float(row["rescue_min"]) > 0


@pytest.mark.parametrize("days", [-67, 40])
def test_a_page_of_a_wrong_date_puts_its_case_into_no_other_quarter_and_is_told(days):
    page = Page()
    page.wall_shift = days * 86400.0
    injected(page)
    page.wait(60)
    page.test(1, "not_felt")
    folded = fold_events(page.events, prepared(), FACTS)
    row = folded.cases.frame.iloc[0]
    assert (row["case_date"], row["injection_start"], row["injection_end"]) == ("2026-04-03", "14:00:30", "14:02:00")
    assert row["notes"] == WALL_FLAG
    assert folded.clocks["wall_apart_s"].tolist() == pytest.approx([days * 86400.0])
    assert folded.flagged == ()


@pytest.mark.parametrize("year", ["1970", "2099"])
def test_one_entry_of_an_impossible_date_is_noted_and_dates_no_case(year):
    page = Page()
    injected(page)
    page.events[-1] = dataclasses.replace(page.events[-1], at_wall=f"{year}-01-01T00:00:00+00:00")
    page.wait(60)
    page.test(1, "not_felt")
    page.anchor()
    row = fold_events(page.events, prepared(), FACTS).cases.frame.iloc[0]
    assert row["case_date"] == "2026-04-03"
    assert WALL_FLAG in row["notes"]


def test_times_of_day_are_the_pages_own_by_its_offset_from_utc():
    page = Page()
    injected(page)
    east = dt.timezone(dt.timedelta(hours=11))
    page.events = [
        dataclasses.replace(e, at_wall=dt.datetime.fromisoformat(e.at_wall).astimezone(east).isoformat())
        for e in page.events
    ]
    row = fold_events(page.events, prepared(), FACTS).cases.frame.iloc[0].dropna()
    assert (row["case_date"], row["injection_end"]) == ("2026-04-04", "01:02:00")
    assert "notes" not in row


def test_less_than_a_minute_between_the_clocks_is_no_matter():
    page = Page()
    page.wall_shift = 59.0
    injected(page)
    assert "notes" not in fold_events(page.events, prepared(), FACTS).cases.frame.iloc[0].dropna()


def test_a_case_over_midnight_has_the_times_of_both_days_and_the_date_of_its_clock_zero():
    page = Page()
    page.true = 10 * 3600.0 - 90  # the needle is in at half a minute to midnight, and out a minute and a half later
    injected(page)
    row = fold_events(page.events, prepared(), FACTS).cases.frame.iloc[0]
    assert (row["injection_start"], row["injection_end"], row["case_date"]) == ("23:59:00", "00:00:30", "2026-04-04")


def test_a_test_before_the_injection_has_ended_is_no_test_of_onset():
    page = Page()
    page.anchor()
    page.tap("case_opened", {"tooth": "46", "technique": "ianb"})
    page.tap("injection_start")
    page.wait(30)
    page.test(0.5, "not_felt")
    page.wait(30)
    page.tap("injection_end")
    page.wait(60)
    page.test(1, "felt")
    folded = fold_events(page.events, prepared(), FACTS)
    assert folded.cold_tests.frame[["minute", "response"]].values.tolist() == [["1.000", "felt"]] * 2
    assert folded.cases.frame.iloc[0]["notes"] == EARLY_FLAG
