"""Doses of a whole study: what each arm got, who is flagged, and what could not be told."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from onsetstudy.core.results import NO_SPREAD, Estimate, NotAvailable
from onsetstudy.core.serialise import from_dict
from onsetstudy.files.sources.dated_tables import read_dose_limits
from onsetstudy.protocol.model import ClinicLimit, DoseRule
from onsetstudy.records.model import OpenTables
from onsetstudy.report.document import Table
from onsetstudy.report.sections.main.doses import section
from onsetstudy.study.sets.side_files import Companions
from onsetstudy.study.topics.doses import doses_of
from tests.study.cases import analyse, case, protocol, readings_of, records

pytestmark = pytest.mark.usefixtures("unpainted")

LIMITS = read_dose_limits()
WHOLE = {"agent_percent": "2", "vasoconstrictor": "epinephrine", "vasoconstrictor_dilution": "100000",
         "cartridge_ml": "1.8"}  # fmt: skip


def frame(*rows):
    promised = protocol()
    made = [case(i, arm, **{**WHOLE, **more}) for i, (arm, more) in enumerate(rows, start=1)]
    tests = [reading for i in range(1, len(rows) + 1) for reading in readings_of(i, "fnn")]
    checked = records(made, tests, promised)
    assert not checked.problems, [str(p) for p in checked.problems]
    return promised, checked.cases


def test_replacing_gives_a_tenth_less_drug_and_says_so():
    promised, cases = frame(
        ("plain", {"volume_ml": "1.8"}), ("plain", {"volume_ml": "1.7"}),
        ("buffered", {"volume_ml": "1.8"}), ("buffered", {"volume_ml": "1.7"}),
    )  # fmt: skip
    found = doses_of(cases, promised, LIMITS)
    [agent] = found.by_agent
    assert [a.mean for a in agent.drug_mg] == pytest.approx([35.0, 31.5])
    assert [a.mean for a in agent.vasoconstrictor_ug] == pytest.approx([17.5, 15.75])
    assert isinstance(agent.drug_difference, Estimate)
    assert agent.drug_difference.estimate == pytest.approx(-3.5)
    assert agent.relative == pytest.approx(-0.1)
    assert agent.drug_difference.contrast == "buffered - plain"
    texts = {c.code: c.text for c in found.caution}
    assert texts["unlike_doses"].startswith("Buffered cases got 10 % less lidocaine than plain ones")
    assert "table dated 2026-11-26" in texts["not_dosing"]
    assert "not a dosing tool" in texts["not_dosing"]
    assert found.weight_missing == (2, 2)
    assert from_dict(found.to_dict()) == found


@pytest.mark.parametrize(("mode", "other"), [({}, "30.6"), ({"mix_mode": "add", "volume_ml": "1.87"}, "34.0")])
def test_a_dose_that_never_varies_has_no_interval_of_width_nought(mode, other):
    """Six of each arm, 1.7 mL of whole cartridges: 34 mg plain, and a tenth less or as much buffered."""
    volume = {"volume_ml": "1.7"}
    promised, cases = frame(*[("plain", volume)] * 6, *[("buffered", {**volume, **mode})] * 6)
    found = doses_of(cases, promised, LIMITS)
    [agent] = found.by_agent
    assert [a.sd for a in agent.drug_mg] == [0, 0]
    assert (NO_SPREAD in agent.drug_difference.caution) == (NO_SPREAD in agent.vasoconstrictor_difference.caution)
    assert NO_SPREAD in agent.drug_difference.caution
    told = section(found, promised)
    said, table = told.blocks[0].text, next(b for b in told.blocks if isinstance(b, Table))
    assert said == (
        "Every case whose amount is known got 34.0 mg lidocaine, whichever the injection: " if other == "34.0" else
        f"Every not buffered case whose amount is known got 34.0 mg lidocaine, every buffered one {other} mg: "
    ) + "amounts that do not vary have no interval, and tell nothing of further cases."  # fmt: skip
    rows = {row[0]: row[-1] for row in table.rows}
    difference = "0.0" if other == "34.0" else "\u22123.4"
    assert rows["Drug, mg"] == f"{difference} (no interval: no amount varies)"
    assert rows["Vasoconstrictor, µg"].endswith("(no interval: no amount varies)")


def test_welch_agrees_with_the_library():
    from scipy import stats

    volumes = {"plain": (1.8, 1.7, 1.6, 1.8, 3.6), "buffered": (1.8, 1.75, 1.2)}
    promised, cases = frame(*((arm, {"volume_ml": str(v)}) for arm, vs in volumes.items() for v in vs))
    e = doses_of(cases, promised, LIMITS).by_agent[0].drug_difference
    plain, buffered = np.array(volumes["plain"]) * 20, np.array(volumes["buffered"]) * 18
    theirs = stats.ttest_ind(buffered, plain, equal_var=False)
    interval = theirs.confidence_interval(0.95)
    assert (e.interval.low, e.interval.high) == pytest.approx((interval.low, interval.high))
    assert e.estimate / e.std_error == pytest.approx(theirs.statistic)


def test_adding_on_top_keeps_the_drug_of_a_whole_cartridge():
    promised, cases = frame(
        ("plain", {"volume_ml": "1.8"}), ("buffered", {"volume_ml": "1.98", "mix_mode": "add"})
    )  # fmt: skip
    [agent] = doses_of(cases, promised, LIMITS).by_agent
    assert [a.mean for a in agent.drug_mg] == pytest.approx([36.0, 36.0])
    assert isinstance(agent.drug_difference, NotAvailable)
    assert agent.drug_difference.reason == "the dose of 1 plain case is known, and it takes two in each arm"


def test_what_cannot_be_told_is_counted_with_its_reason():
    promised, cases = frame(
        ("plain", {"agent_percent": ""}),
        ("plain", {"cartridge_ml": ""}),
        ("plain", {"vasoconstrictor": ""}),
        ("buffered", {"cartridge_ml": ""}),
        ("buffered", {"vasoconstrictor_dilution": ""}),
        ("buffered", {"vasoconstrictor": "none", "vasoconstrictor_dilution": ""}),
    )
    found = doses_of(cases, promised, LIMITS)
    assert {r.code: r.count for r in found.not_computable} == {
        "no_strength": 1, "no_cartridge": 1, "no_vasoconstrictor": 1, "no_dilution": 1,
    }  # fmt: skip
    [agent] = found.by_agent
    # A plain case needs no cartridge: its strength is known.
    assert [a.with_amount for a in agent.drug_mg] == [2, 2]
    assert [a.with_amount for a in agent.vasoconstrictor_ug] == [2, 1]


def test_agents_are_never_averaged_together():
    promised, cases = frame(
        ("plain", {}), ("plain", {"agent": "articaine", "agent_percent": "4"}), ("buffered", {}),
    )  # fmt: skip
    found = doses_of(cases, promised, LIMITS)
    assert [agent.agent for agent in found.by_agent] == ["articaine", "lidocaine"]
    assert found.by_agent[0].drug_mg[0].mean == pytest.approx(72)


def test_flags_are_counted_by_kind_and_arm():
    promised, cases = frame(
        ("plain", {"volume_ml": "10", "weight_kg": "40"}),
        ("plain", {"volume_ml": "1.8", "weight_kg": "70"}),
        ("buffered", {"volume_ml": "1.8", "weight_kg": "70", "mixed_to_injection_min": "12"}),
        ("buffered", {"volume_ml": "1.8", "weight_kg": "70"}),
    )
    found = doses_of(cases, promised, LIMITS)
    assert {f.code: (f.counts, f.of) for f in found.flags} == {
        "above_conservative": ((1, 0), (2, 2)),
        "vasoconstrictor_heart": ((1, 0), (2, 2)),
        "mixed_long_ago": ((0, 1), (0, 1)),
    }
    assert any(source.startswith("Australian table of dental local anaesthetics, 2011") for source in found.sources)


def test_the_protocol_chooses_the_list_and_lowers_limits_only():
    promised, cases = frame(("plain", {"volume_ml": "10", "weight_kg": "40"}), ("buffered", {}))
    label = dataclasses.replace(promised, doses=DoseRule(limits="label"))
    assert [f.code for f in doses_of(cases, label, LIMITS).flags] == ["vasoconstrictor_heart"]
    own = DoseRule(limits="label", clinic=(ClinicLimit(drug="lidocaine", mg_per_kg=9.0, max_mg=150.0),))
    found = doses_of(cases, dataclasses.replace(promised, doses=own), LIMITS)
    assert [f.code for f in found.flags] == ["above_clinic", "vasoconstrictor_heart"]
    for looked_at, lowest in (("label", "7"), ("conservative", "4.4")):
        found = doses_of(cases, dataclasses.replace(promised, doses=dataclasses.replace(own, limits=looked_at)), LIMITS)
        told = {c.code: c.text for c in found.caution}
        assert told["clinic_limit_not_lower"] == (
            f"The clinic's own limit of lidocaine is 9 mg/kg, above the table's {lowest} mg/kg: it changes nothing, as "
            "the lowest limit counts."
        )
    # Below the label's 7 mg/kg a clinic's limit does change something where the label is looked at.
    lower = DoseRule(limits="label", clinic=(ClinicLimit(drug="lidocaine", mg_per_kg=4.5),))
    found = doses_of(cases, dataclasses.replace(promised, doses=lower), LIMITS)
    assert "above_clinic" in [f.code for f in found.flags]
    assert "clinic_limit_not_lower" not in [c.code for c in found.caution]
    untold = doses_of(cases, dataclasses.replace(promised, doses=None), LIMITS)
    assert untold.lists == ("label", "conservative")
    assert not [f.code for f in untold.flags if "clinic" in f.code], "no limits of the clinic's own"
    assert untold == doses_of(cases, dataclasses.replace(promised, doses=DoseRule()), LIMITS)


def test_the_order_of_the_rows_changes_nothing():
    rng = np.random.default_rng(3)
    rows = [(arm, {"volume_ml": f"{v:.2f}"}) for arm in ("plain", "buffered") for v in rng.uniform(0.9, 3.6, 12)]
    promised, cases = frame(*rows)
    turned = cases.sample(frac=1, random_state=4).reset_index(drop=True)
    assert doses_of(turned, promised, LIMITS) == doses_of(cases, promised, LIMITS)


def test_no_case_at_all_is_no_error():
    promised, cases = frame(("plain", {}))
    found = doses_of(cases.iloc[:0], promised, LIMITS)
    assert (found.cases, found.by_agent, found.flags) == (0, (), ())
    assert isinstance(found.to_frame(), pd.DataFrame)


def test_prilocaine_comes_with_its_warning():
    promised, cases = frame(("plain", {"agent": "prilocaine", "agent_percent": "4"}))
    assert any("methaemoglobinaemia" in c.text for c in doses_of(cases, promised, LIMITS).caution)


@pytest.mark.parametrize(("country", "flagged"), [("US", False), ("EU", True)])
def test_the_labels_are_those_of_the_protocols_country(country, flagged):
    """Mepivacaine 3 %, 320 mg at 70 kg: under 400 mg of the US label, over 300 mg of the European text."""
    rule = dataclasses.replace(protocol().doses or DoseRule(), limits="label", country=country)
    made = dataclasses.replace(protocol(), doses=rule)
    cases = pd.DataFrame({
        "arm": ["plain"], "agent": ["mepivacaine"], "vasoconstrictor": ["none"], "agent_percent": [3.0],
        "cartridge_ml": [1.8], "volume_ml": [320 / 30], "weight_kg": [70.0], "age_band": ["18-39"],
    })  # fmt: skip
    codes = {f.code for f in doses_of(cases, made, read_dose_limits()).flags}
    assert ("above_label" in codes) == flagged


def visit_flags(*rows):
    promised, cases = frame(*rows)
    found = doses_of(cases, promised, LIMITS)
    return {f.code: f.counts for f in found.flags}, {c.code for c in found.caution}, found


HIGH = {"volume_ml": "10", "weight_kg": "50"}


def test_a_supplement_is_part_of_the_visit_and_takes_it_over_its_line():
    """Lidocaine with epinephrine, 200 mg at 50 kg: under 4.4 mg/kg (220 mg); 72 mg more by a supplement: over it."""
    without, _, _ = visit_flags(("plain", HIGH))
    assert "visit_above_conservative" not in without
    small = {**HIGH, "rescue_min": "12", "rescue_volume_ml": "0.9"}
    assert "visit_above_conservative" not in visit_flags(("plain", small))[0]
    over, caution, _ = visit_flags(("plain", {**small, "rescue_volume_ml": "3.6"}))
    assert over["visit_above_conservative"] == (1, 0)
    assert "supplement_not_counted" not in caution


def test_a_supplement_of_another_agent_adds_its_fraction():
    """Articaine 4 %, 1.8 mL at 50 kg, is 72 of 350 mg: .21 of its limit, beside 200 of 220 mg: .91."""
    other = {**HIGH, "rescue_min": "12", "rescue_agent": "articaine", "rescue_percent": "4",
             "rescue_vasoconstrictor": "epinephrine", "rescue_dilution": "100000"}  # fmt: skip
    assert visit_flags(("plain", {**other, "rescue_volume_ml": "1.8"}))[0]["visit_above_conservative"] == (1, 0)
    assert "visit_above_conservative" not in visit_flags(("plain", {**other, "rescue_volume_ml": "0.4"}))[0]
    promised, cases = frame(("plain", {**other, "rescue_volume_ml": "1.8", "rescue_percent": ""}))
    untold = doses_of(cases, promised, LIMITS)
    assert "supplement_not_counted" in {c.code for c in untold.caution}


def test_supplements_of_one_patient_on_one_day_join_the_other_case():
    rows = [{**HIGH, "volume_ml": "5", "patient_id": "P01-ONE"} for _ in range(2)]
    assert "visit_above_conservative" not in visit_flags(*(("plain", row) for row in rows))[0]
    rows[1] |= {"rescue_min": "12", "rescue_volume_ml": "1.8"}
    assert visit_flags(*(("plain", row) for row in rows))[0]["visit_above_conservative"] == (2, 0)


SUPPLEMENTS = pd.DataFrame(
    [("lidocaine", 2.0, 100_000.0, 1.8), *[("articaine", 4.0, 200_000.0, 1.7)] * 8],
    columns=["rescue_agent", "rescue_percent", "rescue_dilution", "rescue_volume_ml"],
).assign(rescue_vasoconstrictor="epinephrine")


def test_supplements_of_two_solutions_add_their_fractions():
    """72 + 36 mg of lidocaine and 544 mg of articaine at 70 kg: .22 and 1.11 of 7 mg/kg; .35 and 1.11 of the strictest.

    Epinephrine, 36 + 18 + 68 µg: three times the limit in heart disease.
    """
    promised, cases = frame(("plain", {"weight_kg": "70", "volume_ml": "3.6", "rescue_min": "12"}), ("plain", {}))
    alone = doses_of(cases, promised, LIMITS)
    assert not alone.flags
    assert "supplement_not_counted" in {c.code for c in alone.caution}
    both = SUPPLEMENTS.assign(case_id=cases["case_id"][0])
    found = doses_of(cases, promised, LIMITS, supplements=both)
    codes = {f.code: f.counts for f in found.flags}
    assert codes == dict.fromkeys(("visit_above_label", "visit_above_conservative", "vasoconstrictor_heart"), (1, 0))
    assert "supplement_not_counted" not in {c.code for c in found.caution}
    assert found.by_agent == alone.by_agent, "amounts by arm are of the planned injections"
    # Of a case that is not here they count nowhere, and one whose strength is not told is counted as such.
    assert doses_of(cases, promised, LIMITS, supplements=both.assign(case_id="P09-0001")) == alone
    untold = both.assign(rescue_percent=[2.0, np.nan, *[4.0] * 7])
    told = {c.code: c.text for c in doses_of(cases, promised, LIMITS, supplements=untold).caution}
    assert told["supplement_not_counted"].startswith("In 1 of 1 case with a supplement a volume or strength is not")


def test_heart_disease_is_held_against_planned_injection_and_supplement_together():
    """36 and 18 µg of epinephrine in one visit are 135 % of 40 µg."""
    one = {"weight_kg": "70", "volume_ml": "3.6"}
    assert "vasoconstrictor_heart" not in visit_flags(("plain", one))[0]
    both = {**one, "rescue_min": "12", "rescue_volume_ml": "1.8"}
    assert visit_flags(("plain", both), ("plain", one))[0]["vasoconstrictor_heart"] == (1, 0)


@pytest.mark.parametrize(
    ("topical", "told"), [("lidocaine", True), ("lidocaine_prilocaine", True), ("benzocaine", False)]
)
def test_topical_anaesthetic_of_the_same_kind_is_told_to_be_in_no_total(topical, told):
    _, caution, found = visit_flags(("plain", {"topical": topical}), ("plain", {"topical": "none"}))
    assert ("topical_not_counted" in caution) == told
    texts = [c.text for c in found.caution if c.code == "topical_not_counted"]
    assert all(text.startswith("In 1 case topical lidocaine, alone or with prilocaine,") for text in texts)


@pytest.mark.parametrize(("country", "name"), [("UK", "the United Kingdom"), ("DE", "Germany"), ("EU", ""), ("US", "")])
def test_a_country_without_a_label_is_told_whose_text_counts(country, name):
    """Articaine 4 %, 18 mL at 80 kg: 720 mg, over the 500 mg of the European text and the 560 of the American label."""
    promised, cases = frame(
        ("plain", {"agent": "articaine", "agent_percent": "4", "volume_ml": "18", "weight_kg": "80"})
    )
    rule = DoseRule(limits="label", country=country)
    found = doses_of(cases, dataclasses.replace(promised, doses=rule), LIMITS)
    codes = {f.code for f in found.flags}
    assert "above_label" in codes
    assert not {"drug_not_checked", "vasoconstrictor_not_checked"} & codes
    told = [c.text for c in found.caution if c.code == "eu_product_text"]
    assert told == ([f"Where the table has no label of {name}, the EU product text counts."] if name else [])


def test_a_supplement_without_its_volume_is_counted_as_not_counted():
    _, caution, found = visit_flags(("plain", {**HIGH, "rescue_min": "12"}), ("plain", HIGH))
    assert "supplement_not_counted" in caution
    [text] = [c.text for c in found.caution if c.code == "supplement_not_counted"]
    assert text.startswith("In 1 of 1 case with a supplement a volume or strength is not recorded")
    assert "supplement_not_counted" not in visit_flags(("plain", HIGH))[1]


def test_a_supplement_without_vasoconstrictor_is_held_against_its_own_line():
    """Bupivacaine without vasoconstrictor: 200 mg as a supplement pass the 175 mg of the injection label."""
    more = {"weight_kg": "70", "rescue_min": "12", "rescue_agent": "bupivacaine", "rescue_percent": "2",
            "rescue_vasoconstrictor": "none", "rescue_volume_ml": "10"}  # fmt: skip
    flags, _, found = visit_flags(("plain", more))
    assert flags["above_label"] == (1, 0)
    assert found.by_agent[0].drug_mg[0].mean == pytest.approx(36)


def test_a_supplement_never_takes_a_flag_away():
    rng, more = np.random.default_rng(5), 0
    for _ in range(10):
        row = {"volume_ml": f"{rng.uniform(0.5, 10):.2f}", "weight_kg": f"{rng.uniform(20, 90):.0f}"}
        promised, cases = frame(("plain", {**row, "rescue_min": "12", "rescue_volume_ml": "0.9"}))
        without = cases.assign(rescue_min=np.nan, rescue_volume_ml=np.nan)
        before = {f.code for f in doses_of(without, promised, LIMITS).flags}
        for volume in (0.9, 1.8, 5.4):
            after = {f.code for f in doses_of(cases.assign(rescue_volume_ml=volume), promised, LIMITS).flags}
            assert before <= after, volume
            more += len(after - before)
    assert more > 0


def test_a_case_that_is_not_analysed_is_held_against_the_limits_and_counts_in_no_arm():
    promised, cases = frame(("plain", {"volume_ml": "1.8"}), ("plain", {"volume_ml": "10", "weight_kg": "40"}))
    alone = doses_of(cases.iloc[:1], promised, LIMITS)
    both = doses_of(cases.iloc[:1], promised, LIMITS, left_out=cases.iloc[1:])
    assert not alone.flags
    assert "above_conservative" in [f.code for f in both.flags]
    assert both.by_agent == alone.by_agent
    assert both.cases == 1
    told = {c.code: c.text for c in both.caution}
    assert told["left_out_looked_at"].startswith("1 case that is not analysed is held against the limits too")
    assert "left_out_looked_at" not in {c.code for c in alone.caution}


def test_one_visit_is_summed_though_a_row_of_it_is_left_out():
    """Two injections of 5.4 mL in a patient of 40 kg: 108 mg each, 216 together; the stricter list has 176."""
    same = {"volume_ml": "5.4", "weight_kg": "40", "patient_id": "P01-K9", "case_date": "2025-11-03"}
    promised, cases = frame(("plain", same), ("plain", same))
    assert not [f for f in doses_of(cases.iloc[:1], promised, LIMITS).flags if f.code.startswith("visit")]
    found = doses_of(cases.iloc[:1], promised, LIMITS, left_out=cases.iloc[1:])
    assert [f.code for f in found.flags if f.code.startswith("visit")]


def test_the_report_of_a_practice_looks_at_cases_that_its_protocol_does_not_admit():
    promised = protocol()
    rows = [case(i, "plain" if i % 2 else "buffered", baseline_response="felt", weight_kg="70") for i in range(1, 5)]
    rows[0] |= {"agent": "bupivacaine", "agent_percent": "0.5", "vasoconstrictor": "none", "volume_ml": "19",
                "vasoconstrictor_dilution": "", "cartridge_ml": "1.8"}  # fmt: skip
    checked = records(rows, [r for i in range(1, 5) for r in readings_of(i, "fnn")], promised)
    assert len(checked.cases) == 4
    results = analyse(promised, checked, beside=Companions(limits=LIMITS))
    assert results.overall.n.cases == 3
    assert any(code.startswith("above") for code in (f.code for f in results.doses.flags))


def test_the_report_of_a_practice_counts_supplements_that_stand_beside_a_case():
    promised = protocol()
    rows = [case(i, "plain" if i % 2 else "buffered", baseline_response="felt", weight_kg="70", **WHOLE)
            for i in range(1, 5)]  # fmt: skip
    rows[0]["rescue_min"] = "12"
    checked = records(rows, [r for i in range(1, 5) for r in readings_of(i, "fnn")], promised)
    beside = OpenTables(supplements=SUPPLEMENTS.assign(case_id=rows[0]["case_id"]))
    for told, flagged in ((OpenTables(), False), (beside, True)):
        results = analyse(promised, dataclasses.replace(checked, open_tables=told), beside=Companions(limits=LIMITS))
        assert ("visit_above_label" in [f.code for f in results.doses.flags]) == flagged
        assert ("supplement_not_counted" in [c.code for c in results.doses.caution]) != flagged
