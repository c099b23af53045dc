"""The JSON file of a report that somebody edited: refused in words or held against the ledger, never a traceback."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest

from onsetstudy.core.errors import ReportError
from onsetstudy.core.serialise import to_dict
from onsetstudy.files.sources.results import read_results
from onsetstudy.protocol.ledger import make_entry
from onsetstudy.study.practice.interim_on_record import looks_told_otherwise
from tests.files.test_edited_files import edited

REPORT = Path(__file__).parents[2] / "reports" / "mandibular-block-group-2026Q3.json"


def test_the_file_as_it_was_made_is_read():
    assert read_results(REPORT).looks.seen


@pytest.mark.parametrize("seed", [1, 2])
def test_whatever_is_edited_is_read_or_refused(tmp_path, seed):
    raw, chance, path = REPORT.read_bytes(), random.Random(seed), tmp_path / "r.json"
    refused = 0
    for _ in range(20):
        path.write_bytes(edited(raw, chance))
        try:
            read_results(path)
        except ReportError as error:
            refused += "r.json" in str(error)
    assert refused >= 8


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda body: body["looks"]["seen"][0].update(z="large"), "looks.seen"),
        (lambda body: body.update(kind="notice"), "not the JSON file of a report"),
        (lambda body: body["data_quality"].update(rows_read=None), "data_quality.rows_read"),
    ],
)
def test_an_edit_is_told(tmp_path, change, words):
    body = json.loads(REPORT.read_bytes())
    change(body)
    path = tmp_path / "r.json"
    path.write_text(json.dumps(body), encoding="utf-8")
    with pytest.raises(ReportError, match=words):
        read_results(path)


def test_a_look_that_a_report_tells_otherwise_is_named(tmp_path):
    found = read_results(REPORT)
    first, second = found.looks.seen[:2]
    entries = []
    for seen in (first, second):
        body = {
            "quarter": seen.label, "by": "practice", "primary": "onset", "protocol": "0" * 64, "records": "0" * 64,
            "seen": to_dict(seen), "verdict": {}, "retrospective": False, "beside": False,
        }  # fmt: skip
        entries.append(make_entry(entries, "look_taken", body, at="2026-01-01T00:00:00Z"))
    assert looks_told_otherwise(found.looks, entries, by="practice") == ()
    body = json.loads(REPORT.read_bytes())
    body["looks"]["seen"][1]["z"] = second.z + 0.5
    path = tmp_path / "r.json"
    path.write_text(json.dumps(body), encoding="utf-8")
    assert looks_told_otherwise(read_results(path).looks, entries, by="practice") == (second.label,)
