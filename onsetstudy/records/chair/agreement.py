"""Whether people who test call the same thing felt: two assessors on one recorded sequence, in practice."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from onsetstudy.core.errors import NotEstimable
from onsetstudy.inference.agreement import Kappa, cohen_kappa
from onsetstudy.inference.proportions import wilson_limits
from onsetstudy.records.chair.event import Event, in_force
from onsetstudy.records.chair.training import EARLIER_MOMENTS, following_sequence, moments_of

TrainingAnswers = Mapping[str, Mapping[str, Mapping[int, str]]]
"""Answers by sequence, assessor and moment; sequences in the order in which they were last answered."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Apart:
    """A moment on which two disagree.

    ``shown`` is what the patient showed or said, empty for the sequence that had no name; ``kind`` is felt, not_felt
    or doubtful, as the texts mean it.
    """

    moment: int
    shown: str
    kind: str
    first: str
    second: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """How far two assessors agree on a sequence.

    ``alike`` of ``n`` moments that both answered; ``low``, ``high`` are Wilson's 95 % limits of the proportion.
    ``beyond_chance`` is ``None`` where it cannot be told, and ``why_not`` says why. ``apart`` are the moments to talk
    about.
    """

    sequence: str
    first: str
    second: str
    alike: int
    n: int
    low: float
    high: float
    beyond_chance: Kappa | None
    why_not: str
    apart: tuple[Apart, ...]


def training_answers(events: Iterable[Event]) -> TrainingAnswers:
    """Answers from entries of the kind ``trained``; the last answer to a moment counts.

    Codes are told apart by their letters, not by capitals. Entries without a sequence are of the earlier one.
    """
    found: dict[str, dict[str, dict[int, str]]] = {}
    for event in in_force(events):
        if event.kind == "trained":
            told = event.payload
            name = str(told.get("sequence") or "")
            by_assessor = found[name] = found.pop(name, {})  # to the end: it is the one answered last
            by_assessor.setdefault(str(told["assessor"]).upper(), {})[int(told["moment"])] = str(told["response"])
    return found


def agreement_on(
    sequence: str, answers: Mapping[str, Mapping[int, str]], *, of: str | None = None
) -> tuple[Agreement, ...]:
    """Agreement of every two who answered one sequence, on moments that both did; ``of`` somebody, with the others.

    More than two are compared two by two: who should talk to whom about what is asked, and one number for all would not
    say. Observed agreement alone is no measure: two who always say *felt* agree wholly. So Cohen's kappa stands beside.
    """
    found = []
    for first, second in itertools.combinations(sorted(answers), 2):
        moments = sorted(answers[first].keys() & answers[second].keys())
        if moments and of in (None, first, second):
            found.append(_of_two(sequence, (first, second), moments, answers))
    return tuple(found)


def _of_two(
    sequence: str, two: tuple[str, str], moments: Sequence[int], answers: Mapping[str, Mapping[int, str]]
) -> Agreement:
    pairs = [(answers[two[0]][m], answers[two[1]][m]) for m in moments]
    alike = sum(one == other for one, other in pairs)
    low, high = wilson_limits(alike, len(pairs))
    beyond_chance, why_not = None, ""
    counts = [pairs.count((one, other)) for one in ("felt", "not_felt") for other in ("felt", "not_felt")]
    try:
        beyond_chance = cohen_kappa(*counts)
    except NotEstimable as error:
        why_not = error.reason
    return Agreement(
        sequence=sequence,
        first=two[0],
        second=two[1],
        alike=alike,
        n=len(pairs),
        low=low,
        high=high,
        beyond_chance=beyond_chance,
        why_not=why_not,
        apart=tuple(_apart(sequence, m, *pair) for m, pair in zip(moments, pairs, strict=True) if pair[0] != pair[1]),
    )


def _apart(sequence: str, moment: int, first: str, second: str) -> Apart:
    known = moments_of(sequence) or ()
    text, kind = (known[moment - 1].shown, known[moment - 1].kind) if moment <= len(known) else ("", "")
    return Apart(moment=moment, shown=text, kind=kind, first=first, second=second)


def latest_sequence(answers: TrainingAnswers) -> str:
    """The named sequence that was answered last; the first one if there is none."""
    return next((name for name in reversed(list(answers)) if name), following_sequence(""))


def who_finished(answers: TrainingAnswers, sequence: str) -> tuple[str, ...]:
    """Assessors who answered every moment of a sequence."""
    known = moments_of(sequence)
    wanted = set(range(1, 1 + (EARLIER_MOMENTS if known is None else len(known))))
    return tuple(sorted(who for who, told in answers.get(sequence, {}).items() if wanted <= told.keys()))


def next_step(sequence: str, agreements: Sequence[Agreement]) -> str:
    """What those who trained do next, in one sentence."""
    if not agreements:
        return f"Now somebody else answers sequence {sequence}; do not talk about it before."
    apart = sorted({a.moment for agreement in agreements for a in agreement.apart})
    after = following_sequence(sequence)
    if not apart:
        return "You agreed on every moment: train again before somebody new tests."
    which = f"moment {apart[0]}" if len(apart) == 1 else f"moments {', '.join(map(str, apart[:-1]))} and {apart[-1]}"
    return f"Talk about {which}, settle what counts as felt, and then each answer sequence {after}."
