"""What every size in closed form shares: allocation, losses, clusters, margins, one solver for all, and the result."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, TypedDict

import numpy as np
from scipy import optimize

from onsetstudy.core.errors import DesignError
from onsetstudy.core.results import Assumption
from onsetstudy.design.size_results import SampleSize, SizeTable

WORDS = {"n": "size", "effect": "effect", "alpha": "error rate"}
MOST = 1e8
"""The largest size that is looked for."""

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

    Raises
    ------
    DesignError
        If a number makes no sense.
    """

    ratio: tuple[float, float] = (1.0, 1.0)
    lost_share: float = 0.0
    design_effect: float = 1.0
    sided: int = 2

    def __post_init__(self) -> None:
        if min(self.ratio) <= 0 or not 0 <= self.lost_share < 1 or self.design_effect < 1 or self.sided not in (1, 2):
            raise DesignError(
                "the ratio must be above 0 on both sides, the lost share between 0 and 1, the design effect 1 or more, "
                "and sided 1 or 2"
            )

    @property
    def share(self) -> float:
        """Share of the cases in the other arm."""
        return self.ratio[1] / sum(self.ratio)

    def inflated(self, n: float) -> float:
        """Cases to include for ``n`` that count."""
        return n * self.design_effect / (1 - self.lost_share)

    def deflated(self, n: float) -> float:
        """Cases that count among ``n`` included."""
        return n * (1 - self.lost_share) / self.design_effect


EQUAL = Frame()
"""Two arms of equal size, nobody lost, no clusters, two-sided."""


def design_effect(cluster_size: float, icc: float) -> float:
    """By how much clusters inflate a size: ``1 + (m - 1) icc``.

    Parameters
    ----------
    cluster_size : float
        Cases of a cluster (a patient, an operator, a practice).
    icc : float
        Intraclass correlation.

    References
    ----------
    .. [1] Eldridge SM, Ashby D, Kerry S. International Journal of Epidemiology 2006;35:1292-300 (from memory).
    """
    if cluster_size < 1 or not 0 <= icc <= 1:
        raise DesignError("clusters hold one case or more, and the correlation lies between 0 and 1")
    return 1 + (cluster_size - 1) * icc


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


class Given(TypedDict, total=False):
    """What every size is asked with beside its effect, see :class:`Asked`."""

    cases: float | None
    power: float | None
    alpha: float | None
    frame: Frame


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Four numbers that belong together, of which exactly one is ``None`` and wanted, and their frame.

    Parameters
    ----------
    effect : float or None
        Other arm less the reference.
    cases : float or None
        Included in both arms; pairs where each patient has both.
    power, alpha : float or None
    frame : Frame
    """

    effect: float | None
    cases: float | None = None
    power: float | None = 0.8
    alpha: float | None = 0.05
    frame: Frame = EQUAL

    @property
    def numbers(self) -> dict[str, float | None]:
        """The four by the names that results give them."""
        return {"n": self.cases, "effect": self.effect, "power": self.power, "alpha": self.alpha}

    @property
    def wanted(self) -> str:
        """Name of the number that is wanted.

        Raises
        ------
        DesignError
            If none or more than one is, or a number is out of range.
        """
        missing = [name for name, number in self.numbers.items() if number is None]
        if len(missing) != 1:
            text = "nothing is left to solve for" if not missing else f"{', '.join(missing)} are all missing"
            raise DesignError(f"{text}; give all but one of size, effect, power and alpha")
        for name, share in (("a power", self.power), ("an alpha", self.alpha)):
            if share is not None and not 0 < share < 1:
                raise DesignError(f"{name} of {share:g} must lie between 0 and 1")
        if self.power is not None and self.alpha is not None and self.power <= self.alpha:
            raise DesignError(f"a power of {self.power:g} is not above the error rate of {self.alpha:g}")
        if self.cases is not None and self.cases <= 0:
            raise DesignError(f"a size of {self.cases:g} must be above 0")
        return missing[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Solved:
    """The four numbers, and the name of the one that was ``wanted``; ``n`` includes what is lost by the frame."""

    frame: Frame
    wanted: str
    n: float
    effect: float
    power: float
    alpha: float


def solve(
    asked: Asked,
    power_of: Callable[[float, float, float], float],
    *,
    effect_range: tuple[float, float],
    least: float = 2.0,
    margin: float = 0.0,
    better: float = 1.0,
) -> Solved:
    """The four numbers with the wanted one found.

    Parameters
    ----------
    asked : Asked
    power_of : callable
        Power for (cases that count, effect, alpha); grows with cases and alpha, and with the gain over
        ``effect_range``.
    effect_range : tuple of float
        Gains from none to the largest that makes sense.
    least : float
        Smallest size.
    margin : float
        Above 0: what the other arm may be worse by.
    better : float
        -1 where the gain is the effect turned over, as less is better.

    Raises
    ------
    DesignError
        If no number in range gives the power, or a size is asked for an arm that is worse by the margin or more.
    """
    gain = None if asked.effect is None else better * asked.effect
    if margin and gain is not None and asked.cases is None and gain <= -margin:
        raise DesignError(
            f"an arm that is worse by {-gain:.4g} lies beyond the margin of {margin:.4g}: no size can show it not "
            "inferior"
        )
    wanted = asked.wanted
    given = asked.numbers | {"effect": gain}

    def with_number(number: float) -> dict[str, float]:
        return {name: number if value is None else value for name, value in given.items()}

    def power_with(number: float) -> float:
        full = with_number(number)
        return power_of(asked.frame.deflated(full["n"]), better * full["effect"], full["alpha"])

    full = with_number(
        power_with(0.0) if wanted == "power" else _search(wanted, power_with, asked, effect_range, least)
    )
    return Solved(**full | {"effect": better * full["effect"]}, wanted=wanted, frame=asked.frame)


def _search(
    wanted: str, power_with: Callable[[float], float], asked: Asked, effect_range: tuple[float, float], least: float
) -> float:
    target = asked.power or 0.0
    low, high = {"n": (least, MOST), "effect": effect_range, "alpha": (1e-12, 1 - 1e-12)}[wanted]
    if power_with(high) < target:
        raise DesignError(f"no {WORDS[wanted]} up to {high:g} has a power of {target:g}")
    if power_with(low) >= target:
        return low
    return float(optimize.brentq(lambda v: power_with(v) - target, low, high, xtol=1e-10, rtol=1e-13, maxiter=300))


def size_of(found: Solved, *, paired: bool = False, **told: Any) -> SampleSize:
    """The result of a search; ``told`` names quantity, test, effect, method and source."""
    frame = found.frame
    parts = np.array(frame.ratio) / sum(frame.ratio)
    whole = (found.n,) if paired else tuple(found.n * p for p in parts)
    return SampleSize(
        solved=found.wanted,
        effect=found.effect,
        cases=tuple(math.ceil(n - 1e-9) for n in whole),
        unrounded=frame.deflated(found.n),
        power=found.power,
        alpha=found.alpha,
        sided=frame.sided,
        ratio=frame.ratio,
        lost_share=frame.lost_share,
        design_effect=frame.design_effect,
        **{"events": None, "assumptions": (INDEPENDENT,), "caution": (), **told},
    )
