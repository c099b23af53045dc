"""Result types that every room returns.

A result is a frozen value with its interval, its method in one readable line, its counts, assumptions and cautions.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from typing import Any, Protocol, runtime_checkable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.core.serialise import Serialisable, result_kind

ESTIMATE_COLUMNS = (
    "quantity",
    "contrast",
    "estimate",
    "std_error",
    "conf_low",
    "conf_high",
    "conf_level",
    "p_value",
    "unit",
    "method",
    "n",
    "n_events",
)
FEW_ONSETS = 10
"""Onsets of an arm under which limits that rest on many are approximate."""


@result_kind("interval")
class Interval:
    """Confidence interval: ``low`` to ``high`` at ``level``, by ``method``."""

    low: float
    high: float
    level: float
    method: str


@result_kind("arm_count")
class ArmCount:
    """Cases and observed onsets of one arm."""

    arm: str
    cases: int
    onsets: int


@result_kind("counts")
class Counts:
    """Cases and observed onsets (or scores), in total and by arm."""

    cases: int
    onsets: int
    by_arm: tuple[ArmCount, ...] = ()

    @classmethod
    def of(
        cls,
        events: NDArray[np.bool_],
        arm: NDArray[Any] | None = None,
        arms: Iterable[str] | None = None,
        *,
        cases: NDArray[Any] | None = None,
    ) -> Counts:
        """Counts from one flag per row, and by arm in the order of ``arms`` (default: sorted).

        ``cases`` is how many like cases each row stands for, whole numbers; default 1.
        """
        events = np.asarray(events, dtype=bool)
        many = np.ones(events.shape, dtype=np.int64) if cases is None else np.asarray(cases).astype(np.int64)
        by_arm: tuple[ArmCount, ...] = ()
        if arm is not None:
            names = sorted({str(a) for a in arm}) if arms is None else [str(a) for a in arms]
            by_arm = tuple(
                ArmCount(arm=a, cases=int(many[arm == a].sum()), onsets=int(many[events & (arm == a)].sum()))
                for a in names
            )
        return cls(cases=int(many.sum()), onsets=int(many[events].sum()), by_arm=by_arm)

    @property
    def few_onsets(self) -> str:
        """Arms that have cases and fewer onsets than :data:`FEW_ONSETS`, each with its number; empty if none."""
        return ", ".join(f"{a.onsets} in {a.arm}" for a in self.by_arm if a.cases and a.onsets < FEW_ONSETS)

    def arm(self, name: str) -> ArmCount:
        """Counts of one arm; zeros when the arm has no case."""
        return next((a for a in self.by_arm if a.arm == name), ArmCount(arm=name, cases=0, onsets=0))


@result_kind("assumption")
class Assumption:
    """What a method rests on; ``status`` is ``assumed``, ``supported`` or ``doubtful``."""

    name: str
    status: str = "assumed"
    detail: str = ""


@result_kind("caution")
class Caution:
    """What a reader must see beside a number; ``code`` is stable, ``text`` is a sentence."""

    code: str
    text: str


@result_kind("certificate")
class Certificate:
    """Proof that an iterative fit is at its optimum.

    ``gap`` is the largest violation of the optimality condition ``condition``, on the scale of ``tolerance``.
    """

    converged: bool
    iterations: int
    gap: float
    tolerance: float
    condition: str = ""


@runtime_checkable
class Result(Protocol):
    """What every result can say of itself."""

    @property
    def method(self) -> str:
        """How it was computed, in one readable line."""

    @property
    def n(self) -> Counts:
        """Cases and observed onsets."""

    @property
    def assumptions(self) -> tuple[Assumption, ...]:
        """What it rests on."""

    @property
    def caution(self) -> tuple[Caution, ...]:
        """What a reader must see beside it."""

    def to_frame(self) -> pd.DataFrame:
        """Rows with the estimate columns."""

    def to_dict(self) -> dict[str, Any]:
        """Plain JSON types."""


def _one_row(result: EstimateLike | HypothesisTest, unit: str, method: str, *numbers: float | None) -> pd.DataFrame:
    """A result as a row with the estimate columns; ``numbers`` are those from ``estimate`` to ``p_value``."""
    row = (result.quantity, result.contrast, *numbers, unit, method, result.n.cases, result.n.onsets)
    return pd.DataFrame([row], columns=list(ESTIMATE_COLUMNS))


@result_kind("estimate")
class Estimate(Serialisable):
    """One estimated quantity with everything needed to quote it.

    ``std_error`` is on the scale named by ``interval.method`` (for a ratio: of its
    logarithm). ``contrast`` names the direction: ``"buffered - plain"``.
    """

    quantity: str
    contrast: str | None
    estimate: float
    interval: Interval
    unit: str
    method: str
    n: Counts
    std_error: float | None = None
    p_value: float | None = None
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()
    source: str = ""

    def to_frame(self) -> pd.DataFrame:
        """One row with the estimate columns."""
        span = self.interval
        numbers = (self.estimate, self.std_error, span.low, span.high, span.level, self.p_value)
        return _one_row(self, self.unit, self.method, *numbers)


@result_kind("not_available")
class NotAvailable(Serialisable):
    """A quantity that these data do not determine, said instead of a number.

    ``bound`` is the one-sided confidence statement that the data do give, if any.
    """

    quantity: str
    contrast: str | None
    code: str
    reason: str
    unit: str
    method: str
    n: Counts
    bound: Interval | None = None
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """One row with the estimate columns; the estimate is missing."""
        span = self.bound
        limits = (None, None, None) if span is None else (span.low, span.high, span.level)
        return _one_row(self, self.unit, self.reason, None, None, *limits, None)


def complement_of(difference: Estimate | NotAvailable, quantity: str) -> Estimate | NotAvailable:
    """Difference of the complements of two proportions, under the key ``quantity``: of not numb, from that of numb.

    The one place where an estimate changes its sign: it becomes another quantity by that.
    """
    if isinstance(difference, NotAvailable):
        return dataclasses.replace(difference, quantity=quantity)
    span = difference.interval
    # From nought, so that no minus stands before a nought.
    turned = dataclasses.replace(span, low=0.0 - span.high, high=0.0 - span.low)
    return dataclasses.replace(difference, quantity=quantity, estimate=0.0 - difference.estimate, interval=turned)


EstimateLike = Estimate | NotAvailable


@result_kind("score_piece")
class ScorePiece:
    """One stratum's share of a score test, enough to pool it with others.

    ``observed_minus_expected`` and ``variance`` are of the arms other than the reference,
    in the order of the test's ``arms``: shapes (k-1,) and (k-1, k-1) flattened by row.
    """

    stratum: str
    cases: int
    observed_minus_expected: tuple[float, ...]
    variance: tuple[float, ...]


NOT_INDEPENDENT = "cases_not_independent"
"""Code of the caution on a test that takes cases as independent beside an interval that does not."""
PATIENTS = Assumption(name="independent_patients", detail="patients are independent; the two cases of one need not be")
"""What an answer within patients rests on, and by what it is known as one."""
FEW_OF_AN_ARM = "few_of_an_arm"
"""Code of the caution on a difference whose limits bear no direction, as one arm has so few cases."""
NO_SPREAD = Caution(
    code="no_spread",
    text="The values of each arm do not vary, so that the limits say nothing of further cases, and no difference is "
    "claimed.",
)
"""On a difference whose interval is one number."""
BEARS_NOTHING = (FEW_OF_AN_ARM, NO_SPREAD.code)
"""Codes with which neither direction nor size is claimed."""


@result_kind("hypothesis_test")
class HypothesisTest(Serialisable):
    """A test with the pieces it is made of.

    ``statistic`` is Z (positive: the arm against the reference had onset sooner) for two
    arms, chi-square for more. ``p_interval`` is the Monte Carlo interval on ``p_value``, which is ``nan`` where it
    would take as independent what is not (a caution says so).
    """

    quantity: str
    contrast: str | None
    statistic: float
    statistic_name: str
    df: int
    p_value: float
    alternative: str
    method: str
    n: Counts
    arms: tuple[str, ...] = ()
    p_interval: Interval | None = None
    pieces: tuple[ScorePiece, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()
    source: str = ""

    @property
    def observed_minus_expected(self) -> tuple[float, ...]:
        """Sum over strata, one number per arm other than the reference."""
        return tuple(float(v) for v in np.sum([p.observed_minus_expected for p in self.pieces] or [()], axis=0))

    @property
    def variance(self) -> tuple[float, ...]:
        """Sum over strata of the (flattened) covariance matrices."""
        return tuple(float(v) for v in np.sum([p.variance for p in self.pieces] or [()], axis=0))

    @property
    def p_shown(self) -> float | None:
        """P value, or ``None`` where it takes as independent what is not."""
        return None if any(c.code == NOT_INDEPENDENT for c in self.caution) else self.p_value

    def to_frame(self) -> pd.DataFrame:
        """One row with the estimate columns; the estimate is the statistic."""
        return _one_row(self, self.statistic_name, self.method, self.statistic, None, None, None, None, self.p_shown)


@result_kind("fit")
class Fit(Serialisable):
    """Several estimates of one model, with the proof that the fit is at its optimum.

    ``covariance`` has the order of ``estimates``, on the scale of their ``std_error``.
    """

    estimates: tuple[Estimate, ...]
    covariance: tuple[tuple[float, ...], ...]
    log_likelihood: float
    log_likelihood_null: float
    certificate: Certificate
    method: str
    n: Counts
    tests: tuple[HypothesisTest, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()
    source: str = ""

    def to_frame(self) -> pd.DataFrame:
        """One row per estimate."""
        return estimates_frame(self.estimates)


@result_kind("reasons")
class Reasons:
    """How many cases left a flow for one reason; by arm as far as it can be read."""

    code: str
    text: str
    count: int
    by_arm: tuple[ArmCount, ...] = ()


@result_kind("flow_stage")
class FlowStage:
    """Cases that reached a stage, and why others did not come with them from the stage before.

    ``noted`` are of those who reached it: what was compulsory and is not known of them.
    """

    name: str
    count: int
    by_arm: tuple[ArmCount, ...] = ()
    lost: tuple[Reasons, ...] = ()
    noted: tuple[Reasons, ...] = ()


@result_kind("flow")
class Flow(Serialisable):
    """Recorded, eligible, analysed: every row that was read is accounted for.

    ``screening``: persons assessed, and who of them was included, where a table of screening was kept.
    """

    stages: tuple[FlowStage, ...]
    screening: tuple[FlowStage, ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """One row per stage and reason."""
        rows = []
        for stage in (*self.screening, *self.stages):
            rows.append((stage.name, "", "", stage.count))
            rows += [(stage.name, reason.code, reason.text, reason.count) for reason in stage.lost]
        return pd.DataFrame(rows, columns=["stage", "code", "reason", "count"])


def estimates_frame(results: Iterable[Result]) -> pd.DataFrame:
    """All results under each other, with the estimate columns."""
    frames = [result.to_frame().astype(object) for result in results]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=list(ESTIMATE_COLUMNS))
