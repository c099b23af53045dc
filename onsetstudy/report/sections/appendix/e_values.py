"""What may be said whenever one looks."""

from __future__ import annotations

from onsetstudy.protocol.model import Protocol
from onsetstudy.report.document import Block, Paragraph, Section, Table, note
from onsetstudy.report.numbers import capital, counted, decimal, interval, level, tidy
from onsetstudy.study.results import AnytimeTaken
from onsetstudy.survival.sequential.results import AnytimeTest

__all__ = ["anytime_first_page", "anytime_section", "anytime_words"]


def anytime_words(taken: AnytimeTaken, protocol: Protocol) -> str:
    """The verdict in plain words."""
    if taken.test is None:
        return taken.caution[0].text
    if taken.crossed_at is not None:
        return (
            f"Boundary crossed after {counted(taken.crossed_at, 'case')}: {_sooner(taken.test, protocol)}. That holds "
            "however often one has looked and whenever one stops."
        )
    return (
        f"Continue: the evidence stands at {_e(taken.test.e_value)} to 1 and a difference may be claimed from "
        f"{1 / taken.alpha:.0f} to 1 on. One may analyse again after every case."
    )


def anytime_first_page(taken: AnytimeTaken, protocol: Protocol) -> str:
    """The verdict for a reader in a hurry: no odds of evidence; those stand in the section."""
    if taken.test is None:
        return taken.caution[0].text
    if taken.crossed_at is None:
        return (
            "The evidence is not strong enough yet to say that either arm is numb sooner. One may analyse again after "
            "every case."
        )
    return (
        f"After {counted(taken.crossed_at, 'case')} the evidence was strong enough, however often one has looked: "
        f"{_sooner(taken.test, protocol)}."
    )


def _sooner(test: AnytimeTest, protocol: Protocol) -> str:
    other, reference = protocol.label(protocol.contrast_arm), protocol.label(protocol.reference_arm)
    return f"{other} teeth were numb {'sooner' if test.leaning > 1 else 'later'} than {reference} ones"


def _e(value: float) -> str:
    return decimal(value, 2) if value < 100 else f"{value:.3g}"


def anytime_section(taken: AnytimeTaken | None, protocol: Protocol) -> Section | None:
    """Evidence and limits by quarter; nothing where the protocol does not ask for it."""
    if taken is None:
        return None
    blocks: list[Block] = [Paragraph(text=anytime_words(taken, protocol))]
    cautions = taken.caution if taken.test is not None else ()
    if taken.test is not None and taken.success is not None:
        limits = f"success, percentage points, {level(1 - taken.alpha)} limits at all times"
        blocks.append(
            Table.of(
                "Evidence by quarter",
                ("analysis", "cases", "evidence, to 1", "highest so far", limits),
                [
                    (x.label, f"{x.cases}", _e(x.e_value), _e(x.highest), interval(100 * x.low, 100 * x.high, 0))
                    for x in taken.looks
                ],
                f"{capital(taken.test.method)}; {taken.success.method}. No limits of this kind are given for the "
                "hazard ratio: they would need the true curve, which nobody knows.",
            )
        )
        cautions += taken.success.caution
    blocks += [note(tidy(text)) for text in dict.fromkeys(c.text for c in cautions)]
    return Section.of("anytime", "What may be said at any time", *blocks)
