"""What every size in closed form shares: allocation, losses, clusters, margins, and the result."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from onsetstudy.core.errors import DesignError
from onsetstudy.core.results import Assumption
from onsetstudy.design.size_results import SampleSize, SizeTable
from onsetstudy.design.solve import Asked

__all__ = ["EQUAL", "INDEPENDENT", "Frame", "design_effect", "size_of", "size_table", "within_margin"]

INDEPENDENT = Assumption(name="independent cases", detail="apart from the stated design effect")


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """What every size takes: allocation, losses, clusters, sides.

    Parameters
    ----------
    ratio : tuple of float
        Cases of the reference arm to the other.
    lost_share : float
        Share of included cases that cannot be analysed.
    design_effect : float
        By how much clusters of cases inflate the size; 1: none.
    sided : int
        1 or 2.
    """

    ratio: tuple[float, float] = (1.0, 1.0)
    lost_share: float = 0.0
    design_effect: float = 1.0
    sided: int = 2

    @property
    def share(self) -> float:
        """Share of the cases in the other arm."""
        return self.ratio[1] / sum(self.ratio)

    def checked(self) -> Frame:
        """The frame itself.

        Raises
        ------
        DesignError
            If a number makes no sense.
        """
        if min(self.ratio) <= 0 or not 0 <= self.lost_share < 1 or self.design_effect < 1 or self.sided not in (1, 2):
            raise DesignError(
                "the ratio must be above 0 on both sides, the lost share between 0 and 1, the design effect 1 or more, "
                "and sided 1 or 2"
            )
        return self

    def inflated(self, n: float) -> float:
        """Cases to include for ``n`` that count."""
        return n * self.design_effect / (1 - self.lost_share)

    def deflated(self, n: float) -> float:
        """Cases that count among ``n`` included."""
        return n * (1 - self.lost_share) / self.design_effect


EQUAL = Frame()
"""Two arms of equal size, nobody lost, no clusters, two-sided."""


def design_effect(cluster_size: float, icc: float, *, size_cv: float = 0.0) -> float:
    """By how much clusters inflate a size: ``1 + ((1 + cv^2) m - 1) icc``.

    Parameters
    ----------
    cluster_size : float
        Cases of a cluster (a patient, an operator, a practice), on average.
    icc : float
        Intraclass correlation.
    size_cv : float
        Coefficient of variation of the sizes.

    References
    ----------
    .. [1] Eldridge SM, Ashby D, Kerry S. International Journal of Epidemiology 2006;35:1292-300 (from memory).
    """
    if cluster_size < 1 or not 0 <= icc <= 1 or size_cv < 0:
        raise DesignError("clusters hold one case or more, and the correlation lies between 0 and 1")
    return 1 + ((1 + size_cv**2) * cluster_size - 1) * icc


def size_table(
    plan: Callable[[float, float], SampleSize], *, effects: Sequence[float], powers: Sequence[float] = (0.8, 0.9)
) -> SizeTable:
    """Sizes over a grid of effects and powers.

    ``size_table(lambda d, p: plan_wait(sd_min=3, difference_min=d, power=p), effects=[0.5, 1])``
    """
    return SizeTable(
        effects=tuple(float(e) for e in effects),
        powers=tuple(float(p) for p in powers),
        sizes=tuple(plan(float(e), float(p)) for e in effects for p in powers),
    )


def within_margin(gain: float | None, margin: float, cases: float | None) -> None:
    """Refuse a size for an arm that is worse by the margin or more."""
    if margin and gain is not None and cases is None and gain <= -margin:
        raise DesignError(
            f"an arm that is worse by {-gain:.4g} lies beyond the margin of {margin:.4g}: no size can show it not "
            "inferior"
        )


def size_of(asked: Asked, found: Asked, frame: Frame, *, paired: bool = False, **told: Any) -> SampleSize:
    """The result of a search; ``told`` names quantity, test, effect, method and source."""
    included = float(found.n or 0)
    parts = np.array(frame.ratio) / sum(frame.ratio)
    whole = (included,) if paired else tuple(included * p for p in parts)
    return SampleSize(
        solved=asked.wanted,
        effect=float(found.effect or 0),
        cases=tuple(math.ceil(n - 1e-9) for n in whole),
        unrounded=frame.deflated(included),
        power=float(found.power or 0),
        alpha=float(found.alpha or 0),
        sided=frame.sided,
        ratio=frame.ratio,
        lost_share=frame.lost_share,
        design_effect=frame.design_effect,
        **{"events": None, "assumptions": (INDEPENDENT,), "caution": (), **told},
    )
