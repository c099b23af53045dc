"""Tables as they are typeset: what stands in one column is not printed over the next."""

import dataclasses
import json

from onsetstudy.report.document import Pairs, Section, Table
from onsetstudy.report.typeset import compiler_of
from tests.report.samples import SAMPLES, composed


def typeset(document, label):
    """What the template told under this label, in points: width of a column and of the longest word in it."""
    data = json.dumps(dataclasses.asdict(document))
    compiler = compiler_of("report", doc=data, paper="a4", density="1")
    return [found for found in json.loads(compiler.query(f"<{label}>", field="value")) if found is not None]


def first_columns(document):
    """Of tables whose first column takes what is left."""
    return typeset(document, "first-column")


def test_the_first_column_has_room_for_its_longest_word_whatever_stands_beside_it():
    document = composed(next(iter(SAMPLES)))
    why = "what was recorded says for some cases which arm they had for certain: nobody alike had the other"
    rows = [("numb by 2 min, percentage points", "35 (−21 to 70)", why, why), ("restricted mean time", "0.7", why, why)]
    crowded = Table.of("Reasons in cells", ("what", "as it is", "weighted", "standardised"), rows)
    before = first_columns(document)
    found = first_columns(
        dataclasses.replace(document, sections=(*document.sections, Section.of("crowded", "Crowded", crowded)))
    )
    assert len(found) == len(before) + 1
    assert all(width >= longest > 20 for width, longest in found)


def test_a_long_term_leaves_room_for_the_digest_beside_it():
    document = composed(next(iter(SAMPLES)))
    term = "As if practices did not differ (common effect): time to onset saved, minutes, up to 15 minutes"
    pairs = Pairs(rows=((term, "1.1 (0.3 to 1.9)"), ("Files, SHA-256", "7078d5ffe88c904602aa02bfcf95fde0 " * 2)))
    found = typeset(
        dataclasses.replace(document, sections=(*document.sections, Section.of("long", "Long", pairs))), "pair-values"
    )
    assert all(width >= longest > 20 for width, longest in found)
    assert found[-1][1] > 120
