"""A report made again over other data: the earlier one is kept, and what changed is said."""

import dataclasses
import json
import os

import pytest

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.files.documents import archive
from onsetstudy.files.documents.archive import changes, write_in_place
from onsetstudy.files.documents.reports import results_json, write_report
from tests.report.samples import rich, small

pytestmark = pytest.mark.usefixtures("unpainted")

FORMATS = ("html", "json")


def everything(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def other():
    """Another analysis of the same quarter: six cases more, and another curve."""
    found = rich()
    return dataclasses.replace(
        found,
        provenance=dataclasses.replace(found.provenance, records_digest="f" * 64),
        flow=dataclasses.replace(
            found.flow,
            stages=tuple(dataclasses.replace(s, count=s.count + 6) for s in found.flow.stages),
        ),
        overall=small().overall,
    )


def test_the_same_report_made_again_changes_nothing(tmp_path):
    write_report(rich(), tmp_path, formats=FORMATS)
    before = everything(tmp_path)
    write_report(rich(), tmp_path, formats=FORMATS)
    assert everything(tmp_path) == before
    assert not any("archive" in name or "changes" in name for name in before)


def test_the_earlier_report_is_kept_whole_and_the_list_says_what_changed(tmp_path):
    first = write_report(rich(), tmp_path, formats=FORMATS)
    before = {p.suffix: p.read_bytes() for p in first}
    written = write_report(other(), tmp_path, formats=FORMATS)
    quarter = rich().quarter
    kept = sorted((tmp_path / "archive" / quarter).iterdir())
    assert {p.suffix: p.read_bytes() for p in kept} == before
    # One mark finds all files of one report.
    assert len({p.name.split(".")[1] for p in kept}) == 1
    assert written[-1].name.endswith(".changes.txt")
    told = written[-1].read_text(encoding="utf-8")
    assert kept[0].name.split(".")[1] in told
    assert "The records are others than before." in told
    recorded = rich().flow.stages[0].count
    assert f"Cases recorded: {recorded} → {recorded + 6} (+6)." in told
    claims = [json.loads(results_json(r))["claims"] for r in (rich(), other())]
    key, was, now = next(
        (a["key"], a["estimate"], b["estimate"])
        for a, b in zip(*claims, strict=False)
        if a["key"] == b["key"] and isinstance(a["estimate"], float) and a["estimate"] != b["estimate"]
    )
    line = next(line for line in told.splitlines() if line.startswith(f"{key}: "))
    assert f"{was:.4g} (" in line.split("→")[0]
    assert (f"{now:.4g} (" if isinstance(now, float) else "none (") in line.split("→")[1]


def test_every_earlier_report_is_kept_and_the_list_grows(tmp_path):
    for results in (rich(), other(), rich(), other()):
        write_report(results, tmp_path, formats=("json",))
    told = next(tmp_path.glob("*.changes.txt")).read_text(encoding="utf-8")
    assert [line.split(".")[0] for line in told.splitlines() if line.startswith("## ")] == ["## 1", "## 2", "## 3"]
    # Two contents stood there before: each is kept once, under its own name.
    kept = [p.read_text(encoding="utf-8") for p in (tmp_path / "archive" / rich().quarter).iterdir()]
    assert sorted(kept) == sorted((results_json(rich()), results_json(other())))


def test_only_another_paper_is_said_to_change_no_number(tmp_path):
    numbers = results_json(rich()).encode()
    write_in_place(tmp_path, {"r.json": numbers, "r.pdf": b"a4"}, name="r", quarter="2026Q3")
    write_in_place(tmp_path, {"r.json": numbers, "r.pdf": b"letter"}, name="r", quarter="2026Q3")
    told = (tmp_path / "r.changes.txt").read_text(encoding="utf-8")
    assert "Files replaced: r.pdf." in told
    assert "The records are the same.\nNo count and no number of a claim differs." in told


@pytest.mark.parametrize("earlier", [b"", b"[" * 9999, b"\xff\xfe", b'{"claims": 3, "flow": {"stages": [1]}}', b"[]"])
def test_an_earlier_file_that_is_no_report_is_kept_all_the_same(tmp_path, earlier):
    (tmp_path / "r.json").write_bytes(earlier)
    write_in_place(tmp_path, {"r.json": results_json(rich()).encode()}, name="r", quarter="2026Q3")
    assert [p.read_bytes() for p in (tmp_path / "archive" / "2026Q3").iterdir()] == [earlier]
    assert (tmp_path / "r.changes.txt").stat().st_size > 0


def test_of_a_group_no_practice_is_told_as_letters_are_drawn_anew():
    """P01 gained three cases and P02 none; A and B changed places."""

    def group(digest, **cases):
        claims = [{"key": f"hazard_ratio/{x}", "subset": x, "estimate": n / 10} for x, n in cases.items()]
        total = sum(cases.values())
        return {
            "provenance": {"records_digest": digest},
            "overall": {"n": {"cases": total}},
            "practices": [{"letter": letter, "n": {"cases": n}} for letter, n in cases.items()],
            "claims": [{"key": "hazard_ratio", "subset": "", "estimate": total / 10}, *claims],
        }

    told = changes(group("a", A=12, B=28), group("b", A=28, B=15))
    assert told == (
        "The records are others than before.",
        "Cases compared: 40 → 43 (+3).",
        "hazard_ratio: 4 (none to none) → 4.3 (none to none).",
    )


def test_a_full_disk_or_a_link_leaves_the_earlier_report(tmp_path, monkeypatch):
    write_report(rich(), tmp_path, formats=FORMATS)
    before = everything(tmp_path)
    elsewhere = tmp_path.parent / f"{tmp_path.name}-elsewhere"
    elsewhere.mkdir()
    os.symlink(elsewhere, tmp_path / "archive")
    with pytest.raises(OnsetStudyError, match="is a link"):
        write_report(other(), tmp_path, formats=FORMATS)
    assert list(elsewhere.iterdir()) == []
    (tmp_path / "archive").unlink()

    def full(*_, **__):
        raise OnsetStudyError("no room")

    monkeypatch.setattr(archive, "write_together", full)
    with pytest.raises(OnsetStudyError, match="No room"):
        write_report(other(), tmp_path, formats=FORMATS)
    assert {n: c for n, c in everything(tmp_path).items() if not n.startswith("archive/")} == before
