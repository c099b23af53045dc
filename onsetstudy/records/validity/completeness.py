"""What is missing in the records of a quarter, in how many cases, and whom to ask: while somebody still remembers."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import BoolArray, StrArray
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.results import MissingField
from onsetstudy.records.model import Records
from onsetstudy.records.schema import LIP_BLOCKS, asked_columns

WHY = {
    "baseline_response": "a tooth that never felt the cold cannot be told from one that became numb",
    "control_tooth": "whether the control lay outside the numb field cannot be told",
    "lip_numb": "a missed block cannot be told from a slow one",
    "treatment_start_min": "time at the chair cannot be told",
    "pain_treatment": "whether the treatment went without pain cannot be told",
    "pain": "pain cannot be compared",
    "adverse_event": "it cannot be said that nothing happened",
    "adverse_serious": "it cannot be said that nothing serious happened",
    "agent_percent": "the dose cannot be told",
    "vasoconstrictor": "the dose is held against the stricter line",
    "vasoconstrictor_dilution": "the dose of the vasoconstrictor cannot be told",
    "cartridge_ml": "the dose of a buffered case cannot be told",
    "weight_kg": "limits by weight are not looked at",
    "age_band": "limits by age are not looked at",
    "rescue_volume_ml": "the supplement is in no total",
    "test_kind": "an extra test near a planned minute may answer for it",
    "guess": "whether blinding held cannot be told",
}
"""Fields that an analysis needs, and what is lost without them."""
WITHOUT = {
    "treatment_start_min": "time at the chair counts {those} as at least as long as the tests",
    "pain_treatment": "whether the treatment went without pain is told without {those}",
    "pain": "pain is compared without {those}",
    "guess": "whether blinding held is judged without {those}",
}
"""What is told of the others all the same; of a field that is not here the loss is each case's own."""
FEWEST = 2
"""Cases of an arm of which a field is known that are compared: one has no spread."""


def missing_fields(records: Records, protocol: Protocol, *, quarter: str | None = None) -> tuple[MissingField, ...]:
    """What is missing, most cases first.

    Parameters
    ----------
    records : Records
        Checked records.
    protocol : Protocol
        What is asked: a field that the protocol has no use for is never missing.
    quarter : str, optional
        The quarter of the cases, such as ``2026Q3``; default: all.

    Notes
    -----
    A field counts where it applies: a dilution where there is a vasoconstrictor, seriousness where there
    was an event, the lip after a block of the lower jaw. A score whose reason for missing is told is not missing.
    Whether arms can still be compared is asked of all records, which a report looks at together.
    """
    several = records.open_tables.supplements.groupby("case_id")["rescue_volume_ml"].agg(
        lambda ml: ml.sum(skipna=False)
    )
    told = records.cases["case_id"].map(several)
    cases = records.cases.assign(rescue_volume_ml=records.cases["rescue_volume_ml"].fillna(told))
    now = np.ones(len(cases), dtype=bool) if quarter is None else (cases["quarter"].astype(str) == quarter).to_numpy()
    asked = {c.name for table in ("cases", "cold_tests") for c in asked_columns(table, protocol)}
    found = []
    for column, applies, absent in _wanted(cases, records.readings, protocol):
        gone, of = applies & absent & now, applies & now
        if column not in asked or not gone.any():
            continue
        told = cases.loc[applies & ~absent, "arm"].value_counts()
        compared = all(told.get(arm, 0) >= FEWEST for arm in protocol.arm_codes[:2])
        why = _consequence(column, int(gone.sum()), int(of.sum()), compared=compared)
        whom = _whom(cases, gone, protocol)
        found.append(MissingField(column=column, missing=int(gone.sum()), of=int(of.sum()), whom=whom, why=why))
    return tuple(sorted(found, key=lambda field: (-field.missing, field.column)))


def _consequence(column: str, missing: int, of: int, *, compared: bool) -> str:
    """What is lost: of all cases only where none is left to tell it of."""
    key = column if column in WHY else column.split("_", 1)[0]
    one = missing == 1
    if key in WITHOUT:
        return WITHOUT[key].format(those="it" if one else "them") if compared else WHY[key]
    return WHY[key] if missing == of else f"in {'this case' if one else 'these cases'} {WHY[key]}"


def _whom(cases: pd.DataFrame, gone: BoolArray, protocol: Protocol) -> tuple[tuple[str, str, int], ...]:
    """Practices of the protocol and operators with a code; anything else may be a name, which a report never tells."""
    practices, operators = (cases.loc[gone, column].astype(str) for column in ("practice_id", "clinician_id"))
    named = protocol.study.practices
    asked = [
        (p if not named or p in named else "another practice", o if any(map(str.isdigit, o)) else "an operator")
        for p, o in zip(practices, operators, strict=True)
    ]
    lines = [(practice, operator, n) for (practice, operator), n in Counter(asked).items()]
    return tuple(sorted(lines, key=lambda line: (-line[2], line[0], line[1])))


def _wanted(cases: pd.DataFrame, readings: pd.DataFrame, protocol: Protocol) -> list[tuple[str, BoolArray, BoolArray]]:
    """Each field, the cases that it applies to, and those without it."""
    everyone = np.ones(len(cases), dtype=bool)
    solution = _text(cases, "vasoconstrictor")
    event = ~np.isin(_text(cases, "adverse_event"), ("", "none", "positive_aspiration"))
    scored = _text(cases, "score_missing_reason") == ""
    always = ("control_tooth", "adverse_event", "agent_percent", "vasoconstrictor", "age_band", "weight_kg")
    guesses = ("guess_patient", "guess_operator", "guess_assessor")
    treated = _text(cases, "procedure") != "none"
    applies = {
        **dict.fromkeys((*always, *guesses), everyone),
        "baseline_response": everyone if protocol.schedule.baseline_response == "required" else ~everyone,
        "lip_numb": np.isin(_text(cases, "technique"), LIP_BLOCKS),
        "treatment_start_min": treated,
        "pain_treatment": scored & treated,
        "adverse_serious": event,
        "vasoconstrictor_dilution": ~np.isin(solution, ("", "none", "felypressin")),
        "cartridge_ml": np.isin(_text(cases, "mix_mode"), ("add", "replace")),
        "rescue_volume_ml": cases["rescue_min"].notna().to_numpy(dtype=bool),
    }
    if protocol.pain is not None:
        applies[f"pain_{protocol.pain.moment}"] = scored
    wanted = [(column, rows, _text(cases, column) == "") for column, rows in applies.items()]
    untold = cases["case_id"].isin(readings.loc[readings["test_kind"].isna(), "case_id"]).to_numpy(dtype=bool)
    return [*wanted, ("test_kind", everyone, untold)]


def _text(cases: pd.DataFrame, name: str) -> StrArray:
    column = cases[name].astype(object)
    return column.where(column.notna(), "").to_numpy().astype(np.str_)
