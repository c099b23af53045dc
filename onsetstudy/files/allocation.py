"""Allocation on disk: the list for the person who keeps it, sealed files for practices, and the log of openings."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from onsetstudy.core.errors import DesignError, Problem, RecordsError, Where
from onsetstudy.design.allocation_results import AllocationList
from onsetstudy.design.minimisation import minimise
from onsetstudy.design.seal import chain_step, open_slip, seal_slips
from onsetstudy.files.output import write_bytes
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.allocation import LIST_COLUMNS, LOG_COLUMNS, KeptList

__all__ = [
    "Opened",
    "log_path",
    "open_next",
    "read_allocation_list",
    "read_kept_list",
    "read_opening_log",
    "write_allocation",
    "write_list",
    "write_minimisation",
]

KEEP_APART = "Keep this list away from everybody who treats, asks or tests patients until the study is closed."


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """A slip that was opened: its arms by period and sides, and whether it had been opened for this case before."""

    slip: str
    stratum: str
    arms: tuple[str, ...]
    sides: tuple[str, ...]
    again: bool


def write_allocation(drawn: AllocationList, folder: Path, *, seed: int) -> list[Path]:
    """Write the list, its description, and a sealed file for each practice."""
    return write_list(drawn, folder, seed=seed) + _write_sealed_lists(drawn, Path(folder), seed)


def write_list(drawn: AllocationList, folder: Path, *, seed: int) -> list[Path]:
    """Write the list and its description."""
    folder = Path(folder)
    about = {
        "what": KEEP_APART,
        "study": drawn.study_id,
        "protocol": drawn.protocol_digest,
        "method": drawn.method,
        "strata": list(drawn.strata),
        "ratio": list(drawn.ratio),
        "arms": list(drawn.arms),
        "block_sizes": list(drawn.block_sizes),
        "seed": seed,
        "commitment": drawn.commitment,
        "quality": asdict(drawn.quality),
    }
    listed = drawn.to_frame()
    return [
        write_bytes(folder / "list.csv", listed.to_csv(index=False, lineterminator="\n").encode("utf-8")),
        write_bytes(folder / "list.json", (json.dumps(about, indent=2, sort_keys=True) + "\n").encode("utf-8")),
    ]


def _write_sealed_lists(drawn: AllocationList, folder: Path, seed: int) -> list[Path]:
    paths = []
    for practice in sorted({s.practice_id for s in drawn.slips}):
        strata: dict[str, Any] = {}
        for stratum in sorted({s.stratum for s in drawn.slips if s.practice_id == practice}):
            contents = [
                {"slip": s.slip, "arms": list(s.arms), "sides": list(s.sides)}
                for s in drawn.slips
                if s.stratum == stratum
            ]
            first, sealed = seal_slips(contents, secret=f"{drawn.commitment}:{seed}:{stratum}")
            strata[stratum] = {"key": first, "slips": sealed}
        paths.append(_write_sealed(folder, practice, drawn.study_id, drawn.protocol_digest, "list", {"strata": strata}))
    return paths


def write_minimisation(protocol: Protocol, folder: Path, *, seed: int) -> list[Path]:
    """Write a sealed file for each practice whose arms are drawn one by one, each time it is opened."""
    rule = protocol.allocation
    if rule is None or rule.method != "minimisation":
        raise DesignError('this protocol does not say method = "minimisation" under [allocation]')
    arms = [arm.code for arm in protocol.arms]
    paths = []
    for number, practice in enumerate(protocol.study.practices):
        secret = {"slip": practice, "seed": seed * 1000 + number}
        first, sealed = seal_slips([secret], secret=f"{seed}:{practice}")
        rules = {
            "factors": [f for f in rule.strata if f != "practice_id"],
            "arms": arms,
            "ratio": list(rule.ratio or (1,) * len(arms)),
            "key": first,
            "seed": sealed,
        }
        paths.append(_write_sealed(Path(folder), practice, protocol.study.id, protocol.digest, "minimisation", rules))
    return paths


def _write_sealed(folder: Path, practice: str, study: str, digest: str, kind: str, content: Mapping[str, Any]) -> Path:
    body = {"study": study, "protocol": digest, "practice": practice, "kind": kind, **content}
    text = json.dumps(body, indent=1, sort_keys=True) + "\n"
    return write_bytes(folder / f"sealed-{practice}.json", text.encode("utf-8"))


def log_path(sealed: Path) -> Path:
    """Where openings of a sealed file are logged: beside it."""
    sealed = Path(sealed)
    return sealed.with_name(sealed.stem.replace("sealed", "opened") + ".csv")


def open_next(sealed: Path, *, case_id: str, levels: Mapping[str, str], opened_by: str, now: dt.datetime) -> Opened:
    """Open the next slip of a stratum for a case, and log it.

    Parameters
    ----------
    sealed : Path
        File of the practice.
    case_id : str
        Code of the case (of the patient in a paired design). Asking again for a case gives its slip again.
    levels : mapping
        Level of each stratum column, ``{"technique": "ianb"}``.
    opened_by : str
        Code of the person who opens.
    now : datetime
        Time of opening.

    Raises
    ------
    DesignError
        If the file is not a sealed file, the stratum is not known, the slips are used up or a seal is broken.
    RecordsError
        If the log was changed.
    """
    sealed = Path(sealed)
    with _alone(log_path(sealed)):
        return _open_next(sealed, case_id=case_id, levels=levels, opened_by=opened_by, now=now)


@contextmanager
def _alone(log: Path) -> Iterator[None]:
    """One opening at a time: two people never get the same slip."""
    lock = log.with_suffix(".lock")
    try:
        lock.touch(exist_ok=False)
    except FileExistsError:
        text = f"another slip is being opened ({lock.name} is there). Try again; if nobody is opening one, delete it"
        raise DesignError(text) from None
    except OSError as error:
        raise DesignError(f"{lock.parent} cannot be written to ({error.strerror})") from None
    try:
        yield
    finally:
        lock.unlink(missing_ok=True)


def _open_next(sealed: Path, *, case_id: str, levels: Mapping[str, str], opened_by: str, now: dt.datetime) -> Opened:
    content = _read_sealed(sealed)
    log, broken = read_opening_log(log_path(sealed)) if log_path(sealed).exists() else (_empty_log(), ())
    if broken:
        raise RecordsError(
            Problem(
                what=f"the opening log was changed at slip {broken[0]}",
                where=Where(file=log_path(sealed).name),
                mend="restore the log from your backup; nothing is opened on top of a broken log",
                code="log_broken",
            )
        )
    before = log[log["case_id"] == case_id]
    stratum = _stratum(content, levels, sealed)
    again = len(before) > 0
    if again:
        slip, stratum = str(before["slip"].iloc[0]), str(before["stratum"].iloc[0])
        found = _content_of(content, stratum, log, slip=slip)
    else:
        found = _content_of(content, stratum, log, slip=None)
        row = {
            "opened_at": now.isoformat(timespec="seconds"),
            "slip": found["slip"],
            "stratum": stratum,
            "case_id": case_id,
            "opened_by": opened_by,
        }
        link = chain_step(str(log["chain"].iloc[-1]) if len(log) else content["protocol"], row)
        whole = pd.concat([log, pd.DataFrame([{**row, "chain": link}])], ignore_index=True)
        # The log is written before the arm is told: what was told is always on record.
        write_bytes(log_path(sealed), whole.to_csv(index=False, lineterminator="\n").encode("utf-8"))
    return Opened(
        slip=found["slip"], stratum=stratum, arms=tuple(found["arms"]), sides=tuple(found["sides"]), again=again
    )


def _read_sealed(path: Path) -> dict[str, Any]:
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        if content["kind"] in ("list", "minimisation"):
            return dict(content)
    except OSError as error:
        raise DesignError(
            f"{path.name} cannot be read ({error.strerror}). Give the sealed file of your practice."
        ) from None
    except (ValueError, KeyError, TypeError):
        pass
    raise DesignError(
        f"{path.name} is not a sealed file of allocation slips. Give the file sealed-….json of your practice."
    )


def _stratum(content: dict[str, Any], levels: Mapping[str, str], sealed: Path) -> str:
    practice = content["practice"]
    if content["kind"] == "minimisation":
        if missing := [f for f in content["factors"] if f not in levels]:
            raise DesignError(f"{missing[0]} is needed to draw the next arm; give it as --level {missing[0]}=…")
        return " | ".join((practice, *(levels[f] for f in content["factors"])))
    wanted = {practice, *levels.values()}
    fits = [s for s in content["strata"] if set(s.split(" | ")) == wanted]
    if not fits:
        known = "; ".join(sorted(content["strata"]))
        raise DesignError(f"{sealed.name} has no stratum of {', '.join(sorted(wanted))}. It has: {known}.")
    return fits[0]


def _content_of(content: dict[str, Any], stratum: str, log: pd.DataFrame, *, slip: str | None) -> dict[str, Any]:
    if content["kind"] == "minimisation":
        return _minimised(content, stratum, log, slip=slip)
    place = content["strata"][stratum]
    order = [s["slip"] for s in place["slips"]]
    number = order.index(slip) + 1 if slip is not None else int(log["slip"].isin(order).sum()) + 1
    return open_slip(place["slips"], number, first_key=place["key"])


def _minimised(content: dict[str, Any], stratum: str, log: pd.DataFrame, *, slip: str | None) -> dict[str, Any]:
    """Arms of all earlier slips drawn again in order, and then the one asked for: the log alone says everything."""
    seed = int(open_slip(content["seed"], 1, first_key=content["key"])["seed"])
    factors, arms = list(content["factors"]), tuple(content["arms"])
    asked = log if slip is None else log.iloc[: int((log["slip"] == slip).to_numpy().argmax())]
    rows: list[dict[str, str]] = []
    for name in [*asked["stratum"].astype(str), stratum]:
        level = dict(zip(factors, name.split(" | ")[1:], strict=True))
        earlier = pd.DataFrame(rows, columns=[*factors, "arm"])
        step = minimise(earlier, level, arms=arms, seed=seed, ratio=tuple(content["ratio"]))
        rows.append({**level, "arm": step.arm})
    return {"slip": f"{content['practice']}-{len(asked) + 1:03d}", "arms": [rows[-1]["arm"]], "sides": []}


def _empty_log() -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype=object) for name in LOG_COLUMNS})


def read_opening_log(path: Path) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """The log, and the slips of lines whose chain does not hold.

    Raises
    ------
    RecordsError
        If this is not an opening log.
    """
    frame = _read_csv(Path(path), LOG_COLUMNS, "an opening log")
    sealed = Path(path).with_name(Path(path).stem.replace("opened", "sealed") + ".json")
    link = _read_sealed(sealed)["protocol"] if sealed.exists() else None
    broken = []
    for row in frame.to_dict("records"):
        plain = {name: str(row[name]) for name in LOG_COLUMNS[:-1]}
        if link is not None and chain_step(link, plain) != row["chain"]:
            broken.append(str(row["slip"]))
        link = str(row["chain"])
    return frame, tuple(broken)


def read_allocation_list(path: Path) -> tuple[pd.DataFrame, str]:
    """The list of slips, one row per slip and period, and its commitment if ``list.json`` lies beside it.

    Raises
    ------
    RecordsError
        If this is not a list of slips.
    """
    frame = _read_csv(Path(path), LIST_COLUMNS, "a list of allocation slips")
    number = pd.to_numeric(frame["number"], errors="coerce")
    if number.isna().any():
        row = int(number.isna().to_numpy().argmax())
        raise RecordsError(
            Problem(
                what=f'the number "{frame["number"].iloc[row]}" cannot be read',
                where=Where(file=Path(path).name, row=row + 2, column="number"),
                mend="restore the list as it was drawn",
                code="not_a_number",
            )
        )
    about = Path(path).with_suffix(".json")
    commitment = ""
    if about.exists():
        commitment = str(json.loads(about.read_text(encoding="utf-8")).get("commitment", ""))
    return frame.assign(number=number.astype(int)), commitment


def read_kept_list(path: str | Path) -> KeptList:
    """The list and the opening logs of a folder (or a list by its file name, with the logs beside it)."""
    path = Path(path)
    path = path / "list.csv" if path.is_dir() else path
    listed, commitment = read_allocation_list(path)
    logs, broken = [], []
    for log in sorted(path.parent.glob("opened-*.csv")):
        frame, lines = read_opening_log(log)
        logs.append(frame)
        broken += lines
    log = pd.concat(logs, ignore_index=True) if logs else None
    return KeptList(listed=listed, log=log, broken_lines=tuple(broken), commitment=commitment)


def _read_csv(path: Path, columns: tuple[str, ...], what: str) -> pd.DataFrame:
    def refuse(text: str, mend: str) -> RecordsError:
        return RecordsError(Problem(what=text, where=Where(file=path.name), mend=mend, code="file"))

    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise refuse(f"the file cannot be read ({error.strerror})", "check the name and the folder") from None
    except UnicodeDecodeError:
        raise refuse("the file is not text in UTF-8", "restore it as it was written") from None
    rows = list(csv.reader(io.StringIO(text)))
    if not rows or tuple(rows[0]) != columns:
        raise refuse(f"this is not {what}", f"its first line must read {','.join(columns)}")
    uneven = [k for k, row in enumerate(rows) if row and len(row) != len(columns)]
    if uneven:
        raise refuse(f"row {uneven[0] + 1} has {len(rows[uneven[0]])} entries", f"{len(columns)} are needed")
    return pd.DataFrame([row for row in rows[1:] if row], columns=list(columns), dtype=object)
