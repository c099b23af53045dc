"""Sixteen doses worked out by hand, and a visit with two agents: percent of the US label and of the strictest line.

Source: the trade facts of this project, section 7 (labels read 2026-11; every limit's document is in the table).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from onsetstudy.core.errors import RecordsError
from onsetstudy.doses.dose_check import DoseCases, check_doses, check_visits, lowest_limits
from onsetstudy.doses.limits import check_limits
from onsetstudy.doses.one_cartridge import cartridge_limits
from onsetstudy.files.sources.dated_tables import read_dose_limits

TABLE = read_dose_limits()


def given(*doses, kg=np.nan, age="18-39"):
    """Doses of one patient: ``(agent, vasoconstrictor, mg, mg of vasoconstrictor, percent)``."""
    columns = list(zip(*doses, strict=True))
    n = len(doses)
    return DoseCases(
        agent=np.array(columns[0], dtype=np.str_),
        vasoconstrictor=np.array(columns[1], dtype=np.str_),
        drug_mg=np.array(columns[2], dtype=float),
        vasoconstrictor_mg=np.array(columns[3], dtype=float),
        weight_kg=np.full(n, float(kg)),
        age_band=np.array([age] * n),
        agent_percent=np.array(columns[4], dtype=float),
        cartridge_ml=np.full(n, 1.8),
    )


def percent(cases, name, of="drug", heart=False):
    """Sum of the fractions of the limits, percent; ``nan`` where nothing can be checked."""
    lines = tuple(x for x in TABLE.lines(name) if x.heart == heart and not x.usual)
    amount = cases.drug_mg if of == "drug" else cases.vasoconstrictor_mg
    return 100 * float(np.sum(amount / lowest_limits(cases, lines, of=of).max_mg))


LIDO = ("lidocaine", "epinephrine")
CASES = {
    "1": (given(("lidocaine", "none", 400, 0, 2), kg=60), 148, 200),
    "2": (given(("bupivacaine", "none", 200, 0, 0.5), kg=70), 114, 222),
    "3": (given((*LIDO, 180, 0.09, 2), (*LIDO, 180, 0.09, 2), (*LIDO, 170, 0.085, 2), kg=60), 126, 201),
    "4": (given((*LIDO, 144, 0.072, 2), kg=19, age="4-11"), 108, 172),
    "5": (given((*LIDO, 380, 0.19, 2), kg=19, age="4-11"), 286, 455),
    "7": (given((*LIDO, 72, 0.036, 2), ("articaine", "epinephrine", 136, 0.034, 4), kg=50), 59.4, 71.6),
    "8": (given(("mepivacaine", "none", 153, 0, 3), (*LIDO, 180, 0.09, 2), kg=50), 97.8, 151.4),
    "9": (given(("lidocaine", "", 320, np.nan, 2), kg=70), 107, 160),
    "10": (given(("articaine", "epinephrine", 500, 0.0625, 4), kg=90), 79, 100),
    "11": (given(("mepivacaine", "none", 66, 0, 3), kg=20, age="4-11"), 56, 110),
    "12a": (given(("prilocaine", "none", 576, 0, 4), kg=65), 111, 148),
    "12b": (given(("prilocaine", "none", 576, 0, 4), kg=80), 96, 144),
    "13": (given(("prilocaine", "felypressin", 240, np.nan, 3), kg=70), np.nan, 133),
    "16": (given((*LIDO, 250, 0.125, 2), (*LIDO, 220, 0.11, 2), kg=65), 103, 164),
}


@pytest.mark.parametrize("number", list(CASES))
def test_percent_of_the_label_and_of_the_strictest_line(number):
    cases, label, strictest = CASES[number]
    unit = 0.05 if number in ("7", "8") else 0.5
    assert percent(cases, "label") == pytest.approx(label, abs=unit, nan_ok=True)
    assert percent(cases, "conservative") == pytest.approx(strictest, abs=unit)


@pytest.mark.parametrize("number", list(CASES))
def test_above_its_line_is_flagged_and_at_the_line_is_not(number):
    cases, label, strictest = CASES[number]
    visit = np.full(cases.size, "one patient, one day")
    codes = {f.code for _, f in (*check_doses(cases, TABLE), *check_visits(cases, visit, TABLE))}
    for name, reached in (("label", label), ("conservative", strictest)):
        assert bool(codes & {f"above_{name}", f"visit_above_{name}"}) == (reached > 100), codes


def test_a_visit_adds_up_its_vasoconstrictor_too():
    cases, _, _ = CASES["3"]
    assert percent(cases, "label", "vasoconstrictor") == pytest.approx(132, abs=0.5)
    found = check_visits(cases, np.full(3, "v"), TABLE)
    assert "visit_vasoconstrictor" in {f.code for _, f in found}
    assert any("132 % of the adult limit" in f.text for _, f in found)


@pytest.mark.parametrize("number", ["4", "5"])
def test_no_adult_line_for_the_vasoconstrictor_of_a_child(number):
    cases, _, _ = CASES[number]
    codes = [f.code for _, f in check_doses(cases, TABLE)]
    assert "vasoconstrictor_not_checked" in codes
    assert not {"vasoconstrictor_above_label", "vasoconstrictor_above_conservative"} & set(codes)


def test_under_the_age_of_every_line_is_a_flag_and_no_percent():
    cases = given(("articaine", "epinephrine", 68, 0.0085, 4), kg=15, age="0-3")
    assert np.isnan(percent(cases, "label"))
    codes = [f.code for _, f in check_doses(cases, TABLE)]
    assert {"age_rule", "drug_not_checked"} <= set(codes)


@pytest.mark.parametrize(
    ("agent", "vasoconstrictor", "mg", "reached"),
    [("lidocaine", "epinephrine", 0.054, 135), ("mepivacaine", "levonordefrin", 0.27, 135)],
)
def test_heart_disease(agent, vasoconstrictor, mg, reached):
    cases = given((agent, vasoconstrictor, 108, mg, 2))
    for name in ("label", "conservative"):
        assert percent(cases, name, "vasoconstrictor", heart=True) == pytest.approx(reached)
        [flag] = [f for _, f in check_doses(cases, replace(TABLE, names=(name,))) if f.code == "vasoconstrictor_heart"]
        assert "the limit in significant heart disease, which is not recorded" in flag.text


@pytest.mark.parametrize("name", ["label", "conservative"])
def test_heart_disease_adds_up_over_a_visit(name):
    """Case 14 in two doses: 0.036 and 0.018 mg are below 0.04, and 135 % of it together."""
    cases = given((*LIDO, 72, 0.036, 2), (*LIDO, 36, 0.018, 2), kg=70)
    assert not check_doses(cases, replace(TABLE, names=(name,)))
    found = check_visits(cases, np.array(["v", "v"]), replace(TABLE, names=(name,)))
    assert [(case, f.code) for case, f in found] == [(0, "vasoconstrictor_heart"), (1, "vasoconstrictor_heart")]
    assert "together reach 135 % of the limit of the vasoconstrictor in significant heart disease" in found[0][1].text


@pytest.mark.parametrize(
    ("country", "case", "mg"),
    [
        ("UK", given((*LIDO, 1, 0.25, 2), kg=80), 500),
        ("DE", given(("articaine", "epinephrine", 1, 0.25, 4), kg=60), 420),
        ("DE", given(("mepivacaine", "none", 1, 0, 3), kg=20, age="4-11"), 60),
        ("UK", given(("prilocaine", "felypressin", 1, np.nan, 3), kg=70), 300),
        ("DE", given(("prilocaine", "felypressin", 1, np.nan, 3), kg=70), 180),
        ("EU", given(("prilocaine", "felypressin", 1, np.nan, 3), kg=70), np.nan),
        ("UK", given(("mepivacaine", "levonordefrin", 1, 0.25, 2), kg=70), np.nan),
        ("DE", given((*LIDO, 1, 0.25, 2), kg=20, age="4-11"), np.nan),
    ],
)
def test_without_a_label_of_its_own_a_country_takes_the_product_text_of_the_european_union(country, case, mg):
    """Section 7 has one column for both; where it has a dash, or nothing for children, nothing is invented."""
    lines = tuple(line for line in replace(TABLE, country=country).lines("label") if line.limits)
    assert lowest_limits(case, lines).max_mg[0] == pytest.approx(mg, nan_ok=True)
    codes = {f.code for _, f in check_doses(case, replace(TABLE, names=("label",), country=country))}
    assert ("drug_not_checked" in codes) == np.isnan(mg)
    # The limits of vasoconstrictors are of no country: for adults they are held against everywhere.
    over = case.vasoconstrictor_mg[0] > 0.2 and str(case.vasoconstrictor[0]) == "epinephrine" and case.weight_kg[0] > 20
    assert ("vasoconstrictor_above_label" in codes) == over


def test_a_country_s_own_line_keeps_that_of_the_european_union_for_the_same_solution_out():
    line = {"substance": "prilocaine", "list": "label", "vasoconstrictor": ["none", "felypressin"], "source": "s",
            "label": "found"}  # fmt: skip
    table = check_limits(
        {"title": "t", "date": "2026-11-26", "limit": [
            {**line, "country": "EU", "max_mg": 100.0},
            {**line, "country": "DE", "vasoconstrictor": "felypressin", "max_mg": 180.0},
        ]},
        file="mine.toml",
    )  # fmt: skip
    assert [x.max_mg for x in replace(table, country="DE").lines("label")] == [180.0]
    assert [x.max_mg for x in replace(table, country="UK").lines("label")] == [100.0]


def test_a_line_of_no_country_is_no_label_and_keeps_no_product_text_out():
    line = {"substance": "lidocaine", "list": "label", "source": "s", "label": "found"}
    limits = [{**line, "country": "EU", "max_mg": 200.0}, {**line, "country": "any", "max_mg": 500.0}]
    table = check_limits({"title": "t", "date": "2026-11-26", "limit": limits}, file="mine.toml")
    assert sorted(x.max_mg for x in replace(table, country="UK").lines("label")) == [200.0, 500.0]
    assert [x.max_mg for x in replace(table, country="US").lines("label")] == [500.0]


def test_a_country_that_is_not_known_is_told_that_a_line_may_be_of_any():
    line = {"substance": "lidocaine", "list": "label", "source": "s", "label": "found", "max_mg": 1.0, "country": "XX"}
    with pytest.raises(RecordsError, match="US, EU, UK, DE, any"):
        check_limits({"title": "t", "date": "2026-11-26", "limit": [line]}, file="mine.toml")


def test_a_vasoconstrictor_s_line_for_children_counts_for_a_child():
    line = {"substance": "epinephrine", "list": "label", "source": "s", "label": "found", "country": "any"}
    limits = [{**line, "max_mg": 0.2}, {**line, "applies": "under_12", "max_mg": 0.05}]
    table = check_limits({"title": "t", "date": "2026-11-26", "limit": limits}, file="mine.toml")
    for kg, age, mg in ((20, "4-11", 0.05), (20, "", 0.05), (70, "18-39", 0.2)):
        found = cartridge_limits(given((*LIDO, 36, 0.018, 2), kg=kg, age=age), table)
        assert found.vasoconstrictor.max_mg == mg
    shipped = cartridge_limits(given((*LIDO, 36, 0.018, 2), kg=20, age="4-11"), TABLE)
    assert shipped.vasoconstrictor is None


def test_a_heavy_child_gets_no_more_than_an_adult():
    """90 kg at 11 years: 7 mg/kg would be 630 mg, and an adult of any weight has 500; without a weight nothing."""
    lines = tuple(line for line in TABLE.lines("label") if line.limits)
    child = given((*LIDO, 600, 0.1, 2), kg=90, age="4-11")
    assert lowest_limits(child, lines).max_mg[0] == pytest.approx(500)
    assert "above_label" in {f.code for _, f in check_doses(child, TABLE)}
    heavy = given(("prilocaine", "none", 1, 0, 4), kg=72, age="4-11")
    assert lowest_limits(heavy, lines).max_mg[0] == pytest.approx(600)
    unweighed = given((*LIDO, 600, 0.1, 2), age="4-11")
    assert np.isnan(lowest_limits(unweighed, lines).max_mg[0])


def test_what_children_usually_need_is_told_as_no_limit():
    flags = {f.code: f.text for _, f in check_doses(given((*LIDO, 32.4, 0.0162, 2), kg=19, age="4-11"), TABLE)}
    assert flags["possible_child"].startswith(
        "32.4 mg of lidocaine is more than the 18 mg that children usually need, which is no limit: label (US), "
        "children under 10 years rarely need more"
    )
    perhaps = given(("prilocaine", "felypressin", 90, np.nan, 3), kg=20, age="4-11")
    flags = {f.code: f.text for _, f in check_doses(perhaps, TABLE)}
    told = "90 mg of prilocaine is more than 60 mg, the limit for the youngest of the age band: "
    assert flags["possible_child"].startswith(told)


def test_two_agents_at_sixty_percent_each_pass_together():
    cases = given((*LIDO, 0.6 * 7 * 50, 0.1, 2), ("articaine", "epinephrine", 0.6 * 7 * 50, 0.05, 4), kg=50)
    assert [f.code for _, f in check_doses(cases, replace(TABLE, names=("label",)))] == ["vasoconstrictor_heart"] * 2
    told = check_visits(cases, np.array(["v", "v"]), replace(TABLE, names=("label",)))
    [first, second] = [flag for flag in told if flag[1].code != "vasoconstrictor_heart"]
    assert "120 %" in first[1].text
    assert first[1].code == second[1].code == "visit_above_label"


@pytest.mark.parametrize("pair", [("articaine", "none"), ("lidocaine", "felypressin"), ("articaine", "levonordefrin")])
def test_a_pair_without_a_line_is_not_checked_and_says_so(pair):
    cases = given((*pair, 900, 0, 4), kg=70)
    assert np.isnan(percent(cases, "label"))
    flags = [f for _, f in check_doses(cases, TABLE)]
    assert "drug_not_checked" in [f.code for f in flags]
    assert any(f.text.endswith("Not checked.") for f in flags)


def test_no_line_that_is_taken_out_raises_what_the_strictest_list_allows():
    """Except where nothing is left, which is then said to be not checked."""
    cases, _, _ = CASES["1"]
    lines = TABLE.lines("conservative")
    whole = lowest_limits(cases, lines).max_mg[0]
    for out in range(len(lines)):
        fewer = lines[:out] + lines[out + 1 :]
        assert lowest_limits(cases, fewer).max_mg[0] >= whole
    # What a label allows never lies below what the strictest list does.
    for other, _, _ in CASES.values():
        label = lowest_limits(other, TABLE.lines("label")).max_mg
        strict = lowest_limits(other, lines).max_mg
        assert np.all(np.isnan(label) | (strict <= label + 1e-9))


def test_every_line_names_a_document_or_says_that_there_is_none():
    for line in TABLE.limits:
        assert line.source
        assert "dental teaching" not in line.source
        assert (line.label == "no document") == line.source.startswith("no document")
