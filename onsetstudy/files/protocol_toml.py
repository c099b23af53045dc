"""Protocol files."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from onsetstudy.core.errors import Problem, ProtocolError, Where
from onsetstudy.protocol.check import check_protocol
from onsetstudy.protocol.model import Protocol

__all__ = ["read_protocol"]


def read_protocol(path: str | Path) -> Protocol:
    """Protocol described by a TOML file.

    Raises
    ------
    ProtocolError
        If the file is not there, is not text, is not TOML, or promises what cannot be kept; with all problems.
    """
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
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise refuse("the file is not text in UTF-8", "save it as plain text with the encoding UTF-8") from None
    except OSError as error:
        raise refuse(f"the file cannot be read ({error.strerror})", "check the permission") from None
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"\(at line (\d+), column \d+\)", str(error))
        what = re.sub(r"\s*\(at .*\)$", "", str(error)).rstrip(".")
        raise refuse(
            f"this is not valid TOML: {what[:1].lower()}{what[1:]}",
            'texts stand between straight quotation marks ("), lists between square brackets; compare with the '
            "protocols provided",
            row=int(found[1]) if found else None,
        ) from None
    return check_protocol(content, file=path.name)
