"""Whether something that should be a code, a remark or a reason may name a person."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable

from onsetstudy.protocol.vocabulary import CODES
from onsetstudy.records.checks.findings import Findings
from onsetstudy.records.checks.parse import NO_RESULT

NAME_LIKE = re.compile(
    r"@|^\+?\d[\d ()/-]{8,}$|\b(?:mr|mrs|ms|miss|dr|prof|frau|herr)\b\.?|[^\W\d_]{2,}[ ,]+[^\W\d_]{2,}", re.I
)
REMARK_NAMES = re.compile(r"@|(?:\d[ ()/-]?){7,}|\b(?:mr|mrs|ms|miss|prof|frau|herr)\b\.?\s+\w", re.I)
DOCTOR = re.compile(r"\b(?i:dr|doctor)\b\.?\s+[^\W\d_a-zß-öø-ÿ]")
RELATED = re.compile(
    r"\b(?i:husband|wife|partner|mother|mum|mom|father|dad|parent|son|daughter|brother|sister|child|friend|aunt|uncle|"
    r"grandmother|grandfather|guardian|carer|colleague|boss|assistant|nurse|hygienist|receptionist)"
    r"(?:,| is| was| called| named)?\s+(?P<who>[^\W\d_]+)"
)
_MONTH = r"(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*"
DATE = re.compile(
    rf"\b(?:\d{{1,2}}[./-]\d{{1,2}}[./-](?:\d\d|\d{{4}})|(?:18|19|20)\d\d[./-]\d{{1,2}}[./-]\d{{1,2}}"
    rf"|\d{{1,2}}(?:st|nd|rd|th)?\.? {_MONTH}\.?,? \d{{4}}|{_MONTH}\.? \d{{1,2}}(?:st|nd|rd|th)?,? \d{{4}})\b"
    r"|\bborn\b[^.;]*\d",
    re.I,
)
"""A whole date, in figures or with the month in letters, or anything about when somebody was born."""
COMMON = (
    "adrenaline noradrenaline sodium bicarbonate benzocaine akinosi gow-gates gates vazirani english "
    "monday tuesday wednesday thursday friday saturday sunday january february march april june july august september "
    "october november december patient patients tooth teeth pain test tests cold spray lip tongue cheek molar premolar "
    "canine incisor left right upper lower mandibular maxillary lingual distal mesial occlusal block cartridge "
    "needle syringe slip envelope operator assessor dentist practice clinic visit repeat second third then no not yes "
    "numb felt control target baseline topical gel onset delayed late early anxious child adult"
)
TRADE = frozenset(COMMON.split()) | frozenset(
    word
    for code in itertools.chain.from_iterable(CODES.values())
    for word in code.lower().replace("_", " ").split()
    if word.isalpha()
)
"""Words that may be written with a capital and are nobody's name: codes of the record, and words of the trade."""
REASON_NAMES = re.compile(r"@|(?:\d[ ()/-]?){7,}|\b(?:mr|mrs|ms|miss|dr|prof|frau|herr)\b\.?\s+\w", re.I)
WITHOUT_DIGIT = re.compile(r"\D+")
WORD_AND_YEAR = re.compile(r"[^\W\d_]{5,}[ ._-]?(?:18|19|20)\d\d(?!\d)")
"""A word as long as a name and a year as if of birth."""
SENTENCE_ENDS = re.compile(r"(?<=[^\W\d_]{2})[.!?;:]")
WORD = re.compile(r"[^\W\d_]+(?:['’-][^\W\d_]+)*\.?")
LONGEST_LETTERS = 4
"""Letters that a code may have without a digit: AB or NURS is one, a surname is longer."""
PSEUDONYMS = ("case_id", "practice_id", "clinician_id", "patient_id")


def looks_like_a_person(code: str) -> bool:
    """Whether a code looks like a name, an address or a number of a person."""
    return NAME_LIKE.search(code) is not None


def may_be_a_name(code: str) -> bool:
    """Whether a code of somebody may be the name: more than four letters without a digit, or a word and a year."""
    letters = sum(sign.isalpha() for sign in code)
    digits = any(sign.isdigit() for sign in code)
    return (letters > LONGEST_LETTERS and not digits) or WORD_AND_YEAR.search(code) is not None


def reason_fault(reason: str) -> str:
    """Why a reason that is kept for ever or printed may name a person, and how to write it; empty if nothing is found.

    Two capitalised words in a row count as a first and a last name, an initial and a capitalised word too; a new
    sentence begins anew.
    """
    if REASON_NAMES.search(reason):
        return "it may hold a name, an address or a number of a person. Say it without naming anybody"
    if any(_two_capitalised(part) for part in SENTENCE_ENDS.split(reason)):
        return (
            "it has two capitalised words in a row, as names are written. Name nobody: say who by the part played or "
            "by a code, in small letters (the patient, an operator, the ethics committee)"
        )
    return ""


def _two_capitalised(part: str, known: frozenset[str] = frozenset()) -> bool:
    words = [(found.start(), found.end(), found.group()) for found in WORD.finditer(part)]
    for (_, end, first), (start, _, second) in itertools.pairwise(words):
        beside = part[end:start].strip(" ,") == ""
        if {_bare(first), _bare(second)} & known:
            continue
        if beside and _capitalised(second) and (_capitalised(first) or re.fullmatch(r"[^\W\d_]\.", first)):
            return True
    return False


def _bare(word: str) -> str:
    return word.rstrip(".").lower()


def _one_capitalised(part: str) -> bool:
    """Whether a word in the midst of a sentence is written as a name and is no word of the trade."""
    _, *words = [found.group() for found in WORD.finditer(part)] or [""]
    return any(_capitalised(w) and _bare(w) not in TRADE and not re.match(r"[^\W\d_]['’-][a-z]", w) for w in words)


def _capitalised(word: str) -> bool:
    """Written as a name is; short words in capitals throughout are abbreviations."""
    bare = word.rstrip(".")
    return len(bare) > 1 and bare[0].isupper() and (not bare.isupper() or len(bare) > LONGEST_LETTERS)


def remark_names_a_person(remark: str) -> bool:
    """Whether a remark holds what looks like a name, an address or a number of a person; at the chair it is refused.

    A name is told by who it is of ("her husband Peter", "Dr Berg") or by two capitalised words in a row, none of them
    a word of the trade.
    """
    if REMARK_NAMES.search(remark) or DOCTOR.search(remark):
        return True
    if any(_capitalised(found["who"]) and _bare(found["who"]) not in TRADE for found in RELATED.finditer(remark)):
        return True
    return remark.upper() != remark and any(_two_capitalised(part, TRADE) for part in SENTENCE_ENDS.split(remark))


def remark_may_tell_who(remark: str) -> bool:
    """Whether a remark may tell who somebody is: it is asked about, never refused, so that false alarms are cheap.

    Besides :func:`remark_names_a_person` whole dates, and one capitalised word in the midst of a sentence.
    """
    if remark_names_a_person(remark) or DATE.search(remark):
        return True
    return remark.upper() != remark and any(_one_capitalised(part) for part in SENTENCE_ENDS.split(remark))


def check_privacy(found: Findings) -> None:
    """Refuse rows of the table ``cases`` whose codes may name somebody; ask about others, and list remarks that may."""
    for name in PSEUDONYMS:
        what = f"this {name} looks like a name, an address or a number of a person"
        mend = "use a random code and keep the key at the practice"
        found.refuse_where(found.spelled(name, looks_like_a_person), name, "names_a_person", what, mend)
    what = "this patient_id has no digit, and may be somebody's name"
    mend = "give the patient a random code with a digit, such as P01-K7Q2, and keep the key at the practice"
    bare = found.spelled("patient_id", _if_a_code(WITHOUT_DIGIT.fullmatch))
    found.refuse_where(bare, "patient_id", "no_code", what, mend)
    # What earlier versions took stays readable. A patient's code without a digit is refused, and of cases' codes the
    # protocol declares the pattern.
    named = WORD_AND_YEAR.search
    for name, asked in (("case_id", named), ("clinician_id", may_be_a_name), ("patient_id", named)):
        what = f"this {name} may be somebody's name"
        mend = "use a code with a digit, such as P01-A or P01-K7Q2, and keep the key at the practice"
        found.query(found.spelled(name, _if_a_code(asked)), name, "may_be_a_name", what, mend)
    what = "this remark may hold a name, an address or a number of a person, or a whole date"
    told = found.spelled("notes", remark_may_tell_who)
    found.query(told, "notes", "names_a_person", what, "take it out; the records need no identity")


def _if_a_code(asked: Callable[[str], object]) -> Callable[[str], bool]:
    """What is asked of a cell that does not look like a person as it is: those are refused for that."""
    return lambda cell: cell != NO_RESULT and bool(asked(cell.strip())) and not looks_like_a_person(cell.strip())
