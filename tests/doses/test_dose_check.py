"""Limits: the lowest counts and is named, a clinic's own never raises one, nothing is called harmless."""

from __future__ import annotations

import dataclasses
import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import onsetstudy.doses
from onsetstudy.core.errors import RecordsError
from onsetstudy.doses.dose_check import FLAG_TEXTS, DoseCases, check_doses, check_visits, lowest_limits
from onsetstudy.doses.limits import LABELS, check_limits, clinic_limits
from onsetstudy.doses.mixing import MIXING_TEXTS, check_mixing
from onsetstudy.files.sources.dated_tables import read_dose_limits

TABLE = read_dose_limits()
POUND = 0.45359237
SHIPPED = Path(onsetstudy.doses.__file__).parent / "tables" / "dose_limits.toml"


def cases(agent="lidocaine", **more):
    values = {
        "agent": agent, "vasoconstrictor": "epinephrine", "drug_mg": 36.0, "vasoconstrictor_mg": 0.018,
        "weight_kg": np.nan, "age_band": "", "agent_percent": 2.0, "cartridge_ml": 1.8, **more,
    }  # fmt: skip
    return DoseCases(**{k: np.atleast_1d(np.array(v)) for k, v in values.items()})


def limit(name="label", of="drug", possible=False, **more):
    lines = tuple(x for x in TABLE.lines(name) if not x.heart and not x.usual)
    check = lowest_limits(cases(**more), lines, of=of, possible=possible)
    return check.max_mg[0], check.used(0)


def codes(clinic=(), lists=("label", "conservative"), **more):
    """Codes of what was found; what was not checked has tests of its own."""
    found = check_doses(cases(**more), dataclasses.replace(TABLE, clinic=clinic, names=lists))
    return [flag.code for _, flag in found if not flag.code.endswith("not_checked")]


def test_the_worked_examples_of_labels(reference):
    ref = reference("label_dose_examples")
    child, _ = limit(weight_kg=20.0)
    ref.check("child 20 kg lidocaine 7 mg/kg: mg", child)
    ref.check("child 20 kg lidocaine 7 mg/kg: mL", child / 20)
    ref.check("child 20 kg lidocaine 7 mg/kg: cartridges", child / 36)
    articaine, _ = limit(agent="articaine", weight_kg=150 * POUND, agent_percent=4.0)
    whole = math.floor(articaine / (40 * 1.7))
    ref.check("150 lb articaine: cartridges of 1.7", whole)
    ref.check("150 lb articaine: mL", whole * 1.7)
    drug = math.floor(limit(weight_kg=150 * POUND)[0] / 36)
    epinephrine = math.floor(limit(of="vasoconstrictor", weight_kg=150 * POUND)[0] / 0.018)
    conservative = math.floor(limit("conservative", weight_kg=150 * POUND)[0] / 36)
    for name, n in (("by drug", drug), ("by epinephrine", epinephrine), ("conservative", conservative)):
        ref.check(f"150 lb lidocaine {name}: cartridges", n)
        ref.check(f"150 lb lidocaine {name}: mg", 36 * n)
    for percent in (2, 4, 3, 0.5):
        ref.check(f"1.8 mL of {percent:g} %", 10 * percent * 1.8)


def test_the_lowest_limit_counts_and_is_named():
    amount, used = limit(weight_kg=60.0)
    assert (amount, used.basis, used.list_name) == (420.0, "weight", "label")
    amount, used = limit(weight_kg=90.0)
    assert (amount, used.basis) == (500.0, "absolute")
    amount, used = limit()
    assert (amount, used.basis) == (500.0, "absolute")
    assert used.text == "label (US), 500 mg"
    assert used.label == "found"


def test_without_a_weight_an_agent_limited_by_weight_alone_has_no_label_limit():
    amount, used = limit(agent="articaine")
    assert math.isnan(amount)
    assert used is None
    assert limit("conservative", agent="articaine")[0] == 500.0


def test_prilocaine_changes_its_rule_at_70_kg():
    assert limit(agent="prilocaine", weight_kg=60.0)[0] == pytest.approx(480)
    assert limit(agent="prilocaine", weight_kg=69.99)[0] == pytest.approx(559.92)
    assert limit(agent="prilocaine", weight_kg=70.0)[0] == pytest.approx(600)


@pytest.mark.parametrize(
    ("case", "found"),
    [
        ({"drug_mg": 288.0, "weight_kg": 150 * POUND}, []),
        ({"drug_mg": 324.0, "weight_kg": 150 * POUND}, ["above_conservative"]),
        ({"drug_mg": 504.0, "weight_kg": 150 * POUND}, ["above_label", "above_conservative"]),
        ({"drug_mg": 300.0}, []),
        ({"drug_mg": 301.0}, ["above_conservative"]),
        ({"drug_mg": np.nan}, []),
        (
            {"vasoconstrictor_mg": 0.201},
            ["vasoconstrictor_above_label", "vasoconstrictor_above_conservative", "vasoconstrictor_heart"],
        ),
        ({"vasoconstrictor_mg": 0.045}, ["vasoconstrictor_heart"]),
        ({"vasoconstrictor_mg": 0.04}, []),
        ({"agent": "bupivacaine", "drug_mg": 9.0, "age_band": "4-11"}, ["age_rule"]),
        ({"agent": "bupivacaine", "drug_mg": 9.0, "age_band": "12-17"}, []),
        ({"agent": "articaine", "drug_mg": 72.0, "age_band": "4-11"}, []),
        ({"drug_mg": 18.0, "age_band": "4-11"}, []),
        ({"drug_mg": 18.1, "age_band": "4-11"}, ["possible_child"]),
        ({"drug_mg": 36.0, "age_band": "12-17"}, []),
        (
            {"agent": "mepivacaine", "vasoconstrictor": "levonordefrin", "drug_mg": 181.0, "age_band": "12-17"},
            ["above_label", "above_conservative"],
        ),
        ({"agent": "mepivacaine", "drug_mg": 181.0, "age_band": "18-39"}, []),
        ({"agent": "mepivacaine", "drug_mg": 269.0, "age_band": "4-11", "agent_percent": 3.0}, []),
        (
            {"vasoconstrictor": "none", "vasoconstrictor_mg": 0.0, "drug_mg": 310.0},
            ["above_label", "above_conservative"],
        ),
    ],
)
def test_what_calls_for_a_look(case, found):
    assert codes(**case) == found


def test_the_list_looked_at_can_be_the_label_alone():
    assert codes(drug_mg=301.0, lists=("label",)) == []
    assert codes(drug_mg=501.0, lists=("label",)) == ["above_label"]


def test_a_flag_is_a_caution_with_the_limit_and_its_source():
    [(row, flag)] = check_doses(cases(drug_mg=301.0), TABLE)
    assert row == 0
    assert flag.text == (
        "301 mg of lidocaine is more than 300 mg, the lowest limit that applies: conservative list, 300 mg "
        "(Australian table of dental local anaesthetics, 2011, and textbooks; its successor gives 7 mg/kg with "
        "epinephrine). Check the label and the patient."
    )
    assert (flag.limit.max_mg, flag.given_mg) == (300.0, 301.0)


def test_what_is_more_reads_so_to_the_last_digit():
    [(_, flag)] = check_doses(cases(drug_mg=300.04), TABLE)
    assert flag.text.startswith("300.04 mg of lidocaine is more than 300 mg, the lowest limit")


def test_a_limit_in_cartridges_without_a_text_is_told_in_words():
    line = {"substance": "lidocaine", "list": "label", "source": "label", "label": "found"}
    table = check_limits(content(limit=[{**line, "max_cartridges": n} for n in (7, 0.5)]), file="mine.toml")
    assert [each.told("cartridges") for each in table.limits] == [
        "label (US), 7 cartridges",
        "label (US), 0.5 cartridge",
    ]


def test_the_age_of_a_rule_is_whole_years():
    rule = {"substance": "articaine", "text": "no", "source": "label", "label": "found", "under_years": 3.5}
    with pytest.raises(RecordsError, match=r"under_years: 3\.5 is not an age"):
        check_limits(content(rule=[rule]), file="mine.toml")


def test_a_clinic_can_lower_a_limit():
    own = clinic_limits([("lidocaine", 3.0, 200.0)])
    assert codes(own, drug_mg=201.0) == ["above_clinic"]
    assert codes(own, drug_mg=199.0, weight_kg=50.0) == ["above_clinic"]
    assert codes(own, drug_mg=199.0, weight_kg=70.0) == []


substances = st.sampled_from(["lidocaine", "articaine", "mepivacaine", "prilocaine", "bupivacaine"])
maybe = st.one_of(st.none(), st.floats(0.1, 2000))


@given(substances, maybe, maybe, st.floats(10, 200), st.booleans(), st.floats(1, 900))
def test_a_clinic_never_raises_a_limit(agent, mg_per_kg, max_mg, weight, weighed, given_mg):
    if mg_per_kg is None and max_mg is None:
        return
    own = clinic_limits([(agent, mg_per_kg, max_mg)])
    case = cases(agent=agent, weight_kg=weight if weighed else np.nan, drug_mg=given_mg)
    lines = tuple(x for x in TABLE.limits if not x.heart)
    without = lowest_limits(case, lines).max_mg[0]
    with_own = lowest_limits(case, (*lines, *own)).max_mg[0]
    assert math.isnan(without) or with_own <= without
    before = {flag.code for _, flag in check_doses(case, TABLE)}
    after = {flag.code for _, flag in check_doses(case, dataclasses.replace(TABLE, clinic=own))}
    assert before <= after <= before | {"above_clinic"}


@given(substances, st.floats(10, 200), st.floats(1, 900), st.floats(1, 900))
def test_more_drug_never_has_fewer_flags(agent, weight, first, second):
    low, high = sorted((first, second))

    def found(mg):
        return set(codes(agent=agent, weight_kg=weight, drug_mg=mg))

    assert found(low) <= found(high)


def test_the_order_of_the_cases_changes_nothing():
    many = cases(
        agent=["lidocaine", "articaine", "lidocaine"], vasoconstrictor=["epinephrine"] * 3, drug_mg=[320.0, 600.0, 10],
        vasoconstrictor_mg=[0.1, 0.3, 0.01], weight_kg=[60.0, np.nan, 70], age_band=["18-39", "", "80+"],
        agent_percent=[2.0, 4.0, 2.0], cartridge_ml=[1.8] * 3,
    )  # fmt: skip
    order = np.array([2, 0, 1])
    turned = DoseCases(**{f.name: getattr(many, f.name)[order] for f in dataclasses.fields(many)})
    back = [(int(order[i]), flag) for i, flag in check_doses(turned, TABLE)]
    assert sorted(back, key=lambda p: p[0]) == list(check_doses(many, TABLE))


def test_no_word_of_a_flag_gives_an_all_clear():
    assert not any("safe" in text.lower() for text in (*FLAG_TEXTS.values(), *MIXING_TEXTS.values()))
    assert "safe" not in SHIPPED.read_text(encoding="utf-8").lower()


@pytest.mark.parametrize(
    ("agent", "ratio", "minutes", "found"),
    [
        ("lidocaine", 0.1, 0.5, []),
        ("lidocaine", 0.0, 30.0, []),
        ("lidocaine", 0.1, 10.0, []),
        ("lidocaine", 0.1, 10.5, ["mixed_long_ago"]),
        ("lidocaine", 0.1, np.nan, []),
        ("lidocaine", 0.3, 1.0, ["ratio_unusual"]),
        ("lidocaine", 1 / 8, 1.0, []),
        ("lidocaine", 1 / 20, 1.0, []),
        ("mepivacaine", 0.1, 18.0, ["mepivacaine_clouds", "mixed_long_ago"]),
        ("bupivacaine", 0.05, 1.0, ["bupivacaine_precipitates"]),
    ],
)
def test_cautions_about_the_mixture(agent, ratio, minutes, found):
    flags = check_mixing(np.array([agent]), np.array([ratio]), np.array([minutes]))
    assert [flag.code for _, flag in flags] == found
    assert all("discard if cloudy" in flag.text for _, flag in flags)


def test_every_limit_shipped_has_a_source_and_a_label():
    assert all(line.source and line.label in LABELS for line in (*TABLE.limits, *TABLE.rules))
    assert TABLE.date == "2026-11-26"


def content(**changes):
    found = tomllib.loads(SHIPPED.read_text(encoding="utf-8"))
    found["limit"] = found["limit"][:1]
    return {**found, **changes}


def test_a_table_with_faults_is_refused_with_all_of_them():
    wrong = content(
        date="yesterday",
        limits=[],
        limit=[
            {"substance": "lidocain", "list": "label", "mg_per_kg": -7, "source": "label", "label": "found"},
            {"substance": "lidocaine", "list": "label", "source": "", "label": "sure", "applies": "adults"},
        ],
    )
    with pytest.raises(RecordsError) as told:
        check_limits(wrong, file="mine.toml")
    lines = str(told.value).splitlines()
    assert lines[0] == "mine.toml, key limits: limits is not known. Take it out, or correct its name."
    assert (
        "mine.toml, key date: 'yesterday' is not a date. Write the day of the table as date = \"2026-11-25\"." in lines
    )
    assert "mine.toml, key limit 1, mg_per_kg: -7 cannot be a limit. Give a number above 0." in lines
    assert any(line.startswith('mine.toml, key limit 1, substance: "lidocain" is not known.') for line in lines)
    assert "mine.toml, key limit 2: a limit without an amount. Give one of mg_per_kg, max_mg, max_cartridges." in lines
    assert any('limit 2, applies: "adults" is not known' in line for line in lines)
    assert any("limit 2, source: a text is needed here" in line for line in lines)
    assert any('limit 2, label: "sure" is not known' in line for line in lines)


def test_a_clinic_limit_that_cannot_be_is_refused():
    with pytest.raises(RecordsError) as told:
        clinic_limits([("lidocane", 4.0, None), ("articaine", None, None), ("prilocaine", 0.0, math.inf)])
    lines = str(told.value).splitlines()
    assert len(lines) == 4
    assert lines[0].startswith('key doses.clinic.lidocane: there is no drug "lidocane".')
    assert lines[1] == "key doses.clinic.articaine: a limit without an amount. Give mg_per_kg, max_mg or both."
    assert lines[2] == "key doses.clinic.prilocaine: 0.0 cannot be a limit. Give a number above 0."


def test_arrays_of_unlike_length_are_refused():
    with pytest.raises(RecordsError, match="equally long"):
        cases(drug_mg=[1.0, 2.0])


@pytest.mark.parametrize(
    ("agent", "vasoconstrictor", "mg", "kg", "label_mg", "strict_mg"),
    [
        # By hand: 4.5 mg/kg x 60 kg = 270 mg, the label without a vasoconstrictor; 200 mg in the stricter product text.
        ("lidocaine", "none", 400.0, 60.0, 270.0, 200.0),
        # The injection label without a vasoconstrictor; 1.3 mg/kg x 70 kg = 91 mg, so 90 mg counts.
        ("bupivacaine", "none", 200.0, 70.0, 175.0, 90.0),
        # Not recorded: the stricter of both kinds, 4.5 mg/kg x 70 kg = 315 mg and 300 mg.
        ("lidocaine", "", 320.0, 70.0, 300.0, 200.0),
    ],
)
def test_an_overdose_without_or_with_an_unknown_vasoconstrictor_is_flagged(
    agent, vasoconstrictor, mg, kg, label_mg, strict_mg
):
    given = {
        "agent": agent, "vasoconstrictor": vasoconstrictor, "drug_mg": mg, "weight_kg": kg,
        "vasoconstrictor_mg": np.nan, "agent_percent": np.nan,
    }  # fmt: skip
    found = {flag.code: flag for _, flag in check_doses(cases(**given), TABLE)}
    assert found["above_label"].limit.max_mg == pytest.approx(label_mg)
    assert found["above_conservative"].limit.max_mg == pytest.approx(strict_mg)
    assert ("stricter line" in found["above_label"].text) == (vasoconstrictor == "")
    assert codes(**{**given, "drug_mg": strict_mg}) == []


def visit_codes(visit, **more):
    found = check_visits(cases(**more), np.array(visit), TABLE)
    return {(case, flag.code) for case, flag in found}, [flag.text for _, flag in found]


def test_doses_of_one_visit_are_added_up():
    # By hand: 180 + 180 + 170 = 530 mg at 60 kg; 7 mg/kg = 420 mg, so 126 %; each alone is at most 43 %.
    given = {"drug_mg": [180.0, 180.0, 170.0], "weight_kg": [60.0] * 3}
    given |= {name: [value] * 3 for name, value in (("agent", "lidocaine"), ("vasoconstrictor", "epinephrine"))}
    given |= {"vasoconstrictor_mg": [np.nan] * 3, "age_band": [""] * 3, "agent_percent": [2.0] * 3}
    given["cartridge_ml"] = [1.8] * 3
    assert not [flag for _, flag in check_doses(cases(**given), TABLE) if flag.code == "above_label"]
    found, texts = visit_codes(["p1", "p1", "p1"], **given)
    assert found == {(k, f"visit_above_{name}") for k in range(3) for name in ("label", "conservative")}
    assert "126 %" in texts[0]
    assert visit_codes(["p1", "p2", "p3"], **given)[0] == set()
    assert visit_codes(["", "", ""], **given)[0] == set()


@pytest.mark.parametrize(
    ("agents", "mg", "kg", "percent", "label", "strict"),
    [
        # By hand: 72/350 + 136/350 = .594; 72/220 + 136/350 = .716.
        (("lidocaine", "articaine"), (72.0, 136.0), 50.0, (2.0, 4.0), False, False),
        # 153/330 + 180/350 = .978; 153/220 + 180/220 = 1.514.
        (("mepivacaine", "lidocaine"), (153.0, 180.0), 50.0, (3.0, 2.0), False, True),
        # Two agents at 60 % of their label each: .6 x 500 mg of lidocaine and .6 x 90 mg of bupivacaine.
        (("lidocaine", "bupivacaine"), (300.0, 54.0), 100.0, (2.0, 0.5), True, True),
    ],
)
def test_fractions_of_two_agents_are_added_up(agents, mg, kg, percent, label, strict):
    vasoconstrictor = ["none" if agent == "mepivacaine" else "epinephrine" for agent in agents]
    found, _ = visit_codes(
        ["p", "p"], agent=list(agents), vasoconstrictor=vasoconstrictor, drug_mg=list(mg), weight_kg=[kg] * 2,
        vasoconstrictor_mg=[np.nan] * 2, age_band=["18-39"] * 2, agent_percent=list(percent), cartridge_ml=[1.8] * 2,
    )  # fmt: skip
    assert ((0, "visit_above_label") in found) == label
    assert ((0, "visit_above_conservative") in found) == strict
