"""The page itself: accessible, self-contained, the same for the same input, its figures the results' own numbers."""

from __future__ import annotations

import dataclasses
import re
from html.parser import HTMLParser
from pathlib import Path

import matplotlib.colors
import numpy as np
import pytest

from onsetstudy.core.errors import ReportError
from onsetstudy.files.results_json import write_report
from onsetstudy.report.compose import compose
from onsetstudy.report.document import Figure, Table
from onsetstudy.report.figures import curves, forest, key_figures, pain
from onsetstudy.report.figures.canvas import ARM_LOOKS
from onsetstudy.report.html import render_html
from onsetstudy.report.pdf import render_pdf
from onsetstudy.study.analyse import analyse
from tests.study.cases import protocol, study

NEVER = "f" * 16
ARMS = {
    "plain": ["ffnn", "fffnn", NEVER, "ffffnn", "fffnn", "fnn", NEVER, "ffffffnn"],
    "buffered": ["nn", "fnn", "ffnn", "fnn", NEVER, "ffnn", "nn", "f.nn"],
}


@pytest.fixture(scope="module")
def results():
    promised = protocol(plan={"sensitivity": ("confirmations_1",)})
    return analyse(*study(ARMS, promised, pain_deposition="30"))


@pytest.fixture(scope="module")
def document(results):
    return compose(results)


@pytest.fixture(scope="module")
def html(document):
    return render_html(document)


class Page(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.ids, self.headings, self.tags, self.labelled, self.stack = [], [], [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.tags.append((tag, attrs))
        if "id" in attrs:
            self.ids.append(attrs["id"])
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        self.labelled += attrs.get("aria-labelledby", "").split()


def test_the_page_can_be_read_by_everybody(html):
    page = Page(html)
    assert len(page.ids) == len(set(page.ids))
    assert set(page.labelled) <= set(page.ids)
    assert page.headings[0] == 1
    assert all(after - before <= 1 for before, after in zip(page.headings, page.headings[1:], strict=False))
    tags = [tag for tag, _ in page.tags]
    assert tags.count("main") == tags.count("header") == tags.count("h1") == 1
    assert tags.count("table") == tags.count("caption")
    assert all("scope" in attrs for tag, attrs in page.tags if tag == "th")
    svgs = [attrs for tag, attrs in page.tags if tag == "svg"]
    assert svgs
    assert all(attrs.get("role") == "img" and attrs.get("aria-labelledby") for attrs in svgs)
    assert ("a", {"class": "skip", "href": "#answer"}) in page.tags
    assert html.startswith('<!DOCTYPE html>\n<html lang="en-GB">')


def test_the_page_needs_nothing_else(html):
    assert "<script" not in html
    assert not re.search(r'(src|href)="(?!#)', html)
    assert "@import" not in html
    assert "url(http" not in html


def test_the_first_page_answers_first(document):
    first = document.sections[0].blocks
    assert first[0].role == "answer"
    assert [b.kind for b in first] == ["paragraph", "figure", "figure", "cautions"]
    assert first[1].name == "key"
    assert first[3].texts[0] == (
        "A statistic about past cases. Test the tooth and ask the patient before every procedure."
    )


def test_every_figure_says_in_words_what_it_shows(document):
    figures = [b for s in document.sections for b in s.blocks if isinstance(b, Figure)]
    assert {f.name for f in figures} >= {"key", "curves", "pain", "choices", "falling"}
    for figure in figures:
        assert len(figure.alt) > 60
        assert figure.title.endswith("?") or figure.name in ("key", "falling")
        assert "<desc" in figure.svg


def test_tables_are_whole(document):
    for table in (b for s in document.sections for b in s.blocks if isinstance(b, Table)):
        assert len(table.align) == len(table.columns), table.caption
        assert all(len(row) == len(table.columns) for row in table.rows), table.caption


def test_invented_data_are_called_so(html, document):
    assert "All data on this page are invented." in html
    real = render_html(dataclasses.replace(document, invented=False))
    assert "All data on this page are invented." not in real


def test_an_audit_never_says_that_arms_were_drawn_by_lot():
    promised = protocol("infiltration_audit", plan={"sensitivity": ()})
    promised, found = study(ARMS, promised, technique="buccal_infiltration", practice_id="P06", procedure="filling")
    html = render_html(compose(analyse(promised, found)))
    assert "Not randomised: the arms may differ in ways not measured." in html
    assert "Arms were not allocated at random, so other causes are possible." in html
    assert "caused" not in html


def test_text_is_escaped():
    promised = protocol(study={"title": "A <b>bold</b> & dangerous title # $ @ _"}, plan={"sensitivity": ()})
    document = compose(analyse(*study(ARMS, promised)))
    assert "<b>bold</b>" not in render_html(document)
    assert render_pdf(document).startswith(b"%PDF")


def test_both_papers_and_no_other(document, results, tmp_path):
    assert render_pdf(document, paper="a4") != render_pdf(document, paper="letter")
    with pytest.raises(ReportError, match=r"(?i)the paper 'a5' is not known"):
        render_pdf(document, paper="a5")
    with pytest.raises(ReportError, match=r"(?i)the format 'docx' is not known"):
        write_report(results, tmp_path, formats=("docx",))


def test_the_pdf_is_tagged_and_the_same_each_time(document):
    pdf = render_pdf(document)
    assert b"/StructTreeRoot" in pdf or b"/MarkInfo" in pdf or b"ObjStm" in pdf
    assert pdf == render_pdf(document)


def test_the_page_of_a_small_study_is_as_it_was(html):
    """The golden page; figures are left out, their numbers are tested below. Rewrite it by deleting the file."""
    text = re.sub(r"<svg.*?</svg>", "<svg/>", html, flags=re.S)
    text = re.sub(r"<dt>Versions</dt><dd>.*?</dd>", "<dt>Versions</dt><dd/>", text)
    golden = Path(__file__).with_name("golden.html")
    if not golden.exists():
        golden.write_text(text, encoding="utf-8")
    assert text == golden.read_text(encoding="utf-8")


# Figures --------------------------------------------------------------------------------------------------------------


def test_curve_data_by_hand():
    # Four plain cases: onset in (0,1], (1,2], (1,2], never; no missed tests.
    promised, found = study(
        {"plain": ["nn", "fnn", "fnn", "f" * 12], "buffered": ["nn"]}, protocol(plan={"sensitivity": ()})
    )
    frame = curves.data_for(analyse(promised, found))
    plain = frame[frame["arm"] == "plain"].set_index("minute")
    assert plain.loc[1, ["low", "high", "high_after"]].tolist() == pytest.approx([0.25, 0.25, 0.75])
    assert plain.loc[2, ["low", "high", "estimate"]].tolist() == pytest.approx([0.75, 0.75, 0.75])
    assert plain.loc[1, "conf_low"] < 0.25 < plain.loc[1, "conf_high"]
    assert plain.loc[2, "still_tested"] == 3


def test_key_figures_show_the_results(results):
    frame = key_figures.data_for(results).set_index(["row", "arm"])
    wait = results.overall.wait_difference
    saved = frame.loc[("wait", "buffered")]
    assert (saved["estimate"], saved["low"], saved["high"]) == (-wait.estimate, -wait.interval.high, -wait.interval.low)
    assert saved["matters"] == 0.5
    assert frame.loc[("success", "plain"), "estimate"] == results.overall.success[0].estimate


def test_forest_says_why_a_group_is_not_shown(results):
    few = analyse(*study({"plain": [NEVER] * 3, "buffered": ["nn"] * 3}, protocol(plan={"sensitivity": ()}))).overall
    lines = [("All", results.overall.wait_difference, True), ("few", few.hazard_ratio, False)]
    frame = forest.data_for(lines, flip=-1)
    assert frame["estimate"].notna().tolist() == [True, False]
    assert frame.loc[1, "number"] == few.hazard_ratio.reason


def test_pain_piles_hold_every_case(results):
    frame = pain.data_for(results.overall.pain, low=0, high=100)
    assert len(frame) == results.overall.pain.n.onsets == 16
    assert frame.groupby(["arm", "score"])["place"].max().tolist() == [7, 7]


# Common colour-vision deficiencies, complete: Vienot, Brettel & Mollon 1999, Color Research and Application 24:243.
DEFICIENCIES = {
    "none": np.eye(3),
    "protan": np.array([[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]]),
    "deutan": np.array([[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]]),
    "grey": np.tile([0.2126, 0.7152, 0.0722], (3, 1)),
}


def linear(colour):
    rgb = np.array(matplotlib.colors.to_rgb(colour))
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def contrast(one, other):
    light = [float(np.array([0.2126, 0.7152, 0.0722]) @ c) for c in (one, other)]
    return (max(light) + 0.05) / (min(light) + 0.05)


@pytest.mark.parametrize("name", DEFICIENCIES)
def test_arms_stay_apart_and_legible_for_every_eye(name):
    plain, buffered = ARM_LOOKS["plain"], ARM_LOOKS["buffered"]
    # Line and marker keep them apart without any colour.
    assert (plain.line, plain.filled) != (buffered.line, buffered.filled)
    seen = [np.clip(DEFICIENCIES[name] @ linear(look.colour), 0, 1) for look in (plain, buffered)]
    for colour in seen:
        assert contrast(colour, np.ones(3)) >= 4.5
    if name != "grey":
        assert np.linalg.norm(seen[0] - seen[1]) > 0.08


def test_running_text_has_contrast_enough():
    css = (Path(__file__).parents[2] / "onsetstudy/report/templates/report.css").read_text()
    for name in ("ink", "secondary", "petrol"):
        colour = re.search(rf"--{name}: (#\w+)", css)[1]
        assert contrast(linear(colour), np.ones(3)) >= 4.5
