"""What one cartridge holds, against the limits: the lines that apply to a patient of whom little may be known."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from onsetstudy.doses.dose_check import DoseCases, certainly_under, check_doses, lowest_limits
from onsetstudy.doses.limits import CHILD_YEARS, AgeRule, DoseLimit, LimitsTable
from onsetstudy.doses.results import DoseFlag, LimitUsed

A_CHILD = "4-11"
"""Age for which a light patient of unknown age is taken."""
PERHAPS_A_CHILD_KG = 40.0
"""Under this weight a patient of unknown age may be a child (common practice, no source)."""
SAID_ELSEWHERE = ("age_rule", "vasoconstrictor_heart", "drug_not_checked", "vasoconstrictor_not_checked")
"""Flags that repeat what the lines and rules of a cartridge say."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CartridgeLimits:
    """What a table of limits says of one cartridge for one patient.

    ``child`` takes a light patient of unknown age for one (``age_unknown``), for whom no amount of adults counts.
    ``drug`` is the lowest limit in each list, ``None`` where no line can be applied; ``heart`` are the lines of the
    vasoconstrictor in heart disease; ``rules`` are what is said beyond them, and what children usually need.
    """

    child: bool
    age_unknown: bool
    drug: tuple[tuple[str, LimitUsed | None], ...]
    vasoconstrictor: LimitUsed | None
    heart: tuple[DoseLimit, ...]
    rules: tuple[AgeRule | DoseLimit, ...]
    flags: tuple[DoseFlag, ...]


def cartridge_limits(case: DoseCases, table: LimitsTable) -> CartridgeLimits:
    """What the table says of the only case of ``case``."""
    agent, vasoconstrictor = str(case.agent[0]), str(case.vasoconstrictor[0])
    unknown = not case.age_band[0] and bool(case.weight_kg[0] < PERHAPS_A_CHILD_KG)
    if unknown:
        case = replace(case, age_band=np.array([A_CHILD]))
    child = bool(certainly_under(case.age_band, CHILD_YEARS)[0])
    healthy = tuple(line for line in table.limits if line.limits)
    used = lowest_limits(case, healthy, of="vasoconstrictor").used(0)
    heart = (line for line in table.limits if line.heart and line.max_mg and line.substance == vasoconstrictor)
    said: tuple[AgeRule | DoseLimit, ...] = (*table.rules, *(line for line in table.limits if line.usual and child))
    by_list = {name: tuple(line for line in lines if line.limits) for name, lines in table.lists.items()}
    return CartridgeLimits(
        child=child,
        age_unknown=unknown,
        drug=tuple((name, lowest_limits(case, lines).used(0)) for name, lines in by_list.items()),
        vasoconstrictor=used,
        heart=() if used is None else tuple(heart),
        rules=tuple(rule for rule in said if rule.substance == agent),
        flags=tuple(f for _, f in check_doses(case, table) if f.code not in SAID_ELSEWHERE),
    )
