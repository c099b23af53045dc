"""The group's protocol with as few practices and techniques as a test asks for: sealing a slip takes milliseconds.

How strong a seal is stands in the package, and is what it is for every slip; how many there are is for a test to say.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

GROUP = Path(__file__).parents[1] / "protocols" / "mandibular_block_group.toml"
PRACTICES = ("P01", "P02", "P03", "P04", "P05")
TECHNIQUES = ("ianb", "mental_incisive", "buccal_infiltration")


def short_list(path: Path, *, practices: Sequence[str] = PRACTICES, techniques: Sequence[str] = ("ianb",)) -> Path:
    """Write it: each of these practices has a list of slips for each of these techniques."""
    text = GROUP.read_text(encoding="utf-8")
    for old, new in ((PRACTICES, practices), (TECHNIQUES, techniques)):
        assert json.dumps(old) in text
        text = text.replace(json.dumps(old), json.dumps(new))
    path.write_text(text, encoding="utf-8")
    return path
