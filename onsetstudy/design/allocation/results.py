"""What allocation gives: lists, their quality, and single steps of minimisation."""

from __future__ import annotations

import pandas as pd

from onsetstudy.core.serialise import result_kind


@result_kind("slip")
class Slip:
    """One slip: opened for one case, or for one patient of a paired design.

    ``arms`` has one code, or one for each period of a paired design; ``sides`` the side of the mouth of each
    period of a split-mouth design, and is empty otherwise. ``number`` counts from 1 within the stratum, ``block`` the
    block of the stratum in which the slip was drawn.
    """

    slip: str
    practice_id: str
    stratum: str
    number: int
    arms: tuple[str, ...]
    sides: tuple[str, ...] = ()
    block: int = 1


@result_kind("list_quality")
class ListQuality:
    """How even and how hard to foretell a list is.

    ``guessed_share`` is the share of arms that somebody would have guessed who saw all earlier arms of a stratum
    and always named the arm that was behind (the first of equals counts as a half); ``blind_share`` what guessing
    without looking gives.
    """

    slips: int
    largest_imbalance: int
    final_imbalance: int
    guessed_share: float
    blind_share: float


@result_kind("allocation_list")
class AllocationList:
    """A complete list, for the person who keeps it and for nobody who treats.

    ``commitment`` is the SHA-256 of study, seed and ``salt`` (without one in lists from before), with colons between:
    when both are told at the end, anybody can see that the list was not changed.
    """

    study_id: str
    protocol_digest: str
    method: str
    strata: tuple[str, ...]
    ratio: tuple[int, ...]
    arms: tuple[str, ...]
    block_sizes: tuple[int, ...]
    commitment: str
    slips: tuple[Slip, ...]
    quality: ListQuality
    salt: str = ""

    def to_frame(self) -> pd.DataFrame:
        """One row per slip and period: ``slip, practice_id, stratum, number, block, period, arm, side``."""
        rows = [
            (s.slip, s.practice_id, s.stratum, s.number, s.block, str(k + 1), arm, s.sides[k] if s.sides else "")
            for s in self.slips
            for k, arm in enumerate(s.arms)
        ]
        columns = ["slip", "practice_id", "stratum", "number", "block", "period", "arm", "side"]
        return pd.DataFrame(rows, columns=columns)


@result_kind("minimisation_step")
class MinimisationStep:
    """One allocation by minimisation: the arm drawn, and the imbalance that each arm would have left."""

    arm: str
    arms: tuple[str, ...]
    imbalance: tuple[float, ...]
    probability: tuple[float, ...]
