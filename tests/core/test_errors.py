"""What errors say: sentences, and names as they are written."""

import pytest

from onsetstudy.core.errors import OnsetStudyError


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ("there is no such file", "There is no such file."),
        ("it's open: close it", "It's open: close it."),
        ("no", "No."),
        ("sealed-P01.json goes on", "sealed-P01.json goes on."),
        ("mine.toml cannot be read", "mine.toml cannot be read."),
        ("data/list holds a list already", "data/list holds a list already."),
        ("onset.horizon_min is missing", "onset.horizon_min is missing."),
        ("case_id is missing", "case_id is missing."),
        ("p01-0003 has a slip", "p01-0003 has a slip."),
    ],
)
def test_a_sentence_begins_with_a_capital_unless_it_begins_with_a_name_that_would_be_another(written, told):
    assert str(OnsetStudyError(written)) == told
