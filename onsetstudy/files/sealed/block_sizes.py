"""Sizes of blocks that the list's keeper alone knows: a file of theirs, whose digest stands in the protocol."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from onsetstudy.core.canonical import digest_of_content
from onsetstudy.core.errors import DesignError
from onsetstudy.design.allocation.lists import draw_allocation_list
from onsetstudy.files.guard import problem_in, read_json
from onsetstudy.files.output import write_json
from onsetstudy.files.sealed.sealed_check import hexadecimal
from onsetstudy.protocol.model import Protocol

NONCE = hexadecimal(32)
KEYS = {"study", "block_sizes", "nonce"}


def write_block_sizes(path: Path, protocol: Protocol, sizes: Sequence[int], *, nonce: str) -> str:
    """Write the keeper's file, readable by its owner alone; returns the digest that belongs into the protocol.

    Parameters
    ----------
    path : Path
        Not there yet: the digest of a file that is there may be locked already.
    protocol : Protocol
    sizes : sequence of int
    nonce : str
        Of chance, 128 bits as 32 hexadecimal digits: there are so few likely sizes that a digest of them alone tells
        them to whoever tries.

    Raises
    ------
    DesignError
        If the file is there, or a size cannot hold the arms in their ratio.
    """
    if path.exists():
        raise DesignError(f"{path} is there already, and its digest may stand in a protocol. Choose another name")
    rule = protocol.allocation
    for size in sizes:
        if rule is not None:
            of_one_size = replace(protocol, allocation=replace(rule, block_sizes=(size,)))
            draw_allocation_list(of_one_size, slips_per_stratum=1, seed=0)
    content = {"study": protocol.study.id, "block_sizes": sorted(set(sizes)), "nonce": nonce}
    write_json(path, content, private=True)
    return digest_of_content(content)


def read_block_sizes(path: Path, protocol: Protocol) -> tuple[int, ...]:
    """Sizes of the keeper's file, held against the digest in the protocol.

    Raises
    ------
    DesignError
        If it is no such file, or not the one whose digest the protocol holds.
    """
    content = read_json(path, refuse=lambda what: _refused(path, f"this is no file of block sizes: {what}"))
    if not _is_one(content):
        raise _refused(path, "this is no file of block sizes")
    rule = protocol.allocation
    if rule is None or not rule.block_sizes_digest or digest_of_content(content) != rule.block_sizes_digest:
        raise _refused(path, "the protocol does not hold the digest of this file")
    return tuple(content["block_sizes"])


def with_sizes(protocol: Protocol, path: Path | None) -> Protocol:
    """A protocol to draw a list by, with the sizes of the keeper's file where it keeps them back; its digest stays.

    Raises
    ------
    DesignError
        If the file is needed and not given, given and not needed, or not the one that was promised.
    """
    if (rule := protocol.allocation) is None or not rule.block_sizes_digest:
        if path is not None:
            raise DesignError("this protocol states its block sizes; leave out --block-sizes")
        return protocol
    if path is None:
        raise DesignError("this protocol leaves the block sizes to the list's keeper; give the file with --block-sizes")
    return replace(protocol, allocation=replace(rule, block_sizes=read_block_sizes(path, protocol)))


def _is_one(content: Any) -> bool:
    if not isinstance(content, dict) or set(content) != KEYS or not isinstance(content["study"], str):
        return False
    sizes, nonce = content["block_sizes"], content["nonce"]
    whole = isinstance(sizes, list) and 0 < len(sizes) <= 24 and all(type(s) is int and 2 <= s <= 24 for s in sizes)
    return whole and NONCE(nonce)


def _refused(path: Path, what: str) -> DesignError:
    mend = "give the file that the command block-sizes wrote for this protocol"
    return DesignError(problem_in(path, what, mend, "block_sizes"))
