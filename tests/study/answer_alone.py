"""A report without what stands far behind its answer, for tests that read the answer, its words, or counts of cases."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial

import pytest

from onsetstudy.core.errors import NotEstimable
from onsetstudy.study.practice.subsets import arm_curves
from tests.examples import THOROUGH

GROUP, PRACTICE = "onsetstudy.study.group", "onsetstudy.study.practice"


@contextmanager
def answer_alone() -> Iterator[None]:
    """Inside, no limits along the curves, no grid of erring tests, no watch, no spread and no growth by quarter.

    Each is left as a report leaves it that has too few cases for it; a thorough run leaves nothing out.
    """
    if THOROUGH:
        yield
        return
    without_limits = partial(arm_curves, with_limits=False)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(f"{PRACTICE}.subsets.arm_curves", lambda data, **_: without_limits(data))
        patch.setattr(f"{PRACTICE}.analyse.cold_test_errors", lambda data, records: None)
        patch.setattr(f"{PRACTICE}.analyse.watch_of", lambda data: None)
        patch.setattr(f"{GROUP}.stratified_ipd.arm_curves", lambda data, missing: without_limits(data, missing=missing))
        patch.setattr(f"{GROUP}.stratified_ipd.fit_shared_frailty", _not_asked)
        patch.setattr(f"{GROUP}.analyse_group._cumulative", lambda data, this, options: ())
        yield


def _not_asked(*_: object, **__: object) -> None:
    raise NotEstimable("practice_spread", "this test does not ask for it", code="one")
