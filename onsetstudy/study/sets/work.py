"""What one piece of work has asked already: the same question about the same cases is answered once."""

from __future__ import annotations

import hashlib
import pickle
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, TypeVar

from onsetstudy.survival.curve.npmle import Curves

T = TypeVar("T")


@dataclass(frozen=True, slots=True, eq=False)
class Work:
    """The curves of one piece of work, such as a report, and what its verbs said of which cases.

    A value that is made by whoever begins the work and passed on; nothing is kept beyond it. A practice by itself, the
    last of the quarters and the plan's own choice among others are cases that were asked about before.
    """

    curves: Curves = field(default_factory=Curves)
    _said: dict[bytes, Any] = field(default_factory=dict, init=False, repr=False)

    def ask(self, verb: Callable[..., T], *cases: Any, **how: Any) -> T:
        """What a verb that takes ``curves`` says of these cases; what it refuses it is asked anew."""
        question = hashlib.sha256(pickle.dumps((verb.__module__, verb.__qualname__, cases, how))).digest()
        if question not in self._said:
            self._said[question] = verb(*cases, **how, curves=self.curves)
        answer: T = self._said[question]
        return answer
