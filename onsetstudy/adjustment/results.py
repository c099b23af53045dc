"""Results of a comparison of arms that were not drawn by chance."""

from __future__ import annotations

from onsetstudy.core.results import Assumption, Caution, Counts, EstimateLike
from onsetstudy.core.serialise import result_kind
from onsetstudy.inference.tabled import Tabled


@result_kind("overlap")
class Overlap:
    """How far the arms have cases alike: effective cases by arm, weighted, and the share outside the common range."""

    effective: tuple[tuple[str, float, int], ...]
    outside: float


@result_kind("one_sided")
class OneSided:
    """Cases alike in one covariate, none of whom had the arm ``never``: what it would have done is not seen."""

    covariate: str
    level: str
    never: str
    cases: int


@result_kind("fair_line")
class FairLine:
    """One outcome as it is, weighted, and standardised; differences are other arm minus reference."""

    outcome: str
    unit: str
    crude: EstimateLike
    weighted: EstimateLike
    standardised: EstimateLike


@result_kind("e_value")
class EValue:
    """How strongly something unrecorded would have to go with arm and outcome to explain estimate and limit."""

    outcome: str
    ratio: float
    value: float
    limit: float
    source: str = ""


APART = "The arms do not overlap in time: whatever else changed between them cannot be told from buffering."


@result_kind("fair_comparison")
class FairComparison(Tabled):
    """Everything about a comparison without chance.

    ``covariates`` were accounted for, ``left_out`` could not be, with the reason. ``learning`` is the odds ratio of
    success for each doubling of an operator's cases; ``period`` says whether arm and time can be told apart.
    ``one_sided`` are groups that had one arm only: what is standardised is extrapolated for them.
    """

    lines: tuple[FairLine, ...]
    overlap: Overlap | None
    e_values: tuple[EValue, ...]
    learning: EstimateLike
    period: str
    covariates: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    replicates: int
    n: Counts
    assumptions: tuple[Assumption, ...] = ()
    caution: tuple[Caution, ...] = ()
    one_sided: tuple[OneSided, ...] = ()
