"""Files of earlier formats are read for ever, and mean what they meant.

What is read is held against numbers by its meaning (counts, and contrasts turned by the words they carry), through
reading functions alone: names inside the files may change, what they say may not. What each file is stands in
``tests/fixtures/formats/README.md``.
"""

import dataclasses
import datetime as dt
import json
import shutil
from pathlib import Path

import pytest

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.core.serialise import _KINDS, DROPPED_FIELDS, from_dict, to_dict
from onsetstudy.files.exchange import find_exchanges, read_exchange, read_exchanges, write_exchange
from onsetstudy.files.ledger.lock import changes_since_lock, lock_path, lock_protocol_file, read_lock
from onsetstudy.files.sealed.kept_allocation import read_allocation_list, read_kept_list, read_slips
from onsetstudy.files.sealed.opening import open_next
from onsetstudy.files.sealed.opening_log import log_path, read_opening_log
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.files.store import EventStore
from onsetstudy.outcomes.chair_results import Stage
from onsetstudy.protocol.lock import lock_standing
from onsetstudy.report.documents.practice import compose
from onsetstudy.study.counts.aggregate_counts import tally_records
from onsetstudy.study.counts.exchange import make_exchange
from onsetstudy.study.group.analyse_group import analyse_group
from onsetstudy.study.practice.analyse import analyse

pytestmark = pytest.mark.usefixtures("unpainted")

ROOT = Path(__file__).parents[2]
FORMATS = ROOT / "tests" / "fixtures" / "formats"
V1 = FORMATS / "v1"
GROUP, AUDIT, MINIMISED = (
    V1 / "protocols" / f"{name}.toml" for name in ("mandibular_block_group", "infiltration_audit", "minimisation")
)
DIGEST = "bd6b95c5ff8a761934505f39ec1254efb94051943afc4920da260ad7fa79dee8"
NOW = dt.datetime(2025, 12, 1, 9, 0)


def buffered_less_plain(found):
    """An estimate as buffered minus plain (or over plain), whichever way round it names its contrast."""
    first, ratio = found.contrast.split()[0], found.unit == "ratio"
    assert first in ("buffered", "plain")
    if first == "buffered":
        return found.estimate
    return 1 / found.estimate if ratio else -found.estimate


def by_arm(counts):
    return {arm: (counts.arm(arm).cases, counts.arm(arm).onsets) for arm in ("plain", "buffered")}


def result(name):
    return from_dict(json.loads((V1 / "results" / name).read_text(encoding="utf-8")))


@pytest.fixture(scope="module")
def group():
    return read_protocol(GROUP)


@pytest.fixture(scope="module")
def pooled(group):
    """The five files together; frozen, so that tests may share it."""
    return analyse_group(read_exchanges([V1 / "exchange"]), group)


@pytest.mark.parametrize("path", [GROUP, AUDIT, MINIMISED], ids=lambda path: path.stem)
def test_a_protocol_is_read(path):
    protocol = read_protocol(path)
    assert protocol.arm_codes[:2] == ("plain", "buffered")
    assert protocol.onset.tau_min == (10 if path is AUDIT else 15)
    assert protocol.onset.target_min == 2


def test_what_was_locked_stays_locked(group):
    lock = read_lock(GROUP)
    assert [(version.day, version.digest) for version in lock.versions] == [("2025-09-15", DIGEST)]
    assert group.digest == DIGEST
    assert changes_since_lock(GROUP) == ()
    assert lock_standing(group, lock, first_case=dt.date(2025, 10, 1)).status == "locked_before"
    assert lock_standing(group, lock, first_case=dt.date(2025, 9, 1)).status == "locked_late"
    assert lock_standing(read_protocol(AUDIT), read_lock(AUDIT), first_case=None).status == "not_locked"


def test_a_protocol_that_was_locked_is_still_told_from_a_changed_one(tmp_path):
    mine = Path(shutil.copy(GROUP, tmp_path))
    shutil.copy(lock_path(GROUP), tmp_path)
    text = mine.read_text(encoding="utf-8")
    mine.write_text(text.replace("target_min = 2 ", "target_min = 3 ", 1), encoding="utf-8")
    assert len(changes_since_lock(mine)) == 1
    assert lock_standing(read_protocol(mine), read_lock(mine), first_case=None).status == "changed"
    lock, _ = lock_protocol_file(mine, day=dt.date(2026, 1, 5), reason="first test at 3 min")
    assert [version.digest for version in lock.versions][:1] == [DIGEST]
    assert len(lock.versions) == 2
    assert changes_since_lock(mine) == ()


@pytest.mark.usefixtures("few_draws", "answer_alone")
def test_records_are_read_and_give_the_numbers_of_their_report():
    protocol = read_protocol(AUDIT)
    records = read_records(V1 / "records", protocol)
    assert not records.problems
    assert len(records.cases) == 72
    now, then = analyse(protocol, records, quarter="2026Q3"), result("infiltration-audit-2026Q3.json")
    assert by_arm(now.overall.n) == by_arm(then.overall.n)
    for name in ("wait_difference", "hazard_ratio"):
        ours, theirs = (buffered_less_plain(getattr(r.overall, name)) for r in (now, then))
        assert ours == pytest.approx(theirs, rel=1e-6), name


def test_the_result_of_a_practice_is_read():
    found = result("infiltration-audit-2026Q3.json")
    assert found.quarter == "2026Q3"
    assert by_arm(found.overall.n) == {"plain": (42, 39), "buffered": (30, 28)}
    # Sooner with the buffered arm, by little: a shorter wait and a ratio of rates above 1.
    assert buffered_less_plain(found.overall.wait_difference) == pytest.approx(-0.2815429091, abs=1e-9)
    assert buffered_less_plain(found.overall.hazard_ratio) == pytest.approx(1.124527842, abs=1e-9)
    assert buffered_less_plain(found.overall.success_difference) == pytest.approx(-0.008609846765, abs=1e-9)
    assert buffered_less_plain(found.overall.never_numb_difference) == pytest.approx(-1 / 210, abs=1e-9)
    fair = next(s for s in compose(found).sections if s.id == "fair")
    assert "minutes saved" in next(b for b in fair.blocks if b.kind == "table").rows[1][0]


def test_the_result_of_a_group_is_read():
    found = result("mandibular-block-group-group-2026Q3.coordinator.json")
    assert found.quarter == "2026Q3"
    assert by_arm(found.overall.n) == {"plain": (204, 176), "buffered": (208, 191)}
    assert found.letter("P01") == "C"
    assert buffered_less_plain(found.overall.hazard_ratio) == pytest.approx(1.308261503, abs=1e-9)
    assert buffered_less_plain(found.quantity("rmst_difference").average) == pytest.approx(-1.292457116, abs=1e-9)
    assert [v.code for v in found.looks.verdicts] == ["continue", "continue", "crossed", "descriptive"]
    assert found.looks.verdicts[2].direction == "sooner"


def test_fields_that_are_no_more_are_passed_over_and_others_refused():
    held = json.loads((V1 / "results" / "mandibular-block-group-group-2026Q3.coordinator.json").read_text("utf-8"))
    frailty = held["overall"]["frailty"]
    assert frailty["clusters"]
    assert "clusters" not in from_dict(frailty).to_dict()
    with pytest.raises(OnsetStudyError, match="not known: groups"):
        from_dict({**frailty, "groups": []})


def test_the_five_exchange_files_give_the_counts_they_gave(pooled):
    assert by_arm(pooled.overall.n) == {"plain": (204, 176), "buffered": (208, 191)}
    sent = {p.code: (p.n.cases, p.n.onsets) for p in pooled.practices}
    assert sent == {"P01": (68, 64), "P02": (93, 83), "P03": (50, 43), "P04": (129, 115), "P05": (72, 62)}
    (any_harm,) = (harm for harm in pooled.harms if harm.event == "any")
    assert {a.arm: (a.count, a.cases) for a in any_harm.arms} == {"plain": (3, 204), "buffered": (0, 208)}
    never = {share.contrast: share for share in pooled.overall.never_numb}
    # Over the mix of practices and techniques of both arms; as the cases came 17 of 208 were not numb.
    assert (never["buffered"].n.cases, never["buffered"].n.onsets) == (208, 17)
    assert never["buffered"].estimate == pytest.approx(17 / 208, abs=0.01)
    assert never["plain"].estimate > never["buffered"].estimate


def test_the_five_exchange_files_give_the_contrasts_they_gave(pooled):
    """Buffered teeth were numb sooner and hurt less.

    The ratio and the wait come from likelihoods climbed until the rule for stopping is met, hence 1e-6; sums: 1e-9.
    """
    assert buffered_less_plain(pooled.overall.hazard_ratio) == pytest.approx(1.3082615026, rel=1e-6)
    wait, pain, saved = (
        pooled.quantity(name) for name in ("rmst_difference", "pain_difference", "chair_time_difference")
    )
    assert buffered_less_plain(wait.common) == pytest.approx(-1.30424448956, rel=1e-6)
    assert buffered_less_plain(pain.common) == pytest.approx(-8.09038671761, abs=1e-9)
    # The files held minutes that buffering saves; read today, the contrast is buffered less plain, so it is turned.
    assert buffered_less_plain(saved.common) == pytest.approx(-0.420678799694, abs=1e-9)
    assert (by_arm(pain.n)["plain"][0], by_arm(pain.n)["buffered"][0]) == (199, 204)


@pytest.mark.usefixtures("answer_alone")
@pytest.mark.slow
def test_an_exchange_file_of_now_pools_with_files_of_then(group, pooled, tmp_path):
    """One practice sends anew with the present version, under the protocol as it was locked; the others sent before."""
    records = read_records(ROOT / "data" / "synthetic", group)
    tally = tally_records(group, records, through=group.quarters[-1])
    new = write_exchange(make_exchange(tally, group, "P01", records_digest=records.digest), tmp_path)
    then = [path for path in find_exchanges([V1 / "exchange"]) if read_exchange(path).practice != "P01"]
    files = read_exchanges([new, *then])
    both, alone = analyse_group(files, group), analyse_group(read_exchanges([new]), group)
    before, after = ({p.code: by_arm(p.n) for p in results.practices} for results in (pooled, both))
    assert after.pop("P01") == by_arm(alone.practices[0].n)
    assert before.pop("P01")
    assert after == before
    assert both.overall.n.cases == alone.overall.n.cases + sum(n for arms in before.values() for n, _ in arms.values())
    for name in ("hazard_ratio", "rmst_difference", "pain_difference", "chair_time_difference"):
        members = both.quantity(name).members
        assert len(members) == 5
        assert len({member.result.contrast for member in members}) == 1, name


def test_a_list_and_its_log_are_read():
    listed, commitment = read_allocation_list(V1 / "allocation" / "list.csv")
    assert len(listed) == 138
    assert len(commitment) == 64
    kept = read_kept_list(V1 / "allocation")
    assert kept.log_faults == {}
    assert len(kept.log) == 5


OPENED = {
    "allocation": ["plain", "buffered", "plain", "plain", "buffered"],
    "minimisation": ["buffered", "buffered", "plain", "plain"],
}
LEVELS = {"technique": "ianb", "procedure": "filling"}


def level(folder, **changes):
    return {**LEVELS, **changes} if folder == "minimisation" else {"technique": changes.get("technique", "ianb")}


def copied(folder, tmp_path):
    for path in (V1 / folder).iterdir():
        shutil.copy(path, tmp_path)
    return tmp_path / "sealed-P01.json"


@pytest.mark.parametrize("folder", OPENED)
def test_a_log_holds_and_its_slips_say_what_they_said(folder, tmp_path):
    sealed = copied(folder, tmp_path)
    log, broken = read_opening_log(log_path(sealed))
    assert broken == ()
    told = [open_next(sealed, case_id=case, levels=level(folder), opened_by="", now=NOW) for case in log["case_id"]]
    assert all(slip.again for slip in told)
    assert [slip.arms for slip in told] == [(arm,) for arm in OPENED[folder]]
    assert read_opening_log(log_path(sealed))[0].equals(log)


@pytest.mark.parametrize("folder", OPENED)
def test_a_line_of_an_earlier_log_that_was_changed_is_found(folder, tmp_path):
    log = log_path(copied(folder, tmp_path))
    log.write_text(log.read_text(encoding="utf-8").replace("P01-0002", "P01-0092", 1), encoding="utf-8")
    _, broken = read_opening_log(log)
    assert len(broken) == 1


def test_a_sealed_file_opens_its_next_slip(tmp_path):
    sealed = copied("allocation", tmp_path)
    slips = [s for s in read_slips(tmp_path / "list.csv") if s.stratum == "P01 | ianb"]
    for number, slip in enumerate(slips[3:], 6):
        told = open_next(sealed, case_id=f"P01-00{number:02d}", levels=level("allocation"), opened_by="", now=NOW)
        assert (told.slip, told.arms, told.again) == (slip.slip, slip.arms, False)
    log, broken = read_opening_log(log_path(sealed))
    assert broken == ()
    assert len(log) == 5 + len(slips) - 3


def test_arms_by_minimisation_go_on_from_an_earlier_log(tmp_path):
    sealed = copied("minimisation", tmp_path)
    told = [
        open_next(sealed, case_id=f"P01-000{k}", levels=level("minimisation"), opened_by="", now=NOW) for k in (5, 6, 7)
    ]
    assert [slip.slip for slip in told] == ["P01-005", "P01-006", "P01-007"]
    assert [slip.arms for slip in told] == [("buffered",), ("plain",), ("plain",)]
    assert read_opening_log(log_path(sealed))[1] == ()


def test_the_digest_of_records_is_that_of_their_values_whatever_reads_them():
    """Computed with pandas 2.3.3 and 3.1.1 alike; before, the two gave different digests of the same records."""
    audit = read_protocol(V1 / "protocols" / "infiltration_audit.toml")
    found = read_records([V1 / "records"], audit)
    assert found.digest == "a1cfe8519f25fe352d8f2a5ffa32a057f6ea90585b82fa9edb20560d7a34b364"


def test_fields_that_nothing_reads_any_more_are_passed_over():
    held = {(kind, field.name) for kind in DROPPED_FIELDS for field in dataclasses.fields(_KINDS[kind])}
    assert not held & {(kind, field) for kind, fields in DROPPED_FIELDS.items() for field in fields}
    stage = Stage(arm="plain", stage="wait", median_min=4.0, cases=9)
    assert from_dict({**to_dict(stage), "lower_min": 3.0, "upper_min": 6.0}) == stage
    with pytest.raises(OnsetStudyError, match="fields that are not known: lowest_min"):
        from_dict({**to_dict(stage), "lowest_min": 1.0})


def test_a_store_of_form_2_is_brought_up_and_its_case_read(tmp_path):
    for kept in sorted((FORMATS / "v2" / "store").iterdir()):
        shutil.copy(kept, tmp_path / kept.name)
    records = read_records(tmp_path / "practice.sqlite", read_protocol("protocols/infiltration_audit.toml"))
    assert records.problems == ()
    assert records.cases["arm"].tolist() == ["buffered"]
    assert list(zip(records.readings["minute"], records.readings["response"], strict=True)) == [
        (0.5, "felt"),
        (1.0, "not_felt"),
        (1.5, "not_felt"),
    ]
    with EventStore(tmp_path / "practice.sqlite") as store:
        assert store.facts()["port"] == "8123"  # an open page finds the computer again
        assert store.session_role("0" * 64, boot="", now_s=0.0) is None
    assert (tmp_path / "practice.sqlite.form-2").exists()
    assert (tmp_path / "practice.preparations.sqlite.form-2").exists()
