"""Chance by name: one seed, one independent stream per named use and replicate.

Adding an analysis moves no other analysis' numbers, and one worker or many give the same.
"""

from __future__ import annotations

import hashlib

import numpy as np

__all__ = ["stream"]


def stream(seed: int, name: str, replicate: int | None = None) -> np.random.Generator:
    """Random generator that depends on ``seed``, ``name`` and ``replicate`` only.

    Parameters
    ----------
    seed : int
        The plan's seed, 0 or more.
    name : str
        What the chance is used for, for example ``"rmst_bootstrap"``.
    replicate : int or None
        Number of the replicate; each has its own child stream.
    """
    words = np.frombuffer(hashlib.sha256(name.encode()).digest(), dtype="<u4").tolist()
    spawn_key = () if replicate is None else (replicate,)
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, *words], spawn_key=spawn_key)))
