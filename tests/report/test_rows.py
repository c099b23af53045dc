"""Rows of a figure's table."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest

from onsetstudy.report.rows import rows_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    label: str
    share: float


def test_rows_come_in_order_with_the_columns_that_the_kind_names():
    frame = pd.DataFrame({"share": [0.5, np.nan], "other": [1, 2], "label": ["b", "a"]}, index=[7, 3])
    first, second = rows_of(frame, Dot)
    assert first == Dot(label="b", share=0.5)
    assert second.label == "a"
    assert np.isnan(second.share)


def test_a_column_that_is_not_there_is_an_error():
    with pytest.raises(KeyError, match="share"):
        rows_of(pd.DataFrame({"label": ["a"]}), Dot)


def test_an_empty_table_has_no_rows():
    assert list(rows_of(pd.DataFrame({"label": [], "share": []}), Dot)) == []
