"""Rows reduced to counts: everything that a group needs, and nothing that adds up differently in parts.

This is the only step that touches all rows. Counts of parts add up to the counts of the whole, whatever the parts, as
long as a case lies in one part with all its readings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields

import numpy as np
import pandas as pd

from onsetstudy.core.arrays import BoolArray, IntArray, StrArray
from onsetstudy.outcomes.chair_time import mixing_minutes
from onsetstudy.outcomes.harms import events_of_cases
from onsetstudy.protocol.model import Protocol, Quarter
from onsetstudy.protocol.vocabulary import MIXED_ARM, PAIN_MOMENTS
from onsetstudy.records.checks.no_records import refused
from onsetstudy.records.derived.allocation import arm_standing
from onsetstudy.records.derived.flow import exclusion_reasons
from onsetstudy.records.derived.results import ArmStanding
from onsetstudy.records.model import OpenTables, Records
from onsetstudy.study.sets.analysis_set import ESTIMANDS, AnalysisSet
from onsetstudy.study.sets.counted_set import TREATMENT
from onsetstudy.study.sets.prepare import prepare
from onsetstudy.study.topics.negative_controls import control_tests
from onsetstudy.study.topics.outcomes import chair_records, recorded_events
from onsetstudy.survival.summaries.npmle_proportion import decided

ENDS = tuple(f"{end}_{name}" for name in ESTIMANDS for end in ("left", "right"))
"""Columns of the onset intervals, for each question."""
CONTROLS = ("cases", "tests", "not_felt", "able", "began")
"""What is counted of control teeth."""
ARM_COUNTS = ("cases", "kept", "other_arm", "verified")
EXACTLY, AT_LEAST = "exactly", "at_least"
"""How a value is known."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Tally:
    """Counts of analysed cases; the last column ``n`` of every frame is how many.

    Parameters
    ----------
    cells : DataFrame
        ``practice_id``, the columns of :func:`group_columns`, ``arm``, :data:`ENDS` in minutes.
    values : DataFrame
        ``practice_id, quantity, arm, known, value``: pain at every moment, and minutes from clock zero to treatment
        with the mixing added (``spent``), as recorded. ``known`` is ``exactly``, or ``at_least`` for a wait that was
        not seen to its end. ``treatment_success`` is 1 or 0, where it can be told.
    safety : DataFrame
        ``practice_id, arm, what``: ``cases``; ``recorded``, those that tell whether anything happened; of these
        ``event`` and ``serious``; ``rated``, those of which it is known whether anything was serious; ``supplement``.
        By the arm that all else is counted by: harms by the arm received would, taken from the cells, show in which
        arm the few were who received another.
    operators : DataFrame
        ``practice_id, clinician_id, technique, arm, outcome``: ``numb`` or ``not_numb`` by the target, or
        ``undecided``.
    flow : DataFrame
        ``practice_id, stage, code``: recorded, refused, left out and analysed cases.
    arms : DataFrame
        ``practice_id, source, reason, what``: randomised cases (``cases``), and of these those whose allocated arm is
        ``verified``, who received ``other_arm`` and who were ``kept``, as in :class:`ArmStanding`. In total only: a
        count by received arm would, taken from the cells, show the few who deviated.
    controls : DataFrame
        ``practice_id, arm, what``, of control teeth: ``cases`` that had one tested; all ``tests``, of which
        ``not_felt``; tests that were ``able`` to be an onset, and at how many the tooth ``began`` not to feel.
    """

    cells: pd.DataFrame
    values: pd.DataFrame
    safety: pd.DataFrame
    operators: pd.DataFrame
    flow: pd.DataFrame
    arms: pd.DataFrame
    controls: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["practice_id", "arm", "what", "n"]))

    def of(self, practice: str) -> Tally:
        """The counts of one practice."""
        return Tally(
            **{
                f.name: (frame := getattr(self, f.name))[frame["practice_id"] == practice].reset_index(drop=True)
                for f in fields(self)
            }
        )

    @property
    def standing(self) -> ArmStanding | None:
        """How the arms of these cases are known; ``None`` where arms were not randomised, or nobody asked."""
        if self.arms.empty:
            return None
        n = self.arms.groupby("what")["n"].sum()
        return ArmStanding(
            source=str(self.arms["source"].iloc[0]),
            reason=str(self.arms["reason"].iloc[0]),
            **{what: int(n.get(what, 0)) for what in ARM_COUNTS},
        )

    @property
    def practices(self) -> tuple[str, ...]:
        """Codes of the practices with an analysed case, in order."""
        return tuple(sorted(self.cells["practice_id"].unique()))


def group_columns(protocol: Protocol) -> tuple[str, ...]:
    """Columns by which cases are told apart besides their practice and arm: quarter, technique, further strata."""
    strata = [name for name in protocol.plan.strata if name not in ("practice_id", "technique")]
    return ("quarter", "technique", *strata)


def tally_records(protocol: Protocol, records: Records, *, through: Quarter, arms: ArmStanding | None = None) -> Tally:
    """Counts of checked records up to the end of a quarter.

    Parameters
    ----------
    protocol : Protocol
    records : Records
        Of one or more practices; whole cases; with arms as
        :func:`~onsetstudy.records.derived.allocation.resolve_arms` gives
        them.
    through : Quarter
    arms : ArmStanding or None
        From the same function: what tells the allocated arm.

    Returns
    -------
    Tally
    """
    data, _ = prepare(protocol, records, through=through)
    alike = {name: data.column(name) for name in ("practice_id", *group_columns(protocol), "arm")}
    return Tally(
        cells=_counted(pd.DataFrame({**alike, **{end: data.numbers(end) for end in ENDS}})),
        values=_values(data),
        safety=_safety(data, records.open_tables),
        operators=_operators(data),
        flow=_flow(protocol, records, through),
        arms=_arms(data, arms),
        controls=_controls(data, records),
    )


def add_tallies(parts: Sequence[Tally]) -> Tally:
    """Sum of the counts of parts; order and number of parts change nothing."""

    def added(name: str) -> pd.DataFrame:
        filled = [f for part in parts if len(f := getattr(part, name))] or [getattr(parts[0], name)]
        frame = pd.concat(filled, ignore_index=True)
        keys = [c for c in frame.columns if c != "n"]
        return pd.DataFrame(frame.groupby(keys, sort=True, dropna=False, as_index=False)["n"].sum())

    return Tally(**{f.name: added(f.name) for f in fields(Tally)})


def _arms(data: AnalysisSet, known: ArmStanding | None) -> pd.DataFrame:
    rows = []
    for practice, frame in data.frame.groupby("practice_id", sort=True):
        own = arm_standing(frame, known)
        if own is not None:
            rows += [(str(practice), own.source, own.reason, what, getattr(own, what)) for what in ARM_COUNTS]
    frame = pd.DataFrame(rows, columns=["practice_id", "source", "reason", "what", "n"])
    return frame.astype({"n": np.int64})


def _counted(frame: pd.DataFrame) -> pd.DataFrame:
    counted = pd.DataFrame(frame.groupby(list(frame.columns), sort=True, dropna=False, as_index=False).size())
    return counted.rename(columns={"size": "n"})


def _values(data: AnalysisSet) -> pd.DataFrame:
    practice, arm = data.column("practice_id"), data.arm
    chair = chair_records(data, of_a_part=True)
    rule = data.protocol.chair_time
    mixing, _ = mixing_minutes(chair, None if rule is None else rule.mixing_min, arm == MIXED_ARM)
    # Rounded only so that the noise of adding does not tell equal minutes apart: means stay those of the rows.
    measured = {"spent": np.round(chair.wait_min + mixing, 12)}
    if data.protocol.pain is not None:
        measured |= {name: data.numbers(name) for name in (f"pain_{m}" for m in PAIN_MOMENTS)}
    if data.protocol.tells_treatment:
        told = data.treatment()
        measured[TREATMENT] = np.where(told == "", np.nan, told == "yes").astype(np.float64)
    known = np.where(chair.at_least, AT_LEAST, EXACTLY)
    cases = pd.DataFrame({"practice_id": practice, "arm": arm, "known": known, **measured})
    values = cases.melt(["practice_id", "arm", "known"], var_name="quantity").dropna(subset="value")
    values["known"] = values["known"].where(values["quantity"] == "spent", EXACTLY)
    return _counted(values[["practice_id", "quantity", "arm", "known", "value"]])


def _safety(data: AnalysisSet, open_tables: OpenTables) -> pd.DataFrame:
    """Who recorded nothing about events is not a case without one."""
    events = events_of_cases(
        data.text("adverse_event"), data.text("adverse_serious"), recorded_events(data, open_tables)
    )
    happened = {
        "cases": np.ones(len(data), dtype=bool),
        "recorded": events.told,
        "rated": events.rated,
        "event": events.happened,
        "serious": events.serious,
        "supplement": data.frame["rescue_min"].notna().to_numpy(),
    }
    return _by_arm(data.column("practice_id"), data.arm, happened)


def _controls(data: AnalysisSet, records: Records) -> pd.DataFrame:
    """Tests of control teeth, as the practice's own report counts them."""
    protocol = data.protocol
    rows: dict[str, IntArray] = dict.fromkeys(CONTROLS, np.zeros(0, dtype=np.int64))
    if protocol.schedule.control_tooth != "none":
        tests, readings = data.readings(records, "control")
        able, began = control_tests(data, records, protocol.onset.confirmations)
        not_felt = tests[(readings["response"] == "not_felt").to_numpy(dtype=bool)]
        told = (np.unique(tests), tests, not_felt, able, able[began])
        rows = dict(zip(CONTROLS, told, strict=True))
    return _by_arm(data.column("practice_id"), data.arm, rows)


def _by_arm(practice: StrArray, arm: StrArray, rows: dict[str, IntArray] | dict[str, BoolArray]) -> pd.DataFrame:
    """Counts by practice and arm of several kinds of rows."""
    parts = [pd.DataFrame({"practice_id": practice[r], "arm": arm[r]}).assign(what=w) for w, r in rows.items()]
    return _counted(pd.concat(parts, ignore_index=True))


def _operators(data: AnalysisSet) -> pd.DataFrame:
    numb, not_numb = decided(data.times("success"), data.protocol.onset.target_min)
    outcome = np.where(numb, "numb", np.where(not_numb, "not_numb", "undecided"))
    columns = {name: data.column(name) for name in ("practice_id", "clinician_id", "technique")}
    return _counted(pd.DataFrame({**columns, "arm": data.arm, "outcome": outcome}))


def _flow(protocol: Protocol, records: Records, through: Quarter) -> pd.DataFrame:
    """Every case read is in ``recorded`` once, and in ``refused``, ``left_out`` or ``analysed`` once."""
    reason = exclusion_reasons(records, protocol, through=through)
    practice = records.cases["practice_id"].astype(str)
    rejects = refused(records, "cases").astype(object)
    # Where cold tests alone were refused there is no such column: they do not name the practice.
    whose = rejects.reindex(columns=["practice_id"])["practice_id"]
    # A code that is not known to be one might be anything that was typed there.
    of_practice = whose.where(whose.isin(set(practice)), "not recorded")
    stage = np.where(reason == "", "analysed", "left_out")
    accepted = practice.to_frame().assign(stage=stage, code=reason.astype(str).to_numpy())
    lost = of_practice.to_frame().assign(stage="refused", code=rejects["code"].astype(str))
    everyone = pd.concat([accepted["practice_id"], lost["practice_id"]], ignore_index=True)
    recorded = pd.DataFrame({"practice_id": everyone, "stage": "recorded", "code": ""})
    return _counted(pd.concat([accepted, lost, recorded], ignore_index=True).astype(object))
