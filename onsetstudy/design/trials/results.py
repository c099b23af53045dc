"""What simulated trials say about a design."""

from __future__ import annotations

from onsetstudy.core.results import Caution, Interval
from onsetstudy.core.serialise import result_kind
from onsetstudy.design.size_results import OnsetExpectation


@result_kind("trial_scenario")
class TrialScenario:
    """One kind of trial.

    Parameters
    ----------
    cases : int
        In both arms together; patients, each with both arms, if ``design`` is ``paired``.
    expected : OnsetExpectation
    hazard_ratio : float
        Of becoming numb, among teeth that can.
    tests_min : tuple of float
        Planned minutes of the cold tests.
    confirmations : int
        Consecutive valid tests not felt that make an onset.
    target_min : float
    missed_share, control_failure_share : float
        Tests not done, and tests that do not count because the control tooth did not feel the cold.
    rescue_min, rescue_share
        Share of cases that get a supplement at this minute if no onset was confirmed by then; ``None``: nobody.
    operators : int
    operator_spread : float
        Standard deviation between operators on the log scale of time.
    patient_spread : float
        The same between patients; matters to ``paired`` designs.
    design : str
        ``parallel`` or ``paired`` (crossover, split-mouth).
    decision : str
        ``log_rank``, ``success`` (share numb by the target), ``wait`` (restricted mean time to onset up to the horizon
        of ``expected``, within operators' practices), ``pain`` (difference in mean scores, within the same) or
        ``treatment`` (difference in the proportion of successful treatments, within the same).
    alpha : float
        Two-sided; without looks.
    ratio : tuple of int
        Cases of the reference arm to the other; ``paired`` designs have one of each.
    looks : tuple of (fraction of the cases, boundary) or (fraction, boundary, lower boundary)
        On the Z scale; a boundary alone is of both sides. Empty: one look at the end.
    conf_level : float
        Of the interval that a difference of means is told with, and whose error its Z has.
    grace_min : float
        How long before the horizon a last test still counts as at it, where nobody was tested later; for ``wait``.
    pain_sd, pain_less : float
        Standard deviation of the scores, and by how much the other arm hurts less, in units of the scale; for ``pain``.
    treated_reference, treated_other : float
        Proportion of successful treatments in the two arms; for ``treatment``.
    """

    cases: int
    expected: OnsetExpectation
    hazard_ratio: float
    tests_min: tuple[float, ...]
    confirmations: int = 2
    target_min: float = 2.0
    missed_share: float = 0.0
    control_failure_share: float = 0.0
    rescue_min: float | None = None
    rescue_share: float = 0.0
    operators: int = 1
    operator_spread: float = 0.0
    patient_spread: float = 0.0
    design: str = "parallel"
    decision: str = "log_rank"
    alpha: float = 0.05
    ratio: tuple[int, int] = (1, 1)
    looks: tuple[tuple[float, ...], ...] = ()
    grace_min: float = 1.0
    conf_level: float = 0.95
    pain_sd: float = 0.0
    pain_less: float = 0.0
    treated_reference: float = 0.0
    treated_other: float = 0.0

    @property
    def paired(self) -> bool:
        """Whether each patient has both arms."""
        return self.design == "paired"

    @property
    def side(self) -> int:
        """Which arm the drawn effect favours: 1 the other one, -1 the reference arm, 0 neither."""
        own = {"pain": self.pain_less, "treatment": self.treated_other - self.treated_reference}
        effect = own.get(self.decision, self.hazard_ratio - 1)
        if self.decision == "wait" and effect == 0:
            # Only the means of restricted times tell arms apart that differ in the never-numb shares alone.
            effect = self.expected.never_reference - self.expected.never_other
        return (effect > 0) - (effect < 0)


@result_kind("simulated_power")
class SimulatedPower:
    """Share of trials that found a difference, with the error of the simulation.

    ``test`` names the test that ``power`` is of. ``by_look`` is the share stopped at each look;
    ``expected_cases`` how many cases were used on average; ``mean_z``
    and ``mean_z_error`` are of the score at the end; ``numb_at_first`` the share of cases already numb at the first
    test.
    """

    scenario: TrialScenario
    test: str
    power: float
    interval: Interval
    mc_error: float
    trials: int
    without_answer: int
    by_look: tuple[float, ...]
    expected_cases: float
    mean_z: float
    mean_z_error: float
    numb_at_first: float
    onset_share: float
    seed: int
    method: str
    caution: tuple[Caution, ...] = ()


@result_kind("schedule_line")
class ScheduleLine:
    """One schedule of tests: power, and how many more cases it takes than the first one (a share, with its error)."""

    name: str
    tests_min: tuple[float, ...]
    power: SimulatedPower
    more_cases: float
    more_cases_error: float
    caution: tuple[Caution, ...] = ()


@result_kind("schedule_comparison")
class ScheduleComparison:
    """Schedules beside each other, the first being the one that the others are measured against."""

    lines: tuple[ScheduleLine, ...]
