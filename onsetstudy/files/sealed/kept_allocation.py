"""The list of slips and the opening logs as whoever keeps them hands them in."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from onsetstudy.core.errors import Problem, RecordsError, Where
from onsetstudy.design.allocation.results import Slip
from onsetstudy.files.guard import problem_in
from onsetstudy.files.sealed.described_list import read_commitments, read_description
from onsetstudy.files.sealed.envelopes import commitment_of
from onsetstudy.files.sealed.opening import recover_arms
from onsetstudy.files.sealed.opening_log import read_nonces, read_opening_log, read_plain_table, sealed_path
from onsetstudy.records.derived.allocation import ARMS_JOIN, LIST_COLUMNS, OLD_LOG_COLUMNS, KeptList, listed_from_log

MOST_NUMBER = 1_000_000_000


def read_slips(path: str | Path) -> tuple[Slip, ...]:
    """Slips of a list, in its order."""
    listed, _ = read_allocation_list(Path(path))
    return tuple(
        Slip(
            slip=str(name),
            practice_id=str(rows["practice_id"].iloc[0]),
            stratum=str(rows["stratum"].iloc[0]),
            number=int(rows["number"].iloc[0]),
            arms=tuple(rows["arm"].astype(str)),
            sides=tuple(side for side in rows["side"].astype(str) if side),
            block=int(rows["block"].iloc[0]),
        )
        for name, rows in listed.groupby("slip", sort=False)
    )


def read_allocation_list(path: Path) -> tuple[pd.DataFrame, str]:
    """The list of slips, one row per slip and period, and its commitment if ``list.json`` lies beside it.

    Raises
    ------
    RecordsError
        If this is not a list of slips.
    """
    frame = read_plain_table(path, LIST_COLUMNS, "a list of allocation slips")
    number = pd.to_numeric(frame["number"], errors="coerce")
    strange = (number.isna() | (number % 1 != 0) | (number.abs() > MOST_NUMBER)).to_numpy()
    if strange.any():
        where = Where(file=path.name, row=int(strange.argmax()) + 2, column="number")
        what, mend = "the number of this slip is not a whole number", "restore the list as it was drawn"
        raise RecordsError(Problem(what=what, where=where, mend=mend, code="not_a_number"))
    about = path.with_suffix(".json")
    commitment = ""
    if about.exists():
        told = read_description(about)
        # A list that was continued has a seed, and its commitment, for each part.
        parts = [told.get("commitment", ""), *(part["commitment"] for part in told.get("continued", []))]
        commitment = ", ".join(str(part) for part in parts)
    return frame.assign(number=number.astype(int)), commitment


def read_kept_list(path: str | Path) -> KeptList:
    """The list and the opening logs of a folder (or a list by its file name, with the logs beside it).

    A folder without a list gives what its opening logs say.

    Raises
    ------
    RecordsError
        If there is neither.
    """
    path = Path(path)
    if path.is_dir() and not (path / "list.csv").exists() and logs_in(path):
        return read_kept_logs([path])
    path = path / "list.csv" if path.is_dir() else path
    listed, commitment = read_allocation_list(path)
    log, faults = _read_logs(logs_in(path.parent))
    return KeptList(listed=listed, log=log, log_faults=faults, commitment=commitment)


def read_kept_logs(paths: Sequence[str | Path]) -> KeptList:
    """What the opening logs of practices say of the slips that were opened; nothing of any other.

    Parameters
    ----------
    paths : sequence of path
        Logs, or folders with files ``opened-….csv``.

    Raises
    ------
    RecordsError
        If a file is no opening log, or a folder holds none.
    """
    found: list[Path] = []
    for path in map(Path, paths):
        inside = logs_in(path) if path.is_dir() else [path]
        if not inside:
            mend = "give the file opened-….csv that open-slip writes beside the sealed file"
            raise RecordsError(problem_in(path, "there is no opening log in this folder", mend, "not_there"))
        found += inside
    log, faults = _read_logs(list(dict.fromkeys(found)))
    assert log is not None
    return KeptList(listed=listed_from_log(log), log=log, log_faults=faults, source="log")


def find_opening_logs(records: Sequence[str | Path]) -> list[Path]:
    """Opening logs that lie beside records, or in the folder ``allocation`` beside them."""
    folders = [path if path.is_dir() else path.parent for path in map(Path, records)]
    places = [place for folder in dict.fromkeys(folders) for place in (folder, folder / "allocation")]
    return list(dict.fromkeys(log for place in places for log in logs_in(place)))


def logs_in(folder: Path) -> list[Path]:
    """Opening logs of a folder, in the order of their names."""
    return sorted(folder.glob("opened-*.csv"))


def folder_faults(folder: Path) -> tuple[str, ...]:
    """Slips of opening logs in a folder that do not say what was published, as sentences.

    The folder holds ``commitments.json``, and logs ``opened-….csv`` with their ``nonces-….csv``.
    """
    published = folder / "commitments.json"
    if not published.exists():
        return ()
    try:
        promised = read_commitments(published)
    except RecordsError:
        return (f"{published.name} cannot be read.",)
    faults = []
    for log in logs_in(folder):
        nonces = read_nonces(log)
        for row in read_opening_log(log)[0].astype(str).to_dict("records"):
            nonce, sides = nonces.get(slip := row["slip"], ("", []))
            told = {"slip": slip, "arms": row["arms"].split(ARMS_JOIN), "sides": sides, "nonce": nonce}
            if commitment_of(told) != promised.get(slip):
                faults.append(f"{log.name}: slip {slip} does not say what was published when the list was drawn.")
    return tuple(faults)


def digests_of(paths: Sequence[Path]) -> dict[str, str]:
    """SHA-256 of the files of a list that can be read, by name; printed ones are left out."""
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in paths if p.suffix in (".json", ".csv")}


def unlike_copies(found: Sequence[tuple[Path, str]]) -> tuple[Path, ...]:
    """Folders of lists of one seed that do not say the same: one of them was changed. A longer one goes on."""
    for folder, commitment in found:
        text = (folder / "list.csv").read_bytes()
        others = [f for f, c in found if c == commitment and not _begins_alike((f / "list.csv").read_bytes(), text)]
        if others:
            return (folder, *others)
    return ()


def _begins_alike(one: bytes, two: bytes) -> bool:
    shorter, longer = sorted((one.splitlines(), two.splitlines()), key=len)
    return set(shorter) <= set(longer)


def _read_logs(paths: Sequence[Path]) -> tuple[pd.DataFrame | None, dict[str, tuple[str, ...]]]:
    """All logs as one, a line that several hold once, and what makes them doubtful.

    That are slips of lines whose chain does not hold, and those that two lines tell otherwise.
    """
    logs: list[pd.DataFrame] = []
    broken: list[str] = []
    for path in paths:
        frame, lines = read_opening_log(path)
        logs.append(frame if lines else recover_arms(frame, sealed_path(path)))
        broken += lines
    if not logs:
        return None, {}
    log = pd.concat(logs).drop_duplicates(list(OLD_LOG_COLUMNS), ignore_index=True)
    broken += log.loc[log["slip"].duplicated(), "slip"].tolist()
    return log, {"log_broken": tuple(dict.fromkeys(broken))} if broken else {}
