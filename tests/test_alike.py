"""The comparison of documents lets a last digit pass, and nothing that means something."""

import pytest

from tests.alike import json_differences, text_differences


@pytest.mark.parametrize(
    ("ours", "theirs", "same"),
    [
        ('{"estimate": -1.13000000001}', '{"estimate": -1.13}', True),
        ('{"estimate": -1.13}', '{"estimate": 1.13}', False),
        ('{"estimate": 1.131}', '{"estimate": 1.132}', False),
        ('{"n": 204}', '{"n": 203}', False),
        ('{"word": "sooner"}', '{"word": "later"}', False),
        ('{"iterations": 4, "gap": 1e-9}', '{"iterations": 5, "gap": 2e-9}', True),
        ('{"a": [1.0, 2.0]}', '{"a": [1.0]}', False),
        ('{"a": 1.0}', '{"b": 1.0}', False),
    ],
)
def test_what_two_results_may_differ_by(ours, theirs, same):
    assert (json_differences(ours, theirs) == []) == same


@pytest.mark.parametrize(
    ("ours", "theirs", "same"),
    [
        ('<path d="M 10.1234567 2.5"/>', '<path d="M 10.1234568 2.5"/>', True),
        ("numb 1.1 minutes sooner", "numb 1.1 minutes later", False),
        ("numb 1.1 minutes sooner", "numb 1.3 minutes sooner", False),
        ("204 cases", "203 cases", False),
        ("204 cases", "204 cases.", False),
    ],
)
def test_what_two_pages_may_differ_by(ours, theirs, same):
    assert (text_differences(ours, theirs) == []) == same
