"""Invented cases from a stated model, as the two tables of text that a practice would hand in."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from onsetstudy.core.arrays import BoolArray, FloatArray, IntArray, StrArray
from onsetstudy.core.seeds import stream
from onsetstudy.design.allocation.lists import draw_allocation_list
from onsetstudy.design.allocation.results import AllocationList
from onsetstudy.design.trials.trial_model import StudyModel
from onsetstudy.protocol.model import Protocol

LETTERS = "ABCDEFGH"
PATIENT_LETTERS = np.array(list("BCDFGHJKLMNPQRSTVWXZ23456789"))
MANDIBULAR = ("33", "34", "35", "36", "37", "43", "44", "45", "46", "47")
MAXILLARY = ("12", "13", "14", "15", "16", "17", "22", "23", "24", "25", "26", "27")
PROCEDURES = {"filling": 0.6, "root_canal": 0.2, "extraction": 0.2}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Simulated:
    """An invented study: its two tables as text, and the true onset of each case (``inf``: never numb), minutes.

    ``allocation`` is the list from which arms were drawn, where the protocol randomises by a list.
    """

    cases: pd.DataFrame
    cold_tests: pd.DataFrame
    onset_min: FloatArray
    allocation: AllocationList | None = None


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Cases:
    model: StudyModel
    protocol: Protocol
    seed: int
    practice: IntArray
    operator: IntArray
    technique: IntArray
    quarter: IntArray
    buffered: BoolArray
    slip: NDArray[np.object_] | None = None

    def __len__(self) -> int:
        return int(self.practice.size)

    def stream(self, name: str) -> np.random.Generator:
        """Chance of one part of the tables: a part that is drawn otherwise leaves the others as they are."""
        return stream(self.seed, f"demo: {name}")

    def of_technique(self, name: str) -> NDArray[Any]:
        """A field of each case's technique."""
        return np.array([getattr(technique, name) for technique in self.model.techniques])[self.technique]


def simulate_study(model: StudyModel, protocol: Protocol, *, seed: int, n_cases: int | None = None) -> Simulated:
    """Invented study under a protocol.

    Parameters
    ----------
    model : StudyModel
        How onset, pain and everything else come about.
    protocol : Protocol
        Gives schedule, onset rule, instruments and quarters.
    seed : int
        The same seed gives the same tables.
    n_cases : int or None
        Number of cases; by default the model's cases per quarter.
    """
    quarters = min(len(protocol.quarters), len(model.cases_per_quarter))
    counts = np.array(model.cases_per_quarter[:quarters])
    if n_cases is not None:
        share = np.floor(np.cumsum(counts) / counts.sum() * n_cases + 0.5).astype(int)
        counts = np.diff(np.concatenate(([0], share)))
    cases, drawn = _allocate(model, protocol, counts, seed)
    onset = _onset(cases)
    readings, told = _readings(cases, onset)
    table = _case_table(cases, told)
    readings.insert(0, "case_id", table["case_id"].to_numpy()[readings.pop("case").to_numpy()])
    return Simulated(cases=table, cold_tests=readings, onset_min=onset, allocation=drawn)


def _allocate(
    model: StudyModel, protocol: Protocol, counts: IntArray, seed: int
) -> tuple[_Cases, AllocationList | None]:
    """Who is treated where, by whom, with what; arms from the protocol's list, or in blocks within practice."""
    rng = stream(seed, "demo: cases")
    n = int(counts.sum())
    weight = np.sqrt(np.array(model.operators, dtype=float))
    practice = rng.choice(len(model.practices), n, p=weight / weight.sum())
    operator = np.floor(rng.random(n) * np.array(model.operators)[practice]).astype(np.int64)
    shares = np.array([t.share for t in model.techniques])
    technique = rng.choice(len(model.techniques), n, p=shares / shares.sum())
    quarter = np.repeat(np.arange(counts.size), counts)
    buffered = np.zeros(n, dtype=bool)
    for number in range(len(model.practices)):
        rows = np.flatnonzero(practice == number)
        if model.randomised:
            sizes = rng.choice([2, 4], size=rows.size // 2 + 1)
            blocks = [rng.permutation(np.arange(size) % 2 == 0) for size in sizes]
            buffered[rows] = np.concatenate(blocks)[: rows.size]
        else:
            # Operators reach for the buffer more often as the audit goes on.
            chance = 0.35 + 0.3 * quarter[rows] / max(1, counts.size - 1)
            buffered[rows] = rng.random(rows.size) < chance
    plan = partial(_Cases, model=model, protocol=protocol, seed=seed)
    cases = plan(practice=practice, operator=operator, technique=technique, quarter=quarter, buffered=buffered)
    rule = protocol.allocation
    if not model.randomised or rule is None or rule.method != "permuted_blocks" or "technique" not in rule.strata:
        return cases, None
    return _from_list(cases)


def _from_list(cases: _Cases) -> tuple[_Cases, AllocationList]:
    """Arms slip by slip in the order of treatment; now and then the wrong cartridge is taken."""
    stratum = pd.Series(np.array(cases.model.practices)[cases.practice]) + " | " + cases.of_technique("technique")
    number = stratum.groupby(stratum).cumcount() + 1
    drawn = draw_allocation_list(cases.protocol, slips_per_stratum=int(number.max()), seed=cases.seed)
    listed = drawn.to_frame().set_index(["stratum", "number"])
    own = listed.loc[pd.MultiIndex.from_arrays([stratum, number])]
    wrong = cases.stream("wrong cartridge").random(len(cases)) < cases.model.deviation_share
    buffered = (own["arm"].to_numpy() == "buffered") ^ wrong
    slip = own["slip"].to_numpy(dtype=object)
    return dataclasses.replace(cases, buffered=buffered, slip=slip), drawn


def _onset(cases: _Cases) -> FloatArray:
    model, of, rng = cases.model, cases.of_technique, cases.stream("onset")
    practice = rng.normal(0, model.practice_spread, len(model.practices))
    operator = rng.normal(0, model.operator_spread, (len(model.practices), max(model.operators)))
    shift = np.exp(practice[cases.practice] + operator[cases.practice, cases.operator])
    scale = of("scale_min") * shift
    ratio = np.where(cases.buffered, of("hazard_ratio"), 1.0)
    never = np.where(cases.buffered, of("never_buffered"), of("never_plain"))
    onset = scale * (rng.exponential(size=len(cases)) / ratio) ** (1 / of("shape"))
    return np.asarray(np.where(rng.random(len(cases)) < never, np.inf, onset), dtype=np.float64)


def _readings(cases: _Cases, onset: FloatArray) -> tuple[pd.DataFrame, dict[str, FloatArray]]:
    """Cold tests on the schedule with a little delay, up to the confirmation or the supplement."""
    model, protocol, rng = cases.model, cases.protocol, cases.stream("cold tests")
    n, planned = len(cases), np.asarray(protocol.schedule.tests_min)
    late = rng.random((n, planned.size)) < 0.15
    actual = planned + np.where(late, np.round(rng.integers(1, 13, (n, planned.size)) / 60, 4), 0.0)
    actual = np.round(actual, 3)
    missed = rng.random((n, planned.size)) < model.missed_share
    returns = np.where(rng.random(n) < model.return_share, onset + rng.uniform(2, 6, n), np.inf)
    felt = (actual < onset[:, None]) | (actual >= returns[:, None])
    control_felt = rng.random((n, planned.size)) >= model.control_failure_share
    valid = ~missed & (control_felt if protocol.schedule.control_tooth != "none" else True)
    confirmed = _confirmed_at(felt, valid, protocol.onset.confirmations)
    last = planned.size - 1
    rescued = (confirmed < 0) & (rng.random(n) < model.rescue_share) & (onset > planned[last])
    stop = np.where(confirmed >= 0, np.minimum(confirmed + rng.integers(0, 3, n), last), last)
    done = ~missed & (np.arange(planned.size) <= stop[:, None])
    row, test = np.nonzero(done)
    answer = np.where(felt[row, test], "felt", "not_felt")
    target = pd.DataFrame({"case": row, "minute": actual[row, test], "tooth_role": "target", "response": answer})
    tables = [target]
    if protocol.schedule.control_tooth != "none":
        control = np.where(control_felt[row, test], "felt", "not_felt")
        tables.append(target.assign(tooth_role="control", response=control))
    both = pd.concat(tables).sort_values(["case", "minute", "tooth_role"], kind="stable", ascending=[True, True, False])
    both["minute"] = both["minute"].map("{:g}".format)
    seen_numb = np.where(confirmed >= 0, actual[np.arange(n), np.maximum(confirmed, 0)], np.nan)
    told = {
        "rescue_min": np.where(rescued, np.round(actual[:, last] + rng.uniform(0.5, 2, n), 1), np.nan),
        "treatment_start_min": np.round(seen_numb + rng.uniform(0.5, 2.0, n), 1),
    }
    return both.reset_index(drop=True), told


def _confirmed_at(felt: BoolArray, valid: BoolArray, confirmations: int) -> IntArray:
    """Test at which onset was confirmed by valid readings in a row, -1 if never."""
    run = np.zeros(felt.shape[0], dtype=np.int64)
    found = np.full(felt.shape[0], -1, dtype=np.int64)
    for test in range(felt.shape[1]):
        run = np.where(valid[:, test], np.where(felt[:, test], 0, run + 1), run)
        found = np.where((found < 0) & (run >= confirmations), test, found)
    return found


def _text(values: FloatArray, form: str) -> list[str | None]:
    return [None if np.isnan(v) else form.format(v + 0.0) for v in values]  # + 0.0: no negative zero


def _clock(minutes: NDArray[np.number[Any]]) -> list[str | None]:
    return [None if np.isnan(m) else f"{int(m) // 60:02d}:{int(m) % 60:02d}" for m in minutes]


def _case_table(cases: _Cases, told: dict[str, FloatArray]) -> pd.DataFrame:
    model, protocol = cases.model, cases.protocol
    rng, chair, seen = cases.stream("case table"), _chair(cases), _seen(cases, told)
    n = len(cases)
    practice = np.array(model.practices)[cases.practice]
    operator = np.array(list(LETTERS))[cases.operator]
    day = _days(cases, rng)
    number = pd.Series(practice).groupby(practice).cumcount() + 1
    patient = np.array(["".join(w) for w in rng.choice(PATIENT_LETTERS, (n, 6))])
    start = rng.integers(8 * 60, 17 * 60, n).astype(float)
    end = start + rng.integers(1, 4, n)
    technique, rescued = cases.of_technique("technique"), ~np.isnan(told["rescue_min"])
    treated = end + np.nan_to_num(told["treatment_start_min"], nan=20.0) + rng.integers(15, 60, n)
    table: dict[str, object] = {
        "case_id": [f"{p}-{k:04d}" for p, k in zip(practice, number, strict=True)],
        "practice_id": practice,
        "clinician_id": [f"{p}-{o}" for p, o in zip(practice, operator, strict=True)],
        "patient_id": [f"{p}-{c}" for p, c in zip(practice, patient, strict=True)],
        "case_date": day,
        "arm": np.where(cases.buffered, "buffered", "plain"),
        "allocation": protocol.study.allocation,
        "allocation_slip": cases.slip,
        "procedure": _procedures(protocol, n, rng),
        "tooth": (tooth := _teeth(technique, rng)),
        "control_tooth": None if protocol.schedule.control_tooth == "none" else _controls(tooth),
        "technique": technique,
        "pulp_status": rng.choice(
            ["normal", "reversible_pulpitis", "symptomatic_irreversible_pulpitis"], n, p=[0.6, 0.3, 0.1]
        ),
        **_solution(cases, rng),
        "mixing_min": chair["mixing_min"],
        "topical": rng.choice(["benzocaine", "none"], n, p=[0.7, 0.3]),
        "baseline_response": np.where(rng.random(n) < 0.012, "not_felt", "felt"),
        "injection_start": _clock(start),
        "injection_end": _clock(end),
        "rescue_min": _text(told["rescue_min"], "{:.1f}"),
        "rescue_technique": ["intraligamentary" if r else None for r in rescued],
        "rescue_volume_ml": None if protocol.doses is None else ["0.90" if r else None for r in rescued],
        "lip_numb": seen["lip_numb"],
        "wait_used": chair["wait_used"],
        "treatment_start_min": _text(told["treatment_start_min"], "{:.1f}"),
        **_comfort(cases, rng),
        "guess_patient": chair["guess_patient"],
        "guess_assessor": seen["guess_assessor"],
        "seated_time": _clock(start - rng.integers(4, 12, n)),
        "treatment_end_time": _clock(treated),
        "dismissed_time": _clock(treated + rng.integers(2, 8, n)),
        "age_band": rng.choice(["18-39", "40-59", "60-79", "80+"], n, p=[0.34, 0.36, 0.25, 0.05]),
        "weight_kg": _text(np.where(rng.random(n) < 0.3, np.nan, np.clip(rng.normal(75, 14, n), 45, 140)), "{:.0f}"),
        "adverse_event": rng.choice(["none", "haematoma", "palpitations"], n, p=[0.985, 0.008, 0.007]),
    }
    # What a study does not record has no column.
    return pd.DataFrame({name: column for name, column in table.items() if column is not None})


def _chair(cases: _Cases) -> dict[str, Any]:
    """Mixing, use of the wait and guesses: a stream of its own, so that the other columns stay as they are."""
    rng = cases.stream("chair")
    n = len(cases)
    mixing = np.where(cases.buffered, np.round(rng.gamma(6.0, 0.15, n), 1), np.nan)
    draw = rng.random(n)
    return {
        "mixing_min": _text(np.where(rng.random(n) < 0.05, np.nan, mixing), "{:.1f}"),
        "wait_used": np.where(rng.random(n) < 0.35, "yes", "no"),
        "guess_patient": _guessed(cases, draw, 0.4, 0.62),
    }


def _guessed(cases: _Cases, draw: FloatArray, right: float, said: float) -> StrArray:
    """Guesses at the arm: ``right`` of them are, up to ``said`` another arm is said, and the others are unsure."""
    arms = [np.where(cases.buffered ^ turned, "buffered", "plain") for turned in (False, True)]
    return np.select([draw < right, draw < said], arms, "unsure")


def _seen(cases: _Cases, told: dict[str, FloatArray]) -> dict[str, Any]:
    """What the person who tests and the lip tell: a stream of its own, so that the other columns stay as they are."""
    rng = cases.stream("seen")
    n, numb = len(cases), ~np.isnan(told["treatment_start_min"])
    guess = _guessed(cases, rng.random(n), 0.3, 0.55)
    lip = np.where(rng.random(n) < np.where(numb, 0.98, 0.6), "yes", "no")
    # The lip tells of a block alone.
    asked = np.isin(cases.of_technique("technique"), ("ianb", "mental_incisive"))
    return {
        "lip_numb": [said if a else None for said, a in zip(lip, asked, strict=True)] if asked.any() else None,
        "guess_assessor": guess if cases.protocol.study.randomised else None,
    }


def _controls(tooth: StrArray) -> NDArray[np.object_]:
    """The canine of the other side of the same jaw: outside every field that the demo injects into."""
    across = {"1": "23", "2": "13", "3": "43", "4": "33"}
    return np.array([across[code[0]] for code in tooth], dtype=object)


def _procedures(protocol: Protocol, n: int, rng: np.random.Generator) -> StrArray:
    listed = protocol.eligibility.procedures
    admitted = {p: share for p, share in PROCEDURES.items() if not listed or p in listed}
    weight = np.array(list(admitted.values()))
    return rng.choice(list(admitted), n, p=weight / weight.sum())


def _days(cases: _Cases, rng: np.random.Generator) -> list[str]:
    """Working days, in order within each practice and quarter."""
    days = np.empty(len(cases), dtype="datetime64[D]")
    for number, quarter in enumerate(cases.protocol.quarters):
        rows = np.flatnonzero(cases.quarter == number)
        span = np.busday_count(quarter.first_day, quarter.last_day)
        offsets = np.sort(rng.integers(0, span, rows.size))
        days[rows] = np.busday_offset(np.datetime64(quarter.first_day), offsets, roll="forward")
    return [str(day) for day in days]


def _teeth(technique: StrArray, rng: np.random.Generator) -> StrArray:
    lower = rng.choice(MANDIBULAR, technique.size)
    upper = rng.choice(MAXILLARY, technique.size)
    front = rng.choice(["33", "34", "43", "44"], technique.size)
    maxillary = (technique == "buccal_infiltration") & (rng.random(technique.size) < 0.75)
    return np.where(maxillary, upper, np.where(technique == "mental_incisive", front, lower))


def _solution(cases: _Cases, rng: np.random.Generator) -> dict[str, object]:
    n, model = len(cases), cases.model
    added = 0.18 if model.mix_mode == "add" else 0.0
    volume = np.where(rng.random(n) < 0.85, 1.8, 1.5) + np.where(cases.buffered, added, 0.0)
    minutes = np.where(cases.buffered, np.round(rng.gamma(2.0, 0.5, n), 1), np.nan)
    return {
        "agent": "lidocaine",
        "agent_percent": "2",
        "vasoconstrictor": "epinephrine",
        "vasoconstrictor_dilution": "100000",
        "cartridge_ml": "1.8",
        "volume_ml": [f"{v:.2f}" for v in volume],
        "mix_mode": np.where(cases.buffered, model.mix_mode, "none"),
        "bicarbonate_ml": ["0.18" if b else None for b in cases.buffered],
        "bicarbonate_percent": ["8.4" if b else None for b in cases.buffered],
        "mixed_to_injection_min": _text(minutes, "{:.1f}"),
    }


def _comfort(cases: _Cases, rng: np.random.Generator) -> dict[str, object]:
    n, model, protocol = len(cases), cases.model, cases.protocol
    columns: dict[str, object] = {}
    if protocol.pain is not None:
        scale = protocol.pain.instrument
        centre = np.where(cases.buffered, model.pain_buffered, model.pain_plain)
        for moment, part in (("insertion", 0.8), ("deposition", 1.0), ("treatment", 0.35)):
            mean = centre if moment == "deposition" else model.pain_plain * part
            score = np.clip(np.round(rng.normal(mean, model.pain_spread, n)), scale.low, scale.high)
            columns[f"pain_{moment}"] = _text(np.where(rng.random(n) < model.pain_missing, np.nan, score), "{:.0f}")
    if protocol.anxiety is not None:
        scale = protocol.anxiety
        before = np.clip(np.round(rng.normal(11, 4, n)), scale.low, scale.high)
        after = np.clip(np.round(before + rng.normal(-1.5, 1.5, n)), scale.low, scale.high)
        columns["anxiety_before"] = _text(before, "{:.0f}")
        columns["anxiety_after"] = _text(after, "{:.0f}")
    return columns
