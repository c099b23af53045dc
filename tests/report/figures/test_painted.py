"""A figure is painted when it is first asked for, and once."""

import dataclasses

import pytest

from onsetstudy.report.document import Figure
from onsetstudy.report.figures.canvas import Drawing


def test_who_reads_words_waits_for_no_drawing_and_each_form_is_painted_once():
    painted = []

    def fill(sheet):
        painted.append(sheet.narrow)
        sheet.say(0, 0, "All of it")

    shown = Drawing("In words.", 1, fill).titled("key", "Which?", "All cases.")
    assert (shown.alt, shown.caption, painted) == ("In words.", "All cases.", [])
    assert all(text.startswith("<svg") for text in (shown.svg, shown.svg, shown.narrow))
    assert 'id="key-title"' in shown.svg
    assert 'id="key-narrow-title"' in shown.narrow
    assert dataclasses.asdict(shown)["narrow"] == shown.narrow
    assert painted == [False, True]


def test_a_drawing_lacks_no_form():
    with pytest.raises(TypeError, match="narrow"):
        Figure(name="key", title="Which?", caption="All cases.", svg="<svg/>", alt="In words.")
