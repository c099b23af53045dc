"""Identities planted in every column, in headings, remarks and names of folders: none leaves the practice."""

from __future__ import annotations

import re
import shutil
import zlib
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.files.bulk.parts import split_tables
from onsetstudy.files.documents import reports
from onsetstudy.report.render.pdf import render_pdf

DATA = Path("data/synthetic")
GROUP = Path("protocols/mandibular_block_group.toml")
PERSONS = (
    "Quillfeather", "Zebulon Quandary", "1961-04-03", "03.04.1961", "+44 7700 900123", "0770 0900124",
    "z.quandary@example.org", "QQ123456C",
)  # fmt: skip
HEADING = "born Wolverhampstead 1961-04-03"
REMARK = "Thistlewaite rang, 07700 900125, born 3 April 1961"
FOLDER = "Ottoline_Vanterpool_1958-12-24"
TOKENS = (
    "quillfeather", "zebulon", "quandary", "1961-04-03", "03.04.1961", "7700 900", "0900124", "qq123456c",
    "wolverhampstead", "ermintrude", "thistlewaite", "ottoline", "vanterpool", "1958-12-24", "3 april 1961",
)  # fmt: skip


def plant(folder):
    """Records of one practice, in every column of which some row holds a person; returns how many were planted."""
    cases = pd.read_csv(DATA / "cases.csv", dtype=str)
    cases = cases[cases["practice_id"] == "P03"].reset_index(drop=True)
    tests = pd.read_csv(DATA / "cold_tests.csv", dtype=str)
    tests = tests[tests["case_id"].isin(cases["case_id"])].reset_index(drop=True)
    cases["notes"] = REMARK
    planted = 0
    # Rows that stay clean must still be enough for a report: every fourth row takes the columns in turn.
    for number, column in enumerate([c for c in cases.columns if c != "notes"]):
        cases.loc[(number * 2) % 40, column] = PERSONS[number % len(PERSONS)]
        planted += 1
    for number, column in enumerate([c for c in tests.columns if c != "case_id"]):
        tests.loc[number, column] = PERSONS[number % len(PERSONS)]
        planted += 1
    cases.loc[45, "practice_id"] = "Ermintrude"
    cases[HEADING] = PERSONS[0]
    folder.mkdir(parents=True)
    cases.to_csv(folder / "cases.csv", index=False)
    tests.to_csv(folder / "cold_tests.csv", index=False)
    return planted


def told(path):
    """All text of a file, and what is packed inside a PDF; what its pages show is in the document it was made of."""
    raw = path.read_bytes()
    texts = [raw]
    for stream in re.findall(rb"stream\r?\n(.*?)\r?\nendstream", raw, re.DOTALL):
        try:
            texts.append(zlib.decompress(stream))
        except zlib.error:
            continue
    return b"\n".join(texts).decode("utf-8", errors="replace").casefold()


@pytest.fixture(scope="module")
def studied(tmp_path_factory):
    """Everything that the doors write of such records, apart from the folder of the records themselves."""
    home = tmp_path_factory.mktemp("home")
    mine = Path(shutil.copy(GROUP, home / "mine.toml"))
    records = home / FOLDER
    assert plant(records) >= 32
    run = CliRunner()
    assert run.invoke(onsetstudy, ["lock", str(mine)]).exit_code == 0

    def printed(document, **how):
        # Pages of a PDF hold numbers of glyphs; the document holds the words that they were set from.
        (home / "printed-document.txt").write_text(repr(document), encoding="utf-8")
        return render_pdf(document, **how)

    patch = pytest.MonkeyPatch()
    patch.setattr(reports, "render_pdf", printed)
    patch.setitem(split_tables.__kwdefaults__, "parts", 2)
    given = [str(mine), str(records), "--drop-unknown", "--without-list", "counted for a test"]
    for door, more in (
        ("report", ["--into", "reports"]),
        ("send", ["--into", "sent", "--send-incomplete"]),
        ("reduce", ["--into", "reduced", "--send-incomplete"]),
    ):
        more = [str(home / a) if a in ("reports", "sent", "reduced") else a for a in more]
        done = run.invoke(onsetstudy, [door, *given, *more])
        assert done.exit_code == 0, (door, done.output, done.exception)
    patch.undo()
    return home


def written(home):
    return [p for p in home.rglob("*") if p.is_file() and FOLDER not in p.parts]


@pytest.mark.slow
def test_the_search_finds_what_is_there(studied, tmp_path):
    rejects = "".join(told(p) for p in (studied / FOLDER).iterdir())
    assert all(token in rejects for token in TOKENS[:8])
    assert "buffered" in told(studied / "printed-document.txt")
    assert {p.suffix for p in written(studied)} >= {".html", ".pdf", ".json", ".jsonl"}


def test_no_identity_is_in_any_file_outside_the_folder_of_the_records(studied):
    found = {
        (path.relative_to(studied).as_posix(), token)
        for path in written(studied)
        # Raw rows in parts and refused rows are the practice's own, and nobody else's to read.
        if not {"split", "rejects"} & set(path.relative_to(studied).parts)
        for token in TOKENS
        if token in told(path)
    }
    assert not found


def test_no_identity_is_in_the_name_of_a_file(studied):
    names = " ".join(p.relative_to(studied).as_posix() for p in written(studied)).casefold()
    assert not [token for token in TOKENS if token in names]


def test_what_must_hold_raw_rows_is_for_its_owner_alone(studied):
    raw = [p for p in studied.rglob("*") if p.is_file() and ({"rejects"} & set(p.parts) or "rejects" in p.name)]
    assert raw
    assert {p.stat().st_mode & 0o777 for p in raw} == {0o600}
