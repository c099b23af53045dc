"""Supplements that one row of a case cannot tell: those of several solutions, each by its own."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from onsetstudy.records.checks.findings import Findings
from onsetstudy.records.checks.parse import admits, parse_column
from onsetstudy.records.model import supplements_beside
from onsetstudy.records.schema import CASES, Column

OF_A_SUPPLEMENT = {
    "agent": "rescue_agent",
    "agent_percent": "rescue_percent",
    "vasoconstrictor": "rescue_vasoconstrictor",
    "vasoconstrictor_dilution": "rescue_dilution",
}
"""What is known of a supplement's solution, and under which column of the case."""


def typed_supplements(table: Findings, rows: Sequence[int]) -> pd.DataFrame:
    """Rows of the open table of injections as ``OpenTables.supplements``; what the dictionary bars is refused.

    A volume of 0 is one that is not known: the table has no other way of saying so.
    """
    told: dict[str, Any] = {"case_id": [str(table.cell(row, "case_id")).strip() for row in rows]}
    told["source_row"] = [table.line(row) for row in rows]
    columns, frame = {column.name: column for column in CASES}, table.raw.frame.iloc[list(rows)]
    for said, name in {"volume_ml": "rescue_volume_ml", **OF_A_SUPPLEMENT}.items():
        column, written, unread = columns[name], frame[said], table.unread(said)
        parsed = parse_column(written, column, tooth_notation="", date_epoch="")
        told[name] = pd.Series(parsed.values).mask(parsed.values == 0) if said == "volume_ml" else parsed.values
        for at, (row, value) in enumerate(zip(rows, told[name], strict=True)):
            mend = parsed.faults[at][1] if at in parsed.faults else _mend(column, value)
            if mend and not unread[row]:
                table.refuse(row, said, "range", f"{written.iloc[at]} cannot be {said} of a supplement", mend)
    return supplements_beside(told)


def _mend(column: Column, value: Any) -> str:
    """What to write in the place of a value that the dictionary bars; empty where it does not."""
    if pd.isna(value):
        return ""
    if column.codes:
        return "" if value in column.codes else f"write one of {', '.join(column.codes)}"
    return "" if admits(column, value) else f"enter a value from {column.low:g} to {column.high:g} {column.unit}"
