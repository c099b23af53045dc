"""Cautions about a mixture: what may fall out of solution, how long ago it was mixed, unusual proportions."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from onsetstudy.core.arrays import BoolArray, FloatArray
from onsetstudy.core.errors import DesignError
from onsetstudy.doses.results import DoseFlag

LATE_MIN = 10.0
CLOUDY_MIN = 18.0
USUAL_RATIO = (1 / 20, 1 / 8)
PRECIPITATES = 1 / 10
WEAK_PERCENT = 4.0
"""Bicarbonate below this is weaker than any label found for cartridges."""

MIXING_TEXTS = {
    "bupivacaine_precipitates": "buffered bupivacaine, which precipitates after small amounts of bicarbonate",
    "mepivacaine_clouds": "buffered mepivacaine injected 18 minutes or more after mixing, when it may cloud",
    "mixed_long_ago": "more than 10 minutes from mixing to injecting",
    "ratio_unusual": "bicarbonate outside 1:20 to 1:8 of the cartridge",
}
"""What each caution means, in words that fit after a number of cases."""
SENTENCES = {
    "bupivacaine_precipitates": "Bupivacaine precipitates after small amounts of bicarbonate "
    "(Peterfreund 1989, found).",
    "mepivacaine_clouds": "Mepivacaine may cloud 18 to 20 minutes after mixing "
    "(1.5 % solution, Peterfreund 1989, found).",
    "mixed_long_ago": "Trials mixed immediately before injecting (14 of 14 reviewed by Aulestia-Viera 2018, found); "
    "10 minutes is common practice, no source.",
    "ratio_unusual": "Usual is 1 part of 8.4 % bicarbonate to 10 of the cartridge (Saatchi 2015, Balasco 2013, found).",
}
DISCARD = "Look at it: discard if cloudy or if there are particles."


def unusual(ratio: FloatArray) -> BoolArray:
    """Where bicarbonate to cartridge, by volume, is outside the usual; ``nan`` is not."""
    low, high = USUAL_RATIO
    return np.asarray((ratio < low - 1e-9) | (ratio > high + 1e-9), dtype=np.bool_)


def precipitates(agent: ArrayLike, ratio: ArrayLike) -> BoolArray:
    """Where a mixture is known to fall out of solution: bupivacaine with one part of bicarbonate in ten or more."""
    return np.asarray((np.asarray(agent) == "bupivacaine") & (np.asarray(ratio) >= PRECIPITATES - 1e-9), dtype=np.bool_)


def refuse_precipitate(agent: str, ratio: float) -> None:
    """Refuse a mixture that is known to fall out of solution: bupivacaine with one part of bicarbonate in ten.

    Raises
    ------
    DesignError
        If the agent is bupivacaine and ``ratio``, bicarbonate to cartridge by volume, is a tenth or more.
    """
    if precipitates(agent, ratio):
        raise DesignError.of_key(
            "bicarbonate_ml",
            "bupivacaine at one part of bicarbonate in ten precipitates",
            "do not mix it so; check agent and volume",
            code="mixing",
        )


def check_mixing(agent: ArrayLike, ratio: ArrayLike, since_mixing_min: ArrayLike) -> tuple[tuple[int, DoseFlag], ...]:
    """Cautions about mixtures, each with the number of its case, in case order.

    Parameters
    ----------
    agent : array_like of str, shape (n,)
        Empty where not recorded.
    ratio : array_like of float, shape (n,)
        Bicarbonate to cartridge by volume, 0 where nothing was mixed in.
    since_mixing_min : array_like of float, shape (n,)
        ``nan`` where not recorded.

    References
    ----------
    .. [1] Peterfreund RA, Datta S, Ostheimer GW. pH adjustment of local anesthetic solutions with sodium bicarbonate:
           laboratory evaluation of alkalinization and precipitation. Regional Anesthesia 1989;14:265-270.
    .. [2] Aulestia-Viera PV and others. Efficacy of buffered local anesthetics in dentistry, 2018.
    """
    agents, parts, since = np.atleast_1d(agent), np.atleast_1d(ratio), np.atleast_1d(since_mixing_min)
    mixed = parts > 0
    rows = {
        "bupivacaine_precipitates": mixed & (agents == "bupivacaine"),
        "mepivacaine_clouds": mixed & (agents == "mepivacaine") & (since >= CLOUDY_MIN),
        "mixed_long_ago": mixed & (since > LATE_MIN),
        "ratio_unusual": mixed & unusual(parts),
    }
    found = [
        (int(case), DoseFlag(code=code, text=f"{SENTENCES[code]} {DISCARD}"))
        for code, these in rows.items()
        for case in np.flatnonzero(these)
    ]
    return tuple(sorted(found, key=lambda pair: pair[0]))
