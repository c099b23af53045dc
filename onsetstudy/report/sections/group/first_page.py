"""Page 1 of a group's report: the answer, what was seen in each arm, who is missing, and one's own practice."""

from __future__ import annotations

from dataclasses import replace

from onsetstudy.core.claims import Claim
from onsetstudy.core.results import Counts, Estimate, EstimateLike, NotAvailable
from onsetstudy.pool.results import Funnel
from onsetstudy.report.cells import share_text
from onsetstudy.report.document import Answer, Block, Cautions, Pieces, Section, Table, absent
from onsetstudy.report.figures.forest import Line
from onsetstudy.report.numbers import MINUS, counted, level, listed, tidy
from onsetstudy.report.sections.appendix.testing import negative_words
from onsetstudy.report.sections.blocks import forest_block, group_curves_block
from onsetstudy.report.sections.group.completeness import gate_words, left_out_words, refused_words
from onsetstudy.report.sections.group.heterogeneity import heterogeneity_words, name_of
from onsetstudy.report.sections.group.pooled import binding_words, compared_within, practices_crossed
from onsetstudy.report.sentences import ALLOWED, sentence, short_value, span_words
from onsetstudy.study.group.results import GroupResults

FIRST = "test_the_tooth"
CAUTIONS = (
    "no_pairs",
    "not_randomised",
    "arms",
    "opened_for_nobody",
    "arms_apart",
    "plan_after_data",
    "few_onsets",
    "practices_together",
    "coarser_strata",
)
UNDER_CAUTIONS = (
    "no_ranks",
    "few_practices",
    "repeated_patients",
    "recognisable",
    "ethics",
    "unlike_gaps",
    "on_record",
)
"""Told under Cautions alone. A caution of a group stands in one of these lists."""
OF_THE_ANSWER = ("few_onsets", "practices_together", "coarser_strata")
"""Cautions about how a number was computed, with figures of the cold tests: none where no number is shown."""
BOUNDED = ("bounded_share",)
"""Cautions of a proportion that the data only place between two others."""
NO_PLACE = "—"


def first_page(results: GroupResults, own: str | None) -> Section:
    """Everything of page 1; ``own`` is the letter of the practice whose page it is."""
    told = [code for code in CAUTIONS if not (results.shut and code in OF_THE_ANSWER)]
    cautions = [
        *(tidy(c.text) for c in results.caution if c.code == FIRST),
        *gate_words(results, own),
        *missing_words(results, own),
        *refused_words(results, own),
        *(tidy(c.text) for c in results.caution if c.code in told),
        *negative_words(results.negative),
        *binding_words(results),
    ]
    # Where not one number of the cold tests may stand here, kindness is not withheld.
    pain = results.claims.get("pain_difference")
    shown: Pieces = None if pain is None else sentence(pain, results.protocol).text
    if not results.shut:
        shown = (_arms_table(results), _forest(results, own), group_curves_block(results) if own is None else None)
    words = None if own is None else _own_words(results, own)
    return Section.of("answer", "", _answer(results), words, shown, Cautions(texts=tuple(cautions)))


def _answer(results: GroupResults) -> Answer:
    """The primary claim, then how much practices differ in it."""
    claim = results.claims.primary()
    said = sentence(claim, results.protocol)
    pooled = results.quantity(claim.quantity.key)
    if results.shut or pooled is None or not isinstance(pooled.average, Estimate):
        return said
    differ = heterogeneity_words(pooled, lambda low, high: span_words(claim, low, high))
    return replace(said, allows=f"{said.allows} {differ}")


def missing_words(results: GroupResults, own: str | None, *, coordinator: bool = False) -> list[str]:
    """Who and what is missing, one sentence each.

    Only the ``coordinator`` is told codes: on the pages of two quarters a code that is missing from one, or that stands
    beside a quarter, would tell the letter of its row. A file names quarters with a case: without one in the last, none
    may be missing.
    """
    told = []
    if k := len(results.missing):
        whose = listed(results.missing) if coordinator else f"{counted(k, 'practice')} of the study"
        told.append(f"No file from {whose}.")
    mine = next((p.code for p in results.practices if p.letter == own), None)
    for code, last in results.shorter:
        if coordinator:
            told.append(f"{code} has sent cases up to {last} only: ask whether there were later ones.")
        elif code == mine:
            told.append(f"Your practice has sent cases up to {last} only: if there were later ones, they are missing.")
    others = sum(code != mine for code, _ in results.shorter)
    if others and not coordinator:
        who = counted(others, "practice" if own is None else "other practice")
        told.append(f"{who} {'has' if others == 1 else 'have'} sent cases up to an earlier quarter only.")
    if k := len(results.skipped):
        names = listed(results.skipped) if coordinator else counted(k, "file")
        told.append(f"{names} {'was' if k == 1 else 'were'} not read: exchange files end in .exchange.json.")
    if results.beyond:
        who = "All files go" if len(results.beyond) == len(results.practices) else "Some files go"
        told.append(
            f"{who} on after {results.quarter}. Pain, minutes to treatment, harms and the number of rows carry no "
            f"quarter and are left out of these; ask for files that end with {results.quarter}."
        )
    return told


def _own_words(results: GroupResults, own: str) -> str:
    """One sentence about the practice whose page it is."""
    practice = next(p for p in results.practices if p.letter == own)
    head = f"Your practice, {counted(practice.n.cases, 'case')}"
    if results.shut:
        return f"{head}."
    if out := left_out_words(results, own):
        return f"{head}.{out}"
    claim = results.claims.get(results.claims.lead, own)
    told = "" if claim is None else f" {sentence(claim, results.protocol).text}"
    tau = results.protocol.onset.tau_min
    names = {"by_target": "not numb by the target", "never_numb": f"not numb within {tau:g} minutes"}
    flags = [
        (names[f.quantity], p.flag)
        for f in results.funnels
        if isinstance(f, Funnel) and f.quantity in names
        for p in f.points
        if p.label == own
    ]
    if not flags:
        return f"{head}.{told}"
    if outside := [name for name, flag in flags if flag]:
        return f"{head}; outside the inner limits for teeth {listed(outside)}: look at what lies behind it.{told}"
    both = "both charts" if len(flags) == 2 else "the chart"
    return f"{head}; inside the limits in {both} of practices beside each other.{told}"


def _arms_table(results: GroupResults) -> Table:
    """Shares by arm, the difference within practices, and pain."""
    protocol, overall = results.protocol, results.overall
    labels = tuple(protocol.label(a) for a in protocol.arm_codes[:2])
    target, horizon = protocol.onset.target_min, protocol.onset.tau_min
    get = results.claims.get
    pain, treated = get("pain_difference"), get("treatment_success_difference")
    rows: list[tuple[str, ...]] = [
        (f"numb by {target:g} min", *map(_share, overall.by_target), _difference(get("success_difference"))),
        (f"not numb within {horizon:g} min", *map(_share, overall.never_numb), _difference(get("not_numb_difference"))),
    ]
    if pain is not None and isinstance(pain.answer, Estimate):
        rows.append((f"mean pain, {pain.answer.unit}", NO_PLACE, NO_PLACE, _difference(pain)))
    if treated is not None and isinstance(treated.answer, Estimate):
        rows.append(("successful treatments", *map(_share, treated.arms), _difference(treated)))
    allowed = "" if results.looks is None else f", of differences {ALLOWED}"
    return Table.of(
        "What was seen, all practices together",
        ("", *labels, "difference"),
        rows,
        f"With {level(protocol.plan.conf_level)} intervals{allowed}. Difference: {labels[1]} less {labels[0]}, of "
        f"proportions in percentage points, {compared_within(results)} and combined by numbers of cases.",
        " ".join(dict.fromkeys(tidy(c.text) for e in overall.differences for c in e.caution if c.code in BOUNDED)),
    )


def _share(e: EstimateLike) -> str:
    return NO_PLACE if isinstance(e, NotAvailable) else f"{share_text(e, e.n.cases)} of {e.n.cases}"


def _difference(claim: Claim | None) -> str:
    """A difference as its claim has it, signed."""
    text = "" if claim is None else short_value(claim, unit="")
    if not text:
        return NO_PLACE
    return text if text.startswith((MINUS, "0 ")) else f"+{text}"


def _forest(results: GroupResults, own: str | None) -> Block:
    lead, title = results.claims.lead, "What did each practice find?"
    pooled = results.quantity(lead)
    if pooled is None:
        return absent(f"{title} No file holds it.")
    lines = [Line(name_of(m.label, own), m.result) for m in pooled.members]
    within = results.overall.difference(lead)
    if isinstance(within, Estimate) and len(results.answering) > 1:
        label = "All cases" if practices_crossed(results) else "All cases, within practices"
        lines.append(Line(label, within, whole=True))
    said = ["Letters are drawn anew for every report: no ranking."] if len(results.answering) > 1 else []
    if pooled.cut:
        said.append(f"Limits are {pooled.cut}.")
    if isinstance(pooled.average, Estimate):
        lines.append(Line("Average of practices", pooled.average, whole=True))
        if pooled.prediction is not None:
            further = replace(pooled.average, interval=pooled.prediction, std_error=None, n=Counts(cases=0, onsets=0))
            lines.append(Line("A practice not in this study", further, outside=True))
            said.append("Last line: where the truth of such a practice would lie.")
        without = [name_of(m.label, own) for m in pooled.members if isinstance(m.result, Estimate) and m.weight == 0]
        if without:
            said.append(f"Not in the average, because its cases do not tell how sure its value is: {listed(without)}.")
    return forest_block(results, lead, lines, name="forest", title=title, caption=" ".join(said))
