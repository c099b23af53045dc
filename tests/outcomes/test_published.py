"""The table of published results: as printed, positive and null alike, faults refused."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pandas as pd
import pytest

import onsetstudy.outcomes
from onsetstudy.core.errors import RecordsError
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.files.sources.dated_tables import read_published_ranges
from onsetstudy.outcomes.published import check_published
from tests.reference import ROOT

TABLE = read_published_ranges()
BY_ID = {r.id: r for r in TABLE.ranges}
SHIPPED = Path(onsetstudy.outcomes.__file__).parent / "tables" / "published_ranges.toml"
CHECKED = pd.read_csv(ROOT / "published_ranges_abstracts" / "expected.csv")["name"]


@pytest.mark.parametrize("name", list(CHECKED))
def test_the_table_says_what_the_abstracts_say(reference, name):
    line, field = name.split(": ")
    reference("published_ranges_abstracts").check(name, getattr(BY_ID[line], field))


def test_positive_and_null_results_stand_side_by_side():
    found = {r.finding for r in TABLE.ranges}
    assert {"sooner", "less_pain", "more", "no_difference"} <= found
    null = sum(r.finding == "no_difference" for r in TABLE.ranges)
    assert null >= len(TABLE.ranges) / 3
    studies = {r.study.partition(",")[0] for r in TABLE.ranges}
    assert {"Malamed 2013", "Hobeich 2013", "Comerci 2015", "Balasco 2013", "Schellenberg 2015", "Saatchi 2015",
            "Chopra 2016", "Baker 2021", "Kurien 2018", "Afsal 2019", "Hassan 2024", "Manta 2023", "Staedt 2024",
            "Whitcomb 2010", "Shurtz 2015", "Kashyap 2011", "Guo 2018", "Aulestia-Viera 2018",
            "Kattan 2019"} <= studies  # fmt: skip


def test_every_line_has_a_citation_a_label_and_words():
    assert all(r.citation and r.printed and r.label for r in TABLE.ranges)
    assert {r.id for r in TABLE.ranges if r.label == "from memory"} == {
        "whitcomb_2010", "shurtz_2015", "kashyap_2011_onset",
    }  # fmt: skip


def test_what_is_drawn_says_what_was_done_to_its_unit():
    seconds = BY_ID["guo_2018_onset"].drawn()
    assert seconds[:3] == pytest.approx((-0.8, -54.40 / 60, -42.06 / 60))
    assert seconds[3] == "seconds shown as minutes"
    points = BY_ID["comerci_2015_long_buccal"].drawn()
    assert points[0] == pytest.approx(-7)
    assert points[1:3] == (None, None)
    assert points[3] == "a scale of 0 to 10 stretched to 0 to 100 for drawing"
    assert BY_ID["guo_2018_pain"].drawn() == (-5.0, -9.13, -0.77, "")
    assert BY_ID["kattan_2019_success"].drawn() is None
    assert BY_ID["balasco_2013_pain"].drawn() is None


def test_the_difference_is_that_of_the_printed_values():
    assert BY_ID["malamed_2013_onset"].difference == pytest.approx(-(4 + 46 / 60), abs=1e-4)
    assert BY_ID["saatchi_2015_success"].difference == pytest.approx(15)


def test_a_line_survives_the_way_through_json():
    for line in TABLE.ranges:
        assert from_dict(to_dict(line)) == line


def test_a_table_with_faults_is_refused_with_all_of_them():
    good = tomllib.loads(SHIPPED.read_text(encoding="utf-8"))["result"][0]
    wrong = {
        "date": "2026",
        "title": "mine",
        "result": [
            {**good, "techniques": ["needle"], "label": "sure", "colour": "red"},
            {**good, "difference": 3.0},
            {**good, "id": "b", "outcome": "pain", "unit": "points"},
            {**good, "id": "c", "conf_low": 1.0},
            {**good, "id": "d", "conf_low": 1.0, "conf_high": 2.0, "citation": ""},
            {
                **{k: v for k, v in good.items() if k not in ("plain", "buffered")},
                "id": "e",
                "conf_low": 2.0,
                "conf_high": 1.0,
            },
        ],
    }
    with pytest.raises(RecordsError) as told:
        check_published(wrong, file="mine.toml")
    text = str(told.value)
    for words in (
        "mine.toml, key result 1 (malamed_2013_onset), techniques: ['needle'] is not a list of techniques",
        'key result 1 (malamed_2013_onset), label: "sure" is not known',
        "key result 1 (malamed_2013_onset), colour: colour is not known",
        "key result 2 (malamed_2013_onset), difference: the difference is not buffered less plain",
        "key result 3 (b), scale_high: a pain score without its scale",
        "key result 4 (c), conf_low: an interval with one end",
        "key result 5 (d), conf_low: -4.7667 does not lie in its interval 1 to 2",
        "key result 5 (d), citation: a text is needed here",
        "key result 6 (e), conf_low: 2 to 1 is no interval",
        'key result: the id "malamed_2013_onset" is used more than once',
        "key date: '2026' is not a date",
    ):
        assert words in text, (words, text)


def test_a_file_that_cannot_be_read_is_told(tmp_path):
    with pytest.raises(RecordsError, match="there is no file"):
        read_published_ranges(tmp_path / "nothing.toml")
    broken = tmp_path / "broken.toml"
    broken.write_text("date = ", encoding="utf-8")
    with pytest.raises(RecordsError, match=r"broken\.toml: this is not valid TOML"):
        read_published_ranges(broken)
    broken.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(RecordsError, match="not text in UTF-8"):
        read_published_ranges(broken)
    own = tmp_path / "own.toml"
    own.write_text(SHIPPED.read_text(encoding="utf-8"), encoding="utf-8")
    assert read_published_ranges(own) == TABLE
