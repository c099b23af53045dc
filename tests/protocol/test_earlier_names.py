"""Earlier names of keys and words: understood for ever, and of no weight in what was promised."""

import copy
import dataclasses
import tomllib
from pathlib import Path

import pytest

from onsetstudy.core.errors import ProtocolError
from onsetstudy.core.quantities import QUANTITIES
from onsetstudy.core.serialise import from_dict, to_dict
from onsetstudy.files.ledger.lock import changes_since_lock, lock_path, read_lock
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.protocol.check import check_protocol, normalised_content
from onsetstudy.protocol.earlier_names import EARLIER_KEYS, EARLIER_VALUES, todays_names, with_first_names
from onsetstudy.protocol.lock import lock_standing
from onsetstudy.protocol.vocabulary import CODES
from onsetstudy.study.counts.exchange import terms_of

ROOT = Path(__file__).parents[2]
THEN = ROOT / "tests" / "fixtures" / "formats" / "v1" / "protocols"
NAMES = ("mandibular_block_group", "infiltration_audit")
EARLIER = tomllib.loads((THEN / "mandibular_block_group.toml").read_text(encoding="utf-8"))
ADDED = {"estimate_strata": (["practice"], ["practice", "technique"]), "grace_min": (None, 1.5)}


def with_analysis(content, **keys):
    changed = copy.deepcopy(content)
    changed["analysis"] |= keys
    return changed


@pytest.mark.parametrize("name", NAMES)
def test_a_protocol_written_anew_under_todays_names_is_the_one_that_was_promised(name):
    now, then = (read_protocol(folder / f"{name}.toml") for folder in (ROOT / "protocols", THEN))
    assert now.digest == then.digest
    assert (now.plan, now.onset, now.rescue) == (then.plan, then.onset, then.rescue)
    assert terms_of(now) == terms_of(then)
    assert now.plan.primary in QUANTITIES


def test_a_lock_made_under_the_earlier_names_holds_for_todays(tmp_path):
    mine = tmp_path / "mandibular_block_group.toml"
    mine.write_bytes((ROOT / "protocols" / "mandibular_block_group.toml").read_bytes())
    assert b"tau_min" in mine.read_bytes()
    lock_path(mine).write_bytes(lock_path(THEN / mine.name).read_bytes())
    lock = read_lock(mine)
    assert changes_since_lock(mine) == ()
    assert lock_standing(read_protocol(mine), lock, first_case=None).status == "locked_before"
    # A change of the horizon is still a change, told by the name that the key has today.
    mine.write_text(mine.read_text(encoding="utf-8").replace("tau_min = 15 ", "tau_min = 14 "), encoding="utf-8")
    assert changes_since_lock(mine) == (("onset.tau_min", "15.0", "14.0"),)
    assert lock_standing(read_protocol(mine), lock, first_case=None).status == "changed"


def test_every_earlier_word_means_one_word_of_today_and_comes_back_as_it_was():
    assert with_first_names(todays_names(EARLIER)) == EARLIER
    assert todays_names(todays_names(EARLIER)) == todays_names(EARLIER)
    for values in EARLIER_VALUES.values():
        assert len(set(values.values())) == len(values)
        assert not set(values) & set(values.values())
    assert not {e for _, e in EARLIER_KEYS} & set(EARLIER_KEYS.values())
    assert set(CODES["primary"]) <= set(QUANTITIES)


@pytest.mark.parametrize("earlier", ["restricted_wait", "success_by_target", "pain", "hazard_ratio"])
def test_each_outcome_keeps_its_digest_under_its_name_of_today(earlier):
    now = EARLIER_VALUES["analysis", "primary"].get(earlier, earlier)
    then, today = (check_protocol(with_analysis(EARLIER, primary=p, secondary=[])) for p in (earlier, now))
    assert then == today
    assert today.plan.primary == now


@pytest.mark.parametrize("tau", [15, 12])
def test_a_key_under_both_names_is_refused_with_its_place(tau):
    content = copy.deepcopy(EARLIER)
    content["onset"]["tau_min"] = tau
    del content["analysis"]["seed"]
    with pytest.raises(ProtocolError) as caught:
        check_protocol(content, file="mine.toml")
    told = [str(p) for p in caught.value.problems]
    assert len(told) == 2, "the rest is told too"
    assert told[0] == (
        "mine.toml, key onset.tau_min: horizon_min is the earlier name of tau_min, and both are given. "
        "Keep tau_min and take horizon_min out."
    )


def test_an_outcome_under_both_names_stands_there_twice():
    twice = with_analysis(EARLIER, secondary=["pain", "pain_difference"])
    with pytest.raises(ProtocolError, match=r"analysis\.secondary: an entry stands there twice"):
        check_protocol(twice)
    both = with_analysis(EARLIER, primary="restricted_wait", secondary=["rmst_difference"])
    with pytest.raises(ProtocolError, match="rmst_difference is the primary outcome"):
        check_protocol(both)


def test_a_fault_is_told_at_the_name_that_the_file_writes():
    content = copy.deepcopy(EARLIER)
    for value, code in ((30, "contradiction"), ("soon", "float_type")):
        content["onset"]["horizon_min"] = value
        with pytest.raises(ProtocolError) as caught:
            check_protocol(content)
        assert [(p.where.key, p.code) for p in caught.value.problems] == [("onset.horizon_min", code)]


def test_results_of_earlier_files_are_read_under_todays_names():
    protocol = check_protocol(EARLIER)
    told = to_dict(protocol)
    told["onset"]["horizon_min"] = told["onset"].pop("tau_min")
    told["plan"]["primary"], told["rescue"]["hazard"] = "restricted_wait", "censored"
    for key in ADDED:
        del told["plan"][key]
    assert from_dict(told) == protocol


@pytest.mark.parametrize("key", ADDED)
def test_a_key_added_since_counts_only_where_it_says_something_new(key):
    default, other = ADDED[key]
    before = check_protocol(EARLIER)
    if default is not None:
        said = check_protocol(with_analysis(EARLIER, **{key: default}))
        assert said == before, "the default said aloud promises nothing new"
        assert terms_of(said) == terms_of(before)
    changed = check_protocol(with_analysis(EARLIER, **{key: other}))
    assert changed.digest != before.digest
    assert {k for k, _ in set(terms_of(changed)) ^ set(terms_of(before))} == {f"plan.{key}"}
    assert normalised_content(with_analysis(EARLIER, **{key: other}))["analysis"][key] == other
    value = getattr(changed.plan, key)
    assert value == (tuple(other) if isinstance(other, list) else other)
    assert from_dict(to_dict(changed)) == changed


@pytest.mark.parametrize(
    ("keys", "place", "words"),
    [
        ({"estimate_strata": ["operator"]}, "analysis.estimate_strata[1]", "Write one of practice, technique"),
        ({"estimate_strata": ["practice", "practice"]}, "analysis.estimate_strata", "an entry stands there twice"),
        ({"estimate_strata": []}, "analysis.estimate_strata", "Write at least 1 entries"),
        ({"grace_min": -1}, "analysis.grace_min", "Write a number of at least 0"),
        ({"grace_min": "1"}, "analysis.grace_min", "Write a number"),
    ],
)
def test_values_of_the_new_keys_that_cannot_be_kept(keys, place, words):
    with pytest.raises(ProtocolError) as caught:
        check_protocol(with_analysis(EARLIER, **keys))
    assert [p.where.key for p in caught.value.problems] == [place]
    assert words in str(caught.value)


def test_values_made_in_code_understand_earlier_words():
    protocol = check_protocol(EARLIER)
    plan = dataclasses.replace(protocol.plan, primary="pain", secondary=("restricted_wait", "never_numb"))
    assert (plan.primary, *plan.secondary) == ("pain_difference", "rmst_difference", "not_numb_difference")
    rescue = dataclasses.replace(protocol.rescue, wait="censored")
    assert (rescue.wait, rescue.hazard) == ("hypothetical", "hypothetical")


def test_a_spread_left_out_is_promised_as_it_was_when_it_stood_for_three_minutes():
    """A lock made while leaving it out meant 3 min still verifies; a lock of another stated spread is another."""
    left_out = copy.deepcopy(EARLIER)
    del left_out["planning"]["wait_sd_min"]
    of = {sd: copy.deepcopy(EARLIER) | {"planning": EARLIER["planning"] | {"wait_sd_min": sd}} for sd in (3.0, 4.3)}
    made = check_protocol(left_out)
    assert made.planning.wait_sd_min is None
    assert made.digest == check_protocol(of[3.0]).digest != check_protocol(of[4.3]).digest
    assert normalised_content(left_out) == normalised_content(of[3.0])
