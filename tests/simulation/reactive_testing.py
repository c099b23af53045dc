"""Error rate of the primary comparison where patients are tested again because something tingles.

Run ``python -m tests.simulation.reactive_testing``; it writes ``reactive_testing.csv`` beside the script. No true
difference between the arms: onset is Weibull, ``block`` (shape 1.6, mean 6.6 min, one case in ten never numb: planning
values of a block) or ``alike`` (shape 3, mean 3 min, all become numb: cases so alike that a small bias shows). Tests
come at the demo protocol's minutes, 0.1 min (SD) off, one in twenty is missed, and testing ends with two in a row that
were not felt.

Patterns, the last two of which were not used while the rule was made: ``tingles``, one test just after onset in eight
cases of ten; ``twice``, two of them; ``often``, four tests at random minutes; ``halfway``, from one minute before onset
on a test between every two planned ones; ``early``, the planned test that follows onset is brought forward by up to
the window.

Rules of reading: ``all``, every test dates onset; ``window``, the package's rule with a window, extra tests nowhere
recorded as such; ``recorded``, the same where they are; ``on_plan``, as ``window``, and both ends of an interval are
put onto their planned minutes, so that arms differ in no minute that nobody planned; ``dropped``, extra tests are taken
out whatever ended the testing; ``ideal``, nobody was tested off plan. Of one size and law all lines have the same
patients, the 400 first ones of the 1,000 where nobody was tested off plan.
"""

from __future__ import annotations

import functools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from onsetstudy import Intervals, NotEstimable, compare_arms, estimate_rmst
from onsetstudy.core.seeds import stream
from onsetstudy.protocol.check import check_protocol
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.onset import Onsets
from onsetstudy.records.model import Records

SEED = 20261126
STUDIES = 400
HONEST = 1000
WINDOW = 0.35
TAU = 15.0
LAWS = {"block": (1.6, 7.384, 0.1), "alike": (3.0, 3.36, 0.0)}
"""Shape, scale and proportion never numb."""
FILE = Path(__file__).parents[2] / "protocols" / "mandibular_block_group.toml"
SETTINGS = (
    *((pattern, arms, 40) for pattern in ("tingles", "twice", "often", "halfway", "early") for arms in (1, 2)),
    ("tingles", 1, 100),
)
"""Pattern, number of arms that it happens in, cases of an arm."""


@functools.cache
def protocol() -> Protocol:
    """The demo protocol without a control tooth, which is not what is asked here."""
    import tomllib

    content = tomllib.loads(FILE.read_text(encoding="utf-8"))
    content["testing"]["control_tooth"] = "none"
    return check_protocol(content)


def drawn(rng: np.random.Generator, pattern: str, arms: int, n: int, law: str) -> tuple[np.ndarray, ...]:
    """Arm and onset of each case; minutes of planned and of extra tests, ``nan`` where there was none."""
    planned = np.asarray(protocol().schedule.tests_min)
    arm = np.arange(2 * n) % 2
    shape, scale, never = LAWS[law]
    onset = scale * rng.weibull(shape, 2 * n)
    onset[rng.random(2 * n) < never] = np.inf
    minutes = planned + rng.normal(0, 0.1, (2 * n, planned.size)).clip(-0.3, 0.3)
    minutes[rng.random(minutes.shape) < 0.05] = np.nan
    shift = rng.uniform(0.02, 0.3, (2 * n, 1))
    told = (arm < arms)[:, None] & np.isfinite(onset)[:, None] & (rng.random((2 * n, 1)) < 0.8)
    when = onset[:, None]
    middle = np.concatenate([[planned[0] / 2], (planned[1:] + planned[:-1]) / 2])[None, :].repeat(2 * n, axis=0)
    extra = {
        "none": np.full((2 * n, 1), np.nan),
        "tingles": np.where(told, when + shift, np.nan),
        "twice": np.where(told, when + np.concatenate([shift, shift + 0.1], axis=1), np.nan),
        "often": np.where((arm < arms)[:, None], rng.uniform(0.1, TAU, (2 * n, 4)), np.nan),
        "halfway": np.where(told & (middle > when - 1), middle, np.nan),
        "early": np.full((2 * n, 1), np.nan),
    }[pattern]
    if pattern == "early":
        late = told & (minutes > when) & (minutes - WINDOW < when + 1)
        minutes = np.where(late, np.maximum(minutes - WINDOW, when + 0.01).clip(max=minutes), minutes)
    extra = np.where(extra < TAU, extra, np.nan)
    return arm, onset, minutes, extra


def records_of(arm: np.ndarray, onset: np.ndarray, minutes: np.ndarray, extra: np.ndarray) -> tuple[Records, Records]:
    """Records as written down, and without the tests that were extra."""
    at = np.concatenate([minutes, extra], axis=1)
    order = np.argsort(at, axis=1)
    at = np.take_along_axis(at, order, axis=1)
    is_extra = order >= minutes.shape[1]
    felt = at < onset[:, None]
    run, ended = np.zeros(len(arm)), np.zeros(len(arm), dtype=bool)
    done = ~np.isnan(at)
    for j in range(at.shape[1]):
        done[:, j] &= ~ended
        run = np.where(done[:, j], np.where(felt[:, j], 0, run + 1), run)
        ended |= run == 2
    case, place = np.nonzero(done)
    code = np.array([f"C{i:04d}" for i in range(len(arm))])
    readings = pd.DataFrame({
        "case_id": code[case], "minute": at[case, place].round(4), "tooth_role": "target",
        "response": np.where(felt[case, place], "felt", "not_felt"),
        "test_kind": np.where(is_extra[case, place], "extra", "planned"),
    })  # fmt: skip
    cases = pd.DataFrame({"case_id": code, "practice_id": "P01", "arm": np.where(arm == 1, "plain", "buffered"),
                          "rescue_min": np.nan})  # fmt: skip

    def made(rows: pd.DataFrame) -> Records:
        return Records(cases=cases, readings=rows, rejects=cases[:0], problems=(), queries=(), repairs=(),
                       rows_read=len(cases), readings_read=len(rows), digest="")  # fmt: skip

    return made(readings), made(readings[~is_extra[case, place]].reset_index(drop=True))


def planned_minute(at: np.ndarray) -> np.ndarray:
    """The planned minute nearest to each, 0 and infinity as they are."""
    planned = np.concatenate([[0.0], protocol().schedule.tests_min])
    place = np.abs(np.where(np.isfinite(at), at, 0.0)[:, None] - planned).argmin(axis=1)
    return np.where(np.isfinite(at), planned[place], at)


def answers(records: Records, window: float | None, *, on_plan: bool = False) -> tuple[float, float, bool, bool]:
    """Difference of waits, its standard error, and whether its interval and the log-rank test find one."""
    onset = Onsets(records=records, protocol=protocol()).table(window_min=window)
    ends = [onset[name].to_numpy(dtype=float) for name in ("left_min", "right_min")]
    times = Intervals(*(planned_minute(end) for end in ends) if on_plan else ends)
    arm = onset["arm"].to_numpy(dtype=str)
    wait = estimate_rmst(times, arm, reference_arm="plain", tau_min=TAU).difference
    test = compare_arms(times, arm, reference_arm="plain")
    outside = not wait.interval.low <= 0 <= wait.interval.high
    return wait.estimate, wait.std_error or np.nan, outside, test.p_value < 0.05


def tested(law: str, pattern: str, arms: int, n: int, k: int) -> tuple[Records, Records]:
    """Study ``k``: the same patients under every pattern."""
    return records_of(*drawn(stream(SEED, f"reactive {n}", k), pattern, arms, n, law))


def row(law: str, pattern: str, arms: int, n: int, rule: str, studies: int) -> dict[str, object]:
    """What one rule of reading makes of so many studies."""
    rows: list[tuple[float, float, bool, bool]] = []
    for k in range(studies):
        written, known = tested(law, pattern, arms, n, k)
        records = known if rule == "dropped" else written
        if rule in ("window", "on_plan"):
            records = replace(records, readings=records.readings.drop(columns="test_kind"))
        try:
            window = WINDOW if rule in ("window", "recorded", "on_plan") else None
            rows.append(answers(records, window, on_plan=rule == "on_plan"))
        except NotEstimable:
            continue
    return {
        "onset": law, "pattern": pattern, "arms": arms, "cases_per_arm": n, "rule": rule, "studies": studies,
        "not_estimable": studies - len(rows), "mean_difference_min": np.mean([r[0] for r in rows]),
        "sd_of_difference": np.std([r[0] for r in rows]), "mean_std_error": np.nanmean([r[1] for r in rows]),
        "rejects_5_wait": np.mean([r[2] for r in rows]), "rejects_5_log_rank": np.mean([r[3] for r in rows]),
        "mc_error": np.sqrt(0.05 * 0.95 / studies),
    }  # fmt: skip


def main() -> None:
    jobs = [("block", "none", 0, n, "ideal", HONEST) for n in (20, 40, 100)]
    jobs += [("block", "none", 0, 40, rule, STUDIES) for rule in ("ideal", "window")]
    jobs += [("block", *setting, rule, STUDIES) for setting in SETTINGS for rule in ("all", "window")]
    jobs += [("block", "twice", 1, 40, "dropped", STUDIES), ("alike", "none", 0, 40, "ideal", STUDIES)]
    jobs += [
        ("alike", pattern, 1, 40, rule, STUDIES)
        for pattern in ("tingles", "twice", "halfway", "early")
        for rule in ("all", "window")
    ]
    jobs += [("alike", "twice", 1, 40, rule, STUDIES) for rule in ("recorded", "on_plan")]
    jobs.append(("alike", "early", 1, 40, "on_plan", STUDIES))
    rows = []
    for job in jobs:
        rows.append(row(*job))
        table = pd.DataFrame(rows).round(4)
        table.insert(0, "seed", SEED)
        table.to_csv(Path(__file__).with_suffix(".csv"), index=False, lineterminator="\n")
    print(table.to_string())


if __name__ == "__main__":
    main()
