"""Records without the cases whose patients took their consent back and wanted the data gone."""

from __future__ import annotations

import dataclasses
from collections.abc import Collection

import pandas as pd

from onsetstudy.records.model import Records

__all__ = ["without_cases"]


def without_cases(records: Records, codes: Collection[str]) -> Records:
    """Records without some cases and their readings; codes are compared without capitals.

    The digest stays that of the records as they were read, and counts of what was read stay too.
    """
    gone = {code.casefold() for code in codes}

    def left(frame: pd.DataFrame) -> pd.DataFrame:
        return frame[~frame["case_id"].astype(str).str.casefold().isin(gone)].reset_index(drop=True)

    return dataclasses.replace(records, cases=left(records.cases), readings=left(records.readings))
