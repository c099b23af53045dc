"""What a practice gives to its group: counts and estimates."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pandas as pd

from onsetstudy.core.canonical import canonical_json, digest_of_text
from onsetstudy.core.results import Estimate, NotAvailable
from onsetstudy.core.serialise import result_kind, to_dict
from onsetstudy.records.derived.results import ArmStanding, Doubt

SCHEMA = 2
"""Version of the content of an exchange file."""


@result_kind("count_table")
class CountTable:
    """Counts in the last column; a missing number is ``None`` (an onset that was never seen has no right end)."""

    columns: tuple[str, ...]
    rows: tuple[tuple[Any, ...], ...]

    @classmethod
    def of(cls, frame: pd.DataFrame) -> CountTable:
        """From a frame; infinite and missing numbers become ``None``."""
        rows = frame.to_numpy(dtype=object)
        return cls(
            columns=tuple(str(c) for c in frame.columns), rows=tuple(tuple(_plain(v) for v in row) for row in rows)
        )

    def to_frame(self) -> pd.DataFrame:
        """As a frame; ``None`` stays missing."""
        return pd.DataFrame([list(row) for row in self.rows], columns=list(self.columns))


@result_kind("held_back")
class HeldBack:
    """What small numbers made the practice merge or keep, and what it costs.

    ``information_kept`` is the information on the ratio of rates after merging over that before; 1 if nothing was
    merged. ``controls_kept_back`` are cases with a control tooth of arms that have too few of them.
    """

    least: int
    moved: int
    steps: tuple[str, ...]
    information_kept: float | None
    scores_kept_back: int
    controls_kept_back: int = 0


@result_kind("exchange")
class Exchange:
    """One practice's counts for one study and period.

    ``terms`` are the parts of the protocol that decide what the counts mean: key and value as JSON text. ``cells``
    counts cases by quarter, technique, further strata, arm and onset interval (for the rate, the share and the wait);
    ``values`` counts pain scores and minutes spent by arm over the whole period, waits not seen to their end among them
    and marked; ``safety`` tells how many cases recorded harms at all; ``estimates`` are the practice's own.
    ``cells`` count the allocated arm as far as ``arms`` says that it is known; who received another is told in total
    only. ``None``, as in every file made before it was told: arms as injected, not checked. ``ledger_head`` is number
    and beginning of the last entry of the practice's ledger, empty where there is none. ``doubts`` are what makes its
    cold tests doubtful over all cases counted here, empty if nothing does; ``None``, as in every file made before it
    was told: nobody looked. ``controls`` counts tests of control teeth by arm over the whole period (cases with one,
    tests, those not felt, those that could be an onset, those that were); ``None``, as in every file made before they
    were counted: the file does not tell. ``slips_opened`` counts the slips that the opening log shows up to the last
    quarter, and ``slips_without_record`` those of which no case was recorded; ``None`` where no log was read, and in
    earlier files. ``newer`` are parts that a newer version has added, name and JSON text: they are kept and named, and
    nothing is counted from them.
    """

    study: str
    practice: str
    quarters: tuple[str, ...]
    protocol_digest: str
    terms: tuple[tuple[str, str], ...]
    cells: CountTable
    values: CountTable
    safety: CountTable
    flow: CountTable
    operators: CountTable | None
    estimates: tuple[Estimate | NotAvailable, ...]
    held_back: HeldBack
    records_digest: str
    made_with: str
    invented: bool
    schema: int = SCHEMA
    arms: ArmStanding | None = None
    ledger_head: str = ""
    doubts: tuple[Doubt, ...] | None = None
    controls: CountTable | None = None
    slips_opened: int | None = None
    slips_without_record: int | None = None
    newer: tuple[tuple[str, str], ...] = ()

    def shares_a_quarter(self, other: Exchange) -> bool:
        """Whether both are of one practice and tell of the same cases."""
        return self.practice == other.practice and not set(self.quarters).isdisjoint(other.quarters)

    @property
    def analysed(self) -> int:
        """Analysed cases, all quarters together."""
        return sum(int(row[-1]) for row in self.cells.rows)

    @property
    def age(self) -> tuple[str, int]:
        """Last quarter and recorded cases: of files of a practice the later and the more is the newer.

        No file says when it was made; a name says no more than whoever gave it.
        """
        stages = self.flow.to_frame()
        return self.quarters[-1], int(stages.loc[stages["stage"] == "recorded", "n"].sum())


ADDED_SINCE = ("doubts", "controls", "slips_opened", "slips_without_record")
"""Keys that files did not have from the first; what is not known is not in a file."""


def as_sent(exchange: Exchange) -> dict[str, Any]:
    """Content of a file as it is written: with what a newer version added, without what files of its time did not hold.

    Digests and letters of earlier files stay.
    """
    told = to_dict(exchange).items()
    content = {name: value for name, value in told if value is not None or name not in ADDED_SINCE}
    del content["newer"]
    if exchange.controls is None:
        del content["held_back"]["controls_kept_back"]
    return {**content, **{name: json.loads(text) for name, text in exchange.newer}}


def digests_as_sent(exchange: Exchange) -> tuple[str, str]:
    """Digest of a file as it was sent, and the one under which earlier versions entered files without doubts."""
    content = as_sent(exchange)
    return digest_of_text(canonical_json(content)), digest_of_text(canonical_json({"doubts": None, **content}))


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value
