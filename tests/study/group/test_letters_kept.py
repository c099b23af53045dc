"""Nothing on a page that a group shares tells which letter is whose, and what two pages give away is told."""

import dataclasses
from pathlib import Path

import pytest
from click.testing import CliRunner

from onsetstudy.cli import reported_entries
from onsetstudy.cli.after.group import _say_grown
from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import ReportError
from onsetstudy.files.documents.archive import earlier_cases
from onsetstudy.files.exchange import read_exchange, write_exchange
from onsetstudy.files.sealed.kept_allocation import find_opening_logs, read_kept_logs
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.files.sources.spreadsheet import read_records
from onsetstudy.records.derived.allocation import resolve_arms
from onsetstudy.records.derived.withdrawn import without_cases
from onsetstudy.report.documents.group import compose_group
from onsetstudy.report.sections.group.completeness import sent_section
from onsetstudy.report.sections.group.heterogeneity import where_section
from onsetstudy.study.counts.aggregate_counts import tally_records
from onsetstudy.study.counts.exchange import make_exchange
from onsetstudy.study.exchange_results import CountTable
from onsetstudy.study.group.analyse_group import analyse_group
from onsetstudy.study.group.given_away import Sent, cases_of_files, cases_of_page, grown_by_few
from onsetstudy.study.group.pool_files import gather
from onsetstudy.study.group.results import in_order

pytestmark = pytest.mark.usefixtures("unpainted")

ROOT = Path(__file__).parents[3]
GROUP = ROOT / "protocols" / "mandibular_block_group.toml"
SHIPPED = sorted((ROOT / "data" / "synthetic" / "exchange").glob("*.json"))
CODES = ("P01", "P02", "P03", "P04", "P05")


@pytest.fixture(scope="module")
def files():
    return [(p.name, read_exchange(p)) for p in SHIPPED]


def everything(document):
    return str([(s.title, s.blocks) for s in document.sections])


def one_technique(files, code, name="other"):
    """All cases of one practice in a technique that nobody else has."""
    found = []
    for file, e in files:
        if e.practice == code:
            frame = e.cells.to_frame()
            keys = [c for c in frame.columns if c != "n"]
            frame["technique"] = name
            frame = frame.groupby(keys, dropna=False, as_index=False)["n"].sum().astype(object)
            e = dataclasses.replace(e, cells=CountTable.of(frame[e.cells.to_frame().columns]))
        found.append((file, e))
    return found


@pytest.fixture(scope="module")
def late(files):
    """P04 has sent its last quarter alone, in a technique of its own: its code beside either would tell its letter."""
    kept = one_technique(files, "P04")
    place = next(i for i, (_, e) in enumerate(kept) if e.practice == "P04")
    name, e = kept[place]
    frame = e.cells.to_frame()
    last = frame[frame["quarter"] == "2026Q3"].astype(object)
    kept[place] = (name, dataclasses.replace(e, cells=CountTable.of(last), quarters=("2026Q3",)))
    return analyse_group(kept, read_protocol(GROUP))


def test_the_page_of_the_group_names_no_practice_that_has_a_letter(late):
    told = everything(compose_group(late))
    assert not [code for code in CODES if code in told]
    # A practice's own page names itself alone, with the quarters and files that it sent.
    own = everything(compose_group(late, practice="P04"))
    assert [code for code in CODES if code in own] == ["P04"]
    sent = sent_section(late, late.letter("P04"))
    assert any(getattr(b, "caption", "") == "What your practice sent" for b in sent.blocks)
    # The coordinator's file holds the key.
    assert {p.code for p in late.practices} == set(CODES)


def test_remarks_on_single_files_are_counted_on_the_page_and_not_told(late):
    noted = dataclasses.replace(late, notes=("P01: its own ratio (1.234) does not follow from its counts.",))
    told = everything(compose_group(noted))
    assert "1 remark on single files was told to the coordinator" in told
    assert "1.234" not in told


def techniques(results):
    section = where_section(results, None)
    return next(b for b in section.blocks if getattr(b, "caption", "").startswith("Hazard ratio by technique"))


@pytest.mark.usefixtures("answer_alone")
def test_a_technique_of_one_practice_alone_has_no_row_and_cannot_be_subtracted(late, files):
    assert late.one_practice == ("other",)
    table = techniques(late)
    assert "other" not in [row[0] for row in table.rows]
    assert {row[1] for row in table.rows} == {"—"}
    assert any("1 technique that one practice alone has used is held back" in note for note in table.notes)
    whole = analyse_group(files[:3], read_protocol(GROUP))
    assert whole.one_practice == ()
    counts = [row[1] for row in techniques(whole).rows]
    assert sum(int(n) for n in counts) == whole.overall.n.cases


@pytest.mark.usefixtures("answer_alone")
def test_a_group_of_one_has_nothing_to_hold_back(files):
    assert analyse_group(files[:1], read_protocol(GROUP)).one_practice == ()


def test_growth_by_few_is_found_either_way_and_no_growth_is_none():
    now = {code: Sent(n) for code, n in {"P01": 70, "P02": 93, "P03": 50, "P04": 20, "P05": 3}.items()}
    before = {code: Sent(n) for code, n in {"P01": 66, "P02": 93, "P03": 52, "P04": 15}.items()}
    assert grown_by_few(now, before) == (
        ("P01", 4),
        ("P03", -2),
        ("P05", 3),
    )


def corrected(exchange):
    """As many cases as before, one of them without the supplement that had been entered."""
    rows = [(*row[:-1], row[-1] - 1) if row[:2] == ("plain", "supplement") else row for row in exchange.safety.rows]
    return dataclasses.replace(exchange, safety=dataclasses.replace(exchange.safety, rows=tuple(rows)))


def test_a_correction_without_growth_is_found_from_pages_and_files(files):
    protocol, before = read_protocol(GROUP), cases_of_files([e for _, e in files])
    changed = [(name, corrected(e) if e.practice == "P01" else e) for name, e in files]
    assert grown_by_few(cases_of_page(analyse_group(changed, protocol)), before) == (("P01", 0),)
    assert grown_by_few(cases_of_files([e for _, e in changed]), before) == (("P01", 0),)
    # Operators are numbered anew for each file, and an earlier page tells nothing but how many cases there were.
    anew = [dataclasses.replace(e, operators=None, records_digest="0" * 64) for _, e in files]
    assert grown_by_few(cases_of_files(anew), before) == ()
    assert grown_by_few(cases_of_files([e for _, e in changed]), {c: Sent(s.cases) for c, s in before.items()}) == ()


def test_a_protocol_apart_in_the_same_is_told_once_for_all_practices(files):
    apart = [(name, dataclasses.replace(e, protocol_digest="0" * 64)) for name, e in files]
    (told,) = gather(apart, read_protocol(GROUP)).notes
    assert told.startswith("P01, P02, P03, P04, P05 keep protocols that differ in parts that do not touch the counts; ")


def test_letters_go_on_after_z():
    assert sorted(["AA", "B", "A", "AB"], key=in_order) == ["A", "B", "AA", "AB"]


def test_who_left_is_told_where_the_protocol_names_no_practice(files, late, monkeypatch, capsys):
    monkeypatch.setattr(reported_entries, "practices_sent_before", lambda _protocol, _read: ("P01", "P09"))
    _say_grown(dataclasses.replace(late, missing=()), GROUP, [("page", cases_of_page(late))], files)
    told = "".join(capsys.readouterr())
    assert "the ledger holds earlier files of P09, and none is here" in told
    assert "P01" not in told


def test_files_and_pages_count_the_same_cases(files, late):
    sent = cases_of_files([e for _, e in files])
    assert cases_of_page(late) == {**sent, "P04": cases_of_page(late)["P04"]}
    assert cases_of_page(late)["P04"] < sent["P04"]


@pytest.fixture(scope="module")
def before():
    """The file that P03 would have sent three cases ago, of which one is not admitted by the protocol."""
    protocol = read_protocol(GROUP)
    folder = ROOT / "data" / "synthetic"
    records = read_records([folder], protocol)
    last = records.cases.loc[records.cases["practice_id"] == "P03", "case_id"].tail(3)
    records, arms = resolve_arms(protocol, without_cases(records, last), read_kept_logs(find_opening_logs([folder])))
    tally = tally_records(protocol, records, through=protocol.quarters[-1], arms=arms)
    return make_exchange(tally, protocol, "P03", records_digest=records.digest)


def earlier(files, before, folder):
    for _name, e in files:
        write_exchange(before if e.practice == before.practice else e, folder)
    return folder


def test_earlier_files_are_held_against_a_page_of_their_study_alone(files, before, tmp_path):
    given = earlier(files, before, tmp_path / "before")
    ((label, counts),) = earlier_cases([given], tmp_path / "none", before.study)
    assert "sent before" in label
    now = cases_of_files([e for _, e in files])
    assert grown_by_few(now, counts) == (("P03", 2),)
    assert earlier_cases([given], tmp_path / "none", "another-study") == []
    # Files of two sendings in one folder are not added up.
    for _name, e in files:
        write_exchange(e, given / "now")
    both = earlier_cases([given, given / "now"], tmp_path / "none", before.study)
    assert sorted(grown_by_few(now, counts) for _, counts in both) == [(), (("P03", 2),)]
    # Nor are files passed over because a page lies beside them.
    page = ROOT / "reports" / "mandibular-block-group-group-2026Q3.coordinator.json"
    (given / page.name).write_bytes(page.read_bytes())
    assert [label for label, _ in earlier_cases([given], tmp_path / "none", before.study)] == [page.name, label]


def test_what_merely_lies_in_the_folder_and_is_no_page_of_a_group_is_passed_over(tmp_path):
    report = ROOT / "reports" / "mandibular-block-group-2026Q3.json"
    lying = tmp_path / "mine.coordinator.json"
    lying.write_bytes(report.read_bytes())
    assert earlier_cases([], tmp_path, "mandibular-block-group") == []
    with pytest.raises(ReportError, match="no page of a group"):
        earlier_cases([lying], tmp_path / "none", "mandibular-block-group")


@pytest.mark.usefixtures("answer_alone")
@pytest.mark.slow
def test_the_door_tells_the_coordinator_who_grew_by_few_and_who_sent_what(files, before, tmp_path):
    some = [path for path in SHIPPED if "P02" in path.name or before.practice in path.name]
    files = [(name, e) for name, e in files if e.practice in ("P02", before.practice)]
    mine = tmp_path / "mine.toml"
    mine.write_bytes(GROUP.read_bytes())

    def run(*arguments):
        done = CliRunner().invoke(onsetstudy, [str(a) for a in arguments])
        assert done.exit_code == 0, (done.output, done.exception)
        return done.output

    run("lock", mine)
    given = earlier(files, before, tmp_path / "before")
    first = run("group", mine, given, "--into", tmp_path / "out", "--format", "json")
    assert "by subtraction" not in first
    assert "P03: 2025Q4, 2026Q1, 2026Q2, 2026Q3; " in first
    # The earlier page stands where the later will.
    again = run("group", mine, *some, "--into", tmp_path / "out", "--format", "json")
    assert "Please look: P03 has 2 cases more than in" in again
    assert again.count("by subtraction") == 1
    # Elsewhere nothing is known of it but that the ledger holds an earlier file.
    away = ("group", mine, *some, "--into", tmp_path / "away", "--format", "json")
    assert "the ledger holds earlier files of P03, and no earlier page was found" in run(*away)
    assert "P03 has 2 cases more than in the files sent before" in run(*away, "--after", given)
    # One practice has left, and the protocol is not the one that was locked: whose key differs is named.
    mine.write_text(mine.read_text(encoding="utf-8").replace("planned_information = 380", "planned_information = 280"))
    alone = run("group", mine, some[0], "--into", tmp_path / "left", "--format", "json")
    assert "the ledger holds earlier files of P03, and none is here" in alone
    assert "mine.toml was changed since it was locked: looks.planned_information." in alone
    assert "P02 keeps a protocol that differs in parts that do not touch the counts; files do not tell these" in alone
