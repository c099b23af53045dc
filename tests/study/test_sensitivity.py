from __future__ import annotations

from onsetstudy.protocol.layout import SENSITIVITY
from onsetstudy.study.sensitivity import CHOICES


def test_the_plan_knows_every_choice_that_a_protocol_may_name():
    assert set(SENSITIVITY) == set(CHOICES)
