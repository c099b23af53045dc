"""Codes of cases by the pattern that a protocol declares: the one place that says whether a code fits."""

from __future__ import annotations

import re

from onsetstudy.protocol.model import StudyIdentity

__all__ = ["code_fault", "pattern_fault"]

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
    if not study.case_codes or _pattern(study, practice).fullmatch(code.strip().casefold()):
        return ""
    return f"this code does not fit the pattern of the protocol, {study.case_codes}"


def _pattern(study: StudyIdentity, practice: str) -> re.Pattern[str]:
    known = [practice] if practice else list(study.practices)
    whose = "|".join(re.escape(name.casefold()) for name in known) or ANY_PRACTICE
    before, found, after = study.case_codes.partition(PRACTICE)
    return re.compile(_signs(before) + (f"(?:{whose})" if found else "") + _signs(after))


def _signs(part: str) -> str:
    return "".join(SIGNS.get(sign) or re.escape(sign.casefold()) for sign in part)
