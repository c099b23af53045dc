"""Reports that take the place of earlier ones: the earlier is kept by quarter, and a list says what changed."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.files.atomic_write import finish_together, throw_away, write_together
from onsetstudy.files.documents.case_lists import case_list, codes_told, counts_told, find_case_list
from onsetstudy.files.guard import Unreadable, parse_json, read_json
from onsetstudy.files.output import write_bytes
from onsetstudy.records.derived.roster import Roster

__all__ = ["ARCHIVE", "changes", "write_in_place"]

ARCHIVE = "archive"
MARK = 12
MOST_BYTES = 200_000_000


def write_in_place(
    folder: Path, made: Mapping[str, bytes], *, name: str, quarter: str, roster: Roster | None = None
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

    Returns
    -------
    list of Path
        The files of the report, and the list of changes where it was written.

    Raises
    ------
    OnsetStudyError
        If a file cannot be written, or the archive is a link that leads elsewhere; the report that stood there stays.
    """
    folder = Path(folder)
    # A report that was whole when its program was killed is the earlier one.
    finish_together(folder)
    before = {n: (folder / n).read_bytes() for n in made if _is_plain(folder / n)}
    place = _archive(folder, quarter)
    aside: dict[Path, bytes] = {}
    if roster is not None:
        aside[place / f"{name}.{_mark(made)}.cases.json"] = case_list(roster, made)
    if all(made[n] == content for n, content in before.items()):
        return _written(folder, made, {}, aside)
    listed = folder / f"{name}.changes.txt"
    told = listed.read_text(encoding="utf-8", errors="replace") if _is_plain(listed) else ""
    mark = _mark(before)
    kept = {place / _marked(file, mark): content for file, content in before.items()}
    entry = list(_entry(folder, before, made, mark, number=told.count("\n## ") + 1, quarter=quarter))
    if roster is not None:
        earlier = find_case_list(place, name, before)
        codes = place / f"{name}.{mark}-{_mark(made)}.cases.txt"
        entry += counts_told(earlier, roster, place=codes.relative_to(folder).as_posix())
        if earlier is not None:
            aside[codes] = codes_told(earlier, roster, was=mark, became=_mark(made))
    head = told or f"What changed in {name}, the latest at the end.\n"
    text = "\n".join(entry)
    return _written(folder, {**made, listed.name: f"{head}\n{text}\n".encode()}, kept, aside)


def _written(
    folder: Path, made: Mapping[str, bytes], kept: Mapping[Path, bytes], aside: Mapping[Path, bytes]
) -> list[Path]:
    """Write what goes to the archive, the lists of cases for their owner alone, and then the report."""
    there = {path for path in (*kept, *aside) if path.exists()}
    for place in {path.parent for path in (*kept, *aside)}:
        throw_away(place)
    try:
        for path, content in kept.items():
            write_bytes(path, content)
        for path, content in aside.items():
            write_bytes(path, content, private=True)
        return write_together(folder, made)
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
        raise OnsetStudyError(
            f"{place} is a link, and earlier reports are kept in the folder itself. Take the link away"
        )
    return place


def _entry(
    folder: Path, before: Mapping[str, bytes], made: Mapping[str, bytes], mark: str, *, number: int, quarter: str
) -> Iterator[str]:
    yield f"## {number}. In place of the report kept in {ARCHIVE}/{quarter} with the mark {mark}"
    replaced = sorted(n for n in before if before[n] != made[n])
    yield f"Files replaced: {', '.join(replaced)}."
    numbers = next((n for n in made if n.endswith(".json")), None)
    if numbers is None or numbers not in before:
        yield "One of the two was written without its JSON file: what changed in the numbers is not listed."
        return
    try:
        earlier = read_json(folder / numbers)
        yield from changes(earlier, parse_json(numbers, made[numbers].decode("utf-8")))
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
    found = [*_counts(earlier, now), *_claims(earlier, now)]
    data = _at(earlier, "provenance", "records_digest") != _at(now, "provenance", "records_digest")
    promised = _at(earlier, "provenance", "protocol_digest") != _at(now, "provenance", "protocol_digest")
    told = ["The records are others than before." if data else "The records are the same."]
    if promised:
        told.append("The protocol is another than before.")
    return (*told, *(found or ["No count and no number of a claim differs."]))


def _counts(earlier: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[str]:
    before, after = _stages(earlier), _stages(now)
    for stage in dict.fromkeys((*before, *after)):
        a, b = before.get(stage), after.get(stage)
        if a != b:
            step = f" ({b - a:+d})" if isinstance(a, int) and isinstance(b, int) else ""
            yield f"Cases {stage}: {_shown(a)} → {_shown(b)}{step}."


def _stages(report: Mapping[str, Any]) -> dict[str, Any]:
    """Cases at every stage of the flow; of a group, those compared and those of each practice."""
    stages = _at(report, "flow", "stages")
    if isinstance(stages, list):
        return {str(s.get("name")): s.get("count") for s in _mappings(stages)}
    each = {f"of {p.get('letter')}": _at(p, "n", "cases") for p in _mappings(report.get("practices"))}
    return {"compared": _at(report, "overall", "n", "cases"), **each}


def _claims(earlier: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[str]:
    before, after = _numbers(earlier), _numbers(now)
    for key in dict.fromkeys((*before, *after)):
        if before.get(key) != after.get(key):
            yield f"{key}: {before.get(key, 'not told')} → {after.get(key, 'not told')}."


def _numbers(report: Mapping[str, Any]) -> dict[str, str]:
    return {
        str(c.get("key")): f"{_shown(c.get('estimate'))} ({_shown(c.get('low'))} to {_shown(c.get('high'))})"
        for c in _mappings(report.get("claims"))
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
