"""From about ten answers to a protocol: what a practice does not want to think about yet stands at its usual."""

from __future__ import annotations

import itertools
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from onsetstudy.protocol.model import Quarter

__all__ = ["GuidedAnswers", "as_toml", "guided_content"]


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
        Millilitres of sodium bicarbonate 8.4 % for a cartridge, in place of the same volume.
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
    governance: Mapping[str, str] = field(default_factory=dict)
    adoption: Mapping[str, Any] = field(default_factory=dict)


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
    content: dict[str, Any] = {
        "study": {
            "id": f"{told.practice.lower()}-{kind}",
            "title": f"Buffered and not buffered {told.agent}: {injection}",
            "question": f"Do teeth become numb sooner with buffered {told.agent} in this practice?",
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
            {"code": "plain", "label": "not buffered", "preparation": "cartridge as packaged, handled alike"},
            {
                "code": "buffered",
                "label": "buffered",
                "preparation": f"{told.bicarbonate_ml:g} mL of sodium bicarbonate 8.4 % in place of the same volume of "
                "the cartridge, mixed just before the injection",
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
            "primary": "restricted_wait",
            "seed": int(f"{year}{number}01"),
            "cluster": "patient_id",
            "sensitivity": ["confirmations_1", "accept_unconfirmed"],
        },
        "planning": {
            "cases_per_month": float(told.cases_per_month),
            "median_min": float(told.target_min),
            "sources": ["median: the target minute, until the first cases tell better"],
        },
        "doses": {"limits": "conservative"},
        "report": {"quarters": [q.label for q in quarters]},
    }
    if told.pain_scale:
        content["pain"] = {"scale": told.pain_scale, "moment": "deposition"}
    if told.randomised:
        content["allocation"] = {"method": "permuted_blocks", "block_sizes": [2, 4, 6], "strata": ["practice_id"]}
    if told.governance:
        content["governance"] = dict(told.governance)
    if told.adoption:
        content["adoption"] = dict(told.adoption)
    return content


def as_toml(content: Mapping[str, Any]) -> str:
    """Content of a protocol as the text of a TOML file."""
    lines: list[str] = []
    for table, value in content.items():
        for entry in value if isinstance(value, list) else [value]:
            lines.append(f"[[{table}]]" if isinstance(value, list) else f"[{table}]")
            lines.extend(f"{key} = {_value(told)}" for key, told in entry.items())
            lines.append("")
    return "\n".join(lines)


def _value(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_value(told)}" for key, told in value.items()) + " }"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return "[" + ", ".join(_value(told) for told in value) + "]"
    # A JSON text, number or truth value is one of TOML too; DEL and lone surrogates apart, which no answer may hold.
    return json.dumps(value, ensure_ascii=False)
