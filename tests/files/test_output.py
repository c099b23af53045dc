"""Files reach the disk whole, follow no link, and what was rejected stays with its owner."""

from __future__ import annotations

import os

import pandas as pd
import pytest

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.files.output import private_folder, rejects_csv, rejects_path, write_bytes


def test_a_file_is_replaced_whole_and_leaves_nothing_beside_it(tmp_path):
    path = tmp_path / "a" / "report.json"
    write_bytes(path, b"first")
    write_bytes(path, b"second")
    assert path.read_bytes() == b"second"
    assert [p.name for p in path.parent.iterdir()] == ["report.json"]


def test_no_link_is_followed(tmp_path):
    outside = tmp_path / "outside.txt"
    outside.write_text("kept")
    folder = tmp_path / "in"
    folder.mkdir()
    (folder / "report.json.part").symlink_to(outside)
    (folder / "report.json").symlink_to(outside)
    write_bytes(folder / "report.json", b"new")
    assert outside.read_text() == "kept"
    assert not (folder / "report.json").is_symlink()


def test_a_failed_write_leaves_what_was_there(tmp_path, monkeypatch):
    path = write_bytes(tmp_path / "report.json", b"first")

    def full(_number):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OnsetStudyError, match="No space left"):
        write_bytes(path, b"second")
    assert path.read_bytes() == b"first"
    assert [p.name for p in tmp_path.iterdir()] == ["report.json"]


@pytest.mark.parametrize(("private", "mode"), [(True, 0o600), (False, 0o644)])
def test_private_files_are_for_their_owner(tmp_path, private, mode):
    before = os.umask(0o022)
    try:
        path = write_bytes(tmp_path / "x", b"", private=private)
    finally:
        os.umask(before)
    assert path.stat().st_mode & 0o777 == mode


def test_rejected_rows_stay_beside_the_records(tmp_path):
    assert rejects_path([tmp_path]).parent == tmp_path
    assert rejects_path([tmp_path / "r.xlsx"]) == tmp_path / "r-rejects.csv"


def test_no_cell_of_the_rejects_is_a_formula():
    rejects = pd.DataFrame(
        {"notes": ["=1+1", "@SUM(A1)", "-2.5", "+cmd", "plain text", None], "n": [1, 2, 3, 4, 5, -6]}
    )
    lines = rejects_csv(rejects).splitlines()[1:]
    assert [line.split(",")[0] for line in lines] == ["'=1+1", "'@SUM(A1)", "-2.5", "'+cmd", "plain text", ""]
    assert lines[-1] == ",-6"


def test_a_private_folder_is_made_for_its_owner_and_one_that_is_there_stays_as_it_is(tmp_path):
    assert private_folder(tmp_path / "a" / "b").stat().st_mode & 0o777 == 0o700
    (tmp_path / "c").mkdir(mode=0o755)
    assert private_folder(tmp_path / "c").stat().st_mode & 0o777 == 0o755
    (tmp_path / "d").write_bytes(b"")
    with pytest.raises(OnsetStudyError, match="cannot be made"):
        private_folder(tmp_path / "d")
