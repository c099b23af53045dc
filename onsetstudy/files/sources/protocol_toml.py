"""Protocol files."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from onsetstudy.core.errors import Gathered, Problem, ProtocolError, Where, require
from onsetstudy.files.guard import Unreadable, parse_toml, problem_in, read_text
from onsetstudy.protocol.check import check_protocol
from onsetstudy.protocol.model import Protocol

DECIMAL_COMMA = re.compile(r"(\s*[A-Za-z_][\w.]*\s*)=\s*([+-]?\d+),(\d+)(\s*(?:#.*)?)")
PROTOCOL_FIRST = "give the protocol (.toml) first, then the records"
LARGEST_MB = 1


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
    refuse_folder(path)
    if path.suffix.lower() in (".xlsx", ".xlsm", ".xls", ".csv"):
        raise ProtocolError(problem_in(path, "this is a table, not a protocol file", PROTOCOL_FIRST, "file"))
    try:
        content, commas = _parsed(path, read_text(path, largest_mb=LARGEST_MB, may_be_empty=True))
    except Unreadable as error:
        raise ProtocolError(error.problems) from None
    with commas:
        checked = check_protocol(content, file=path.name)
    if commas:
        raise ProtocolError(commas)
    return checked


def refuse_folder(path: Path) -> None:
    """Refuse a folder where a protocol is asked for.

    Raises
    ------
    ProtocolError
        If it is one.
    """
    if path.is_dir():
        mend = "give the .toml file in it" if any(path.glob("*.toml")) else PROTOCOL_FIRST
        raise ProtocolError(problem_in(path, "this is a folder, not a protocol file", mend, "file"))


def _parsed(path: Path, text: str) -> tuple[dict[str, Any], Gathered]:
    """Content of a TOML text, as it would be without decimal commas, and a problem for each of them."""
    try:
        return parse_toml(path, text), Gathered()
    except tomllib.TOMLDecodeError:
        text, commas = _without_decimal_commas(text, path.name)
    try:
        return parse_toml(path, text), commas
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"\(at line (\d+), column \d+\)", str(error))
        told = re.sub(r"\s*\(at .*\)$", "", str(error)).rstrip(".")
        what = f"this is not valid TOML: {told[:1].lower()}{told[1:]}"
        mend = (
            'texts stand between straight quotation marks ("), lists between square brackets; compare with the '
            "protocols provided"
        )
        row = int(found[1]) if found else None
        raise ProtocolError([*commas, problem_in(path, what, mend, "file", row=row)]) from None


def _without_decimal_commas(text: str, file: str) -> tuple[str, Gathered]:
    """The text as it would read with decimal points, and a problem for every key with a decimal comma.

    The comma makes the file unreadable; so that everything else is told at once, it is read as if it were mended.
    """
    lines, problems = text.split("\n"), Gathered()
    for row, line in enumerate(lines, start=1):
        if found := DECIMAL_COMMA.fullmatch(line):
            key, whole, part, rest = found.groups()
            value = f"{whole},{part}"
            what, mend = f"{key.strip()} = {value} has a comma", f"write {whole}.{part} with a point"
            where = Where(file=file, row=row, key=key.strip())
            problems.append(Problem(what=what, where=where, mend=mend, value=value, code="decimal_comma"))
            lines[row - 1] = f"{key}= {whole}.{part}{rest}"
    return "\n".join(lines), problems
