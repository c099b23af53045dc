"""Sequences of invented moments on which those who test train: what a patient shows or says at one test after another.

A sequence is recorded by its name, ``A7``: the letter stands for the edition of the texts, the number for what is drawn
from them. What is drawn comes from digests of name and text and not from a generator of random numbers, so that ``A7``
stays the same whatever version of any library draws it: answers that are kept name no more than sequence and moment.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from onsetstudy.core.canonical import digest_of_text

EDITION = "A"
NAME = re.compile(rf"{EDITION}([1-9][0-9]{{0,2}})\Z")
EARLIER_SEQUENCE = ""
"""Name of the one sequence there was before sequences had names: entries without a sequence belong to it."""
EARLIER_MOMENTS = 16
MOMENTS_OF_A_KIND = 8

# A text that is in an edition is never changed: a new text is a new edition.
FELT = (
    "Raises a finger at once.",
    "Flinches at once.",
    "Raises a finger after three seconds.",
    "Says: cold, like before.",
    "Says: now. Sharp.",
    "Winces and pulls the head away as the pellet touches.",
    "Says: cold, and it goes on after you take it off.",
    "Raises a finger after two seconds and keeps it up.",
    "Says at once: I feel that.",
    "Says: much less than before, but cold.",
    "Nods, and says: cold.",
    "Raises a finger after five seconds. Asked, says: it turned cold.",
)
NOT_FELT = (
    "No sign for ten seconds.",
    "No sign for ten seconds. Asked, says: nothing.",
    "Shakes the head. Says: nothing at all.",
    "Says: have you begun?",
    "No sign; looks out of the window, breathing evenly.",
    "Says: I feel you touch it, nothing cold.",
    "No sign. Asked, says: my lip is fat, the tooth is nothing.",
    "Waits ten seconds. Says: no.",
    "No sign, and none when the pellet is put on again.",
    "Says: only the pushing.",
    "No sign for ten seconds. Asked about cold, shakes the head.",
    "Says: nothing. The neighbour on the other side was cold.",
)
DOUBTFUL = (
    "Waits, then raises a finger.",
    "Says: cold, but dull.",
    "Says: something, perhaps the touch.",
    "Flinches, then says no.",
    "Raises a finger before the pellet touches the tooth.",
    "No sign. Asked, says: yes, a little.",
    "Raises a finger and lets it sink at once.",
    "Frowns, and raises no finger.",
    "Raises a finger as the pellet is taken off.",
    "Says: cold, but in the gum.",
    "Says: I think so. Asked again, says: I do not know.",
    "No sign for eight seconds. Then says: now it begins.",
    "Says: it tingles.",
    "Blinks hard. Asked, says: I was waiting for it.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainingMoment:
    """One moment: what is ``shown``, and ``kind``: felt, not_felt, or doubtful where the texts leave it open."""

    shown: str
    kind: str


def moments_of(sequence: str) -> tuple[TrainingMoment, ...] | None:
    """Moments of a sequence in their order; ``None`` if there is no such sequence.

    Each has as many moments that were clearly felt, clearly not felt, and doubtful. The order tells nothing: there
    is no minute here from which an answer could be guessed.
    """
    if NAME.match(sequence) is None:
        return None
    drawn = [
        TrainingMoment(shown=shown, kind=kind)
        for kind, texts in (("felt", FELT), ("not_felt", NOT_FELT), ("doubtful", DOUBTFUL))
        for shown in _by_digest(f"{sequence} {kind}", texts)[:MOMENTS_OF_A_KIND]
    ]
    of_text = {moment.shown: moment for moment in drawn}
    return tuple(of_text[shown] for shown in _by_digest(sequence, tuple(of_text)))


def following_sequence(sequence: str) -> str:
    """The sequence to answer after another; after the last, the first."""
    found = NAME.match(sequence)
    number = 0 if found is None else int(found[1])
    return f"{EDITION}{number % 999 + 1}"


def moment_faults(payload: Mapping[str, Any]) -> list[str]:
    """What is wrong with the moment that an entry of training names, in sentences."""
    sequence, moment = payload.get("sequence"), payload.get("moment")
    if not isinstance(moment, int | float) or isinstance(moment, bool):
        return []  # said by the keys of the entry
    known = moments_of(sequence) if isinstance(sequence, str) else None
    if sequence not in (None, EARLIER_SEQUENCE) and known is None:
        return ["this sequence is not known"]
    last = EARLIER_MOMENTS if known is None else len(known)
    return [] if moment in range(1, last + 1) else [f"a moment is a whole number from 1 to {last}"]


def _by_digest(name: str, texts: tuple[str, ...]) -> list[str]:
    return sorted(texts, key=lambda text: digest_of_text("training", name, text))
