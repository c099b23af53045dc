"""What pages of a group give away of one practice: rows that are its own, and growth by few cases."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping

import pandas as pd

from onsetstudy.study.counts.exchange import LEAST_CASES
from onsetstudy.study.exchange_results import Exchange
from onsetstudy.study.group.results import GroupResults


def cases_of_page(results: GroupResults) -> dict[str, int]:
    """Analysed cases of every practice as a page counted them."""
    return {p.code: p.n.cases for p in results.practices}


def by_sending(files: Iterable[Exchange]) -> list[list[Exchange]]:
    """Files by when they were sent, the latest first: none of a practice shares a quarter with another beside it."""
    sendings: list[list[Exchange]] = []
    for exchange in sorted(files, key=lambda e: e.quarters[-1], reverse=True):
        free = (s for s in sendings if not any(map(exchange.shares_a_quarter, s)))
        if (found := next(free, None)) is None:
            sendings.append(found := [])
        found.append(exchange)
    return sendings


def cases_of_files(files: list[Exchange]) -> dict[str, int]:
    """Analysed cases of every practice in exchange files that were sent before, no quarter of it twice."""
    found: Counter[str] = Counter()
    for exchange in files:
        found[exchange.practice] += exchange.analysed
    return dict(found)


def grown_by_few(now: Mapping[str, int], before: Mapping[str, int]) -> tuple[tuple[str, int], ...]:
    """Practices whose rows on two pages differ by fewer cases than may stand alone, and by how many (shrunk: below 0).

    Whoever holds both pages takes one row from the other and has what became of those few; a practice that is new
    counts from nothing, one that did not change gives nothing away.
    """
    grown = ((code, cases - before.get(code, 0)) for code, cases in sorted(now.items()))
    return tuple((code, added) for code, added in grown if 0 < abs(added) < LEAST_CASES)


def techniques_of_one_practice(cells: pd.DataFrame) -> tuple[str, ...]:
    """Techniques of which one practice alone has cases, where there are others: a row by technique would be its row."""
    whose = cells.groupby(cells["technique"].astype(str))["practice_id"].nunique()
    return tuple(sorted(whose[whose == 1].index)) if cells["practice_id"].nunique() > 1 else ()
