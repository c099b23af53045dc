from __future__ import annotations

import pytest
from hypothesis import HealthCheck, settings

import tests.one_thread  # noqa: F401
from tests.reference import Reference, load_reference

settings.register_profile("house", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("house")


@pytest.fixture
def reference():
    """Loads an outside value by the name of its folder under ``tests/references``."""

    def load(name: str) -> Reference:
        return load_reference(name)

    return load
