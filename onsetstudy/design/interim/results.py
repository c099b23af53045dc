"""What a plan of looks says, and what one look allows."""

from __future__ import annotations

from scipy import special

from onsetstudy.core.results import Caution, Interval
from onsetstudy.core.serialise import result_kind


@result_kind("planned_look")
class PlannedLook:
    """One look as planned: fraction of the information, boundaries on the Z scale, error rate spent up to it.

    ``cross_design`` is the chance to stop there for efficacy under the plan's ``design_drift``; ``futility`` is
    ``None`` without a rule.
    """

    number: int
    fraction: float
    upper: float
    lower: float | None
    futility: float | None
    alpha_spent: float
    cross_design: float


@result_kind("look_plan")
class LookPlan:
    """Boundaries of all planned looks.

    ``inflation`` is how much more information the plan needs than a single look with the same power;
    ``naive_error`` the true error rate of looking as often with the boundary of one look. ``design_drift`` is of the
    score per planned information: of the effect that the planned information has the power for, whatever it is.
    ``effect`` is the planned one, on the scale of a score's drift by its own information (log ratio, or a difference in
    the outcome's unit; positive is better), which conditional power is under; ``None`` where none is named.
    """

    spending: str
    alpha: float
    sided: int
    rho: float
    power: float
    futility: str
    planned_information: float
    unit: str
    looks: tuple[PlannedLook, ...]
    inflation: float
    naive_error: float
    design_drift: float
    method: str
    source: str = ""
    effect: float | None = None

    @property
    def single_look(self) -> float:
        """Z that a reader of a single analysis would take for a difference: 1.96 at 5 % of two sides."""
        return float(-special.ndtri(self.alpha / self.sided))


@result_kind("conditional_power")
class ConditionalPower:
    """Chance to end on the right side of the boundary, given what was seen so far.

    ``design`` is under the planned ``effect``; where that is ``None``, under the effect that the planned information
    has the power for: ``powered_for``, going by the information so far (``None`` where the score has none).
    ``predictive`` is averaged over what the data leave likely.
    """

    design: float
    predictive: float
    effect: float | None = None
    powered_for: float | None = None


@result_kind("look_seen")
class LookSeen:
    """One look as it happened.

    Parameters
    ----------
    label : str
        The quarter.
    z : float
        Test of onset; positive: the arm against the reference was sooner.
    counted : float
        Onsets or cases so far, in the plan's unit: the error rate is spent on these.
    information : float or None
        Variance of the score, if the test has one: it fixes how the looks are correlated. ``None``: ``counted``.
    """

    label: str
    z: float
    counted: float
    information: float | None = None


@result_kind("gated_look")
class GatedLook(LookSeen):
    """A look whose tests could not bear an answer: it spends its error rate and decides nothing.

    ``z`` is what was computed all the same, as nothing else tells at which look an open study would have ended; no page
    shows it.
    """


@result_kind("look_verdict")
class LookVerdict:
    """What one look allows.

    ``code`` is ``continue``, ``crossed``, ``unlikely`` (below a boundary of futility), ``futile`` (below a binding one:
    the study is over), ``ended`` (planned information reached, boundary not crossed),
    ``gated`` (the tests could not bear an answer: ``z`` is ``nan``, the error rate is spent) or ``descriptive`` (an
    extra look: after the end, or before it without new information). ``direction`` is
    ``sooner``, ``later`` or empty, of the effect that was crossed. ``fraction`` is of the planned information;
    ``boundary`` on the Z scale.
    ``naive_claim`` says whether a reader who knew of one look only would have called it a difference.
    """

    label: str
    code: str
    direction: str
    z: float
    boundary: float
    futility: float | None
    fraction: float
    counted: float
    planned: float
    unit: str
    alpha_spent: float
    naive_claim: bool
    naive_error: float
    conditional: ConditionalPower | None
    caution: tuple[Caution, ...] = ()


@result_kind("stopped_estimate")
class StoppedEstimate:
    """Effect after a study with looks has stopped, on the scale of the score's drift (log-rank score: log ratio).

    ``estimate`` is median-unbiased and ``interval`` and ``p_value`` are by the stage-wise order of outcomes; ``plain``
    is what ignoring the looks would give.
    """

    estimate: float
    interval: Interval
    p_value: float
    plain: float
    method: str
    source: str = ""
