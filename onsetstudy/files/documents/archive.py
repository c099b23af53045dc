"""Reports that take the place of earlier ones: the earlier is kept by quarter, and a list says what changed.

Beside them lie lists of the cases that they stood on, for who holds the records alone.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from onsetstudy.core.errors import OnsetStudyError, ReportError
from onsetstudy.files.exchange import SUFFIX, find_exchanges, read_exchange
from onsetstudy.files.guard import Unreadable, parse_json, read_json
from onsetstudy.files.output import finish_together, throw_away, told_of_disk, write_bytes, write_together
from onsetstudy.files.sealed.sealed_check import is_text
from onsetstudy.files.sources.results import read_results
from onsetstudy.records.derived.roster import ROWS, Listed, Roster, RosterChange, roster_change
from onsetstudy.study.group.given_away import Sent, by_sending, cases_of_files, cases_of_page
from onsetstudy.study.group.results import GroupResults

ARCHIVE = "archive"
MARK = 12
MOST_BYTES = 200_000_000
WHAT = "Cases that the documents named below stood on. For who holds the records: not to be given away."
NO_LIST = "No list of cases was kept with the earlier report: which cases came, went or changed is not told."
MOST_CASES = 10_000_000
COORDINATOR, CHANGES = "coordinator.json", "changes.txt"
"""End the names of the file with the key of a group's letters, and of the list of what changed in a report."""
PAGE = f"*.{COORDINATOR}"


def write_in_place(
    folder: Path,
    made: Mapping[str, bytes],
    *,
    name: str,
    quarter: str,
    roster: Roster | None = None,
    stale: Collection[str] = (),
    private: tuple[str, ...] = (),
) -> list[Path]:
    """Write a report's files, all or none; where they take the place of others, those are kept first.

    The earlier files go to ``archive/<quarter>``, under a name with a mark of their content, and
    ``<name>.changes.txt`` beside the report gets an entry. The same report made again changes nothing.

    Parameters
    ----------
    folder : Path
    made : mapping
        Name and content of every file of the report.
    name : str
        Of the report, without what follows for each file.
    quarter : str
        As ``2026Q3``.
    roster : Roster or None
        Cases that the report stands on. They are kept in the archive, readable by their owner alone; which of them
        came, went or changed is told there, and how many of them in the list of changes.
    stale : collection of str
        Names of files that go with an earlier report alone: they are taken away when it is kept.
    private : tuple of str
        How the names of files end that are readable by their owner alone.

    Returns
    -------
    list of Path
        The files of the report, and the list of changes where it was written.

    Raises
    ------
    OnsetStudyError
        If a file cannot be written, or the archive is a link that leads elsewhere; the report that stood there stays.
    """
    # A report that was whole when its program was killed is the earlier one.
    finish_together(folder)
    before = {n: (folder / n).read_bytes() for n in (*made, *stale) if _is_plain(folder / n)}
    place = _archive(folder, quarter)
    aside: dict[Path, bytes] = {}
    if roster is not None:
        aside[place / f"{name}.{_mark(made)}.cases.json"] = _case_list(roster, made)
    # Nothing stood there, or what is made stood there as it is now.
    stood = before.keys() & made.keys()
    if all(made[n] == before[n] for n in stood) and (stood or not before):
        return _written(folder, made, {}, aside, private)
    listed = folder / f"{name}.{CHANGES}"
    told = listed.read_text(encoding="utf-8", errors="replace") if _is_plain(listed) else ""
    mark = _mark(before)
    kept = {place / _marked(file, mark): content for file, content in before.items()}
    entry = list(_entry(folder, before, made, mark, number=told.count("\n## ") + 1, quarter=quarter))
    if roster is not None:
        if (earlier := _find_case_list(place, name, before)) is None:
            entry.append(NO_LIST)
        else:
            change, codes = roster_change(earlier, roster), place / f"{name}.{mark}-{_mark(made)}.cases.txt"
            entry += _rows_told(change)
            entry.append(
                f"Cases added: {len(change.added)}; left: {len(change.left)}; changed: {len(change.changed)}. Their "
                f"codes are in {codes.relative_to(folder).as_posix()}, for who holds the records."
            )
            aside[codes] = _codes_told(change, was=mark, became=_mark(made))
    head = told or f"What changed in {name}, the latest at the end.\n"
    written = _written(folder, {**made, listed.name: "\n".join((head, *entry, "")).encode()}, kept, aside, private)
    with told_of_disk(f"pages of the earlier report, which the archive has, cannot be taken away from {folder}"):
        for gone in before.keys() - made.keys():
            (folder / gone).unlink()
    return written


def _written(
    folder: Path,
    made: Mapping[str, bytes],
    kept: Mapping[Path, bytes],
    aside: Mapping[Path, bytes],
    private: tuple[str, ...],
) -> list[Path]:
    """Write what goes to the archive, the lists of cases for their owner alone, and then the report."""
    there = {path for path in (*kept, *aside) if path.exists()}
    for place in {path.parent for path in (*kept, *aside)}:
        throw_away(place)
    try:
        for path, content in kept.items():
            write_bytes(path, content, private=path.name.endswith(private))
        for path, content in aside.items():
            write_bytes(path, content, private=True)
        return write_together(folder, made, private=[name for name in made if name.endswith(private)])
    except BaseException:
        # The report that stood there stands: kept as an earlier one it would be told of twice.
        added = (*kept, *aside)
        for path in set(added) - there:
            path.unlink(missing_ok=True)
        for place in dict.fromkeys([*(path.parent for path in added), *(path.parent.parent for path in added)]):
            if place.is_dir() and not any(place.iterdir()):
                place.rmdir()
        raise


def _marked(file: str, mark: str) -> str:
    stem, _, suffix = file.partition(".")
    return f"{stem}.{mark}.{suffix}"


def _is_plain(path: Path) -> bool:
    """Whether something stands there that would be lost; a link is replaced, and what it leads to stays."""
    if not path.is_file() or path.is_symlink():
        return False
    if path.stat().st_size > MOST_BYTES:
        raise OnsetStudyError(f"{path} is too large for a report. Choose another folder")
    return True


def _mark(files: Mapping[str, bytes]) -> str:
    """One mark for all files of an earlier report, so that they are found together."""
    told = "".join(f"{name} {hashlib.sha256(files[name]).hexdigest()}\n" for name in sorted(files))
    return hashlib.sha256(told.encode()).hexdigest()[:MARK]


def _archive(folder: Path, quarter: str) -> Path:
    place = folder / ARCHIVE / quarter
    if place.is_symlink() or place.parent.is_symlink():
        what = f"{place} is a link, and earlier reports are kept in the folder itself"
        raise OnsetStudyError(f"{what}. Take the link away")
    return place


def _entry(
    folder: Path, before: Mapping[str, bytes], made: Mapping[str, bytes], mark: str, *, number: int, quarter: str
) -> Iterator[str]:
    yield f"## {number}. In place of the report kept in {ARCHIVE}/{quarter} with the mark {mark}"
    if replaced := sorted(n for n in before if n in made and before[n] != made[n]):
        yield f"Files replaced: {', '.join(replaced)}."
    if gone := sorted(set(before) - set(made)):
        yield f"Files taken away, because they were not made again: {', '.join(gone)}."
    numbers = next((n for n in made if n.endswith(".json")), None)
    if numbers is None or numbers not in before:
        yield "One of the two was written without its JSON file: what changed in the numbers is not listed."
        return
    try:
        yield from changes(read_json(folder / numbers), parse_json(numbers, made[numbers].decode("utf-8")))
    except Unreadable:
        yield "The earlier JSON file cannot be read, and was kept as it is: what changed is not listed."


def changes(earlier: Any, now: Any) -> tuple[str, ...]:
    """What differs between two reports, given as their JSON: records, rows in and out, and every claim's number.

    Parameters
    ----------
    earlier, now : mapping
        Content of the JSON files of a practice's or a group's reports. The earlier may be anything.
    """
    if not isinstance(earlier, Mapping):
        return ("The earlier JSON file is no report: what changed is not listed.",)
    found = [*map(_count_told, _differing(_stages(earlier), _stages(now)))]
    claimed = _differing(_numbers(earlier), _numbers(now))
    found += [f"{key}: {a or 'not told'} → {b or 'not told'}." for key, a, b in claimed]
    data = _at(earlier, "provenance", "records_digest") != _at(now, "provenance", "records_digest")
    promised = _at(earlier, "provenance", "protocol_digest") != _at(now, "provenance", "protocol_digest")
    told = ["The records are others than before." if data else "The records are the same."]
    if promised:
        told.append("The protocol is another than before.")
    return (*told, *(found or ["No count and no number of a claim differs."]))


def _differing(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[tuple[str, Any, Any]]:
    """What differs, as it was and as it is; ``None`` where it is not there."""
    pairs = [(key, before.get(key), after.get(key)) for key in dict.fromkeys((*before, *after))]
    return [(key, a, b) for key, a, b in pairs if a != b]


def _count_told(change: tuple[str, Any, Any]) -> str:
    stage, a, b = change
    step = f" ({b - a:+d})" if isinstance(a, int) and isinstance(b, int) else ""
    return f"Cases {stage}: {_shown(a)} → {_shown(b)}{step}."


def _stages(report: Mapping[str, Any]) -> dict[str, Any]:
    """Cases at every stage of the flow; of a group, those compared."""
    stages = _at(report, "flow", "stages")
    if isinstance(stages, list):
        return {str(s.get("name")): s.get("count") for s in _mappings(stages)}
    return {"compared": _at(report, "overall", "n", "cases")}


def _numbers(report: Mapping[str, Any]) -> dict[str, str]:
    """Every claim's number; of a group none of a single practice.

    Letters are drawn anew for every report: the same letter is another practice, and to say which was which would undo
    that for whoever reads the list.
    """
    letters = {p.get("letter") for p in _mappings(report.get("practices"))}
    return {
        str(c.get("key")): f"{_shown(c.get('estimate'))} ({_shown(c.get('low'))} to {_shown(c.get('high'))})"
        for c in _mappings(report.get("claims"))
        if c.get("subset") not in letters
    }


def _mappings(value: Any) -> list[Mapping[str, Any]]:
    return [item for item in value if isinstance(item, Mapping)] if isinstance(value, list) else []


def _shown(value: Any) -> str:
    if value is None:
        return "none"
    return f"{value:.4g}" if isinstance(value, float) else str(value)[:40]


def _at(content: Any, *keys: str) -> Any:
    for key in keys:
        content = content.get(key) if isinstance(content, Mapping) else None
    return content


# Lists of cases -------------------------------------------------------------------------------------------------------


def _case_list(roster: Roster, made: Mapping[str, bytes]) -> bytes:
    """Text of the list of cases of a report, which names its documents by their digests."""
    body = {
        "what": WHAT,
        "documents": _digests(made),
        "rows": dict(roster.rows),
        "cases": {code: asdict(listed) for code, listed in sorted(roster.cases.items())},
    }
    return (json.dumps(body, indent=0, sort_keys=True, ensure_ascii=False) + "\n").encode()


def _find_case_list(folder: Path, name: str, documents: Mapping[str, bytes]) -> Roster | None:
    """The list that was kept with these documents; ``None`` where there is none that can be read."""
    digests = _digests(documents)
    for path in sorted(folder.glob(f"{name}.*.cases.json")):
        try:
            content = read_json(path)
        except Unreadable:
            continue
        held = content.get("documents") if isinstance(content, dict) else None
        if isinstance(held, dict) and any(held.get(file) == digest for file, digest in digests.items()):
            return _roster(content)
    return None


def _digests(documents: Mapping[str, bytes]) -> dict[str, str]:
    return {name: hashlib.sha256(content).hexdigest() for name, content in documents.items()}


def _roster(content: Mapping[str, Any]) -> Roster | None:
    rows, cases = content.get("rows"), content.get("cases")
    if not isinstance(rows, dict) or not isinstance(cases, dict) or len(cases) > MOST_CASES:
        return None
    if set(rows) != set(ROWS) or not all(type(n) is int and n >= 0 for n in rows.values()):
        return None
    if not all(is_text(code) and _is_case(told) for code, told in cases.items()):
        return None
    return Roster(rows=rows, cases={code: Listed(**told) for code, told in cases.items()})


def _is_case(told: Any) -> bool:
    return isinstance(told, dict) and set(told) == {"row", "tests", "standing"} and all(map(is_text, told.values()))


def _rows_told(change: RosterChange) -> list[str]:
    """Numbers of rows that differ, which anybody may read."""
    return [f"Rows, {name}: {a} → {b} ({b - a:+d})." for name, a, b in change.rows if a != b]


def _codes_told(change: RosterChange, *, was: str, became: str) -> bytes:
    """The codes of cases that came, went or changed between two reports, named by their marks."""
    lines = [
        f"Cases from the report {was} to the report {became}. For who holds the records: not to be given away.",
        *_rows_told(change),
        f"Added: {len(change.added)}",
        *(f"  {code}" for code in change.added),
        f"Left, taken out of the records or refused: {len(change.left)}",
        *(f"  {code}" for code in change.left),
        f"Changed: {len(change.changed)}",
        *(f"  {code}: {what}" for code, what in change.changed),
    ]
    return ("\n".join(lines) + "\n").encode()


# Earlier pages --------------------------------------------------------------------------------------------------------


def earlier_cases(given: Sequence[Path], folder: Path, study: str) -> list[tuple[str, dict[str, Sent]]]:
    """Name of each earlier page and of the files sent before, with what it counts of every practice.

    Parameters
    ----------
    given : sequence of Path
        Coordinator's files, exchange files, or folders of them.
    folder : Path
        Where pages of the group are written: those that stand there, and in its archive, are earlier ones.
    study : str
        Pages of other studies are passed over.

    Raises
    ------
    OnsetStudyError
        If something that was given cannot be read; what merely lies in the folder is then passed over.
    """
    found: list[tuple[str, dict[str, Sent]]] = []
    for path in (*sorted(folder.glob(PAGE)), *sorted((folder / ARCHIVE).rglob(PAGE))):
        try:
            found += _page(path, study)
        except ReportError:
            continue
    files = []
    for path in given:
        pages = sorted(path.rglob(PAGE)) if path.is_dir() else [path] if not path.name.endswith(SUFFIX) else []
        for page in pages:
            found += _page(page, study)
        if path.name.endswith(SUFFIX) or (path.is_dir() and (not pages or any(path.glob(f"*{SUFFIX}")))):
            files += find_exchanges([path])
    sent = [e for e in (read_exchange(path) for path in files) if e.study == study]
    return found + [("the files sent before", cases_of_files(together)) for together in by_sending(sent)]


def _page(path: Path, study: str) -> list[tuple[str, dict[str, Sent]]]:
    results = read_results(path)
    if not isinstance(results, GroupResults):
        raise ReportError(f"{path.name} is no page of a group; give its coordinator's file or exchange files")
    return [(path.name, cases_of_page(results))] if results.protocol.study.id == study else []
