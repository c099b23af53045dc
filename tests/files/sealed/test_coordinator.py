"""Slips opened by who keeps the list: in order, one a case, on record, and no arm where it does not belong."""

import json
import shutil

import pandas as pd
import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import DesignError, OnsetStudyError, RecordsError
from onsetstudy.files.ledger.ledger import ledger_path, verified_ledger
from onsetstudy.files.sealed.kept_allocation import read_kept_list, read_kept_logs, read_slips
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.protocol.ledger import of_kind, sentence
from onsetstudy.records.derived.allocation import as_allocated, review_allocation
from tests.few_slips import short_list
from tests.study.cases import PROTOCOLS, case, readings_of, records

GROUP = PROTOCOLS / "mandibular_block_group.toml"


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    """A locked protocol and its list, drawn once."""
    home = tmp_path_factory.mktemp("drawn")
    mine = shutil.copy(GROUP, home / "mine.toml")
    assert CliRunner().invoke(onsetstudy, ["lock", str(mine)]).exit_code == 0
    run = CliRunner().invoke(
        onsetstudy,
        [
            "allocate",
            str(mine),
            "--into",
            str(home / "list"),
            "--slips",
            "6",
            "--seed",
            "500000000001",
            "--way",
            "coordinator",
        ],
    )
    assert run.exit_code == 0, run.exception
    return home


@pytest.fixture
def kept(tmp_path, drawn):
    """A copy of both, which a test may change."""
    shutil.copytree(drawn, tmp_path, dirs_exist_ok=True)
    return tmp_path / "mine.toml", tmp_path / "list"


LABELS = {"plain": "not buffered", "buffered": "buffered"}
"""As the paper slip has them: to a dentist "plain" is without vasoconstrictor."""


def ask(kept, case_id, *more, practice="P01", technique="ianb", asked="N1"):
    mine, folder = kept
    given = ["open-for", str(mine), str(folder), "--practice", practice, "--case", case_id, "--by", "C1"]
    return CliRunner().invoke(onsetstudy, [*given, "--level", f"technique={technique}", "--asked-by", asked, *more])


def refused(run, kind=DesignError):
    assert isinstance(run.exception, kind), (run.output, run.exception)
    return str(run.exception)


def openings(kept):
    return of_kind(verified_ledger(ledger_path(kept[0])), "slip_opened_for")


def test_slips_come_in_the_order_of_the_list_for_each_stratum_and_say_what_it_says(kept):
    listed = [s for s in read_slips(kept[1] / "list.csv") if s.stratum == "P01 | ianb"]
    for k, slip in enumerate(listed[:3], start=1):
        run = ask(kept, f"P01-000{k}", "--slip", slip.slip)
        assert run.exit_code == 0, run.exception
        assert f"Slip {slip.slip} (P01 | ianb), case P01-000{k}: {LABELS[slip.arms[0]]}\n" in run.output
    other = ask(kept, "P02-0001", practice="P02")
    assert "Slip P02-" in other.output
    assert sorted(p.name for p in kept[1].glob("opened-*")) == ["opened-P01.csv", "opened-P02.csv"]


def test_the_ledger_says_who_asked_and_when_and_never_the_arm(kept):
    ask(kept, "P01-0001", asked="N1")
    ask(kept, "P01-0002", asked="N2")
    told = openings(kept)
    assert [(e.body["case"], e.body["asked_by"]) for e in told] == [("P01-0001", "N1"), ("P01-0002", "N2")]
    log = pd.read_csv(kept[1] / "opened-P01.csv", dtype=str)
    assert [e.body["opened_at"] for e in told] == log["opened_at"].tolist()
    assert "as N1 asked" in sentence(told[0])
    text = ledger_path(kept[0]).read_text(encoding="utf-8")
    assert not any(f'"{arm}"' in text for arm in read_protocol(kept[0]).arm_codes)
    assert (kept[1] / "opened-P01.csv").stat().st_mode & 0o077 == 0


def test_a_case_has_one_slip_however_its_code_is_written(kept):
    ask(kept, "P01-0001")
    for again in ("P01-0001", "p01-0001"):
        told = refused(ask(kept, again))
        assert "already" in told
        assert not any(arm in told for arm in read_protocol(kept[0]).arm_codes)
    # Nor under another level: a second slip could be asked for that way.
    assert "already" in refused(ask(kept, "P01-0001", technique=read_protocol(kept[0]).eligibility.techniques[-1]))
    assert len(openings(kept)) == 1


def test_a_slip_that_is_not_the_next_is_refused(kept):
    second = [s for s in read_slips(kept[1] / "list.csv") if s.stratum == "P01 | ianb"][1].slip
    assert "in order" in refused(ask(kept, "P01-0001", "--slip", second))
    assert openings(kept) == ()
    assert ask(kept, "P01-0001").exit_code == 0
    assert ask(kept, "P01-0002", "--slip", second).exit_code == 0


def test_codes_that_name_somebody_or_belong_elsewhere_open_nothing(kept):
    for who in ("Erika Example", "a > b", " "):
        assert "not names" in refused(ask(kept, "P01-0001", asked=who))
    assert "P02" in refused(ask(kept, "P02-0001"))
    refused(ask(kept, "P01-0001", practice="../P01"))
    refused(ask(kept, "P01-0001", practice="P99"))
    assert openings(kept) == ()
    assert not list(kept[1].parent.rglob("opened-*"))


def test_all_slips_of_a_stratum_can_be_opened_and_no_more(kept):
    for k in range(1, 7):
        assert ask(kept, f"P01-{k:04d}").exit_code == 0
    assert "all have been opened" in refused(ask(kept, "P01-0007"))


def test_a_log_that_was_shortened_changed_or_taken_from_elsewhere_opens_nothing(kept):
    ask(kept, "P01-0001")
    ask(kept, "P01-0002")
    log = kept[1] / "opened-P01.csv"
    whole = log.read_text(encoding="utf-8")
    head, first, second = whole.splitlines()
    log.write_text(f"{head}\n{first}\n", encoding="utf-8")
    assert "does not show" in refused(ask(kept, "P01-0003"), OnsetStudyError)
    log.unlink()
    assert "does not show" in refused(ask(kept, "P01-0001"), OnsetStudyError)
    ledger_path(kept[0]).unlink()
    assert "is gone" in refused(ask(kept, "P01-0003"), OnsetStudyError)
    assert CliRunner().invoke(onsetstudy, ["lock", str(kept[0])]).exit_code == 0
    for changed in (f"{head}\n{second}\n", whole.replace("P01-0001", "P01-0009"), whole.replace("N1 > C1", "N2 > C1")):
        log.write_text(changed, encoding="utf-8")
        assert "was changed" in refused(ask(kept, "P01-0003"), RecordsError)
    log.write_text(whole, encoding="utf-8")
    assert ask(kept, "P01-0003").exit_code == 0
    # What a power cut had kept out of the ledger has come in.
    assert [e.body["case"] for e in openings(kept)] == ["P01-0001", "P01-0002", "P01-0003"]


@pytest.mark.parametrize("way", ["passphrases", "paper", "chain"])
def test_lists_whose_slips_are_opened_at_practices_are_not_opened_here(tmp_path, way):
    mine = short_list(tmp_path / "mine.toml", practices=("P01",))
    given = ["allocate", str(mine), "--into", str(tmp_path / "list"), "--slips", "2", "--way", way]
    assert CliRunner().invoke(onsetstudy, given).exit_code == 0
    assert "opened at the practices" in refused(ask((mine, tmp_path / "list"), "P01-0001"))


@pytest.mark.parametrize(
    ("part", "value", "kind"), [("study", "another", DesignError), ("protocol", None, RecordsError)]
)
def test_a_list_of_another_study_or_without_its_parts_is_not_opened(kept, part, value, kind):
    described = kept[1] / "list.json"
    told = json.loads(described.read_text(encoding="utf-8"))
    changed = {**told, part: value} if value else {name: v for name, v in told.items() if name != part}
    described.write_text(json.dumps(changed), encoding="utf-8")
    assert {"study": "another study", "protocol": "protocol is missing"}[part] in refused(ask(kept, "P01-0001"), kind)
    assert openings(kept) == ()


def test_no_sealed_file_is_made_and_the_list_says_how_it_is_opened(kept):
    assert sorted(p.name for p in kept[1].iterdir()) == ["list.csv", "list.json"]
    assert json.loads((kept[1] / "list.json").read_text(encoding="utf-8"))["opening"] == "coordinator"


def test_a_report_reads_what_was_opened_from_the_log_and_from_the_list(kept):
    mine, folder = kept
    ask(kept, "P01-0001")
    ask(kept, "P01-0002")
    slips = [s for s in read_slips(folder / "list.csv") if s.stratum == "P01 | ianb"]
    rows = [case(k, arm=s.arms[0], allocation_slip=s.slip) for k, s in enumerate(slips[:2], 1)]
    promised = read_protocol(mine)
    found = records(rows, [row for k in (1, 2) for row in readings_of(k, "fnn")], promised)
    for kept_list in (read_kept_logs([folder / "opened-P01.csv"]), read_kept_list(folder)):
        assert as_allocated(found, kept_list).cases["arm_allocated"].tolist() == [s.arms[0] for s in slips[:2]]
        codes = {d.code for d in review_allocation(found.cases, promised, kept_list).deviations}
        assert not codes & {"not_opened", "log_broken", "other_arm", "no_slip"}


def go_on(kept, *more, slips="4", seed="600000000000", way="coordinator", name="longer"):
    mine, folder = kept
    given = ["allocate", str(mine), "--into", str(folder.parent / name), "--slips", slips, "--seed", seed]
    return CliRunner().invoke(onsetstudy, [*given, "--way", way, "--after", str(folder), *more])


def test_a_list_goes_on_behind_what_was_opened(kept):
    mine, folder = kept
    for k in (1, 2, 3):
        assert ask(kept, f"P01-000{k}").exit_code == 0
    earlier, log = read_slips(folder / "list.csv"), (folder / "opened-P01.csv").read_bytes()
    run = go_on(kept)
    assert run.exit_code == 0, run.exception
    assert f"Open from {folder.parent / 'longer'} alone" in run.output
    longer = (mine, folder.parent / "longer")
    # What was drawn and opened stands as it stood, digests included; the new slips follow it.
    now = read_slips(longer[1] / "list.csv")
    assert now[: len(earlier)] == earlier
    assert {s.stratum for s in now[len(earlier) :]} == {s.stratum for s in earlier}
    assert len({s.slip for s in now}) == len(now)
    assert (longer[1] / "opened-P01.csv").read_bytes() == log
    assert all(p.stat().st_mode & 0o077 == 0 for p in longer[1].iterdir())
    # The ledger holds both drawings, and the openings that were.
    entries = verified_ledger(ledger_path(mine))
    assert [e.body["slips"] for e in of_kind(entries, "list_drawn")] == [len(earlier), len(now) - len(earlier)]
    own = [s for s in now if s.stratum == "P01 | ianb"]
    for k, slip in enumerate(own[3:], start=4):
        assert f"Slip {slip.slip} (P01 | ianb)" in ask(longer, f"P01-{k:04d}", "--slip", slip.slip).output
    assert "all have been opened" in refused(ask(longer, "P01-0099"))
    assert [e.body["slip"] for e in openings(kept)] == [s.slip for s in own]
    # A case that has a slip from before has no second one, and the earlier folder opens nothing more.
    assert "already" in refused(ask(longer, "p01-0002"))
    assert "does not show" in refused(ask(kept, "P01-0098"), OnsetStudyError)


def test_a_list_goes_on_twice_and_under_an_amended_protocol(kept):
    mine, folder = kept
    ask(kept, "P01-0001")
    text = mine.read_text(encoding="utf-8")
    mine.write_text(text.replace("[study]\n", '[study]\ncase_codes = "{practice}-####"\n', 1), encoding="utf-8")
    assert go_on(kept, slips="1").exit_code == 0
    second = (mine, folder.parent / "longer")
    assert ask(second, "P01-0002").exit_code == 0
    assert "does not fit the pattern" in refused(ask(second, "P01-3"))
    again = go_on(second, slips="1", seed="700000000000", name="longest")
    assert again.exit_code == 0, again.exception
    third = (mine, folder.parent / "longest")
    assert ask(third, "P01-0003").exit_code == 0
    log = read_kept_list(third[1]).log
    assert log["case_id"].tolist() == ["P01-0001", "P01-0002", "P01-0003"]
    assert read_kept_list(third[1]).log_faults == {}
    about = json.loads((third[1] / "list.json").read_text(encoding="utf-8"))
    assert [part["seed"] for part in about["continued"]] == [600_000_000_000, 700_000_000_000]
    assert about["opening"] == "coordinator"


def test_a_list_goes_on_only_in_the_way_and_under_the_rule_that_it_was_begun_with(kept, tmp_path):
    mine, _ = kept
    for way in ("passphrases", "chain"):
        assert "--way coordinator" in refused(go_on(kept, way=way))
    assert "would repeat itself" in refused(go_on(kept, seed="500000000001"))
    draw = ["allocate", str(mine), "--into", str(tmp_path / "others"), "--slips", "1"]
    assert CliRunner().invoke(onsetstudy, draw).exit_code == 0
    assert "not opened by its keeper" in refused(go_on((mine, tmp_path / "others")))
    mine.write_text(mine.read_text(encoding="utf-8").replace("mandibular-block-group", "another", 1), encoding="utf-8")
    assert "another study" in refused(go_on(kept))
    assert not (tmp_path / "longer" / "list.csv").exists()
    assert len(of_kind(verified_ledger(ledger_path(mine)), "list_drawn")) == 2
