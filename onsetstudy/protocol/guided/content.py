"""From a list of answers to a protocol: what a practice does not want to think about yet stands at its usual."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from onsetstudy.core.errors import Problem, ProtocolError
from onsetstudy.protocol.governance import is_answer
from onsetstudy.protocol.guided import questions
from onsetstudy.protocol.guided.expected import PLACEHOLDER, ExpectedOnset, curve_of_gain, expected_onset
from onsetstudy.protocol.model import Quarter
from onsetstudy.protocol.vocabulary import SCALES, TECHNIQUE_NAMES

USUAL_RATIO = 1.5
"""How much faster teeth become numb, where no answer says it."""
WITHIN_PATIENT = 0.3
"""Correlation of the two outcomes of a patient who has both arms (no source): low, so that a plan is not too small."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GuidedAnswers:
    """What was asked.

    Parameters
    ----------
    practice : str
        Code of the practice.
    randomised : bool
        Whether chance decides; otherwise the clinician chooses and the study is an audit.
    assessor_blind, patient_blind, operator_blind : bool
        Whether whoever tests, the patient, and whoever injects do not know what was mixed.
    design : str
        parallel, crossover or split_mouth where chance decides; an audit has none of them.
    washout_days : float
        Days at least between the two visits of a patient in a crossover study.
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
    numb_difference : float
        Percentage points more numb by the first question's minute that matter; of use where that is the main outcome.
        How many are numb by then without buffer is what is usual for the technique.
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
    design: str = "parallel"
    washout_days: float = 0.0
    patient_blind: bool = False
    operator_blind: bool = False
    mix_mode: str = "replace"
    primary: str = "rmst_difference"
    wait_difference_min: float = 1.0
    pain_difference: float = 10.0
    numb_difference: float = 15.0
    governance: Mapping[str, str] = field(default_factory=dict)
    adoption: Mapping[str, Any] = field(default_factory=dict)

    @property
    def paired(self) -> bool:
        """Whether each patient has both arms."""
        return self.randomised and self.design != "parallel"


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
    for question in (*questions.GUIDED, *questions.SETTLED):
        if not questions.is_asked(question, told):
            continue
        try:
            read[question.name] = questions.read_answer(question, told.get(question.name, ""), told)
        except ValueError as error:
            what = f"{question.text}: this is no answer"
            problems.append(Problem.of_key(question.name, what, f"write {error}", code=""))
    if problems:
        raise ProtocolError(problems)
    main = {q.name: read[q.name] for q in questions.GUIDED if q.name in read}
    settled = {q.name: read[q.name] for q in questions.SETTLED if read[q.name]}
    main["pain_scale"] = "" if main["pain_scale"] == "none" else main["pain_scale"]
    if main["first_quarter"] == questions.THIS_QUARTER:
        main["first_quarter"] = first_quarter
    if not main["randomised"]:
        return GuidedAnswers(**main)
    reason = settled.pop(questions.NO_RULE, "")
    if is_answer(main["ethics"]) and main["ethics"] != questions.NO_APPROVAL_YET:
        settled = {"approval": main["ethics"], **settled}
    rule = adoption if adoption is not None else ({"none_because": reason} if reason else {})
    return GuidedAnswers(**main, governance=settled, adoption=rule)


def _window(tests_min: Sequence[float]) -> float:
    """How early or late a planned test may be: a third of the smallest gap, at most half a minute (no source)."""
    tests = sorted((0.0, *map(float, tests_min)))
    return min(0.5, round(min(later - earlier for earlier, later in itertools.pairwise(tests)) / 3, 2))


def _planned_gain(told: GuidedAnswers, onset: ExpectedOnset) -> tuple[float, float, str]:
    """The ratio of rates that the study is planned for, the share never numb with buffer, and where they come from."""
    if told.primary != "success_difference":
        source = f"how much faster teeth become numb ({USUAL_RATIO:g} times): the usual here, assumed"
        return USUAL_RATIO, onset.never, source
    points, minute = told.numb_difference, told.target_min
    ratio, never = curve_of_gain(onset, minute, points / 100, usual_ratio=USUAL_RATIO)
    source = (
        f"numb by {minute:g} min: {100 * onset.numb_by(minute):.0f} % without buffer by this curve, and {points:g} "
        "percentage points more that would matter, as answered: planned_hazard_ratio and never_other say both"
    )
    return round(ratio, 4), round(never, 4), source


def _planning(told: GuidedAnswers) -> tuple[float, dict[str, Any]]:
    """The ratio of rates that is planned for, and the table ``[planning]``; what no answer says is a placeholder."""
    onset = expected_onset(told.technique)
    ratio, never_other, source = _planned_gain(told, onset)
    sources = [
        f"{PLACEHOLDER}: median onset of {onset.median_min:g} min without buffer and {100 * onset.never:.0f} % never "
        f"numb, usual for {onset.of}"
    ]
    planning = {
        "cases_per_month": float(told.cases_per_month),
        "median_min": float(onset.median_min),
        "shape": onset.shape,
        "never_reference": onset.never,
        "never_other": never_other,
    }
    if told.pain_scale:
        low, high, _ = SCALES[told.pain_scale]
        planning["pain_sd"] = (high - low) / 5
        sources.append(f"{PLACEHOLDER}: standard deviation of pain of {planning['pain_sd']:g}, a fifth of its scale")
    if told.paired:
        planning["within_patient_correlation"] = WITHIN_PATIENT
        sources.append(f"{PLACEHOLDER}: correlation of {WITHIN_PATIENT:g} within patients, assumed")
    return ratio, {**planning, "sources": [*sources, source]}


def _study(told: GuidedAnswers) -> dict[str, Any]:
    kind = "trial" if told.randomised else "audit"
    injection = TECHNIQUE_NAMES.get(told.technique, told.technique.replace("_", " "))
    asked = "Do injections hurt less" if told.primary == "pain_difference" else "Do teeth become numb sooner"
    return {
        "id": f"{told.practice.lower()}-{kind}",
        "title": f"Buffered and not buffered {told.agent}: {injection}",
        "question": f"{asked} with buffered {told.agent} in this practice?",
        "design": told.design if told.randomised else "audit",
        "allocation": "randomised" if told.randomised else "clinician_choice",
        "blinding": {
            who: "yes" if getattr(told, f"{who}_blind") else "no" for who in ("patient", "operator", "assessor")
        },
        "ethics_status": told.ethics,
        "practices": [told.practice],
    }


def _arms(told: GuidedAnswers) -> list[dict[str, str]]:
    how = "in place of the same volume of the" if told.mix_mode == "replace" else "added to the full"
    return [
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
    ]


def _testing(told: GuidedAnswers) -> dict[str, Any]:
    return {
        "reference_arm": "plain",
        "schedule_min": [float(m) for m in told.tests_min],
        "control_tooth": "required" if told.control_tooth else "none",
        "window_min": _window(told.tests_min),
        "baseline_response": "required",
        "tooth_notation": told.notation,
    }


def guided_content(told: GuidedAnswers) -> dict[str, Any]:
    """Content of a protocol file, to be checked by :func:`onsetstudy.protocol.check.check_protocol`."""
    quarters = [Quarter(label=told.first_quarter)]
    while len(quarters) < 4:
        quarters.append(quarters[-1].next())
    year, number = quarters[0].label.split("Q")
    ratio, planning = _planning(told)
    content: dict[str, Any] = {
        "study": _study(told),
        "population": {"techniques": [told.technique], "agents": [told.agent]},
        "arms": _arms(told),
        "testing": _testing(told),
        "onset": {
            "confirmations": questions.CONFIRMATIONS,
            "target_min": float(told.target_min),
            "tau_min": float(told.tau_min),
        },
        "analysis": {
            "primary": told.primary,
            "wait_difference_min": float(told.wait_difference_min),
            "seed": int(f"{year}{number}01"),
            "cluster": "patient_id",
            "sensitivity": ["confirmations_1", "accept_unconfirmed"],
            "planned_hazard_ratio": ratio,
        },
        "planning": planning,
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
    if told.randomised:
        content["allocation"] = {
            "method": "paired" if told.paired else "permuted_blocks",
            # Both orders on both sides are four kinds of slip, and a block holds all of them.
            "block_sizes": [4, 8] if told.design == "split_mouth" else [2, 4, 6],
            "strata": ["practice_id"],
            **({"washout_days": int(told.washout_days)} if told.washout_days else {}),
        }
    settled = {"governance": told.governance, "adoption": told.adoption}
    return content | {name: dict(answers) for name, answers in settled.items() if answers}
