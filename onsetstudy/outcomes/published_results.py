"""Published results as values, and a practice's own results among them."""

from __future__ import annotations

from dataclasses import dataclass

from onsetstudy.core.results import Caution, Estimate, NotAvailable
from onsetstudy.core.serialise import Serialisable, result_kind

SECONDS_PER_MINUTE = 60.0


@result_kind("published_range")
class PublishedRange:
    """One outcome of one published study, as printed.

    Parameters
    ----------
    id, study, citation, year
        Name of the line, short name of the study, where to find it.
    evidence : str
        ``trial`` or ``pooled`` (several trials).
    n : int or None
        Patients (of a pooled result: ``None`` where it was not read).
    design, agent, test_method, patients : str
        How it was done; empty where it was not read.
    techniques : tuple of str
        Codes of the injections; ``various`` where several were pooled.
    outcome : str
        ``onset`` (mean time), ``numb_by``, ``success``, ``pain`` or ``painless``.
    plain, buffered, plain_sd, buffered_sd : float or None
        Values of the arms in ``unit``, ``None`` where not printed or not read.
    difference : float or None
        Buffered less plain in ``unit``: as printed, or of the two printed values.
    conf_low, conf_high, p_value : float or None
        As printed.
    unit : str
        ``min``, ``s``, ``percent``, ``points``, ``mm``, ``odds_ratio`` or ``none``.
    scale_high : float or None
        Highest score of the pain scale.
    finding : str
        What the authors report, as a code.
    printed : str
        The result in words, as a reader of the paper would find it.
    label : str
        ``found``, ``from memory``, …: how sure the line itself is.
    """

    id: str
    study: str
    citation: str
    year: int
    evidence: str
    design: str
    techniques: tuple[str, ...]
    outcome: str
    finding: str
    label: str
    n: int | None = None
    agent: str = ""
    test_method: str = ""
    patients: str = ""
    plain: float | None = None
    buffered: float | None = None
    plain_sd: float | None = None
    buffered_sd: float | None = None
    difference: float | None = None
    conf_low: float | None = None
    conf_high: float | None = None
    p_value: float | None = None
    unit: str = "none"
    scale_high: float | None = None
    printed: str = ""
    note: str = ""

    def drawn(self) -> tuple[float, float | None, float | None, str] | None:
        """Difference and limits on the scale of its figure, and in words what was done to get there.

        Minutes for onset (seconds are divided by 60), points of a hundred for shares, points of a hundred for pain
        (scores are divided by the highest of their scale: for drawing only). ``None`` where there is no difference.
        """
        if self.difference is None or self.unit in ("odds_ratio", "none"):
            return None
        factor, said = 1.0, ""
        if self.unit == "s":
            factor, said = 1 / SECONDS_PER_MINUTE, "seconds shown as minutes"
        elif self.outcome == "pain" and self.scale_high not in (None, 100.0):
            factor = 100 / float(self.scale_high or 100.0)
            said = f"a scale of 0 to {self.scale_high:g} stretched to 0 to 100 for drawing"
        low, high = (None if v is None else factor * v for v in (self.conf_low, self.conf_high))
        return factor * self.difference, low, high, said


@dataclass(frozen=True, slots=True, kw_only=True)
class PublishedTable:
    """A dated table of published results, positive and null alike."""

    title: str
    date: str
    note: str
    ranges: tuple[PublishedRange, ...]


@result_kind("context_group")
class ContextGroup:
    """One technique: the practice's own difference and the published ones of the same technique.

    ``own`` is on the practice's own scale. ``drawn`` have a difference on the figure's scale, ``listed`` have none.
    """

    technique: str
    own: Estimate | NotAvailable
    drawn: tuple[PublishedRange, ...]
    listed: tuple[PublishedRange, ...]


@result_kind("context_panel")
class ContextPanel:
    """One outcome, technique by technique.

    ``outcome`` is ``onset``, ``success`` or ``pain``; ``unit`` that of the drawing. ``own_factor`` takes the practice's
    own scale to the drawing's, as ``own_scaled`` says in words (empty: unchanged). ``own_meaning`` says what was
    measured here. ``other`` counts published results that share no technique with the practice.
    """

    outcome: str
    unit: str
    own_meaning: str
    own_factor: float = 1.0
    own_scaled: str = ""
    groups: tuple[ContextGroup, ...] = ()
    other: int = 0


@result_kind("published_context")
class PublishedContext(Serialisable):
    """The practice's results among published ones of the same techniques.

    ``words`` say what differs in technique, agent and test method between the practice and what was published.
    """

    panels: tuple[ContextPanel, ...]
    techniques: tuple[str, ...]
    agents: tuple[str, ...]
    test_method: str
    table_date: str
    table_title: str
    words: tuple[str, ...] = ()
    caution: tuple[Caution, ...] = ()
