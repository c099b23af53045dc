"""What has to be settled before a randomised study begins, and which of it a protocol leaves open.

The list follows the standards for protocols and reports of trials (SPIRIT 2025, CONSORT 2025, items on ethics, consent,
registration, funding, interests, harms and monitoring), from the project's own summary of them.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated

from pydantic import Field, StrictStr

from onsetstudy.core.errors import Problem
from onsetstudy.core.serialise import result_kind
from onsetstudy.protocol.keys import HARMS, Keys, Text, one_of

QUESTIONS = {
    "approval": "ethics approval or waiver: which body, number and date",
    "consent": "how patients consent, and how children assent",
    "registration": "where the study was registered before its first patient, and under which number",
    "insurance": "who is the sponsor, and what insurance stands behind the patients",
    "medicines_authority": "what the medicines authority answered: mixing at the chair may make this a medicinal trial",
    "data_protection": "on which ground data are kept, who has the key, and for how long",
    "funding": "who pays, and with what; goods that were given count",
    "interests": "interests of those who run the study, makers of devices included",
    "monitoring": "who sees interim analyses, and who stops the study",
    "harms": "how harms are asked for, and how often",
}
"""Each with what belongs in the answer."""
ALSO_IN_CONDUCT = ("consent", "registration", "funding", "interests", "monitoring", "harms")
NOTHING = re.compile(
    r"^(?:\w?|yes|ok(?:ay)?|no|none|nil|nothing|n/?a|unknown|open|pending|tbd|tba|to be \w+|todo|later"
    r"|not (?:yet|known))\W*$",
    re.I,
)
NONE = re.compile(r"^(?:none|nil|nothing)\W*$", re.I)
NONE_IN_WORDS = {"interests": "none to declare", "funding": "no funding from outside, and no goods given"}
"""Questions that "none" answers, and what it says there."""
NOT_REQUIRED = re.compile(r"^not (?:required|needed|necessary|applicable)\b(?P<rest>.*)$", re.I | re.DOTALL)
BECAUSE = re.compile(r"\b(?:because|since|as)\b\W+\w+\W+\w+", re.I)
EXAMPLE = re.compile(r"\b(?:invented|(?<!for )example|no approval was sought)\b", re.I)


def is_answer(text: str, key: str = "") -> bool:
    """Whether a text answers the question of a key.

    A single letter, "yes" or "none" does not ("none" does where it can be true: of interests and of funding), "not
    required" only with a reason, an example's words never.
    """
    told = " ".join(text.split())
    if key in NONE_IN_WORDS and NONE.match(told):
        return True
    if NOTHING.match(told) or EXAMPLE.search(told):
        return False
    waived = NOT_REQUIRED.match(told)
    return waived is None or BECAUSE.search(waived["rest"]) is not None


def unanswered(
    governance: Mapping[str, str], conduct: Mapping[str, str], *, adoption: bool, file: str = ""
) -> tuple[Problem, ...]:
    """What a randomised study leaves open, one problem for each question.

    Parameters
    ----------
    governance, conduct : mapping
        Texts of ``[governance]`` and ``[conduct]``; what stands in either counts.
    adoption : bool
        Whether a rule of adoption is declared, or the reason why there is none.
    file : str
        Name of the protocol, for the messages.
    """
    problems = []
    for key, asked in QUESTIONS.items():
        texts = [governance.get(key, ""), conduct.get(key, "") if key in ALSO_IN_CONDUCT else ""]
        if not any(is_answer(text, key) for text in texts):
            given = next((text for text in texts if text.strip()), "")
            what = "this answer settles nothing" if given else "this is not settled"
            mend = f'write {asked}; or "not required, because …" with the reason and who says so'
            problems.append(Problem.of_key(f"governance.{key}", what, mend, code="open", file=file))
    if not adoption:
        what = "it is not declared by what the study will say adopt or do not adopt"
        mend = (
            "add the table [adoption] with net_min, pain_margin, not_numb_margin and stopping_harms, or "
            'none_because = "…"'
        )
        problems.append(Problem.of_key("adoption", what, mend, code="open", file=file))
    return tuple(problems)


@result_kind("conduct")
class Conduct:
    """What only people can say, by topic: ``(topic, text)``; topics left out are shown as to be filled in."""

    texts: tuple[tuple[str, str], ...] = ()


@result_kind("governance")
class Governance:
    """Answers to what has to be settled before a randomised study begins: question and text."""

    texts: tuple[tuple[str, str], ...] = ()


@result_kind("adoption_rule")
class AdoptionRule(Keys):
    """By what the closing page will say adopt, do not adopt or undecided; declared before the lock.

    Parameters
    ----------
    none_because : str or None
        Why there is no rule; the others are then ``None``.
    net_min : float or None
        Minutes of the chair that have to be saved, mixing counted.
    pain_margin : float or None
        How much worse pain may be, on the protocol's scale.
    not_numb_margin : float or None
        How much larger the proportion not numb may be.
    stopping_harms : tuple of str or None
        Codes of adverse events, or ``serious`` for any that was, of which one in the other arm is enough not to adopt.
    """

    none_because: Text | None = None
    net_min: Annotated[float, Field(ge=0, le=60, strict=True)] | None = None
    pain_margin: Annotated[float, Field(ge=0, strict=True)] | None = None
    not_numb_margin: Annotated[float, Field(ge=0, lt=1, strict=True)] | None = None
    stopping_harms: tuple[Annotated[StrictStr, one_of("serious", *HARMS)], ...] | None = None

    @property
    def conditions(self) -> tuple[str, ...]:
        """What the rule asks for, in words; of a rule that is declared, and then it is whole."""
        harms = ", ".join(code.replace("_", " ") for code in self.stopping_harms or ()) or "none"
        return (
            f"at least {self.net_min:g} min of the chair saved, mixing counted",
            f"pain not more than {self.pain_margin:g} worse",
            f"not numb not more than {100 * (self.not_numb_margin or 0):g} percentage points more",
            f"harms of which one is enough not to adopt: {harms}",
        )
