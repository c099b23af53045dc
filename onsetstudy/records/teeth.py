"""Teeth in the two notations in use, and what their number says of them.

References
----------
.. [1] ISO 3950:2016, Dentistry - Designation system for teeth and areas of the oral cavity.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Tooth:
    """One tooth: its number in both notations, and arch, side and dentition."""

    iso3950: str
    universal: str
    arch: str
    side: str
    dentition: str


def _quadrant(quadrant: int, universal: list[str]) -> list[Tooth]:
    """Teeth of one ISO quadrant from the midline outwards; ``universal`` in the same order."""
    primary = quadrant > 4
    place = (quadrant - 1) % 4
    return [
        Tooth(
            iso3950=f"{quadrant}{position}",
            universal=code,
            arch="maxillary" if place < 2 else "mandibular",
            side="right" if place in (0, 3) else "left",
            dentition="primary" if primary else "permanent",
        )
        for position, code in enumerate(universal, start=1)
    ]


def _all_teeth() -> tuple[Tooth, ...]:
    numbers = [str(i) for i in range(1, 33)]
    letters = list("ABCDEFGHIJKLMNOPQRST")
    # Universal counts clockwise from the upper right; ISO counts outwards from the midline in each quadrant.
    permanent = {1: numbers[7::-1], 2: numbers[8:16], 3: numbers[23:15:-1], 4: numbers[24:32]}
    primary = {5: letters[4::-1], 6: letters[5:10], 7: letters[14:9:-1], 8: letters[15:20]}
    return tuple(tooth for q, codes in {**permanent, **primary}.items() for tooth in _quadrant(q, codes))


_ALL = _all_teeth()
TEETH: dict[str, dict[str, Tooth]] = {
    "iso3950": {tooth.iso3950: tooth for tooth in _ALL},
    "universal": {tooth.universal: tooth for tooth in _ALL},
}
"""All 52 teeth by notation and number."""
