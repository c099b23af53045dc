"""How much of an anaesthetic is free base at a pH: chemistry of the cartridge, not minutes of waiting."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from onsetstudy.core.arrays import FloatArray
from onsetstudy.core.errors import DesignError, Problem, Where
from onsetstudy.core.results import Caution
from onsetstudy.doses.results import FreeBase

ILLUSTRATION = Caution(
    code="illustration",
    text="An illustration of the chemistry, never a prediction of minutes: the tissue buffers both solutions.",
)
NO_PH = Caution(code="no_ph_predicted", text="The pH of your own mixture is not predicted: it is measured, or absent.")
PH = (0.0, 14.0)
# Measured and published, never computed from the amounts mixed.
LIDOCAINE_PH = (
    ("lidocaine with epinephrine, not buffered, as published", 3.85),
    ("buffered lidocaine with epinephrine, as published", 7.31),
)
WITHOUT_PH = (("a cartridge without a vasoconstrictor, as published, about", 6.5),)
OTHER_PH = (("acid end of cartridges with a vasoconstrictor", 3.0), ("their other end", 5.0))
TISSUE_PH = ("body fluid", 7.4)


def published_ph(agent: str, alone: bool) -> tuple[tuple[str, float], ...]:
    """Published pH of cartridges of an agent, ``alone`` without a vasoconstrictor.

    Of a mixture only where somebody measured that very one.
    """
    if alone:
        return WITHOUT_PH
    return LIDOCAINE_PH if agent == "lidocaine" else OTHER_PH


@dataclass(frozen=True, slots=True, kw_only=True)
class PKa:
    """A dissociation constant with its temperature (``None``: the source does not say) and where it comes from."""

    agent: str
    pka: float
    source: str
    temperature_c: float | None = None


_TABLES = "teaching tables of dental local anaesthesia; about 0.1 to 0.4 lower at 36 than at 25 degrees (from memory)"
TEACHING = {"lidocaine": 7.9, "prilocaine": 7.9, "articaine": 7.8, "mepivacaine": 7.6, "bupivacaine": 8.1}
"""The pKa of each agent as teaching tables print it."""


def pka_of(agent: str) -> PKa:
    """The pKa that teaching tables print for an agent.

    Raises
    ------
    DesignError
        If the agent is not known.
    """
    if agent in TEACHING:
        others = "; others print 7.7" if agent == "mepivacaine" else ""
        return PKa(agent=agent, pka=TEACHING[agent], source=f"{_TABLES}{others}")
    what = f'no pKa is kept for "{agent}"'
    mend = f"write one of {', '.join(TEACHING)}, or give the pKa and its temperature"
    raise DesignError(Problem(what=what, where=Where(key="agent"), mend=mend, value=agent, code="agent"))


def percent_free_base(ph: ArrayLike, pka: ArrayLike) -> FloatArray:
    """Percent of a weak base that is not ionised.

    Parameters
    ----------
    ph, pka : array_like of float
        Broadcast against each other; both at the same temperature.

    Returns
    -------
    ndarray of float
        Per cent, from 0 to 100.

    Raises
    ------
    DesignError
        If a pH or pKa lies outside 0 to 14.

    References
    ----------
    .. [1] Henderson-Hasselbalch: 100 / (1 + 10^(pKa - pH)).
    """
    acid, constant = np.asarray(ph, dtype=np.float64), np.asarray(pka, dtype=np.float64)
    problems = []
    for name, word, values in (("ph", "pH", acid), ("pka", "pKa", constant)):
        wrong = values[~((values >= PH[0]) & (values <= PH[1]))]
        if wrong.size:
            value, mend = f"{wrong.flat[0]:g}", "give a number from 0 to 14"
            what = f"{value} is not a {word}"
            problems.append(Problem(what=what, where=Where(key=name), mend=mend, value=value, code="range"))
    if problems:
        raise DesignError(problems)
    found: FloatArray = 100 / (1 + 10 ** (constant - acid))
    return found


def illustrate_free_base(solutions: tuple[tuple[str, float], ...], constant: PKa) -> FreeBase:
    """Percent free base of several solutions.

    Parameters
    ----------
    solutions : tuple of (str, float)
        What it is, and its pH: measured, or as published; never predicted here.
    constant : PKa
        Constant of the agent, at its stated temperature.
    """
    percent = percent_free_base([ph for _, ph in solutions], constant.pka)
    return FreeBase(
        agent=constant.agent,
        pka=constant.pka,
        temperature_c=constant.temperature_c,
        source=constant.source,
        rows=tuple((name, ph, float(p)) for (name, ph), p in zip(solutions, percent, strict=True)),
        caution=(ILLUSTRATION, NO_PH),
    )
