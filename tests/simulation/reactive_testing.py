"""Error rate of the primary comparison where patients are tested again because something tingles.

Run ``python -m tests.simulation.reactive_testing``; it writes ``reactive_testing.csv`` beside the script. No true
difference between the arms: onset is Weibull, ``block`` (shape 1.6, mean 6.6 min, one case in ten never numb: planning
values of a block) or ``alike`` (shape 3, mean 3 min, all become numb: cases so alike that a small bias shows). Tests
come at the demo protocol's minutes, 0.1 min (SD) off, one in twenty is missed, and testing ends with two in a row that
were not felt.

Patterns: ``tingles``, one test just after onset in eight cases of ten; ``twice``, two of them; ``often``, four tests at
random minutes; ``halfway``, from one minute before onset on a test between every two planned ones; ``early``, the
planned test that follows onset is brought forward by up to the window; ``before``, a test just before onset; ``skips``,
one just after onset, and the planned test that follows is left out; ``late``, every test is done a tenth of a minute
later. Not used while the rule was made, and measured once: ``repeats``, each planned test that was felt is done again
half a minute later; ``waits``, every planned test is put off, by an exponential time of 0.15 min on average.

Rules of reading: ``all``, every test dates onset with its own minute; ``window``, the package's rule with a window,
extra tests nowhere recorded as such; ``recorded``, the same where they are; ``dropped``, extra tests are taken out
whatever ended the testing. Of one size and law all lines have the same patients, the first ones of those where nobody
was tested off plan. ``qualified`` is the proportion of studies whose claim the doubts about the testing qualify or
shut, and ``rejects_5_unqualified`` what remains of the errors of the wait. The log-rank test is of the first 400.
"""

from __future__ import annotations

import functools
from concurrent.futures import ProcessPoolExecutor
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
from onsetstudy.records.validity.gates import doubts_of

SEED = 20261126
HONEST, MANY, SOME, FEW = 4000, 2000, 1000, 400
"""Studies of a line."""
WINDOW = 0.35
TAU = 15.0
LAWS = {"block": (1.6, 7.384, 0.1), "alike": (3.0, 3.36, 0.0)}
"""Shape, scale and proportion never numb."""
FILE = Path(__file__).parents[2] / "protocols" / "mandibular_block_group.toml"
PATTERNS = {
    "tingles": "one just after onset",
    "twice": "two just after onset",
    "often": "four at random",
    "halfway": "between all planned ones from a minute before onset",
    "early": "the planned one brought forward",
    "before": "one just before onset",
    "skips": "one just after onset, the next planned one left out",
    "late": "all tests a tenth of a minute later",
    "repeats": "felt ones done again half a minute later (not used while building)",
    "waits": "all put off, by .15 min on average (not used while building)",
}
CLOSELY = ("twice", "repeats", "waits")
"""Asked of more studies."""


@functools.cache
def protocol() -> Protocol:
    """The demo protocol with a window, and without a control tooth, which is not what is asked here."""
    import tomllib

    content = tomllib.loads(FILE.read_text(encoding="utf-8"))
    content["testing"].update(control_tooth="none", window_min=WINDOW)
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
    nobody, own = np.full((2 * n, 1), np.nan), (arm < arms)[:, None]
    extra = {
        "tingles": np.where(told, when + shift, np.nan),
        "skips": np.where(told, when + shift, np.nan),
        "twice": np.where(told, when + np.concatenate([shift, shift + 0.1], axis=1), np.nan),
        "often": np.where(own, rng.uniform(0.1, TAU, (2 * n, 4)), np.nan),
        "halfway": np.where(told & (middle > when - 1), middle, np.nan),
        "before": np.where(told & (when > shift), when - shift, np.nan),
        "repeats": np.where(own & (minutes < when), minutes + 0.5, np.nan),
    }.get(pattern, nobody)
    if pattern == "early":
        late = told & (minutes > when) & (minutes - WINDOW < when + 1)
        minutes = np.where(late, np.maximum(minutes - WINDOW, when + 0.01).clip(max=minutes), minutes)
    elif pattern == "skips":
        after = told & (minutes > when + shift)
        minutes = np.where(after & (np.cumsum(after, axis=1) == 1), np.nan, minutes)
    elif pattern == "late":
        minutes = minutes + np.where(own, 0.1, 0.0)
    elif pattern == "waits":
        minutes = minutes + np.where(own, rng.exponential(0.15, minutes.shape), 0.0)
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
    cases = pd.DataFrame({"case_id": code, "practice_id": "P01", "technique": "ianb",
                          "arm": np.where(arm == 1, "plain", "buffered"), "rescue_min": np.nan})  # fmt: skip

    def made(rows: pd.DataFrame) -> Records:
        return Records(cases=cases, readings=rows, rejects=cases[:0], problems=(), queries=(), repairs=(),
                       rows_read=len(cases), readings_read=len(rows), digest="")  # fmt: skip

    return made(readings), made(readings[~is_extra[case, place]].reset_index(drop=True))


def answers(records: Records, window: float | None, *, ranks: bool) -> tuple[float, float, bool, float]:
    """Difference of waits, its standard error, whether its interval finds one, and the P value of the log-rank test."""
    onset = Onsets(records=records, protocol=protocol()).table(window_min=window)
    times = Intervals(*(onset[name].to_numpy(dtype=float) for name in ("left_min", "right_min")))
    arm = onset["arm"].to_numpy(dtype=str)
    wait = estimate_rmst(times, arm, reference_arm="plain", tau_min=TAU).difference
    p_value = compare_arms(times, arm, reference_arm="plain").p_value if ranks else np.nan
    outside = not wait.interval.low <= 0 <= wait.interval.high
    return wait.estimate, wait.std_error or np.nan, outside, p_value


def tested(law: str, pattern: str, arms: int, n: int, k: int) -> tuple[Records, Records]:
    """Study ``k``: the same patients under every pattern."""
    return records_of(*drawn(stream(SEED, f"reactive {n}", k), pattern, arms, n, law))


def row(law: str, pattern: str, arms: int, n: int, rule: str, studies: int) -> dict[str, object]:
    """What one rule of reading makes of so many studies."""
    rows: list[tuple[float, float, bool, float, bool]] = []
    for k in range(studies):
        written, known = tested(law, pattern, arms, n, k)
        records = known if rule == "dropped" else written
        if rule == "window":
            records = replace(records, readings=records.readings.drop(columns="test_kind"))
        window = WINDOW if rule in ("window", "recorded") else None
        try:
            found = answers(records, window, ranks=k < FEW)
        except NotEstimable:
            continue
        rows.append((*found, window is not None and bool(doubts_of(records, protocol()))))
    difference, error, wait, rank, doubted = (np.array(column) for column in zip(*rows, strict=True))
    return {
        "onset": law, "pattern": pattern, "arms": arms, "cases_per_arm": n, "rule": rule, "studies": studies,
        "not_estimable": studies - len(rows), "mean_difference_min": difference.mean(),
        "sd_of_difference": difference.std(), "mean_std_error": np.nanmean(error), "rejects_5_wait": wait.mean(),
        "rejects_5_log_rank": (rank[~np.isnan(rank)] < 0.05).mean(), "mc_error": np.sqrt(0.05 * 0.95 / studies),
        "qualified": doubted.mean() if rule in ("window", "recorded") else np.nan,
        "rejects_5_unqualified": (wait & ~doubted).mean() if rule in ("window", "recorded") else np.nan,
    }  # fmt: skip


def jobs() -> list[tuple[str, str, int, int, str, int]]:
    """Onset, pattern, arms it happens in, cases of an arm, rule and studies of each line."""
    lines = [(law, "none", 0, 40, rule, HONEST) for law in LAWS for rule in ("all", "window")]
    lines += [(law, "none", 0, n, "window", SOME) for law in LAWS for n in (20, 100)]
    lines += [("alike", pattern, 1, 40, "all", FEW) for pattern in PATTERNS]
    lines += [("alike", pattern, 1, 40, "window", MANY if pattern in CLOSELY else SOME) for pattern in PATTERNS]
    lines += [("block", pattern, 1, 40, "window", FEW) for pattern in PATTERNS]
    lines += [("block", pattern, 1, 40, "all", FEW) for pattern in ("tingles", "twice")]
    lines += [("block", pattern, 2, 40, "window", FEW) for pattern in ("tingles", "twice", "early")]
    lines += [("alike", pattern, 1, 40, "recorded", SOME) for pattern in ("tingles", "twice", "before")]
    lines += [("block", "tingles", 1, 100, "window", FEW), ("block", "twice", 1, 40, "dropped", FEW)]
    return lines


def markdown(table: pd.DataFrame) -> str:
    """The lines of 40 cases an arm that the page of statistics shows."""
    head = ("tests in one arm", "block: window", "alike: all tests", "alike: window", "of these not qualified",
            "bias, alike, min: all, window")  # fmt: skip
    rows = ["| " + " | ".join(head) + " |", "| --- " * len(head) + "|"]
    mine = table[(table["cases_per_arm"] == 40) & (table["arms"] < 2)].set_index(["onset", "pattern", "rule"])
    for pattern, words in {"none": "on the plan", **PATTERNS}.items():
        keys = (("block", "window"), ("alike", "all"), ("alike", "window"))
        block, every, window = (mine.loc[law, pattern, rule] for law, rule in keys)
        shares = [found["rejects_5_wait"] for found in (block, every, window)] + [window["rejects_5_unqualified"]]
        bias = (every["mean_difference_min"], window["mean_difference_min"])
        cells = [words, *(_short(x, 3) for x in shares), ", ".join(_short(x, 2) for x in bias)]
        rows.append("| " + " | ".join(cells) + " |")
    return "\n".join(rows)


def _short(value: float, digits: int) -> str:
    return f"{value:.{digits}f}".replace("0.", ".", 1).replace("-", "−")


def main() -> None:
    # One thread each: a line is many small fits.
    with ProcessPoolExecutor(2) as hands:
        rows = []
        for found in hands.map(row, *zip(*jobs(), strict=True)):
            rows.append(found)
            table = pd.DataFrame(rows).round(4)
            table.insert(0, "seed", SEED)
            table.to_csv(Path(__file__).with_suffix(".csv"), index=False, lineterminator="\n")
    print(table.to_string())


if __name__ == "__main__":
    main()
