"""Whether it goes on as well as it used to."""

from __future__ import annotations

from onsetstudy.protocol.model import Protocol
from onsetstudy.report.cells import two_cells
from onsetstudy.report.document import Figure, Section, Table, notes_of
from onsetstudy.report.figures import watching
from onsetstudy.report.figures.canvas import look_of
from onsetstudy.report.numbers import capital, counted, decimal, level, percent, percent_interval
from onsetstudy.watch.results import Chart, Watch

FAILURES = {"by_target": "not numb by {target:g} min", "never_numb": "not numb in {horizon:g} min"}


def watch_section(watch: Watch | None, protocol: Protocol) -> Section | None:
    """Signals in words, charts, waits of consecutive cases, operators."""
    if watch is None:
        return None
    charts = {failure: [c for c in watch.charts if c.failure == failure] for failure in FAILURES}
    return Section.of(
        "watch",
        "Whether it goes on as well as before",
        _said(watch, protocol),
        (_chart(found, failure, watch, protocol) for failure, found in charts.items() if found),
        Table.of(
            f"Restricted mean time to onset of consecutive {protocol.label(watch.arm)} cases, "
            f"up to {protocol.onset.tau_min:g} min",
            ("cases", "minutes", f"{level(protocol.plan.conf_level)} interval"),
            [(f"{window.first} to {window.last}", *two_cells(window.wait)) for window in watch.windows],
            "Neighbouring lines differ by chance alone; look for a drift over several.",
        ),
        _operators(watch, protocol) if len(watch.operators) > 1 else None,
        notes_of(watch.caution),
    )


def _failure(code: str, protocol: Protocol) -> str:
    return FAILURES[code].format(target=protocol.onset.target_min, horizon=protocol.onset.tau_min)


def _said(watch: Watch, protocol: Protocol) -> str:
    label = protocol.label(watch.arm)
    if not watch.charts:
        cases = watch.baseline_cases + watch.watched_cases
        return f"{counted(cases, label + ' case')} {'does' if cases == 1 else 'do'} not make a chart yet."
    told = []
    for chart in watch.charts:
        for signal in chart.signals[-1:]:
            more = "more" if chart.direction == "worse" else "less"
            at, what = watch.baseline_cases + signal.case, _failure(chart.failure, protocol)
            told.append(
                f"Signal at {label} case {at}: the last {counted(signal.cases, 'case')} were {what} "
                f"{more} often than in the past ({signal.failures}, where {decimal(signal.expected)} would be usual)."
            )
    if not told:
        return (
            f"No signal in the {counted(watch.watched_cases, label + ' case')} watched: failures came about as often "
            "as in the past, or the change is smaller than the charts look for."
        )
    return f"{' '.join(told)} A signal is a reason to look for a cause, not a proof of one; false alarms happen."


def _chart(charts: list[Chart], failure: str, watch: Watch, protocol: Protocol) -> Figure:
    name = _failure(failure, protocol)
    lengths = charts[0].run_length
    odds = max(charts[0].odds_ratio, 1 / charts[0].odds_ratio)
    when = " and ".join(f"{c.run_length.when_changed:.0f} for the {c.direction}" for c in charts)
    caption = (
        f"The line climbs with every tooth that is {name} against what is usual for its technique, and sinks with "
        f"every other tooth; it turns at 0. Tuned to odds {odds:g} times as high or as low. False alarms: one in "
        f"{lengths.average:.0f} cases on average. After such a change a signal comes in cases, on average: {when}."
    )
    if watch.baseline_cases:
        caption += " That holds if the first cases show what is usual; if chance played in them, it may take long."
    if left_out := dict(watch.undecided).get(failure, 0):
        caption += f" Cases are numbered without {left_out} of which no test says whether they were {name}."
    look = look_of(watch.arm, protocol.arm_codes)
    drawing = watching.draw_figure(charts, failure=name, look=look, first=watch.baseline_cases)
    return drawing.titled(f"watch-{failure.replace('_', '-')}", f"Are more teeth {name} than before?", caption)


def _operators(watch: Watch, protocol: Protocol) -> Table:
    rows = [
        (o.code, f"{o.failures} of {o.cases}", percent(o.shrunken, o.cases), percent_interval(o.low, o.high, o.cases))
        for o in watch.operators
    ]
    return Table.of(
        capital(f"{protocol.label(watch.arm)} teeth {_failure('by_target', protocol)}, by operator"),
        ("operator", "counted", "drawn to the whole", f"{level(protocol.plan.conf_level)} interval"),
        rows,
        "In the order of the codes; this is not a ranking, and cases differ between operators. Small numbers are "
        "drawn to the proportion of all by as much as chance explains.",
    )
