"""Supplements that one row of a case cannot tell: those of several solutions, each by its own."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from onsetstudy.records.checks.findings import Findings
from onsetstudy.records.checks.parse import admits, parse_column
from onsetstudy.records.model import SUPPLEMENT
from onsetstudy.records.schema import CASES

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
    columns = {column.name: column for column in CASES}
    for said, name in {"volume_ml": "rescue_volume_ml", **OF_A_SUPPLEMENT}.items():
        column, written = columns[name], table.raw.frame[said].iloc[np.array(rows, dtype=np.intp)]
        parsed = parse_column(written, column, tooth_notation="", date_epoch="")
        mends = {at: mend for at, (_, mend) in parsed.faults.items()}
        for at, value in enumerate(parsed.values):
            if column.codes and not pd.isna(value) and value not in column.codes:
                mends[at] = f"write one of {', '.join(column.codes)}"
            elif column.numeric and not (pd.isna(value) or admits(column, value) or (said, value) == ("volume_ml", 0)):
                mends[at] = f"enter a value from {column.low:g} to {column.high:g} {column.unit}"
        for at, mend in mends.items():
            table.refuse(rows[at], said, "range", f"{written.iloc[at]} cannot be {said} of a supplement", mend)
        told[name] = parsed.values
    frame = pd.DataFrame(told, columns=list(SUPPLEMENT))
    return frame.assign(rescue_volume_ml=frame["rescue_volume_ml"].where(frame["rescue_volume_ml"] > 0))
