"""What went wrong, in each arm."""

from __future__ import annotations

from onsetstudy.core.results import NotAvailable
from onsetstudy.outcomes.harm_results import ArmEvents, Safety
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.cells import level_of, value_text
from onsetstudy.report.document import Section, Table, notes_of
from onsetstudy.report.names import plain_words
from onsetstudy.report.numbers import counted, percent, percent_interval

__all__ = ["limits_text", "safety_section"]

NAMES = {
    "treatment_success": "treatment with no or mild pain, without a supplement",
    "any": "any adverse event",
    "serious": "serious adverse event",
    "supplement": "supplemental injection",
    "missed_block": "lip not numb after a block",
    "positive_aspiration": "blood on aspiration (a finding, no harm)",
}


def safety_section(safety: Safety | None, protocol: Protocol) -> Section | None:
    """Harms with exact limits, supplements, missed blocks, and a list without identity."""
    if safety is None:
        return None
    listing = [(protocol.label(arm), *map(plain_words, what), f"{count}") for arm, *what, count in safety.listing]
    columns = ("injected", "what happened", "serious", "technique", "cases")
    return Section.of(
        "safety",
        "What went wrong",
        _said(safety, protocol),
        _table(safety, protocol),
        Table.of("Every event that was recorded", columns, listing, align="llllr"),
        notes_of(safety.caution),
    )


def _said(safety: Safety, protocol: Protocol) -> str:
    told = []
    for arm in safety.harms[0].arms:
        label, cases = protocol.label(arm.arm), counted(arm.cases, f"{protocol.label(arm.arm)} case")
        if arm.cases == 0:
            told.append(f"No {label} case recorded whether anything happened.")
        elif arm.at_most is not None:
            told.append(
                f"Nothing was recorded in {cases}; the true proportion could still be as high as "
                f"{percent(arm.at_most, arm.cases)} (one-sided limit, about 3 in {arm.cases})."
            )
        else:
            told.append(f"{arm.count} of {cases} had an adverse event ({limits_text(arm)}).")
    return " ".join([*told, *_seriousness(safety)])


def _seriousness(safety: Safety) -> list[str]:
    """That nothing was serious is said only where every event says so."""
    any_event, serious = (sum(a.count for a in line.arms) for line in safety.harms[:2])
    silent = sum(count for _, _, rated, _, count in safety.listing if rated not in ("yes", "no"))
    if not any_event:
        return []
    marked = f"{counted(serious, 'event')} {'was' if serious == 1 else 'were'} marked as serious"
    if silent:
        of = "it" if any_event == 1 else f"{silent} of {any_event}"
        return [f"{marked if serious else 'None was marked as serious'}; of {of} that is not recorded: ask."]
    return [f"{marked}." if serious else f"Of {counted(any_event, 'event')} all say that they were not serious."]


def _table(safety: Safety, protocol: Protocol) -> Table:
    labels = tuple(protocol.label(a.arm) for a in safety.harms[0].arms)
    lines = (*safety.harms, *safety.course)
    rows = []
    for x in lines:
        difference = value_text(x.difference, factor=100, missing="—")
        rows.append((NAMES.get(x.event, plain_words(x.event)), *map(_cell, x.arms), difference))
    return Table.of(
        "Harms and supplemental injections by arm",
        ("what", *labels, "difference, percentage points"),
        rows,
        f"Exact {level_of(x.difference for x in lines)} intervals; differences in percentage points, {labels[1]} less "
        f"{labels[0]}, by Newcombe's method 10. Arms as injected. Not tested: events are too few for that to say "
        "anything.",
    )


def limits_text(arm: ArmEvents) -> str:
    """The exact limits of an event's proportion."""
    if isinstance(arm.share, NotAvailable):
        return "not recorded"
    return percent_interval(arm.share.interval.low, arm.share.interval.high, arm.cases)


def _cell(arm: ArmEvents) -> str:
    limits = limits_text(arm)
    return limits if isinstance(arm.share, NotAvailable) else f"{arm.count} of {arm.cases} ({limits})"
