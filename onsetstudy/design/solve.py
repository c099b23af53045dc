"""One solver for size, effect, power and error rate."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from scipy import optimize

from onsetstudy.core.errors import DesignError

__all__ = ["Asked", "solve"]

MOST = 1e8


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """Four numbers that belong together; exactly one is ``None`` and wanted."""

    n: float | None = None
    effect: float | None = None
    power: float | None = None
    alpha: float | None = None

    @property
    def wanted(self) -> str:
        """Name of the number that is wanted.

        Raises
        ------
        DesignError
            If none or more than one is, or a number is out of range.
        """
        missing = [name for name in ("n", "effect", "power", "alpha") if getattr(self, name) is None]
        if len(missing) != 1:
            text = "nothing is left to solve for" if not missing else f"{', '.join(missing)} are all missing"
            raise DesignError(f"{text}; give all but one of size, effect, power and alpha")
        if self.power is not None and not 0 < self.power < 1:
            raise DesignError(f"a power of {self.power:g} must lie between 0 and 1")
        if self.alpha is not None and not 0 < self.alpha < 1:
            raise DesignError(f"an alpha of {self.alpha:g} must lie between 0 and 1")
        if self.power is not None and self.alpha is not None and self.power <= self.alpha:
            raise DesignError(f"a power of {self.power:g} is not above the error rate of {self.alpha:g}")
        if self.n is not None and self.n <= 0:
            raise DesignError(f"a size of {self.n:g} must be above 0")
        return missing[0]


def solve(
    asked: Asked,
    power_of: Callable[[float, float, float], float],
    *,
    effect_range: tuple[float, float],
    least: float = 2.0,
) -> Asked:
    """The four numbers with the wanted one found.

    Parameters
    ----------
    asked : Asked
    power_of : callable
        Power for (size, effect, alpha); grows with size and alpha, and with the effect over ``effect_range``.
    effect_range : tuple of float
        From no effect to the largest that makes sense.
    least : float
        Smallest size.

    Raises
    ------
    DesignError
        If no number in range gives the power.
    """
    wanted = asked.wanted
    values = {"n": asked.n, "effect": asked.effect, "power": asked.power, "alpha": asked.alpha}

    def power_with(number: float) -> float:
        full = {**values, wanted: number}
        return power_of(full["n"] or 0.0, full["effect"] or 0.0, full["alpha"] or 0.0)

    if wanted == "power":
        return Asked(**{**values, "power": power_with(0.0)})
    target = asked.power or 0.0
    low, high = {"n": (least, MOST), "effect": effect_range, "alpha": (1e-12, 1 - 1e-12)}[wanted]
    if power_with(high) < target:
        raise DesignError(f"no {_word(wanted)} up to {high:g} has a power of {target:g}")
    if power_with(low) >= target:
        return Asked(**{**values, wanted: low})
    found = float(optimize.brentq(lambda v: power_with(v) - target, low, high, xtol=1e-10, rtol=1e-13, maxiter=300))
    return Asked(**{**values, wanted: found})


def _word(wanted: str) -> str:
    return {"n": "size", "effect": "effect", "alpha": "error rate"}[wanted]
