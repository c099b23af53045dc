"""Rows by the million reduced to counts: generate to Parquet, check, derive onset and count, in bounded memory.

Run from the project's root::

    python -m tests.benchmarks.scale --cases 1000000 --workers 2 --in /tmp/scale
    python -m tests.benchmarks.scale --cases 100000 --compare      # in-process, processes and a Dask cluster: equal?

Six cold tests a case, one case in a hundred spoiled on purpose. Adds a line to scale.csv beside this file.
"""

from __future__ import annotations

import argparse
import csv
import dataclasses
import math
import resource
import shutil
import time
from pathlib import Path

import numpy as np
import pandas as pd

from onsetstudy.cluster.mapper import DaskMapper, ProcessMapper
from onsetstudy.core.parallel import serial
from onsetstudy.core.seeds import stream
from onsetstudy.files.bulk.reduce import Terms, reduce_parts
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.study.counts.counted_estimates import estimates_of_counts
from onsetstudy.study.group.stratified_ipd import pool_in_one_stage
from onsetstudy.study.sets.counted_set import CountedSet

ROOT = Path(__file__).parents[2]
SEED = 20261127
IN_PART = 50_000
MINUTES = np.array([1.0, 2.0, 3.0, 5.0, 8.0, 15.0])
DAYS = pd.date_range("2025-10-01", "2026-09-30").strftime("%Y-%m-%d").to_numpy(dtype=object)


def promised():
    protocol = read_protocol(ROOT / "protocols" / "mandibular_block_group.toml")
    study = dataclasses.replace(protocol.study, practices=())
    schedule = dataclasses.replace(protocol.schedule, control_tooth="none", tests_min=(*MINUTES.tolist(), 16.0))
    return dataclasses.replace(protocol, study=study, schedule=schedule)


def one_part(number: int, n: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Cases of two practices: median onset 4 min, a ratio of rates of 1.5, one tooth in ten never numb."""
    rng = stream(SEED, "scale", number)
    practice = np.where(np.arange(n) < n / 2, f"P{2 * number + 1:04d}", f"P{2 * number + 2:04d}").astype(object)
    ids = np.array([f"{p}-{k:06d}" for k, p in enumerate(practice)], dtype=object)
    buffered = rng.random(n) < 0.5
    onset = (4.0 / math.log(2) ** (1 / 1.5)) * (rng.exponential(size=n) / np.where(buffered, 1.5, 1.0)) ** (1 / 1.5)
    onset[rng.random(n) < 0.1] = np.inf
    cases = pd.DataFrame(
        {
            "case_id": ids,
            "practice_id": practice,
            "clinician_id": practice + rng.choice(np.array(["-A", "-B", "-C"], dtype=object), n),
            "patient_id": ids + "p",
            "case_date": DAYS[rng.integers(0, DAYS.size, n)],
            "arm": np.where(buffered, "buffered", "plain").astype(object),
            "allocation": "randomised",
            "procedure": "filling",
            "tooth": rng.choice(np.array(["36", "46", "34"], dtype=object), n),
            "technique": rng.choice(np.array(["ianb", "mental_incisive"], dtype=object), n, p=[0.7, 0.3]),
            "agent": "lidocaine",
            "volume_ml": "1.8",
            "mix_mode": np.where(buffered, "replace", "none").astype(object),
            "bicarbonate_ml": np.where(buffered, "0.18", None),
            "baseline_response": "felt",
            "pain_deposition": rng.integers(0, 101, n).astype(str).astype(object),
        }
    )
    cases.loc[rng.random(n) < 0.01, "volume_ml"] = "99"
    felt = MINUTES[None, :] < onset[:, None]
    readings = pd.DataFrame(
        {
            "case_id": np.repeat(ids, MINUTES.size),
            "minute": np.tile(np.array([f"{m:g}" for m in MINUTES], dtype=object), n),
            "tooth_role": "target",
            "response": np.where(felt.ravel(), "felt", "not_felt").astype(object),
        }
    )
    return cases, readings


def generate(folder: Path, n: int) -> None:
    for number in range(math.ceil(n / IN_PART)):
        name = f"part-{number:05d}.parquet"
        if (folder / "cold_tests" / name).exists():
            continue
        cases, readings = one_part(number, min(IN_PART, n - number * IN_PART))
        for table, frame in (("cases", cases), ("cold_tests", readings)):
            (folder / table).mkdir(parents=True, exist_ok=True)
            partial = folder / table / (name + ".partial")
            frame.to_parquet(partial, index=False)
            partial.rename(folder / table / name)


def peak_mb() -> tuple[float, float]:
    """Largest resident memory of this process and of the largest child, MB."""
    return tuple(resource.getrusage(who).ru_maxrss / 1024 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))


def timed(folder: Path, work: Path, mapper) -> tuple[object, float]:
    shutil.rmtree(work, ignore_errors=True)
    protocol = promised()
    start = time.perf_counter()
    found = reduce_parts(folder, Terms(protocol=protocol, work=work, through=protocol.quarters[-1]), mapper=mapper)
    return found, time.perf_counter() - start


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=1_000_000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--in", dest="folder", type=Path, default=Path("scale-data"))
    parser.add_argument("--compare", action="store_true")
    options = parser.parse_args()
    folder, n = options.folder / str(options.cases), options.cases
    generate(folder, n)
    work = options.folder / "work"
    ways = {f"{options.workers} processes": ProcessMapper(options.workers)}
    cluster = None
    if options.compare:
        from distributed import Client, LocalCluster

        cluster = LocalCluster(n_workers=options.workers, threads_per_worker=1, dashboard_address=None)
        ways = {"in this process": serial, **ways, "Dask cluster on this machine": DaskMapper(Client(cluster))}
    first = None
    with Path(__file__).with_suffix(".csv").open("a", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        for way, mapper in ways.items():
            found, seconds = timed(folder, work, mapper)
            rows = found.rows_read + found.readings_read
            own, child = peak_mb()
            if first is None:
                first = found
            for field in dataclasses.fields(first.tally):
                pd.testing.assert_frame_equal(getattr(first.tally, field.name), getattr(found.tally, field.name))
            counted = (found.rows_read, found.readings_read, found.rows_read - found.rows_accepted, found.parts)
            took = (f"{seconds:.1f}", f"{rows / seconds:.0f}", f"{own:.0f}", f"{child:.0f}")
            row = (way, *counted, *took, len(found.tally.cells))
            writer.writerow(row)
            print(*row, flush=True)
    start = time.perf_counter()
    overall = pool_in_one_stage(CountedSet(frame=first.tally.cells, protocol=promised()))
    one = first.tally.of(first.tally.practices[0])
    estimates_of_counts(CountedSet(frame=one.cells, protocol=promised(), values=one.values))
    print(f"one stage over {len(first.tally.practices)} practices: ratio {overall.hazard_ratio.estimate:.3f}, "
          f"{time.perf_counter() - start:.1f} s", flush=True)  # fmt: skip
    if cluster is not None:
        cluster.close()


if __name__ == "__main__":
    main()
