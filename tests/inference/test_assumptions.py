"""What estimates rest on is told in words, and under one name."""

import json
from pathlib import Path

import pytest


@pytest.mark.parametrize("page", sorted(Path("reports").glob("*.json")), ids=lambda path: path.stem)
def test_every_assumption_of_a_shipped_result_says_what_is_assumed(page):
    told = json.loads(page.read_text(encoding="utf-8"))["annotations"].values()
    assumed = [each for each in told if each["kind"] == "assumption"]
    assert assumed
    assert [each["name"] for each in assumed if not each["detail"]] == []
    # One thing under two names would stand twice in the table of the report.
    details = [each["detail"] for each in assumed]
    assert len(details) == len(set(details))
