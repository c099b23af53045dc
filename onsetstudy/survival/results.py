"""Results of the survival room beyond single estimates: curves."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from onsetstudy.core.arrays import real_numbers, require_number
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.results import Assumption, Caution, Certificate, Counts, Estimate, HypothesisTest
from onsetstudy.core.serialise import Serialisable, result_kind
from onsetstudy.inference.tabled import Tabled


@result_kind("onset_curve", arrays=True)
class OnsetCurve(Serialisable):
    """Nonparametric maximum likelihood curve of onset.

    The data place probability ``mass[j]`` somewhere in ``(left[j], right[j]]`` and nowhere
    else; where inside is not determined, so the curve is a band there.

    Parameters
    ----------
    left, right : ndarray of float, shape (k,)
        Innermost intervals with positive mass, minutes, increasing. ``left[j] == right[j]`` for an exact time;
        the last ``right`` may be ``inf``: mass never seen to become numb.
    mass : ndarray of float, shape (k,)
        Probabilities, sum 1.
    determined : ndarray of bool as float, shape (k,)
        1 where the mass is the same in every maximiser of the likelihood, else 0.
    log_likelihood : float
        Natural log-likelihood of the (weighted) data.
    certificate : Certificate
        Kuhn-Tucker gap relative to the total weight.
    """

    left: NDArray[np.float64]
    right: NDArray[np.float64]
    mass: NDArray[np.float64]
    determined: NDArray[np.float64]
    log_likelihood: float
    certificate: Certificate
    n: Counts
    method: str = "nonparametric maximum likelihood for interval-censored times"
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()
    source: str = ""

    def at(self, t: ArrayLike) -> tuple[Any, Any]:
        """Bounds ``(low, high)`` of the chance of *not yet numb* at ``t`` minutes.

        Parameters
        ----------
        t : float or array_like, shape (m,)
            Minutes from clock zero.

        Returns
        -------
        tuple of float or of ndarray, shape (m,)
            ``low`` counts every mass whose interval began before ``t`` as numb already, ``high`` only
            those whose interval has ended by ``t``. Equal where the data decide.

        Raises
        ------
        OnsetStudyError
            If a minute is missing or no number.
        """
        t_array = real_numbers(t, "t")
        if np.isnan(t_array).any():
            raise OnsetStudyError.of_key("t", "a minute is missing", "give minutes from clock zero")
        cumulative = np.concatenate(([0.0], np.cumsum(self.mass)))
        ended = np.searchsorted(self.right, t_array, side="right")
        # An exact time t has happened at t; an open interval (t, r] has not begun at t.
        begun = np.maximum(np.searchsorted(self.left, t_array, side="left"), ended)
        low, high = np.clip(1.0 - cumulative[begun], 0.0, 1.0), np.clip(1.0 - cumulative[ended], 0.0, 1.0)
        if t_array.ndim == 0:
            return float(low), float(high)
        return low, high

    def quantile(self, p: float) -> tuple[float, float]:
        """Interval ``(low, high]`` in which the time lies by which a share ``p`` is numb.

        ``high`` is ``inf`` when the share is not reached by the last test; both are ``inf``
        only when ``p`` lies wholly in mass never seen to become numb.

        Raises
        ------
        OnsetStudyError
            If the share is no number from 0 to 1.
        """
        mend = "give a share from 0 to 1, for example 0.5"
        require_number(p, "p", mend)
        if not 0 <= p <= 1:
            raise OnsetStudyError.of_key("p", f"p is {p!r}", mend)
        cumulative = np.cumsum(self.mass)
        j = min(int(np.searchsorted(cumulative, p - 1e-12, side="left")), self.mass.size - 1)
        return float(self.left[j]), float(self.right[j])

    def to_frame(self) -> pd.DataFrame:
        """One row per innermost interval."""
        return pd.DataFrame(
            {
                "left_min": self.left,
                "right_min": self.right,
                "mass": self.mass,
                "determined": self.determined.astype(bool),
            }
        )


@result_kind("bounds")
class Bounds:
    """What the gaps between tests leave open about the quantity of an arm, or about a contrast of arms."""

    contrast: str
    low: float
    high: float


@result_kind("arm_contrast")
class ArmContrast(Tabled):
    """One quantity per arm (reference arm first), and the contrast of the other arm with the reference.

    With more than two arms, ``difference`` is of the first arm other than the reference and ``more``
    holds the differences of the others, in the order of ``arms``. ``bounds`` are of the arms, then of the
    differences, where onset between two tests leaves the quantity open; empty where it does not.
    """

    arms: tuple[Estimate, ...]
    difference: Estimate
    method: str
    n: Counts
    ratio: Estimate | None = None
    more: tuple[Estimate, ...] = ()
    bounds: tuple[Bounds, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()
    source: str = ""


@result_kind("effect_stretch")
class EffectStretch:
    """Hazard ratio within one stretch of time, ``from_min`` to ``to_min`` minutes (``inf``: to the end)."""

    from_min: float
    to_min: float
    ratio: float
    conf_low: float
    conf_high: float
    conf_level: float


@result_kind("proportionality_check")
class ProportionalityCheck(Tabled):
    """Whether the hazard ratio changes with time, and how large it is early and late."""

    test: HypothesisTest
    stretches: tuple[EffectStretch, ...]
    contrast: str
    method: str
    n: Counts
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()
    source: str = ""


@result_kind("shared_frailty")
class SharedFrailty(Tabled):
    """How much clusters (operators, practices) differ in the rate of becoming numb, beyond the covariates.

    ``spread`` is the standard deviation of the clusters' log rates; ``estimates`` are the covariates' hazard ratios
    for cases of the same cluster.
    """

    spread: Estimate
    test: HypothesisTest
    estimates: tuple[Estimate, ...]
    log_likelihood: float
    log_likelihood_without: float
    certificate: Certificate
    method: str
    n: Counts
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()
    source: str = ""


@result_kind("parametric_fit")
class ParametricFit(Tabled):
    """An accelerated-time model. ``parameters`` holds ``(name, value, standard error)`` on the log scale of time."""

    family: str
    estimates: tuple[Estimate, ...]
    parameters: tuple[tuple[str, float, float], ...]
    log_likelihood: float
    aic: float
    certificate: Certificate
    method: str
    n: Counts
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()
    source: str = ""


@result_kind("parametric_comparison")
class ParametricComparison(Serialisable):
    """Families side by side, best by Akaike's criterion first; ``failed`` pairs a family with why it has no fit."""

    fits: tuple[ParametricFit, ...]
    failed: tuple[tuple[str, str], ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """Family, log-likelihood, number of parameters and Akaike's criterion."""
        rows = [(f.family, f.log_likelihood, len(f.parameters), f.aic) for f in self.fits]
        return pd.DataFrame(rows, columns=["family", "log_likelihood", "parameters", "aic"])


@result_kind("never_numb_fit")
class NeverNumbFit(Tabled):
    """A mixture of cases that never become numb and cases that do; ``more``: time ratios of a third arm and others."""

    family: str
    shares: tuple[Estimate, ...]
    time_ratio: Estimate | None
    test: HypothesisTest
    log_likelihood: float
    certificate: Certificate
    method: str
    n: Counts
    more: tuple[Estimate, ...] = ()
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()
    source: str = ""


@result_kind("schedule_check")
class ScheduleCheck(Tabled):
    """Whether arms were tested at the same minutes.

    ``minutes`` holds, by arm and number of the test: cases, lower quartile, median and upper quartile of its minute.
    """

    test: HypothesisTest
    minutes: tuple[tuple[str, int, int, float, float, float], ...]
    method: str
    n: Counts
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()


@result_kind("fineness_of_testing")
class FinenessOfTesting(Serialisable):
    """How fine the testing was, by arm."""

    rows: tuple[tuple[str, int, int, int, float, int], ...]
    caution: tuple[Caution, ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """One row per arm."""
        columns = ["arm", "cases", "numb_at_first_test", "first_test_too_late", "median_gap_min", "missed_tests"]
        return pd.DataFrame(self.rows, columns=columns)


@result_kind("anytime_test", arrays=True)
class AnytimeTest:
    """Evidence against "the arm makes no difference", case by case.

    ``path`` is the e-value after each case, shape (n,): if there is no difference it passes ``1 / alpha`` ever, at any
    time, with a chance of at most ``alpha``. ``p_value`` is one over the highest value so far (at most 1).
    """

    path: NDArray[np.float64]
    e_value: float
    highest: float
    p_value: float
    contrast: str
    leaning: float
    method: str
    n: Counts
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()
    source: str = ""

    def crossed_at(self, alpha: float) -> int | None:
        """First case (from 1) after which the e-value had passed ``1 / alpha``; ``None`` if it never has."""
        over = np.flatnonzero(self.path >= 1 / alpha)
        return int(over[0]) + 1 if over.size else None


@result_kind("confidence_sequence", arrays=True)
class ConfidenceSequence:
    """Limits of a difference after each case, shapes (n,): they hold at all cases at once with chance ``level``."""

    low: NDArray[np.float64]
    high: NDArray[np.float64]
    level: float
    contrast: str
    quantity: str
    unit: str
    undecided: int
    method: str
    n: Counts
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()
    source: str = ""
