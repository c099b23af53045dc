"""Teeth in both notations. Source: ISO 3950:2016 and the definition of the universal system (1-32 clockwise from the
upper right third molar, A-T for primary teeth)."""

from __future__ import annotations

import pytest

from onsetstudy.records.teeth import TEETH

BLOCKS = [
    (range(1, 9), range(18, 10, -1)),
    (range(9, 17), range(21, 29)),
    (range(17, 25), range(38, 30, -1)),
    (range(25, 33), range(41, 49)),
    ("ABCDE", range(55, 50, -1)),
    ("FGHIJ", range(61, 66)),
    ("KLMNO", range(75, 70, -1)),
    ("PQRST", range(81, 86)),
]


@pytest.mark.parametrize(("universal", "iso"), [pair for a, b in BLOCKS for pair in zip(a, b, strict=True)])
def test_every_tooth(universal, iso):
    assert TEETH["universal"][str(universal)].iso3950 == str(iso)
    assert TEETH["iso3950"][str(iso)].universal == str(universal)


def test_there_are_52_teeth():
    assert len(TEETH["iso3950"]) == len(TEETH["universal"]) == 52


@pytest.mark.parametrize(
    ("iso", "arch", "side", "dentition"),
    [
        ("11", "maxillary", "right", "permanent"),
        ("23", "maxillary", "left", "permanent"),
        ("36", "mandibular", "left", "permanent"),
        ("45", "mandibular", "right", "permanent"),
        ("54", "maxillary", "right", "primary"),
        ("83", "mandibular", "right", "primary"),
    ],
)
def test_what_a_number_says(iso, arch, side, dentition):
    tooth = TEETH["iso3950"][iso]
    assert (tooth.arch, tooth.side, tooth.dentition) == (arch, side, dentition)
