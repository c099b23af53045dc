"""The group's protocol with one technique, and as few practices as are asked for: sealing a slip takes milliseconds.

How strong a seal is stands in the package, and is what it is for every slip; how many there are is for a test to say.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

GROUP = Path(__file__).parents[1] / "protocols" / "mandibular_block_group.toml"
ALL = ("P01", "P02", "P03", "P04", "P05")


def one_technique(path: Path, practices: Sequence[str] = ALL) -> Path:
    """Write it, with a list for each practice."""
    text = GROUP.read_text(encoding="utf-8")
    for old, new in (
        (json.dumps(ALL), json.dumps(practices)),
        ('["ianb", "mental_incisive", "buccal_infiltration"]', '["ianb"]'),
    ):
        assert old in text
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")
    return path
