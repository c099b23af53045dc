"""What was injected, and published results: sentences, tables and figures from results written down by hand."""

from __future__ import annotations

import dataclasses
import re

import pandas as pd
import pytest
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path

from onsetstudy.core.results import PATIENTS, Caution, Counts, Reasons
from onsetstudy.doses.results import AgentDose, ArmAmount, DoseSummary, FlagCount
from onsetstudy.files.sources.dated_tables import read_published_ranges
from onsetstudy.report.document import Cautions, Document, Figure, Paragraph, Table
from onsetstudy.report.figures.canvas import look_of
from onsetstudy.report.figures.forest import Scale, published_figure, published_rows
from onsetstudy.report.render.html import render_html
from onsetstudy.report.render.pdf import render_pdf
from onsetstudy.report.sections.appendix import published
from onsetstudy.report.sections.main import doses
from onsetstudy.study.topics.published import context_of
from tests.report.samples import counts, estimate, missing, population, rich
from tests.study.cases import protocol

MINUS, THIN = "\u2212", "\u202f"
N = counts(100, 102, (100, 98))


def amounts(plain, buffered):
    return tuple(
        ArmAmount(arm=arm, cases=cases, with_amount=known, mean=mean, sd=sd)
        for arm, (cases, known, mean, sd) in (("plain", plain), ("buffered", buffered))
    )


def agent(difference=None, relative=-0.0909):
    return AgentDose(
        agent="lidocaine",
        drug_mg=amounts((100, 100, 34.8, 2.4), (102, 98, 31.63, 1.9)),
        drug_difference=difference or estimate("drug_deposited", "buffered - plain", -3.16, -3.58, -2.75, "mg", N),
        relative=relative,
        vasoconstrictor_ug=amounts((100, 100, 17.4, 1.2), (102, 98, 15.8, 0.9)),
        vasoconstrictor_difference=missing("vasoconstrictor_deposited", "buffered - plain", "it is not known", N),
        volume_ml=amounts((100, 100, 1.74, 0.12), (102, 102, 1.76, None)),
    )


def summary(**more):
    values = {
        "arms": ("plain", "buffered"), "cases": 202, "by_agent": (agent(),), "flags": (), "not_computable": (),
        "weight_missing": (60, 62), "lists": ("label", "conservative"), "table_date": "2026-11-25",
        "table_title": "Limits of somewhere",
        "caution": (Caution(code="not_dosing", text="Dose limits come from the table dated 2026-11-25; check the label "
                            "and the patient. This is not a dosing tool."),
                    Caution(code="weight_missing", text="122 cases without a weight.")), **more,
    }  # fmt: skip
    return DoseSummary(**values)


def plain(text):
    return text.replace("\u00a0", " ").replace(THIN, " ").replace(MINUS, "-")


def blocks(section, kind):
    return [b for b in section.blocks if isinstance(b, kind)]


def test_no_doses_no_section():
    assert doses.section(None, protocol()) is None
    assert published.section(None, protocol()) is None


def test_less_drug_is_said_with_its_interval_and_share():
    found = doses.section(summary(), protocol())
    assert plain(found.blocks[0].text) == (
        "Buffered cases got 3.2 mg less lidocaine on average (2.8 to 3.6), that is 9 % less."
    )
    [table] = blocks(found, Table)
    rows = [tuple(plain(cell) for cell in row) for row in table.rows]
    assert rows == [
        ("Lidocaine", "", "", ""),
        ("Drug, mg", "34.8 (SD 2.4), 100 of 100", "31.6 (SD 1.9), 98 of 102", "-3.2 (-3.6 to -2.8)"),
        ("Vasoconstrictor, µg", "17.4 (SD 1.2), 100 of 100", "15.8 (SD 0.9), 98 of 102", "–"),
        ("Volume, mL", "1.74 (SD 0.12), 100 of 100", "1.76, 102 of 102", ""),
    ]
    assert "–: it is not known." in table.notes
    [cautions] = blocks(found, Cautions)
    assert "table dated 25 November 2026" in cautions.texts[0]


@pytest.mark.parametrize(
    ("difference", "words"),
    [
        (estimate("drug_deposited", "buffered - plain", 4.0, 1.0, 7.0, "mg", N), "got 4.0 mg more lidocaine"),
        (estimate("drug_deposited", "buffered - plain", -0.5, -2.0, 1.0, "mg", N), "differed by -0.5 mg (-2.0 to 1.0;"),
        (
            missing("drug_deposited", "buffered - plain", "the dose of 1 case is known", N),
            "cannot be compared: the dose",
        ),
    ],
)
def test_the_sentence_says_no_more_than_the_interval(difference, words):
    found = doses.section(summary(by_agent=(agent(difference),)), protocol())
    assert words in plain(found.blocks[0].text)


def test_without_a_flag_nothing_is_called_harmless():
    found = doses.section(summary(), protocol())
    text = next(b.text for b in blocks(found, Paragraph) if b.text.startswith("None of"))
    assert text.startswith(
        "None of 198 cases with a known dose passed a limit of labels and the strictest line of any list"
    )
    assert "says nothing of what else a patient was given" in text
    everything = " ".join(str(b) for b in found.blocks)
    assert not re.search(r"\bsafe\b|harmless", everything, re.IGNORECASE)


def test_without_a_known_dose_nothing_is_said_to_have_passed():
    unknown = AgentDose(
        agent="lidocaine",
        drug_mg=amounts((100, 0, None, None), (102, 0, None, None)),
        drug_difference=missing("drug_deposited", "buffered - plain", "no strength", N),
        relative=None,
        vasoconstrictor_ug=amounts((100, 0, None, None), (102, 0, None, None)),
        vasoconstrictor_difference=missing("vasoconstrictor_deposited", "buffered - plain", "no strength", N),
        volume_ml=amounts((100, 100, 1.74, 0.12), (102, 102, 1.76, None)),
    )
    texts = [b.text for b in blocks(doses.section(summary(by_agent=(unknown,)), protocol()), Paragraph)]
    assert "No case has a known dose: none could be held against the limits of a label." in texts
    assert not any(text.startswith("None of") for text in texts)


def test_flags_stand_as_cautions_with_the_date_of_the_table():
    flags = (
        FlagCount(code="above_conservative", text="more drug than the limit", counts=(3, 1), of=(100, 98)),
        FlagCount(code="mixed_long_ago", text="long since mixing", counts=(0, 4), of=(0, 90)),
    )
    left_out = (Reasons(code="no_strength", text="the strength is not recorded", count=4),)
    found = doses.section(summary(flags=flags, sources=("a label (found)",), not_computable=left_out), protocol())
    amounts_table, table = blocks(found, Table)
    assert table.rows == (
        ("More drug than the limit", "3 of 100", "1 of 98"),
        ("Long since mixing", "–", "4 of 90"),
    )
    assert "table dated 25 November 2026" in table.notes[0]
    assert "caution" in table.notes[0]
    assert table.notes[1] == "Passed: a label (found)."
    assert amounts_table.notes[-1] == "Left out, cases: the strength is not recorded (4)."


def test_a_study_without_a_case_has_a_section_without_a_table():
    found = doses.section(summary(cases=0, by_agent=()), protocol())
    assert blocks(found, Table) == []


# Published results ----------------------------------------------------------------------------------------------------

TABLE = read_published_ranges()
SAVED = Scale(unit="minutes saved", ends=("later", "sooner"), factor=-1)


@pytest.fixture(scope="module")
def beside():
    results = rich()
    frame = pd.DataFrame({"technique": ["ianb", "mental_incisive"], "agent": "lidocaine"})
    return context_of((results.overall, *results.by_technique), frame, protocol(), TABLE)


def test_figure_data_are_the_own_estimate_and_the_printed_ones(beside):
    frame = pd.DataFrame(published_rows(beside.panels[0], SAVED))
    assert frame["label"].tolist() == [
        "Inferior alveolar nerve block", "These cases", "Kashyap 2011 †", "Malamed 2013", "Aulestia-Viera 2018, pooled",
        "Guo 2018, pooled",
    ]  # fmt: skip
    own = frame[frame["strong"]].iloc[0]
    assert (own["estimate"], own["low"], own["high"]) == pytest.approx((2.2, 0.8, 3.7))
    assert frame.loc[frame["label"] == "Malamed 2013", "estimate"].item() == pytest.approx(4.7667)
    guo = frame[frame["label"] == "Guo 2018, pooled"].iloc[0]
    assert (guo["estimate"], guo["low"], guo["high"]) == pytest.approx((0.8, 42.06 / 60, 54.40 / 60))
    assert guo["pooled"]
    # A mean printed without an interval gets none.
    assert pd.isna(frame.loc[frame["label"] == "Malamed 2013", "low"].item())


def test_the_alternative_text_tells_every_line(beside):
    rows = published_rows(beside.panels[0], SAVED)
    text = published_figure(rows, scale=SAVED, look=look_of("buffered", ("plain", "buffered"))).alt
    assert "These cases, 238 cases: 2.2 (0.8 to 3.7)" in text
    assert "Malamed 2013, 20 patients: 4.8, no interval printed" in text
    assert "Kashyap 2011 (from memory)" in text


def test_own_results_say_what_they_count_beside_patients():
    """Of 14 cases 13 have a score; of 12 patients treated in both arms 10 have both."""
    for onsets, assumed, told in ((13, (), "13 scores"), (20, (PATIENTS,), "10 patients")):
        n = Counts(cases=24 if assumed else 14, onsets=onsets)
        shift = dataclasses.replace(
            estimate("pain_shift", "buffered - plain", -8, -15, 1, "mm", n), assumptions=assumed
        )
        overall = population("All", "overall", "all", N)
        overall = dataclasses.replace(overall, pain=dataclasses.replace(overall.pain, shift=shift))
        frame = pd.DataFrame({"technique": ["ianb"], "agent": ["lidocaine"]})
        found = published.section(context_of((overall,), frame, protocol(), TABLE), protocol())
        assert f"These cases, {told}: minus 8" in next(b.alt for b in blocks(found, Figure) if b.name == "context-pain")


def test_the_section_holds_every_figure_and_result(beside):
    found = published.section(beside, protocol())
    captions = [getattr(block, "caption", "") for block in found.blocks]
    assert "What was printed, not buffered against buffered" in captions
    figures = blocks(found, Figure)
    assert [f.name for f in figures] == ["context-onset", "context-success", "context-pain"]
    assert "Diamonds: these cases" in figures[0].caption
    assert "Diamonds" not in figures[1].caption
    assert "seconds shown as minutes" in figures[0].caption
    assert "from memory, not read again" in figures[0].caption
    assert "a scale of 0 to 10 stretched to 0 to 100 for drawing" in figures[2].caption
    [table] = blocks(found, Table)
    studies = {row[0] for row in table.rows}
    assert {"Trials", "Several trials, pooled", "Malamed 2013", "Schellenberg 2015", "Whitcomb 2010 †"} <= studies
    assert "Hobeich 2013" not in studies
    assert "left out" in table.notes[0]
    kattan = next(row for row in table.rows if row[0] == "Kattan 2019")
    assert "not converted" in kattan[2]


def test_an_own_estimate_that_is_missing_says_why():
    nothing = missing("rmst_difference", "buffered - plain", "only one arm has cases", N)
    overall = dataclasses.replace(population("All", "overall", "all", N), wait_difference=nothing)
    frame = pd.DataFrame({"technique": ["ianb"], "agent": ["lidocaine"]})
    found = published.section(context_of((overall,), frame, protocol(), TABLE), protocol())
    assert "No own estimate: only one arm has cases." in blocks(found, Figure)[0].caption


def test_a_technique_nobody_published_has_a_sentence_instead_of_a_figure():
    overall = population("All", "overall", "all", N)
    frame = pd.DataFrame({"technique": ["intraosseous"], "agent": ["lidocaine"]})
    found = published.section(context_of((overall,), frame, protocol(), TABLE), protocol())
    assert blocks(found, Figure) == []
    assert blocks(found, Table) == []
    assert sum(b.role == "absent" for b in blocks(found, Paragraph)) == 3


def test_nothing_in_a_drawing_leaves_it(beside):
    for panel, factor in zip(beside.panels, (-1, 1, 1), strict=True):
        scale = Scale(unit="minutes saved", ends=("more with buffered", "more with buffered"), factor=factor)
        rows = published_rows(panel, scale)
        look = look_of("buffered", ("plain", "buffered"))
        found, again = (published_figure(rows, scale=scale, look=look).titled("x", "t") for _ in range(2))
        for svg in (found.svg, found.narrow):
            width, height = (float(v) for v in re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg).groups())
            pattern = r'<text style="([^"]*)" x="([-\d.]+)" y="([-\d.]+)"[^>]*>([^<]*)<'
            for style, x, y, text in re.findall(pattern, svg):
                size = float(re.search(r"(?:font-size: |font: (?:bold )?)([\d.]+)px", style)[1])
                face = FontProperties(family="DejaVu Sans", size=size, weight="bold" if "bold" in style else "normal")
                wide = text_to_path.get_text_width_height_descent(text, face, ismath=False)[0]
                left = float(x) - {"end": wide, "middle": wide / 2}.get(re.search(r"anchor: (\w+)|$", style)[1], 0.0)
                assert size >= 8, text
                assert left >= -2, text
                assert left + wide <= width + 2, text
                assert 0 <= float(y) <= height, text
        assert found == again


def test_both_sections_become_a_page_and_a_document(beside):
    sections = (doses.section(summary(), protocol()), published.section(beside, protocol()))
    document = Document(
        id="d", title="T", kicker="k", subtitle="s", notice="", running="r", date="2026-09-30", sections=sections
    )
    page = render_html(document)
    assert "What was injected" in page
    assert "Beside published results" in page
    assert render_pdf(document)[:5] == b"%PDF-"


@pytest.mark.parametrize(
    ("code", "told"),
    [("above_label", True), ("visit_above_label", True), ("visit_vasoconstrictor", True), ("above_conservative", False),
     ("drug_not_checked", False)],
)  # fmt: skip
def test_a_total_over_its_line_stands_on_the_first_page(code, told):
    flag = FlagCount(code=code, text="a dose", counts=(1, 2), of=(9, 9))
    summary = DoseSummary(arms=("plain", "buffered"), cases=18, by_agent=(), flags=(flag,), not_computable=(),
                          weight_missing=(0, 0), lists=("label",), table_date="2026-11-26", table_title="")  # fmt: skip
    words = doses.passed_a_line(summary)
    assert bool(words) == told
    assert not told or words[0].startswith("In 3 cases or more a dose passed a limit of the label")
    assert doses.passed_a_line(None) == []
