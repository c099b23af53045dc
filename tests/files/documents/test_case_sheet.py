"""The paper case sheet: one page, the page's questions in its order, and no room for the arm."""

from __future__ import annotations

import dataclasses
import re

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import ReportError
from onsetstudy.files.documents.case_sheet import case_sheet, write_case_sheet
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.records.chair.case_questions import asked_after, asked_before, question_of
from tests.printed_sheet import order_on_paper

PROTOCOLS = ("protocols/mandibular_block_group.toml", "protocols/infiltration_audit.toml")


def pages(path):
    content = path.read_bytes()
    assert content.startswith(b"%PDF")
    found = re.findall(rb"/Type\s*/Pages[^>]*?/Count\s+(\d+)|/Count\s+(\d+)[^>]*?/Type\s*/Pages", content)
    (count,) = {int(a or b) for a, b in found}
    return count


def test_a_minute_just_short_of_a_whole_one_is_written_as_a_clock_has_it():
    protocol = read_protocol(PROTOCOLS[0])
    schedule = dataclasses.replace(protocol.schedule, tests_min=(1.5, 2.995, 4.0))
    assert case_sheet(dataclasses.replace(protocol, schedule=schedule)).tests == ["1:30", "3:00", "4:00"]


@pytest.mark.parametrize("path", PROTOCOLS)
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_it_is_one_page(path, paper, tmp_path):
    assert pages(write_case_sheet(tmp_path / "sheet.pdf", read_protocol(path), paper=paper)) == 1


@pytest.mark.parametrize("path", PROTOCOLS)
def test_it_asks_what_the_page_asks_and_has_no_room_for_the_arm(path):
    protocol = read_protocol(path)
    asked = order_on_paper(case_sheet(protocol))
    own = [question_of(name, protocol).question for name in (*asked_before(protocol), *asked_after(protocol))]
    places = [next(k for k, text in enumerate(asked) if text.startswith(question)) for question in own]
    assert places == sorted(places)  # tests/chairside/test_whole_case.py holds the order against the page itself
    assert sum(bool(re.fullmatch(r"\d+:\d\d", text)) for text in asked) == len(protocol.schedule.tests_min)
    assert not re.search(r"buffer|bicarbonate|arm\b|mixed", " ".join(asked))


def test_the_cold_before_is_asked_only_where_the_protocol_has_it():
    protocol = read_protocol(PROTOCOLS[0])

    def cold(**changes):
        schedule = dataclasses.replace(protocol.schedule, **changes)
        return case_sheet(dataclasses.replace(protocol, schedule=schedule)).cold

    assert ["control" in question for question, _ in cold()] == [False, True]
    assert "the case ends" in cold()[0][1][1]
    assert len(cold(control_tooth="none")) == 1
    assert cold(baseline_response="none") == []
    assert cold(baseline_response="optional")[0][1] == ("felt", "not felt")


def test_no_minute_has_sixty_seconds():
    schedule = dataclasses.replace(read_protocol(PROTOCOLS[0]).schedule, tests_min=(0.5, 1.995, 2.9, 10.0))
    sheet = case_sheet(dataclasses.replace(read_protocol(PROTOCOLS[0]), schedule=schedule))
    assert sheet.tests == ["0:30", "2:00", "2:54", "10:00"]


def test_minutes_count_from_what_the_protocol_says():
    protocol = read_protocol(PROTOCOLS[0])
    start = dataclasses.replace(protocol, schedule=dataclasses.replace(protocol.schedule, clock_zero="injection_start"))
    assert case_sheet(protocol).zero != case_sheet(start).zero


def test_the_longest_schedule_fits_the_page(tmp_path):
    protocol = read_protocol(PROTOCOLS[0])

    def with_tests(n):
        many = tuple(k / 4 for k in range(1, n + 1))
        return dataclasses.replace(protocol, schedule=dataclasses.replace(protocol.schedule, tests_min=many))

    for paper in ("a4", "letter"):
        assert pages(write_case_sheet(tmp_path / f"{paper}.pdf", with_tests(48), paper=paper)) == 1
    with pytest.raises(ReportError, match="more tests than a case sheet of one page holds"):
        write_case_sheet(tmp_path / "too-long.pdf", with_tests(400))
    assert not (tmp_path / "too-long.pdf").exists()


def test_the_template_command_writes_it(tmp_path):
    into = tmp_path / "sheet.pdf"
    done = CliRunner().invoke(onsetstudy, ["template", PROTOCOLS[0], "--into", str(into)], catch_exceptions=False)
    assert done.exit_code == 0
    assert into.read_bytes().startswith(b"%PDF")
