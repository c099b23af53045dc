"""Results of patients who had both arms, and of guesses at the arm."""

from __future__ import annotations

from onsetstudy.core.results import Caution, Counts, EstimateLike, HypothesisTest, NotAvailable
from onsetstudy.core.serialise import result_kind
from onsetstudy.inference.tabled import Tabled


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
class PairedStudy(Tabled):
    """What only a comparison within patients tells: the ratio within them, pain by ranks, order.

    Test, proportions and waits stand in the overall results, which are within patients already.
    """

    pairs: int
    incomplete: int
    hazard_ratio: EstimateLike
    pain: PairedComparison | None
    order: OrderEffects | None
    n: Counts
    caution: tuple[Caution, ...] = ()


def success_test(found: EstimateLike) -> HypothesisTest | None:
    """Test that belongs to a difference of success within patients; ``None`` without one."""
    if isinstance(found, NotAvailable) or found.p_value is None:
        return None
    return HypothesisTest(
        quantity="success_test",
        contrast=found.contrast,
        statistic=found.estimate,
        statistic_name="difference",
        df=1,
        p_value=found.p_value,
        alternative="two-sided",
        method="exact McNemar test, or Newcombe's paired interval where that rejects less",
        n=found.n,
        source=found.source,
    )


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
