"""Results of patients who had both arms, and of guesses at the arm."""

from __future__ import annotations

import pandas as pd

from onsetstudy.core.results import Caution, Counts, EstimateLike, HypothesisTest, NotAvailable, estimates_frame
from onsetstudy.core.serialise import result_kind


@result_kind("paired_comparison")
class PairedComparison:
    """Scores within patients: the shift (other arm minus reference), its test, pairs used and pairs left out."""

    shift: EstimateLike
    test: HypothesisTest | NotAvailable
    pairs: int
    incomplete: int


@result_kind("order_effects")
class OrderEffects:
    """Whether the first injection differed from the second, and whether what came first carried over.

    ``period`` is second minus first injection, ``sequence`` the difference of the patients' sums between the orders;
    both by ranks, with ``sequences`` patients in each order ``(order, count)``.
    """

    period: EstimateLike
    sequence: EstimateLike
    sequences: tuple[tuple[str, int], ...]


@result_kind("paired_study")
class PairedStudy:
    """Everything within patients: onset, success, pain, order."""

    pairs: int
    incomplete: int
    onset_test: HypothesisTest | NotAvailable
    hazard_ratio: EstimateLike
    success: tuple[EstimateLike, ...]
    success_difference: EstimateLike
    pain: PairedComparison | None
    order: OrderEffects | None
    n: Counts
    caution: tuple[Caution, ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """All estimates."""
        found = [self.onset_test, self.hazard_ratio, *self.success, self.success_difference]
        found += [] if self.pain is None else [self.pain.shift, self.pain.test]
        found += [] if self.order is None else [self.order.period, self.order.sequence]
        return estimates_frame(found)


@result_kind("guess_line")
class GuessLine:
    """Guesses of one person about one arm, and the blinding index: 1 all right, 0 as by chance, -1 all wrong."""

    who: str
    arm: str
    right: int
    wrong: int
    unsure: int
    index: EstimateLike


@result_kind("blinding")
class Blinding:
    """All guesses; ``intended`` says whether the person was to be blind."""

    lines: tuple[GuessLine, ...]
    intended: tuple[tuple[str, bool], ...]
    source: str = ""
