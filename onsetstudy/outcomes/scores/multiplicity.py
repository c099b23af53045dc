"""Several outcomes under one error rate."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from statsmodels.stats.multitest import multipletests

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.outcomes.scores.pain_moment_results import SharedError, SharedLine

PROCEDURES = ("holm", "hochberg", "fixed_sequence", "none")
STEPWISE = {"holm": "holm", "hochberg": "simes-hochberg"}
"""Names that statsmodels has for them."""


def share_error(
    outcomes: Sequence[tuple[str, float | None, str]], *, procedure: str, alpha: float = 0.05
) -> SharedError:
    """Which outcomes pass when all share one error rate.

    Parameters
    ----------
    outcomes : sequence of (name, p-value or None, reason)
        In order of importance; ``None`` where there is no p-value, with the reason. Such an outcome counts among those
        that share (it cannot pass), and ends a fixed sequence.
    procedure : str
        ``holm``, ``hochberg``, ``fixed_sequence`` or ``none``.
    alpha : float

    Raises
    ------
    OnsetStudyError
        If the procedure is not known.

    References
    ----------
    .. [1] Holm S. Scandinavian Journal of Statistics 1979;6:65-70. Hochberg Y. Biometrika 1988;75:800-2.
    """
    if procedure not in PROCEDURES:
        raise OnsetStudyError(f"the procedure {procedure!r} is not known; choose among {', '.join(PROCEDURES)}")
    p = [1.0 if value is None else value for _, value, _ in outcomes]
    adjusted = p
    if procedure == "fixed_sequence":
        adjusted = list(itertools.accumulate(p, max))
    elif procedure in STEPWISE and p:
        adjusted = multipletests(p, method=STEPWISE[procedure])[1].tolist()
    lines = tuple(
        SharedLine(
            outcome=name,
            p_value=value,
            adjusted=None if value is None else a,
            passes=value is not None and a <= alpha,
            reason=reason,
        )
        for (name, value, reason), a in zip(outcomes, adjusted, strict=True)
    )
    return SharedError(procedure=procedure, alpha=alpha, lines=lines)
