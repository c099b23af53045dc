"""Lists, sealed files and logs on disk, and records held against them."""

import dataclasses
import datetime as dt
import json

import pandas as pd
import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import DesignError, OnsetStudyError, RecordsError
from onsetstudy.design.allocation.lists import draw_allocation_list
from onsetstudy.files.output import alone
from onsetstudy.files.sealed.allocation_list import goes_on_from, write_allocation, write_minimisation
from onsetstudy.files.sealed.kept_allocation import read_allocation_list, read_kept_list, read_slips
from onsetstudy.files.sealed.opening import open_next
from onsetstudy.files.sealed.opening_log import log_path, read_opening_log
from onsetstudy.records.chair.case_codes import check_sign
from onsetstudy.records.derived.allocation import as_allocated, review_allocation
from tests.design.allocation.test_allocation import protocol
from tests.few_slips import short_list
from tests.records.checks.test_corpus import PROMISED, case, readings_of, records

NOW = dt.datetime(2026, 4, 2, 9, 30)


@pytest.fixture
def drawn(tmp_path):
    made = draw_allocation_list(protocol(), slips_per_stratum=6, seed=5)
    write_allocation(made, tmp_path, seed=5)
    return made


def opened(folder, case_id, technique="ianb", practice="P01"):
    sealed = folder / f"sealed-{practice}.json"
    return open_next(sealed, case_id=case_id, levels={"technique": technique}, opened_by="N", now=NOW)


def test_slips_are_opened_in_order_and_logged(tmp_path, drawn):
    listed = [s for s in drawn.slips if s.stratum == "P01 | ianb"]
    found = [opened(tmp_path, f"P01-{k:04d}") for k in range(1, 4)]
    assert [o.slip for o in found] == [s.slip for s in listed[:3]]
    assert [o.arms for o in found] == [s.arms for s in listed[:3]]
    log, broken = read_opening_log(tmp_path / "opened-P01.csv")
    assert log["case_id"].tolist() == ["P01-0001", "P01-0002", "P01-0003"]
    assert broken == ()


def test_a_code_that_two_columns_have_opens_the_slip_of_its_own_column(tmp_path):
    promised = protocol(strata=("procedure", "topical"))
    eligible = dataclasses.replace(promised.eligibility, procedures=("other", "none"))
    made = draw_allocation_list(dataclasses.replace(promised, eligibility=eligible), slips_per_stratum=4, seed=5)
    write_allocation(made, tmp_path, seed=5)
    sealed = tmp_path / "sealed-P01.json"
    wanted = [(p, t) for p in ("other", "none") for t in ("none", "other")]

    def strata():
        for k, (procedure, topical) in enumerate(wanted):
            levels = {"procedure": procedure, "topical": topical}
            told = open_next(sealed, case_id=f"P01-{k:04d}", levels=levels, opened_by="N", now=NOW)
            assert told.stratum == next(s.stratum for s in made.slips if s.slip == told.slip)
            yield told.stratum

    assert list(strata()) == [f"P01 | {procedure} | {topical}" for procedure, topical in wanted]
    # A file of an earlier version does not say which column comes first: what could be two strata opens neither.
    earlier = json.loads(sealed.read_text())
    del earlier["columns"]
    sealed.write_text(json.dumps(earlier))
    log = (tmp_path / "opened-P01.csv").read_bytes()
    with pytest.raises(DesignError, match=r"P01 \| none \| other and of P01 \| other \| none"):
        open_next(sealed, case_id="P01-0009", levels={"topical": "none", "procedure": "other"}, opened_by="N", now=NOW)
    assert (tmp_path / "opened-P01.csv").read_bytes() == log
    alike = {"procedure": "none", "topical": "none"}
    told = open_next(sealed, case_id="P01-0010", levels=alike, opened_by="N", now=NOW)
    assert told.stratum == "P01 | none | none"


def test_what_holds_arms_is_for_its_owner_alone(tmp_path, drawn):
    opened(tmp_path, "P01-0001")
    held = [p for p in tmp_path.rglob("*") if p.name.startswith(("list.", "sealed-", "opened-"))]
    assert {p.name.split("-")[0] for p in held} >= {"sealed", "opened"}
    assert [p.name for p in held if p.stat().st_mode & 0o077] == []


def test_asking_twice_for_a_case_opens_nothing_new(tmp_path, drawn):
    first, again = opened(tmp_path, "P01-0001"), opened(tmp_path, " P01-0001 ")
    assert (again.slip, again.arms, again.again) == (first.slip, first.arms, True)
    assert len(read_opening_log(tmp_path / "opened-P01.csv")[0]) == 1


def test_a_mistyped_code_opens_nothing_and_is_told_with_what_was_meant(tmp_path, drawn):
    body = "K7Q2M"
    first = f"P01-{body}{check_sign(body)}"
    opened(tmp_path, first)
    other = "4WXA9"
    right = f"P01-{other}{check_sign(other)}"
    swapped = f"P01-W4XA9{check_sign(other)}"
    strange = f"P01-4WXAO{check_sign(other)}"
    for typed, meant in ((first[:-1] + "A", first), (swapped, right), (strange, right), (right[:-1], "sign by sign")):
        with pytest.raises(DesignError, match="was mistyped") as refused:
            opened(tmp_path, typed)
        assert meant in str(refused.value), typed
    assert len(read_opening_log(tmp_path / "opened-P01.csv")[0]) == 1
    assert opened(tmp_path, right.lower()).again is False
    assert opened(tmp_path, right).again is True


def test_a_practice_with_codes_of_its_own_is_not_held_to_a_check_sign(tmp_path, drawn):
    for code in ("P01-0001", f"P01-K7Q2M{check_sign('K7Q2M')}", "P01-K7Q2MZ"):
        assert not opened(tmp_path, code).again


def test_no_slip_is_left(tmp_path, drawn):
    many = sum(s.stratum == "P01 | ianb" for s in drawn.slips)
    for k in range(many):
        opened(tmp_path, f"P01-{k:04d}")
    with pytest.raises(DesignError, match="all have been opened; ask for a longer list"):
        opened(tmp_path, "P01-9999")
    assert len(read_opening_log(tmp_path / "opened-P01.csv")[0]) == many


def test_nothing_is_opened_on_a_changed_log(tmp_path, drawn):
    for k in range(3):
        opened(tmp_path, f"P01-{k:04d}")
    log = tmp_path / "opened-P01.csv"
    lines = log.read_text().splitlines()
    log.write_text("\n".join([*lines[:2], *lines[3:]]) + "\n")
    assert read_opening_log(log)[1] == (lines[3].split(",")[1],)
    with pytest.raises(RecordsError, match="the opening log was changed at slip"):
        opened(tmp_path, "P01-0009")


def test_two_at_once_do_not_get_the_same_slip(tmp_path, drawn, monkeypatch):
    monkeypatch.setattr("onsetstudy.files.output.WAIT_S", 0.1)
    written = pytest.raises(OnsetStudyError, match="is being written by another program")
    with alone(log_path(tmp_path / "sealed-P01.json")), written:
        opened(tmp_path, "P01-0001")
    # Whoever dies while opening leaves no lock behind.
    assert opened(tmp_path, "P01-0001").slip


def test_files_that_are_something_else(tmp_path, drawn):
    (tmp_path / "sealed-P09.json").write_text("{}")
    with pytest.raises(DesignError, match="is not a sealed file"):
        opened(tmp_path, "P09-0001", practice="P09")
    with pytest.raises(DesignError, match="has no stratum of P01, psa"):
        opened(tmp_path, "P01-0001", technique="psa")
    with pytest.raises(RecordsError, match="this is not a list of allocation slips"):
        read_allocation_list(tmp_path / "list.json")
    (tmp_path / "short.csv").write_text((tmp_path / "list.csv").read_text() + "P01-1-009,P01\n")
    with pytest.raises(RecordsError, match="has 2 entries"):
        read_allocation_list(tmp_path / "short.csv")


def test_minimisation_is_drawn_from_the_log_alone(tmp_path):
    promised = protocol(method="minimisation", strata=("technique", "procedure"))
    write_minimisation(promised, tmp_path, seed=3)
    sealed = tmp_path / "sealed-P01.json"
    levels = [{"technique": t, "procedure": p} for t in ("ianb", "psa") for p in ("filling", "crown", "filling")]
    told = [open_next(sealed, case_id=f"C{k}", levels=level, opened_by="", now=NOW) for k, level in enumerate(levels)]
    again = [open_next(sealed, case_id=f"C{k}", levels=level, opened_by="", now=NOW) for k, level in enumerate(levels)]
    assert [t.arms for t in told] == [a.arms for a in again]
    assert [t.slip for t in told] == [a.slip for a in again] == [f"P01-{k:03d}" for k in range(1, 7)]
    with pytest.raises(DesignError, match="Procedure is needed"):
        open_next(sealed, case_id="C9", levels={"technique": "ianb"}, opened_by="", now=NOW)


@pytest.mark.parametrize(
    ("case_id", "words"),
    [
        ("Maria Muster", '"Maria Muster" looks like a name, an address or a number of a person; nothing was opened'),
        ("P02-0002", "P02-0002 is a case of P02, and this is the file of P01; nothing was opened"),
        ("0002", "0002 does not begin with P01 as the other cases of this file do; nothing was opened"),
        (" ", "The code of the case is empty"),
    ],
)
def test_what_is_no_case_of_the_practice_opens_nothing(tmp_path, drawn, case_id, words):
    opened(tmp_path, "P01-0001")
    before = (tmp_path / "opened-P01.csv").read_bytes()
    with pytest.raises(DesignError) as error:
        opened(tmp_path, case_id)
    assert words in str(error.value)
    assert (tmp_path / "opened-P01.csv").read_bytes() == before
    assert opened(tmp_path, "P01-0002").slip  # nobody is kept out afterwards


def test_another_practice_is_told_at_the_first_case_and_codes_without_a_practice_are_free(tmp_path, drawn):
    with pytest.raises(DesignError, match="is a case of P02"):
        opened(tmp_path, "p02-0002")
    assert opened(tmp_path, "K7Q2").slip == opened(tmp_path, "K7Q2").slip


@pytest.mark.parametrize(
    ("levels", "words"),
    [
        ({"technik": "ianb"}, "The level is technique, not technik; nothing was opened. It asks for: technique."),
        ({"technique": "ianb", "agent": "lidocaine"}, "Agent is not a level of this list"),
        ({}, "Technique is needed to open the next slip; give it as --level technique=…"),
        ({"technique": "iamb"}, "Iamb is not a code of technique; nothing was opened. Did you mean ianb?"),
    ],
)
def test_levels_have_the_names_and_codes_of_the_list(tmp_path, drawn, levels, words):
    with pytest.raises(DesignError) as error:
        open_next(tmp_path / "sealed-P01.json", case_id="P01-0001", levels=levels, opened_by="", now=NOW)
    assert words in str(error.value)
    assert not (tmp_path / "opened-P01.csv").exists()


def test_a_case_asked_for_again_under_another_level_keeps_its_slip_and_that_is_told(tmp_path, drawn):
    first, again = opened(tmp_path, "P01-0001"), opened(tmp_path, "P01-0001", technique="mental_incisive")
    assert (again.slip, again.stratum, again.asked) == (first.slip, "P01 | ianb", "P01 | mental_incisive")
    arguments = [
        "open-slip",
        str(tmp_path / "sealed-P01.json"),
        "--case",
        "P01-0001",
        "--level",
        "technique=mental_incisive",
    ]
    told = CliRunner().invoke(onsetstudy, arguments).output
    assert "It was opened under P01 | ianb, and you ask for P01 | mental_incisive. The slip and its arm stay" in told


def test_a_sealed_file_that_is_not_there_is_told(tmp_path):
    with pytest.raises(DesignError, match=r"[Tt]here is no file .*nix.sealed-P01\.json\. Give the sealed file"):
        opened(tmp_path / "nix", "P01-0001")


def longer(folder, into, *, seed=6, slips=4, **changes):
    promised = protocol(**changes)
    more = draw_allocation_list(promised, slips_per_stratum=slips, seed=seed, after=read_slips(folder / "list.csv"))
    write_allocation(more, into, earlier=folder, seed=seed)
    return more


def test_a_longer_list_goes_on_behind_the_used_slips(tmp_path, drawn):
    old = [s for s in drawn.slips if s.stratum == "P01 | ianb"]
    told = [opened(tmp_path, f"P01-{k:04d}") for k in range(len(old))]
    new = tmp_path / "new"
    more = [s for s in longer(tmp_path, new).slips if s.stratum == "P01 | ianb"]
    assert [s.number for s in more] == list(range(len(old) + 1, len(old) + len(more) + 1))
    assert min(s.block for s in more) == max(s.block for s in old) + 1
    assert not {s.slip for s in more} & {s.slip for s in drawn.slips}
    again = [opened(new, f"P01-{k:04d}") for k in range(len(old))]
    assert [(o.slip, o.arms, o.again) for o in again] == [(o.slip, o.arms, True) for o in told]
    further = [opened(new, f"P01-{len(old) + k:04d}") for k in range(len(more))]
    assert [(o.slip, o.arms) for o in further] == [(s.slip, s.arms) for s in more]
    with pytest.raises(DesignError, match="all have been opened; ask for a longer list"):
        opened(new, "P01-9999")
    log, broken = read_opening_log(new / "opened-P01.csv")
    assert (len(log), broken) == (len(old) + len(more), ())
    kept = read_kept_list(new)
    assert kept.commitment == f"{drawn.commitment}, {longer(tmp_path, tmp_path / 'once_more').commitment}"
    assert kept.listed["slip"].nunique() == len(read_slips(tmp_path / "list.csv")) + len(longer(tmp_path, new).slips)


def test_a_list_goes_on_twice(tmp_path, drawn):
    longer(tmp_path, tmp_path / "second", seed=6)
    last = longer(tmp_path / "second", tmp_path / "third", seed=7)
    assert len(read_slips(tmp_path / "third" / "list.csv")) > len(last.slips) + len(drawn.slips)
    with pytest.raises(DesignError, match="The earlier list was drawn from this seed; it would repeat itself"):
        longer(tmp_path / "second", tmp_path / "fourth", seed=6)


def test_a_longer_list_without_its_log_opens_nothing(tmp_path, drawn):
    """Begun in an empty folder, the first slip would be given to a second patient."""
    opened(tmp_path, "P01-0001")
    longer(tmp_path, tmp_path / "new")
    (tmp_path / "new" / "opened-P01.csv").unlink()
    with pytest.raises(DesignError, match=r"the log opened-P01\.csv is not beside it"):
        opened(tmp_path / "new", "P01-0002")


def test_a_file_of_minimisation_never_goes_on(tmp_path):
    rule = dataclasses.replace(protocol().allocation, method="minimisation")
    (sealed,) = write_minimisation(dataclasses.replace(protocol(), allocation=rule), tmp_path, seed=5)[:1]
    edited = {**json.loads(sealed.read_text(encoding="utf-8")), "earlier": [{"P01 | ianb": 1}]}
    sealed.write_text(json.dumps(edited), encoding="utf-8")
    assert not goes_on_from(sealed, "0" * 64)


def test_a_list_goes_on_only_under_its_own_rule(tmp_path, drawn):
    with pytest.raises(DesignError, match="The earlier list has another ratio than this protocol"):
        longer(tmp_path, tmp_path / "new", ratio=(2, 1), block_sizes=(3, 6))
    with pytest.raises(DesignError, match="so the list cannot go on"):
        longer(tmp_path, tmp_path / "new", strata=("procedure",))
    assert not (tmp_path / "new").exists()


def test_the_door_makes_a_list_longer(tmp_path):
    path = str(short_list(tmp_path / "mine.toml"))
    run = CliRunner()
    first, second = str(tmp_path / "first"), str(tmp_path / "second")
    assert run.invoke(onsetstudy, ["allocate", path, "--into", first, "--slips", "2"]).exit_code == 0
    again = run.invoke(onsetstudy, ["allocate", path, "--into", first])
    assert f"to make this list longer, add --after {first}" in str(again.exception)
    more = run.invoke(onsetstudy, ["allocate", path, "--after", first, "--into", second, "--slips", "2"])
    assert more.exit_code == 0, more.output
    assert f"slips of {first} stand before them, as they were." in more.output
    assert "Each practice puts its new sealed file in place of the earlier one" in more.output
    same = run.invoke(onsetstudy, ["allocate", path, "--after", first, "--into", first])
    assert "holds a list already" in str(same.exception)
    nowhere = run.invoke(
        onsetstudy, ["allocate", path, "--after", str(tmp_path / "nix"), "--into", str(tmp_path / "x")]
    )
    there = tmp_path / "nix" / "list.csv"
    assert str(nowhere.exception) == f"list.csv: there is no file {there}. Check the name and the folder."


def recorded(drawn, change):
    slips = [s for s in drawn.slips if s.stratum == "P01 | ianb"][:6]
    rows = [
        case(
            k,
            s.arms[0],
            allocation="randomised",
            allocation_slip=s.slip,
            case_date=f"2026-04-{k:02d}",
            technique="ianb",
        )
        for k, s in enumerate(slips, start=1)
    ]
    change(rows)
    return records(rows, [r for k in range(1, 7) for r in readings_of(k, "ffnn")], PROMISED)


def other_arm(rows):
    for row in rows:
        if row["arm"] == "plain":
            row.update(arm="buffered", mix_mode="add", bicarbonate_ml="0.18")
            return


@pytest.mark.parametrize(
    ("change", "code", "count"),
    [
        (lambda rows: None, None, 0),
        (lambda rows: rows[0].pop("allocation_slip"), "no_slip", 1),
        (lambda rows: rows[0].update(allocation_slip="P01-9-001"), "unknown_slip", 1),
        (lambda rows: rows[1].update(allocation_slip=rows[0]["allocation_slip"]), "slip_twice", 2),
        (other_arm, "other_arm", 1),
        (lambda rows: rows[0].update(technique="psa", tooth="16"), "other_stratum", 1),
        (lambda rows: rows.pop(2), "skipped", 1),
        (lambda rows: rows[1].update(case_date="2026-04-28"), "out_of_order", 4),
    ],
)
def test_every_deviation_from_the_list_is_found(tmp_path, drawn, change, code, count):
    found = recorded(drawn, change)
    kept = read_kept_list(tmp_path)
    review = review_allocation(found.cases, protocol(), kept)
    assert review.commitment == drawn.commitment
    told = {d.code: d.count for d in review.deviations}
    if code is None:
        assert told == {}
        assert review.with_slip == review.cases == 6
    else:
        assert told[code] == count, told
        if code == "other_arm":
            intended = as_allocated(found, kept).cases
            assert (intended["arm"] != intended["arm_received"]).sum() == 1
    shuffled = review_allocation(found.cases.sample(frac=1, random_state=1), protocol(), kept)
    assert shuffled == review


def test_the_log_is_held_against_the_records(tmp_path, drawn):
    for k in (1, 2, 3):
        opened(tmp_path, f"P01-{k:04d}")
    found = recorded(drawn, lambda rows: rows.pop(2))
    review = review_allocation(found.cases, protocol(), read_kept_list(tmp_path / "list.csv"))
    told = {d.code: d.where for d in review.deviations}
    third = next(s.slip for s in drawn.slips if s.stratum == "P01 | ianb" and s.number == 3)
    assert told["opened_for_nobody"] == (third,)
    assert told["not_opened"] == ("P01-0004", "P01-0005", "P01-0006")
    assert told["opened_late"] == ("P01-0001",)  # treated on 1 April, opened on the 2nd


@pytest.mark.parametrize(
    ("days", "end", "late"),
    [(0, 564.0, True), (0, 566.0, False), (0, float("nan"), False), (1, float("nan"), True), (1, 2015.0, False)],
)
def test_a_slip_opened_on_the_day_and_after_the_injection_chose_nothing(tmp_path, drawn, days, end, late):
    """Opened at 9:30; clocks may be five minutes apart, and without a time of day the day alone is known.

    The injection of a case that is dated the day before may have come after midnight, counted on from there.
    """
    for k in range(1, 7):
        opened(tmp_path, f"P01-{k:04d}")
    cases = recorded(drawn, lambda rows: None).cases.assign(injection_end=end)
    cases["case_date"] = pd.Timestamp(NOW.date()) - pd.Timedelta(days=days)
    review = review_allocation(cases, protocol(), read_kept_list(tmp_path / "list.csv"))
    assert ("opened_late" in {d.code for d in review.deviations}) is late


def test_the_commands_speak_to_a_person(tmp_path):
    path = "protocols/mandibular_block_group.toml"
    run = CliRunner()
    how = ["--slips", "3", "--print", "--way", "chain"]
    made = run.invoke(onsetstudy, ["allocate", path, "--into", str(tmp_path / "list"), *how])
    assert made.exit_code == 0, made.output
    assert "Keep the list and its seed apart" in made.output
    assert (tmp_path / "list" / "slips.pdf").read_bytes().startswith(b"%PDF")
    sealed = str(tmp_path / "list" / "sealed-P01.json")
    told = run.invoke(onsetstudy, ["open-slip", sealed, "--case", "P01-0001", "--level", "technique=ianb"])
    assert "Enter P01-1-001 as allocation_slip" in told.output
    said = "not buffered" if read_slips(tmp_path / "list" / "list.csv")[0].arms == ("plain",) else "buffered"
    assert f"case P01-0001: {said}\n" in told.output
    wrong = run.invoke(onsetstudy, ["open-slip", sealed, "--case", "P01-0001", "--level", "ianb"])
    assert "write each --level as technique=ianb" in wrong.output
    again = run.invoke(onsetstudy, ["allocate", path, "--into", str(tmp_path / "list")])
    assert "holds slips that have been opened" in str(again.exception)


def test_sealed_files_do_not_tell_the_arm(tmp_path, drawn):
    text = (tmp_path / "sealed-P01.json").read_text()
    assert "buffered" not in text
    assert "plain" not in text
    assert isinstance(pd.read_csv(tmp_path / "list.csv"), pd.DataFrame)
    assert dataclasses.is_dataclass(drawn)
