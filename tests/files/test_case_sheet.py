"""The paper case sheet: one page, the page's questions in its order, and no room for the arm."""

from __future__ import annotations

import re

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.files.documents import case_sheet
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.records.chair.case_questions import asked_after, asked_before

PROTOCOLS = ("protocols/mandibular_block_group.toml", "protocols/infiltration_audit.toml")


@pytest.mark.parametrize("path", PROTOCOLS)
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_it_is_one_page(path, paper, tmp_path):
    content = case_sheet.write_case_sheet(tmp_path / "sheet.pdf", read_protocol(path), paper=paper).read_bytes()
    assert content.startswith(b"%PDF")
    pages = re.findall(rb"/Type\s*/Pages[^>]*?/Count\s+(\d+)|/Count\s+(\d+)[^>]*?/Type\s*/Pages", content)
    assert {int(a or b) for a, b in pages} == {1}


@pytest.mark.parametrize("path", PROTOCOLS)
def test_it_asks_what_the_page_asks_and_has_no_room_for_the_arm(path, monkeypatch, tmp_path):
    seen = []
    monkeypatch.setattr(case_sheet, "render_case_sheet", lambda sheet, paper: seen.append(sheet) or b"%PDF")
    protocol = read_protocol(path)
    case_sheet.write_case_sheet(tmp_path / "sheet.pdf", protocol)
    assert len(seen[0].before) == len(asked_before(protocol))
    assert len(seen[0].after) == len(asked_after(protocol))
    assert len(seen[0].tests) == len(protocol.schedule.tests_min)
    asked = " ".join(question for question, _ in (*seen[0].before, *seen[0].after))
    assert not re.search(r"buffer|bicarbonate|arm\b|mixed", asked)


def test_the_template_command_writes_it(tmp_path):
    into = tmp_path / "sheet.pdf"
    done = CliRunner().invoke(onsetstudy, ["template", PROTOCOLS[0], "--into", str(into)], catch_exceptions=False)
    assert done.exit_code == 0
    assert into.read_bytes().startswith(b"%PDF")
