"""The planned information beside the size of the main outcome, where no trial is simulated."""

from __future__ import annotations

import dataclasses

import pytest

from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.report.documents.papers import compose_planning
from onsetstudy.report.render.html import render_html
from onsetstudy.study.planning.plan_study import plan_study
from onsetstudy.study.planning.sizes import main_size


@pytest.mark.parametrize("enough", [True, False])
def test_planned_cases_that_are_not_simulated_are_held_to_the_size_too(enough):
    group = read_protocol("protocols/mandibular_block_group.toml")
    plan = dataclasses.replace(group.plan, primary="rmst_difference", wait_difference_min=6.0)
    made = dataclasses.replace(group, plan=plan)
    rule = dataclasses.replace(
        group.looks, information="cases", planned_information=2 * main_size(made).analysed if enough else 4
    )
    found = plan_study(dataclasses.replace(made, looks=rule), trials=50)
    assert found.planned is None
    html = render_html(compose_planning(found))
    assert f"The protocol plans the analyses for {rule.planned_information} cases; your main outcome takes" in html
    assert ("The planned information is too little for it" in html) != enough
