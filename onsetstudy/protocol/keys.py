"""What a key of a protocol may hold: words from a list, numbers in a range, codes by a pattern.

The pattern that a protocol declares for codes of cases is held here alone: the one place that says whether a code fits.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Annotated

from pydantic import AfterValidator, ConfigDict, Field, StrictStr

from onsetstudy.protocol.vocabulary import CODES

STRATA = ("technique", "procedure", "practice_id", "agent", "pulp_status", "topical")
CLUSTERS = ("patient_id", "clinician_id", "practice_id")
HARMS = tuple(code for code in CODES["adverse_event"] if code != "none")
COVARIATES = (*STRATA, "volume_ml", "anxiety_before", "age_band")
SECONDARY = (
    "success_difference", "hazard_ratio", "rmst_difference", "not_numb_difference", "pain_difference",
    "treatment_success_difference", "anxiety_change", "painless_share",
)  # fmt: skip
LONGEST_CODE = 60


def one_of(*codes: str) -> AfterValidator:
    """A text that is one of these words."""

    def check(value: str) -> str:
        if value not in codes:
            raise ValueError(f"write one of {', '.join(codes)}")
        return value

    return AfterValidator(check)


def code_pattern(pattern: str) -> str:
    """A pattern of codes of cases, or nothing."""
    if pattern and (fault := pattern_fault(pattern)):
        raise ValueError(fault)
    return pattern


def sizes_digest(text: str) -> str:
    """Digest of the file of sizes of blocks, or nothing."""
    if text and not re.fullmatch("[0-9a-f]{64}", text):
        raise ValueError("write the 64 signs that the command block-sizes told")
    return text


def practice_code(code: str) -> str:
    """Files are named after practices: a code must be no path, and stand in the name of a file on every system."""
    if not code.isprintable() or set(code) & set('/\\:*?"<>|') or code.startswith(".") or len(code) > LONGEST_CODE:
        raise ValueError(f"write a code of letters, digits and hyphens, at most {LONGEST_CODE} signs")
    return code


def coded(field: str) -> AfterValidator:
    """A text that is a code of a field of the vocabulary."""
    return one_of(*CODES[field])


Text = Annotated[StrictStr, Field(min_length=1)]
Minute = Annotated[float, Field(gt=0, le=180, strict=True)]
EstimateStrata = Annotated[tuple[Annotated[StrictStr, one_of("practice", "technique")], ...], Field(min_length=1)]
Share = Annotated[float, Field(ge=0, lt=1, strict=True)]


class Keys:
    """Base of values that are read from a table of a protocol file as they stand: unknown keys are refused."""

    __slots__ = ()
    __pydantic_config__ = ConfigDict(extra="forbid", allow_inf_nan=False)


PRACTICE = "{practice}"
SIGNS = {"#": "[0-9]", "@": "[a-z]", "*": "[0-9a-z]"}
"""A digit, a letter, either; without capitals, as codes are compared."""
ANY_PRACTICE = "[a-z0-9][a-z0-9-]*"
PLAIN = re.compile(r"[A-Za-z0-9._-]*")
FEWEST = 3


def pattern_fault(pattern: str) -> str:
    """What is wrong with a pattern, empty if nothing.

    ``{practice}`` stands for the code of the practice, ``#`` for a digit, ``@`` for a letter and ``*`` for either;
    letters, digits, points, hyphens and low lines stand for themselves.
    """
    rest = pattern.replace(PRACTICE, "", 1)
    kinds = "".join(sign for sign in rest if sign in SIGNS)
    if len(pattern) > LONGEST_CODE or not PLAIN.fullmatch("".join(sign for sign in rest if sign not in SIGNS)):
        return f"write {PRACTICE}, # for a digit, @ for a letter, * for either, and signs that codes have"
    if len(kinds) < FEWEST or set(kinds) == {"@"}:
        return f"leave at least {FEWEST} places open, one of them for a digit: too few codes, or names, would fit"
    return ""


def code_fault(code: str, pattern: str, practices: Sequence[str]) -> str:
    """Why a code is none of a study's, in a sentence without the code; empty if it is one or nothing is declared.

    Parameters
    ----------
    code : str
        Capitals do not count.
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
