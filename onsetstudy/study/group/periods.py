"""The counts of a group up to a quarter; what carries no quarter is left out where it reaches beyond."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from onsetstudy.protocol.model import Protocol
from onsetstudy.study.counts.exchange_check import COLUMNS
from onsetstudy.study.group.pool_files import Gathered, together

__all__ = ["Period", "cut", "last_quarter", "sent_less", "until"]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Period:
    """Counts up to a quarter.

    ``counts`` holds cells up to it, and scores, waits, harms, flow, operators and control teeth of files that end with
    it or before. ``beyond`` names the practices whose files go on after it, with their last quarter: of them nothing
    but cells is used, since the rest cannot be cut.
    """

    counts: Gathered
    label: str
    beyond: tuple[tuple[str, str], ...]


def until(cells: pd.DataFrame, label: str) -> pd.DataFrame:
    """Cells up to a quarter; periods that were joined count with their last quarter."""
    return cells[last_quarter(cells["quarter"]) <= label].reset_index(drop=True)


def last_quarter(quarter: pd.Series) -> pd.Series:
    """The last quarter of periods, some of which were joined."""
    return quarter.astype(str).str.split("+").str[-1]


def cut(counts: Gathered, label: str) -> Period:
    """Counts up to the end of a quarter."""
    begun = [(name, e) for name, e in counts.files if e.quarters[0] <= label]
    beyond = {e.practice: e.quarters[-1] for _, e in begun if e.quarters[-1] > label}
    whole = [(name, e) for name, e in begun if e.practice not in beyond]
    return Period(
        counts=Gathered(
            cells=until(counts.cells, label),
            **{name: together(whole, name) for name in COLUMNS if name != "cells"},
            files=counts.files,
            notes=counts.notes,
        ),
        label=label,
        beyond=tuple(sorted(beyond.items())),
    )


def sent_less(counts: Gathered, protocol: Protocol, label: str) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
    """Practices of the protocol without a file, and those whose files end before a quarter, with their last one."""
    missing = tuple(p for p in protocol.study.practices if p not in counts.practices)
    last: dict[str, str] = {}
    for _, exchange in counts.files:
        last[exchange.practice] = max(last.get(exchange.practice, ""), exchange.quarters[-1])
    return missing, tuple((code, q) for code, q in sorted(last.items()) if q < label)
