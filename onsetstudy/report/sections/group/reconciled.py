"""Two ways to combine the practices, side by side, and why they differ."""

from __future__ import annotations

from onsetstudy.core.quantities import quantity_of
from onsetstudy.report.document import Block, Paragraph, Table
from onsetstudy.report.numbers import level, listed
from onsetstudy.report.sentences import estimate_shown, without_looks
from onsetstudy.study.group.results import GroupResults, Reconciled

__all__ = ["binding_words", "reconciled_blocks"]

REASONS = {
    "spread": "the mean of practices lets small practices count for more than their number of cases, as the spread "
    "between practices that was estimated, however unsurely, enters its weights",
    "weights": "the mean of practices weighs each by how sure its own value is, not by its number of cases",
    "left_out": "practices without an estimate of their own count among all cases only",
    "quarters_merged": "small groups of cases were joined with a neighbouring quarter before they were sent, so that "
    "earlier interim analyses hold other cases than those of the records",
    "techniques_merged": "rare techniques were sent as one group, so that strata are coarser than in the records",
    "scores_held_back": "scores and minutes of an arm with too few of them were not sent",
    "first_look": "scores carry no quarter in the files, so that interim analyses of pain begin with this one, while a "
    "report from the rows has the earlier ones",
    "beyond": "scores and minutes of files that go on after this quarter are left out, as they carry no quarter",
}
"""Why two numbers may differ, by code."""
OTHER_LOOKS = frozenset({"quarters_merged", "first_look", "beyond"})
"""Reasons for which an interim analysis of the files may fall on other cases than one of the records."""
BINDING = (
    "The files do not hold every case under its quarter, so that an analysis of the records may cross a boundary where "
    "this one does not, or at another time. That which the coordinator's ledger holds first binds the study; the other "
    "is told beside it and changes nothing."
)
NONE = "–"
WAYS = ("within practices, combined by numbers of cases: the answer", "mean of practices, beside it")


def reconciled_blocks(results: GroupResults) -> list[Block]:
    """A table of two lines for every quantity, and in words why a report from the rows may differ."""
    blocks: list[Block] = []
    if results.reconciled:
        blocks.append(_table(results, results.reconciled))
    if results.unlike_rows:
        told = "; ".join(REASONS[code] for code in results.unlike_rows)
        text = f"A report of the same cases from their records may have other numbers: {told}."
        blocks.append(Paragraph(text=text, role="note"))
    return blocks


def binding_words(results: GroupResults) -> list[str]:
    """Which interim analysis binds, where those of files and of records may differ; nothing elsewhere."""
    differ = results.looks is not None and OTHER_LOOKS & set(results.unlike_rows)
    return [BINDING] if differ else []


def _table(results: GroupResults, found: tuple[Reconciled, ...]) -> Table:
    rows: list[tuple[str, ...]] = []
    heads: list[int] = []
    for line in found:
        heads.append(len(rows))
        rows.append((_heading(line), ""))
        rows += [
            (way, estimate_shown(e) or NONE) for way, e in zip(WAYS, (line.within, line.mean_of_practices), strict=True)
        ]
    codes: dict[str, list[str]] = {}
    for line in found:
        for code in line.reasons:
            codes.setdefault(code, []).append(quantity_of(line.quantity).name)
    note = (f"With {level(results.protocol.plan.conf_level)} intervals{without_looks(results.looks)}. ") + " ".join(
        f"{_upper(REASONS[code])} ({listed(names)})." for code, names in codes.items()
    )
    return Table(
        caption="Two ways to combine the practices", columns=("", "estimate"), rows=tuple(rows), align="lr",
        heads=tuple(heads), notes=(note,),
    )  # fmt: skip


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _heading(line: Reconciled) -> str:
    quantity = quantity_of(line.quantity)
    unit = line.within.unit if quantity.unit == "score" else quantity.unit_shown
    better, worse = quantity.words
    above = better if quantity.favours * quantity.shown.factor > 0 else worse
    return f"{quantity.name[:1].upper()}{quantity.name[1:]}, {unit} (above {quantity.null or 0:g}: {above})"
