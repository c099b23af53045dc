"""Lists of arms: permuted blocks of random sizes within strata, and pairs of periods for patients treated twice."""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from onsetstudy.core.errors import DesignError, Problem
from onsetstudy.core.seeds import stream
from onsetstudy.design.allocation.results import AllocationList, ListQuality, Slip
from onsetstudy.protocol.model import Protocol
from onsetstudy.protocol.vocabulary import CODES

SIDES = ("right", "left")
JOIN = " | "


def draw_allocation_list(
    protocol: Protocol, *, slips_per_stratum: int, seed: int, after: Sequence[Slip] = (), salt: str = ""
) -> AllocationList:
    """List of slips for every stratum of every practice.

    Parameters
    ----------
    protocol : Protocol
        With a table ``[allocation]`` whose method is ``permuted_blocks`` or ``paired``.
    slips_per_stratum : int
        At least so many slips in each stratum; the last block is always whole.
    seed : int
        Kept apart from the protocol, by somebody who does not treat. The same seed gives the same list.
    after : sequence of Slip
        Slips of an earlier list that this one goes on from: numbers and blocks are counted on.
    salt : str
        Of chance, kept with the seed: without it nobody can try which seed the commitment is of.

    Returns
    -------
    AllocationList
        The slips drawn now, without those of ``after``.

    Raises
    ------
    DesignError
        If the protocol does not say how to allocate, or a stratum cannot be listed; with all problems.

    References
    ----------
    .. [1] Schulz KF, Grimes DA. Generation of allocation sequences in randomised trials: chance, not choice.
       Lancet 2002;359:515-9 (from memory): blocks of random sizes, concealed from those who treat.
    """
    rule = protocol.allocation
    if rule is None:
        raise DesignError(
            "this protocol has no table [allocation], so there is no rule to draw a list by. "
            + (
                "Copy the table from protocols/mandibular_block_group.toml and change what differs"
                if protocol.study.randomised
                else "None is needed: chance does not decide who receives what here"
            )
        )
    if rule.method == "minimisation":
        raise DesignError(
            "minimisation has no list that could be drawn beforehand; each arm is drawn when it is needed"
        )
    if slips_per_stratum < 1 or seed < 0:
        raise DesignError("ask for one slip or more in each stratum, and give a seed of 0 or more")
    ratio = rule.ratio or (1,) * len(protocol.arms)
    arms = tuple(arm.code for arm in protocol.arms)
    kinds = _kinds(protocol, arms, ratio)
    levels = stratum_levels(protocol)
    last = _last_slips(after, levels)
    slips: list[Slip] = []
    for practice, strata in levels.items():
        for place, stratum in enumerate(strata, start=1):
            order = _blocks(stream(seed, f"allocation: {stratum}"), kinds, rule.block_sizes, slips_per_stratum)
            none = Slip(slip=f"{practice}-{place}-0", practice_id=practice, stratum=stratum, number=0, arms=(), block=0)
            before = last.get(stratum, none)
            prefix = before.slip.rpartition("-")[0]
            for number, ((by_period, sides), block) in enumerate(order, start=before.number + 1):
                name, block_here = f"{prefix}-{number:03d}", before.block + block
                slips.append(replace(before, slip=name, number=number, arms=by_period, sides=sides, block=block_here))
    return AllocationList(
        study_id=protocol.study.id,
        protocol_digest=protocol.digest,
        method=rule.method,
        strata=rule.strata,
        ratio=ratio,
        arms=arms,
        block_sizes=rule.block_sizes,
        commitment=hashlib.sha256(":".join(filter(None, (protocol.study.id, str(seed), salt))).encode()).hexdigest(),
        salt=salt,
        slips=tuple(slips),
        quality=list_quality(slips, arms, ratio),
    )


def _last_slips(after: Sequence[Slip], levels: dict[str, tuple[str, ...]]) -> dict[str, Slip]:
    """Last slip of each stratum of an earlier list, which has to have the strata of this protocol."""
    last = {slip.stratum: slip for slip in sorted(after, key=lambda slip: slip.number)}
    now = {stratum for strata in levels.values() for stratum in strata}
    if last and (odd := sorted(now ^ last.keys())):
        where = "the earlier list has no" if odd[0] in now else "this protocol has no longer a"
        raise DesignError(
            f"{where} stratum {odd[0]}, so the list cannot go on. Draw a new list for the practices or strata that "
            "are new, with a protocol file that names only those"
        )
    return last


Kind = tuple[tuple[str, ...], tuple[str, ...]]


def _kinds(protocol: Protocol, arms: tuple[str, ...], ratio: tuple[int, ...]) -> list[Kind]:
    """What the slips of the smallest block say: arms by period and sides by period."""
    if not protocol.study.paired:
        return [((arm,), ()) for arm, times in zip(arms, ratio, strict=True) for _ in range(times)]
    orders = list(itertools.permutations(arms))
    if protocol.study.design == "crossover":
        return [(order, ()) for order in orders]
    return [(order, side) for order in orders for side in (SIDES, SIDES[::-1])]


def _blocks(rng: np.random.Generator, kinds: list[Kind], sizes: tuple[int, ...], least: int) -> list[tuple[Kind, int]]:
    """Slips with the number of their block, until there are enough; each block holds every kind equally often."""
    usable = [size for size in sizes if size % len(kinds) == 0]
    if not usable:
        text = f"a block holds {len(kinds)} kinds of slip equally often, and none of the sizes {list(sizes)} can"
        mend = f"write multiples of {len(kinds)} under allocation.block_sizes"
        raise DesignError.of_key("allocation.block_sizes", text, mend, code="block_sizes")
    order: list[tuple[Kind, int]] = []
    number = 0
    while len(order) < least:
        size = int(rng.choice(usable))
        block = kinds * (size // len(kinds))
        number += 1
        order += [(block[i], number) for i in rng.permutation(size)]
    return order


def stratum_levels(protocol: Protocol) -> dict[str, tuple[str, ...]]:
    """Strata of each practice, ``P01 | ianb``: every combination of the levels that the protocol admits.

    A practice always has lists of its own, whether or not ``practice_id`` is named as a stratum.

    Raises
    ------
    DesignError
        For every stratum whose levels the protocol does not list.
    """
    keys = {"technique": "techniques", "procedure": "procedures", "agent": "agents"}
    columns = [c for c in (protocol.allocation.strata if protocol.allocation else ()) if c != "practice_id"]
    # What a protocol admits of topical anaesthetics it does not say: all of them.
    lists = {c: getattr(protocol.eligibility, keys.get(c, c), CODES["topical"]) for c in columns}
    problems = [
        Problem.of_key(
            f"population.{keys.get(column, column)}",
            f"the levels of {column} are not listed, so no list can be drawn for each",
            "list the codes that the study admits, or take the stratum out",
            code="strata",
        )
        for column in columns
        if not lists[column]
    ]
    if not protocol.study.practices:
        what = "the practices are not listed, and each needs a list of its own"
        mend = "write the codes of the practices"
        problems.append(Problem.of_key("study.practices", what, mend, code="practices"))
    if problems:
        raise DesignError(problems)
    combined = list(itertools.product(*lists.values()))
    return {
        practice: tuple(JOIN.join((practice, *parts)) for parts in combined) for practice in protocol.study.practices
    }


def list_quality(slips: Sequence[Slip], arms: tuple[str, ...], ratio: tuple[int, ...]) -> ListQuality:
    """Imbalance of a list, and how often its next arm could have been guessed."""
    by_stratum: dict[str, list[str]] = {}
    for slip in slips:
        by_stratum.setdefault(slip.stratum, []).append(slip.arms[0])
    share = np.array(ratio, dtype=np.float64)
    largest = final = guessed = total = 0.0
    for order in by_stratum.values():
        hit = np.array([[code == arm for arm in arms] for code in order])
        before = np.vstack([np.zeros(len(arms)), np.cumsum(hit, axis=0)]) / share
        spread = before.max(axis=1) - before.min(axis=1)
        largest, final = max(largest, float(spread.max())), max(final, float(spread[-1]))
        behind = before[:-1] == before[:-1].min(axis=1, keepdims=True)
        guessed += float(np.sum(hit * behind / behind.sum(axis=1, keepdims=True)))
        total += len(order)
    return ListQuality(
        slips=len(slips),
        largest_imbalance=round(largest),
        final_imbalance=round(final),
        guessed_share=guessed / total if total else float("nan"),
        blind_share=max(ratio) / sum(ratio),
    )
