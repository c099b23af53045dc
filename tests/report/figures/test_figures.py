"""Figures show the results' own numbers, for every eye; tested without an image wherever that is enough."""

from __future__ import annotations

import dataclasses
import itertools
import re
from pathlib import Path

import matplotlib.colors
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path

from onsetstudy.report.documents.practice import compose
from onsetstudy.report.figures import canvas, curves, forest, key_rows, pain, schedule
from onsetstudy.report.figures.canvas import HAIRLINE, INK, LOOKS, SECONDARY, look_of, spread
from onsetstudy.report.figures.forest import Line, Scale
from onsetstudy.report.sentences import short_value
from tests.report.samples import counts, estimate, missing, one_arm_missing, rich, small
from tests.study.cases import analyse, protocol, study

MINUS, THIN = "\u2212", "\u202f"
SAVED = Scale(unit="minutes saved", ends=("later", "sooner"), factor=-1)


@pytest.fixture(scope="module")
def results():
    return rich()


# Data -----------------------------------------------------------------------------------------------------------------


def test_minutes_of_the_first_tests_are_shown_by_arm():
    promised, found = study({"plain": ["fffnn"] * 5, "buffered": ["ffnn"] * 5}, protocol(plan={"sensitivity": ()}))
    analysed = analyse(promised, found)
    rows = schedule.data_for(analysed)
    assert [row.median_min for row in rows if row.arm == "plain"] == [1, 2, 3, 4, 5]
    assert [row.cases for row in rows if row.arm == "buffered"] == [5] * 4
    (told,) = [
        block
        for section in compose(analysed).sections
        for block in section.blocks
        if getattr(block, "name", "") == "schedule"
    ]
    assert told.title == "Were the arms tested alike?"
    assert "test 5: not buffered at 5.0 min (5 cases)." in told.alt
    assert told.alt.startswith(
        "Median minutes of the first tests by arm. test 1: not buffered at 1.0 min (5 cases), buffered at 1.0 min "
    )
    assert told.svg.count("<svg") == told.narrow.count("<svg") == 1
    assert schedule.data_for(one_arm_missing()) == ()


def test_curve_data_by_hand():
    # Four plain cases: onset in (0,1], (1,2], (1,2], never; no missed tests.
    promised, found = study(
        {"plain": ["nn", "fnn", "fnn", "f" * 12], "buffered": ["nn"]}, protocol(plan={"sensitivity": ()})
    )
    analysed = analyse(promised, found)
    frame = curves.data_for(analysed)
    plain = frame[frame["arm"] == "plain"].set_index("minute")
    assert plain.loc[0, ["low", "high"]].tolist() == pytest.approx([0.0, 0.25])
    assert plain.loc[1, ["low", "high"]].tolist() == pytest.approx([0.25, 0.75])
    assert plain.loc[2, ["low", "estimate"]].tolist() == pytest.approx([0.75, 0.75])
    assert plain.loc[1, "conf_low"] < 0.25 < plain.loc[1, "conf_high"]
    assert plain.loc[2, "still_tested"] == 3
    assert set(curves.data_for(analysed, least=2)["arm"]) == {"plain"}
    assert curves.data_for(analysed, least=5).empty


def test_curves_in_words_hold_target_and_horizon_and_no_more_than_was_seen():
    """Onset in (0, 1], in (1, 4] with two tests missed, and in one tooth not up to the last test at 12."""
    promised, found = study(
        {"plain": ["nn", "f..nn", "f" * 12], "buffered": ["nn"]}, protocol(plan={"sensitivity": ()})
    )
    analysed = analyse(promised, found)
    plain, _, buffered = curves.alt_text(curves.data_for(analysed), analysed).partition("; ")
    assert plain.endswith(
        "not buffered: 33 % by minute 1, between 33 % and 67 % by minute 2, between 33 % and 67 % by minute 3, "
        "67 % by minute 5, 67 % by minute 7, 67 % by minute 9, 67 % by minute 12, between 67 % and 100 % by minute 15"
    )
    assert buffered.startswith("buffered: 100 % by minute 1, 100 % by minute 2, ")


def test_curve_bounds_hold_the_curve(results):
    frame = curves.data_for(results)
    assert (frame["low"] <= frame["high"] + 1e-12).all()
    for found in results.overall.curves:
        part = frame[frame["arm"] == found.arm]
        for row in part.itertuples():
            low, high = found.curve.at(row.minute + 1e-6)
            assert row.low == pytest.approx(1 - high)
            assert row.high == pytest.approx(1 - low)


def test_key_figures_show_the_results(results):
    frame = pd.DataFrame(key_rows.data_for(results)).set_index(["row", "arm"])
    wait = results.overall.wait_difference
    saved = frame.loc[("wait", "buffered")]
    assert (saved["estimate"], saved["low"], saved["high"]) == (-wait.estimate, -wait.interval.high, -wait.interval.low)
    assert (saved["number"], saved["matters"]) == ("1.2 min (0.3 to 2.1)", 0.5)
    assert frame.loc[("success", "plain"), "estimate"] == 100 * results.overall.success[0].estimate
    assert frame.loc[("success", "plain"), "number"] == f"22{THIN}% (17 to 28{THIN}%)"
    assert frame.loc[("never", "buffered"), "number"] == f"9{THIN}% (6 to 14{THIN}%)"
    assert frame.loc[("pain", "buffered"), "number"] == f"{MINUS}5.8 mm ({MINUS}10.3 to {MINUS}1.3)"
    assert frame.loc[("pain", "buffered"), "matters"] == -10


def test_key_figures_say_why_there_is_no_answer():
    dots = key_rows.data_for(one_arm_missing())
    assert all(dot.estimate is None for dot in dots)
    assert {dot.reason for dot in dots} == {"no case of the arm not buffered has been recorded"}
    alt = key_rows.alt_text(dots, {"plain": "plain", "buffered": "buffered"})
    assert alt.count("no answer, no case of the arm not buffered has been recorded") == 4


def test_forest_turns_waits_into_minutes_saved_and_sizes_by_information(results):
    whole = results.overall.wait_difference
    wide = dataclasses.replace(whole, std_error=2 * whole.std_error)
    reason = missing("rmst_difference", "buffered - plain", "10 cases; the plan asks for 20", whole.n)
    lines = [
        Line("All", whole, whole=True),
        Line("By technique"),
        Line("a", wide),
        Line("b", reason),
        Line("c", reason),
    ]
    rows = forest.data_for(lines, SAVED)
    assert rows[0].estimate == 1.2
    assert [row.information for row in rows[::2][:2]] == pytest.approx([1.0, 0.25])
    assert [row.heading for row in rows] == [False, True, False, False, False]
    assert rows[0].number == "1.2 (0.3 to 2.1)"
    assert forest.reasons(rows) == "b and c: 10 cases; the plan asks for 20."
    assert "b, 410 cases: no estimate, 10 cases; the plan asks for 20" in forest.alt_text(rows, "minutes saved")


def test_an_interval_next_to_nought_keeps_its_digits():
    near = estimate("rmst_difference", "buffered - plain", -1.0, -2.0, -0.02, "min", counts(9, 9, (9, 9)))
    assert forest.data_for([Line("x", near)], SAVED)[0].number == "1.00 (0.02 to 2.00)"


def test_every_score_is_a_dot(results):
    comparison = results.overall.pain
    assert sum(s.scores.size for s in comparison.scores) == comparison.n.onsets == 410
    for found in comparison.scores:
        with canvas.canvas(6, 1) as figure:
            ax = figure.add_subplot()
            piles = pain.Piles(width=1.0, columns=1, size=0.6)
            pain.draw(found.scores, ax, look=LOOKS[0], low=0, high=100, piles=piles)
            dots = next(line for line in ax.lines if line.get_linestyle() == "None")
            assert dots.get_xdata().tolist() == found.scores.tolist()


@given(
    st.lists(st.lists(st.integers(0, 100).map(float), min_size=1, max_size=300), min_size=1, max_size=2),
    st.sampled_from([(0.0, 100.0), (0.0, 10.0), (0.0, 170.0)]),
    st.floats(200, 420),
)
def test_dots_fit_do_not_touch_and_stay_at_their_scores(arms, scale, across):
    low, high = scale
    scores = [np.sort(np.minimum(a, high)) for a in arms]
    points = across / (high - low)
    piles = pain.piles_for(scores, low=low, high=high, points=points, room=60)
    for values in scores:
        x, row = pain.arrange(values, piles, low=low, points=points)
        assert x.size == values.size
        assert np.abs(x - values).max() <= max(0.55, 0.05 * (high - low))
        if piles.size > pain.SMALLEST_DOT:
            assert (row.max() + 1) * piles.size <= 60 + 1e-9
            for level in np.unique(row):
                beside = np.sort(x[row == level]) * points
                assert np.diff(beside).min(initial=np.inf) >= 0.999 * piles.size


def test_the_middle_score():
    assert pain.middle([1.0, 2.0, 9.0]) == 2.0
    assert pain.middle([1.0, 2.0, 4.0, 9.0]) == 3.0


def test_ticks_that_would_touch_are_not_named():
    assert curves.thinned([0, 0.5, 1, 1.5, 2, 10], least=0.8, keep=(1.5,)) == [0, 1.5, 10]
    assert curves.thinned([0, 1, 2], least=0.5, keep=(9.0,)) == [0, 1, 2]


@given(st.lists(st.floats(0, 100), min_size=1, max_size=4), st.floats(1, 12))
def test_labels_are_moved_apart_in_their_order(places, least):
    moved = spread(places, least)
    assert [i for i, _ in sorted(enumerate(places), key=lambda p: p[1])] == sorted(
        range(len(moved)), key=lambda i: (moved[i], places[i])
    ) or len(set(places)) < len(places)
    assert sum(moved) == pytest.approx(sum(places), abs=1e-6)
    assert np.diff(sorted(moved)).min(initial=least) >= least - 1e-9


# Drawings -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("make", [rich, small])
def test_drawings_are_titled_and_their_ids_unique(make):
    drawn = key_rows.draw_figure(make()).titled("key", "What & why?")
    for name, svg in (("key", drawn.svg), ("key-narrow", drawn.narrow)):
        ids = re.findall(r'\bid="([^"]+)"', svg)
        assert len(ids) == len(set(ids))
        assert all(i.startswith(f"{name}-") for i in ids)
        assert f'role="img" aria-labelledby="{name}-title {name}-desc"' in svg
        assert f'<title id="{name}-title">What &amp; why?</title>' in svg
        assert f'<desc id="{name}-desc">Numb by 2 min: not buffered 22 % (17 to 28 %), buffered 34 %' in svg
        # No style sheet that would reach the page around it, no date, and text that stays text.
        assert "<style" not in svg
        assert "<metadata" not in svg
        assert "<text" in svg
        assert set(re.findall(r'href="#([^"]+)"', svg)) <= set(ids)
        assert set(re.findall(r"url\(#([^)]+)\)", svg)) <= set(ids)


def test_drawings_are_the_same_each_time(results):
    frame = curves.data_for(results)
    one, two = (curves.draw_figure(results, frame, height=2.0).titled("c", "t") for _ in range(2))
    assert one == two


def test_nothing_in_a_drawing_leaves_it(results):
    frame = curves.data_for(results)
    labels = dict.fromkeys(("plain", "buffered"), "buffered")
    rows = [schedule.Row(arm, k, 30, k - 0.2, k, k + 0.5) for arm in labels for k in range(1, 6)]
    drawings = {
        "schedule": schedule.draw_figure(rows, labels).titled("s", "t"),
        "long names": schedule.draw_figure(rows, dict.fromkeys(labels, "buffered with bicarbonate, " * 3)).titled(
            "l", "t"
        ),
        "key": key_rows.draw_figure(results).titled("k", "t"),
        "curves": curves.draw_figure(results, frame, height=2.1).titled("c", "t"),
        "pain": pain.draw_figure(results.overall.pain, labels=labels, low=0, high=100, matters=10).titled("p", "t"),
    }
    for name, drawn in drawings.items():
        assert_nothing_leaves(name, drawn.svg)
        assert_nothing_leaves(name, drawn.narrow)


def words_of(svg):
    """Each text of a drawing with where it begins and ends, and its height on the page."""
    placed = r'<text style="([^"]*)" (?:x="([-\d.]+)" y="([-\d.]+)"|transform="translate\(([-\d.]+) ([-\d.]+)\)")'
    for style, *places, text in re.findall(placed + "[^>]*>([^<]*)<", svg):
        x, y = (place for place in places if place)
        size = float(re.search(r"(?:font-size: |font: (?:bold )?)([\d.]+)px", style)[1])
        assert size >= 8, text
        face = FontProperties(family="DejaVu Sans", size=size, weight="bold" if "bold" in style else "normal")
        wide = text_to_path.get_text_width_height_descent(text, face, ismath=False)[0]
        left = float(x) - {"end": wide, "middle": wide / 2}.get(re.search(r"anchor: (\w+)|$", style)[1], 0.0)
        yield text, left, left + wide, float(y)


def assert_nothing_leaves(name, svg):
    width, height = (float(v) for v in re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg).groups())
    for text, left, right, y in words_of(svg):
        assert left >= -2, (name, text)
        assert right <= width + 2, (name, text)
        assert 0 <= y <= height, (name, text)


NUMBERS = {
    "short": (-2.0, -3.0, -1.5, "points"),
    "two digits": (-2.23, -3.45, -1.004, "points"),
    "near nought": (-2.0, -3.98, -0.02, "points"),
    "three digits": (-12.346, -23.457, -0.004, "points"),
    "millimetres": (-45.5, -98.6, -0.2, "mm"),
}


@pytest.mark.parametrize("narrow", [False, True])
@pytest.mark.parametrize("name", NUMBERS)
@pytest.mark.parametrize("label", ["buffered", "buffered with bicarbonate, mixed at the chair just before"])
def test_a_number_stands_whole_beside_its_dot(results, name, narrow, label):
    value, low, high, unit = NUMBERS[name]
    pain_found = dataclasses.replace(
        results.overall.pain_difference or results.overall.wait_difference,
        quantity="pain_difference", estimate=value, unit=unit, caution=(),
        interval=dataclasses.replace(results.overall.wait_difference.interval, low=low, high=high),
    )  # fmt: skip
    wait = dataclasses.replace(
        results.overall.wait_difference, estimate=value, interval=pain_found.interval, caution=()
    )
    whole = dataclasses.replace(results.overall, pain_difference=pain_found, wait_difference=wait)
    arms = tuple(
        dataclasses.replace(arm, label=label) if arm.code == results.protocol.contrast_arm else arm
        for arm in results.protocol.arms
    )
    told = dataclasses.replace(results, overall=whole, protocol=dataclasses.replace(results.protocol, arms=arms))
    number = short_value(told.claims.get("pain_difference"))
    drawn = key_rows.draw_figure(told).titled("k", "t")
    svg = drawn.narrow if narrow else drawn.svg
    assert_nothing_leaves(name, svg)
    words = list(words_of(svg))
    assert number in " ".join(text for text, *_ in words)
    # Words of one line do not run into each other.
    for one, other in itertools.combinations(words, 2):
        if abs(one[3] - other[3]) < 1:
            assert one[2] <= other[1] or other[2] <= one[1], (one[0], other[0])


def test_limits_without_an_end_are_drawn_to_the_edge():
    """So early an analysis sets no limits: its line tells that anything is possible, and the page is made."""
    results = rich()
    wait = results.overall.wait_difference
    endless = dataclasses.replace(wait, interval=dataclasses.replace(wait.interval, low=-np.inf, high=np.inf))
    told = dataclasses.replace(results, overall=dataclasses.replace(results.overall, wait_difference=endless))
    (dot,) = [dot for dot in key_rows.data_for(told) if dot.row == "wait"]
    with canvas.canvas(6, 3) as figure:
        ax = canvas.Sheet(figure, False).axes(1, 1, 4, 1)
        key_rows.draw([dot], ax, arms=told.protocol.arm_codes, share=False)
        (line,) = [c for c in ax.collections if len(c.get_segments())]
        assert line.get_segments()[0][:, 0].tolist() == list(ax.get_xlim())
    assert "−∞ to ∞" in " ".join(text for text, *_ in words_of(key_rows.draw_figure(told).titled("k", "t").svg))


# Every eye ------------------------------------------------------------------------------------------------------------

# Complete deficiencies, on linear RGB: Vienot, Brettel & Mollon 1999, Color Research and Application 24:243-252
# (protan, deutan); Machado, Oliveira & Fernandes 2009, IEEE TVCG 15:1291-1298, severity 1 (tritan). Both from memory.
DEFICIENCIES = {
    "none": np.eye(3),
    "protan": np.array([[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]]),
    "deutan": np.array([[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]]),
    "tritan": np.array([[1.25553, -0.07675, -0.17878], [-0.07841, 0.93081, 0.1476], [0.00473, 0.69137, 0.3039]]),
    "grey": np.tile([0.2126, 0.7152, 0.0722], (3, 1)),
}  # fmt: skip
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def linear(colour):
    rgb = np.array(matplotlib.colors.to_rgb(colour))
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def lab(rgb):
    """CIE L*a*b* under D65."""
    t = TO_XYZ @ rgb / (TO_XYZ @ np.ones(3))
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(one, other):
    light = [float(np.array([0.2126, 0.7152, 0.0722]) @ c) for c in (one, other)]
    return (max(light) + 0.05) / (min(light) + 0.05)


@pytest.mark.parametrize("name", DEFICIENCIES)
def test_arms_stay_apart_and_legible_for_every_eye(name):
    plain, buffered = (look_of(arm, ("plain", "buffered")) for arm in ("plain", "buffered"))
    # Line and marker keep them apart without any colour.
    assert (plain.line, plain.filled) != (buffered.line, buffered.filled)
    seen = [np.clip(DEFICIENCIES[name] @ linear(look.colour), 0, 1) for look in (plain, buffered)]
    for colour in seen:
        assert contrast(colour, np.ones(3)) >= 4.5
    distance = np.linalg.norm(lab(seen[0]) - lab(seen[1]))
    # A difference of 2.3 is just noticed; in grey, marker and line have to do the work.
    assert distance > (3 if name == "grey" else 20), distance


def test_more_arms_differ_in_line_and_marker_before_colour():
    assert len({look.line for look in LOOKS}) == len(LOOKS)
    assert len({(look.marker, look.filled) for look in LOOKS}) == len(LOOKS)
    assert look_of("f", tuple("abcdef")) == LOOKS[-1]


def test_ink_is_legible_and_one_with_the_page():
    css = (canvas.STYLE.parents[1] / "templates" / "report.css").read_text(encoding="utf-8")
    for name, colour in (("ink", INK), ("secondary", SECONDARY), ("hairline", HAIRLINE), ("petrol", LOOKS[1].colour)):
        assert re.search(rf"--{name}: (#\w+)", css)[1] == colour
        if name != "hairline":
            assert contrast(linear(colour), np.ones(3)) >= 4.5


def test_decimals_of_a_row_are_those_of_the_number_that_is_shown():
    # A share of 0.04 is four percentage points: one decimal is enough, two would be out of line with its neighbours.
    share = estimate("success_difference", "buffered - plain", 0.04, -0.03, 0.11, "proportion", counts(9, 9, (9, 9)))
    points = Scale(unit="percentage points", ends=("", ""), factor=100)
    (row,) = forest.data_for([forest.Line(label="P", result=share)], points)
    assert row.number == "4.0 (−3.0 to 11.0)"


TURNED = r'<text style="font-size: ([\d.]+)px[^"]*" x="([-\d.]+)"[^>]* transform="rotate\(-90 [^>]*>([^<]*)</text>'


@pytest.mark.parametrize("page", sorted(Path("reports").glob("*.html")), ids=lambda path: path.stem)
def test_nothing_leaves_the_drawings_that_are_shipped(page):
    drawings = re.findall(r"<svg .*?</svg>", page.read_text(encoding="utf-8"), re.S)
    assert drawings
    for svg in drawings:
        assert svg.count("rotate(-90") == len(re.findall(TURNED, svg))
        for size, x, text in re.findall(TURNED, svg):
            assert float(x) >= 0.7 * float(size), text  # its letters stand left of its line
        assert_nothing_leaves(page.stem, re.sub(TURNED, "", svg))
