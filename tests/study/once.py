"""What one report of the demo derives, fits and checks, counted where the work is done."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from unittest import mock

import numpy as np

from onsetstudy.core.intervals import Intervals
from onsetstudy.files.ledger.side_files import read_companions
from onsetstudy.files.sealed.kept_allocation import read_kept_list
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.records.derived import onset as derivation
from onsetstudy.records.derived.onset import Onsets
from onsetstudy.study.practice import analyse as analysis
from onsetstudy.survival.curve import npmle
from onsetstudy.survival.curve.npmle import Curves, fit_npmle
from tests.study.demo import of_practices

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "data" / "synthetic"


@dataclass(slots=True)
class Work:
    """Digests of what the onset rule, the solver of curves and the check of intervals were given, call by call."""

    derived: list[str] = field(default_factory=list)
    fitted: list[str] = field(default_factory=list)
    checked: list[str] = field(default_factory=list)


def digest(*parts) -> str:
    name = hashlib.sha256()
    for part in parts:
        if isinstance(part, np.ndarray):
            # As doubles: equal numbers are one input, whatever type they are kept in.
            name.update(repr(part.shape).encode() + np.ascontiguousarray(part, dtype=np.float64).tobytes())
        else:
            name.update(repr(part).encode())
    return name.hexdigest()


@contextmanager
def counted() -> Iterator[Work]:
    """Everything done inside is counted; what is computed stays the same."""
    work = Work()
    derive, search, check = derivation.derive_intervals, npmle._maximum, Intervals.__post_init__

    def deriving(case, minute, felt, **how):
        work.derived.append(digest(case, minute, felt, *(v for _, v in sorted(how.items()))))
        return derive(case, minute, felt, **how)

    def searching(spans, tolerance, max_steps, *start):
        arrays = (spans.left, spans.right, spans.first, spans.after, spans.weight)
        work.fitted.append(digest(*arrays, tolerance, max_steps))
        return search(spans, tolerance, max_steps, *start)

    def checking(self):
        work.checked.append(digest(np.asarray(self.left, dtype=float), np.asarray(self.right, dtype=float)))
        check(self)

    with (
        mock.patch.object(derivation, "derive_intervals", deriving),
        mock.patch.object(npmle, "_maximum", searching),
        mock.patch.object(Intervals, "__post_init__", checking),
    ):
        yield work


@contextmanager
def sharing_nothing() -> Iterator[None]:
    """Inside, nothing that was derived, fitted or checked is handed on."""
    apart = (
        (Curves, "fit", lambda self, times, **how: fit_npmle(times, **how)),
        (
            Onsets,
            "_by",
            lambda self, rule, *, past_supplement: derivation._derive(
                self.records, self.protocol, rule, past_supplement
            ),
        ),
        (Intervals, "_of_valid", classmethod(lambda cls, left, right: cls(left, right))),
    )
    with ExitStack() as all_of_it:
        for owner, name, instead in apart:
            all_of_it.enter_context(mock.patch.object(owner, name, instead))
        yield


def demo():
    """Protocol, records and companions of the demo, with the list of its slips."""
    path = ROOT / "protocols" / "mandibular_block_group.toml"
    protocol = read_protocol(path)
    kept = read_kept_list(DEMO / "allocation")
    return protocol, read_records(DEMO, protocol), replace(read_companions(path), allocation=kept)


def report():
    """Results of the last quarter of two practices of the demo: every part of a report is in it."""
    protocol, records, beside = demo()
    records = of_practices(records, "P01", "P02")
    return analysis.analyse(protocol, records, quarter="2026Q3", beside=beside)
