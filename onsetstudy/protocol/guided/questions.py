"""The questions of the guided set-up, and answers to them as they were typed."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import KW_ONLY, dataclass
from typing import Any

from onsetstudy.protocol.governance import NONE, NONE_IN_WORDS, is_answer
from onsetstudy.protocol.governance import QUESTIONS as GOVERNANCE
from onsetstudy.protocol.guided.expected import expected_onset, most_points
from onsetstudy.protocol.keys import THOUSANDS
from onsetstudy.protocol.vocabulary import CODES, YES_NO

NO_RULE = "no_rule_because"
LONGEST_TEXT = 500
CONFIRMATIONS = 2
"""Tests not felt that make an onset: as many have to come from the last minute that counts on."""


@dataclass(frozen=True, slots=True)
class GuidedQuestion:
    """One question of the set-up, in the terminal and on the page alike.

    ``kind`` is yes_no, choice (of ``codes``), number (``low`` to ``high``), minutes, quarter, code or text; ``default``
    is its usual answer, empty where there is none. ``written`` gives the word of the protocol for codes that are asked
    in a plainer one. A number stays below the answer to the earlier question ``below``; a minute of the tests
    lies from the answer to ``least`` (of several minutes, the first) to the last test that another can confirm;
    ``whole`` numbers have no fraction. One that ``needs`` an answer is asked only where an earlier question was asked
    and got one of those answers.
    """

    name: str
    kind: str
    text: str
    _: KW_ONLY
    default: str = ""
    codes: tuple[str, ...] = ()
    written: tuple[tuple[str, str], ...] = ()
    low: float = 0.0
    high: float = 180.0
    below: str = ""
    least: str = ""
    whole: bool = False
    needs: tuple[str, tuple[str, ...]] | None = None

    def code_of(self, said: str) -> str | None:
        """The answer of a choice in any case, as the protocol writes it; ``None`` if it is none."""
        low, written = said.lower(), dict(self.written)
        if self.kind == "yes_no":
            return next((code for code in YES_NO if low in (code, code[0])), None)
        known = {code.lower(): written.get(code, code) for code in self.codes}
        return known.get(low, low if low in known.values() else None)


THIS_QUARTER = "this"
TOOTH_NUMBERS = (("fdi", "iso3950"),)
OUTCOMES = (("wait", "rmst_difference"), ("numb", "success_difference"), ("rate", "hazard_ratio"),
            ("pain", "pain_difference"))  # fmt: skip
BY_CHANCE = ("randomised", ("yes",))
NO_APPROVAL_YET = "audit; local approval to be asked for"
GUIDED = (
    GuidedQuestion(
        "practice",
        "code",
        "Code of the practice, no name (of several practices the first; the others are written into the file before a "
        'list is drawn: under [study], practices = ["P01", "P02"])',
    ),
    GuidedQuestion(
        "randomised", "yes_no", "Does chance decide who receives what? (no: you choose; an audit)", default="no"
    ),
    GuidedQuestion(
        "design",
        "choice",
        "Which injections does a patient receive: one (parallel), one of each kind at two visits (crossover), or one "
        "of each kind on the two sides at one visit (split_mouth)",
        codes=("parallel", "crossover", "split_mouth"),
        default="parallel",
        needs=BY_CHANCE,
    ),
    GuidedQuestion(
        "washout_days",
        "number",
        "Days at least between the two visits of a patient",
        default="7",
        low=1,
        high=365,
        whole=True,
        needs=("design", ("crossover",)),
    ),
    GuidedQuestion(
        "patient_blind", "yes_no", "Will the patient not know what was mixed?", default="yes", needs=BY_CHANCE
    ),
    GuidedQuestion(
        "operator_blind", "yes_no", "Will whoever injects not know what was mixed?", default="no", needs=BY_CHANCE
    ),
    GuidedQuestion("assessor_blind", "yes_no", "Will whoever tests not know what was mixed?", default="no"),
    GuidedQuestion("technique", "choice", "Which injection", codes=CODES["technique"], default="ianb"),
    GuidedQuestion("agent", "choice", "Which anaesthetic", codes=CODES["agent"], default="lidocaine"),
    GuidedQuestion("bicarbonate_ml", "number", "Bicarbonate 8.4 % per cartridge, mL", default="0.18", low=0.01, high=1),
    GuidedQuestion(
        "mix_mode",
        "choice",
        "Is it added to the full cartridge, or does it replace as much of the anaesthetic",
        codes=tuple(code for code in CODES["mix_mode"] if code != "none"),
        default="replace",
    ),
    GuidedQuestion(
        "tests_min",
        "minutes",
        "Minutes of the cold tests (once before the injection besides, which is always asked for)",
        default="1 2 3 4 5 6 8 10 12 15 16",
    ),
    GuidedQuestion(
        "target_min", "number", "Minute of the first question: how many are numb by", default="2", least="tests_min"
    ),
    GuidedQuestion("tau_min", "number", "Last minute that counts", default="15", least="target_min"),
    GuidedQuestion("control_tooth", "yes_no", "Is a control tooth tested too?", default="yes"),
    GuidedQuestion(
        "notation", "choice", "How teeth are numbered", codes=("fdi", "universal"), written=TOOTH_NUMBERS, default="fdi"
    ),
    GuidedQuestion(
        "pain_scale",
        "choice",
        "Scale of pain, asked as the anaesthetic is deposited",
        codes=("none", "nrs11", "vas100"),
        default="nrs11",
    ),
    GuidedQuestion(
        "primary",
        "choice",
        "Main outcome: the one question that sizes the study and leads its first page; the others stand beside it "
        "(wait: minutes until numb; numb: share numb by the minute above; rate: how fast teeth become numb; pain)",
        codes=tuple(word for word, _ in OUTCOMES),
        written=OUTCOMES,
        default="wait",
    ),
    GuidedQuestion(
        "wait_difference_min",
        "number",
        "Minutes sooner that would matter: the smallest difference worth the mixing",
        default="1",
        low=0.1,
        high=60,
        below="tau_min",
    ),
    GuidedQuestion(
        "numb_difference",
        "number",
        "Difference that would matter in the share numb by the minute of the first question, in percentage points "
        "(how many are numb by then without buffer is taken as usual for the technique)",
        default="15",
        low=1,
        high=45,
        needs=("primary", ("numb",)),
    ),
    GuidedQuestion(
        "pain_difference",
        "number",
        "Difference in pain that would matter, % of the scale (10: one point of ten, 10 mm of 100)",
        default="10",
        low=1,
        high=99,
        needs=("pain_scale", ("nrs11", "vas100")),
    ),
    GuidedQuestion(
        "cases_per_month", "number", "Such injections in a month, about", default="10", low=0.1, high=10_000
    ),
    GuidedQuestion(
        "first_quarter",
        "quarter",
        "First quarter of the cases: this, or such as 2025Q4 (an earlier one where there are cases already)",
        default=THIS_QUARTER,
    ),
    GuidedQuestion(
        "ethics",
        "text",
        "Ethics approval: body, number, date; or that none is needed, and who says so",
        default=NO_APPROVAL_YET,
    ),
)
"""Asked of everybody, in this order. Where chance decides, whoever tests is usually blinded."""
SETTLED = (
    *(GuidedQuestion(key, "text", text[0].upper() + text[1:]) for key, text in GOVERNANCE.items() if key != "approval"),
    GuidedQuestion(NO_RULE, "text", "Why there is no rule by which it will say adopt"),
)
"""Asked where chance decides, after the others; each may stay open, and then there is no lock yet."""


def is_asked(question: GuidedQuestion, told: Mapping[str, str]) -> bool:
    """Whether a question is asked after what was told so far; what was not told is at its usual."""
    if question.needs is None:
        return True
    name, answers = question.needs
    earlier = next(q for q in GUIDED if q.name == name)
    said = earlier.code_of(told.get(name) or earlier.default)
    return is_asked(earlier, told) and said in map(earlier.code_of, answers)


def read_answer(question: GuidedQuestion, text: str, told: Mapping[str, str] | None = None) -> Any:
    """An answer as it was typed; ``told`` are the answers to earlier questions, as they were typed.

    Returns
    -------
    bool, float, str or tuple of float
        By the kind of question.

    Raises
    ------
    ValueError
        If it is none; its text says what is.
    """
    said = " ".join(text.split()) or question.default
    if question.kind in ("yes_no", "choice"):
        if (code := question.code_of(said)) is None:
            raise ValueError(f"one of {', '.join(question.codes)}" if question.codes else "yes or no")
        return code if question.codes else code == "yes"
    if question.kind == "number":
        return _number(question, said, told or {})
    if (read := READERS.get(question.kind)) is not None:
        return read(said)
    if not said.isprintable() or len(said) > LONGEST_TEXT:
        raise ValueError(f"at most {LONGEST_TEXT} signs")
    if question.name == "ethics" and not is_answer(said):
        raise ValueError('body, number and date; or "not required, because …" with the reason and who says so')
    if question in SETTLED and question.name != NO_RULE and said and not is_answer(said, question.name):
        raise ValueError(f'{GOVERNANCE[question.name]}; "not required, because …"; or nothing yet')
    return NONE_IN_WORDS.get(question.name, said) if NONE.match(said) else said


def _earlier(name: str, told: Mapping[str, str]) -> Any:
    """The answer to an earlier question; ``None`` where none is named, or it cannot be read itself."""
    question = next((q for q in GUIDED if q.name == name), None)
    try:
        return None if question is None else read_answer(question, told.get(name, ""), told)
    except ValueError:
        return None


def _number(question: GuidedQuestion, said: str, told: Mapping[str, str]) -> float:
    try:
        value = float(said.replace(",", "."))
    except ValueError:
        value = float("nan")
    low, high, why = question.low, question.high, ""
    if THOUSANDS.fullmatch(said) and float(said.replace(",", "")) <= high:
        raise ValueError(f"{said.replace(',', '')}, or {said.replace(',', '.')}: the comma may stand for either")
    if question.whole and not value.is_integer():
        raise ValueError(f"a whole number from {low:g} to {high:g}")
    if question.name == "numb_difference":
        high, why = _points(told, high)
    least, tests = _earlier(question.least, told), _earlier("tests_min", told)
    if least is not None and tests is not None:
        low = least if isinstance(least, float) else least[0]
        high = tests[-CONFIRMATIONS]
        why = f": no other test could confirm a tooth that is first seen numb after {high:g} min"
    if not low <= value <= high:
        raise ValueError(f"a number from {low:g} to {high:g}{why}")
    limit = _earlier(question.below, told)
    if limit is not None and value >= limit:
        raise ValueError(
            f"a number from {question.low:g} to less than {limit:g}, the last minute that counts: no difference can be "
            "larger"
        )
    return value


def _points(told: Mapping[str, str], high: float) -> tuple[float, str]:
    """The most percentage points that can be gained by the minute of the first question, and why."""
    technique, minute = _earlier("technique", told), _earlier("target_min", told)
    if technique is None or minute is None or (most := most_points(technique, minute)) >= high:
        return high, ""
    numb = expected_onset(technique).numb_by(minute)
    return most, f": {100 * numb:.0f} % are taken to be numb by {minute:g} min without buffer"


def _code(said: str) -> str:
    code = said.upper()
    if not (code.isascii() and code.isalnum() and 2 <= len(code) <= 12):
        raise ValueError("two to twelve letters and digits, such as P01")
    return code


def _quarter(said: str) -> str:
    label = said.upper().replace(" ", "").replace("-", "")
    if label == THIS_QUARTER.upper():
        return THIS_QUARTER
    if not re.fullmatch(r"20[0-9]{2}Q[1-4]", label):
        raise ValueError(f"{THIS_QUARTER}, or a year and a quarter such as 2025Q4")
    return label


def _minutes(said: str) -> tuple[float, ...]:
    try:
        found = tuple(float(part.replace(",", ".")) for part in said.replace(";", " ").split())
    except ValueError:
        raise ValueError("minutes with spaces between them, as 1 2 3 4.5") from None
    if not found or list(found) != sorted(set(found)) or not 0 < found[0] <= found[-1] <= 180:
        raise ValueError("every minute once, in order, as 1 2 3 4.5")
    if len(found) < CONFIRMATIONS:
        raise ValueError(f"{CONFIRMATIONS} minutes or more: a tooth counts as numb once another test confirms it")
    return found


READERS: dict[str, Callable[[str], Any]] = {"minutes": _minutes, "quarter": _quarter, "code": _code}
