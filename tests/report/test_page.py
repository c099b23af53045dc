"""The page itself: in order, accessible, self-contained, honest about too little, and the same for the same input."""

from __future__ import annotations

import dataclasses
import itertools
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from onsetstudy.core.errors import ReportError
from onsetstudy.core.results import Caution
from onsetstudy.core.serialise import from_dict
from onsetstudy.files.documents.reports import results_json, write_report
from onsetstudy.report.document import Answer, Cautions, Figure, Flow, Paragraph, Table
from onsetstudy.report.documents.practice import compose
from onsetstudy.report.render import pdf
from onsetstudy.report.render.html import render_html
from onsetstudy.report.render.pdf import render_pdf
from onsetstudy.report.sections.main.answer import ALWAYS_FIRST, AS_ROOM_ALLOWS, answer_section
from onsetstudy.report.typeset import compiler_of
from tests.report.samples import SAMPLES, composed, rich, small
from tests.same_document import page_differences
from tests.study.cases import protocol

GOLDEN = Path(__file__).with_name("golden.html")
FORBIDDEN = r"\b(prove[sdn]?|significan\w*|safe\w*|fail\w* patient|better|worse|caused?)\b"
# Elements that have no end tag.
VOID = {"meta", "br", "hr", "img", "input", "link", "use", "path"}


@pytest.fixture(scope="module", params=SAMPLES)
def document(request):
    return composed(request.param)


@pytest.fixture(scope="module")
def page():
    return composed("rich")


class Page(HTMLParser):
    """Tags in order, ids, headings, and text outside of style sheets."""

    def __init__(self, text):
        super().__init__()
        self.ids, self.headings, self.tags, self.labelled, self.texts, self.open = [], [], [], [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.tags.append((tag, attrs))
        if tag not in VOID:
            self.open.append(tag)
        if "id" in attrs:
            self.ids.append(attrs["id"])
        if re.fullmatch(r"h[1-6]", tag):
            self.headings.append(int(tag[1]))
        self.labelled += attrs.get("aria-labelledby", "").split()

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if "id" in dict(attrs):
            self.ids.append(dict(attrs)["id"])

    def handle_endtag(self, tag):
        if tag in VOID:
            return
        assert self.open.pop() == tag, f"</{tag}> closes another element"

    def handle_data(self, data):
        if data.strip() and not {"style", "desc"} & set(self.open):
            self.texts.append(data.strip())


def blocks(document, kind):
    return [b for s in document.sections for b in s.blocks if isinstance(b, kind)]


def test_the_page_can_be_read_by_everybody(document):
    html = render_html(document)
    found = Page(html)
    assert html.startswith('<!DOCTYPE html>\n<html lang="en-GB">')
    assert found.open == []
    assert len(found.ids) == len(set(found.ids))
    assert set(found.labelled) <= set(found.ids)
    assert found.headings[0] == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(found.headings))
    tags = [tag for tag, _ in found.tags]
    for landmark in ("main", "header", "nav", "footer", "h1"):
        assert tags.count(landmark) == 1
    assert tags.count("table") == tags.count("caption") == len(blocks(document, Table))
    assert all(attrs.get("scope") in ("col", "row", "rowgroup") for tag, attrs in found.tags if tag == "th")
    svgs = [attrs for tag, attrs in found.tags if tag == "svg"]
    assert len(svgs) == 2 * len(blocks(document, Figure))
    assert all(attrs.get("role") == "img" and attrs.get("aria-labelledby") for attrs in svgs)
    sections = [attrs for tag, attrs in found.tags if tag == "section"]
    assert all("aria-label" in a or "aria-labelledby" in a for a in sections)
    targets = [a["href"][1:] for tag, a in found.tags if tag == "a"]
    assert targets[0] == "answer"
    assert set(targets) <= set(found.ids)
    assert tags.count("tbody") == sum(max(1, len(t.heads)) for t in blocks(document, Table))
    # Every scrolling table can be reached by keyboard and says what it is.
    assert all(
        a.get("tabindex") == "0" and a.get("aria-label")
        for tag, a in found.tags
        if tag == "div" and a["class"] == "table"
    )


def test_the_page_needs_nothing_else(document):
    html = render_html(document)
    assert "<script" not in html
    assert not re.search(r'(src|href)="(?!#)', html)
    assert "@import" not in html
    assert not re.search(r"url\((?!#)", html)


def test_no_text_says_more_than_it_may(document):
    html = render_html(document)
    text = " ".join(Page(html).texts)
    assert not re.search(FORBIDDEN, text, flags=re.IGNORECASE)
    assert not re.search(r"\b(nan|inf|None|True|False)\b", text)
    assert not re.search(r"(?<![\w.])-\d", text), "a hyphen stands for a minus"
    assert not re.search(r"\d[ \u00a0]?%", text), "no thin space before per cent"
    assert not re.search(
        r"[a-z]_[a-z]", text.replace("pain_deposition", "").replace("weight_kg", "").replace("volume_ml", "")
    )


def test_the_first_page_answers_first(page):
    first = page.sections[0].blocks
    assert [b.kind for b in first] == ["answer", "figure", "figure", "cautions"]
    assert first[0].seen == (
        "Up to 15 minutes, a tooth not numb by then counted as 15, buffered teeth were numb 1.2 minutes "
        "sooner on average "
        "than not buffered ones (0.3 to 2.1)."
    )
    assert (first[1].name, first[2].name) == ("key", "curves")
    # What matters most for these data comes before what matters always.
    assert first[3].texts == (
        "A statistic about past cases. Test the tooth and ask the patient before every procedure.",
        "Few onsets were seen: the limits are approximate.",
        "410 cases from 3 operators.",
    )


def test_sections_stand_in_the_order_in_which_readers_need_them(page):
    assert [s.id for s in page.sections] == [
        "answer", "who", "onset", "comfort", "everywhere", "more", "quality", "cautions", "statistician",
    ]  # fmt: skip
    assert page.sections[1].new_page
    assert page.kicker == "Quarterly report, third quarter of 2026"
    assert page.subtitle == "Cases from 1 October 2025 to 30 September 2026. Practices P01 and P02."


def test_every_figure_says_in_words_what_it_shows(document):
    for figure in blocks(document, Figure):
        assert len(figure.alt) > 60
        assert figure.title.endswith("?") or figure.name == "key"
        assert figure.alt.replace("&", "&amp;") in figure.svg
        assert figure.caption.endswith(".")


def test_the_alternative_texts_of_a_full_report(page):
    alts = {f.name: f.alt for f in blocks(page, Figure)}
    assert set(alts) == {"key", "curves", "quarters", "pain", "everywhere", "choices"}
    assert alts["key"] == (
        "Numb by 2 min: not buffered 22 % (17 to 28 %), buffered 34 % (28 to 41 %). Minutes of waiting saved, "
        "up to 15: 1.2 "
        "min (0.3 to 2.1). Not numb within 15 min: not buffered 13 % (9 to 18 %), buffered 9 % (6 to 14 %). "
        "Mean pain at "
        "deposition, buffered less not buffered: minus 5.8 mm (minus 10.3 to minus 1.3)."
    )
    assert alts["curves"].startswith(
        "Proportion of teeth numb against minutes after the injection. not buffered: 8 % by minute 1"
    )
    assert "mental-incisive block, 10 cases: no estimate, 10 cases; the plan asks for at least 20" in alts["everywhere"]
    assert "2026Q3, this quarter, 102 cases: 1.1 (minus 0.6 to 2.8)" in alts["quarters"]
    assert "not buffered: 203 scores from 0 to 66 mm, half of them up to" in alts["pain"]


def test_tables_are_whole(document):
    for table in blocks(document, Table):
        assert len(table.align) == len(table.columns), table.caption
        heads = [row for i, row in enumerate(table.rows) if i in table.heads]
        assert all(len(row) == len(table.columns) for row in table.rows), table.caption
        assert all(not any(row[1:]) for row in heads), table.caption
        assert table.rows, table.caption


def test_the_main_table_by_hand(page):
    table = next(t for t in blocks(page, Table) if t.caption == "Arm beside arm")
    plain = [
        tuple(c.replace("\u00a0", " ").replace("\u202f", " ").replace("\u2212", "-") for c in r) for r in table.rows
    ]
    assert plain == [
        ("Numb by 2 min", "22 % (17 to 28 %)", "34 % (28 to 41 %)", "12 (3 to 21)"),
        ("– found so by a test", "177 of 203", "189 of 207", ""),
        ("Not numb within 15 min", "13 % (9 to 18 %)", "9 % (6 to 14 %)", "-4 (-10 to 2)"),
        ("– found so by a test or a supplement", "177 of 203", "189 of 207", ""),
        ("Restricted mean time to onset, up to 15 min", "5.6 (5.0 to 6.2)", "4.4 (3.8 to 5.0)", "1.2 (0.3 to 2.1)"),
        ("Hazard ratio", "1", "1.31 (1.05 to 1.64)", ""),
    ]


def test_the_techniques_stand_under_each_other(page):
    table = next(t for t in blocks(page, Table) if t.caption == "Technique by technique")
    plain = [
        tuple(c.replace("\u00a0", " ").replace("\u202f", " ").replace("\u2212", "-") for c in r) for r in table.rows
    ]
    assert [plain[i][0] for i in table.heads] == [
        "inferior alveolar nerve block: 120 not buffered and 118 buffered cases",
        "mental-incisive block: 6 not buffered and 4 buffered cases",
    ]
    assert plain[3] == (
        "Restricted mean time to onset, min",
        "5.6 (5.0 to 6.2)",
        "4.4 (3.8 to 5.0)",
        "2.2 (0.8 to 3.7)",
    )
    # The same sign as on page 1: minutes saved, and the table says so.
    assert any("minutes saved" in note for note in table.notes)
    assert plain[5] == ("Pain by ranks, shift in mm", "", "", "-7 (-12 to -3)")
    assert plain[-1] == ("not compared: 10 cases; the plan asks for at least 20", "", "", "")


def test_the_flow_shows_every_loss(page):
    flow = blocks(page, Flow)[0]
    assert [(s.count, s.label, s.arms) for s in flow.steps] == [
        ("413", "rows read", ()),
        ("411", "accepted", ("203 not buffered", "207 buffered")),
        ("410", "analysed", ("203 not buffered", "207 buffered")),
    ]
    assert flow.steps[1].lost == (("2", "left out: pain outside the range of the scale"),)
    assert flow.steps[2].lost == (("1", "left out: after the quarter of this report"),)


def test_invented_data_are_called_so_on_every_page(page):
    assert "All data in this report are invented." in render_html(page)
    assert page.running.endswith("invented data")
    real = compose(dataclasses.replace(rich(), protocol=protocol(study={"invented": False})))
    assert "invented" not in real.running
    assert real.notice == ""
    assert "All data in this report are invented." not in render_html(real)


def test_without_random_allocation_other_reasons_are_named():
    promised = protocol(study={"allocation": "clinician_choice"})
    said = blocks(compose(dataclasses.replace(rich(), protocol=promised)), Answer)[0]
    assert said.allows.endswith(
        "as arms were not allocated at random, something other than buffering may be the reason."
    )


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("three cases", "How soon were teeth numb? 1 case with not buffered and 2 cases with buffered are too few to "
         "draw a curve; it takes 5 or more in an arm."),
        ("three cases", "There is no answer yet: too few cases."),
        ("one arm missing", "There is no answer yet: no case of the arm not buffered has been recorded."),
        ("one arm missing", "So far 8 of 9 buffered teeth were seen to go numb."),
        ("one arm missing", "Not shown: no case of the arm not buffered has been recorded."),
        ("no onset in an arm", "There is no answer yet: no onset was seen in the arm not buffered."),
        ("no onset in an arm", "Buffered teeth became numb at 2.11 times the rate of not buffered ones or more "
         "(one-sided, 97.5\u202f%), that is sooner."),
        ("all numb at the first test", "no difference in the average wait was seen (0 to 0 minutes)."),
        ("small", "No buffered case was left un-numb; with 11 cases the true proportion could still be as high as "
         "26\u202f%."),
        ("small", "These 24 cases of 2 practices cannot tell which is sooner."),
        ("rich", "No estimate: mental-incisive block: 10 cases; the plan asks for at least 20."),
    ],
)  # fmt: skip
def test_too_little_is_said_in_the_place_of_a_number(name, sentence):
    assert sentence in " ".join(Page(render_html(composed(name))).texts)


def test_a_figure_of_nothing_is_a_sentence():
    reason = SAMPLES["one arm missing"]().overall.wait_difference
    quarters = tuple(
        dataclasses.replace(SAMPLES["one arm missing"]().overall, dimension="quarter", level=q, wait_difference=reason)
        for q in ("2026Q2", "2026Q3")
    )
    document = compose(dataclasses.replace(SAMPLES["one arm missing"](), by_quarter=quarters))
    absent = [b.text for b in blocks(document, Paragraph) if b.role == "absent"]
    assert (
        "How did this quarter compare with the ones before? There is no estimate to draw. 2026Q2, 2026Q3, this quarter "
        "and All to date: no case of the arm not buffered has been recorded." in absent
    )


def test_text_is_escaped():
    title = "A <b>bold</b> & dangerous title # $ @ _"
    document = compose(dataclasses.replace(small(), protocol=protocol(study={"title": title})))
    assert "<b>bold</b>" not in render_html(document)
    assert render_pdf(document).startswith(b"%PDF")


def test_the_last_entry_of_the_ledger_stands_on_the_first_page_and_along_all_others():
    results, head = small(), "12:0f3a9b8c7d6e5f41"
    with_head = dataclasses.replace(results, provenance=dataclasses.replace(results.provenance, ledger_head=head))
    document = compose(with_head)
    assert head in document.running

    def under_the_first_page(shown):
        compiler = compiler_of("report", doc=json.dumps(dataclasses.asdict(shown)), paper="a4", density="1")
        return json.loads(compiler.query("<first-page-head>", field="body"))

    # One place in the whole typeset document: the header, which begins on the second page, has the others.
    told = under_the_first_page(document)
    assert len(told) == 1
    assert head in json.dumps(told)
    assert under_the_first_page(compose(results)) == []


# Files ----------------------------------------------------------------------------------------------------------------


def test_both_papers_and_no_other(page, tmp_path):
    letter = render_pdf(page, paper="letter")
    assert letter == render_pdf(page, paper="us-letter")
    assert letter != render_pdf(page, paper="a4")
    with pytest.raises(ReportError, match=r"(?i)the paper 'a5' is not known; choose a4 or letter"):
        render_pdf(page, paper="a5")
    with pytest.raises(ReportError, match=r"(?i)the format 'docx' is not known"):
        write_report(small(), tmp_path, formats=("docx",))


def test_the_pdf_is_typeset_for_every_sample(document):
    assert render_pdf(document).startswith(b"%PDF-1.7")


@pytest.mark.parametrize("paper", ["a4", "us-letter"])
def test_the_answer_fills_one_page_and_the_last_is_not_left_nearly_empty(document, paper):
    long = dataclasses.replace(document, title=f"{document.title}, and then everything else that was asked of patients")
    for shown in (document, long):
        data = json.dumps(dataclasses.asdict(shown))
        first = compiler_of("report", doc=data, paper=paper, density=pdf.DENSITIES[0])
        pages = json.loads(first.query("<section>", field="value"))
        assert pages[0] == 2
        assert pages == sorted(pages)
        others = (compiler_of("report", doc=data, paper=paper, density=density) for density in pdf.DENSITIES[1:])
        assert any(pdf._last_page_fill(c) >= pdf.LEAST_FILL for c in itertools.chain([first], others))


def test_the_same_results_give_the_same_bytes(tmp_path):
    for folder in ("one", "two"):
        paths = write_report(small(), tmp_path / folder)
        assert [p.name for p in paths] == [f"mandibular-block-group-2026Q3.{e}" for e in ("html", "pdf", "json")]
    for path in sorted((tmp_path / "one").iterdir()):
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes(), path.name


@pytest.mark.parametrize("name", SAMPLES)
def test_the_json_holds_every_number_and_comes_back(name):
    results = SAMPLES[name]()
    data = json.loads(results_json(results))
    assert (data["kind"], data["version"]) == ("study_results", 1)
    back = from_dict(data)
    assert json.loads(results_json(back)) == data
    assert back.overall.n == results.overall.n


def test_the_page_of_a_small_study_is_as_it_was():
    """The golden page; drawings are left out, their numbers are tested by themselves. Delete the file to rewrite it."""
    text = re.sub(r"<svg.*?</svg>", "<svg/>", render_html(composed("small")), flags=re.S)
    text = re.sub(r"<style>.*?</style>", "<style/>", text, flags=re.S)
    if not GOLDEN.exists():
        GOLDEN.write_text(text, encoding="utf-8")
    assert page_differences(text, GOLDEN.read_text(encoding="utf-8")) == []


@settings(max_examples=25)
@given(st.sets(st.sampled_from((*ALWAYS_FIRST, *AS_ROOM_ALLOWS))))
def test_what_must_stand_on_page_one_is_never_crowded_out(codes):
    """That arms were not drawn by lot is no caution among others that a list may be too short for."""
    base = small()
    told = tuple(Caution(code=code, text=f"About {code.replace('_', ' ')}.") for code in sorted(codes))
    section = answer_section(dataclasses.replace(base, caution=told, looks=None))
    (shown,) = [block.texts for block in section.blocks if isinstance(block, Cautions)]
    for code in codes & set(ALWAYS_FIRST):
        assert f"About {code.replace('_', ' ')}." in shown
    # Something about the number stands beside, if there is something to mind.
    assert bool(codes & set(AS_ROOM_ALLOWS)) == any(f"About {c.replace('_', ' ')}." in shown for c in AS_ROOM_ALLOWS)
