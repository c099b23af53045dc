"""Errors that a clinician can act on.

The tree::

    OnsetStudyError
    ├── ProtocolError    a protocol file promises something that cannot be kept
    ├── RecordsError     records of cases cannot be read or contradict themselves
    ├── DesignError      a planning question has no answer as asked
    ├── NotEstimable     the data do not determine the quantity; may carry a bound
    └── ReportError      a report cannot be composed or written

Every error but ``NotEstimable`` carries all its :class:`Problem` s at once.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Self

WORD = re.compile(r"[^\W\d_]+(?:['’-][^\W\d_]+)*(?=[,;:.!?)]*(?:\s|$))")
"""A word of a language, and no name of a file, key or code."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Where:
    """A place in a file, as the person who wrote the file would name it.

    Parameters
    ----------
    file : str
        Name of the file, without folders; empty where there is no file.
    sheet : str or None
        Sheet of a workbook.
    row : int or None
        Row as the spreadsheet numbers it: the heading is row 1.
    column : str or None
        Column heading.
    key : str or None
        Key of a protocol file, dotted.
    """

    file: str = ""
    sheet: str | None = None
    row: int | None = None
    column: str | None = None
    key: str | None = None

    def __str__(self) -> str:
        parts = [self.file] if self.file else []
        told = {"sheet": self.sheet, "row": self.row, "column": self.column, "key": self.key}
        return ", ".join(parts + [f"{name} {value}" for name, value in told.items() if value is not None])


def _sentence(text: str) -> str:
    text = text.strip()
    # The name of a file, a key or a code stays as it is written: another would not be found.
    if WORD.match(text):
        text = text[:1].upper() + text[1:]
    return text if not text or text[-1] in ".!?" else text + "."


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing that is wrong, where it is and how to correct it.

    Parameters
    ----------
    what : str
        What is wrong, naming the value: ``'the time "4;30" cannot be read'``.
    where : Where
        The place.
    mend : str
        What to write instead: ``'write minutes and seconds as 4:30, or minutes as 4.5'``.
    value : str or None
        The offending value as it was written.
    code : str
        Short stable name of the rule that was broken.
    """

    what: str
    where: Where = Where()
    mend: str = ""
    value: str | None = None
    code: str = ""

    @classmethod
    def of_key(cls, key: str, what: str, mend: str, *, code: str | None = None, file: str = "") -> Problem:
        """What is wrong with a key of a protocol or an argument of a verb; its code is the key unless given."""
        return cls(what=what, where=Where(file=file, key=key), mend=mend, code=key if code is None else code)

    def __str__(self) -> str:
        place = str(self.where)
        what = self.what if self.what.endswith((".", "!", "?")) else self.what + "."
        text = f"{place}: {what}" if place else _sentence(what)
        return f"{text} {_sentence(self.mend)}".strip()


class OnsetStudyError(Exception):
    """Something the user can mend; base of every error this package raises on purpose.

    Parameters
    ----------
    problems : Problem, str or iterable of Problem
        All problems found, in the order in which a reader would meet them.

    Examples
    --------
    >>> from onsetstudy import Intervals, OnsetStudyError
    >>> try:
    ...     Intervals([2.0], [1.0])
    ... except OnsetStudyError as error:
    ...     print(error.problems[0].what)
    interval 0 (2, 1] ends before it begins
    """

    def __init__(self, problems: Problem | str | Iterable[Problem]) -> None:
        if isinstance(problems, str):
            problems = [Problem(what=problems)]
        elif isinstance(problems, Problem):
            problems = [problems]
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    @classmethod
    def of_key(cls, key: str, what: str, mend: str, *, code: str | None = None) -> Self:
        """Error of one key or argument, see :meth:`Problem.of_key`."""
        return cls(Problem.of_key(key, what, mend, code=code))


class Gathered(list[Problem]):
    """Problems so far: an error inside ``with`` adds its own to them, and the work goes on behind it."""

    def __enter__(self) -> None: ...

    def __exit__(self, kind: object, error: object, traceback: object) -> bool:
        if not isinstance(error, OnsetStudyError):
            return False
        self.extend(error.problems)
        return True


class ProtocolError(OnsetStudyError):
    """A protocol file that cannot be kept as written."""


class RecordsError(OnsetStudyError):
    """Records that cannot be read or contradict themselves."""


class DesignError(OnsetStudyError):
    """A planning question that has no answer as asked."""


class ReportError(OnsetStudyError):
    """A report that cannot be composed or written."""


class NotEstimable(OnsetStudyError):
    """The data do not determine the quantity.

    Parameters
    ----------
    quantity : str
        Name of the quantity, for example ``"hazard_ratio"``.
    reason : str
        Why, in one sentence for the reader.
    code : str
        Short stable name: ``"no_onset_in_arm"``, ``"not_converged"``, ``"separation"``, …
    bound : tuple of float or None
        Confidence limits ``(low, high)`` if the data give some. Mostly one-sided: the open
        side is infinite (or 0 for a ratio).

    Examples
    --------
    >>> from onsetstudy import Intervals, NotEstimable, fit_proportional_hazards
    >>> never = Intervals([6, 6, 6, 6], [float("inf")] * 4)
    >>> try:
    ...     fit_proportional_hazards(never, {"arm": ["plain", "plain", "buffered", "buffered"]})
    ... except NotEstimable as error:
    ...     print(error.quantity, error.code)
    hazard_ratio no_information
    """

    def __init__(
        self, quantity: str, reason: str, *, code: str = "not_estimable", bound: tuple[float, float] | None = None
    ) -> None:
        self.quantity = quantity
        self.reason = reason
        self.code = code
        self.bound = bound
        super().__init__(Problem(what=f"the {quantity.replace('_', ' ')} is not estimable: {reason}", code=code))


def require(value: object, kind: type | tuple[type, ...], name: str, mend: str) -> None:
    """Refuse a value of another kind than ``kind``, before it fails deep inside.

    Raises
    ------
    OnsetStudyError
        With ``mend`` as its correction.
    """
    if not isinstance(value, kind):
        raise OnsetStudyError.of_key(name, f"{name} is {type(value).__name__}", mend, code="kind")
