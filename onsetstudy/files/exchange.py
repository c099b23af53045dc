"""Exchange files: one practice's counts for its group, as JSON that anybody can open and read."""

from __future__ import annotations

import dataclasses
import importlib.metadata
import json
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from onsetstudy.core.canonical import canonical_json, digest_of_content
from onsetstudy.core.errors import Gathered, Problem, RecordsError, Where
from onsetstudy.core.type_check import may_be_newer
from onsetstudy.files.guard import parse_json, problem_in, read_text, understood
from onsetstudy.files.output import write_bytes
from onsetstudy.study.counts.exchange_check import CODE, check_exchange, coded
from onsetstudy.study.exchange_results import SCHEMA, Exchange, as_sent

SUFFIX = ".exchange.json"
NO_EXCHANGE = ("this is not an exchange file", "give a file that the command send has written", "not_an_exchange")
KEYS = frozenset({"kind", "version", *(field.name for field in dataclasses.fields(Exchange))} - {"newer"})
"""Parts of the content that this version writes."""
VERSION = re.compile(r"onsetstudy (\d{1,6}(?:\.\d{1,6}){0,4})")
ABOUT = (
    "Counts of one practice for its study group, made by onsetstudy. It holds no code of a patient or a case. The "
    "digest is the SHA-256 of the content with sorted keys and without spaces."
)


def exchange_name(exchange: Exchange) -> str:
    """Name of the file: study, practice, first and last quarter."""
    first, last = exchange.quarters[0], exchange.quarters[-1]
    period = first if first == last else f"{first}-{last}"
    return f"{exchange.study}-{exchange.practice}-{period}{SUFFIX}"


def exchange_text(exchange: Exchange) -> str:
    """The file's text; the same counts give the same text."""
    content = as_sent(exchange)
    body = {"about": ABOUT, "schema": SCHEMA, "digest": digest_of_content(content), "content": content}
    return json.dumps(body, indent=0, ensure_ascii=False, allow_nan=False) + "\n"


def write_exchange(exchange: Exchange, folder: str | Path) -> Path:
    """Write the file of a practice into a folder; returns its path.

    Raises
    ------
    RecordsError
        If the practice's code is none that can stand in the name of a file.
    """
    if not CODE.fullmatch(exchange.practice):
        what = "the code of the practice holds signs that the name of a file cannot have"
        raise RecordsError(problem_in(Path(), what, "write it with letters, digits and hyphens in the records", "code"))
    return write_bytes(Path(folder) / exchange_name(exchange), exchange_text(exchange).encode("utf-8"))


def find_exchanges(paths: Sequence[str | Path]) -> list[Path]:
    """Files as given, and all exchange files of the folders given, in the order of their names.

    Raises
    ------
    RecordsError
        If a path is not there or a folder holds none.
    """
    found: list[Path] = []
    problems = []
    for path in map(Path, paths):
        inside = sorted(path.glob(f"*{SUFFIX}")) if path.is_dir() else [path] if path.exists() else []
        if not inside:
            what = "there is no exchange file in this folder" if path.is_dir() else "there is no such file"
            problems.append(problem_in(path, what, f"give files that end in {SUFFIX}, or their folder", "not_there"))
        found += inside
    if problems:
        raise RecordsError(problems)
    return sorted(dict.fromkeys(found), key=lambda p: (p.name, str(p)))


def skipped_files(paths: Sequence[str | Path]) -> list[str]:
    """Names of files in the folders given that look as if they were meant, but are not read."""
    read = set(find_exchanges(paths))
    inside = {p for path in map(Path, paths) if path.is_dir() for p in path.iterdir() if p.is_file()}
    meant = (p for p in inside if ".json" in p.name.lower() or ".exchange" in p.name.lower())
    return sorted(p.name for p in meant if p not in read and not p.name.startswith("."))


def read_exchanges(paths: Sequence[str | Path]) -> list[tuple[str, Exchange]]:
    """Names and contents of several files; the folders stand with the names of those that share one.

    Raises
    ------
    RecordsError
        With the problems of all files at once.
    """
    read, problems, found = [], Gathered(), find_exchanges(paths)
    names = [path.name for path in found]
    for path, name in zip(found, names, strict=True):
        with problems:
            read.append((name if names.count(name) == 1 else str(path), read_exchange(path)))
    if problems:
        raise RecordsError(problems)
    return read


def read_exchange(path: str | Path) -> Exchange:
    """Content of one file.

    Raises
    ------
    RecordsError
        If it cannot be read, was cut short, was changed after it was made, or is of a version that is not known.
    """
    path = Path(path)
    text = read_text(path)
    body = parse_json(path, text) if text.lstrip().startswith("{") else None
    if not isinstance(body, dict) or not {"schema", "digest", "content"} <= set(body):
        raise RecordsError(problem_in(path, *NO_EXCHANGE))
    if body["schema"] != SCHEMA:
        raise RecordsError(_other_version(path, body["schema"]))
    unknown = sorted(set(body) - {"about", "schema", "digest", "content"})
    if unknown or body.get("about", ABOUT) != ABOUT:
        what = f"it holds {len(unknown) or 1} part beside its content that this version does not write"
        raise RecordsError(problem_in(path, what, "ask the practice to send the file as it was made", "unknown"))
    if digest_of_content(body["content"]) != body["digest"]:
        what = "the content does not fit its digest: it was changed after it was made"
        raise RecordsError(problem_in(path, what, "ask the practice to send it again", "digest"))
    content, newer = _newer_parts(path, body["content"])
    if (exchange := understood(content, Exchange)) is None:
        mend = "make it anew with the same version of onsetstudy"
        raise RecordsError(problem_in(path, "its content cannot be understood", mend, "content"))
    exchange = dataclasses.replace(exchange, newer=newer)
    if problems := check_exchange(exchange):
        raise RecordsError([dataclasses.replace(problem, where=Where(file=path.name)) for problem in problems])
    return exchange


def _newer_parts(path: Path, content: Any) -> tuple[Any, tuple[tuple[str, str], ...]]:
    """The content that this version knows, and what a newer one has added to it: names and JSON texts.

    Raises
    ------
    RecordsError
        If the file says that no newer version made it, or what was added is no code, number or table of such.
    """
    if not isinstance(content, dict) or not (unknown := sorted(set(content) - KEYS)):
        return content, ()
    told = "a part" if len(unknown) == 1 else f"{len(unknown)} parts"
    if not _made_later(content.get("made_with")):
        what = f"its content holds {told} that this version does not write"
        raise RecordsError(problem_in(path, what, "ask the practice to send the file as it was made", "unknown"))
    if not all(may_be_newer(name, known=KEYS, found=content) and coded(content[name]) for name in unknown):
        what = f"its content holds {told} that this version does not know, with words that are no codes"
        raise RecordsError(problem_in(path, what, "ask the practice for a file made by this version", "unknown"))
    known = {name: value for name, value in content.items() if name in KEYS}
    return known, tuple((name, canonical_json(content[name])) for name in unknown)


def _made_later(made_with: Any) -> bool:
    """Whether a file says that a version after this one made it."""
    told = VERSION.fullmatch(made_with) if isinstance(made_with, str) else None
    ours = VERSION.match(f"onsetstudy {importlib.metadata.version('onsetstudy')}")
    if told is None or ours is None:
        return False
    later, own = (tuple(map(int, version[1].split("."))) for version in (told, ours))
    return later > own


def _other_version(path: Path, schema: Any) -> Problem:
    what = f"its content is of version {schema}, and version {SCHEMA} is needed here"
    mend = "make it anew with the same version of onsetstudy"
    if isinstance(schema, int) and schema < SCHEMA:
        what += "; it was made before unfinished waits and cases without a word on harms were counted"
        mend = "ask the practice to make it anew from its records with this version of onsetstudy"
    return problem_in(path, what, mend, "schema")
