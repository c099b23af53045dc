"""Whether an exchange file can be what it says: columns, words, ranges, and sums that have to agree.

A file is judged by what it holds and by the terms that it states; whether those terms are the group's is asked when
files are put together.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pandas as pd

from onsetstudy.core.errors import Problem
from onsetstudy.core.quantities import QUANTITIES, quantity_of
from onsetstudy.core.results import Estimate
from onsetstudy.core.serialise import to_dict
from onsetstudy.core.type_check import mismatches
from onsetstudy.protocol.keys import pattern_fault
from onsetstudy.protocol.vocabulary import CODES, PAIN_MOMENTS, PAIRED
from onsetstudy.records.checks.privacy import REASON_NAMES, looks_like_a_person, reason_fault
from onsetstudy.records.derived.opened_slips import MOST_MISSING
from onsetstudy.records.derived.results import ArmStanding
from onsetstudy.records.validity.gates import COUNTED
from onsetstudy.study.counts.aggregate_counts import AT_LEAST, CONTROLS, ENDS, EXACTLY
from onsetstudy.study.counts.exchange import JOIN, OTHER, quarters_of
from onsetstudy.study.exchange_results import SCHEMA, CountTable, Exchange
from onsetstudy.study.sets.analysis_set import ESTIMANDS
from onsetstudy.study.sets.counted_set import TREATMENT

COLUMNS = {
    "cells": ("quarter", "technique", "arm", *ENDS),
    "values": ("quantity", "arm", "known", "value"),
    "safety": ("arm", "what"),
    "flow": ("stage",),
    "operators": ("operator", "technique", "arm", "outcome"),
    "controls": ("arm", "what"),
}
"""Columns of every table beside ``n``, the count."""
PARTS = {
    **dict.fromkeys(("recorded", "supplement"), ("cases", "there are")),
    **dict.fromkeys(("rated", "event", "serious"), ("recorded", "told about harms")),
}
"""What is counted of harms, as a part of what, in words."""
MOST_CASES = 100_000_000
"""Far more than any practice treats; a count above it is a slip or a trick."""
MOST_TESTS = 100
"""More cold tests than any case has."""
LONGEST_MIN = 24 * 60.0
"""A wait of more than a day is no wait for numbness."""
CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}")
DIGEST = re.compile(r"[0-9a-f]{64}")
OPERATOR = re.compile(r"\d{1,6}")
QUARTER = re.compile(r"\d{4}Q[1-4]")
LONGEST_TEXT = 400
LONGEST_STEP = 10_000
"""One step names every kind that became another's company."""
CODED = re.compile(r"[A-Za-z0-9_.:+-]{0,80}")
MADE_WITH = re.compile(r"onsetstudy \d[A-Za-z0-9.+]{0,30}")
HEAD = re.compile(r"(?:\d{1,7}:[0-9a-f]{16})?")
MERGED = frozenset(["were", "joined", "into", "one", "period", "became", "not", "recorded"])
"""Words that are no codes in what is told of groups that were merged."""
ARM = re.compile(r"arms\.\d+\.code")
TERM = re.compile(r"[a-z0-9_]{1,40}(?:\.[a-z0-9_]{1,40}){0,6}")
PATTERN = "study.case_codes"
"""The one term that is no code: signs of a pattern."""
AGAIN = "ask the practice to make the file anew from its records"


def check_exchange(exchange: Exchange) -> list[Problem]:
    """What in a file cannot be; empty if nothing was found, which does not make it true.

    Parameters
    ----------
    exchange : Exchange
        As read, before anything is computed from it.
    """
    tables = {name: t for name in COLUMNS if (t := getattr(exchange, name)) is not None}
    tables = {name: t for name, t in tables.items() if t.rows or t.columns not in ((), ("n",))}
    # Each question takes for granted what those before it have found right.
    return (
        [_problem(told, "type") for told in mismatches(exchange)]
        or [*_head(exchange)]
        or [p for name, table in tables.items() for p in _columns(name, table)]
        or strange_words(exchange) + [p for name, table in tables.items() for p in _counts(name, table)]
        or [p for judge in (_times, _scores, _sums, _controls, _doubts, _slips, _promised) for p in judge(exchange)]
    )


def _problem(what: str, code: str, mend: str = AGAIN) -> Problem:
    return Problem(what=what, mend=mend, code=code)


def frame_of(exchange: Exchange, name: str) -> pd.DataFrame:
    """A table as a frame; without rows one with all its columns."""
    table: CountTable | None = getattr(exchange, name)
    if table is not None and table.rows:
        return table.to_frame()
    return pd.DataFrame(columns=[*COLUMNS[name], "n"]).astype({"n": "int64"})


def _by_arm(counts: pd.DataFrame, kinds: Sequence[str]) -> pd.DataFrame:
    """Counts of each arm, a column for each kind."""
    return counts.groupby(["arm", "what"])["n"].sum().unstack("what").reindex(columns=list(kinds)).fillna(0)


def _head(exchange: Exchange) -> Iterator[Problem]:
    """Codes, digests and quarters, and texts no longer than any of ours."""
    for name in ("study", "practice"):
        if not CODE.fullmatch(getattr(exchange, name)):
            yield _problem(f"the code of the {name} is no code", "code")
    for name in ("protocol_digest", "records_digest"):
        if not DIGEST.fullmatch(getattr(exchange, name)):
            yield _problem(f"{name} is not a digest", "digest")
    quarters = exchange.quarters
    if not quarters or not all(map(QUARTER.fullmatch, quarters)):
        yield _problem("its quarters are not quarters", "quarter")
    elif tuple(sorted(set(quarters))) != quarters:
        yield _problem("its quarters are not in order, or stand twice", "quarter")
    held = exchange.held_back
    if held.least < 1 or min(held.moved, held.scores_kept_back, held.controls_kept_back) < 0:
        yield _problem("what was held back is a negative count", "range")
    if held.information_kept is not None and not 0 <= held.information_kept <= 1 + 1e-9:
        yield _problem("the information kept lies outside 0 to 1", "range")
    texts = (exchange.made_with, *(word for pair in exchange.terms for word in pair))
    if any(len(text) > LONGEST_TEXT for text in texts) or any(len(step) > LONGEST_STEP for step in held.steps):
        yield _problem(f"it holds a text of more than {LONGEST_TEXT} characters, as no file of ours does", "text")
    yield from _terms(exchange)
    if exchange.schema != SCHEMA:
        yield _problem("its content says that it is of another version than the file", "schema")
    if not MADE_WITH.fullmatch(exchange.made_with) or not HEAD.fullmatch(exchange.ledger_head):
        yield _problem("what made it, or the last entry of its ledger, is not told as any version does", "text")
    codes = {*MERGED, OTHER, *(c for values in CODES.values() for c in values)}
    words = (w for step in held.steps for w in re.split(r"[\s,:+]+", step))
    if any(word not in codes and not QUARTER.fullmatch(word) for word in words):
        yield _problem("what was merged is told with a word that is no code of the study", "word")
    yield from _arms(exchange.arms)
    yield from _estimates(exchange)


def _arms(arms: ArmStanding | None) -> Iterator[Problem]:
    if arms is None:
        return
    counts = (arms.cases, arms.kept, arms.other_arm, arms.verified)
    if min(counts) < 0 or max(arms.verified, arms.kept) > arms.cases or arms.other_arm > arms.verified:
        yield _problem("the counts of allocated arms cannot be", "range")
    if len(arms.reason) > LONGEST_TEXT or reason_fault(arms.reason):
        yield _problem("the reason for a missing list may hold a name, an address or a number of a person", "text")


def _estimates(exchange: Exchange) -> Iterator[Problem]:
    """The practice's own estimates: of quantities that there are, and without a person in their wording."""
    for told in exchange.estimates:
        if told.quantity not in QUANTITIES:
            yield _problem("it holds an estimate of a quantity that is not known here", "quantity")
        elif any(len(t) > LONGEST_TEXT or REASON_NAMES.search(t) for t in _texts(to_dict(told))) or any(
            map(reason_fault, _texts({**to_dict(told), "source": ""}))
        ):
            yield _problem(f"the wording of its {told.quantity} is none of ours", "text")
        span = told.interval if isinstance(told, Estimate) else told.bound
        if span is not None and not span.low <= span.high:
            yield _problem(f"estimates: the interval of {told.quantity} begins above its end", "range")
        elif isinstance(told, Estimate) and not told.interval.low <= told.estimate <= told.interval.high:
            yield _problem(f"estimates: {told.quantity} lies outside its own interval", "range")


def _promised(exchange: Exchange) -> Iterator[Problem]:
    """The practice's own estimates compare the arms that the terms name, at their level."""
    terms = _stated(exchange)
    level, reference, arms = terms.get("plan.conf_level"), str(terms.get("reference_arm")), _arms_of(terms)
    for told in exchange.estimates:
        fit = [quantity_of(told.quantity).contrast_of(arm, reference) for arm in arms if arm != reference]
        if told.contrast not in (fit if isinstance(told, Estimate) else [*fit, None]):
            yield _problem(f"estimates: {told.quantity} does not compare the arms that its terms name", "arm")
        if isinstance(told, Estimate) and level not in (None, told.interval.level):
            yield _problem(f"estimates: the interval of {told.quantity} is not of the level of its terms", "range")


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict | list):
        for inner in value.values() if isinstance(value, dict) else value:
            yield from _texts(inner)


def _stated(exchange: Exchange) -> dict[str, Any]:
    """Its terms, of which it was found before that they can be read."""
    return {key: json.loads(text) for key, text in exchange.terms}


def _arms_of(terms: Mapping[str, Any]) -> list[str]:
    return [str(code) for key, code in terms.items() if ARM.fullmatch(key)]


def _terms(exchange: Exchange) -> Iterator[Problem]:
    """Terms by keys and values that a protocol can have: codes and numbers, never free text."""
    keys = [key for key, _ in exchange.terms]
    if len(set(keys)) != len(keys):
        yield _problem("a term of the protocol stands twice", "terms")
    for key, text in exchange.terms:
        try:
            value = json.loads(text)
        except (ValueError, RecursionError):
            yield _problem("a term of the protocol cannot be read", "terms")
            return
        fits = isinstance(value, str) and not pattern_fault(value) if key == PATTERN else coded(value)
        if not TERM.fullmatch(key) or not fits:
            yield _problem("a term of the protocol is no code and no number", "terms")
            return


def coded(value: Any) -> bool:
    """Whether something holds no free text: codes, numbers, and lists and tables of such."""
    if isinstance(value, dict):
        return all(coded(key) and coded(inner) for key, inner in value.items())
    if isinstance(value, list):
        return all(map(coded, value))
    return not isinstance(value, str) or (CODED.fullmatch(value) is not None and not looks_like_a_person(value))


def _columns(name: str, table: CountTable) -> Iterator[Problem]:
    columns = (*COLUMNS[name], "n")
    if missing := [c for c in columns if c not in table.columns]:
        yield _problem(f"the table {name} has no column {', '.join(missing)}", "column")
    known = (*columns, *(CODES if name == "cells" else ()))
    if extra := [c for c in table.columns if c not in known]:
        yield _problem(f"the table {name} has {len(extra)} column that is not known here", "column")
    if len(set(table.columns)) != len(table.columns):
        yield _problem(f"a column of the table {name} stands twice", "column")
    if any(len(row) != len(table.columns) for row in table.rows):
        yield _problem(f"rows of the table {name} are not as long as its head", "column")
    elif any(not isinstance(v, str | int | float | None) for row in table.rows for v in row):
        yield _problem(f"the table {name} holds something that is neither a number nor a word", "type")


def _counts(name: str, table: CountTable) -> Iterator[Problem]:
    place = table.columns.index("n")
    counts = [row[place] for row in table.rows]
    if any(isinstance(n, bool) or not isinstance(n, int) or n < 1 for n in counts):
        yield _problem(f"a count of the table {name} is not a whole number of 1 or more", "count")
    elif sum(counts) > MOST_CASES:
        yield _problem(f"the table {name} counts {sum(counts):,} of something, more than any practice has", "count")
    if len({row[:place] + row[place + 1 :] for row in table.rows}) != len(table.rows):
        yield _problem(f"two rows of the table {name} are of the same group", "twice")


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _times(exchange: Exchange) -> Iterator[Problem]:
    """Onset lies in (left, right], right is empty where it was never seen."""
    frame = frame_of(exchange, "cells")
    for name in ESTIMANDS:
        for left, right in zip(frame[f"left_{name}"], frame[f"right_{name}"], strict=True):
            if not _number(left) or not 0 <= left <= LONGEST_MIN:
                yield _problem(f"left_{name} holds {left!r}, no minutes from 0 to a day", "time")
                break
            if not pd.isna(right) and not (_number(right) and left <= right <= LONGEST_MIN):
                yield _problem(f"right_{name} ({right:g}) is no minute after left_{name} ({left:g})", "time")
                break


def _scores(exchange: Exchange) -> Iterator[Problem]:
    """Scores on the scale that the terms name, minutes of a visit in a day."""
    terms = _stated(exchange)
    low, high = (terms.get(f"pain.instrument.{end}", 0) for end in ("low", "high"))
    scale = (low, high) if _number(low) and _number(high) and high > low else (0.0, -1.0)
    for quantity, group in frame_of(exchange, "values").groupby("quantity"):
        first, last = {"spent": (0.0, LONGEST_MIN), TREATMENT: (0.0, 1.0)}.get(str(quantity), scale)
        for v in group["value"]:
            if not _number(v) or not first <= v <= last or (quantity == TREATMENT and v not in (0, 1)):
                what = f"{str(quantity).replace('_', ' ')} holds {v!r}, which is not from {first:g} to {last:g}"
                yield _problem(what, "range")
                break


def _sums(exchange: Exchange) -> Iterator[Problem]:
    """Counts of the same cases in several tables have to agree."""
    cells, flow, safety, values, operators = (
        frame_of(exchange, name) for name in ("cells", "flow", "safety", "values", "operators")
    )
    counted, by_arm, stage = int(cells["n"].sum()), cells.groupby("arm")["n"].sum(), flow.groupby("stage")["n"].sum()
    analysed, left_out, refused, recorded = (
        int(stage.get(name, 0)) for name in ("analysed", "left_out", "refused", "recorded")
    )
    parts = analysed + left_out + refused
    rows = [
        (counted != analysed, f"the cells count {counted} cases and the flow {analysed} analysed ones"),
        (parts != recorded, f"the flow records {recorded} cases, and its parts add up to {parts}"),
        (operators["n"].sum() > counted, "operators are counted over more cases than there are"),
        (exchange.arms is not None and exchange.arms.cases > recorded, "more randomised cases than recorded ones"),
    ]
    if len(safety):
        harms = _by_arm(safety, ("cases", *PARTS))
        rows += [((harms[p] > harms[w]).any(), f"more cases under {p} than {what}") for p, (w, what) in PARTS.items()]
        # Earlier files count harms by the arm that was injected, cells by the one that was allocated.
        apart = harms["cases"].sub(by_arm, fill_value=0).abs().max()
        others = 0 if exchange.arms is None else exchange.arms.other_arm
        if harms["cases"].sum() != counted:
            rows.append((True, "harms are counted over other cases than the cells"))
        elif apart > others:
            rows.append((True, "harms and cells differ in an arm by more cases than received another arm"))
    for quantity, group in values.groupby("quantity"):
        name, n, by = str(quantity).replace("_", " "), int(group["n"].sum()), group.groupby("arm")["n"].sum()
        rows.append((n > counted, f"{name} of {n} cases, where there are {counted}"))
        rows.append((by.sub(by_arm, fill_value=0).max() > 0, f"{name} of more cases of an arm than there are"))
    yield from (_problem(what, "sum") for wrong, what in rows if wrong)
    # That the ends of a period are among the quarters is asked of the words.
    if not set(exchange.quarters) <= {q for period in cells["quarter"] for q in quarters_of(str(period))}:
        yield _problem("its cells are not of the quarters that it names", "quarter")


def _controls(exchange: Exchange) -> Iterator[Problem]:
    """Tests of control teeth: parts no larger than what they are parts of, in no more cases than there are."""
    wide = _by_arm(frame_of(exchange, "controls"), CONTROLS)
    by_arm = frame_of(exchange, "cells").groupby("arm")["n"].sum()
    if (wide["cases"] > by_arm.reindex(wide.index, fill_value=0)).any():
        yield _problem("more cases with a control tooth than there are", "sum")
    if (wide["cases"] < exchange.held_back.least).any():
        yield _problem("control teeth of fewer cases than it says that it tells apart", "small_group")
    for part, whole, most in (("tests", "cases", MOST_TESTS), ("not_felt", "tests", 1), ("able", "tests", 1),
                              ("began", "able", 1), ("began", "cases", 1), ("began", "not_felt", 1)):  # fmt: skip
        if (wide[part] > most * wide[whole]).any():
            yield _problem(f"more control teeth under {part} than {whole} allow", "sum")


def _doubts(exchange: Exchange) -> Iterator[Problem]:
    """Doubts about the tests in no words but ours, with counts that can be."""
    for doubt in exchange.doubts or ():
        if doubt.code not in COUNTED:
            yield _problem("it holds a doubt about the cold tests that is not known here", "doubt")
            continue
        effect, names = COUNTED[doubt.code]
        if doubt.effect != effect or tuple(name for name, _ in doubt.counts) != names:
            yield _problem(f"its doubt {doubt.code} is not worded as this version does", "doubt")
        elif not all(0 <= n <= MOST_CASES * MOST_TESTS for _, n in doubt.counts):
            yield _problem(f"the counts of its doubt {doubt.code} cannot be", "range")
        elif not set(doubt.practices) <= {exchange.practice}:
            yield _problem(f"its doubt {doubt.code} names another practice", "doubt")
        elif doubt.p_value is not None and not 0 <= doubt.p_value <= 1:
            yield _problem(f"the P value of its doubt {doubt.code} lies outside 0 to 1", "range")


def strange_words(exchange: Exchange) -> list[Problem]:
    """Words in the counts that are no code of the study: each would be free text in a file of counts."""
    codes = {c for values in CODES.values() for c in values} | {OTHER, "not recorded"}
    known: dict[str, set[str]] = {
        "arm": set(_arms_of(_stated(exchange))),
        "known": {EXACTLY, AT_LEAST},
        "outcome": {"numb", "not_numb", "undecided"},
        "stage": {"recorded", "refused", "left_out", "analysed"},
        "quantity": {"spent", TREATMENT, *(f"pain_{m}" for m in PAIN_MOMENTS)},
    }
    problems = []
    counted = {"safety": {"cases", *PARTS}, "controls": set(CONTROLS)}
    for table in COLUMNS:
        frame, known["what"] = frame_of(exchange, table), counted.get(table, set())
        for column in frame.columns:
            if column.startswith(("left_", "right_")) or column in ("n", "value"):
                wrong = [v for v in frame[column] if isinstance(v, str)]
            elif column == "quarter":
                parts = {q for v in frame[column] for q in str(v).split(JOIN)}
                wrong = sorted(parts - set(exchange.quarters))
            elif column == "operator":
                wrong = sorted({str(v) for v in frame[column] if not (OPERATOR.fullmatch(str(v)) or v == OTHER)})
            else:
                wrong = sorted({str(v) for v in frame[column]} - known.get(column, codes))
            if wrong:
                # Never the words themselves: what does not belong there may be a name.
                n = len(set(wrong))
                told = "a word" if n == 1 else f"{n} words"
                what = f"the table {table} holds {told} under {column}, no code of the study"
                problems.append(_problem(what, "word", "correct the records and make the file anew; do not send this"))
    return problems


def _slips(exchange: Exchange) -> Iterator[Problem]:
    """Opened slips and those without a record: both told or neither, never more of them than were opened.

    The others are those of the cases that were verified. Of few cases they need not be: two may have been given one
    slip, or the slip was opened after the quarter.
    """
    opened, without = exchange.slips_opened, exchange.slips_without_record
    if (opened is None) != (without is None) or not 0 <= (without or 0) <= (opened or 0) <= MOST_CASES:
        yield _problem("the counts of opened slips cannot be", "range")
    elif opened is not None and without is not None and exchange.arms is not None:
        verified, recorded = exchange.arms.verified, opened - without
        most = 2 * recorded if _stated(exchange).get("study.design") in PAIRED else recorded
        if verified - most > MOST_MISSING * verified:
            what = f"slips_opened less slips_without_record is {recorded}, and arms.verified counts {verified} cases"
            yield _problem(what, "sum")
