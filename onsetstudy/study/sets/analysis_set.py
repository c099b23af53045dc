"""The analysed cases as arrays: one row per case, onset intervals for each estimand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from onsetstudy.core.arrays import BoolArray, FloatArray, IntArray, StrArray
from onsetstudy.core.errors import NotEstimable
from onsetstudy.core.intervals import Intervals
from onsetstudy.core.results import Counts
from onsetstudy.inference.strata import Strata, merge_small
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.model import Records
from onsetstudy.study.sets.work import Work
from onsetstudy.survival.hazards.proportional_hazards import SMALL_STRATUM

ESTIMANDS = ("hazard", "success", "wait")
NOT_RECORDED = "not recorded"
PRACTICE = "practice_id"
DONE = 1.0
"""The minute by which a treatment that succeeded is taken to have done so: any would do."""


def tested_within(protocol: Protocol) -> tuple[str, ...]:
    """Columns within which the rate is tested: the practice always, then the plan's strata."""
    return (PRACTICE, *(name for name in protocol.plan.strata if name != PRACTICE))


def by_one_minute(succeeded: BoolArray) -> Intervals:
    """Successes and failures in the form in which proportions by a minute are compared.

    A success lies before the one minute that there is, a failure after it, so that every case is decided and the same
    verb counts, combines and limits both proportions.
    """
    return Intervals(np.where(succeeded, 0.0, DONE), np.where(succeeded, DONE, np.inf))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class AnalysisSet:
    """Analysed cases of one study.

    ``frame`` has the columns of the cases, and for each estimand ``left_<estimand>`` and ``right_<estimand>`` in
    minutes, ``last_test_min`` (last test of the first injection alone) and ``quarter``. ``onset`` holds the same
    intervals, checked once; ``work`` what has been fitted and asked of any part of the study; ``unused`` how many
    cases of an arm were recorded, where none of them is analysed. A chosen part takes over all three.
    """

    frame: pd.DataFrame
    protocol: Protocol
    onset: Mapping[str, Intervals] = field(default_factory=dict)
    work: Work = field(default_factory=Work)
    unused: Mapping[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not self.onset:
            told = [name for name in ESTIMANDS if f"left_{name}" in self.frame]
            object.__setattr__(self, "onset", {name: self._interval(name) for name in told})

    def _interval(self, name: str) -> Intervals:
        return Intervals(self.frame[f"left_{name}"].to_numpy(), self.frame[f"right_{name}"].to_numpy())

    def __len__(self) -> int:
        return len(self.frame)

    @property
    def weight(self) -> IntArray | None:
        """How many like cases each row stands for; ``None``: each is a case of its own."""
        return None

    @property
    def arm(self) -> StrArray:
        """Arm of each case, shape (n,)."""
        return self.frame["arm"].to_numpy(dtype=str)

    @property
    def arms_present(self) -> tuple[str, ...]:
        """Arms with at least one case, reference first."""
        seen = set(self.arm)
        return tuple(code for code in self.protocol.arm_codes if code in seen)

    def times(self, estimand: str) -> Intervals:
        """Onset intervals of all cases, as the estimand treats supplements."""
        return self.onset[estimand]

    def counts(self, estimand: str = "hazard") -> Counts:
        """Cases and observed onsets by arm."""
        return Counts.of(np.isfinite(self.times(estimand).right), self.arm, self.protocol.arm_codes, cases=self.weight)

    @property
    def watched(self) -> FloatArray:
        """Until which minute each case was tested with the first injection alone, and had not been seen numb."""
        return np.minimum(self.numbers("last_test_min"), self.times("hazard").right)

    def columns(self, names: Iterable[str]) -> dict[str, StrArray]:
        """Those of the columns that there are: in counts of one practice nothing tells practices apart."""
        return {name: self.column(name) for name in names if name in self.frame}

    def column(self, name: str) -> StrArray:
        """A column as codes; what was not recorded is a level of its own."""
        values = self.frame[name].to_numpy(dtype=object)
        return np.where(pd.isna(values), NOT_RECORDED, values).astype(str)

    def numbers(self, name: str) -> FloatArray:
        """A column as numbers; what was not recorded is ``nan``."""
        return self.frame[name].to_numpy(dtype=np.float64, na_value=np.nan)

    def text(self, name: str) -> StrArray:
        """A column as text; what was not recorded is empty."""
        values = self.frame[name].astype(object)
        return values.where(values.notna(), "").astype(str).str.strip().to_numpy(dtype=str)

    @property
    def received(self) -> StrArray:
        """Arm that was injected in each case, where that is known; else the arm that it is counted in."""
        return self.frame["arm_received" if "arm_received" in self.frame else "arm"].to_numpy(dtype=str)

    @property
    def pain(self) -> FloatArray:
        """Scores at the protocol's moment; ``nan`` where none was recorded, or is not by the protocol."""
        plan = self.protocol.pain
        return np.full(len(self), np.nan) if plan is None else self.numbers(f"pain_{plan.moment}")

    def strata(self, names: Iterable[str]) -> Strata:
        """The finest strata of these columns that hold enough cases of both arms."""
        reference, other = self.protocol.arm_codes[:2]
        return merge_small([*self.columns(names).values()], self.arm, (reference, other), weight=self.weight)

    def stratum(self) -> StrArray | None:
        """Practices and the plan's strata as one code per case, small ones put together; ``None`` where one only."""
        strata = self.strata(tested_within(self.protocol))
        return None if strata.one else strata.code

    def block(self) -> StrArray | None:
        """Within whom arms are exchanged for a test: patients who have both; ``None`` where all are."""
        return self.column("patient_id") if self.protocol.study.paired else None

    def pairs(self) -> IntArray | None:
        """Rows of each patient's first case in either arm, reference first, shape (patients, 2); those with both.

        ``None`` where the design does not give each patient both.
        """
        if not self.protocol.study.paired:
            return None
        order = self.frame.assign(row=np.arange(len(self))).sort_values(
            ["patient_id", "case_date", "case_id"], kind="stable"
        )
        wide = order.pivot_table(index="patient_id", columns="arm", values="row", aggfunc="first")
        return wide.reindex(columns=list(self.protocol.arm_codes[:2])).dropna().to_numpy(dtype=np.int64)

    def pairs_by_quarter(self, quarters: Sequence[str]) -> tuple[int, ...] | None:
        """Patients who came to have both arms in each quarter, by their later case; ``None`` without such a design."""
        if (pairs := self.pairs()) is None:
            return None
        place = pd.Index(quarters).get_indexer(pd.Index(self.column("quarter")))
        later = np.where(place < 0, len(quarters), place)[pairs].max(axis=1, initial=-1)
        return tuple(int((later == k).sum()) for k in range(len(quarters)))

    def in_pairs(self) -> AnalysisSet:
        """The cases that a comparison within patients is of; all where the design has none."""
        pairs = self.pairs()
        return self if pairs is None else self.where(np.isin(np.arange(len(self)), pairs))

    def plan_stratum(self) -> StrArray | None:
        """The plan's strata alone, none put together, as arms were allocated; ``None`` where there is one only."""
        if not self.protocol.plan.strata:
            return None
        columns = [self.column(name) for name in self.protocol.plan.strata]
        combined = np.array([" | ".join(parts) for parts in zip(*columns, strict=True)], dtype=str)
        return combined if np.unique(combined).size > 1 else None

    def baselines(self) -> StrArray | None:
        """The plan's strata and the practice for a hazard ratio: those with few cases share a baseline."""
        names = (*(name for name in self.protocol.plan.strata if name != PRACTICE), PRACTICE)
        return shared_baselines([*self.columns(names).values()], weight=self.weight)

    def readings(self, records: Records, role: str) -> tuple[IntArray, pd.DataFrame]:
        """Tests of these cases' teeth in a role, and the row of each test's case."""
        readings = records.readings[records.readings["tooth_role"] == role]
        row = pd.Index(self.frame["case_id"]).get_indexer(readings["case_id"]).astype(np.int64)
        return row[row >= 0], readings[row >= 0]

    def treatment(self) -> StrArray:
        """Whether each treatment succeeded: pain at most mild and no supplement; ``yes``, ``no`` or not known, empty.

        One of these alone decides against it. Of a protocol that does not say which pain is mild nothing is known.
        """
        plan = self.protocol.pain
        if plan is None or plan.mild is None:
            return np.full(len(self), "", dtype=str)
        pain = self.numbers("pain_treatment")
        failed = self.frame["rescue_min"].notna().to_numpy(dtype=bool) | (pain > plan.mild)
        told: StrArray = np.where(failed, "no", np.where(np.isnan(pain), "", "yes"))
        return told

    def treated(self) -> AnalysisSet:
        """The cases of which it is known whether their treatment succeeded, with that in place of onset."""
        told = self.treatment()
        known = told != ""
        return replace(self.where(known), onset={"treatment": by_one_minute(told[known] == "yes")})

    def covariates(self) -> dict[str, NDArray[Any]]:
        """The plan's covariates that differ between cases; what was not recorded is a level of its own.

        Raises
        ------
        NotEstimable
            If a measure was not recorded in some cases: it has no level for that, and no value is made up.
        """
        found: dict[str, NDArray[Any]] = {}
        for name in self.protocol.plan.covariates:
            values = self.frame[name]
            if not pd.api.types.is_numeric_dtype(values):
                found[name] = self.column(name)
            elif values.isna().any():
                reason = f"{int(values.isna().sum())} cases have no {name}, which the plan adjusts for"
                raise NotEstimable("hazard_ratio", reason, code="covariate_missing")
            else:
                found[name] = values.to_numpy(dtype=np.float64)
        return {name: values for name, values in found.items() if np.unique(values).size > 1}

    def cluster(self) -> StrArray | None:
        """The plan's cluster of each case; ``None`` where nobody repeats, or all cases are of one."""
        name = self.protocol.plan.cluster
        if name is None:
            return None
        values = self.column(name)
        return values if 1 < np.unique(values).size < values.size else None

    def where(self, rows: NDArray[np.bool_] | pd.Series) -> Self:
        """The chosen cases."""
        return self.take(np.flatnonzero(np.asarray(rows, dtype=bool)))

    def take(self, rows: NDArray[np.intp]) -> Self:
        """The cases with these numbers (from 0), in that order."""
        chosen = self.frame.iloc[rows].reset_index(drop=True)
        onset = {name: times.take(rows) for name, times in self.onset.items()}
        return replace(self, frame=chosen, onset=onset)

    def places(self, *columns: str) -> NDArray[np.int64]:
        """Place of each case, from 0, among those alike in these columns, by date and case code."""
        order = self.frame.sort_values(["case_date", "case_id"], kind="stable")
        return np.asarray(order.groupby(list(columns)).cumcount().reindex(self.frame.index), dtype=np.int64)

    def by_day(self) -> Self:
        """The cases in the order of treatment: by date, those of one day by their code."""
        order = self.frame.reset_index(drop=True).sort_values(["case_date", "case_id"], kind="stable").index
        return self.take(order.to_numpy())


def shared_baselines(
    columns: Sequence[ArrayLike], *, weight: ArrayLike | None = None, least: int = SMALL_STRATUM
) -> StrArray | None:
    """Strata for a hazard ratio: combinations of columns, small ones put together.

    A baseline is estimated for every stratum, and many small ones pull the ratio away from 1. Combinations with fewer
    than ``least`` cases are put together with the other small ones that are alike in all columns but the last; those
    that are still small, with those alike in all but the last two; and so on, to one stratum of all that are left.

    Parameters
    ----------
    columns : sequence of array_like of str, shape (n,)
        What tells strata apart; what matters most first.
    weight : array_like of int, shape (n,), optional
        How many like cases a row stands for.
    least : int
        Fewest cases of a stratum by itself.

    Returns
    -------
    ndarray of str, shape (n,), or None
        A code per row; ``None`` where there is one stratum only.
    """
    if not columns:
        return None
    parts = np.column_stack([np.asarray(c).astype(str) for c in columns])
    cases = pd.Series(np.ones(len(parts)) if weight is None else np.asarray(weight, dtype=np.float64))
    code, small = pd.Series("", index=cases.index), pd.Series(True, index=cases.index)
    for kept in range(parts.shape[1], -1, -1):
        others = " | others" if kept < parts.shape[1] else ""
        code = code.mask(small, pd.Series([" | ".join(p[:kept]) + others for p in parts], dtype=object))
        small &= cases.groupby(code).transform("sum") < least
    return code.to_numpy(dtype=str) if code.nunique() > 1 else None
