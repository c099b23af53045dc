"""Cartridge arithmetic and free base, held to tables and to conservation of mass."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from onsetstudy.core.errors import DesignError
from onsetstudy.core.serialise import from_dict
from onsetstudy.doses.cartridge import Preparation, deposited_mg, mix
from onsetstudy.doses.free_base import PKa, illustrate_free_base, percent_free_base, pka_of
from onsetstudy.doses.results import MIXTURE_FIELDS

DILUTIONS = [(1.8, 0.18, "add"), (1.8, 0.18, "replace"), (1.7, 0.17, "add"), (1.7, 0.17, "replace"),
             (1.8, 0.10, "replace")]  # fmt: skip


def test_the_dilution_table(reference):
    ref = reference("cartridge_dilution")
    cartridge, bicarbonate, mode = zip(*DILUTIONS, strict=True)
    found = mix(
        Preparation(cartridge_ml=cartridge, agent_percent=2, mode=mode, bicarbonate_ml=bicarbonate, dilution=100_000)
    )
    for i, (c, b, m) in enumerate(DILUTIONS):
        for name in MIXTURE_FIELDS[:6]:
            ref.check(f"{c} {b:.2f} {m}: {name}", getattr(found, name)[i])


def test_one_cartridge_is_not_the_same_mixture_in_both_modes():
    found = mix(Preparation(cartridge_ml=1.8, agent_percent=2, mode=["add", "replace"], bicarbonate_ml=0.18))
    # Ten parts to one on top; nine to one where a tenth was drawn out first.
    assert found.parts_to_one == pytest.approx([10, 9])
    plain = mix(Preparation(cartridge_ml=1.8, agent_percent=2))
    assert plain.parts_to_one == pytest.approx(np.inf)
    assert plain.bicarbonate_mmol_per_l == pytest.approx(0)


def test_nothing_is_made_up_for_what_is_missing():
    found = mix(Preparation(cartridge_ml=[1.8, np.nan], agent_percent=2, mode="add", bicarbonate_ml=0.18))
    assert found.drug_mg[0] == pytest.approx(36)
    assert np.isnan(found.drug_mg[1])
    assert found.vasoconstrictor_ug[0] == 0
    unknown = mix(Preparation(cartridge_ml=1.8, agent_percent=2, dilution=np.nan))
    assert np.isnan(unknown.vasoconstrictor_ug[0])


def test_a_mixture_survives_the_way_through_json():
    found = mix(Preparation(cartridge_ml=1.8, agent_percent=2, mode="add", bicarbonate_ml=0.18))
    back = from_dict(found.to_dict())
    for name in MIXTURE_FIELDS:
        assert np.array_equal(getattr(back, name), getattr(found, name))


cartridges = st.floats(1.0, 2.5)
amounts = st.floats(0.01, 0.9)
strengths = st.floats(0.25, 5.0)


@given(cartridges, amounts, strengths)
def test_adding_keeps_the_drug_and_replacing_loses_what_was_drawn_out(cartridge, bicarbonate, percent):
    make = {"cartridge_ml": cartridge, "agent_percent": percent, "bicarbonate_ml": bicarbonate}
    plain = mix(Preparation(cartridge_ml=cartridge, agent_percent=percent))
    added, replaced = (mix(Preparation(mode=mode, **make)) for mode in ("add", "replace"))
    assert added.drug_mg == pytest.approx(plain.drug_mg)
    assert replaced.volume_ml == pytest.approx(cartridge)
    assert replaced.drug_mg == pytest.approx(plain.drug_mg * (1 - bicarbonate / cartridge), rel=1e-9)
    assert replaced.drug_mg_per_ml < added.drug_mg_per_ml < plain.drug_mg_per_ml
    for found in (plain, added, replaced):
        assert found.drug_mg_per_ml * found.volume_ml == pytest.approx(found.drug_mg)


@given(st.lists(st.tuples(cartridges, amounts, strengths), min_size=1, max_size=8))
def test_many_cartridges_at_once_are_as_one_by_one(rows):
    cartridge, bicarbonate, percent = map(list, zip(*rows, strict=True))
    whole = mix(Preparation(cartridge_ml=cartridge, agent_percent=percent, mode="add", bicarbonate_ml=bicarbonate))
    for i, (c, b, p) in enumerate(rows):
        one = mix(Preparation(cartridge_ml=c, agent_percent=p, mode="add", bicarbonate_ml=b))
        assert one.drug_mg_per_ml[0] == whole.drug_mg_per_ml[i]


def test_the_whole_mixture_holds_the_whole_drug():
    found = mix(Preparation(cartridge_ml=1.8, agent_percent=2, mode="replace", bicarbonate_ml=0.18, dilution=100_000))
    drug, vasoconstrictor = deposited_mg(found, found.volume_ml)
    assert drug == pytest.approx(found.drug_mg)
    assert 1000 * vasoconstrictor == pytest.approx(found.vasoconstrictor_ug)


def test_every_impossible_number_is_told_at_once():
    wrong = Preparation(
        cartridge_ml=18, agent_percent=20, mode="add", bicarbonate_ml=1.8, bicarbonate_percent=84, dilution=100
    )
    with pytest.raises(DesignError) as told:
        mix(wrong)
    assert str(told.value).splitlines() == [
        "key cartridge_ml: 18 mL of cartridge cannot be. Give a number from 1 to 2.5.",
        "key agent_percent: 20 % of anaesthetic cannot be. Give a number from 0.25 to 5.",
        "key bicarbonate_ml: 1.8 mL of bicarbonate cannot be. Give a number from 0 to 1.",
        "key bicarbonate_percent: 84 % of bicarbonate cannot be. Give a number from 1 to 10.",
        "key dilution: 100 as n of the dilution 1:n cannot be. Give a number from 20000 to 400000.",
    ]


@pytest.mark.parametrize(
    ("mode", "bicarbonate", "words"),
    [
        ("none", 0.18, "key mode: 0.18 mL of bicarbonate, but the mode says that nothing was mixed in."),
        ("add", 0.0, "key bicarbonate_ml: the mode is add, but there is no bicarbonate."),
        ("shaken", 0.0, 'key mode: the mode "shaken" is not known. Write one of none, add, replace.'),
        ("replace", 1.0, "key bicarbonate_ml: 1 mL cannot be drawn out of a cartridge of 1 mL."),
    ],
)
def test_mode_and_bicarbonate_must_agree(mode, bicarbonate, words):
    with pytest.raises(DesignError) as told:
        mix(Preparation(cartridge_ml=1.0, agent_percent=2, mode=mode, bicarbonate_ml=bicarbonate))
    assert str(told.value).startswith(words)


def test_the_free_base_table(reference):
    ref = reference("henderson_hasselbalch_free_base")
    for pka, ph in itertools.product((7.6, 7.7, 7.8, 7.9, 8.1), ("3.5", "3.85", "4.5", "7.0", "7.31", "7.4")):
        ref.check(f"{pka} @ {ph}", float(percent_free_base(float(ph), pka)))
    low, high = percent_free_base([3.85, 7.31], 7.9)
    ref.check("rise 7.9 from 3.85 to 7.31", high / low)


@given(st.floats(0, 14), st.floats(0, 14))
def test_half_is_free_at_the_pka_and_more_above_it(ph, pka):
    percent = float(percent_free_base(ph, pka))
    assert 0 < percent < 100
    assert percent + float(percent_free_base(2 * pka - ph, pka)) == pytest.approx(100) if 0 <= 2 * pka - ph <= 14 else 1
    assert float(percent_free_base(pka, pka)) == pytest.approx(50)


def test_the_illustration_says_what_it_is_and_at_which_temperature():
    own = PKa(agent="lidocaine", pka=7.6, temperature_c=36.0, source="stated by the user")
    found = illustrate_free_base((("plain", 3.85), ("buffered", 7.31)), own)
    assert found.temperature_c == 36.0
    assert [name for name, _, _ in found.rows] == ["plain", "buffered"]
    assert "never a prediction of minutes" in found.caution[0].text
    assert from_dict(found.to_dict()) == found
    assert pka_of("bupivacaine").pka == 8.1


def test_what_is_not_a_ph_or_has_no_constant_is_refused():
    with pytest.raises(DesignError, match=r"key ph: 74 is not a pH\. Give a number from 0 to 14\."):
        percent_free_base(74, 7.9)
    with pytest.raises(DesignError, match='key agent: no pKa is kept for "procaine"'):
        pka_of("procaine")
    with pytest.raises(DesignError, match="is not a pKa"):
        percent_free_base(7.4, np.nan)
