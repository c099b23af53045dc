"""Codes of cases by the pattern that a protocol declares: the one place that says whether a code fits."""

from __future__ import annotations

import re
from collections.abc import Sequence

from onsetstudy.protocol.model import StudyIdentity

__all__ = ["code_fault", "pattern_fault", "pattern_misfit"]

PRACTICE = "{practice}"
SIGNS = {"#": "[0-9]", "@": "[a-z]", "*": "[0-9a-z]"}
"""A digit, a letter, either; without capitals, as codes are compared."""
ANY_PRACTICE = "[a-z0-9][a-z0-9-]*"
PLAIN = re.compile(r"[A-Za-z0-9._-]*")
LONGEST = 60
FEWEST = 3


def pattern_fault(pattern: str) -> str:
    """What is wrong with a pattern, empty if nothing.

    ``{practice}`` stands for the code of the practice, ``#`` for a digit, ``@`` for a letter and ``*`` for either;
    letters, digits, points, hyphens and low lines stand for themselves.
    """
    rest = pattern.replace(PRACTICE, "", 1)
    kinds = "".join(sign for sign in rest if sign in SIGNS)
    if len(pattern) > LONGEST or not PLAIN.fullmatch("".join(sign for sign in rest if sign not in SIGNS)):
        return f"write {PRACTICE}, # for a digit, @ for a letter, * for either, and signs that codes have"
    if len(kinds) < FEWEST or set(kinds) == {"@"}:
        return f"leave at least {FEWEST} places open, one of them for a digit: too few codes, or names, would fit"
    return ""


def code_fault(code: str, study: StudyIdentity, practice: str = "") -> str:
    """Why a code is none of this study's, in a sentence without the code; empty if it is one or nothing is declared.

    Parameters
    ----------
    code : str
        Capitals do not count.
    study : StudyIdentity
    practice : str
        Whose case it is; where it is not known, any practice that the protocol names will do.
    """
    return pattern_misfit(code, study.case_codes, [practice] if practice else study.practices)


def pattern_misfit(code: str, pattern: str, practices: Sequence[str]) -> str:
    """As :func:`code_fault`, where a file carries the pattern and the protocol is not at hand.

    Parameters
    ----------
    code : str
    pattern : str
        Empty where none is declared.
    practices : sequence of str
        Whose case it may be; empty if any.
    """
    if not pattern or _pattern(pattern, practices).fullmatch(code.strip().casefold()):
        return ""
    return f"this code does not fit the pattern of the protocol, {pattern}"


def _pattern(pattern: str, practices: Sequence[str]) -> re.Pattern[str]:
    whose = "|".join(re.escape(name.casefold()) for name in practices) or ANY_PRACTICE
    before, found, after = pattern.partition(PRACTICE)
    return re.compile(_signs(before) + (f"(?:{whose})" if found else "") + _signs(after))


def _signs(part: str) -> str:
    return "".join(SIGNS.get(sign) or re.escape(sign.casefold()) for sign in part)
