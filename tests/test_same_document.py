"""The comparison of documents notices what it must, and lets pass the last digits in which processors differ."""

import json
import re
from pathlib import Path

import pytest

from tests.same_document import file_differences, json_differences, page_differences

REPORTS = Path(__file__).parents[1] / "reports"
RESULTS = {
    "name": "wait",
    "estimate": -1.2924571160796265,
    "interval": [-2.5761, -0.0088],
    "n": 412,
    "p_value": 0.0306,
    "verdict": "sooner",
    "lost": None,
}
PAGE = '<p class="a1">Numb 1.292 minutes sooner (0.088 to 2.576), −1.292 and -1.292, P = .031; 412 cases.</p>'


def changed(**changes):
    return json_differences(json.dumps({**RESULTS, **changes}), json.dumps(RESULTS))


@pytest.mark.parametrize(
    "changes",
    [
        {"estimate": -1.2924571160796265 * (1 + 3e-13)},
        {"interval": [-2.5761, -0.0088 * (1 - 9e-7)]},
        {"p_value": 0.0306 + 1e-10},
    ],
)
def test_the_last_digits_of_another_processor_are_let_pass(changes):
    assert changed(**changes) == []


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"estimate": 1.2924571160796265}, "/estimate"),
        ({"estimate": -1.2934571160796265}, "/estimate"),
        ({"interval": [-2.5761, -0.0098]}, "/interval/1"),
        ({"interval": [-2.5761]}, "1 entries for 2"),
        ({"n": 413}, "/n: 413 for 412"),
        ({"p_value": 0.0307}, "/p_value"),
        ({"p_value": None}, "/p_value: None for 0.0306"),
        ({"p_value": "0.0306"}, "/p_value"),
        ({"lost": False}, "/lost"),
        ({"verdict": "later"}, "/verdict: 'later' for 'sooner'"),
        ({"more": 1}, "keys"),
    ],
)
def test_a_changed_sign_word_count_or_digit_of_results_is_noticed(changes, told):
    assert told in changed(**changes)[0]


def test_what_is_left_out_of_results_is_left_out_and_nothing_else():
    one, two = (
        json.dumps({"digest": "a", "in": {"digest": "a", "x": 1.0}}),
        json.dumps({"digest": "b", "in": {"digest": "b", "x": 2.0}}),
    )
    assert json_differences(one, two, leave_out=["digest"]) == ["/in/x: 1.0 for 2.0"]
    assert len(json_differences(one, two)) == 3


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("1.292 minutes", "1.293 minutes"),
        ("−1.292", "1.292"),
        ("-1.292", "1.292"),
        ("−1.292", "+1.292"),
        ("sooner", "later"),
        ("412 cases", "413 cases"),
        ("P = .031", "P = .032"),
        ("2.576", "2.58"),
        ("a1", "a2"),
        ("; 412 cases", ""),
        ("</p>", "</p> 3"),
    ],
)
def test_a_changed_sign_word_count_or_digit_of_a_page_is_noticed(before, after):
    assert before in PAGE
    assert len(page_differences(PAGE.replace(before, after, 1), PAGE)) >= 1


def test_coordinates_of_drawings_may_differ_in_their_last_digit():
    assert page_differences('<path d="M 120.456789 -3.5e-17 L 7"/>', '<path d="M 120.456790 0.0 L 7"/>') == []
    assert page_differences('<path d="M 120.456789 L 7"/>', '<path d="M 120.457789 L 7"/>') != []


def test_a_sign_turned_in_the_shipped_reports_is_noticed():
    page = REPORTS / "mandibular-block-group-group-2026Q3.html"
    text = re.sub(r"<svg.*?</svg>", "", page.read_text(encoding="utf-8"), flags=re.S)
    turned = re.sub(r"[-−](\d+\.\d+)", r"\1", text, count=1)
    assert turned != text
    assert len(page_differences(turned, text)) == 1
    assert page_differences(text, text) == []


def test_files_that_are_no_documents_are_compared_byte_for_byte(tmp_path):
    for name, text in (("one", "a,b\n1.0000000000001,2\n"), ("two", "a,b\n1.0,2\n")):
        (tmp_path / f"{name}.csv").write_text(text)
    assert file_differences(tmp_path / "one.csv", tmp_path / "two.csv") == ["one.csv: other bytes"]
    assert file_differences(tmp_path / "one.csv", tmp_path / "one.csv") == []
