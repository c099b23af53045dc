"""Tables as they are typeset: what stands in one column is not printed over the next."""

import dataclasses
import json

from onsetstudy.report.document import Section, Table
from onsetstudy.report.typeset import compiler_of
from tests.report.samples import SAMPLES, composed


def first_columns(document):
    """Width of the first column and of its longest word, in points, of tables where it takes what is left."""
    data = json.dumps(dataclasses.asdict(document))
    compiler = compiler_of("report", doc=data, paper="a4", density="1")
    return [found for found in json.loads(compiler.query("<first-column>", field="value")) if found is not None]


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
