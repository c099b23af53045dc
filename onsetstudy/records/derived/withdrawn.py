"""Records without the cases whose patients took their consent back and wanted the data gone."""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Iterable

import pandas as pd

from onsetstudy.records.checks.headings import entries_under
from onsetstudy.records.model import Records


def without_cases(records: Records, codes: Collection[str]) -> Records:
    """Records without some cases and their readings, refused rows too; codes are compared without capitals.

    The digest stays that of the records as they were read, and counts of what was read stay too.
    """
    gone = {code.casefold() for code in codes}

    def left(frame: pd.DataFrame) -> pd.DataFrame:
        return frame[~frame["case_id"].astype(str).str.strip().str.casefold().isin(gone)].reset_index(drop=True)

    return dataclasses.replace(
        records, cases=left(records.cases), readings=left(records.readings), rejects=left(records.rejects)
    )


def leave_out(records: Records, gone: Collection[str]) -> tuple[Records, int]:
    """Records without the cases whose data shall go (codes without capitals), and how many of these were there."""
    return (without_cases(records, gone), len(codes_read(records) & frozenset(gone))) if gone else (records, 0)


def met_in(records: Records, entered: Collection[str]) -> frozenset[str]:
    """Those of some entered codes, without capitals, that a row of the records has."""
    return codes_read(records) & {code.casefold() for code in entered} if entered else frozenset()


def unmatched(entered: Iterable[str], met: Collection[str]) -> tuple[str, ...]:
    """Codes, as they were entered, that were met nowhere: a mistyped one leaves nobody out."""
    return tuple(code for code in entered if code.casefold() not in met)


def codes_read(records: Records) -> frozenset[str]:
    """Codes, without capitals, of every case that was read, refused ones too."""
    return codes_in(records.cases) | codes_in(records.rejects[records.rejects["table"] == "cases"])


def codes_in(frame: pd.DataFrame) -> frozenset[str]:
    """Codes of cases in a table as it was written, without capitals and blanks around them."""
    return frozenset(code.casefold() for code in entries_under("case_id", frame)) - {""}
