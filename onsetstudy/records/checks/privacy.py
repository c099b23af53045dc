"""Whether something that should be a code, or a remark, may name a person."""

from __future__ import annotations

import re

import numpy as np

from onsetstudy.records.checks.findings import Findings

__all__ = ["PSEUDONYMS", "check_privacy", "looks_like_a_person", "remark_names_a_person"]

NAME_LIKE = re.compile(
    r"@|^\+?\d[\d ()/-]{8,}$|\b(?:mr|mrs|ms|miss|dr|prof|frau|herr)\b\.?|[^\W\d_]{2,}[ ,]+[^\W\d_]{2,}", re.I
)
REMARK_NAMES = re.compile(r"@|(?:\d[ ()/-]?){7,}|\b(?:mr|mrs|ms|miss|prof|frau|herr)\b\.?\s+\w", re.I)
PSEUDONYMS = ("case_id", "practice_id", "clinician_id", "patient_id")


def looks_like_a_person(code: str) -> bool:
    """Whether a code looks like a name, an address or a number of a person."""
    return NAME_LIKE.search(code) is not None


def remark_names_a_person(remark: str) -> bool:
    """Whether a remark may hold a name, an address or a number of a person."""
    return REMARK_NAMES.search(remark) is not None


def check_privacy(found: Findings) -> None:
    """Refuse rows of the table ``cases`` whose codes may name somebody; list remarks that may."""
    for name in PSEUDONYMS:
        text = found.raw.frame[name].astype("string").fillna("")
        for row in np.flatnonzero(text.str.contains(NAME_LIKE).to_numpy()):
            what = f"this {name} looks like a name, an address or a number of a person"
            found.refuse(int(row), name, "names_a_person", what, "use a random code and keep the key at the practice")
    text = found.raw.frame["patient_id"].astype("string").fillna("").str.strip()
    bare = (text != "") & ~text.str.contains(r"\d", regex=True) & ~text.str.contains(NAME_LIKE)
    for row in np.flatnonzero(bare.to_numpy()):
        what = "this patient_id has no digit, and may be somebody's name"
        mend = "give the patient a random code with a digit, such as P01-K7Q2, and keep the key at the practice"
        found.refuse(int(row), "patient_id", "no_code", what, mend)
    remarks = found.raw.frame["notes"].astype("string").fillna("")
    told = np.flatnonzero(remarks.str.contains(REMARK_NAMES).to_numpy()).tolist()
    what = "this remark may hold a name, an address or a number of a person"
    found.query(told, "notes", "names_a_person", what, "take it out; the records need no identity")
