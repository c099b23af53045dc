from __future__ import annotations

import copy
import math
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from onsetstudy.core.errors import ProtocolError
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.protocol.check import check_protocol
from onsetstudy.protocol.model import Quarter

FOLDER = Path(__file__).parents[2] / "protocols"
FILES = sorted(FOLDER.glob("*.toml"))
CONTENT = tomllib.loads((FOLDER / "mandibular_block_group.toml").read_text(encoding="utf-8"))


def changed(path: str, value: object) -> dict:
    """The content of the group's protocol with one key changed, added or (``...``) taken out."""
    content = copy.deepcopy(CONTENT)
    *tables, last = path.split(".")
    place = content
    for table in tables:
        place = place[int(table) if table.isdigit() else table]
    if value is ...:
        del place[last]
    else:
        place[int(last) if last.isdigit() else last] = value
    return content


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_shipped_protocols_are_complete_and_survive_json(path):
    protocol = read_protocol(path)
    assert from_dict(to_dict(protocol)) == protocol
    assert protocol.study.invented
    assert len(protocol.digest) == 64


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_every_key_of_a_shipped_protocol_is_explained(path):
    """The files are documentation: a key without a remark beside it would be a riddle."""
    speaks_for_itself = {"title", "question", "include", "exclude", "preparation", "covariates", "conf_level"}
    speaks_for_itself |= {"procedures", "techniques", "pulp_status", "agents", "age_bands", "planned_power"}
    for line in path.read_text(encoding="utf-8").splitlines():
        key = line.split(" = ")[0]
        second_of_a_kind = key in {"code", "label", "important_difference", "sensitivity"}
        if " = " in line and not line.startswith("#") and key not in speaks_for_itself and not second_of_a_kind:
            assert "  # " in line, line


@pytest.mark.parametrize(
    ("path", "value", "key", "words"),
    [
        ("study.design", "paralel", "study.design", "Write one of parallel, crossover, split_mouth"),
        ("study.id", "my study!", "study.id", "Write letters, digits and hyphens only"),
        ("study.title", "", "study.title", "Write a text that is not empty"),
        ("study.title", ..., "study.title", "this key is missing. Add title = … to the table [study]"),
        ("study.invented", "yes", "study.invented", "Write true or false"),
        ("study.blinding", {"dentist": "yes"}, "study.blinding.dentist", "Write one of patient, operator, assessor"),
        ("study.allocation", "coin", "study.allocation", "Write one of randomised, clinician_choice"),
        ("study.contact", "someone", "study.contact", "this key is not known. Leave it out; the keys here are id,"),
        ("population.techniques", ["block"], "population.techniques[1]", "Write one of buccal_infiltration"),
        ("population.agents", "lidocaine", "population.agents", "Write a list between square brackets"),
        ("arms", [CONTENT["arms"][0]], "arms", "Write at least 2 entries"),
        ("arms.1.code", "plain", "arms", "two arms have the same code. Give every arm its own code"),
        ("arms.1.code", "warmed", "arms[2].code", "Write one of plain, buffered"),
        ("testing.reference_arm", ..., "testing.reference_arm", "this key is missing"),
        ("testing.schedule_min", [2, 1, 15], "testing.schedule_min", "the test minutes do not increase"),
        ("testing.schedule_min", [], "testing.schedule_min", "Write at least 1 entries"),
        ("testing.schedule_min", [0, 1], "testing.schedule_min[1]", "Write a number above 0"),
        ("testing.schedule_min", ["1:30", 15], "testing.schedule_min[1]", "cannot be used. Write a number"),
        ("analysis.planned_hazard_ratio", float("inf"), "analysis.planned_hazard_ratio",
         "Write a number that has an end"),
        ("chair_time.material_cost", float("inf"), "chair_time.material_cost", "Write a number that has an end"),
        ("planning.pain_sd", float("inf"), "planning.pain_sd", "Write a number that has an end"),
        ("pain.important_difference", float("nan"), "pain.important_difference", "Write a number that has an end"),
        ("doses.clinic.lidocaine.max_mg", float("inf"), "doses.clinic.lidocaine.max_mg",
         "Write a number that has an end"),
        ("testing.tooth_notation", ..., "testing.tooth_notation", "this key is missing"),
        ("testing.tooth_notation", "fdi", "testing.tooth_notation", "Write one of iso3950, universal"),
        ("onset.confirmations", 0, "onset.confirmations", "Write a number of at least 1"),
        ("onset.confirmations", 2.5, "onset.confirmations", "Write a whole number"),
        ("onset.target_min", 20, "onset.target_min", "the target of 20 min lies beyond the horizon of 15 min"),
        ("onset.target_min", 0.5, "onset.target_min", "the target of 0.5 min lies before the first test at 1 min"),
        ("onset.tau_min", 16, "onset.tau_min", "cannot be confirmed: with 2 confirmations the last onset"),
        ("onset.tau_min", 30, "onset.tau_min", "lies beyond the last test at 16 min"),
        ("onset.confirmation", 2, "onset.confirmation", "Did you mean confirmations?"),
        ("rescue.success", "ignored", "rescue.success", "Write one of composite, hypothetical"),
        ("pain.scale", "thermometer", "pain.scale", "Write one of vas100, nrs11, hp170, vrs4, faces"),
        ("pain.important_difference", 100, "pain.important_difference", "is more than vas100 can show"),
        ("pain", ..., "analysis.secondary", "pain_difference needs the table [pain]"),
        ("pain.painless_at_most", 200, "pain.painless_at_most", "no score is as high as this"),
        ("analysis.secondary", ["restricted_wait"], "analysis.secondary", "rmst_difference is the primary outcome"),
        ("analysis.multiplicity", "bonferoni", "analysis.multiplicity", "Write one of holm, hochberg"),
        ("looks.boundary", "anytime", "looks.futility", "needs a boundary by spending"),
        ("looks.planned_information", 2, "looks.planned_information", "Write a number of at least 4"),
        ("looks.alpha", 0.01, "looks.alpha", "Write alpha = 0.05, or conf_level = 0.99 under [analysis]"),
        ("analysis.conf_level", 0.99, "looks.alpha", "looks that err in 0.05 do not belong to limits of"),
        ("study.practices", ["P01", "p01"], "study.practices", "two practices have one code"),
        ("analysis.covariates", ["technique"], "analysis.covariates", "technique is one of the strata already"),
        ("allocation.block_sizes", [2, 3], "allocation.block_sizes", "a block of 3 cannot hold the arms"),
        ("allocation.ratio", [1, 1, 1], "allocation.ratio", "3 numbers for 2 arms"),
        ("allocation.method", "paired", "allocation.method", "paired does not belong to the design parallel"),
        ("allocation.washout_days", 7, "allocation.washout_days", "no second injection in the design parallel"),
        ("allocation.seed", 5, "allocation.seed", "this key is not known"),
        ("study.allocation", "alternating", "allocation", "arms are not randomised here"),
        ("doses.clinic", {"aspirin": {"max_mg": 1.0}}, "doses.clinic.aspirin", "Write one of lidocaine"),
        ("conduct", {"hopes": "many"}, "conduct.hopes", "Write one of registration"),
        ("analysis.seed", ..., "analysis.seed", "this key is missing"),
        ("analysis.seed", -4, "analysis.seed", "Write a number of at least 0"),
        ("analysis.conf_level", 95, "analysis.conf_level", "Write a number below 1"),
        ("analysis.strata", ["zodiac"], "analysis.strata[1]", "Write one of technique, procedure"),
        ("analysis.strata", ["technique", "technique"], "analysis.strata", "an entry stands there twice"),
        ("analysis.sensitivity", ["all"], "analysis.sensitivity[1]", "Write one of confirmations_1"),
        ("analysis.planned_hazard_ratio", 1, "analysis.planned_hazard_ratio", "a ratio of 1 is no effect"),
        ("analysis.planned_hazard_ratio", math.inf, "analysis.planned_hazard_ratio", "Write a number that has an end"),
        ("doses.clinic", {"lidocaine": {"max_mg": math.inf}}, "doses.clinic.lidocaine.max_mg", "that has an end"),
        ("onset.tau_min", math.nan, "onset.tau_min", "Write a number that has an end"),
        ("study.practices", ["P01 "], "study.practices[1]", "Write a code of letters, digits and hyphens"),
        ("report.quarters", ["0000Q1"], "report.quarters[1]", "Write a calendar quarter as 2026Q3"),
        ("report.quarters", ["2026-Q1"], "report.quarters[1]", "Write a calendar quarter as 2026Q3"),
        ("report.quarters", ["2026Q1", "2026Q3"], "report.quarters", "the quarters do not follow one another"),
        ("report", ..., "report", "this key is missing. Add the table [report]"),
        ("extra", {"a": 1}, "extra", "this key is not known"),
    ],
)  # fmt: skip
def test_what_cannot_be_kept_is_named_with_its_mend(path, value, key, words):
    content = changed(path, value)
    with pytest.raises(ProtocolError) as caught:
        check_protocol(content, file="mine.toml")
    assert any(str(p).startswith(f"mine.toml, key {key}:") and words in str(p) for p in caught.value.problems), str(
        caught.value
    )


def test_looks_at_one_side_may_err_in_what_lies_beyond_one_limit_or_both():
    for alpha in (0.05, 0.025):
        content = changed("looks.alpha", alpha)
        content["looks"]["sided"] = 1
        assert check_protocol(content).looks.alpha == alpha


@pytest.mark.parametrize("boundary", ["none", "anytime"])
def test_one_side_without_a_boundary_by_spending_is_refused_with_what_to_write(boundary):
    content = changed("looks", {"boundary": boundary, "planned_information": 300, "sided": 1, "alpha": 0.025})
    with pytest.raises(ProtocolError) as caught:
        check_protocol(content)
    told = {p.where.key: p.mend for p in caught.value.problems}
    assert 'write sided = 2, or a boundary by spending: "obrien_fleming"' in told.pop("looks.sided")
    assert list(told) == (["looks.alpha"] if boundary == "anytime" else [])
    content["looks"] |= {"sided": 2, "alpha": 0.05}
    assert check_protocol(content).looks.sided == 2


def test_a_margin_that_no_pain_can_pass_and_a_ratio_of_arms_that_each_patient_has_are_told():
    content = changed("adoption", {"net_min": 1.0, "pain_margin": 100.0, "not_numb_margin": 0.1, "stopping_harms": []})
    content["study"]["design"] = "crossover"
    content["allocation"] |= {"method": "paired", "ratio": [2, 1], "block_sizes": [6]}
    with pytest.raises(ProtocolError) as caught:
        check_protocol(content)
    told = {p.where.key: p.mend for p in caught.value.problems}
    assert told == {"adoption.pain_margin": "write less than 100 mm", "allocation.ratio": "take ratio out"}


def test_all_problems_come_at_once():
    content = changed("study.design", "x")
    content["onset"]["confirmations"] = 0
    del content["analysis"]["seed"]
    with pytest.raises(ProtocolError) as caught:
        check_protocol(content)
    assert len(caught.value.problems) == 3


def test_contradictions_are_told_together_with_missing_and_unknown_keys():
    content = changed("testing.tooth_notation", ...)
    content["study"]["contact"] = "someone"
    content["looks"]["boundary"] = "anytime"
    content["report"]["quarters"] = ["2026Q1", "2026Q3"]
    content["onset"]["tau_min"] = 30
    with pytest.raises(ProtocolError) as caught:
        check_protocol(content)
    told = [(p.where.key, p.code) for p in caught.value.problems]
    assert sorted(told) == [
        ("looks.futility", "contradiction"),
        ("onset.tau_min", "contradiction"),
        ("report.quarters", "contradiction"),
        ("study.contact", "unknown_key"),
        ("testing.tooth_notation", "missing"),
    ]


@pytest.mark.parametrize(
    "broken",
    [
        {"onset.confirmations": 0, "onset.tau_min": 15.5},
        {"testing.schedule_min": ["soon"]},
        {"arms": []},
        {"pain": {"moment": "deposition"}, "analysis.primary": "pain"},
        {"testing": ...},
        {"onset": "soon"},
        {"report": ...},
    ],
)
def test_no_contradiction_is_made_up_beside_a_key_at_fault(broken):
    """What stands in for a key at fault contradicts nothing that was written."""
    content = copy.deepcopy(CONTENT)
    for path, value in broken.items():
        table, _, key = path.partition(".")
        place = content[table] if key else content
        if value is ...:
            del place[key or table]
        else:
            place[key or table] = value
    with pytest.raises(ProtocolError) as caught:
        check_protocol(content)
    assert "contradiction" not in {p.code for p in caught.value.problems}, str(caught.value)


def test_a_missing_key_with_codes_names_them():
    with pytest.raises(ProtocolError) as caught:
        check_protocol(changed("testing.tooth_notation", ...))
    assert (
        "Add tooth_notation = … to the table [testing]: write one of iso3950, universal; the protocols that come"
        in str(caught.value)
    )


def test_a_decimal_comma_is_told_with_everything_else(tmp_path):
    text = (FOLDER / "mandibular_block_group.toml").read_text(encoding="utf-8")
    text = text.replace("target_min = 2  ", "target_min = 2,5  ").replace("cost = 180.0", "cost = 180,0")
    path = tmp_path / "mine.toml"
    path.write_text(text.replace('tooth_notation = "iso3950"', ""), encoding="utf-8")
    with pytest.raises(ProtocolError) as caught:
        read_protocol(path)
    row = next(k for k, line in enumerate(text.splitlines(), start=1) if line.startswith("target_min"))
    told = str(caught.value)
    assert f"mine.toml, row {row}, key target_min: target_min = 2,5 has a comma. Write 2.5 with a point." in told
    assert "chair_hour_cost = 180,0 has a comma. Write 180.0 with a point." in told
    assert "key testing.tooth_notation: this key is missing" in told
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ProtocolError, match=r"2,5 has a comma"):
        read_protocol(path)


def test_pain_cannot_be_primary_without_being_recorded():
    content = changed("pain", ...)
    content["analysis"]["primary"] = "pain"
    with pytest.raises(ProtocolError, match=r"pain is primary but there is no table \[pain\]"):
        check_protocol(content)


def shuffled(value, draw):
    if isinstance(value, dict):
        keys = draw(st.permutations(list(value)))
        return {key: shuffled(value[key], draw) for key in keys}
    return [shuffled(v, draw) for v in value] if isinstance(value, list) else value


@given(st.data())
def test_the_digest_does_not_see_the_order_of_keys(data):
    assert check_protocol(shuffled(CONTENT, data.draw)).digest == check_protocol(CONTENT).digest


@pytest.mark.parametrize(
    ("path", "value"),
    [("onset.target_min", 3), ("study.title", "Other"), ("arms.0.label", "usual"), ("analysis.seed", 5)],
)
def test_the_digest_sees_every_change_of_content(path, value):
    assert check_protocol(changed(path, value)).digest != check_protocol(CONTENT).digest


def test_a_default_written_out_is_the_same_protocol():
    content = changed("rescue", ...)
    assert check_protocol(content).digest == check_protocol(CONTENT).digest


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, "there is no file"),
        (b"[study\nid = 1", "mine.toml, row 1: this is not valid TOML"),
        (b"\xff\xfe\x00", "the file is not text in UTF-8"),
        (b"", "key study: this key is missing"),
    ],
)
def test_files_that_are_not_protocols(tmp_path, content, words):
    path = tmp_path / "mine.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(ProtocolError) as caught:
        read_protocol(path)
    assert words in str(caught.value)


def test_a_folder_is_not_a_protocol(tmp_path):
    (tmp_path / "cases.csv").touch()
    with pytest.raises(ProtocolError, match=r"this is a folder.*Give the protocol \(.toml\) first, then the records"):
        read_protocol(tmp_path)
    (tmp_path / "mine.toml").touch()
    with pytest.raises(ProtocolError, match=r"this is a folder.*Give the \.toml file in it"):
        read_protocol(tmp_path)


def test_a_byte_order_mark_does_no_harm(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_bytes(b"\xef\xbb\xbf" + (FOLDER / "infiltration_audit.toml").read_bytes())
    assert read_protocol(path) == read_protocol(FOLDER / "infiltration_audit.toml")


@pytest.mark.parametrize(
    ("label", "first", "last", "following"),
    [("2026Q1", "2026-01-01", "2026-03-31", "2026Q2"), ("2025Q4", "2025-10-01", "2025-12-31", "2026Q1")],
)
def test_quarters(label, first, last, following):
    quarter = Quarter(label=label)
    assert (quarter.first_day.isoformat(), quarter.last_day.isoformat()) == (first, last)
    assert quarter.next().label == following
    assert Quarter.of(quarter.last_day) == quarter


OPTIONAL = ("looks", "allocation", "planning", "chair_time", "doses", "watch", "conduct", "anxiety")


def test_optional_tables_may_be_left_out_and_then_do_not_count_in_the_digest():
    content = changed("pain", ...)
    content["analysis"]["secondary"] = []
    for name in OPTIONAL:
        content.pop(name, None)
    bare = check_protocol(content)
    assert bare.pain is None
    assert all(getattr(bare, name) is None for name in OPTIONAL)
    content["conduct"] = {"funding": "none"}
    assert check_protocol(content).digest != bare.digest
    del content["conduct"]
    assert check_protocol(content).digest == bare.digest


def test_the_tables_that_may_be_left_out_become_rules():
    protocol = check_protocol(changed("looks.rho", 2.0))
    assert protocol.looks.rho == 2.0
    assert protocol.allocation.block_sizes == (2, 4, 6)
    assert protocol.doses.clinic[0].drug == "lidocaine"
    assert protocol.planning.sources
    assert dict(protocol.conduct.texts)["funding"]
