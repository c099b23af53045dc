"""Exchange files edited by hand, digest made anew: what cannot be is refused, with words and never a traceback."""

from __future__ import annotations

import contextlib
import copy
import dataclasses
import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given
from hypothesis import strategies as st

from onsetstudy.core.canonical import digest_of_content
from onsetstudy.core.errors import ProtocolError, RecordsError
from onsetstudy.core.serialise import from_dict
from onsetstudy.files.exchange import read_exchange
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.study.group.analyse_group import analyse_group
from onsetstudy.study.group.pool_files import gather
from tests.examples import examples

ROOT = Path(__file__).parents[2]
SHIPPED = ROOT / "data" / "synthetic" / "exchange" / "mandibular-block-group-P01-2025Q4-2026Q3.exchange.json"
BODY = json.loads(SHIPPED.read_text(encoding="utf-8"))


def column(content, table, name):
    return content[table]["columns"].index(name)


def put(table, name, value, row=0):
    def edit(content):
        content[table]["rows"][row][column(content, table, name)] = value

    return edit


def put_score(value):
    """In a row of pain, whatever the order of the table."""

    def edit(content):
        at, score = column(content, "values", "quantity"), column(content, "values", "value")
        next(r for r in content["values"]["rows"] if r[at].startswith("pain"))[score] = value

    return edit


def field(name, value):
    def edit(content):
        content[name] = value

    return edit


def part(name, key, value):
    def edit(content):
        content[name][key] = value

    return edit


def swapped(*tables, only=None):
    """Arms exchanged in whole tables, or in their first rows alone."""

    def edit(content):
        for table in tables:
            at = column(content, table, "arm")
            for row in content[table]["rows"][:only]:
                row[at] = {"plain": "buffered", "buffered": "plain"}[row[at]]

    return edit


def harms(what, n):
    def edit(content):
        rows = content["safety"]["rows"]
        rows[:] = [row for row in rows if row[:2] != ["buffered", what]] + [["buffered", what, n]]

    return edit


def estimate(key, value):
    def edit(content):
        content["estimates"][0][key] = value

    return edit


def operators(n):
    columns = ["operator", "technique", "arm", "outcome", "n"]
    return field("operators", {"kind": "count_table", "columns": columns, "rows": [["01", "ianb", "plain", "numb", n]]})


def nested(depth):
    inner = []
    for _ in range(depth):
        inner = [inner]
    return inner


EDITS = {
    "arms of a cell swapped": swapped("cells", only=1),
    "arms of a row of harms swapped": swapped("safety", only=1),
    "harms of one arm with those of the other": harms("cases", 60),
    "serious harms of more than told": harms("serious", 10_000),
    "rated by more than told": harms("rated", 1_000_000),
    "operators of more cases": operators(5_000),
    "operators of ten million cases": operators(10_000_000),
    "an estimate of something else": estimate("quantity", "Erika Example"),
    "an estimate by somebody": estimate("method", "by Dr. Erika Example"),
    "an estimate by somebody without a title": estimate("method", "Erika Example measured this"),
    "an estimate of arms turned round": estimate("contrast", "plain / buffered"),
    "an interval of another level": lambda c: c["estimates"][0]["interval"].update(level=0.5),
    "an estimate with a telephone": estimate("method", "call 030 1234567"),
    "an estimate as a table": estimate("estimate", {"kind": "interval"}),
    "an estimate with a note": estimate("note", "Erika Example"),
    "a table with a note": part("cells", "note", "Erika Example"),
    "what was held back with a note": part("held_back", "note", "Erika Example"),
    "made by somebody": field("made_with", "Erika Example"),
    "a head that is a name": field("ledger_head", "Erika Example"),
    "a head that is none": field("ledger_head", "99:zz"),
    "a head without end": field("ledger_head", "9" * 300),
    "another version inside": field("schema", 3),
    "a reason with a name": part("arms", "reason", "Dr. Erika Example has it"),
    "a reason with a name and no title": part("arms", "reason", "Erika Example lost it"),
    "more in another arm than checked": part("arms", "other_arm", 100_000),
    "more kept than there are": part("arms", "kept", 100_000),
    "merged with a name": part("held_back", "steps", ["Erika Example became other"]),
    "steps nested": part("held_back", "steps", nested(60)),
    "moved 1e30": part("held_back", "moved", 10**30),
    "a table of another kind": part("cells", "kind", "held_back"),
    "a case refused that was not recorded": lambda c: c["flow"]["rows"].append(["refused", 5]),
    "left out forgotten": lambda c: c["flow"].update(rows=[r for r in c["flow"]["rows"] if r[0] != "left_out"]),
    "a doubt with a name": field("doubts", [{"kind": "doubt", "code": "Erika"}]),
    "a scale without end": lambda c: [t.__setitem__(1, "1e400") for t in c["terms"] if t[0] == "pain.instrument.high"],
    "digits of another script": field("practice", "P0\u0661"),
    "a code written backwards": field("practice", "P01\u202e"),
    "cells by the thousand": lambda c: c["cells"].update(rows=c["cells"]["rows"] * 100),
    "pain 99,999": put_score(99_999),
    "pain below 0": put_score(-1),
    "pain as text": put_score("12"),
    "pain missing": put_score(None),
    "minus one event": lambda c: c["safety"]["rows"].append(["buffered", "event", -1]),
    "more events than cases": lambda c: c["safety"]["rows"].append(["buffered", "event", 10_000]),
    "unknown arm": put("cells", "arm", "other_drug"),
    "unknown technique": put("cells", "technique", "Erika"),
    "technique a number": put("cells", "technique", 7),
    "quarter 2031Q1": put("cells", "quarter", "2031Q1"),
    "quarters 2031Q1": field("quarters", ["2025Q4", "2026Q1", "2026Q2", "2026Q3", "2031Q1"]),
    "no quarters": field("quarters", []),
    "quarters as text": field("quarters", "2026Q3"),
    "all cells removed": lambda c: c["cells"].update(rows=[]),
    "one cell removed": lambda c: c["cells"]["rows"].pop(),
    "one cell twice": lambda c: c["cells"]["rows"].append(c["cells"]["rows"][0]),
    "n zero": put("cells", "n", 0),
    "n a half": put("cells", "n", 0.5),
    "n true": put("cells", "n", True),
    "n 1e9": put("cells", "n", 1_000_000_000),
    "n one more": lambda c: put("cells", "n", c["cells"]["rows"][0][-1] + 1)(c),
    "left negative": put("cells", "left_wait", -1.0),
    "left after right": put("cells", "left_wait", 1_000.0),
    "left missing": put("cells", "left_wait", None),
    "left a text": put("cells", "left_wait", "2"),
    "right a year": put("cells", "right_wait", 525_600.0),
    "a column less": lambda c: c["cells"]["columns"].pop(),
    "a column named twice": lambda c: c["cells"]["columns"].__setitem__(0, "arm"),
    "a column with a name": lambda c: c["cells"]["columns"].__setitem__(0, "Erika"),
    "a row cut": lambda c: c["cells"]["rows"][0].pop(),
    "columns missing": part("cells", "columns", None),
    "rows a table": part("cells", "rows", {}),
    "rows of rows of rows": part("cells", "rows", [[[[]]]]),
    "flow negative": put("flow", "n", -5),
    "flow too small": put("flow", "n", 1),
    "flow of another stage": put("flow", "stage", "lost"),
    "flow gone": field("flow", None),
    "practice a path": field("practice", "../../etc"),
    "practice with a name": field("practice", "Erika Example"),
    "practice a number": field("practice", 3),
    "study empty": field("study", ""),
    "terms gone": field("terms", []),
    "terms no pairs": field("terms", ["a", "b"]),
    "terms no JSON": field("terms", [["arms.1.code", "plain"], ["arms.2.code", "{"]]),
    "digest of a protocol": field("protocol_digest", "x"),
    "invented a text": field("invented", "no"),
    "estimates numbers": field("estimates", [1, 2]),
    "an estimate without an interval": lambda c: c["estimates"][0].pop("interval"),
    "an estimate of text": lambda c: c["estimates"][0].update(estimate="1"),
    "held back less than nothing": part("held_back", "moved", -1),
    "information more than all": part("held_back", "information_kept", 3.0),
    "a text of a page": part("held_back", "steps", ["x" * 1000]),
    "another kind": field("kind", "estimate"),
    "no kind": lambda c: c.pop("kind"),
    "a kind of ours inside": field("study", {"kind": "interval", "low": 0, "high": 1, "level": 0.95, "method": "x"}),
    "version 9": field("version", 9),
    "an unknown field": field("patient", "Erika Example"),
    "safety over other cases": put("safety", "n", 2),
    "supplements of others": put("safety", "what", "operator"),
}


def written(folder, content, **body):
    path = folder / SHIPPED.name
    whole = {**BODY, "content": content, "digest": digest_of_content(content), **body}
    path.write_text(json.dumps(whole), encoding="utf-8")
    return path


def test_the_file_as_it_was_made_is_read(tmp_path):
    assert read_exchange(written(tmp_path, BODY["content"])).practice == "P01"


@pytest.mark.parametrize("name", list(EDITS))
def test_an_edit_is_refused_in_words(tmp_path, name):
    content = copy.deepcopy(BODY["content"])
    EDITS[name](content)
    with pytest.raises(RecordsError) as caught:
        read_exchange(written(tmp_path, content))
    for problem in caught.value.problems:
        assert problem.where.file == SHIPPED.name
        assert problem.what
        assert problem.mend
    # What was typed where it does not belong may be a name; it stays where it is.
    assert "Erika" not in str(caught.value)


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({"note": "Erika Example, born 1980-01-01"}, "does not write"),
        ({"about": "Erika Example"}, "does not write"),
        ({"schema": "2"}, "version"),
        ({"schema": None}, "version"),
        ({"digest": 5}, "digest"),
    ],
)
def test_parts_beside_the_content_are_refused(tmp_path, body, words):
    with pytest.raises(RecordsError, match=words) as caught:
        read_exchange(written(tmp_path, BODY["content"], **body))
    assert "Erika" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('{"schema": ' + "[" * 100_000 + "]" * 100_000 + "}", "nested deeper"),
        ('{"a": ' * 5_000 + "1" + "}" * 5_000, "nested deeper"),
        ('{"schema": 2, "schema": 2}', "stands twice"),
        ('{"schema": NaN}', "is no number"),
        ('{"schema": 1e999}', "too large"),
        ('{"schema": ' + "9" * 10_000 + "}", "too large"),
        ("[]", "not an exchange file"),
        ("", "is empty"),
        ('{"schema": 2', "ends in the middle"),
    ],
)
def test_texts_that_are_no_such_file(tmp_path, text, words):
    path = tmp_path / "x.exchange.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RecordsError, match=words):
        read_exchange(path)


def test_a_file_beyond_any_size_is_not_read(tmp_path):
    path = tmp_path / "x.exchange.json"
    with path.open("wb") as file:
        file.truncate(65 * 1024 * 1024)
    with pytest.raises(RecordsError, match="more than 64 MB"):
        read_exchange(path)


ANY = st.one_of(
    st.none(), st.booleans(), st.integers(-(2**70), 2**70), st.floats(allow_nan=False, allow_infinity=False),
    st.text(max_size=20), st.lists(st.integers(), max_size=3), st.just({}), st.just({"kind": "estimate"}),
)  # fmt: skip


def places(value, path=()):
    yield path
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from places(inner, (*path, key))
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            yield from places(inner, (*path, i))


PLACES = [p for p in places(BODY["content"]) if p]


@examples(1000, usual=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.sampled_from(PLACES), ANY), min_size=1, max_size=3))
def test_whatever_stands_anywhere_is_read_or_refused(tmp_path, edits):
    content = copy.deepcopy(BODY["content"])
    for path, value in edits:
        here = content
        try:
            for key in path[:-1]:
                here = here[key]
            here[path[-1]] = value
        except (KeyError, IndexError, TypeError):
            continue  # An earlier edit took the place away.
    path = written(tmp_path, content)
    with contextlib.suppress(RecordsError):
        assert read_exchange(path).study


def test_a_protocol_that_is_nested_without_end_or_as_large_as_a_book(tmp_path):
    path = tmp_path / "p.toml"
    path.write_text("a = " + "[" * 50_000 + "]" * 50_000, encoding="utf-8")
    with pytest.raises(ProtocolError, match="nested deeper"):
        read_protocol(path)
    path.write_text("# " + "x" * 2_000_000, encoding="utf-8")
    with pytest.raises(ProtocolError, match="more than 1 MB"):
        read_protocol(path)


def test_invented_cases_are_never_pooled_with_real_ones():
    protocol = read_protocol(ROOT / "protocols" / "mandibular_block_group.toml")
    exchange = read_exchange(SHIPPED)
    gather([("a", exchange)], protocol)
    with pytest.raises(RecordsError, match="ever pool invented with real cases"):
        gather([("a", dataclasses.replace(exchange, invented=False))], protocol)


@pytest.mark.usefixtures("answer_alone")
@pytest.mark.slow
def test_counts_edited_so_that_they_agree_among_themselves_disagree_with_the_practices_own_estimates():
    """Whoever makes these anew as well is not seen by the file alone, but by the practice's own report."""
    protocol = read_protocol(ROOT / "protocols" / "mandibular_block_group.toml")
    others = [(p.name, read_exchange(p)) for p in sorted(SHIPPED.parent.glob("*P02*.json"))]
    own = estimates_of(read_exchange(SHIPPED), others, protocol)
    assert own == ()
    for edit, quantity in (
        (swapped("cells"), "hazard_ratio"),
        (swapped("values"), "pain_difference"),
        (lambda c: c["values"].update(rows=[]), "pain_difference"),
    ):
        content = copy.deepcopy(BODY["content"])
        edit(content)
        told = estimates_of(from_dict(content), others, protocol)
        assert any(quantity in note for note in told), quantity


def estimates_of(exchange, others, protocol):
    """What a group's report notes about a practice's own estimates."""
    found = analyse_group([("a", exchange), *others], protocol)
    return tuple(note for note in found.notes if note.startswith("P01: its own"))
