"""Records without the cases whose patients took their consent back and wanted the data gone."""

from __future__ import annotations

import dataclasses
from collections.abc import Collection

import pandas as pd

from onsetstudy.records.checks.headings import entries_under
from onsetstudy.records.model import Records


def without_cases(records: Records, codes: Collection[str]) -> Records:
    """Records without some cases and their readings, refused rows too; codes are compared without capitals.

    The digest stays that of the records as they were read, and counts of what was read stay too.
    """
    gone = {code.casefold() for code in codes}

    def left(frame: pd.DataFrame) -> pd.DataFrame:
        if "case_id" not in frame:
            return frame
        return frame[~frame["case_id"].astype(str).str.strip().str.casefold().isin(gone)].reset_index(drop=True)

    return dataclasses.replace(
        records, cases=left(records.cases), readings=left(records.readings), rejects=left(records.rejects)
    )


def codes_read(records: Records) -> frozenset[str]:
    """Codes, without capitals, of every case that was read, refused ones too."""
    refused = records.rejects
    if "table" in refused:
        refused = refused[refused["table"] == "cases"]
    return codes_in(records.cases) | codes_in(refused)


def codes_in(frame: pd.DataFrame) -> frozenset[str]:
    """Codes of cases in a table as it was written, without capitals and blanks around them."""
    return frozenset(code.casefold() for code in entries_under("case_id", frame)) - {""}
