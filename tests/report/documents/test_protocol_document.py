"""What the document of a protocol says of arms, sides, futility and secondary outcomes."""

import dataclasses

import pytest

from onsetstudy.report.documents.protocol import compose_protocol
from onsetstudy.report.render.html import render_html
from tests.study.cases import protocol


def told(made, **changes):
    parts = {name: dataclasses.replace(getattr(made, name), **change) for name, change in changes.items()}
    return render_html(compose_protocol(dataclasses.replace(made, **parts), None)).replace("\u202f", " ")


@pytest.mark.parametrize(
    ("rule", "says"),
    [
        ({}, "In all they err in 5 % of studies without a difference, on both sides together. A boundary of futility"),
        ({"sided": 1, "alpha": 0.025}, "In all they err in 2.5 % of studies without a difference, on one side, where"),
        ({"futility": "binding"}, "A boundary of futility is binding."),
        ({"boundary": "anytime", "futility": "none"}, "on both sides together.<"),
    ],
)
def test_interim_analyses_are_told_with_their_error_their_sides_and_futility(rule, says):
    assert says in told(protocol(), looks=rule)


def test_the_arms_of_an_uneven_ratio_are_named():
    assert "Arms are allocated 2 to 1 (not buffered and buffered) by" in told(protocol(), allocation={"ratio": (2, 1)})
    assert "Arms are allocated 1 to 1 by" in told(protocol())


def test_secondary_outcomes_share_an_error_rate_where_there_are_any_and_they_do():
    assert "Secondary outcomes share one error rate (holm)." in told(protocol())
    assert "Secondary outcomes are each tested" in told(protocol(), plan={"multiplicity": "none"})
    assert "Secondary outcomes" not in told(protocol(), plan={"secondary": ()})


def test_pairs_and_clusters_are_said():
    within = "differences in proportions, waits and scores are taken within patients"
    assert within not in told(protocol())
    assert within in told(protocol(), study={"design": "crossover"})
    assert "Limits allow for what cases of one practice share." in told(protocol(), plan={"cluster": "practice_id"})
