"""The cautions that a practice's and a group's reports share: of the plan, slips, arms, refused cases and ethics."""

from __future__ import annotations

from collections.abc import Sequence

from onsetstudy.adjustment.results import APART
from onsetstudy.core.results import Caution, Counts, Flow
from onsetstudy.protocol.lock_results import LockStanding
from onsetstudy.protocol.model import Protocol, StudyIdentity
from onsetstudy.protocol.vocabulary import LOCAL_RULES
from onsetstudy.records.derived.flow import refused_cases, too_many_refused
from onsetstudy.records.derived.opened_slips import MOST_MISSING
from onsetstudy.records.derived.results import NOT_CHECKED, ArmStanding, arms_told
from onsetstudy.records.validity.between_arms import exact_p
from onsetstudy.records.validity.gates import LEVEL

TEST_THE_TOOTH = Caution(
    code="test_the_tooth",
    text="A statistic about past cases. Test the tooth and ask the patient before every procedure.",
)
NOT_RANDOMISED = Caution(code="not_randomised", text="Not randomised: the arms may differ in ways not measured.")
PLAN_DOUBTS = {
    "locked_late": "The protocol was locked after the first case: the plan may have been made with results in sight.",
    "changed": "The protocol differs from the version that was locked last; {where}.",
    "not_locked": "The protocol was never locked, so nothing shows that the plan came before the cases.",
}
SOURCES = {"list": "list of slips", "log": "opening log"}
SLIPS_OF_A_HAND = 2
"""So many cases that received another arm are no sign of anything else, however few there are."""
BEFORE = "made before files told which arm chance had chosen"


def plan_caution(standing: LockStanding | None, where: str = "see what was planned") -> Caution | None:
    """Why the plan may have been made with results in sight; ``None`` where it was not, or nobody looked for a lock.

    ``where`` says who or what tells how a protocol differs from its lock.
    """
    text = "" if standing is None else PLAN_DOUBTS.get(standing.status, "").format(where=where)
    return Caution(code="plan_after_data", text=text) if text else None


def apart_caution(apart: int, practices: int = 1) -> Caution | None:
    """Arms of which one came after the other, in so many of the practices that had both."""
    if not apart:
        return None
    some = f"In {apart} of {practices} practices with both, {APART[0].lower()}{APART[1:]}"
    return Caution(code="arms_apart", text=APART if apart == practices else some)


def few_onsets_caution(counts: Counts) -> Caution | None:
    """Arms with hardly an onset."""
    text = f"Few onsets were seen ({counts.few_onsets}): the limits are approximate."
    return Caution(code="few_onsets", text=text) if counts.few_onsets else None


def arms_caution(arms: ArmStanding | None) -> Caution | None:
    """What a reader of a randomised study must know of its arms; ``None`` where all are known and most were given."""
    if arms is None or not arms.cases:
        return None
    rest, text = arms.cases - arms.verified, ""
    if arms.source == "none":
        text = f"Randomised, but {NOT_CHECKED}: {arms.reason}."
    elif arms.as_injected:
        text = (
            f"Alarm: none of {arms.cases} randomised cases could be found in the {SOURCES[arms.source]}; {NOT_CHECKED}."
            " What chance had made alike is not known to be compared here: find the right log before anything is "
            "concluded."
        )
    elif rest:
        text = (
            f"{arms.verified} of {arms.cases} randomised cases were verified against the {SOURCES[arms.source]}; the "
            f"other {rest} {'counts' if rest == 1 else 'count'} in the arm that was injected."
        )
    text = " ".join((text, deviants_told(arms))).strip()
    return Caution(code="arms", text=text) if text else None


def deviants_told(arms: ArmStanding | None) -> str:
    """That many cases received another arm than chance had chosen; empty where few did."""
    if arms is None or arms.other_arm <= max(SLIPS_OF_A_HAND, MOST_MISSING * arms.verified):
        return ""
    return (
        f"{arms.other_arm} of {arms.verified} verified cases received another arm than chance had chosen. Compared as "
        "allocated, arms then look more alike than they are, or the wrong way round: ask why."
    )


def ethics_caution(study: StudyIdentity) -> Caution:
    """What the protocol records of ethics; it replaces no local rule."""
    return Caution(
        code="ethics", text=f"{LOCAL_RULES} Recorded status: {study.ethics_status.rstrip('.') or 'not recorded'}."
    )


def refused_caution(flow: Flow, protocol: Protocol) -> Caution | None:
    """What a reader must know of refused cases; ``None`` for few that are shared out over the arms as chance may do."""
    accepted = next(stage for stage in flow.stages if stage.name == "accepted")
    refused = refused_cases(accepted)
    (a, n_a), (b, n_b) = (
        (lost.cases, lost.cases + kept.cases)
        for lost, kept in zip(refused.by_arm[:2], accepted.by_arm[:2], strict=True)
    )
    if exact_p(((a, n_a, b, n_b),)) >= LEVEL and not too_many_refused(refused.count, accepted.count):
        return None
    were, are = ("was", "is") if refused.count == 1 else ("were", "are")
    text = (
        f"{refused.count} of {refused.count + accepted.count} cases {were} refused{arms_told(refused, protocol)} and "
        f"{are} in no count here, which could turn the answer: correct what is wrong in them."
    )
    return Caution(code="refused", text=text)


def slips_caution(opened: int, without: int, withdrawn: int = 0) -> Caution | None:
    """What a reader must know of patients who were randomised and never recorded; ``None`` where there is none."""
    have = f"{opened} opened slips {'has' if without == 1 else 'have'}"
    left = (
        f"In {withdrawn} of {opened} opened slips the patient withdrew before a case was recorded, and is in no count "
        "here."
    )
    more = " Find out what became of them."
    return _slips(without > MOST_MISSING * opened, without, have, more, left if withdrawn else "")


def group_slips_caution(slips: Sequence[tuple[int, int]], *, untold: int = 0) -> Caution | None:
    """The same of a group: slips opened and without a record, of each practice that tells; in all, by no code."""
    many = sum(n > MOST_MISSING * opened for opened, n in slips)
    more = f" In {many} of {len(slips)} practices they are more than one in ten." if many else ""
    if untold:
        more += f" {untold} {'file does' if untold == 1 else 'files do'} not tell."
    return _slips(bool(many), sum(n for _, n in slips), f"{sum(o for o, _ in slips)} opened slips have", more)


def _slips(alarm: bool, without: int, have: str, more: str, left: str = "") -> Caution | None:
    text = (
        f"{'Alarm: ' if alarm else ''}{without} of {have} no record: whoever was allocated by them is in no count "
        f"here, and could turn the answer.{more}"
    )
    told = " ".join(filter(None, (text if without else "", left)))
    return Caution(code="opened_for_nobody", text=told) if told else None


def group_arms_caution(arms: Sequence[ArmStanding | None], *, also_after: str = "") -> Caution | None:
    """The same of a randomised group, one standing for each file; ``None`` is a file that does not tell.

    ``also_after`` is the quarter after which some of the files go on: standings cannot be cut.
    """
    doubtful = [a for a in arms if a is None or a.as_injected]
    parts = []
    if doubtful:
        why = sorted({BEFORE if a is None else a.reason or f"no case was found in the {SOURCES[a.source]}"
                      for a in doubtful})  # fmt: skip
        files = "file" if len(arms) == 1 else "files"
        parts.append(f"Randomised, but in {len(doubtful)} of {len(arms)} {files} {NOT_CHECKED}: {'; '.join(why)}.")
    told = [a for a in arms if a is not None and not a.as_injected]
    cases = sum(a.cases for a in told)
    if rest := sum(a.cases - a.verified for a in told):
        parts.append(f"Elsewhere {cases - rest} of {cases} cases were verified; the others count in the arm injected.")
    if other := sum(a.other_arm for a in told):
        late = f" (of all that was sent, also after {also_after})" if also_after else ""
        parts.append(f"Compared as allocated: {other} of {cases} cases{late} received another arm.")
    if many := sum(bool(deviants_told(a)) for a in told):
        parts.append(f"In {many} of {len(arms)} files they are more than one in ten: ask why.")
    return Caution(code="arms", text=" ".join(parts)) if parts else None
