"""What another spreadsheet program has saved says what was written: the same records, to the last digit."""

from __future__ import annotations

import pytest

from onsetstudy.files.sources.spreadsheet import read_records
from tests.records.checks.saved_elsewhere import FOLDER, VARIANTS, name_of
from tests.records.checks.test_corpus import PROMISED, clean
from tests.study.cases import records


@pytest.fixture(scope="module")
def meant():
    return records(*clean(), PROMISED)


def test_there_are_sixty_of_them():
    assert len(list(FOLDER.glob("*.xlsx"))) == len(VARIANTS) == 60


@pytest.mark.parametrize("variant", VARIANTS, ids=name_of)
def test_the_same_records_are_read(variant, meant):
    found = read_records(FOLDER / f"{name_of(variant)}.xlsx", PROMISED)
    assert [str(p) for p in found.problems if p.code != "totals_row"] == []
    assert len(found.cases) == 4
    times = ["case_id", "tooth_role", "response"]
    read, written = (r.readings.sort_values([*times, "minute"]).reset_index(drop=True) for r in (found, meant))
    assert read[times].equals(written[times])
    assert read["minute"].tolist() == pytest.approx(written["minute"].tolist(), abs=1e-6)
    for column in ("case_date", "arm", "tooth", "volume_ml", "injection_end", "pain_deposition"):
        assert found.cases[column].tolist() == meant.cases[column].tolist(), column
