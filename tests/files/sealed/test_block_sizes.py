"""Block sizes that the list's keeper alone knows: promised by a digest, drawn by no others, shown afterwards."""

import hashlib
import itertools
import json
import re

import pytest
from click.testing import CliRunner

from onsetstudy.cli.main import onsetstudy
from onsetstudy.core.errors import DesignError, ProtocolError
from onsetstudy.files.ledger.lock import changes_since_lock, lock_path, read_lock
from onsetstudy.files.sealed.kept_allocation import read_slips
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.report.documents.protocol import compose_protocol
from tests.study.cases import PROTOCOLS

GROUP = PROTOCOLS / "mandibular_block_group.toml"


def run(*given):
    return CliRunner().invoke(onsetstudy, [str(g) for g in given])


@pytest.fixture
def mine(tmp_path):
    """A protocol that keeps the sizes back, and the keeper's file."""
    path, kept = tmp_path / "mine.toml", tmp_path / "keeper" / "sizes.json"
    path.write_text(GROUP.read_text(encoding="utf-8"), encoding="utf-8")
    made = run("block-sizes", path, kept, "--size", 4)
    assert made.exit_code == 0, made.exception
    digest = re.search(r'block_sizes_digest = "([0-9a-f]{64})"', made.output).group(0)
    path.write_text(re.sub(r"(?m)^block_sizes = .*$", digest, path.read_text(encoding="utf-8")), encoding="utf-8")
    return path, kept


def test_the_digest_is_that_of_canonical_json_and_the_nonce_keeps_it_from_being_guessed(mine):
    path, kept = mine
    content = json.loads(kept.read_text(encoding="utf-8"))
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    promised = read_protocol(path).allocation.block_sizes_digest
    assert hashlib.sha256(text.encode()).hexdigest() == promised
    assert kept.stat().st_mode & 0o077 == 0
    for many in (1, 2, 3):
        for sizes in itertools.combinations(range(2, 25, 2), many):
            tried = json.dumps(
                {**content, "block_sizes": list(sizes), "nonce": ""}, sort_keys=True, separators=(",", ":")
            )
            assert hashlib.sha256(tried.encode()).hexdigest() != promised
    other = kept.with_name("again.json")
    assert promised not in run("block-sizes", path, other, "--size", 4).output


def test_neither_protocol_nor_lock_nor_document_holds_a_size(mine):
    path, _ = mine
    assert run("lock", path).exit_code == 0
    promised, locked = read_protocol(path), json.loads(lock_path(path).read_text(encoding="utf-8"))
    assert promised.allocation.block_sizes == ()
    assert "block_sizes" not in locked["content"]["allocation"]
    assert locked["content"]["allocation"]["block_sizes_digest"] == promised.allocation.block_sizes_digest
    assert read_lock(path).latest.digest == promised.digest
    assert changes_since_lock(path) == ()
    assert "varying size, known to the keeper" in str(compose_protocol(promised, read_lock(path)))
    assert "random sizes (2" in str(compose_protocol(read_protocol(GROUP), None))
    # Another file of the keeper's would be another promise.
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace(promised.allocation.block_sizes_digest, "0" * 64), encoding="utf-8")
    assert [key for key, _, _ in changes_since_lock(path)] == ["allocation.block_sizes_digest"]


def test_a_list_is_drawn_by_the_promised_sizes_and_by_no_others(mine, tmp_path):
    path, kept = mine
    into = tmp_path / "list"
    given = ("allocate", path, "--into", into, "--slips", 12, "--seed", 500_000_000_000, "--way", "paper")
    assert "give the file with --block-sizes" in str(run(*given).exception)
    edited = kept.with_name("edited.json")
    edited.write_text(kept.read_text(encoding="utf-8").replace("4\n", "6\n", 1), encoding="utf-8")
    assert edited.read_bytes() != kept.read_bytes()
    refused = run(*given, "--block-sizes", edited)
    assert isinstance(refused.exception, DesignError)
    assert "does not hold the digest" in str(refused.exception)
    assert not (into / "list.csv").exists()
    assert run(*given, "--block-sizes", kept).exit_code == 0
    blocks = [
        len(list(each)) for _, each in itertools.groupby(read_slips(into / "list.csv"), lambda s: (s.stratum, s.block))
    ]
    assert set(blocks) == {4}
    shown = run("block-sizes", path, kept, "--check")
    assert "Block sizes: 4." in shown.output
    assert run("block-sizes", path, edited, "--check").exit_code != 0


def test_protocols_that_state_their_sizes_go_on_as_before(mine, tmp_path):
    _, kept = mine
    assert read_protocol(GROUP).digest == read_lock(GROUP).latest.digest
    assert changes_since_lock(GROUP) == ()
    refused = run("allocate", GROUP, "--into", tmp_path / "l", "--block-sizes", kept)
    assert "states its block sizes" in str(refused.exception)


@pytest.mark.parametrize(
    ("line", "key"),
    [
        ('block_sizes = [2]\nblock_sizes_digest = "{d}"', "allocation.block_sizes"),
        ('block_sizes_digest = "abc"', "allocation.block_sizes_digest"),
    ],
)
def test_a_protocol_that_says_both_or_no_digest(tmp_path, line, key):
    path = tmp_path / "mine.toml"
    text = GROUP.read_text(encoding="utf-8")
    path.write_text(re.sub(r"(?m)^block_sizes = .*$", line.replace("{d}", "a" * 64), text), encoding="utf-8")
    with pytest.raises(ProtocolError, match=re.escape(key)):
        read_protocol(path)


def test_what_cannot_be_a_file_of_sizes(mine, tmp_path):
    path, kept = mine
    assert "is there already" in str(run("block-sizes", path, kept, "--size", 4).exception)
    odd = tmp_path / "odd.json"
    assert isinstance(run("block-sizes", path, odd, "--size", 5).exception, DesignError)
    assert not odd.exists()
    whole = json.loads(kept.read_text(encoding="utf-8"))
    for bad in (
        "[" * 9999,
        "[]",
        "{}",
        json.dumps({**whole, "block_sizes": [10**9]}),
        json.dumps({**whole, "more": 1}),
    ):
        odd.write_text(bad, encoding="utf-8")
        refused = run("block-sizes", path, odd, "--check")
        assert isinstance(refused.exception, DesignError), bad[:40]
        assert "no file of block sizes" in str(refused.exception)


def test_minimisation_has_no_blocks_whose_sizes_could_be_kept_back(mine, tmp_path):
    path, kept = mine
    text = path.read_text(encoding="utf-8").replace('method = "permuted_blocks"', 'method = "minimisation"', 1)
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ProtocolError, match=r"allocation\.block_sizes_digest.*minimisation has no blocks"):
        read_protocol(path)
    # Nor is anything locked or drawn by it.
    assert isinstance(run("lock", path).exception, ProtocolError)
    assert not lock_path(path).exists()
    drawn = run("allocate", path, "--into", tmp_path / "list", "--block-sizes", kept)
    assert isinstance(drawn.exception, ProtocolError)
    assert not (tmp_path / "list").exists()
    # Without the digest it is a protocol, and a file of sizes has no place in it.
    path.write_text("\n".join(row for row in text.splitlines() if "block_sizes_digest" not in row), encoding="utf-8")
    assert read_protocol(path).allocation.method == "minimisation"
    assert run("block-sizes", path, tmp_path / "more.json", "--size", 4).exit_code != 0
    refused = run("allocate", path, "--into", tmp_path / "list", "--block-sizes", kept)
    assert "leave out --block-sizes" in str(refused.exception)
    assert not list((tmp_path / "list").glob("*"))
