"""Keys of a protocol file that are right alone but not together."""

from __future__ import annotations

import copy
import itertools
from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import ValidationError

from onsetstudy.protocol.layout import AllocationTable, ProtocolFile
from onsetstudy.protocol.model import MILD, Quarter
from onsetstudy.protocol.vocabulary import SCALES

__all__ = ["Contradiction", "contradictions", "contradictions_beside"]

Contradiction = tuple[str, str, str]
"""Key, what is wrong, and how to correct it."""
STAND_INS: dict[str, dict[str, Any]] = {
    "study": {
        "id": "x",
        "title": "x",
        "question": "x",
        "design": "parallel",
        "allocation": "randomised",
        "ethics_status": "x",
    },
    "testing": {"reference_arm": "plain", "schedule_min": [1.0, 2.0], "tooth_notation": "iso3950"},
    "onset": {"tau_min": 1.0},
    "analysis": {"primary": "rmst_difference", "seed": 0},
    "report": {"quarters": ["2000Q1"]},
}
"""Values in place of required keys that are missing, only to look at the other tables meanwhile."""
HARMLESS = (
    "testing.tooth_notation",
    "analysis.seed",
    "study.id",
    "study.title",
    "study.question",
    "study.ethics_status",
)
"""Keys that contradict no other."""
TOGETHER: dict[str, set[str]] = {
    "testing": {"testing", "arms"},
    "onset": {"onset", "testing"},
    "arms": {"arms"},
    "report": {"report"},
    "analysis": {"analysis", "onset", "pain", "anxiety"},
    "pain": {"pain"},
    "planning": {"planning"},
    "anxiety": {"anxiety"},
    "study": {"study"},
    "looks": {"looks"},
    "allocation": {"allocation", "study", "arms"},
    "adoption": {"adoption", "pain"},
}
"""Tables that a contradiction told at a table looks at."""


TREATMENT = "treatment_success_difference"
ADOPTION = ("net_min", "pain_margin", "not_numb_margin", "stopping_harms")


def _mixing(read: ProtocolFile) -> Iterator[Contradiction]:
    """An arm that is mixed otherwise than its code says."""
    for place, arm in enumerate(read.arms, start=1):
        if arm.code == "plain" and arm.mix_mode in ("add", "replace"):
            yield (
                f"arms.{place}.mix_mode",
                "the arm plain is not mixed with bicarbonate",
                'write "none", or leave it out',
            )
        if arm.code == "buffered" and arm.mix_mode == "none":
            mend = 'write "add" (on top of the cartridge) or "replace" (in place of the same volume), or leave it out'
            yield f"arms.{place}.mix_mode", "the arm buffered is mixed with bicarbonate", mend


def contradictions(read: ProtocolFile) -> Iterator[Contradiction]:
    """Keys that are right alone but not together: (key, what, mend)."""
    yield from _adoption(read)
    schedule = read.testing.schedule_min
    if any(later <= earlier for earlier, later in itertools.pairwise(schedule)):
        yield "testing.schedule_min", "the test minutes do not increase", "write every minute once, in order"
    gap = min((later - earlier for earlier, later in itertools.pairwise((0.0, *schedule))), default=0.0)
    if read.testing.window_min is not None and 0 < gap < 2 * read.testing.window_min:
        yield (
            "testing.window_min",
            f"a window of {read.testing.window_min:g} min reaches from one planned test into the next, {gap:g} min "
            "away",
            f"write at most {gap / 2:g}, so that every test belongs to one planned minute",
        )
    if read.onset.target_min > read.onset.tau_min:
        yield (
            "onset.target_min",
            f"the target of {read.onset.target_min:g} min lies beyond the horizon of {read.onset.tau_min:g} min",
            "write a target no later than the horizon",
        )
    if read.onset.tau_min > max(schedule):
        yield (
            "onset.tau_min",
            f"the horizon of {read.onset.tau_min:g} min lies beyond the last test at {max(schedule):g} min",
            "write a horizon no later than the last test, or test longer",
        )
    if read.onset.target_min < min(schedule):
        yield (
            "onset.target_min",
            f"the target of {read.onset.target_min:g} min lies before the first test at {min(schedule):g} min",
            "test at or before the target minute",
        )
    if read.onset.confirmations > len(schedule):
        yield (
            "onset.confirmations",
            f"{read.onset.confirmations} confirmations cannot be had from {len(schedule)} tests",
            "ask for fewer confirmations, or test more often",
        )
    else:
        confirmable = schedule[-read.onset.confirmations]
        if confirmable < read.onset.tau_min <= max(schedule):
            yield (
                "onset.tau_min",
                f"an onset at the horizon of {read.onset.tau_min:g} min cannot be confirmed: with "
                f"{read.onset.confirmations} confirmations the last onset that can is at {confirmable:g} min",
                "test once more after the horizon, or write an earlier horizon",
            )
    codes = [arm.code for arm in read.arms]
    if len(set(codes)) < len(codes):
        yield "arms", "two arms have the same code", "give every arm its own code"
    yield from _mixing(read)
    if read.testing.reference_arm not in codes:
        yield (
            "testing.reference_arm",
            f"{read.testing.reference_arm} is not one of the arms",
            f"write one of {', '.join(codes)}",
        )
    yield from _wider_contradictions(read)


def _wider_contradictions(read: ProtocolFile) -> Iterator[Contradiction]:
    quarters = [Quarter(label=label) for label in read.report.quarters]
    if any(later.label != earlier.next().label for earlier, later in itertools.pairwise(quarters)):
        yield "report.quarters", "the quarters do not follow one another", "write every quarter once, in order, no gap"
    if read.pain is None and read.analysis.primary == "pain_difference":
        yield "analysis.primary", "pain is primary but there is no table [pain]", "add the table, or choose another"
    yield from _treatment_contradictions(read)
    for name, table in (("pain", read.pain), ("anxiety", read.anxiety)):
        if table is None or table.important_difference is None:
            continue
        low, high, unit = SCALES[table.scale]
        if table.important_difference >= high - low:
            yield (
                f"{name}.important_difference",
                f"a difference of {table.important_difference:g} is more than {table.scale} can show",
                f"write less than {high - low:g} {unit}",
            )
    if read.analysis.planned_hazard_ratio == 1:
        yield "analysis.planned_hazard_ratio", "a ratio of 1 is no effect", "write the effect to be found, such as 1.5"
    if read.study.design == "audit" and read.study.allocation == "randomised":
        yield (
            "study.allocation",
            "an audit does not randomise",
            'write design = "parallel" for a randomised study, or how arms came about',
        )
    for name in ("strata", "covariates", "sensitivity", "secondary", "estimate_strata"):
        values = getattr(read.analysis, name)
        if len(set(values)) < len(values):
            yield f"analysis.{name}", "an entry stands there twice", "write every entry once"
    yield from _rule_contradictions(read)


def _treatment_contradictions(read: ProtocolFile) -> Iterator[Contradiction]:
    """Whether a treatment succeeded is asked only where it can be told, and planned with two shares or none."""
    asked = TREATMENT in (read.analysis.primary, *read.analysis.secondary)
    said = read.pain is not None and (read.pain.mild_at_most is not None or read.pain.scale in MILD)
    if asked and not said:
        yield (
            "pain.mild_at_most",
            "treatment success is asked for, and nothing says which pain is mild",
            "add the table [pain] with mild_at_most, the highest score of the scale that counts as mild",
        )
    planned = read.planning
    if planned is None:
        return
    shares = (planned.treated_reference, planned.treated_other)
    if (shares[0] is None) != (shares[1] is None):
        what = "the share of successful treatments is expected in one arm only"
        yield "planning.treated_other", what, "write treated_reference and treated_other, or neither"
    elif shares[0] is not None and shares[0] == shares[1]:
        yield "planning.treated_other", "the same share in both arms is no effect", "write the share to be found"


def _rule_contradictions(read: ProtocolFile) -> Iterator[Contradiction]:
    """Contradictions of the tables that may be left out."""
    if read.analysis.primary in read.analysis.secondary:
        yield (
            "analysis.secondary",
            f"{read.analysis.primary} is the primary outcome",
            "take it out of the secondary ones",
        )
    for name, table, needed in (
        ("pain", read.pain, ("pain_difference", "painless_share")),
        ("anxiety", read.anxiety, ("anxiety_change",)),
    ):
        if table is None and (missing := [s for s in read.analysis.secondary if s in needed]):
            yield (
                "analysis.secondary",
                f"{missing[0]} needs the table [{name}]",
                "add the table, or take the outcome out",
            )
    if read.pain is not None and read.pain.painless_at_most > SCALES[read.pain.scale][1]:
        yield "pain.painless_at_most", "no score is as high as this", "write the highest score that counts as no pain"
    mild = None if read.pain is None else read.pain.mild_at_most
    if read.pain is not None and mild is not None:
        low, high = read.pain.painless_at_most, SCALES[read.pain.scale][1]
        if not low <= mild < high:
            what = "mild pain is at least as much as none, and less than the worst"
            yield "pain.mild_at_most", what, "write the highest score that counts as mild"
    if read.looks is not None and read.looks.futility != "none" and read.looks.boundary in ("anytime", "none"):
        yield "looks.futility", "a futility rule needs a boundary by spending", 'write futility = "none"'
    if (rule := read.allocation) is None:
        return
    if read.study.allocation != "randomised":
        yield (
            "allocation",
            f"arms are not randomised here but come about by {read.study.allocation}",
            'take the table [allocation] out, or write allocation = "randomised" under [study]',
        )
    paired = read.study.design in ("crossover", "split_mouth")
    if paired != (rule.method == "paired"):
        mend = 'write method = "paired"' if paired else 'write method = "permuted_blocks" or "minimisation"'
        yield "allocation.method", f"{rule.method} does not belong to the design {read.study.design}", mend
    if rule.washout_days and not paired:
        mend = "take washout_days out; each patient has one injection here"
        yield "allocation.washout_days", f"there is no second injection in the design {read.study.design}", mend
    if rule.ratio and len(rule.ratio) != len(read.arms):
        yield (
            "allocation.ratio",
            f"{len(rule.ratio)} numbers for {len(read.arms)} arms",
            "write one number for each arm",
        )
    parts = sum(rule.ratio) if rule.ratio else len(read.arms)
    if rule.block_sizes_digest:
        yield from _hidden_sizes(rule)
    elif odd := [size for size in rule.block_sizes if size % parts]:
        yield (
            "allocation.block_sizes",
            f"a block of {odd[0]} cannot hold the arms in their ratio",
            f"use multiples of {parts}",
        )


def _hidden_sizes(rule: AllocationTable) -> Iterator[Contradiction]:
    if "block_sizes" in rule.model_fields_set:
        yield "allocation.block_sizes", "the sizes are stated, and kept back as well", "take block_sizes out"
    if rule.method == "minimisation":
        yield "allocation.block_sizes_digest", "minimisation has no blocks", "take block_sizes_digest out"


def contradictions_beside(content: Mapping[str, Any], error: ValidationError) -> list[Contradiction]:
    """Contradictions among the tables in which no key is at fault, so that nothing has to be corrected in rounds.

    Keys at fault are left out, and the required ones of :data:`STAND_INS` stand in for those that are missing; what is
    said of a table that holds one of them is not told.
    """
    tables: dict[str, Any] = copy.deepcopy(dict(content))
    doubtful = set()
    for detail in error.errors():
        location = [part for part in detail["loc"] if part != "[key]"]
        if (
            detail["type"] not in ("extra_forbidden", "unexpected_keyword_argument")
            and ".".join(map(str, location)) not in HARMLESS
        ):
            doubtful.add(str(location[0]))
        _take_out(tables, location)
    tables.setdefault("arms", [{"code": code, "label": code} for code in ("plain", "buffered")])
    for table, keys in STAND_INS.items():
        given = tables.setdefault(table, {})
        if isinstance(given, dict):
            tables[table] = {**keys, **given}
    try:
        read = ProtocolFile.model_validate(tables)
    except ValidationError:
        return []
    return [
        (key, what, mend) for key, what, mend in contradictions(read) if not doubtful & TOGETHER[key.partition(".")[0]]
    ]


def _adoption(read: ProtocolFile) -> Iterator[Contradiction]:
    """A rule of adoption is whole, or says why there is none."""
    rule = read.adoption
    if rule is None:
        return
    parts = {name: getattr(rule, name) for name in ADOPTION}
    missing = [name for name, value in parts.items() if value is None]
    if rule.none_because is not None and len(missing) < len(parts):
        yield "adoption.none_because", "a rule stands beside the reason why there is none", "leave one of them out"
    elif rule.none_because is None and missing:
        wanted = f"declare {', '.join(missing)}, or say why there is no rule with none_because"
        yield "adoption", f"the rule of adoption lacks {', '.join(missing)}", wanted
    elif rule.pain_margin is not None and read.pain is None:
        yield "adoption.pain_margin", "the rule looks at pain, which this protocol does not ask for", "add [pain]"


def _take_out(tables: Any, location: list[int | str]) -> None:
    """Take the value at a location out, where there is one; an entry of a list takes its list along."""
    for place, part in enumerate(location):
        inside = isinstance(tables, dict) and part in tables
        last = place + 1 == len(location)
        if inside and (last or isinstance(location[place + 1], int)):
            del tables[part]
            return
        if not inside:
            return
        tables = tables[part]
