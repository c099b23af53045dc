"""Names of codes in words: one word for one thing, on every page."""

from __future__ import annotations

import math

from onsetstudy.core.quantities import QUANTITIES, quantity_of
from onsetstudy.protocol.model import Protocol
from onsetstudy.protocol.vocabulary import SENSITIVITY, TECHNIQUE_NAMES
from onsetstudy.report.numbers import MINUS, amount

NAMES = {
    **TECHNIQUE_NAMES,
    "vas100": "100 mm line",
    "nrs11": "numbers from 0 to 10",
    "hp170": "170 mm line with words",
    "vrs4": "four words",
    "faces": "faces, by their number",
    **{choice: name for choice, (name, _) in SENSITIVITY.items()},
}
FIELDS = {
    "practice_id": "practice",
    "clinician_id": "operator",
    "patient_id": "patient",
    "baseline_response": "cold on the tooth before the injection",
    "control_tooth": "which tooth was the control",
    "lip_numb": "numbness of the lip",
    "treatment_start_min": "start of treatment",
    "adverse_event": "adverse events",
    "adverse_serious": "whether an event was serious",
    "agent_percent": "strength of the anaesthetic",
    "vasoconstrictor_dilution": "dilution of the vasoconstrictor",
    "cartridge_ml": "volume of the cartridge",
    "weight_kg": "weight",
    "age_band": "age group",
    "rescue_volume_ml": "volume of the supplemental injection",
    "test_kind": "whether a test was planned or extra",
    "guess_patient": "the patient's guess of the arm",
    "guess_operator": "the operator's guess of the arm",
    "guess_assessor": "the tester's guess of the arm",
}
"""Fields that may be missing, as a page names them; in a file they stand under their codes."""
OUTCOMES = {
    "anxiety_change": "change of anxiety within the patient",
    "painless_share": "proportion of painless injections",
}
"""Outcomes that a protocol may name and that are no quantity of the table."""
INSTRUMENTS = {"mdas": "modified dental anxiety scale", "das": "dental anxiety scale", "nrs11": "numeric scale"}
BOUNDARIES = {
    "obrien_fleming": "alpha spending of O'Brien and Fleming type",
    "pocock": "alpha spending of Pocock type",
    "power": "alpha spending by a power of the information",
    "anytime": "an anytime-valid sequential test, so that anybody may analyse whenever they like",
    "none": "no allowance; every analysis but the last is a description",
}


def plain_words(code: str) -> str:
    """A code as words: ``buccal_infiltration`` becomes ``buccal infiltration``."""
    return NAMES.get(code, code.replace("_", " "))


def level_name(column: str, level: str) -> str:
    """A level of a column in words; codes of practices and operators are nobody's words and stand as they are."""
    return level if column in ("practice_id", "clinician_id") else plain_words(level)


def field_name(column: str) -> str:
    """What is recorded in a column: ``lip_numb`` is numbness of the lip, ``pain_treatment`` pain at treatment."""
    if column.startswith("pain_"):
        return f"pain at {plain_words(column.removeprefix('pain_'))}"
    return FIELDS.get(column) or plain_words(column)


def outcome_name(key: str) -> str:
    """What is measured where a protocol names an outcome: the quantity's own, without the difference in it."""
    return QUANTITIES[key].outcome if key in QUANTITIES else OUTCOMES.get(key) or plain_words(key)


def effect_told(effect: float, protocol: Protocol) -> str:
    """An effect in the main outcome as a plan has it: a log ratio or a difference, positive where it is better."""
    quantity, pain = quantity_of(protocol.plan.primary), protocol.pain
    if quantity.unit == "ratio":
        return f"a hazard ratio of {math.exp(effect):.3g}"
    unit = pain.instrument.unit if quantity.unit == "score" and pain else quantity.unit_shown
    shown = float(f"{effect * abs(quantity.shown.factor):.3g}")
    return f"a difference of {amount(shown, unit)}".replace("-", MINUS)
