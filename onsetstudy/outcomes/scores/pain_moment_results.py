"""Results about pain at all moments, anxiety, and how several outcomes share one error rate."""

from __future__ import annotations

from onsetstudy.core.results import Caution, Counts, EstimateLike, HypothesisTest, NotAvailable
from onsetstudy.core.serialise import result_kind
from onsetstudy.inference.tabled import Tabled
from onsetstudy.outcomes.scores.pain_results import PainComparison


@result_kind("missing_scores")
class MissingScores:
    """Scores that are missing at one moment, by arm and reason, and how bad they would have to be.

    ``by_reason`` lists ``(arm, reason, count)``, ``by_arm`` lists ``(arm, missing, cases)``, reference first.
    ``tipping`` is how much higher than the other scores of the arm the missing ones of the arm against the reference
    would have to be, on average, for the interval of the mean difference to reach no difference, the missing ones of
    the reference being like the others of theirs; ``tipping_reference`` is the same of the reference's missing scores,
    and ``tipping_both`` the shift that would do if the arm's were higher and the reference's lower by it at once. Each
    is ``None`` where the interval reaches no difference already, infinite where none is missing.
    """

    by_reason: tuple[tuple[str, str, int], ...]
    tipping: float | None
    mean_difference: EstimateLike
    by_arm: tuple[tuple[str, int, int], ...] = ()
    tipping_reference: float | None = None
    tipping_both: float | None = None


@result_kind("moment_of_pain")
class MomentOfPain:
    """One moment: the comparison by ranks, painless injections, and injections better by what matters.

    Per-arm tuples have the reference arm first. ``noticeably_less`` is the share of cases whose score lies below the
    reference arm's median by the difference that matters or more.
    """

    moment: str
    comparison: PainComparison | NotAvailable
    painless: tuple[EstimateLike, ...]
    painless_difference: EstimateLike
    noticeably_less: tuple[EstimateLike, ...]
    adjusted: EstimateLike
    missing: MissingScores

    def on_scale(self, place: int, shift: float, low: float, high: float) -> bool:
        """Whether scores so far from the others of an arm (0: the reference) exist on a scale from low to high."""
        if not isinstance(self.comparison, PainComparison):
            return True
        scores = self.comparison.scores[place].scores
        return not scores.size or bool(low <= scores.mean() + shift <= high)


@result_kind("proportional_odds")
class ProportionalOdds:
    """Odds of more pain, other arm over reference, over ordered bands; with the check that one ratio fits all bands.

    ``by_band`` lists the odds ratio at each cut: ``(cut, estimate)``.
    """

    moment: str
    bands: tuple[str, ...]
    odds_ratio: EstimateLike
    by_band: tuple[tuple[str, EstimateLike], ...]
    check: HypothesisTest | NotAvailable


@result_kind("anxiety")
class Anxiety:
    """Anxiety by arm: scores ``before``, who was highly anxious then, and the change within cases (after less before).

    Of a trait scale there is no change: ``change`` is empty, and ``difference`` says why.
    """

    change: tuple[EstimateLike, ...]
    difference: EstimateLike
    high_before: tuple[EstimateLike, ...]
    threshold: float | None
    before: tuple[EstimateLike, ...] = ()


@result_kind("shared_line")
class SharedLine:
    """One secondary outcome: its own p-value, the one adjusted for all, and whether it passes."""

    outcome: str
    p_value: float | None
    adjusted: float | None
    passes: bool
    reason: str = ""


@result_kind("shared_error")
class SharedError:
    """Secondary outcomes under one error rate."""

    procedure: str
    alpha: float
    lines: tuple[SharedLine, ...]


@result_kind("comfort")
class Comfort(Tabled):
    """Everything about comfort: moments in order, bands, anxiety, and the shared error rate of secondary outcomes."""

    moments: tuple[MomentOfPain, ...]
    odds: ProportionalOdds | None
    anxiety: Anxiety | None
    shared: SharedError | None
    n: Counts
    caution: tuple[Caution, ...] = ()
