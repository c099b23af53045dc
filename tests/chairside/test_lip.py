"""Whether the lip is numb is asked at the chair after the same blocks as the records ask it."""

from __future__ import annotations

from pathlib import Path

import pytest

from onsetstudy.chairside.case_flow import case_state
from onsetstudy.chairside.views import setup_view
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.protocol.vocabulary import CODES
from onsetstudy.records.schema import LIP_BLOCKS
from tests.records.chair.test_event_log import CASE, Page

BLOCK = read_protocol("protocols/mandibular_block_group.toml")
SCRIPTS = {path.name: path.read_text() for path in Path("onsetstudy/chairside/page").glob("*.js")}


@pytest.mark.parametrize("technique", CODES["technique"])
def test_the_lip_is_missing_after_blocks_that_numb_it_alone(technique):
    page = Page()
    page.tap("case_opened", {"tooth": "44", "technique": technique, "patient_id": CASE})
    page.tap("injection_start")
    page.tap("injection_end")
    missing = case_state(CASE, page.events, BLOCK, day_of=str).missing
    # The mental and incisive nerve block numbs the lip as the blocks further back do.
    numbs = technique in ("ianb", "gow_gates", "closed_mouth_block", "mental_incisive")
    assert ("lip_numb" in missing) == numbs == (technique in LIP_BLOCKS)


def test_the_page_is_told_which_blocks_and_names_none_itself():
    assert setup_view(BLOCK, role="alone", practice="P01", practising=False).lip_blocks == LIP_BLOCKS
    assert [name for name, text in SCRIPTS.items() if "setup.lip_blocks.includes" in text] == ["phases.js"]
    assert not any(f'"{code}"' in text for text in SCRIPTS.values() for code in LIP_BLOCKS)
