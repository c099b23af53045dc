"""The invented demo studies as files."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.serialise import to_dict
from onsetstudy.design.allocation.results import AllocationList
from onsetstudy.design.trials.demo_tables import simulate_study
from onsetstudy.design.trials.planted_faults import plant_faults
from onsetstudy.design.trials.trial_model import DEMO, DEMO_AUDIT, StudyModel, truth_of
from onsetstudy.files.exchange import write_exchange
from onsetstudy.files.output import write_bytes, write_csv, write_json
from onsetstudy.files.sealed.allocation_list import write_list
from onsetstudy.files.sealed.kept_allocation import read_kept_logs
from onsetstudy.files.sealed.opening_log import chained_lines, log_line
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.allocation import resolve_arms
from onsetstudy.records.derived.opened_slips import opened_slips, recorded_slips
from onsetstudy.records.validity.gates import doubts_of_practice
from onsetstudy.study.counts.aggregate_counts import tally_records
from onsetstudy.study.counts.exchange import make_exchange

DEMO_SEED = 6
DIRTY_CASES = 80
PROTOCOLS = Path(__file__).resolve().parents[3] / "protocols"
README = """# Invented records

Everything in this folder is invented: no patient, operator or practice stands behind a row. `onsetstudy demo` makes it
anew from a seed, byte for byte (estimates in exchange files may differ in their last digits on another processor).

- `cases.csv`, `cold_tests.csv`: a randomised study of a group of five practices over four quarters
  (`protocols/mandibular_block_group.toml`).
- `truth.json`: the model the cases were drawn from, and what is true under it: share numb by the target, mean wait,
  share never numb.
- `allocation/`: the list from which the arms were drawn, with its seed. In a real study nobody who treats sees it; here
  it shows how records are held against it. Now and then the wrong cartridge was taken. `opened-P01.csv` and its like
  are the opening logs of the practices, which hold the arms of opened slips only: reports and exchange files read them.
- `exchange/`: the files of counts that the five practices send to their group, one each.
- `audit/`: an audit of infiltrations in one practice, where the operator chose (`protocols/infiltration_audit.toml`).
- `dirty/`: 80 cases with planted faults, and `planted.json`, the list of what was planted and the code under which the
  check must find it.
"""


def write_demo(folder: str | Path) -> list[Path]:
    """Write the demo studies and what is true of them; returns the files written.

    Raises
    ------
    OnsetStudyError
        If the protocols of the demo studies are not beside the package.
    """
    folder = Path(folder)
    if not PROTOCOLS.is_dir():
        what = "the protocols of the demo studies are not there; run this from a copy of the whole project"
        raise OnsetStudyError(what)
    group = read_protocol(PROTOCOLS / "mandibular_block_group.toml")
    audit = read_protocol(PROTOCOLS / "infiltration_audit.toml")
    study = simulate_study(DEMO, group, seed=DEMO_SEED)
    paths = write_tables(folder, study.cases, study.cold_tests)
    paths.append(_write_truth(folder, DEMO, group, DEMO_SEED))
    if study.allocation is not None:
        paths += write_list(study.allocation, folder / "allocation", seed=DEMO_SEED)
        paths += _write_opening_logs(study.cases, study.allocation, folder / "allocation")
    paths += _write_exchanges(folder, group)
    small = simulate_study(DEMO_AUDIT, audit, seed=DEMO_SEED + 1)
    paths += write_tables(folder / "audit", small.cases, small.cold_tests)
    paths.append(_write_truth(folder / "audit", DEMO_AUDIT, audit, DEMO_SEED + 1))
    clean = simulate_study(DEMO, group, seed=DEMO_SEED + 2, n_cases=DIRTY_CASES)
    cases, cold_tests, planted = plant_faults(clean.cases, clean.cold_tests)
    paths += write_tables(folder / "dirty", cases, cold_tests)
    listed = {"invented": True, "planted": [to_dict(fault) for fault in planted]}
    paths.append(_write_json(folder / "dirty" / "planted.json", listed))
    paths.append(write_bytes(folder / "README.md", README.encode("utf-8")))
    return paths


def write_tables(folder: Path, cases: pd.DataFrame, cold_tests: pd.DataFrame) -> list[Path]:
    """Write the two tables of records as ``cases.csv`` and ``cold_tests.csv``."""
    return [write_csv(folder / f"{name}.csv", frame) for name, frame in (("cases", cases), ("cold_tests", cold_tests))]


def _write_opening_logs(cases: pd.DataFrame, drawn: AllocationList, folder: Path) -> list[Path]:
    """The logs that opening slip by slip would have left, in the morning of each injection."""
    said = {slip.slip: slip for slip in drawn.slips}
    paths = []
    for practice, own in cases.groupby("practice_id", sort=True):
        lines = [
            log_line(
                said[str(case["allocation_slip"])],
                opened_at=f"{case['case_date']}T08:00:00",
                case_id=str(case["case_id"]),
                opened_by=f"{practice}-N",
            )
            for case in own.to_dict("records")
        ]
        paths.append(write_csv(folder / f"opened-{practice}.csv", chained_lines(lines, drawn.protocol_digest)))
    return paths


def _write_exchanges(folder: Path, protocol: Protocol) -> list[Path]:
    records = read_records(folder, protocol)
    kept, last = read_kept_logs([folder / "allocation"]), protocol.quarters[-1]
    recorded = recorded_slips(records)
    records, arms = resolve_arms(protocol, records, kept)
    tally = tally_records(protocol, records, through=last, arms=arms)
    return [
        write_exchange(
            make_exchange(
                tally,
                protocol,
                practice,
                records_digest=records.digest,
                doubts=doubts_of_practice(records, protocol, practice, through=last),
                slips=opened_slips(kept, recorded, practices=(practice,), until=last.last_day),
            ),
            folder / "exchange",
        )
        for practice in tally.practices
    ]


def _write_truth(folder: Path, model: StudyModel, protocol: Protocol, seed: int) -> Path:
    truth = truth_of(model, seed=seed, target_min=protocol.onset.target_min, tau_min=protocol.onset.tau_min)
    return _write_json(folder / "truth.json", to_dict(truth))


def _write_json(path: Path, content: object) -> Path:
    return write_json(path, json.loads(json.dumps(content), parse_float=lambda text: round(float(text), 9)))
