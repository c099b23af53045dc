"""Text files of others, read without trust: size and depth before anything is built from them, and never a traceback.

Used for every JSON and TOML file that a command reads. What stands inside is judged by who knows what it means.
"""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from onsetstudy.core.errors import OnsetStudyError, Problem, RecordsError, Where
from onsetstudy.core.serialise import from_dict

LARGEST_MB = 64
DEEPEST = 39
MB = 1024 * 1024
Result = TypeVar("Result")


class Unreadable(RecordsError):
    """A file that cannot be read: why, and what to do."""


def problem_in(
    path: Path, what: str, mend: str, code: str, *, sheet: str | None = None, row: int | None = None
) -> Problem:
    """What is wrong with a file, or at a place in it."""
    return Problem(what=what, where=Where(file=path.name, sheet=sheet, row=row), mend=mend, code=code)


def read_json(path: str | Path, *, refuse: Callable[[str], OnsetStudyError] | None = None) -> Any:
    """Content of a JSON file, as :func:`parse_json` takes it.

    Raises
    ------
    Unreadable
        If it cannot be read; or what ``refuse`` makes of the reason.
    """
    try:
        return parse_json(path, read_text(path))
    except Unreadable as error:
        raise error if refuse is None else refuse(error.problems[0].what) from None


def understood(content: Any, kind: type[Result]) -> Result | None:
    """The result, of a kind, that a content was made from; ``None`` where it is none."""
    try:
        found = from_dict(content)
    except (OnsetStudyError, ValueError, TypeError, AttributeError, KeyError, RecursionError):
        return None
    return found if isinstance(found, kind) else None


def read_text(path: str | Path, *, largest_mb: int = LARGEST_MB, may_be_empty: bool = False) -> str:
    """Text of a file, without the byte order mark that mail programmes put before it.

    Raises
    ------
    Unreadable
        If it is not there, is no plain file, is larger than any file of its kind, or is not text.
    """
    path = Path(path)

    def refuse(what: str, mend: str, code: str) -> Unreadable:
        return Unreadable(problem_in(path, what, mend, code))

    try:
        if path.is_dir():
            raise refuse("this is a folder, not a file", "give the file in it", "read")
        if not path.is_file():
            raise refuse(f"there is no file {path}", "check the name and the folder", "read")
        if path.stat().st_size > largest_mb * MB:
            what = f"the file has more than {largest_mb} MB, which no file of this kind has"
            raise refuse(what, "check that it is the file that was meant", "large")
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise refuse(f"it cannot be read ({error.strerror})", "copy it again", "read") from None
    except UnicodeDecodeError:
        mend = "ask for the file itself, or save it as plain text with the encoding UTF-8"
        raise refuse("the file is not text in UTF-8", mend, "not_text") from None
    if not (may_be_empty or text.strip()):
        raise refuse("the file is empty", "copy or send it again", "empty")
    return text


def parse_json(path: str | Path, text: str) -> Any:
    """Content of a JSON text that has no double keys, no endless numbers and no bottomless nesting.

    Raises
    ------
    Unreadable
        With the line where that is known.
    """
    path = Path(path)
    try:
        return _not_too_deep(path, lambda: DECODER.decode(text))
    except json.JSONDecodeError as error:
        # A file cut off in a word or a number fails at the beginning of that, on its last line.
        cut = "\n" not in text[error.pos :].rstrip()
        what = "the file ends in the middle" if cut else f"line {error.lineno} cannot be read"
        raise Unreadable(problem_in(path, what, "copy or send it again; do not correct it by hand", "cut")) from None
    except _Refused as error:
        raise Unreadable(problem_in(path, str(error), "ask for the file as it was made", "content")) from None


def parse_toml(path: str | Path, text: str) -> dict[str, Any]:
    """Content of a TOML text.

    Raises
    ------
    Unreadable
        If it is nested beyond any file of ours.
    tomllib.TOMLDecodeError
        If it is no TOML; its reader knows best what to say.
    """
    return _not_too_deep(Path(path), lambda: tomllib.loads(text))


class _Refused(Exception):
    pass


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise _Refused(f'the key "{twice[:40]}" stands twice in one place')
    return found


def _no_constant(name: str) -> float:
    raise _Refused(f"{name} is no number of a JSON file")


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise _Refused(f"the number {text[:20]} is too large")
    return value


def _whole(text: str) -> int:
    if len(text) > 19:
        raise _Refused(f"the number {text[:20]} is too large")
    return int(text)


DECODER = json.JSONDecoder(object_pairs_hook=_once, parse_constant=_no_constant, parse_float=_finite, parse_int=_whole)


def _not_too_deep(path: Path, read: Callable[[], Result]) -> Result:
    what = "its content is nested deeper, or its numbers are longer, than in any file of this kind"
    too_deep = Unreadable(problem_in(path, what, "ask for the file as it was made", "deep"))
    try:
        content = read()
    except (json.JSONDecodeError, tomllib.TOMLDecodeError):
        raise
    except (RecursionError, ValueError):
        raise too_deep from None
    if deeper_than(DEEPEST, content):
        raise too_deep
    return content


def deeper_than(levels: int, content: Any) -> bool:
    """Whether lists and objects lie deeper in each other; level by level, so that depth cannot exhaust the stack."""
    here = [content]
    for _ in range(levels):
        tables = [value for value in here if isinstance(value, dict | list)]
        here = [inner for value in tables for inner in (value.values() if isinstance(value, dict) else value)]
    return any(isinstance(value, dict | list) for value in here)
