"""What is asked of a case, in which order and in which words: on the page at the chair and on paper alike."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from onsetstudy.protocol.model import Protocol
from onsetstudy.protocol.vocabulary import TECHNIQUE_NAMES
from onsetstudy.records.chair.event_kinds import ENTERED
from onsetstudy.records.schema import admitted, asked_columns, limited

BEFORE = {
    "patient_id": "Patient's code",
    "period": "Which injection of this patient is it?",
    "tooth": "Which tooth is tested?",
    "technique": "Which injection is planned?",
    "control_tooth": "Which tooth is the control?",
    "pulp_status": "Pulpal diagnosis",
    "procedure": "Planned treatment",
    "agent": "Local anaesthetic",
    "agent_percent": "Its concentration, %",
    "vasoconstrictor": "Vasoconstrictor",
    "vasoconstrictor_dilution": "Its dilution, 1 in",
    "cartridge_ml": "Volume of one cartridge, mL",
    "topical": "Topical anaesthetic before the needle",
    "age_band": "Age",
    "weight_kg": "Weight, kg",
    "anxiety_before": "Anxiety before",
    "clinician_id": "Code of the operator",
}
"""Asked when a case is opened, in this order, where the protocol has a use for it."""
AFTER = {
    "pain_insertion": "How much did the needle hurt?",
    "pain_placement": "How much did placing it hurt?",
    "pain_deposition": "How much did the injection hurt?",
    "lip_numb": "Is the lip numb?",
    "wait_used": "Was the wait used for another task?",
    "pain_treatment": "How much did the treatment hurt?",
    "anxiety_after": "Anxiety after",
    "guess_patient": "What does the patient believe it was?",
    "guess_operator": "What does the operator believe it was?",
    "guess_assessor": "What does the person who tested believe it was?",
}
"""Asked after the injection, in this order."""
NOT_ASKED = (
    "topical_min",  # nobody times it while a case is opened, and no analysis takes it into account
    "score_missing_reason",  # a score stays open until the case is finished; why there is none is for the tables
    "notes",  # free text may name a person; the recorder itself notes there where a clock is in doubt
)
"""What may be entered of a case and has no question."""
NEW_QUESTIONS = ("topical",)
"""Questions that earlier recorders had not: what an opening does not hold, not even as skipped, was not asked."""
WHILE_TESTING = ("pain_insertion", "pain_placement", "pain_deposition", "lip_numb")
"""Of these, what can be asked before the treatment; the others wait until it has begun."""
ALWAYS_ASKED = ("pain_treatment",)
LABELS = {
    **TECHNIQUE_NAMES,
    "not_felt": "not felt",
    "fdi": "FDI, two digits: 11 to 48",
    "universal": "universal, 1 to 32",
    "lidocaine_prilocaine": "lidocaine with prilocaine",
}
PERIODS = {"1": "the first", "2": "the second", "3": "the third", "4": "the fourth"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One question: its kind, the answers it admits (code and words), and whether it must be answered.

    What the allocation is stratified by must be: without its level no slip can be opened.
    ``late``: it waits until the treatment has begun.
    """

    name: str
    question: str
    kind: str
    answers: tuple[tuple[str, str], ...]
    low: float | None
    high: float | None
    required: bool
    late: bool


def asked_before(protocol: Protocol) -> tuple[str, ...]:
    """What is asked when a case is opened."""
    return _asked(protocol, BEFORE)


def asked_after(protocol: Protocol) -> tuple[str, ...]:
    """What is asked after the injection; of pain, the protocol's moment and the treatment."""
    names = _asked(protocol, AFTER)
    if protocol.pain is None:
        return names
    moments = {f"pain_{protocol.pain.moment}", *ALWAYS_ASKED}
    return tuple(name for name in names if not name.startswith("pain_") or name in moments)


def _asked(protocol: Protocol, names: Iterable[str]) -> tuple[str, ...]:
    asked = {c.name for c in asked_columns("cases", protocol)} & set(ENTERED)
    return tuple(name for name in names if name in asked)


def question_of(name: str, protocol: Protocol) -> Question:
    """The question for a column, with the answers that the protocol admits."""
    column = limited(ENTERED[name], protocol)
    strata = () if protocol.allocation is None else protocol.allocation.strata
    of_study = admitted(protocol).get(column.name, ())
    codes = tuple(code for code in column.codes if not of_study or code in of_study)
    label = {"guess": protocol.label, "period": PERIODS.__getitem__}.get(column.name.split("_")[0], words)
    return Question(
        name=column.name,
        question=(BEFORE | AFTER)[column.name],
        kind=column.kind,
        answers=tuple((code, "not sure" if code == "unsure" else label(code)) for code in codes),
        low=column.low,
        high=column.high,
        required=column.required == "always" or name in strata,
        late=column.name in AFTER and column.name not in WHILE_TESTING,
    )


def words(code: str) -> str:
    """A code in words."""
    return LABELS.get(code, code.replace("_", " "))
