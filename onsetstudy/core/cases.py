"""One kind of case for every estimator: what was seen of each, and which cases belong together.

A verb takes :class:`Cases`, or the same fields as bare arrays and keywords; both are checked here, once.
"""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Mapping
from dataclasses import KW_ONLY, dataclass, field, replace
from typing import Any, ParamSpec, Protocol, TypeVar, cast, overload

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from onsetstudy.core import arrays
from onsetstudy.core.errors import Gathered, OnsetStudyError, Problem
from onsetstudy.core.intervals import Intervals, chosen_rows, require_intervals

P = ParamSpec("P")
R_co = TypeVar("R_co", covariant=True)

_LABELS = ("arm", "stratum", "cluster", "block")
_FIELDS = ("reference_arm", "stratum", "cluster", "block", "period", "weight", "weight_kind", "conf_level")
_NUMBERS: dict[str, tuple[str, Callable[[float], bool]]] = {
    "tau_min": ("write minutes above 0, for example 15", lambda minutes: 0 < minutes < np.inf),
    "target_min": ("write minutes above 0, for example 5", lambda minutes: 0 < minutes < np.inf),
    "share": ("write a number between 0 and 1, for example 0.5", lambda share: 0 < share < 1),
    "grace_min": ("write minutes of 0 or more, or leave it out for the usual gap", lambda minutes: minutes >= 0),
}
"""Options of verbs that are one number: what to write, and whether a number can be meant."""
_WHOLE = {
    "n_resamples": "write a whole number; 9999 is usual",
    "max_enumeration": "write a whole number; 200000 is usual",
}
"""As above, of options that count something."""


@dataclass(frozen=True, slots=True, eq=False)
class Cases:
    """Checked, read-only cases, as the verbs that compare arms or fit hazards or curves take them.

    ``fit_never_numb`` takes bare arrays only, and ``compare_pain``, whose outcome is a score.

    Parameters
    ----------
    outcome : Intervals, n rows
        Onset in (left, right], minutes from clock zero.
    arm : array_like of str, shape (n,), optional
    reference_arm : str
        Arm that the others are compared with; one of ``arm``. Labels are read as text: ``0`` is the arm ``"0"``.
    stratum : array_like of str, shape (n,), optional
        Arms are compared within strata.
    cluster : array_like of str, shape (n,), optional
        Cases that belong together, such as those of one patient; errors allow for it.
    block : array_like of str, shape (n,), optional
        Labels change places within a block only: the patient of a pair, the block of the list.
    period : array_like of float, shape (n,), optional
        Order within a patient.
    weight : array_like of float, shape (n,), optional
        Default 1. A row of weight 0 is no case.
    weight_kind : {"counts", "probabilities"}
        ``"counts"``: whole numbers; a row of weight 3 is three like cases in every respect. ``"probabilities"``:
        any numbers of 0 or more; each row is one case, and errors must be robust.
    covariates : mapping of str to array_like, n rows each
        For models of more than the arm.
    conf_level : float
        Two-sided level of all intervals, between 0 and 1.

    Raises
    ------
    OnsetStudyError
        With all problems at once: another length, a missing or masked value, numbers written as text, weights below 0
        or (counts) not whole, a reference arm without a case, a level outside 0 to 1.

    Examples
    --------
    >>> from onsetstudy import Cases, Intervals, success_by
    >>> times = Intervals([0, 2, 4, 0, 2, 4], [2, 4, float("inf"), 2, 4, 6])
    >>> arm = ["plain", "plain", "plain", "buffered", "buffered", "buffered"]
    >>> cases = Cases(times, arm, reference_arm="plain", weight=[1, 2, 1, 2, 1, 1])
    >>> len(cases), cases.n
    (6, 8)
    >>> said = success_by(cases, target_min=4)
    >>> said == success_by(times, arm, reference_arm="plain", weight=[1, 2, 1, 2, 1, 1], target_min=4)
    True
    """

    outcome: Intervals
    arm: ArrayLike | None = None
    _: KW_ONLY
    reference_arm: str = ""
    stratum: ArrayLike | None = None
    cluster: ArrayLike | None = None
    block: ArrayLike | None = None
    period: ArrayLike | None = None
    weight: ArrayLike | None = None
    weight_kind: str = "counts"
    covariates: Mapping[str, ArrayLike] = field(default_factory=dict)
    conf_level: float = 0.95

    def __post_init__(self) -> None:
        if not isinstance(self.outcome, Intervals):
            raise OnsetStudyError.of_key("outcome", f"the outcome is {type(self.outcome).__name__}", "give Intervals")
        n, problems = len(self.outcome), Gathered()
        object.__setattr__(self, "reference_arm", str(self.reference_arm))
        for name in _LABELS:
            if (values := getattr(self, name)) is not None:
                with problems:
                    object.__setattr__(self, name, _frozen(arrays.one_per_case(values, n, name).astype(str)))
        if not problems and self.arm is not None and (blank := np.flatnonzero(np.asarray(self.arm) == "")).size:
            what = f"the arm of case {blank[0]} (counted from 0) has no name"
            problems.append(Problem.of_key("arm", what, "name the arm of every case or leave the case out"))
        if self.period is not None:
            with problems:
                object.__setattr__(self, "period", _frozen(arrays.numbers_per_case(self.period, n, "period")))
        if self.weight is not None:
            with problems:
                object.__setattr__(self, "weight", _frozen(arrays.weights_per_case(self.weight, n, self.weight_kind)))
        named: Any = {} if self.covariates is None else self.covariates
        if not isinstance(named, Mapping | pd.DataFrame):
            mend = 'give named columns, for example {"age": age}'
            problems.append(Problem.of_key("covariates", f"the covariates are {type(named).__name__}", mend))
            named = {}
        covariates: dict[str, ArrayLike] = {str(k): v for k, v in named.items()}
        for name, values in covariates.items():
            with problems:
                covariates[name] = _covariate(values, n, name)
        object.__setattr__(self, "covariates", covariates)
        self._gather_said_wrongly(problems)
        if problems:
            raise OnsetStudyError(problems)

    def _gather_said_wrongly(self, problems: Gathered) -> None:
        """What is wrong with what is said once for all cases."""
        with problems:
            arrays.require_weight_kind(self.weight_kind)
        with problems:
            arrays.require_level(self.conf_level)
        if self.reference_arm and self.arm is None:
            mend = "give the arm of every case, or no reference arm"
            problems.append(Problem.of_key("arm", "there is a reference arm, but no arm", mend))
        if self.arm is not None and "arm" in self.covariates:
            mend = "give it as arm, or as the covariate of that name"
            problems.append(Problem.of_key("arm", "the arm is said twice, as arm and as covariate", mend, code="twice"))

    def __len__(self) -> int:
        return len(self.outcome)

    @property
    def n(self) -> int:
        """Number of cases: the sum of counts, or the rows of weight above 0."""
        if self.weight is None:
            return len(self)
        weight = np.asarray(self.weight)
        return round(float(weight.sum())) if self.weight_kind == "counts" else int(np.count_nonzero(weight))

    @property
    def filled(self) -> tuple[str, ...]:
        """Names of the fields that hold something beside the outcome and the level."""
        held = (*_LABELS, "period", "weight", *(["covariates"] if self.covariates else []))
        return tuple(name for name in held if getattr(self, name) is not None)

    def take(self, rows: ArrayLike) -> Cases:
        """The chosen rows (indices or a boolean mask), in that order."""
        rows = chosen_rows(rows)
        parts = {n: getattr(self, n)[rows] for n in self.filled if n != "covariates"}
        covariates = {k: _some(v, rows) for k, v in self.covariates.items()}
        return replace(self, outcome=self.outcome.take(rows), covariates=covariates, **parts)


def _frozen(array: NDArray[Any]) -> NDArray[Any]:
    array = array.view()
    array.setflags(write=False)
    return array


def _categorical(values: object) -> pd.Categorical | None:
    """The values as categories, if they are: an array would forget the order of the levels."""
    if isinstance(values, pd.Series | pd.Index) and isinstance(values.dtype, pd.CategoricalDtype):
        return pd.Categorical(values)
    return values if isinstance(values, pd.Categorical) else None


def _some(values: ArrayLike, rows: NDArray[Any]) -> ArrayLike:
    """The chosen rows; the order of the levels of a categorical is kept."""
    levels = _categorical(values)
    return np.asarray(values)[rows] if levels is None else levels.take(np.arange(len(levels))[rows])


def _covariate(values: ArrayLike, n: int, name: str) -> ArrayLike:
    array = arrays.one_per_case(values, n, name)
    if (levels := _categorical(values)) is not None:
        return levels.copy()
    # Lists come as objects; what holds numbers only is a column of numbers.
    return _frozen(np.array(values if array.dtype == object and isinstance(values, list | tuple) else array))


def order_arms(arm: arrays.StrArray, weight: arrays.FloatArray, reference_arm: str) -> tuple[str, ...]:
    """The arms that cases belong to: the reference arm first, the others sorted.

    Raises
    ------
    OnsetStudyError
        If no case belongs to the reference arm, or none to another.
    """
    seen = sorted(set(arm.tolist()))
    if reference_arm not in seen:
        unknown = f"no case belongs to the reference arm {reference_arm!r}"
        what = f"{unknown if reference_arm else 'no reference arm is named'}; arms seen: {', '.join(seen) or 'none'}"
        mend = "name the arm that the others are compared with, as it stands in the records"
        raise OnsetStudyError.of_key("reference_arm", what, mend)
    if len(seen) == 1:
        what = f"all {weight.sum():.0f} cases belong to the arm {reference_arm!r}"
        raise OnsetStudyError.of_key("arm", what, "a comparison needs cases of at least two arms", code="one_arm")
    return reference_arm, *(name for name in seen if name != reference_arm)


def merge_alike(times: Intervals, weight: arrays.FloatArray | None = None) -> tuple[Intervals, arrays.FloatArray]:
    """Distinct intervals in order, and the sum of the weights of each.

    What is computed from these is the same to the last digit for counts, for rows and for rows in another order.

    Parameters
    ----------
    times : Intervals, n rows
    weight : ndarray of float, shape (n,), optional
        Default 1; rows of weight 0 are left out.
    """
    many = np.ones(len(times)) if weight is None else weight
    if not np.all(many > 0):
        times, many = times.take(many > 0), many[many > 0]
    order = np.lexsort((times.right, times.left))
    left, right = times.left[order], times.right[order]
    new = np.ones(left.size, dtype=np.bool_)
    new[1:] = (left[1:] != left[:-1]) | (right[1:] != right[:-1])
    total = np.bincount(np.cumsum(new) - 1, many[order])
    return times.take(order[new]), np.asarray(total, dtype=np.float64)


class Verb(Protocol[P, R_co]):
    """A function of cases: called with :class:`Cases` and its own options, or with bare arrays and keywords."""

    uses: tuple[str, ...]

    @overload
    def __call__(self, cases: Cases, /, **options: Any) -> R_co: ...

    @overload
    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> R_co: ...


def takes_cases(*uses: str, second: str = "arm", robust: bool = False) -> Callable[[Callable[P, R_co]], Verb[P, R_co]]:
    """Lets a verb written for arrays take :class:`Cases` too, and checks the fields of either in one place.

    The verb is given what :class:`Cases` made of them, rows of weight 0 left out.

    Parameters
    ----------
    *uses : str
        Fields that the verb uses besides ``second``: ``stratum``, ``cluster``, ``block``, ``weight``. A field that is
        filled and not used is refused: cases that belong together must not be taken as independent unnoticed.
    second : {"arm", "covariates", ""}
        What stands beside the outcome: arms, covariates (the arm among them), or nothing (one group of cases).
    robust : bool
        Whether the verb has errors that hold for weights of the kind ``"probabilities"`` once ``cluster`` is given.
    """

    def decorate(function: Callable[P, R_co]) -> Verb[P, R_co]:
        signature = inspect.signature(function)
        first = next(iter(signature.parameters))
        may_be_none = {name for name, parameter in signature.parameters.items() if parameter.default is None}

        @functools.wraps(function)
        def verb(*args: Any, **kwargs: Any) -> R_co:
            given = signature.bind_partial(*args, **kwargs).arguments
            if isinstance(given.get(first), Cases):
                cases, rest = _of_cases(given, first, uses, second, needed=second not in may_be_none)
            elif first in given:
                require_intervals(given[first], first)
                cases, rest = _of_arrays(given, first, second)
            else:
                return function(*args, **kwargs)  # What is missing, Python itself says.
            for name, value in rest.items():
                if value is not None or name not in may_be_none:
                    _check_number(name, value)
            weighed = cases.weight is not None and cases.weight_kind == "probabilities"
            if weighed and not (robust and cases.cluster is not None):
                raise OnsetStudyError(_no_robust_error(robust))
            return cast(Callable[..., R_co], function)(**_arguments(cases, first, second, signature.parameters), **rest)

        verb.uses = uses if not second else (second, *uses)  # type: ignore[attr-defined]
        return cast(Verb[P, R_co], verb)

    return decorate


def _check_number(name: str, value: Any) -> None:
    """Refuse a number that an option of this name cannot be; other options the verbs check themselves."""
    if name in _WHOLE:
        arrays.require_number(value, name, _WHOLE[name], whole=True)
    elif name in _NUMBERS:
        mend, can_be_meant = _NUMBERS[name]
        arrays.require_number(value, name, mend)
        if not can_be_meant(value):
            raise OnsetStudyError.of_key(name, f"{name} is {value!r}", mend)


def _no_robust_error(with_clusters: bool) -> Problem:
    what = "weights that are probabilities need a robust error, and there is none for this quantity"
    mend = "give counts of like cases as weight"
    if with_clusters:
        what += " without clusters"
        mend = "name the cluster of every case (each its own, if they are independent), or give counts of like cases"
    return Problem.of_key("weight_kind", what, mend)


def _of_cases(
    given: Mapping[str, Any], first: str, uses: tuple[str, ...], second: str, *, needed: bool
) -> tuple[Cases, dict[str, Any]]:
    """The cases, and the verb's own options."""
    cases: Cases = given[first]
    taken = (*uses, *(("arm", "covariates") if second == "covariates" else (second,)))
    problems = [
        Problem.of_key(name, f"{name} is given beside cases that hold it", "say it in Cases only", code="twice")
        for name in given
        if name in (*_FIELDS, *_LABELS, "covariates")
    ]
    problems += [
        Problem.of_key(
            name, f"{name} is not used here", "leave it out of these cases (dataclasses.replace)", code="unused"
        )
        for name in cases.filled
        if name not in taken
    ]
    if needed and second == "arm" and cases.arm is None:
        problems.append(Problem.of_key("arm", "the cases have no arm", "give the arm of every case"))
    if needed and second == "arm" and not cases.reference_arm:
        mend = "name the arm that the others are compared with"
        problems.append(Problem.of_key("reference_arm", "the cases name no reference arm", mend))
    if needed and second == "covariates" and cases.arm is None and not cases.covariates:
        what, mend = "the cases have no covariate", "give arm or covariates"
        problems.append(Problem.of_key("covariates", what, mend, code="covariate"))
    if problems:
        raise OnsetStudyError(problems)
    return cases, {name: value for name, value in given.items() if name != first}


def _of_arrays(given: dict[str, Any], first: str, second: str) -> tuple[Cases, dict[str, Any]]:
    """Cases of bare arrays, and whatever else the verb was given."""
    rest = dict(given)
    outcome = rest.pop(first)
    fields = {name: rest.pop(name) for name in _FIELDS if name in rest}
    if second == "arm" and "arm" in rest:
        fields["arm"] = rest.pop("arm")
    if second == "covariates" and "reference_arm" in fields:
        rest["reference_arm"] = str(fields.pop("reference_arm"))
    cases = Cases(outcome, **fields)
    if second == "covariates" and "covariates" in rest and cases.weight is not None:
        kept = np.asarray(cases.weight) > 0
        if not kept.all():
            rest["covariates"] = _rows_of(rest["covariates"], kept)
    return cases, rest


def _rows_of(covariates: Any, kept: NDArray[np.bool_]) -> Any:
    if isinstance(covariates, pd.DataFrame):
        return covariates[kept] if len(covariates) == kept.size else covariates
    if not isinstance(covariates, Mapping):
        return covariates  # The verb refuses it.
    return {k: _some(v, kept) if np.shape(v) == kept.shape else v for k, v in covariates.items()}


def _arguments(cases: Cases, first: str, second: str, parameters: Mapping[str, Any]) -> dict[str, Any]:
    """What the verb is called with: the fields that it knows, rows of weight 0 left out."""
    if cases.weight is not None and not np.all(np.asarray(cases.weight) > 0):
        cases = cases.take(np.asarray(cases.weight) > 0)
    fields: dict[str, Any] = {first: cases.outcome}
    fields |= {name: getattr(cases, name) for name in _FIELDS if name in parameters}
    if second == "arm" and cases.arm is not None:
        fields["arm"] = cases.arm
    if second == "covariates":
        # Bare covariates stand among the verb's own options, as they were given.
        fields = {name: value for name, value in fields.items() if name != "reference_arm"}
        if cases.arm is not None or cases.covariates:
            fields["covariates"] = ({} if cases.arm is None else {"arm": cases.arm}) | dict(cases.covariates)
            fields["reference_arm"] = cases.reference_arm
    return fields
