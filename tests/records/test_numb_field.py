"""Fields of the techniques: the trade facts of this project, section 12 (sources there), worked out by hand."""

import pytest

from onsetstudy.protocol.vocabulary import CODES
from onsetstudy.records.numb_field import where_is_control
from onsetstudy.records.teeth import TEETH


@pytest.mark.parametrize(
    ("techniques", "target", "control", "answer"),
    [
        (("ianb",), "46", "43", "inside"),
        (("ianb",), "46", "33", "outside"),
        (("ianb",), "46", "13", "outside"),
        (("ianb",), "46", "31", "uncertain"),
        (("ianb",), "46", "41", "inside"),
        (("ianb",), "36", "33", "inside"),
        (("ianb",), "36", "42", "uncertain"),
        (("buccal_infiltration",), "16", "15", "inside"),
        (("buccal_infiltration",), "16", "14", "uncertain"),
        (("buccal_infiltration",), "16", "23", "outside"),
        (("buccal_infiltration",), "11", "21", "uncertain"),
        (("buccal_infiltration",), "11", "22", "uncertain"),
        (("buccal_infiltration",), "11", "23", "outside"),
        (("psa",), "26", "25", "uncertain"),
        (("psa",), "26", "23", "uncertain"),
        (("psa",), "26", "27", "inside"),
        (("psa",), "26", "13", "outside"),
        (("psa",), "65", "66", "unknown"),
        (("infraorbital",), "13", "21", "uncertain"),
        (("infraorbital",), "13", "15", "inside"),
        (("infraorbital",), "13", "23", "outside"),
        (("mental_incisive",), "34", "33", "inside"),
        (("mental_incisive",), "34", "43", "outside"),
        (("mental_incisive",), "34", "36", "uncertain"),
        (("intraligamentary",), "46", "45", "uncertain"),
        (("intraligamentary",), "46", "44", "outside"),
        (("palatal_infiltration",), "16", "15", "outside"),
        (("ianb",), "46", "", "unknown"),
        (("ianb",), "", "33", "unknown"),
        ((), "46", "33", "unknown"),
        (("buccal_infiltration", "ianb"), "46", "43", "inside"),
        (("ianb",), "85", "83", "inside"),
        (("ianb",), "46", "46", "inside"),
    ],
)
def test_where_a_control_tooth_lies(techniques, target, control, answer):
    assert where_is_control(control, target, techniques) == answer


def test_a_block_on_both_sides_leaves_no_control_in_the_arch():
    # Both sides injected: asked once for each target, the worse answer counts.
    answers = {where_is_control("33", target, ("ianb",)) for target in ("46", "36")}
    assert "inside" in answers


@pytest.mark.parametrize("technique", CODES["technique"])
def test_left_and_right_are_mirrors_and_the_notation_does_not_matter(technique):
    mirror = {"1": "2", "2": "1", "3": "4", "4": "3", "5": "6", "6": "5", "7": "8", "8": "7"}
    iso = TEETH["iso3950"]
    for target in iso:
        for control in iso:
            answer = where_is_control(control, target, (technique,))
            other = where_is_control(mirror[control[0]] + control[1], mirror[target[0]] + target[1], (technique,))
            assert answer == other
            universal = (iso[control].universal, iso[target].universal)
            assert where_is_control(*universal, (technique,), notation="universal") == answer
            if iso[target].arch != iso[control].arch:
                assert answer == "outside"
