"""Doses held against limits: the lowest limit that applies counts, and is named. Cautions, never an all-clear."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from onsetstudy.core.arrays import BoolArray, FloatArray, StrArray
from onsetstudy.core.errors import RecordsError
from onsetstudy.doses.limits import ADULT_YEARS, CHILD_YEARS, CLINIC, VASOCONSTRICTORS, AgeRule, DoseLimit, LimitsTable
from onsetstudy.doses.results import DoseFlag, LimitUsed

TOLERANCE_MG = 1e-9

AGE_BANDS = {
    "0-3": (0, 3),
    "4-11": (4, 11),
    "12-17": (12, 17),
    "18-39": (18, 39),
    "40-59": (40, 59),
    "60-79": (60, 79),
    "80+": (80, 200),
}
"""First and last year of an age band."""

FLAG_TEXTS = {
    "above_clinic": "more drug than the clinic's own limit",
    "above_label": "more drug than the lowest label limit that applies",
    "above_conservative": "more drug than the lowest conservative limit that applies",
    "visit_above_clinic": "doses of one patient on one day that together pass the clinic's own limits",
    "visit_above_label": "doses of one patient on one day that together pass the lowest label limits that apply",
    "visit_above_conservative": "doses of one patient on one day that together pass the lowest conservative limits",
    "drug_not_checked": "a drug with no line in a list for its vasoconstrictor, age and weight: not checked there",
    "vasoconstrictor_above_clinic": "more vasoconstrictor than the clinic's own limit",
    "vasoconstrictor_above_label": "more vasoconstrictor than the limit for a healthy adult",
    "vasoconstrictor_above_conservative": "more vasoconstrictor than the lowest conservative limit that applies",
    "visit_vasoconstrictor": "vasoconstrictor of one patient on one day that adds up to more than the adult limit",
    "vasoconstrictor_not_checked": "a vasoconstrictor with no line for it, or for the patient's age: not checked",
    "vasoconstrictor_heart": "more vasoconstrictor than the limit in significant heart disease, which is not recorded",
    "age_rule": "an agent that its label does not recommend at this age",
    "possible_child": "more drug than children usually need, or than a limit for them; the age band may include them",
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
    def single(cls, told: Mapping[str, Any]) -> DoseCases:
        """One case, from its codes and numbers by the names of the fields."""
        return cls(**{name: np.array([value]) for name, value in told.items()})

    @property
    def size(self) -> int:
        """Cases."""
        return int(self.agent.size)

    def given(self, of: str) -> tuple[StrArray, FloatArray]:
        """The ``drug`` or the ``vasoconstrictor`` of each case, and its amount."""
        return (self.agent, self.drug_mg) if of == "drug" else (self.vasoconstrictor, self.vasoconstrictor_mg)


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
            text=found.told(str(self.basis[case])),
            source=found.source,
            label=found.label,
        )


def lowest_limits(
    cases: DoseCases, lines: tuple[DoseLimit, ...], *, of: str = "drug", possible: bool | None = False
) -> LimitCheck:
    """The lowest limit that applies to each case.

    Parameters
    ----------
    cases : DoseCases, n cases
    lines : tuple of DoseLimit
        Lines of one list or of several; those in heart disease are for the caller to choose.
    of : str
        ``drug`` or ``vasoconstrictor``.
    possible : bool or None
        ``True``: take age limits that the age band only may fall under, and no others. ``None``: those and the ones
        that it falls under for certain.
    """
    substance, _ = cases.given(of)
    best = np.full(cases.size, np.nan)
    number = np.full(cases.size, -1, dtype=np.intp)
    basis = np.full(cases.size, "", dtype="U10")
    for i, line in enumerate(lines):
        rows = (substance == line.substance) & _applies(cases, line, possible=possible)
        for name, amount in _amounts(cases, line):
            lower = rows & ~np.isnan(amount) & (np.isnan(best) | (amount < best))
            best[lower], number[lower], basis[lower] = amount[lower], i, name
    return LimitCheck(max_mg=best, line=number, basis=basis, lines=lines)


def check_doses(cases: DoseCases, table: LimitsTable) -> tuple[Told, ...]:
    """Cautions about doses, each with the number of its case, in case order.

    Notes
    -----
    A case without a flag has not been found free of danger: limits are for one visit of one patient, and what else
    was given is not known here; :func:`check_visits` adds up what is.
    """
    found: list[Told] = []
    for name, lines in table.lists.items():
        limits = tuple(line for line in lines if line.limits)
        found += _above(cases, limits, "drug", f"above_{name}")
        found += _above(cases, limits, "vasoconstrictor", f"vasoconstrictor_above_{name}")
        found += _above(cases, limits, "drug", "possible_child", possible=True)
        found += _above(cases, tuple(line for line in lines if line.usual), "drug", "possible_child", possible=None)
        heart = tuple(line for line in lines if line.heart)
        found += _above(cases, heart, "vasoconstrictor", "vasoconstrictor_heart")
        if name != CLINIC:
            found += _not_checked(cases, limits, name)
    found += _rules(cases, table.rules)
    order = tuple(FLAG_TEXTS)
    return _once(sorted(found, key=lambda told: (told[0], order.index(told[1].code))))


Told = tuple[int, DoseFlag]
"""A caution with the number of its case."""


def _once(found: Iterable[Told]) -> tuple[Told, ...]:
    """The strictest list holds the others' lines: what is said twice in the same words is said once."""
    return tuple({(case, flag.code, flag.text): (case, flag) for case, flag in found}.values())


def _not_checked(cases: DoseCases, limits: tuple[DoseLimit, ...], name: str) -> Iterator[Told]:
    """Doses that a list has no line for: nothing found is then nothing looked for, and is said."""
    for case in np.flatnonzero((cases.drug_mg > 0) & (lowest_limits(cases, limits).line < 0)):
        text = (
            f"{cases.agent[case].capitalize() or 'The drug'} {_solution(cases, int(case))}: "
            f"{LIST_NAMES[name]} has a line that can be applied{_patient(cases, int(case))}. Not checked."
        )
        yield int(case), DoseFlag(code="drug_not_checked", text=text)
    if name == "conservative":
        return
    unknown = (cases.vasoconstrictor_mg > 0) & (lowest_limits(cases, limits, of="vasoconstrictor").line < 0)
    for case in np.flatnonzero(unknown | (cases.vasoconstrictor == "felypressin")):
        text = (
            f"{cases.vasoconstrictor[case].capitalize()}: no line that can be applied{_patient(cases, int(case))}. "
            "Its amount is not checked."
        )
        yield int(case), DoseFlag(code="vasoconstrictor_not_checked", text=text)


def _solution(cases: DoseCases, case: int) -> str:
    code = cases.vasoconstrictor[case]
    return {"": "with or without a vasoconstrictor", "none": "without a vasoconstrictor"}.get(code, f"with {code}")


def _patient(cases: DoseCases, case: int) -> str:
    weight, band = cases.weight_kg[case], cases.age_band[case]
    age = f"at {band} years" if band else "at an age not recorded"
    return f" {age} and {weight:g} kg" if weight == weight else f" {age} and a weight not recorded"


def check_visits(cases: DoseCases, visit: StrArray, table: LimitsTable) -> tuple[Told, ...]:
    """Cautions about what one patient got on one day, each with the number of its case, in case order.

    Parameters
    ----------
    cases : DoseCases, n cases
    visit : ndarray of str, shape (n,)
        Cases with the same text are of one patient on one day; a case whose text is empty stands alone.
    table : LimitsTable

    Notes
    -----
    Each dose is taken as a fraction of the lowest limit that applies to it, and the fractions are added up, across
    agents too: toxicity is at least additive, and the sum is to stay at one or below (teaching rule; see the table's
    sources). Doses or limits that are not known add nothing, so that the sum is a lower bound.
    """
    names, group, size = np.unique(visit, return_inverse=True, return_counts=True)
    several = (size[group] > 1) & (visit != "")

    def together(lines: tuple[DoseLimit, ...], of: str) -> FloatArray:
        fraction = cases.given(of)[1] / lowest_limits(cases, lines, of=of).max_mg
        added = np.bincount(group, weights=np.nan_to_num(fraction), minlength=names.size)
        return np.asarray(added[group], dtype=np.float64)

    found: list[Told] = []
    for name, lines in table.lists.items():
        limits, heart = tuple(x for x in lines if x.limits), tuple(x for x in lines if x.heart)
        in_disease = "the limit of the vasoconstrictor in significant heart disease, which is not recorded"
        for code, what, of, held in (
            (f"visit_above_{name}", "the lowest limits that apply", "drug", limits),
            ("visit_vasoconstrictor", "the adult limit of the vasoconstrictor", "vasoconstrictor", limits),
            ("vasoconstrictor_heart", in_disease, "vasoconstrictor", heart),
        ):
            total = together(held, of)
            for case in np.flatnonzero(several & (total > 1 + TOLERANCE_MG)):
                text = (
                    f"{int(size[group[case]])} doses of one patient on one day together reach {100 * total[case]:.0f} "
                    f"% of {what}, fractions added up. Check the label and the patient."
                )
                found.append((int(case), DoseFlag(code=code, text=text)))
    return _once(sorted(found, key=lambda told: told[0]))


def _above(
    cases: DoseCases, lines: tuple[DoseLimit, ...], of: str, code: str, *, possible: bool | None = False
) -> Iterator[Told]:
    check = lowest_limits(cases, lines, of=of, possible=possible)
    _, given = cases.given(of)
    for case in np.flatnonzero(given > check.max_mg + TOLERANCE_MG):
        limit = check.used(int(case))
        if limit is not None:
            amount, most = _told_apart(float(given[case]), limit.max_mg)
            text = (
                f"{amount} mg of {limit.substance} is more than {_what(lines[check.line[case]], most, possible)}: "
                f"{limit.text} ({limit.source}).{_not_recorded(cases, int(case), of)} Check the label and the patient."
            )
            yield int(case), DoseFlag(code=code, text=text, limit=limit, given_mg=float(given[case]))


def _what(line: DoseLimit, most: str, possible: bool | None) -> str:
    """What a dose is more than: a usual dose is no limit, and that of some patients need not be this one's."""
    if line.usual:
        return f"the {most} mg that children usually need, which is no limit"
    if line.heart:
        return f"{most} mg, the limit in significant heart disease, which is not recorded"
    return f"{most} mg, the {'limit for the youngest of the age band' if possible else 'lowest limit that applies'}"


def _told_apart(amount: float, most: float) -> tuple[str, str]:
    """Two amounts with as many digits as it takes for the greater to read so; those of a vasoconstrictor are small."""
    told = ((f"{amount:.{digits}g}", f"{most:.{digits}g}") for digits in range(4, 18))
    return next(pair for pair in told if pair[0] != pair[1])


def _not_recorded(cases: DoseCases, case: int, of: str) -> str:
    """What is said where the stricter line was taken because the vasoconstrictor is not known."""
    if of != "drug" or cases.vasoconstrictor[case] != "":
        return ""
    return " Whether there was a vasoconstrictor is not recorded, so the stricter line is taken."


def _rules(cases: DoseCases, rules: tuple[AgeRule, ...]) -> Iterator[Told]:
    for rule in rules:
        if rule.under_years is None:
            continue
        young = certainly_under(cases.age_band, rule.under_years)
        for case in np.flatnonzero((cases.agent == rule.substance) & young):
            yield int(case), DoseFlag(code="age_rule", text=f"{rule.text.capitalize()} ({rule.source}).")


def certainly_under(band: StrArray, years: int) -> BoolArray:
    """Where everybody of an age band is under an age."""
    return np.isin(band, [name for name, (_, last) in AGE_BANDS.items() if last < years])


def _possibly_under(band: StrArray, years: int) -> BoolArray:
    return np.isin(band, [name for name, (first, last) in AGE_BANDS.items() if first < years <= last])


def _applies(cases: DoseCases, line: DoseLimit, *, possible: bool | None) -> BoolArray:
    """Where a line's solution, strength, weight and ages are the patient's."""
    rows = np.ones(cases.size, dtype=bool)
    if line.vasoconstrictor and line.substance not in VASOCONSTRICTORS:
        # Not recorded: the lines of every solution apply, so that the strictest counts.
        rows &= np.isin(cases.vasoconstrictor, ("", *line.vasoconstrictor))
    if line.percent is not None:
        rows &= np.isclose(cases.agent_percent, line.percent)
    if line.from_kg is not None:
        rows &= cases.weight_kg >= line.from_kg
    if line.from_years:
        rows &= ~certainly_under(cases.age_band, line.from_years)
    if line.under_years is not None:
        certain, perhaps = (f(cases.age_band, line.under_years) for f in (certainly_under, _possibly_under))
        rows &= perhaps if possible else (certain | perhaps if possible is None else certain)
    elif possible:
        rows &= False
    if not line.aged:
        adult = line.substance in VASOCONSTRICTORS
        rows &= ~certainly_under(cases.age_band, ADULT_YEARS if adult else 0 if line.children else CHILD_YEARS)
    return rows


def _amounts(cases: DoseCases, line: DoseLimit) -> Iterator[tuple[str, FloatArray]]:
    """Each amount of a line in mg for every case; ``nan`` where it cannot be computed."""
    if line.mg_per_kg is not None:
        light = cases.weight_kg < (line.below_kg or np.inf)
        yield "weight", np.where(light, line.mg_per_kg * cases.weight_kg, np.nan)
    if line.max_mg is not None:
        # What is the same per kg for a child is not the same in all: an adult's amount is but the most of a heavy one.
        child = certainly_under(cases.age_band, CHILD_YEARS) & (not line.aged)
        alone = np.isnan(cases.weight_kg) | (line.mg_per_kg is None)
        yield "absolute", np.where(child & alone, np.nan, line.max_mg)
    if line.max_cartridges is not None:
        yield "cartridges", line.max_cartridges * 10 * cases.agent_percent * cases.cartridge_ml


LIST_NAMES = {"label": "no label of the country", "conservative": "no list"}
