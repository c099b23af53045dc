"""How many invented inputs a law is tried on: few in every run, all where ``ONSETSTUDY_TESTS=thorough`` is set.

Inputs are drawn from the text of the test (``derandomize``), so that the few are the same ones every time.
"""

from __future__ import annotations

import os
from typing import Any

from hypothesis import HealthCheck, settings

THOROUGH = os.environ.get("ONSETSTUDY_TESTS") == "thorough"
USUAL = 25

settings.register_profile(
    "house", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow], max_examples=USUAL
)
settings.register_profile("thorough", settings.get_profile("house"), max_examples=500)


def examples(thorough: int, usual: int = USUAL, **more: Any) -> settings:
    """Settings of a law that is tried on ``thorough`` inputs, and on ``usual`` ones (or fewer) in a quick run."""
    return settings(max_examples=thorough if THOROUGH else min(thorough, usual), deadline=None, **more)
