"""What pages of a group give away of one practice: rows that are its own, and growth by few cases."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

import pandas as pd

from onsetstudy.study.counts.exchange import LEAST_CASES
from onsetstudy.study.exchange_results import Exchange
from onsetstudy.study.group.pool_files import digest_of_counts, tables_of
from onsetstudy.study.group.results import GroupResults


class Sent(NamedTuple):
    """Analysed cases of a practice, and the digest of all that is counted of it; empty where that is not known."""

    cases: int
    digest: str = ""

    def tells_few(self, was: Sent) -> bool:
        """Whether so few cases were added or taken away that they could be read off, or as many were corrected."""
        if added := self.cases - was.cases:
            return abs(added) < LEAST_CASES
        return bool(self.digest and was.digest) and self.digest != was.digest


def cases_of_page(results: GroupResults) -> dict[str, Sent]:
    """What a page counted of every practice."""
    return {p.code: Sent(p.n.cases, p.digest) for p in results.practices}


def by_sending(files: Iterable[Exchange]) -> list[list[Exchange]]:
    """Files by when they were sent, the latest first: none of a practice shares a quarter with another beside it."""
    sendings: list[list[Exchange]] = []
    for exchange in sorted(files, key=lambda e: e.quarters[-1], reverse=True):
        free = (s for s in sendings if not any(map(exchange.shares_a_quarter, s)))
        if (found := next(free, None)) is None:
            sendings.append(found := [])
        found.append(exchange)
    return sendings


def cases_of_files(files: list[Exchange]) -> dict[str, Sent]:
    """What exchange files that were sent before count of every practice, no quarter of it twice."""
    tables = tables_of([("", exchange) for exchange in files])
    cases = tables["cells"].groupby("practice_id")["n"].sum()
    return {str(code): Sent(int(n), digest_of_counts(tables, str(code))) for code, n in cases.items()}


def grown_by_few(now: Mapping[str, Sent], before: Mapping[str, Sent]) -> tuple[tuple[str, int], ...]:
    """Practices whose rows on two pages differ by fewer cases than may stand alone, and by how many (shrunk: below 0).

    Whoever holds both pages takes one row from the other and has what became of those few; a practice that is new
    counts from nothing, one that did not change gives nothing away. As many cases as before of which something else is
    counted were corrected, and differ by 0.
    """
    pairs = ((code, sent, before.get(code, Sent(0))) for code, sent in sorted(now.items()))
    return tuple((code, sent.cases - was.cases) for code, sent, was in pairs if sent.tells_few(was))


def techniques_of_one_practice(cells: pd.DataFrame) -> tuple[str, ...]:
    """Techniques of which one practice alone has cases, where there are others: a row by technique would be its row."""
    whose = cells.groupby(cells["technique"].astype(str))["practice_id"].nunique()
    return tuple(sorted(whose[whose == 1].index)) if cells["practice_id"].nunique() > 1 else ()
