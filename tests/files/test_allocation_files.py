"""Lists, sealed files and logs on disk, and records held against them."""

import dataclasses
import datetime as dt

import pandas as pd
import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import DesignError, RecordsError
from onsetstudy.design.allocation import draw_allocation_list
from onsetstudy.files.allocation import (
    log_path,
    open_next,
    read_allocation_list,
    read_kept_list,
    read_opening_log,
    write_allocation,
    write_minimisation,
)
from onsetstudy.records.allocation import as_allocated, review_allocation
from tests.design.test_allocation import protocol
from tests.records.test_corpus import PROMISED, case, readings_of, records

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


def test_asking_twice_for_a_case_opens_nothing_new(tmp_path, drawn):
    first, again = opened(tmp_path, "P01-0001"), opened(tmp_path, "P01-0001")
    assert (again.slip, again.arms, again.again) == (first.slip, first.arms, True)
    assert len(read_opening_log(tmp_path / "opened-P01.csv")[0]) == 1


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


def test_two_at_once_do_not_get_the_same_slip(tmp_path, drawn):
    log_path(tmp_path / "sealed-P01.json").with_suffix(".lock").touch()
    with pytest.raises(DesignError, match="Another slip is being opened"):
        opened(tmp_path, "P01-0001")


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


def test_the_commands_speak_to_a_person(tmp_path):
    path = "protocols/mandibular_block_group.toml"
    run = CliRunner()
    made = run.invoke(onsetstudy, ["allocate", path, "--into", str(tmp_path / "list"), "--slips", "3", "--print"])
    assert made.exit_code == 0, made.output
    assert "Keep the list and its seed apart" in made.output
    assert (tmp_path / "list" / "slips.pdf").read_bytes().startswith(b"%PDF")
    sealed = str(tmp_path / "list" / "sealed-P01.json")
    told = run.invoke(onsetstudy, ["open-slip", sealed, "--case", "P01-0001", "--level", "technique=ianb"])
    assert "Enter P01-1-001 as allocation_slip" in told.output
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
