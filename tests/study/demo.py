"""The invented study, read, counted and sent once for all modules that do not alter it."""

from __future__ import annotations

import dataclasses
from functools import cache
from pathlib import Path

from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.model import Records
from onsetstudy.study.counts.aggregate_counts import Tally, tally_records
from onsetstudy.study.counts.exchange import make_exchange
from onsetstudy.study.exchange_results import Exchange

ROOT = Path(__file__).parents[2]
DATA = ROOT / "data" / "synthetic"
PROTOCOL = read_protocol(ROOT / "protocols" / "mandibular_block_group.toml")
LAST = PROTOCOL.quarters[-1]


@cache
def records() -> Records:
    """As they lie in the folder; who alters a table copies it."""
    return read_records([DATA], PROTOCOL)


@cache
def tally() -> Tally:
    return tally_records(PROTOCOL, records(), through=LAST)


@cache
def files() -> tuple[tuple[str, Exchange], ...]:
    """What each practice sends at the end, under the name of its file."""
    return tuple(
        (f"{c}.json", make_exchange(tally(), PROTOCOL, c, records_digest=records().digest)) for c in tally().practices
    )


def of_practices(found: Records, *codes: str) -> Records:
    """The records of these practices alone."""
    return with_cases(found, found.cases["practice_id"].isin(codes))


def with_cases(found: Records, chosen) -> Records:
    """The records of the chosen rows of cases, and their readings."""
    cases = found.cases[chosen].reset_index(drop=True)
    readings = found.readings[found.readings["case_id"].isin(cases["case_id"])].reset_index(drop=True)
    return dataclasses.replace(found, cases=cases, readings=readings)


def of_all_cases_alone(promised: Protocol, **changes: object) -> Protocol:
    """The protocol asking for the comparison of all cases only: no variations, no parts, no watch over failures."""
    plan = dataclasses.replace(promised.plan, sensitivity=(), min_stratum_cases=10_000)
    return dataclasses.replace(promised, **{"plan": plan, "watch": None, **changes})
