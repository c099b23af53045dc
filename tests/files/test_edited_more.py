"""Protocols, described lists and files of minimisation that somebody edited: refused in words, never a traceback."""

from __future__ import annotations

import datetime as dt
import random
import shutil
from pathlib import Path

from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.design.allocation.lists import draw_allocation_list
from onsetstudy.files.sealed.allocation_list import write_allocation, write_minimisation
from onsetstudy.files.sealed.kept_allocation import read_allocation_list, read_slips
from onsetstudy.files.sealed.opening import open_next
from onsetstudy.files.sealed.opening_log import log_path, read_opening_log
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.protocol.vocabulary import CODES
from tests.files.test_edited_files import STRANGE, TEXTS, edited

ROOT = Path(__file__).parents[2]
GROUP = ROOT / "protocols" / "mandibular_block_group.toml"
ONE_BY_ONE = ROOT / "tests" / "fixtures" / "formats" / "v1" / "protocols" / "minimisation.toml"
TURNS = 500


def edited_toml(raw: bytes, chance: random.Random) -> bytes:
    """A protocol after one edit: of its bytes, or of one of its lines, which mostly stays TOML."""
    if chance.random() < 0.3:
        return edited(raw, chance)
    lines = raw.decode("utf-8").splitlines()
    at = chance.choice([k for k, line in enumerate(lines) if line.strip() and not line.startswith("#")])
    key, equals, _ = lines[at].partition(" = ")
    kind = chance.randrange(4)
    if kind == 0 and equals:
        values = [v for v in STRANGE if v is not None and v != {"": None}]
        lines[at] = f"{key} = {chance.choice([*map(_as_toml, values), *TEXTS, 'nan', '-inf', '2026-02-30', '{a = 1}'])}"
    elif kind == 1:
        lines.pop(at)
    elif kind == 2:
        lines.insert(at, lines[at])
    else:
        lines.insert(at + 1, 'ms_ann_example = "Ann"')
    return "\n".join(lines).encode("utf-8", errors="surrogatepass")


def _as_toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return '"' + value.replace("\x00", "\\u0000") + '"' if isinstance(value, str) else str(value)


def test_an_edited_protocol_is_refused_or_read(tmp_path):
    raw, chance, path = GROUP.read_bytes(), random.Random(11), tmp_path / "mine.toml"
    told_of: list[str] = []
    was, refused, changed = read_protocol(GROUP), 0, 0
    for _ in range(TURNS):
        path.write_bytes(edited_toml(raw, chance))
        try:
            found = read_protocol(path)
        except OnsetStudyError as error:
            refused += 1
            told_of.append(str(error))
            continue
        changed += found.digest != was.digest
        # What is read under the same digest promises the same.
        assert found.digest != was.digest or found.arm_codes == was.arm_codes
    assert all("mine.toml" in text for text in told_of)
    assert refused > TURNS / 2
    assert changed > 0


def test_an_edited_description_of_a_list_is_refused_or_leaves_its_slips(tmp_path):
    drawn = draw_allocation_list(read_protocol(GROUP), slips_per_stratum=6, seed=5)
    write_allocation(drawn, tmp_path, seed=5)
    described, chance = tmp_path / "list.json", random.Random(12)
    raw, (was, commitment) = described.read_bytes(), read_allocation_list(tmp_path / "list.csv")
    assert commitment == drawn.commitment
    told_of: list[str] = []
    refused, listed = 0, tmp_path / "list.csv"
    for turn in range(TURNS):
        described.write_bytes(edited(raw, chance))
        try:
            found, told = read_allocation_list(tmp_path / "list.csv")
        except OnsetStudyError as error:
            refused += 1
            told_of.append(str(error))
            continue
        assert found.equals(was)
        # Who goes on from it is refused, or goes on under the rule that was kept.
        if not turn % 10:
            longer = draw_allocation_list(read_protocol(GROUP), slips_per_stratum=6, seed=6, after=read_slips(listed))
            try:
                write_allocation(longer, tmp_path / "longer", earlier=tmp_path, seed=6)
            except OnsetStudyError as error:
                told_of.append(str(error))
        assert isinstance(told, str)
    assert refused > TURNS / 4
    assert not any("Ann" in text for text in told_of)


def test_an_edited_file_of_minimisation_is_refused_or_opens_one_of_the_arms(tmp_path):
    promised = read_protocol(ONE_BY_ONE)
    path = write_minimisation(promised, tmp_path / "kept", seed=5)[0]
    told_of: list[str] = []
    raw, chance, refused = path.read_bytes(), random.Random(13), 0
    levels = {name: CODES[name][0] for name in promised.allocation.strata if name != "practice_id"}
    for turn in range(TURNS):
        folder = tmp_path / "tried"
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        sealed = folder / path.name
        sealed.write_bytes(edited(raw, chance))
        case = f"{promised.study.practices[0]}-0001"
        try:
            opened = open_next(sealed, case_id=case, levels=levels, opened_by="N", now=dt.datetime(2026, 4, 2, 9))
        except OnsetStudyError as error:
            refused += 1
            told_of.append(str(error))
            assert not log_path(sealed).exists(), turn
            continue
        assert len(opened.arms) == 1
        assert read_opening_log(log_path(sealed))[0]["case_id"].tolist() == [case]
    assert refused > TURNS / 2
    assert not any("Ann" in text for text in told_of)
