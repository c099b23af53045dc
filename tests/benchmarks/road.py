"""The main road, timed: help, check of 100,000 cases, report of 200, 2,000 and 20,000 cases.

Run ``python -m tests.benchmarks.road`` from the folder of the README.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from onsetstudy.design.trials.demo_tables import simulate_study
from onsetstudy.design.trials.trial_model import DEMO
from onsetstudy.files.documents.demo import write_tables
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.spreadsheet import read_records
from tests.benchmarks.yardstick import seconds, show, yardstick

PROTOCOL = Path(__file__).parents[2] / "protocols" / "mandibular_block_group.toml"


def main() -> None:
    stick = yardstick()
    print(f"yardstick: {stick:.3f} s")
    run = [sys.executable, "-m", "onsetstudy"]
    show(
        "onsetstudy --help, whole process",
        seconds(lambda: subprocess.run([*run, "--help"], capture_output=True)),
        stick,
        "aim 0.3 s",
    )
    protocol = read_protocol(PROTOCOL)
    with tempfile.TemporaryDirectory() as name:
        for cases, aim in ((200, ""), (2_000, "aim 8 s"), (20_000, "")):
            folder = Path(name) / str(cases)
            study = simulate_study(DEMO, protocol, seed=1, n_cases=cases)
            write_tables(folder, study.cases, study.cold_tests)
            command = [*run, "report", str(PROTOCOL), str(folder), "--quarter", "2026Q3", "--into", name]
            taken = seconds(lambda command=command: subprocess.run(command, capture_output=True, check=True), 1)
            show(f"report with PDF, {cases} cases, whole process", taken, stick, aim)
        folder = Path(name) / "large"
        study = simulate_study(DEMO, protocol, seed=1, n_cases=100_000)
        tests = study.cold_tests[study.cold_tests["tooth_role"] == "target"]
        both = len(study.cold_tests)
        write_tables(folder, study.cases, study.cold_tests)
        taken = seconds(lambda: read_records(folder, protocol), 1)
        show(f"read and check 100,000 cases, {both} readings", taken, stick, "aim 10 s for 1,000,000")
        print(f"({len(tests)} of the readings are of target teeth)")


if __name__ == "__main__":
    main()
