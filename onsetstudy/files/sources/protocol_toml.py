"""Protocol files."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from onsetstudy.core.errors import Problem, ProtocolError, Where, require
from onsetstudy.files.guard import Unreadable, parse_toml
from onsetstudy.protocol.check import check_protocol
from onsetstudy.protocol.model import Protocol

__all__ = ["read_protocol"]

DECIMAL_COMMA = re.compile(r"(\s*[A-Za-z_][\w.]*\s*)=\s*([+-]?\d+),(\d+)(\s*(?:#.*)?)")

LARGEST_KB = 1024


def read_protocol(path: str | Path) -> Protocol:
    """Protocol described by a TOML file.

    Raises
    ------
    ProtocolError
        If the file is not there, is not text, is not TOML, or promises what cannot be kept; with all problems.

    Examples
    --------
    >>> from onsetstudy import read_protocol
    >>> protocol = read_protocol("protocols/infiltration_audit.toml")
    >>> protocol.arm_codes
    ('plain', 'buffered')
    """
    require(path, (str, Path), "path", "give the name of a protocol file (.toml)")
    path = Path(path)

    def refuse(what: str, mend: str, row: int | None = None) -> ProtocolError:
        return ProtocolError(Problem(what=what, where=Where(file=path.name, row=row), mend=mend, code="file"))

    if not path.exists():
        raise refuse(f"there is no file {path}", "check the name and the folder")
    if path.is_dir():
        raise refuse("this is a folder, not a protocol file", "give the .toml file in it")
    if path.suffix.lower() in (".xlsx", ".xlsm", ".xls", ".csv"):
        raise refuse("this is a table, not a protocol file", "give the protocol (.toml) first, then the records")
    try:
        if path.stat().st_size > LARGEST_KB * 1024:
            raise refuse(f"the file has more than {LARGEST_KB} kB, as no protocol has", "check that it is the protocol")
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise refuse("the file is not text in UTF-8", "save it as plain text with the encoding UTF-8") from None
    except OSError as error:
        raise refuse(f"the file cannot be read ({error.strerror})", "check the permission") from None
    commas: list[Problem] = []
    try:
        content = parse_toml(path, text)
    except Unreadable as error:
        raise ProtocolError(error.problem) from None
    except tomllib.TOMLDecodeError:
        text, commas = _without_decimal_commas(text, path.name)
        try:
            content = parse_toml(path, text)
        except Unreadable as error:
            raise ProtocolError(error.problem) from None
        except tomllib.TOMLDecodeError as error:
            found = re.search(r"\(at line (\d+), column \d+\)", str(error))
            what = re.sub(r"\s*\(at .*\)$", "", str(error)).rstrip(".")
            told = refuse(
                f"this is not valid TOML: {what[:1].lower()}{what[1:]}",
                'texts stand between straight quotation marks ("), lists between square brackets; compare with the '
                "protocols provided",
                row=int(found[1]) if found else None,
            )
            raise ProtocolError([*commas, *told.problems]) from None
    try:
        checked = check_protocol(content, file=path.name)
    except ProtocolError as error:
        raise ProtocolError([*commas, *error.problems]) from None
    if commas:
        raise ProtocolError(commas)
    return checked


def _without_decimal_commas(text: str, file: str) -> tuple[str, list[Problem]]:
    """The text as it would read with decimal points, and a problem for every key with a decimal comma.

    The comma makes the file unreadable; so that everything else is told at once, it is read as if it were mended.
    """
    lines, problems = text.split("\n"), []
    for row, line in enumerate(lines, start=1):
        if found := DECIMAL_COMMA.fullmatch(line):
            key, whole, part, rest = found.groups()
            value = f"{whole},{part}"
            what, mend = f"{key.strip()} = {value} has a comma", f"write {whole}.{part} with a point"
            where = Where(file=file, row=row, key=key.strip())
            problems.append(Problem(what=what, where=where, mend=mend, value=value, code="decimal_comma"))
            lines[row - 1] = f"{key}= {whole}.{part}{rest}"
    return "\n".join(lines), problems
