"""What may be planned for: differences that trials have found, against what a demonstration shows.

Block: 1.0 to 1.5 min (standard deviation 3, assumed); infiltration: 0 to 0.5 min; pain of injection: 5 to 10 of 100
(standard deviation 20); success: 0 to 15 points. From the published ranges that come with this package; pooled: 48 s
and 1.26 min for blocks, no gain for infiltrations (Guo 2018; Aulestia-Viera 2018).
"""

from __future__ import annotations

from onsetstudy.core.results import Caution

LARGEST = {
    "hazard_ratio": (2.5, "A ratio of rates"),
    "wait_min": (2.0, "A difference in waiting"),
    "pain_100": (15.0, "A difference in pain"),
    "success": (0.2, "A difference in success"),
}
"""Beyond these no pooled result lies (common practice, no source): a larger effect is a demonstration's."""


def implausible(quantity: str, effect: float) -> tuple[Caution, ...]:
    """A caution if an effect is larger than trials have found; a ratio below 1 is turned over."""
    size = max(effect, 1 / effect) if quantity == "hazard_ratio" and effect > 0 else abs(effect)
    largest, name = LARGEST[quantity]
    if size <= largest:
        return ()
    text = (
        f"{name} of {effect:g} is larger than pooled trials have found: a "
        "demonstration's effect, not one to plan with. A study planned for it would miss what is likely to be true."
    )
    return (Caution(code="demonstration_effect", text=text),)
