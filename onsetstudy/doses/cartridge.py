"""What a cartridge holds after bicarbonate was added to it, or put in place of the same volume."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from onsetstudy.core.arrays import BoolArray, FloatArray, StrArray
from onsetstudy.core.errors import DesignError, Problem, Where
from onsetstudy.doses.results import Mixture

MODES = ("none", "add", "replace")
RANGES = (
    ("cartridge_ml", "mL of cartridge", 1.0, 2.5),
    ("agent_percent", "% of anaesthetic", 0.25, 5.0),
    ("bicarbonate_ml", "mL of bicarbonate", 0.0, 1.0),
    ("bicarbonate_percent", "% of bicarbonate", 1.0, 10.0),
    ("dilution", "as n of the dilution 1:n", 20_000.0, 400_000.0),
)
USUAL_DILUTION = {"epinephrine": 100_000.0, "levonordefrin": 20_000.0}
"""Usual in cartridges (label of mepivacaine with levonordefrin for the second)."""
USUAL_PERCENT = {"lidocaine": 2.0, "articaine": 4.0, "mepivacaine": 2.0, "prilocaine": 4.0, "bupivacaine": 0.5}
"""Strength on the labels of dental cartridges, % (bupivacaine's from memory)."""
MG_PER_ML_OF_PERCENT = 10.0
UG_PER_G = 1e6
# 8.4 % is labelled as 1 mEq/mL, that is 84 mg to the mmol (the exact mass, 84.007, differs in the fifth digit).
BICARBONATE_MG_PER_MMOL = 84.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Preparation:
    """How cartridges were made up; every field one number (or word) for all, or an array of shape (n,).

    Parameters
    ----------
    cartridge_ml : array_like of float
        Anaesthetic in one cartridge, mL.
    agent_percent : array_like of float
        Anaesthetic, g in 100 mL.
    mode : array_like of str
        ``none``; ``add``: bicarbonate on top; ``replace``: the same volume drawn out first.
    bicarbonate_ml : array_like of float
        Bicarbonate per cartridge, mL; 0 where the mode is ``none``.
    bicarbonate_percent : array_like of float
        Bicarbonate, g in 100 mL.
    dilution : array_like of float
        n of the vasoconstrictor's dilution 1:n; ``inf`` where there is none, ``nan`` where it is not known.
    """

    cartridge_ml: ArrayLike
    agent_percent: ArrayLike
    mode: ArrayLike = "none"
    bicarbonate_ml: ArrayLike = 0.0
    bicarbonate_percent: ArrayLike = 8.4
    dilution: ArrayLike = np.inf


def vasoconstrictor_ug_per_ml(dilution: ArrayLike) -> FloatArray:
    """Concentration of a dilution 1:n, µg/mL: 1:100,000 is 10; ``inf`` is none."""
    found: FloatArray = UG_PER_G / np.asarray(dilution, dtype=np.float64)
    return found


def usual_percent(agent: str, vasoconstrictor: str) -> float:
    """Strength on the label, %: mepivacaine without a vasoconstrictor is the stronger one."""
    return 3.0 if (agent, vasoconstrictor) == ("mepivacaine", "none") else USUAL_PERCENT[agent]


def mix(preparation: Preparation) -> Mixture:
    """What one cartridge of each preparation holds.

    Parameters
    ----------
    preparation : Preparation, n cartridges
        Missing numbers (``nan``) give missing results.

    Returns
    -------
    Mixture
        Arrays of shape (n,): mL, mg, mg/mL, µg, µg/mL and mmol/L.

    Raises
    ------
    DesignError
        If a number lies outside what a cartridge can be, or bicarbonate and mode contradict each other; all at once.

    Notes
    -----
    Volumes are taken to add up. Carbon dioxide that leaves the mixture is not taken into account: the bicarbonate is
    what was put in. No pH is predicted.

    References
    ----------
    .. [1] Label of sodium bicarbonate injection: 84 mg = 1 mEq, 8.4 % = 1 mEq/mL.
    """
    given = [np.atleast_1d(np.asarray(getattr(preparation, name), dtype=np.float64)) for name, *_ in RANGES]
    mode = np.atleast_1d(np.asarray(preparation.mode, dtype=str))
    problems = [problem for values, rule in zip(given, RANGES, strict=True) for problem in _outside(values, *rule)]
    *numbers, _ = np.broadcast_arrays(*given, np.zeros(mode.shape))
    cartridge, percent, bicarbonate, strength, dilution = numbers
    mode = np.broadcast_to(mode, cartridge.shape)
    problems += _contradictions(mode, bicarbonate, cartridge)
    if problems:
        raise DesignError(problems)
    drawn = np.where(mode == "replace", bicarbonate, 0.0)
    anaesthetic = cartridge - drawn
    volume = anaesthetic + bicarbonate
    drug = MG_PER_ML_OF_PERCENT * percent * anaesthetic
    vasoconstrictor = vasoconstrictor_ug_per_ml(dilution) * anaesthetic
    mmol_per_ml = MG_PER_ML_OF_PERCENT * strength / BICARBONATE_MG_PER_MMOL
    return Mixture(
        volume_ml=volume,
        drug_mg=drug,
        drug_mg_per_ml=drug / volume,
        vasoconstrictor_ug=vasoconstrictor,
        vasoconstrictor_ug_per_ml=vasoconstrictor / volume,
        bicarbonate_mmol_per_l=1000 * mmol_per_ml * bicarbonate / volume,
        anaesthetic_ml=anaesthetic,
        bicarbonate_ml=bicarbonate,
    )


def deposited_mg(mixture: Mixture, volume_ml: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Drug and vasoconstrictor, both in mg, in the volume of mixture that was injected.

    Parameters
    ----------
    mixture : Mixture, n cartridges
    volume_ml : array_like of float, shape (n,)
        Volume injected, bicarbonate included, mL.
    """
    volume = np.asarray(volume_ml, dtype=np.float64)
    return mixture.drug_mg_per_ml * volume, mixture.vasoconstrictor_ug_per_ml * volume / 1000


def _outside(values: FloatArray, name: str, unit: str, low: float, high: float) -> list[Problem]:
    """One problem per field, at the first value that no cartridge has; an infinite dilution is none at all."""
    wrong = np.flatnonzero(((values < low) | (values > high)) & ~(np.isposinf(values) & (name == "dilution")))
    if not wrong.size:
        return []
    value, mend = f"{values[wrong[0]]:g}", f"give a number from {low:g} to {high:g}"
    what = f"{value} {unit} cannot be{_more(wrong.size)}"
    return [Problem(what=what, where=Where(key=name), mend=mend, value=value, code="range")]


def _contradictions(mode: StrArray, bicarbonate: FloatArray, cartridge: FloatArray) -> list[Problem]:
    problems = []

    def refuse(wrong: BoolArray, key: str, what: str, mend: str) -> None:
        if wrong.any():
            i = int(np.argmax(wrong))
            told = what.format(mode=mode[i], added=bicarbonate[i], cartridge=cartridge[i])
            problems.append(Problem.of_key(key, f"{told}{_more(int(wrong.sum()))}", mend, code="mixing"))

    refuse(~np.isin(mode, MODES), "mode", 'the mode "{mode}" is not known', f"write one of {', '.join(MODES)}")
    what = "{added:g} mL of bicarbonate, but the mode says that nothing was mixed in"
    mend = "write add or replace, or take the bicarbonate out"
    refuse((mode == "none") & (bicarbonate > 0), "mode", what, mend)
    what, mend = "the mode is {mode}, but there is no bicarbonate", "enter its volume, or write none"
    refuse(np.isin(mode, ("add", "replace")) & (bicarbonate == 0), "bicarbonate_ml", what, mend)
    what = "{added:g} mL cannot be drawn out of a cartridge of {cartridge:g} mL"
    mend = "enter the volume of one cartridge's bicarbonate"
    refuse((mode == "replace") & (bicarbonate >= cartridge), "bicarbonate_ml", what, mend)
    return problems


def _more(n: int) -> str:
    return f" (and {n - 1} more alike)" if n > 1 else ""
