"""A figure is painted when it is first asked for, and once."""

import dataclasses

import pytest

from onsetstudy.report.document import figure
from onsetstudy.report.figures.canvas import Drawing, drawing


def test_who_reads_words_waits_for_no_drawing_and_each_form_is_painted_once():
    painted = []

    def paint(name, narrow):
        painted.append((name, narrow))
        return f"<svg>{name}</svg>"

    shown = figure("key", "Which?", "All cases.", drawing(paint, "key", "In words."))
    assert (shown.alt, shown.caption, painted) == ("In words.", "All cases.", [])
    assert [shown.svg, shown.svg, shown.narrow] == ["<svg>key</svg>", "<svg>key</svg>", "<svg>key-narrow</svg>"]
    assert dataclasses.asdict(shown)["narrow"] == "<svg>key-narrow</svg>"
    assert painted == [("key", False), ("key-narrow", True)]


def test_a_drawing_lacks_no_form():
    with pytest.raises(TypeError, match="narrow"):
        Drawing(svg="<svg/>", alt="In words.")
