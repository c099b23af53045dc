"""From a list of answers to a protocol: what a practice does not want to think about yet stands at its usual."""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import KW_ONLY, dataclass, field
from typing import Any

from onsetstudy.core.errors import Problem, ProtocolError, Where
from onsetstudy.protocol.governance import QUESTIONS as GOVERNANCE
from onsetstudy.protocol.governance import is_answer
from onsetstudy.protocol.model import Quarter
from onsetstudy.protocol.vocabulary import CODES, SCALES

__all__ = [
    "GUIDED",
    "NO_RULE",
    "SETTLED",
    "GuidedAnswers",
    "GuidedQuestion",
    "answers_from",
    "guided_content",
    "read_answer",
]

NO_RULE = "no_rule_because"
LONGEST_TEXT = 500


@dataclass(frozen=True, slots=True)
class GuidedQuestion:
    """One question of the set-up, in the terminal and on the page alike.

    ``kind`` is yes_no, choice (of ``codes``), number (``low`` to ``high``), minutes, quarter, code or text; ``default``
    is its usual answer, empty where there is none. ``written`` gives the word of the protocol for codes that are asked
    in a plainer one.
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

    def code_of(self, said: str) -> str | None:
        """The answer of a choice in any case, as the protocol writes it; ``None`` if it is none."""
        words, low = dict(self.written), said.lower()
        found = next((code for code in self.codes if code.lower() == low), None)
        if found is None:
            return low if low in words.values() else None
        return words.get(found, found)


THIS_QUARTER = "this"
TOOTH_NUMBERS = (("fdi", "iso3950"),)
OUTCOMES = (("wait", "rmst_difference"), ("numb", "success_difference"), ("rate", "hazard_ratio"),
            ("pain", "pain_difference"))  # fmt: skip
NO_APPROVAL_YET = "audit; local approval to be asked for"
GUIDED = (
    GuidedQuestion("practice", "code", "Code of the practice, no name"),
    GuidedQuestion(
        "randomised", "yes_no", "Does chance decide who receives what? (no: you choose; an audit)", default="no"
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
    GuidedQuestion("target_min", "number", "Minute of the first question: how many are numb by", default="2"),
    GuidedQuestion("tau_min", "number", "Last minute that counts", default="15"),
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
    ),
    GuidedQuestion(
        "pain_difference",
        "number",
        "Difference in pain that would matter, % of the scale (10: one point of ten, 10 mm of 100)",
        default="10",
        low=1,
        high=99,
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


@dataclass(frozen=True, slots=True, kw_only=True)
class GuidedAnswers:
    """What was asked.

    Parameters
    ----------
    practice : str
        Code of the practice.
    randomised : bool
        Whether chance decides; otherwise the clinician chooses and the study is an audit.
    assessor_blind : bool
        Whether whoever tests does not know what was mixed.
    technique, agent : str
        Planned injection and anaesthetic.
    bicarbonate_ml : float
        Millilitres of sodium bicarbonate 8.4 % for a cartridge.
    mix_mode : str
        add (to the full cartridge) or replace (the same volume of it).
    tests_min : tuple of float
        Minutes after the injection at which the cold is tested.
    target_min, tau_min : float
        Minute of the first question, and the last minute that counts.
    control_tooth : bool
        Whether a control tooth is tested too.
    notation : str
        iso3950 or universal.
    pain_scale : str
        Scale of pain; empty if pain is not recorded.
    primary : str
        Key of the quantity that is the main outcome.
    wait_difference_min, pain_difference : float
        Differences that matter: minutes, and per cent of the scale of pain.
    cases_per_month : float
        Injections of this kind in a month.
    first_quarter : str
        As ``2026Q3``; four quarters are planned.
    ethics : str
        Approval (body, number, date), or that none is needed, and who says so.
    governance : mapping
        Answers to questions of :mod:`onsetstudy.protocol.governance`; those that are open are left out.
    adoption : mapping
        Content of ``[adoption]``; empty while it is open.
    """

    practice: str
    randomised: bool
    assessor_blind: bool
    technique: str
    agent: str
    bicarbonate_ml: float
    tests_min: tuple[float, ...]
    target_min: float
    tau_min: float
    control_tooth: bool
    notation: str
    pain_scale: str
    cases_per_month: float
    first_quarter: str
    ethics: str
    mix_mode: str = "replace"
    primary: str = "rmst_difference"
    wait_difference_min: float = 1.0
    pain_difference: float = 10.0
    governance: Mapping[str, str] = field(default_factory=dict)
    adoption: Mapping[str, Any] = field(default_factory=dict)


def read_answer(question: GuidedQuestion, text: str) -> Any:
    """An answer as it was typed.

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
    if question.kind == "yes_no":
        if said not in ("yes", "no"):
            raise ValueError("yes or no")
        return said == "yes"
    if question.kind == "choice":
        code = question.code_of(said)
        if code is None:
            raise ValueError(f"one of {', '.join(question.codes)}")
        return code
    if question.kind == "number":
        return _number(question, said)
    if question.kind == "minutes":
        return _minutes(said)
    if question.kind == "quarter":
        return _quarter(said)
    if question.kind == "code":
        return _code(said)
    if not said.isprintable() or len(said) > LONGEST_TEXT:
        raise ValueError(f"at most {LONGEST_TEXT} signs")
    if question in SETTLED and question.name != NO_RULE and said and not is_answer(said):
        raise ValueError('an answer, "not required, because …", or nothing yet')
    return said


def _number(question: GuidedQuestion, said: str) -> float:
    try:
        value = float(said.replace(",", "."))
    except ValueError:
        value = float("nan")
    if not question.low <= value <= question.high:
        raise ValueError(f"a number from {question.low:g} to {question.high:g}")
    return value


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
    return found


def answers_from(
    told: Mapping[str, str], *, first_quarter: str, adoption: Mapping[str, Any] | None = None
) -> GuidedAnswers:
    """Answers as they were typed, by the names of :data:`GUIDED` and :data:`SETTLED`; what is missing is at its usual.

    ``first_quarter`` is the present one, which stands where no other was told.

    Raises
    ------
    ProtocolError
        All answers that are none, each by the name of its question.
    """
    problems, read = [], {}
    for question in (*GUIDED, *SETTLED):
        try:
            read[question.name] = read_answer(question, told.get(question.name, ""))
        except ValueError as error:
            where = Where(key=question.name)
            problems.append(Problem(what=f"{question.text}: this is no answer", where=where, mend=f"write {error}"))
    if problems:
        raise ProtocolError(problems)
    main = {q.name: read[q.name] for q in GUIDED}
    settled = {q.name: read[q.name] for q in SETTLED if read[q.name]}
    main["pain_scale"] = "" if main["pain_scale"] == "none" else main["pain_scale"]
    if main["first_quarter"] == THIS_QUARTER:
        main["first_quarter"] = first_quarter
    if not main["randomised"]:
        return GuidedAnswers(**main)
    reason = settled.pop(NO_RULE, "")
    if is_answer(main["ethics"]) and main["ethics"] != NO_APPROVAL_YET:
        settled = {"approval": main["ethics"], **settled}
    rule = adoption if adoption is not None else ({"none_because": reason} if reason else {})
    return GuidedAnswers(**main, governance=settled, adoption=rule)


def _window(tests_min: Sequence[float]) -> float:
    """How early or late a planned test may be: a third of the smallest gap, at most half a minute (no source)."""
    tests = sorted((0.0, *map(float, tests_min)))
    return min(0.5, round(min(later - earlier for earlier, later in itertools.pairwise(tests)) / 3, 2))


def guided_content(told: GuidedAnswers) -> dict[str, Any]:
    """Content of a protocol file, to be checked by :func:`onsetstudy.protocol.check.check_protocol`."""
    kind = "trial" if told.randomised else "audit"
    injection = told.technique.replace("_", " ")
    quarters = [Quarter(label=told.first_quarter)]
    while len(quarters) < 4:
        quarters.append(quarters[-1].next())
    year, number = quarters[0].label.split("Q")
    asked = "Do injections hurt less" if told.primary == "pain_difference" else "Do teeth become numb sooner"
    how = "in place of the same volume of the" if told.mix_mode == "replace" else "added to the full"
    content: dict[str, Any] = {
        "study": {
            "id": f"{told.practice.lower()}-{kind}",
            "title": f"Buffered and not buffered {told.agent}: {injection}",
            "question": f"{asked} with buffered {told.agent} in this practice?",
            "design": "parallel" if told.randomised else "audit",
            "allocation": "randomised" if told.randomised else "clinician_choice",
            "blinding": {
                "patient": "yes" if told.randomised else "no",
                "operator": "no",
                "assessor": "yes" if told.assessor_blind else "no",
            },
            "ethics_status": told.ethics,
            "practices": [told.practice],
        },
        "population": {"techniques": [told.technique], "agents": [told.agent]},
        "arms": [
            {
                "code": "plain",
                "label": "not buffered",
                "preparation": "cartridge as packaged, handled alike",
                "mix_mode": "none",
            },
            {
                "code": "buffered",
                "label": "buffered",
                "preparation": f"{told.bicarbonate_ml:g} mL of sodium bicarbonate 8.4 % {how} cartridge, "
                "mixed just before the injection",
                "mix_mode": told.mix_mode,
            },
        ],
        "testing": {
            "reference_arm": "plain",
            "schedule_min": [float(m) for m in told.tests_min],
            "control_tooth": "required" if told.control_tooth else "none",
            "window_min": _window(told.tests_min),
            "baseline_response": "required",
            "tooth_notation": told.notation,
        },
        "onset": {"confirmations": 2, "target_min": float(told.target_min), "tau_min": float(told.tau_min)},
        "analysis": {
            "primary": told.primary,
            "wait_difference_min": float(told.wait_difference_min),
            "seed": int(f"{year}{number}01"),
            "cluster": "patient_id",
            "sensitivity": ["confirmations_1", "accept_unconfirmed"],
        },
        "planning": {
            "cases_per_month": float(told.cases_per_month),
            "median_min": float(told.target_min),
            "sources": [
                "median: the target minute, until the first cases tell better",
                "teeth that never become numb: none, until never_reference and never_other are written here",
            ],
        },
        "doses": {"limits": "conservative"},
        "report": {"quarters": [q.label for q in quarters]},
    }
    if told.pain_scale:
        low, high, _ = SCALES[told.pain_scale]
        content["pain"] = {
            "scale": told.pain_scale,
            "moment": "deposition",
            "important_difference": (high - low) * told.pain_difference / 100,
        }
        content["planning"]["pain_sd"] = (high - low) / 5
        content["planning"]["sources"].append("spread of pain: a fifth of its scale, assumed")
    if told.randomised:
        content["allocation"] = {"method": "permuted_blocks", "block_sizes": [2, 4, 6], "strata": ["practice_id"]}
    if told.governance:
        content["governance"] = dict(told.governance)
    if told.adoption:
        content["adoption"] = dict(told.adoption)
    return content
