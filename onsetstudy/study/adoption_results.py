"""What the rule of adoption says, as the closing page tells it."""

from __future__ import annotations

from onsetstudy.core.serialise import result_kind

__all__ = ["Adoption", "AdoptionPart"]


@result_kind("adoption_part")
class AdoptionPart:
    """One condition: ``code`` is ``met``, ``failed`` or ``open`` where the interval does not decide.

    ``name`` is ``net_min``, ``pain_margin``, ``not_numb_margin`` or ``stopping_harms``.
    """

    name: str
    code: str


@result_kind("adoption")
class Adoption:
    """``verdict`` is ``adopt``, ``do_not_adopt`` or ``undecided``; empty where the protocol says why it has no rule."""

    verdict: str
    parts: tuple[AdoptionPart, ...] = ()
    none_because: str = ""
