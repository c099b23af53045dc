"""Which cases came, went or changed between two reports: told to who holds the records, and to nobody else."""

import json
import re

import pandas as pd
import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.files.documents import archive
from onsetstudy.files.documents.archive import write_in_place
from onsetstudy.files.documents.reports import results_json
from onsetstudy.records.checks.check import check_records
from onsetstudy.records.derived.roster import Listed, Roster, case_roster, roster_change
from tests.report.samples import rich
from tests.study.cases import PROTOCOLS, case, protocol, raw, readings_of

pytestmark = pytest.mark.usefixtures("unpainted")

AUDIT = PROTOCOLS / "infiltration_audit.toml"
ROWS = {
    "cases read": 3, "cases accepted": 3, "cold tests read": 9, "cold tests accepted": 9, "rows refused": 0,
}  # fmt: skip


def of(rows, tests, **changes):
    promised = protocol(**changes)
    found = check_records(raw(rows, "c.csv"), raw(tests, "t.csv"), promised)
    return case_roster(found, promised, through=promised.quarters[-1])


def cold(*numbers):
    return [row for k in numbers for row in readings_of(k, "fnn")]


def both(numbers=(1, 2, 3), **changed):
    """Rosters of three cases and of others."""
    was = of([case(k, arm="plain") for k in (1, 2, 3)], cold(1, 2, 3))
    rows = [{**case(k, arm="plain"), **changed.get(f"row{k}", {})} for k in numbers]
    tests = [row for k in numbers for row in readings_of(k, changed.get(f"tests{k}", "fnn"))]
    return roster_change(was, of(rows, tests))


def test_nothing_changed_in_the_same_records_whatever_their_order():
    assert both((3, 1, 2)).changed == both().changed == ()
    assert both((3, 1, 2)).added == both((3, 1, 2)).left == ()


def test_cases_that_came_and_went_are_told_by_their_codes_and_rows_are_counted():
    found = both((1, 3, 4))
    assert (found.added, found.left, found.changed) == (("P01-0004",), ("P01-0002",), ())
    fewer = both((1, 3))
    assert fewer.left == ("P01-0002",)
    assert ("cases accepted", 3, 2) in fewer.rows
    assert next((a, b) for name, a, b in fewer.rows if name == "cold tests read") == (18, 12)


def test_what_changed_in_a_case_is_told_and_not_to_what():
    assert both(row2={"volume_ml": "1.7"}).changed == (("P01-0002", "its row"),)
    assert both(tests3="ffn").changed == (("P01-0003", "its cold tests"),)
    # A remark is no part of what was found; nor are the capitals of a code.
    assert both(row1={"notes": "late"}).changed == ()


def test_a_case_that_is_analysed_no_more_is_told_with_the_reason():
    was = of([case(k, arm="plain") for k in (1, 2)], cold(1, 2))
    now = of([case(1, arm="plain"), case(2, arm="plain")], cold(1, 2), study={"practices": ["P02"]})
    assert roster_change(was, now).changed == (("P01-0001", "analysed → practice"), ("P01-0002", "analysed → practice"))


def test_codes_are_compared_without_capitals():
    listed = Listed(row="a", tests="b", standing="analysed")
    change = roster_change(Roster(rows=ROWS, cases={"P01-1": listed}), Roster(rows=ROWS, cases={"p01-1": listed}))
    assert (change.added, change.left, change.changed) == ((), (), ())


def test_of_refused_rows_only_the_number_is_kept(tmp_path):
    found = of([case(1, arm="plain"), case(2, arm="plain", case_id="Erika Example")], cold(1))
    assert list(found.cases) == ["P01-0001"]
    assert found.rows["rows refused"] >= 1
    write_in_place(tmp_path, {"r.json": b"1"}, name="r", quarter="2026Q3", roster=found)
    assert not any("Erika" in p.read_text(encoding="utf-8") for p in tmp_path.rglob("*") if p.is_file())


def roster(*codes, **changed):
    cases = {code: Listed(row=changed.get(code, "a"), tests="b", standing="analysed") for code in codes}
    return Roster(rows={**ROWS, "cases read": len(codes), "cases accepted": len(codes)}, cases=cases)


def private(folder):
    return sorted(p for p in folder.rglob("*.cases.*"))


def test_codes_stand_beside_the_archived_reports_for_their_owner_and_counts_in_the_list_of_changes(tmp_path):
    first, second = results_json(rich()).encode(), results_json(rich()).replace("2026", "2026 ").encode()
    write_in_place(tmp_path, {"r.json": first}, name="r", quarter="2026Q3", roster=roster("P01-0001", "P01-0002"))
    later = roster("P01-0002", "P01-0003", "P01-0004", **{"P01-0002": "c"})
    write_in_place(tmp_path, {"r.json": second}, name="r", quarter="2026Q3", roster=later)
    told = (tmp_path / "r.changes.txt").read_text(encoding="utf-8")
    assert "Cases added: 2; left: 1; changed: 1." in told
    assert "Rows, cases read: 2 → 3 (+1)." in told
    listed = tmp_path / re.search(r"archive/2026Q3/\S+\.cases\.txt", told).group()
    text = listed.read_text(encoding="utf-8")
    assert "Added: 2\n  P01-0003\n  P01-0004\n" in text
    assert "refused: 1\n  P01-0001\n" in text
    assert "Changed: 1\n  P01-0002: its row\n" in text
    assert all(p.stat().st_mode & 0o777 == 0o600 for p in private(tmp_path))
    assert {p.parent for p in private(tmp_path)} == {tmp_path / "archive" / "2026Q3"}
    # Nowhere else does a code stand.
    for path in set(tmp_path.rglob("*")) - set(private(tmp_path)):
        assert path.is_dir() or "P01-000" not in path.read_text(encoding="utf-8")


def test_the_same_report_made_again_adds_nothing_and_every_change_has_a_list_of_its_own(tmp_path):
    for turn, content in enumerate((b"[]", b"[]", b"[1]", b"[]", b"[1]", b"[2]")):
        codes = [f"P01-{k:04d}" for k in range(1 + len(content) + (content == b"[2]"))]
        write_in_place(tmp_path, {"r.json": content}, name="r", quarter="2026Q3", roster=roster(*codes))
        # Three contents, and the steps between them.
        assert len(private(tmp_path)) == (1, 1, 3, 4, 4, 6)[turn]


def test_without_a_list_of_before_it_is_said_and_a_changed_one_is_not_believed(tmp_path):
    write_in_place(tmp_path, {"r.json": b"[]"}, name="r", quarter="2026Q3")
    write_in_place(tmp_path, {"r.json": b"[1]"}, name="r", quarter="2026Q3", roster=roster("P01-0001"))
    assert "No list of cases was kept" in (tmp_path / "r.changes.txt").read_text(encoding="utf-8")
    kept = private(tmp_path)[0]
    held = json.loads(kept.read_text(encoding="utf-8"))
    for number, edit in enumerate(
        (
            {"cases": 3},
            {"rows": {}},
            {"cases": {"P01-1": {}}},
            {"cases": {"P01\n": {"row": "", "tests": "", "standing": ""}}},
        )
    ):
        kept.write_text(json.dumps({**held, **edit}), encoding="utf-8")
        write_in_place(tmp_path, {"r.json": b"[1]"}, name="r", quarter="2026Q3")
        made = {"r.json": f"[{number + 2}]".encode()}
        write_in_place(tmp_path, made, name="r", quarter="2026Q3", roster=roster("P01-0001"))
        told = (tmp_path / "r.changes.txt").read_text(encoding="utf-8").rsplit("## ", 1)[1]
        assert "No list of cases was kept" in told
        write_in_place(tmp_path, {"r.json": b"[1]"}, name="r", quarter="2026Q3")


def test_a_report_that_could_not_be_written_leaves_no_list(tmp_path, monkeypatch):
    def full(*_, **__):
        raise OnsetStudyError("no room")

    monkeypatch.setattr(archive, "write_together", full)
    with pytest.raises(OnsetStudyError):
        write_in_place(tmp_path, {"r.json": b"1"}, name="r", quarter="2026Q3", roster=roster("P01-0001"))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("few_draws", "answer_alone")
def test_the_door_tells_which_cases_of_a_quarter_changed(tmp_path):
    records = tmp_path / "records"
    records.mkdir()
    source = PROTOCOLS.parent / "data" / "synthetic" / "audit"
    cases, tests = (pd.read_csv(source / f"{n}.csv", dtype=str) for n in ("cases", "cold_tests"))

    def report():
        cases.to_csv(records / "cases.csv", index=False)
        tests.to_csv(records / "cold_tests.csv", index=False)
        given = ["report", str(AUDIT), str(records), "--into", str(tmp_path / "reports"), "--format", "json"]
        done = CliRunner().invoke(onsetstudy, given)
        assert done.exit_code == 0, (done.output, done.exception)
        return done.output

    report()
    gone, other = cases["case_id"].iloc[[0, 1]]
    cases = cases.iloc[1:]
    tests = tests[tests["case_id"] != gone].reset_index(drop=True)
    tests = tests.drop(index=tests.index[tests["case_id"] == other][-1])
    told = report()
    listed = next((tmp_path / "reports" / "archive").rglob("*.cases.txt"))
    text = listed.read_text(encoding="utf-8")
    assert f"refused: 1\n  {gone}\n" in text
    # The last test taken out, the case was watched for less long: that stands in its row.
    assert f"Changed: 1\n  {other}: its row, its cold tests\n" in text
    changes = next((tmp_path / "reports").glob("*.changes.txt")).read_text(encoding="utf-8")
    assert "Cases added: 0; left: 1; changed: 1." in changes
    assert not any(code in changes + told for code in (gone, other))
