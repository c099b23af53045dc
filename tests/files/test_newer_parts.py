"""Lists that go on: what a newer version wrote is kept and named; what cannot be so is refused without its value."""

import json
import shutil

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import DesignError, RecordsError
from onsetstudy.files.sealed.described_list import newer_parts, read_description
from onsetstudy.files.sealed.kept_allocation import read_allocation_list
from tests.few_slips import short_list

pytestmark = pytest.mark.usefixtures("unpainted")

PERSON = "Erika Example"


@pytest.fixture(scope="module", params=["passphrases", "chain"])
def drawn(tmp_path_factory, request):
    """A list of each way, drawn once; each test changes a copy."""
    folder = tmp_path_factory.mktemp("drawn") / "first"
    run = go_on(folder, "--seed", "500000000000", "--way", request.param)
    assert run.exit_code == 0, run.output
    return folder, request.param


@pytest.fixture
def first(tmp_path, drawn):
    folder, way = drawn
    return shutil.copytree(folder, tmp_path / "first"), way


def go_on(into, *more):
    mine = short_list(into.parent / "mine.toml", practices=("P01",))
    return CliRunner().invoke(onsetstudy, ["allocate", str(mine), "--into", str(into), "--slips", "2", *more])


def change(path, **values):
    path.write_text(json.dumps({**json.loads(path.read_text(encoding="utf-8")), **values}), encoding="utf-8")


def test_what_a_newer_version_added_is_kept_where_the_list_goes_on_and_named(first, tmp_path):
    folder, way = first
    change(folder / "list.json", envelope_paper="grey", printed_by={"run": 3})
    more = go_on(tmp_path / "second", "--seed", "600000000000", "--way", way, "--after", str(folder))
    assert more.exit_code == 0, more.output
    assert "does not know, kept as it is: envelope_paper, printed_by." in more.output
    longer = read_description(tmp_path / "second" / "list.json")
    assert longer["envelope_paper"] == "grey"
    assert longer["printed_by"] == {"run": 3}
    assert newer_parts(longer) == ("envelope_paper", "printed_by")


@pytest.mark.parametrize("key", [PERSON, "erika.example@example.org", "Seed", "a" * 41, "", "__x"])
def test_a_key_that_no_version_would_write_is_refused_and_not_told(first, key):
    change(first[0] / "list.json", **{key: 1})
    with pytest.raises(RecordsError, match="a key that no list has") as refused:
        read_allocation_list(first[0] / "list.csv")
    assert "rika" not in str(refused.value)


def test_a_known_key_mistyped_is_no_newer_part(first):
    path = first[0] / "list.json"
    about = json.loads(path.read_text(encoding="utf-8"))
    about["comitment"] = about.pop("commitment")
    path.write_text(json.dumps(about), encoding="utf-8")
    with pytest.raises(RecordsError, match="a key that no list has"):
        read_description(path)


def test_another_lists_values_are_not_printed(first, tmp_path):
    folder, way = first
    change(folder / "list.json", study=PERSON)
    refused = go_on(tmp_path / "second", "--seed", "600000000000", "--way", way, "--after", str(folder))
    assert isinstance(refused.exception, DesignError)
    assert "The earlier list has another study than this protocol" in str(refused.exception)
    assert "Erika" not in str(refused.exception)
    assert not (tmp_path / "second" / "list.csv").exists()


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("[" * 100_000, "nested deeper"),
        ('{"slips": {"a": "1", "a": "2"}}', "stands twice"),
        ("[]", "no commitments"),
        ('{"slips": {"P01-001": "Erika Example"}}', "1 of its entries is no commitment"),
        ('{"slips": {"P01-0', "ends in the middle"),
    ],
)
def test_commitments_are_read_strictly(tmp_path, text, what):
    folder = tmp_path / "first"
    assert go_on(folder, "--seed", "500000000000").exit_code == 0
    (folder / "commitments.json").write_text(text, encoding="utf-8")
    refused = go_on(tmp_path / "second", "--seed", "600000000000", "--after", str(folder))
    assert isinstance(refused.exception, RecordsError), refused.output
    assert what in str(refused.exception)
    assert "Erika" not in str(refused.exception)
    assert not (tmp_path / "second" / "list.csv").exists()
