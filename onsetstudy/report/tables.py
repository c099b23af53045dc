"""Tables of a report: results in, texts out."""

from __future__ import annotations

from onsetstudy.core.results import NotAvailable
from onsetstudy.report.document import Table
from onsetstudy.report.numbers import decimal, interval, p_text, percent, percent_interval
from onsetstudy.report.words import plain_words
from onsetstudy.study.results import EstimateLike, Population, StudyResults

__all__ = [
    "assumptions_table",
    "balance_table",
    "certificate_table",
    "flow_table",
    "notices_table",
    "numbers_table",
    "periods_table",
    "reasons_table",
    "shares_table",
    "stopwatch_table",
]

VARIABLES = {
    "practice_id": "Practice",
    "procedure": "Treatment",
    "technique": "Technique",
    "pulp_status": "Pulp",
    "agent": "Anaesthetic",
    "vasoconstrictor": "Vasoconstrictor",
    "topical": "Topical",
    "age_band": "Age",
    "volume_ml": "Volume, mL",
    "anxiety_before": "Anxiety before",
    "mixed_to_injection_min": "Mixing to injection, min",
    "weight_kg": "Weight, kg",
}
STAGES = {
    "recorded": "Rows read",
    "accepted": "Accepted",
    "eligible": "Eligible under the protocol",
    "analysed": "Analysed",
}


def _arms(results: StudyResults) -> tuple[str, ...]:
    return tuple(results.protocol.label(code) for code in results.protocol.arm_codes)


def flow_table(results: StudyResults) -> Table:
    """From rows read to cases analysed, each loss with its reason."""
    codes = results.protocol.arm_codes
    rows: list[tuple[str, ...]] = []
    for stage in results.flow.stages:
        rows += [(f"— {r.text}", f"{r.count}", *("" for _ in codes)) for r in stage.lost]
        per_arm = {a.arm: a.cases for a in stage.by_arm}
        cells = tuple(f"{per_arm[code]}" if code in per_arm else "" for code in codes)
        rows.append((STAGES.get(stage.name, stage.name), f"{stage.count}", *cells))
    return Table(
        caption="Cases from the rows read to the analysis. Lines with a dash were lost on the way to the next line.",
        columns=("", "cases", *_arms(results)),
        rows=tuple(rows),
        align="lr" + "r" * len(codes),
    )


def balance_table(results: StudyResults) -> Table:
    """Cases by arm with standardised differences."""
    rows: list[tuple[str, ...]] = []
    before = ""
    for row in results.arm_table.rows:
        name = VARIABLES.get(row.variable, row.variable)
        if row.level and row.variable != before:
            rows.append((name, *("" for _ in row.cells), ""))
        before = row.variable
        difference = "" if row.standardised_difference is None else decimal(row.standardised_difference, 2)
        label = f"– {plain_words(row.level)}" if row.level else name
        rows.append((label, *(_arm_cell(cell, row.level) for cell in row.cells), difference))
    return Table(
        caption="Who was in the arms.",
        columns=("", *_arms(results), "standardised difference"),
        rows=tuple(rows),
        align="l" + "r" * (len(results.protocol.arm_codes) + 1),
        notes=(
            "Standardised difference: buffered less plain in standard deviations; beyond about 0.2 (common practice, "
            "no source) a difference is worth a thought. No p-values: chance alone makes arms differ.",
        ),
    )


def _arm_cell(cell: tuple[int | None, int | None, float | None, float | None], level: str) -> str:
    count, of, mean, sd = cell
    if mean is not None:
        spread = f" (SD {decimal(sd)})" if sd is not None else ""
        return f"{decimal(mean)}{spread}, {count} of {of}"
    if level == "":
        return "none recorded"
    share = f" ({percent((count or 0) / of, of)})" if of else ""
    return f"{count} of {of}{share}"


def _estimate(e: EstimateLike, *, share: bool = False) -> tuple[str, str]:
    if isinstance(e, NotAvailable):
        return "—", e.reason
    n = e.n.arm(str(e.contrast)).cases or e.n.cases
    level = f"{100 * e.interval.level:g}{chr(0x2009)}%"
    if share:
        return percent(e.estimate, n), f"{percent_interval(e.interval.low, e.interval.high, n)} ({level})"
    places = 2 if e.unit == "ratio" else 1
    return decimal(e.estimate, places), f"{interval(e.interval.low, e.interval.high, places)} ({level})"


def shares_table(results: StudyResults) -> Table:
    """Numb by the target and never numb, per arm and as difference."""
    protocol, population = results.protocol, results.overall
    target, horizon = protocol.onset.target_min, protocol.onset.horizon_min
    rows = []
    for label, arms, difference in (
        (f"Numb by {target:g} min", population.success, population.success_difference),
        (f"Not numb in {horizon:g} min", population.never_numb, population.never_numb_difference),
    ):
        for code, e in zip(protocol.arm_codes, arms, strict=False):
            cases = population.n.arm(code).cases
            seen = "" if isinstance(e, NotAvailable) else f"{e.n.arm(code).onsets} of {cases}"
            rows.append((f"{label}, {protocol.label(code)}", seen, *_estimate(e, share=True)))
        value, span = _estimate(difference, share=True)
        rows.append((f"{label}, difference (points)", "", value.replace("%", "").strip(), span))
    return Table(
        caption="Shares with their intervals; the first injection alone.",
        columns=("", "decided by a test", "share", "interval"),
        rows=tuple(rows),
        align="lrrr",
        notes=(
            "“Decided by a test”: cases that a test found numb (or not numb) by that minute. Cases whose gap between "
            "two tests spans the minute count with the share that the whole curve gives them: the shares differ.",
        ),
    )


def stopwatch_table(results: StudyResults) -> Table:
    """The stopwatch answer beside the right one."""
    protocol, population = results.protocol, results.overall
    rows = []
    for (arm, mean, used, left_out), wait in zip(population.naive.means, population.wait, strict=False):
        right, span = _estimate(wait)
        rows.append(
            (protocol.label(arm), "—" if mean is None else decimal(mean), f"{used}", f"{left_out}", right, span)
        )
    naive = population.naive.difference
    right, span = _estimate(population.wait_difference)
    rows.append(("difference", "—" if naive is None else decimal(naive), "", "", right, span))
    return Table(
        caption=f"Minutes: the stopwatch average, and the mean wait of all cases up to {protocol.onset.horizon_min:g}.",
        columns=("", "stopwatch average", "cases used", "cases left out", "mean wait", "interval"),
        rows=tuple(rows),
        align="lrrrrr",
        notes=(population.naive.text,),
    )


def periods_table(results: StudyResults) -> Table:
    """Quarter by quarter, and all to date."""
    protocol = results.protocol
    rows = []
    for population in (*results.by_quarter, results.overall):
        cells = [_estimate(e, share=True)[0] for e in population.success]
        wait = population.wait_difference
        saved = "—" if isinstance(wait, NotAvailable) else decimal(-wait.estimate)
        span = wait.reason if isinstance(wait, NotAvailable) else interval(-wait.interval.high, -wait.interval.low)
        sizes = [f"{population.n.arm(code).cases}" for code in protocol.arm_codes]
        name = "All to date" if population.dimension == "overall" else population.level
        rows.append((name, *sizes, *cells, saved, span))
    arms = _arms(results)
    return Table(
        caption=f"Quarter by quarter: cases, share numb by {protocol.onset.target_min:g} min, minutes saved.",
        columns=("", *(f"cases, {a}" for a in arms), *(f"numb, {a}" for a in arms), "min saved", "interval"),
        rows=tuple(rows),
        align="l" + "r" * (2 * len(arms) + 2),
    )


def numbers_table(population: Population, caption: str) -> Table:
    """Every estimate of a set of cases, for the statistician."""
    rows = []
    frame = population.to_frame()
    for row in frame.itertuples():
        missing = row.estimate is None or row.estimate != row.estimate
        places = 2 if row.unit in ("min", "mm", "points") else 3
        ends = row.conf_low is not None and row.conf_low == row.conf_low
        rows.append(
            (
                str(row.quantity).replace("_", " "),
                str(row.contrast or ""),
                "—" if missing else decimal(float(row.estimate), places),
                f"{interval(float(row.conf_low), float(row.conf_high), places)}" if ends else "",
                p_text(float(row.p_value)) if row.p_value is not None and row.p_value == row.p_value else "",
                str(row.unit).replace("proportion", "share"),
            )
        )
    return Table(
        caption=caption,
        columns=("quantity", "of", "estimate", "interval", "p", "unit"),
        rows=tuple(rows),
        align="llrrrl",
    )


def notices_table(results: StudyResults) -> Table | None:
    """What was refused, queried and read although unusual, and how the testing went."""
    quality = results.data_quality
    rows = [
        *((f"refused: {n.text}", f"{n.count}") for n in quality.refused),
        *((f"to look at: {n.text}", f"{n.count}") for n in quality.queried),
        *((f"read: {n.text}", f"{n.count}") for n in quality.repaired),
        *((n.text, f"{n.count}") for n in quality.testing),
    ]
    if not rows:
        return None
    return Table(caption="What was noticed in the records.", columns=("", "times"), rows=tuple(rows), align="lr")


def reasons_table(results: StudyResults) -> Table:
    """How each case's interval came about."""
    rows = [
        (text, *(f"{count}" for count in counts))
        for _, text, counts in results.data_quality.onset_reasons
        if sum(counts)
    ]
    return Table(
        caption="How onset was derived.",
        columns=("", *_arms(results)),
        rows=tuple(rows),
        align="l" + "r" * len(_arms(results)),
    )


def assumptions_table(results: StudyResults) -> Table:
    """What the results rest on."""
    seen: dict[str, tuple[str, str]] = {}
    population = results.overall
    for result in (
        population.hazard_ratio,
        population.onset_test,
        population.wait_difference,
        population.success_difference,
        population.pain,
    ):
        for assumption in result.assumptions:
            seen.setdefault(assumption.name.replace("_", " "), (assumption.status, assumption.detail))
    rows = tuple((name, status, detail) for name, (status, detail) in sorted(seen.items()))
    return Table(caption="Assumptions.", columns=("assumption", "state", "what it says"), rows=rows, align="lll")


def certificate_table(results: StudyResults) -> Table:
    """Proof that the curves are at their optimum."""
    rows = []
    for curve in results.overall.curves:
        if isinstance(curve.curve, NotAvailable):
            continue
        c = curve.curve.certificate
        gap = "below 1e-12" if c.gap < 1e-12 else f"{c.gap:.1e}"
        undecided = int((curve.curve.determined < 0.5).sum())
        rows.append(
            (results.protocol.label(curve.arm), gap, f"{c.tolerance:.0e}", f"{curve.curve.mass.size}", f"{undecided}")
        )
    return Table(
        caption="Onset curves: Kuhn–Tucker gap relative to the number of cases.",
        columns=("curve", "gap", "at most", "intervals with mass", "masses not unique"),
        rows=tuple(rows),
        align="lrrrr",
    )
