"""Chance by name: one seed, one independent stream per named use and replicate.

Adding an analysis moves no other analysis' numbers, and one worker or many give the same.
"""

from __future__ import annotations

import hashlib

import numpy as np

from onsetstudy.core.errors import OnsetStudyError


def stream(seed: int, name: str, replicate: int | None = None) -> np.random.Generator:
    """Random generator that depends on ``seed``, ``name`` and ``replicate`` only.

    Parameters
    ----------
    seed : int
        The plan's seed, 0 or more.
    name : str
        What the chance is used for, for example ``"time to answer"``.
    replicate : int or None
        Number of the replicate; each has its own child stream.

    Raises
    ------
    OnsetStudyError
        If the seed is not a whole number of 0 or more.
    """
    words = np.frombuffer(hashlib.sha256(name.encode()).digest(), dtype="<u4").tolist()
    spawn_key = () if replicate is None else (replicate,)
    sequence = np.random.SeedSequence([checked_seed(seed), *words], spawn_key=spawn_key)
    return np.random.Generator(np.random.PCG64(sequence))


def checked_seed(seed: object) -> int:
    """A seed that can be told and used again.

    Raises
    ------
    OnsetStudyError
        If it is not a whole number of 0 or more.
    """
    if isinstance(seed, int | np.integer) and not isinstance(seed, bool) and seed >= 0:
        return int(seed)
    raise OnsetStudyError.of_key("seed", f"the seed is {seed!r}", "give a whole number of 0 or more")
