"""What is told beside the answers: who hurts less, arms in which none was left un-numb, the stopwatch, ends of axes."""

from __future__ import annotations

from onsetstudy.core.results import Estimate, EstimateLike, NotAvailable
from onsetstudy.protocol.model import Protocol
from onsetstudy.report.numbers import (
    counted,
    decimal,
    listed,
    percent,
)
from onsetstudy.study.results import NaiveStopwatch

__all__ = ["none_left", "stopwatch_words", "superiority_words"]


def superiority_words(superiority: EstimateLike, protocol: Protocol) -> str | None:
    """The chance that a case of one arm had less pain than a case of the other."""
    if isinstance(superiority, NotAvailable):
        return None
    low, high = superiority.interval.low, superiority.interval.high
    other = protocol.label(protocol.contrast_arm)
    return (
        f"Take one {other} and one {protocol.label(protocol.reference_arm)} case at random: the {other} one has "
        f"the lower score in {100 * superiority.estimate:.0f} of 100 such pairs ({100 * low:.0f} to {100 * high:.0f}; "
        "equal scores shared half and half; 50 would mean no difference)."
    )


def none_left(never: EstimateLike, protocol: Protocol) -> str | None:
    """What can be said when no case of an arm stayed un-numb."""
    if isinstance(never, NotAvailable) or never.n.onsets > 0 or never.estimate > 0:
        return None
    cases = never.n.arm(str(never.contrast)).cases or never.n.cases
    return (
        f"No {protocol.label(str(never.contrast))} case was left un-numb; with {counted(cases, 'case')} the "
        f"true proportion "
        f"could still be as high as {percent(never.interval.high, cases)}."
    )


def stopwatch_words(naive: NaiveStopwatch, wait: tuple[EstimateLike, ...], protocol: Protocol) -> str:
    """What the average of a stopwatch says, counts and leaves out, beside what is counted here."""
    said = [f"{decimal(mean)} min {protocol.label(arm)}" for arm, mean, _, _ in naive.means if mean is not None]
    average = f"A stopwatch average ({listed(said)}; it has no honest interval)" if said else "A stopwatch average"
    seen = [f"{used} {protocol.label(arm)}" for arm, _, used, _ in naive.means]
    left = [f"{missing} {protocol.label(arm)}" for arm, _, _, missing in naive.means]
    text = (
        f"{average} would count the {listed(seen)} teeth that were seen to go numb, each as late as the test "
        f"that found it, and leave out the {listed(left)} teeth that were not."
    )
    if wait and all(isinstance(e, Estimate) for e in wait):
        text += (
            " The restricted mean time to onset counts every case: onset lies between two tests, and a tooth "
            "that was not numb with the "
            f"first injection alone has waited the whole {protocol.onset.tau_min:g} minutes."
        )
    return text
