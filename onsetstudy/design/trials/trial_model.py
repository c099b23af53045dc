"""The invented study's model: how onset comes about, and what follows from it exactly.

Onset of a case that can become numb is Weibull; buffering multiplies its hazard and changes the share that never
becomes numb. Operators and practices shift the scale of time.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np

from onsetstudy.core.serialise import result_kind
from onsetstudy.design.expected_wait import STEPS, not_numb


@result_kind("technique_model")
class TechniqueModel:
    """One technique: its share of the cases, and onset with plain anaesthetic.

    ``median_min`` is of those who can become numb; ``hazard_ratio`` is of buffered against plain among them.
    """

    technique: str
    share: float
    median_min: float
    shape: float
    never_plain: float
    never_buffered: float
    hazard_ratio: float

    @property
    def scale_min(self) -> float:
        """Weibull scale."""
        return float(self.median_min / np.log(2) ** (1 / self.shape))


@result_kind("study_model")
class StudyModel:
    """An invented study.

    Spreads are standard deviations on the log scale of time (operator, practice) or in points (pain).
    ``operators`` lists how many operators each practice has.
    """

    techniques: tuple[TechniqueModel, ...]
    practices: tuple[str, ...]
    operators: tuple[int, ...]
    cases_per_quarter: tuple[int, ...]
    operator_spread: float = 0.10
    practice_spread: float = 0.08
    missed_share: float = 0.05
    control_failure_share: float = 0.006
    return_share: float = 0.03
    rescue_share: float = 0.6
    pain_plain: float = 34.0
    pain_buffered: float = 27.0
    pain_spread: float = 20.0
    pain_missing: float = 0.04
    randomised: bool = True
    deviation_share: float = 0.01
    mix_mode: str = "replace"


@result_kind("true_arm")
class TrueArm:
    """What is true of an arm, over the mix of techniques and an average operator and practice."""

    arm: str
    success_by_target: float
    restricted_wait_min: float
    never_numb: float


@result_kind("truth", earlier={"horizon_min": "tau_min"})
class Truth:
    """The truth behind an invented study, for tests to find again."""

    invented: bool
    seed: int
    target_min: float
    tau_min: float
    arms: tuple[TrueArm, ...]
    pain_difference: float
    model: StudyModel


def _techniques(*rows: tuple[str, float, float, float, float, float, float]) -> tuple[TechniqueModel, ...]:
    """Rows of ``technique, share, median_min, shape, never_plain, never_buffered, hazard_ratio``."""
    names = [field.name for field in fields(TechniqueModel)]
    return tuple(TechniqueModel(**dict[str, Any](zip(names, row, strict=True))) for row in rows)


DEMO = StudyModel(
    techniques=_techniques(
        ("ianb", 0.5, 5.0, 1.5, 0.16, 0.12, 1.6),
        ("mental_incisive", 0.2, 4.0, 1.6, 0.10, 0.08, 1.4),
        ("buccal_infiltration", 0.3, 2.6, 1.7, 0.05, 0.05, 1.15),
    ),
    practices=("P01", "P02", "P03", "P04", "P05"),
    operators=(2, 2, 1, 3, 1),
    cases_per_quarter=(96, 108, 104, 112),
)
"""The demo study of the group: a modest effect for blocks, little for infiltrations, as trials have found them."""

DEMO_AUDIT = StudyModel(
    techniques=_techniques(("buccal_infiltration", 1.0, 2.3, 1.8, 0.05, 0.05, 1.2)),
    practices=("P06",),
    operators=(2,),
    cases_per_quarter=(22, 26, 24),
    pain_plain=3.0,
    pain_buffered=2.6,
    pain_spread=1.9,
    control_failure_share=0.0,
    randomised=False,
    mix_mode="add",
)
"""The demo audit of one practice."""


def truth_of(model: StudyModel, *, seed: int, target_min: float, tau_min: float) -> Truth:
    """Exact shares and waits of the model, by averaging over the spread of operators and practices.

    The spread is integrated by Gauss-Hermite quadrature, time by the trapezium rule on a fine grid.
    """
    grid = np.linspace(0, tau_min, STEPS)
    spread = float(np.hypot(model.operator_spread, model.practice_spread))
    arms = []
    for arm, buffered in (("plain", False), ("buffered", True)):
        each = [
            not_numb(
                np.append(grid, target_min),
                median_min=t.median_min,
                shape=t.shape,
                ratio=t.hazard_ratio if buffered else 1.0,
                never=t.never_buffered if buffered else t.never_plain,
                spread=spread,
            )
            for t in model.techniques
        ]
        late = np.average(each, axis=0, weights=[t.share for t in model.techniques])
        arms.append(
            TrueArm(
                arm=arm,
                success_by_target=float(1 - late[-1]),
                restricted_wait_min=float(np.trapezoid(late[:-1], grid)),
                never_numb=float(late[-2]),
            )
        )
    return Truth(
        invented=True,
        seed=seed,
        target_min=target_min,
        tau_min=tau_min,
        arms=tuple(arms),
        pain_difference=model.pain_buffered - model.pain_plain,
        model=model,
    )
