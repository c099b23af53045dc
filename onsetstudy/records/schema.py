"""The data dictionary: every column of both tables. Checks, documentation and the entry workbook are made from it."""

from __future__ import annotations

from dataclasses import KW_ONLY, dataclass, replace
from functools import cache

import pandera.pandas as pa

from onsetstudy.protocol.model import Protocol
from onsetstudy.protocol.vocabulary import CODES

DILUTION = "n of 1:n"
LIP_BLOCKS = ("ianb", "gow_gates", "closed_mouth_block", "mental_incisive")
"""Injections after which the lip becomes numb, and is asked about."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name : str
        Heading.
    kind : str
        ``text``, ``code``, ``number``, ``minute`` (decimal minutes or m:ss), ``clock`` (time of day), ``date``,
        ``tooth`` or ``pain`` (a number in the range of the protocol's instrument; ``anxiety`` likewise).
    meaning : str
        One line for the person who fills it in.
    unit : str
        Unit of numbers.
    codes : tuple of str
        Admitted codes.
    low, high : float or None
        Outside them a value is refused.
    query_low, query_high : float or None
        Outside them a value is kept and listed for a second look.
    required : str
        ``always``, ``buffered`` (when the arm is mixed) or empty.
    example : str
        A value that would be accepted.
    unique : bool
        Whether no value may stand in two rows.
    empty : str
        What an empty cell says.
    hint : str
        What to bear in mind, told beside every value that is refused.
    """

    name: str
    kind: str
    meaning: str
    _: KW_ONLY
    unit: str = ""
    codes: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    query_low: float | None = None
    query_high: float | None = None
    required: str = ""
    example: str = ""
    unique: bool = False
    empty: str = "not recorded"
    hint: str = ""

    @property
    def numeric(self) -> bool:
        """Whether accepted values are numbers."""
        return self.scored or self.kind in ("number", "minute", "clock")

    @property
    def scored(self) -> bool:
        """Whether values are scores on an instrument of the protocol."""
        return self.kind in ("pain", "anxiety")


def _code(name: str, meaning: str, *, field: str | None = None, required: str = "") -> Column:
    codes = CODES[field or name]
    return Column(name, "code", meaning, codes=codes, required=required, example=codes[0])


def _number(name: str, meaning: str, unit: str, limits: tuple[float, ...], example: str, required: str = "") -> Column:
    """A number; ``limits`` are the lowest, the highest and, where more is unusual, the highest usual value."""
    low, high, usual = (*limits, None)[:3]
    told = Column(name, "number", meaning, unit=unit, low=low, high=high, required=required, example=example)
    return replace(told, query_high=usual)


def _minutes(name: str, meaning: str, example: str, *, query_high: float | None = None) -> Column:
    return Column(name, "minute", meaning, unit="min", low=0, high=180, query_high=query_high, example=example)


def _clock(name: str, meaning: str, example: str) -> Column:
    return Column(name, "clock", meaning, unit="time of day", example=example)


def _pseudonym(name: str, meaning: str, example: str, *, unique: bool = False) -> Column:
    return Column(name, "text", meaning, required="always", example=example, unique=unique)


def _pain(moment: str) -> Column:
    return Column(f"pain_{moment}", "pain", f"pain at {moment}, on the protocol's scale", example="20")


CASES: tuple[Column, ...] = (
    _pseudonym("case_id", "code of this injection, used once", "P01-0001", unique=True),
    _pseudonym("practice_id", "code of the practice", "P01"),
    _pseudonym("clinician_id", "code of the operator", "P01-A"),
    _pseudonym("patient_id", "random code of the patient; the key stays at the practice; may repeat", "P01-K7Q2"),
    Column("case_date", "date", "day of the injection", required="always", example="2026-04-03"),
    _code("arm", "what was injected", required="always"),
    _code("allocation", "how the arm came about", required="always"),
    Column(
        "allocation_slip", "text", "number of the allocation slip that was opened for this case", example="P01-1-001"
    ),
    _code("period", "order of this injection in a patient who is treated more than once: 1 is the first"),
    _code("procedure", "treatment"),
    Column("tooth", "tooth", "target tooth in the protocol's notation", required="always", example="36"),
    Column(
        "control_tooth",
        "tooth",
        "tooth tested as control, outside the field of the injection; in the protocol's notation",
        example="43",
    ),
    _code("technique", "planned injection", required="always"),
    _code("pulp_status", "state of the pulp before treatment"),
    _code("agent", "local anaesthetic, generic name", required="always"),
    _number("agent_percent", "concentration of the anaesthetic", "%", (0.25, 5), "2"),
    _code("vasoconstrictor", "vasoconstrictor, generic name"),
    _number("vasoconstrictor_dilution", "n of the dilution 1:n", DILUTION, (20_000, 400_000), "100000"),
    _number("cartridge_ml", "volume of one cartridge", "mL", (1.0, 2.5), "1.8"),
    _number("volume_ml", "volume injected, buffer included", "mL", (0.05, 20, 5.4), "1.8", required="always"),
    _code(
        "mix_mode",
        "how bicarbonate was mixed in: on top, or in place of the same volume; asked about where it is not the "
        "`mix_mode` that the protocol may give its arm",
        required="buffered",
    ),
    _number("bicarbonate_ml", "bicarbonate per cartridge", "mL", (0, 1), "0.18", required="buffered"),
    _number("bicarbonate_percent", "concentration of the bicarbonate", "%", (1, 10), "8.4"),
    _minutes("mixed_to_injection_min", "minutes from mixing to injecting", "0.5", query_high=10),
    _number("mixing_min", "minutes that preparing the mixture took", "min", (0, 60, 10), "0.8"),
    _code("topical", "topical anaesthetic before the needle"),
    _number("topical_min", "minutes that the topical anaesthetic was left", "min", (0, 60), "1"),
    _code("baseline_response", "cold on the target tooth before the injection"),
    _clock("injection_start", "needle in", "14:02"),
    _clock("injection_end", "end of deposition of the last planned injection: clock zero", "14:04"),
    replace(
        _minutes("rescue_min", "minute of the first supplemental injection; empty, and not 0, if none was given", "12"),
        low=0.01,  # A supplement comes after the injection that it supplements; 0 is written where none was given.
        empty="no supplement given",
        hint="leave it empty if no supplement was given; a supplement in the first minute is e.g. 0.5",
    ),
    _code("rescue_technique", "technique of the supplemental injection"),
    _number("rescue_volume_ml", "volume of all supplemental injections together", "mL", (0.05, 20, 5.4), "0.9"),
    _code("rescue_agent", "local anaesthetic of the supplement; empty: the planned one", field="agent"),
    _number("rescue_percent", "its concentration; empty: as planned, where the agent is", "%", (0.25, 5), "4"),
    _code(
        "rescue_vasoconstrictor",
        "vasoconstrictor of the supplement; empty: as planned, where the agent is",
        field="vasoconstrictor",
    ),
    _number(
        "rescue_dilution",
        "n of its dilution 1:n; empty: as planned, where the agent is",
        DILUTION,
        (20000, 400000),
        "100000",
    ),
    _code("lip_numb", "whether the lip became numb after a block", field="yes_no"),
    _code("wait_used", "whether the wait was used for another task", field="yes_no"),
    _minutes("treatment_start_min", "minute at which treatment began", "9"),
    _minutes("observation_end_min", "minute at which testing ended; by default the last test", "15"),
    _pain("insertion"),
    _pain("placement"),
    _pain("deposition"),
    _pain("treatment"),
    _code("score_missing_reason", "why a pain score is missing, if one is"),
    Column("anxiety_before", "anxiety", "anxiety before, on the protocol's scale", example="11"),
    Column("anxiety_after", "anxiety", "anxiety after, on the protocol's scale", example="9"),
    _code("guess_patient", "which arm the patient believes it was", field="guess"),
    _code("guess_operator", "which arm the operator believes it was", field="guess"),
    _code("guess_assessor", "which arm the person who tested believes it was", field="guess"),
    _clock("seated_time", "patient seated", "13:58"),
    _clock("treatment_end_time", "treatment ended", "14:40"),
    _clock("dismissed_time", "patient dismissed", "14:45"),
    _code("age_band", "age in bands; no birth date"),
    _number("weight_kg", "weight", "kg", (10, 300, 160), "70"),
    _code("adverse_event", "what happened, if anything did"),
    _code(
        "adverse_serious",
        "whether the event was serious: death, danger to life, hospital, lasting disability, birth defect, or "
        "medically important; by local rules",
        field="serious",
    ),
    Column("notes", "text", "free remark; never a name, never exported", example=""),
)

COLD_TESTS: tuple[Column, ...] = (
    Column("case_id", "text", "code of the case", required="always", example="P01-0001"),
    Column(
        "minute",
        "minute",
        "minutes after clock zero as 4.5 or 4:30, or the time of day with seconds as 14:08:30",
        unit="min",
        low=0,
        high=180,
        query_low=0.25,
        query_high=60,
        required="always",
        example="2",
    ),
    _code("tooth_role", "which tooth was tested", required="always"),
    _code("response", "whether the cold was felt", required="always"),
    _code("test_kind", "whether the plan asked for this test, or it was an extra one, such as when something tingled"),
)

TABLES: dict[str, tuple[Column, ...]] = {"cases": CASES, "cold_tests": COLD_TESTS}
ALWAYS = {table: [c.name for c in columns if c.required == "always"] for table, columns in TABLES.items()}
"""Columns of each table that every record has."""


def asked_columns(table: str, protocol: Protocol) -> tuple[Column, ...]:
    """Columns of a table that a protocol has a use for; the others may still be recorded.

    What a table of the protocol is about is not asked where that table is left out, nor what belongs to another design.
    """
    blinded = dict(protocol.study.blinding)
    unasked = {
        "allocation_slip": not protocol.study.randomised,
        "period": not protocol.study.paired and protocol.plan.cluster != "patient_id",
        "baseline_response": protocol.schedule.baseline_response == "none",
        "control_tooth": protocol.schedule.control_tooth == "none",
        "test_kind": protocol.schedule.window_min is None,
        "score_missing_reason": protocol.pain is None,
        "weight_kg": protocol.doses is None,
        # Dental anxiety scales are of a trait: asked once. A number for anxiety now may be asked again.
        "anxiety_after": protocol.anxiety is None or protocol.anxiety.scale in ("mdas", "das"),
        **dict.fromkeys(("rescue_volume_ml", "rescue_agent", "rescue_percent", "rescue_vasoconstrictor",
                         "rescue_dilution"), protocol.doses is None),
        **{f"guess_{who}": blinded.get(who) != "yes" for who in ("patient", "operator", "assessor")},
        **dict.fromkeys(("mixing_min", "wait_used", "seated_time", "treatment_end_time", "dismissed_time"),
                        protocol.chair_time is None),
    }  # fmt: skip
    kinds = {"pain": protocol.pain is None, "anxiety": protocol.anxiety is None}
    return tuple(c for c in TABLES[table] if not unasked.get(c.name, kinds.get(c.kind, False)))


def admitted(protocol: Protocol) -> dict[str, tuple[str, ...]]:
    """Codes with which a case may be included, by column; an empty list admits every code."""
    asked = protocol.eligibility
    of_case = {"procedure": asked.procedures, "technique": asked.techniques, "pulp_status": asked.pulp_status}
    return {**of_case, "agent": asked.agents, "age_band": asked.age_bands}


def limited(column: Column, protocol: Protocol) -> Column:
    """A column with the limits that hold under a protocol: scores lie in the range of its instrument."""
    pain = protocol.pain.instrument if protocol.pain else None
    instrument = {"pain": pain, "anxiety": protocol.anxiety}.get(column.kind)
    return column if instrument is None else replace(column, low=instrument.low, high=instrument.high)


@cache
def pandera_schema(columns: tuple[Column, ...]) -> pa.DataFrameSchema:
    """Schema of a typed table by its columns, their limits as :func:`limited` has them.

    Made once for each protocol's scales: parts of large records are each held against it.
    """
    found = {}
    for column in columns:
        checks = [pa.Check.isin(column.codes, name="code")] if column.codes else []
        if column.low is not None and column.high is not None:
            checks.append(pa.Check.in_range(column.low, column.high, name="range"))
        found[column.name] = pa.Column(
            float if column.numeric else None,
            checks=checks,
            nullable=column.required != "always",
            unique=column.unique,
            report_duplicates="all",
        )
    return pa.DataFrameSchema(found, index=pa.Index(int))
