"""Doses held against limits: the lowest limit that applies counts, and is named. Cautions, never an all-clear."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from onsetstudy.core.errors import RecordsError
from onsetstudy.doses.limits import CLINIC, LISTS, AgeRule, ClinicLimits, DoseLimit, LimitsTable
from onsetstudy.doses.results import DoseFlag, LimitUsed

__all__ = ["FLAG_TEXTS", "DoseCases", "LimitCheck", "check_doses", "check_visits", "lowest_limits"]

FloatArray = NDArray[np.float64]
StrArray = NDArray[np.str_]
BoolArray = NDArray[np.bool_]
TOLERANCE_MG = 1e-9

AGE_BANDS = {"4-11": (4, 11), "12-17": (12, 17), "18-39": (18, 39), "40-59": (40, 59), "60-79": (60, 79)}
"""First and last year of an age band; ``80+`` has no last."""

FLAG_TEXTS = {
    "above_clinic": "more drug than the clinic's own limit",
    "above_label": "more drug than the lowest label limit that applies",
    "above_conservative": "more drug than the lowest conservative limit that applies",
    "visit_above_clinic": "doses of one patient on one day that together pass the clinic's own limits",
    "visit_above_label": "doses of one patient on one day that together pass the lowest label limits that apply",
    "visit_above_conservative": "doses of one patient on one day that together pass the lowest conservative limits",
    "vasoconstrictor_above_clinic": "more vasoconstrictor than the clinic's own limit",
    "vasoconstrictor_above_label": "more vasoconstrictor than the limit for a healthy adult",
    "vasoconstrictor_above_conservative": "more vasoconstrictor than the lowest conservative limit that applies",
    "vasoconstrictor_heart": "more vasoconstrictor than the limit in significant heart disease, which is not recorded",
    "age_rule": "an agent that its label does not recommend at this age",
    "possible_child": "more drug than its label says children usually need; the age band may include them",
}
"""What each flag means, in words that fit after a number of cases."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DoseCases:
    """Doses of n cases; every array has shape (n,).

    Parameters
    ----------
    agent, vasoconstrictor, age_band : ndarray of str
        Codes; empty where not recorded. ``vasoconstrictor`` ``none`` is recorded as none.
    drug_mg, vasoconstrictor_mg : ndarray of float
        Amounts given, ``nan`` where they cannot be told.
    weight_kg : ndarray of float
        ``nan`` where not recorded: absolute limits only.
    agent_percent, cartridge_ml : ndarray of float
        Strength and cartridge, ``nan`` where not recorded.
    """

    agent: StrArray
    vasoconstrictor: StrArray
    drug_mg: FloatArray
    vasoconstrictor_mg: FloatArray
    weight_kg: FloatArray
    age_band: StrArray
    agent_percent: FloatArray
    cartridge_ml: FloatArray

    def __post_init__(self) -> None:
        shapes = {getattr(self, name).shape for name in DoseCases.__slots__}
        if len(shapes) != 1:
            raise RecordsError(f"the arrays of doses must be equally long, not {sorted(shapes)}")

    @classmethod
    def single(cls, codes: dict[str, str], numbers: dict[str, float]) -> DoseCases:
        """One case, from its codes and numbers by the names of the fields."""
        arrays: dict[str, Any] = {name: np.array([code], dtype=np.str_) for name, code in codes.items()}
        arrays |= {name: np.array([number], dtype=np.float64) for name, number in numbers.items()}
        return cls(**arrays)

    @property
    def size(self) -> int:
        """Cases."""
        return int(self.agent.size)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LimitCheck:
    """The lowest limit of each case in one list, ``nan`` and -1 where none applies or can be computed.

    ``line`` is the number of the line in ``lines``; ``basis`` which of its amounts was the lowest.
    """

    max_mg: FloatArray
    line: NDArray[np.intp]
    basis: StrArray
    lines: tuple[DoseLimit, ...]

    def used(self, case: int) -> LimitUsed | None:
        """The limit that counted for one case."""
        if self.line[case] < 0:
            return None
        found = self.lines[int(self.line[case])]
        return LimitUsed(
            substance=found.substance,
            list_name=found.list_name,
            basis=str(self.basis[case]),
            max_mg=float(self.max_mg[case]),
            text=_says(found, str(self.basis[case])),
            source=found.source,
            label=found.label,
        )


def lowest_limits(
    cases: DoseCases, lines: tuple[DoseLimit, ...], *, of: str = "drug", possible: bool = False
) -> LimitCheck:
    """The lowest limit that applies to each case.

    Parameters
    ----------
    cases : DoseCases, n cases
    lines : tuple of DoseLimit
        Lines of one list or of several; those in heart disease are for the caller to choose.
    of : str
        ``drug`` or ``vasoconstrictor``.
    possible : bool
        Take age limits that the age band only may fall under, and no others.
    """
    substance = cases.agent if of == "drug" else cases.vasoconstrictor
    best = np.full(cases.size, np.nan)
    number = np.full(cases.size, -1, dtype=np.intp)
    basis = np.full(cases.size, "", dtype="U10")
    for i, line in enumerate(lines):
        rows = (substance == line.substance) & _applies(cases, line, possible=possible)
        for name, amount in _amounts(cases, line):
            lower = rows & ~np.isnan(amount) & (np.isnan(best) | (amount < best))
            best[lower], number[lower], basis[lower] = amount[lower], i, name
    return LimitCheck(max_mg=best, line=number, basis=basis, lines=lines)


def check_doses(
    cases: DoseCases, table: LimitsTable, clinic: ClinicLimits | None = None, *, lists: tuple[str, ...] = LISTS
) -> tuple[tuple[int, DoseFlag], ...]:
    """Cautions about doses, each with the number of its case, in case order.

    Parameters
    ----------
    cases : DoseCases, n cases
    table : LimitsTable
    clinic : ClinicLimits or None
        The clinic's own limits; as the lowest limit counts they never raise what the table allows.
    lists : tuple of str
        Lists of the table to look at, ``label`` and ``conservative``.

    Notes
    -----
    A case without a flag has not been found free of danger: limits are for one visit of one patient, and what else
    was given is not known here; :func:`check_visits` adds up what is.
    """
    found: list[tuple[int, DoseFlag]] = []
    own = () if clinic is None else clinic.as_limits()
    for name, lines in ((CLINIC, own), *((n, tuple(x for x in table.limits if x.list_name == n)) for n in lists)):
        plain = tuple(line for line in lines if not line.heart)
        heart = tuple(line for line in lines if line.heart)
        found += _above(cases, plain, "drug", f"above_{name}")
        found += _above(cases, plain, "vasoconstrictor", f"vasoconstrictor_above_{name}")
        found += _above(cases, heart, "vasoconstrictor", "vasoconstrictor_heart")
        found += _above(cases, plain, "drug", "possible_child", possible=True)
    found += _rules(cases, table.rules)
    order = tuple(FLAG_TEXTS)
    return tuple(sorted(found, key=lambda pair: (pair[0], order.index(pair[1].code))))


def check_visits(
    cases: DoseCases,
    visit: StrArray,
    table: LimitsTable,
    clinic: ClinicLimits | None = None,
    *,
    lists: tuple[str, ...] = LISTS,
) -> tuple[tuple[int, DoseFlag], ...]:
    """Cautions about what one patient got on one day, each with the number of its case, in case order.

    Parameters
    ----------
    cases : DoseCases, n cases
    visit : ndarray of str, shape (n,)
        Cases with the same text are of one patient on one day; a case whose text is empty stands alone.
    table, clinic, lists
        As in :func:`check_doses`.

    Notes
    -----
    Each dose is taken as a fraction of the lowest limit that applies to it, and the fractions are added up, across
    agents too: toxicity is at least additive, and the sum is to stay at one or below (teaching rule; see the table's
    sources). Doses or limits that are not known add nothing, so that the sum is a lower bound.
    """
    names, group, size = np.unique(visit, return_inverse=True, return_counts=True)
    several = (size[group] > 1) & (visit != "")
    own = () if clinic is None else clinic.as_limits()
    found: list[tuple[int, DoseFlag]] = []
    for name, lines in ((CLINIC, own), *((n, tuple(x for x in table.limits if x.list_name == n)) for n in lists)):
        fraction = cases.drug_mg / lowest_limits(cases, tuple(line for line in lines if not line.heart)).max_mg
        total = np.bincount(group, weights=np.nan_to_num(fraction), minlength=names.size)[group]
        for case in np.flatnonzero(several & (total > 1 + TOLERANCE_MG)):
            text = (
                f"{int(size[group[case]])} cases of one patient on one day together reach {100 * total[case]:.0f} % of "
                "the lowest limits that apply, fractions added up. Check the label and the patient."
            )
            found.append((int(case), DoseFlag(code=f"visit_above_{name}", text=text)))
    return tuple(sorted(found, key=lambda pair: pair[0]))


def _above(
    cases: DoseCases, lines: tuple[DoseLimit, ...], of: str, code: str, *, possible: bool = False
) -> Iterator[tuple[int, DoseFlag]]:
    check = lowest_limits(cases, lines, of=of, possible=possible)
    given = cases.drug_mg if of == "drug" else cases.vasoconstrictor_mg
    for case in np.flatnonzero(given > check.max_mg + TOLERANCE_MG):
        limit = check.used(int(case))
        if limit is not None:
            # Milligrams of a vasoconstrictor are small: as many digits as needed.
            text = (
                f"{given[case]:.4g} mg of {limit.substance} is more than {limit.max_mg:.4g} mg, the lowest limit that "
                f"applies: {limit.text} ({limit.source}).{_not_recorded(cases, int(case), of)} Check the label and the "
                "patient."
            )
            yield int(case), DoseFlag(code=code, text=text, limit=limit, given_mg=float(given[case]))


def _not_recorded(cases: DoseCases, case: int, of: str) -> str:
    """What is said where the stricter line was taken because the vasoconstrictor is not known."""
    if of != "drug" or cases.vasoconstrictor[case] != "":
        return ""
    return " Whether there was a vasoconstrictor is not recorded, so the stricter line is taken."


def _rules(cases: DoseCases, rules: tuple[AgeRule, ...]) -> Iterator[tuple[int, DoseFlag]]:
    for rule in rules:
        if rule.under_years is None:
            continue
        young = _certainly_under(cases.age_band, rule.under_years)
        for case in np.flatnonzero((cases.agent == rule.substance) & young):
            yield int(case), DoseFlag(code="age_rule", text=f"{rule.text.capitalize()} ({rule.source}).")


def _certainly_under(band: StrArray, years: int) -> BoolArray:
    names = [name for name, (_, last) in AGE_BANDS.items() if last < years]
    return np.isin(band, names)


def _possibly_under(band: StrArray, years: int) -> BoolArray:
    names = [name for name, (first, last) in AGE_BANDS.items() if first < years <= last]
    return np.isin(band, names)


def _applies(cases: DoseCases, line: DoseLimit, *, possible: bool) -> BoolArray:
    rows = np.ones(cases.size, dtype=bool)
    if line.vasoconstrictor != "any":
        recorded = cases.vasoconstrictor != ""
        without = cases.vasoconstrictor == "none"
        # Not recorded: lines for both kinds apply, so that the stricter counts.
        rows &= ~recorded | (without if line.vasoconstrictor == "without" else ~without)
    if line.under_years is not None:
        chosen = _possibly_under if possible else _certainly_under
        rows &= chosen(cases.age_band, line.under_years)
    elif possible:
        rows &= False
    if line.percent is not None:
        rows &= np.isclose(cases.agent_percent, line.percent)
    return rows


def _amounts(cases: DoseCases, line: DoseLimit) -> Iterator[tuple[str, FloatArray]]:
    """Each amount of a line in mg for every case; ``nan`` where it cannot be computed."""
    if line.mg_per_kg is not None:
        by_weight = line.mg_per_kg * cases.weight_kg
        yield (
            "weight",
            by_weight if line.below_kg is None else np.where(cases.weight_kg < line.below_kg, by_weight, np.nan),
        )
    if line.max_mg is not None:
        yield "absolute", np.full(cases.size, line.max_mg)
    if line.max_cartridges is not None:
        yield "cartridges", line.max_cartridges * 10 * cases.agent_percent * cases.cartridge_ml


def _says(line: DoseLimit, basis: str) -> str:
    name = {"clinic": "the clinic's own limit", "label": "label", "conservative": "conservative list"}[line.list_name]
    amount = {
        "weight": f"{line.mg_per_kg:g} mg/kg" if line.mg_per_kg else "",
        "absolute": f"{line.max_mg:g} mg" if line.max_mg else "",
        "cartridges": f"{line.max_cartridges:g} cartridge" if line.max_cartridges else "",
    }[basis]
    return f"{name}, {line.text or amount}"
