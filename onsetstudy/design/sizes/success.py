"""Sizes for the proportion numb by the target in closed form: two arms, a margin, pairs."""

from __future__ import annotations

from onsetstudy.core.errors import DesignError
from onsetstudy.design import formulas
from onsetstudy.design.planning_values import implausible
from onsetstudy.design.size_results import SampleSize
from onsetstudy.design.sizes.frame import EQUAL, Asked, Frame, size_of, solve

__all__ = ["plan_paired_success", "plan_success"]


def plan_success(
    *,
    reference: float,
    difference: float | None = None,
    cases: float | None = None,
    power: float | None = 0.8,
    alpha: float | None = 0.05,
    margin: float = 0.0,
    higher_is_better: bool = True,
    frame: Frame = EQUAL,
) -> SampleSize:
    """Size for the share numb by the target; leave one of difference, cases, power and alpha ``None``.

    Parameters
    ----------
    reference : float
        Share in the reference arm.
    difference : float or None
        Share of the other arm minus it. Solved for without a margin, it is positive.
    margin : float
        0: a test of no difference. Above 0: the other arm may be worse by less than this (not inferior); let
        ``frame.sided`` be 1.
    higher_is_better : bool
        Whether a larger share is the better one; ``False`` for shares such as not numb. Matters to a margin.

    Raises
    ------
    DesignError
        Also if a size is asked for a difference that lies beyond the margin: no size can show it not inferior.
    """
    if not 0 < reference < 1 or margin < 0:
        raise DesignError("the share of the reference arm must lie between 0 and 1, and the margin be 0 or more")
    if difference is not None and (not 0 < reference + difference < 1 or (difference == 0 and not margin)):
        raise DesignError(f"a difference of {difference:g} from {reference:g} leaves no share between 0 and 1 to find")
    better = -1.0 if margin and not higher_is_better else 1.0

    def power_of(n: float, apart: float, a: float) -> float:
        return formulas.shares_power(
            max(n, 1e-9), reference, reference + apart, a, share=frame.share, sided=frame.sided, margin=margin,
            higher_is_better=higher_is_better,
        )  # fmt: skip

    best, worst = (1 - reference, reference) if better > 0 else (reference, 1 - reference)
    least = max(-margin, -worst) if margin else 0.0
    asked = Asked(n=cases, effect=difference, power=power, alpha=alpha)
    found = solve(asked, power_of, frame, effect_range=(least + 1e-6, best - 1e-6), margin=margin, better=better)
    other, against = reference + found.effect, f", margin {margin:.3g}" if margin else ""
    return size_of(
        found,
        frame,
        quantity="success",
        effect_text=f"{reference:.1%} against {other:.1%}{against}",
        test="test of two proportions against a margin" if margin else "score test of two proportions",
        method="two proportions, normal approximation"
        + (", unpooled against the margin" if margin else ", score test"),
        source="Fleiss, Levin & Paik 2003, chapter 4",
        caution=implausible("success", found.effect),
    )


def plan_paired_success(
    *,
    only_other: float,
    only_reference: float,
    pairs: float | None = None,
    power: float | None = 0.8,
    alpha: float | None = 0.05,
    frame: Frame = EQUAL,
) -> SampleSize:
    """Pairs for McNemar's test; leave pairs, power or alpha ``None``.

    Parameters
    ----------
    only_other, only_reference : float
        Shares of patients in whom only the one or only the other injection worked.
    """
    if min(only_other, only_reference) < 0 or only_other + only_reference > 1 or only_other == only_reference:
        raise DesignError("the shares of pairs that differ must be 0 or more, at most 1 together, and not the same")

    def power_of(n: float, apart: float, a: float) -> float:
        return formulas.mcnemar_power(n, only_other, only_reference, a, sided=frame.sided)

    asked = Asked(n=pairs, effect=only_other - only_reference, power=power, alpha=alpha)
    return size_of(
        solve(asked, power_of, frame, effect_range=(-1, 1)),
        frame,
        paired=True,
        quantity="paired_success",
        test="McNemar's test",
        effect_text=f"{only_other:g} of pairs only the one, {only_reference:g} only the other",
        method="McNemar's test",
        source="Connor 1987",
        caution=implausible("success", only_other - only_reference),
    )
