"""Keys of a protocol file that are right alone but not together."""

from __future__ import annotations

import copy
import itertools
import math
from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import ValidationError

from onsetstudy.protocol.layout import ProtocolFile
from onsetstudy.protocol.model import AllocationRule, LookRule, Quarter
from onsetstudy.protocol.vocabulary import MILD, PAIRED, SCALES

Contradiction = tuple[str, str, str]
"""Key, what is wrong, and how to correct it."""
STAND_INS: dict[str, dict[str, Any]] = {
    "study": {
        **dict.fromkeys(("id", "title", "question", "ethics_status"), "x"),
        "design": "parallel",
        "allocation": "randomised",
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
TOGETHER = {
    "testing": {"arms"},
    "onset": {"testing"},
    "analysis": {"onset", "pain", "anxiety"},
    "looks": {"analysis"},
    "allocation": {"study", "arms"},
    "adoption": {"pain"},
}
"""Tables that a contradiction told at a table looks at besides that table."""


TREATMENT = "treatment_success_difference"
ADOPTION = ("net_min", "pain_margin", "not_numb_margin", "stopping_harms")


def contradictions(read: ProtocolFile) -> Iterator[Contradiction]:
    """Keys that are right alone but not together: (key, what, mend)."""
    for told in (_adoption, _tests, _arms, _outcomes, _treatment, _differences, _plan, _secondary, _pain):
        yield from told(read)
    if read.looks is not None:
        yield from _looks(read.looks, read.analysis.conf_level)
    if read.allocation is not None:
        yield from _allocation(read, read.allocation)


def _looks(rule: LookRule, level: float) -> Iterator[Contradiction]:
    """Rules of interim analyses that need another one, and an error rate that the limits do not share."""
    spends = rule.boundary not in ("anytime", "none")
    if rule.futility != "none" and not spends:
        yield "looks.futility", "a futility rule needs a boundary by spending", 'write futility = "none"'
    if rule.sided == 1 and not spends:
        mend = 'write sided = 2, or a boundary by spending: "obrien_fleming", "pocock" or "power"'
        yield "looks.sided", f'one side needs a boundary by spending, and "{rule.boundary}" has two sides', mend
    fits = any(math.isclose(level, 1 - times * rule.alpha) for times in range(1, 4 - rule.sided if spends else 2))
    if rule.boundary != "none" and not fits:
        what = f"looks that err in {rule.alpha:g} do not belong to limits of conf_level {level:g}"
        mend = f"write alpha = {1 - level:.6g}, or conf_level = {1 - rule.alpha:g} under [analysis]"
        yield "looks.alpha", what, mend


def _tests(read: ProtocolFile) -> Iterator[Contradiction]:
    """Test minutes against their window, the target, the horizon and the confirmations."""
    schedule, window, onset = read.testing.schedule_min, read.testing.window_min, read.onset
    first, last, target, tau = min(schedule), max(schedule), onset.target_min, onset.tau_min
    gap = min(later - earlier for earlier, later in itertools.pairwise((0.0, *schedule)))
    if gap <= 0:
        yield "testing.schedule_min", "the test minutes do not increase", "write every minute once, in order"
    if window is not None and 0 < gap < 2 * window:
        what = f"a window of {window:g} min reaches from one planned test into the next, {gap:g} min away"
        yield "testing.window_min", what, f"write at most {gap / 2:g}, so that every test belongs to one planned minute"
    if target > tau:
        what = f"the target of {target:g} min lies beyond the horizon of {tau:g} min"
        yield "onset.target_min", what, "write a target no later than the horizon"
    if tau > last:
        what = f"the horizon of {tau:g} min lies beyond the last test at {last:g} min"
        yield "onset.tau_min", what, "write a horizon no later than the last test, or test longer"
    if target < first:
        what = f"the target of {target:g} min lies before the first test at {first:g} min"
        yield "onset.target_min", what, "test at or before the target minute"
    if onset.confirmations > len(schedule):
        what = f"{onset.confirmations} confirmations cannot be had from {len(schedule)} tests"
        yield "onset.confirmations", what, "ask for fewer confirmations, or test more often"
    elif (confirmable := schedule[-onset.confirmations]) < tau <= last:
        what = (
            f"an onset at the horizon of {tau:g} min cannot be confirmed: with {onset.confirmations} confirmations the "
            f"last onset that can is at {confirmable:g} min"
        )
        yield "onset.tau_min", what, "test once more after the horizon, or write an earlier horizon"


def _arms(read: ProtocolFile) -> Iterator[Contradiction]:
    """Codes that stand twice, arms that are mixed otherwise than their code says, a reference that is no arm."""
    codes = [arm.code for arm in read.arms]
    if len(set(codes)) < len(codes):
        yield "arms", "two arms have the same code", "give every arm its own code"
    for place, arm in enumerate(read.arms, start=1):
        key, what = f"arms.{place}.mix_mode", f"the arm {arm.code} is"
        if arm.code == "plain" and arm.mix_mode in ("add", "replace"):
            yield key, f"{what} not mixed with bicarbonate", 'write "none", or leave it out'
        if arm.code == "buffered" and arm.mix_mode == "none":
            mend = 'write "add" (on top of the cartridge) or "replace" (in place of the same volume), or leave it out'
            yield key, f"{what} mixed with bicarbonate", mend
    if (reference := read.testing.reference_arm) not in codes:
        yield "testing.reference_arm", f"{reference} is not one of the arms", f"write one of {', '.join(codes)}"


def _outcomes(read: ProtocolFile) -> Iterator[Contradiction]:
    quarters = [Quarter(label=label) for label in read.report.quarters]
    if any(later.label != earlier.next().label for earlier, later in itertools.pairwise(quarters)):
        yield "report.quarters", "the quarters do not follow one another", "write every quarter once, in order, no gap"
    if read.pain is None and read.analysis.primary == "pain_difference":
        yield "analysis.primary", "pain is primary but there is no table [pain]", "add the table, or choose another"


def _treatment(read: ProtocolFile) -> Iterator[Contradiction]:
    """Whether a treatment succeeded is asked only where it can be told, and planned with two shares or none."""
    asked = TREATMENT in (read.analysis.primary, *read.analysis.secondary)
    said = read.pain is not None and (read.pain.mild_at_most is not None or read.pain.scale in MILD)
    if asked and not said:
        what = "treatment success is asked for, and nothing says which pain is mild"
        mend = "add the table [pain] with mild_at_most, the highest score of the scale that counts as mild"
        yield "pain.mild_at_most", what, mend
    if (planned := read.planning) is None:
        return
    shares = (planned.treated_reference, planned.treated_other)
    if (shares[0] is None) != (shares[1] is None):
        what = "the share of successful treatments is expected in one arm only"
        yield "planning.treated_other", what, "write treated_reference and treated_other, or neither"
    elif shares[0] is not None and shares[0] == shares[1]:
        yield "planning.treated_other", "the same share in both arms is no effect", "write the share to be found"


def _differences(read: ProtocolFile) -> Iterator[Contradiction]:
    """Differences that their scale has no room for."""
    for name, table in (("pain", read.pain), ("anxiety", read.anxiety)):
        if table is None:
            continue
        low, high, unit = SCALES[table.scale]
        told = {f"{name}.important_difference": table.important_difference}
        if name == "pain" and read.adoption is not None:
            told["adoption.pain_margin"] = read.adoption.pain_margin
        for key, difference in told.items():
            if difference is not None and difference >= high - low:
                what = f"a difference of {difference:g} is more than {table.scale} can show"
                yield key, what, f"write less than {high - low:g} {unit}"


def _plan(read: ProtocolFile) -> Iterator[Contradiction]:
    plan = read.analysis
    if plan.planned_hazard_ratio == 1:
        yield "analysis.planned_hazard_ratio", "a ratio of 1 is no effect", "write the effect to be found, such as 1.5"
    if read.study.design == "audit" and read.study.allocation == "randomised":
        mend = 'write design = "parallel" for a randomised study, or how arms came about'
        yield "study.allocation", "an audit does not randomise", mend
    known = [code.casefold() for code in read.study.practices]
    if len(set(known)) < len(known):
        what = "two practices have one code, as capitals do not tell codes apart"
        yield "study.practices", what, "give every practice its own code, and write it once"
    if both := [name for name in plan.covariates if name in plan.strata]:
        yield "analysis.covariates", f"{both[0]} is one of the strata already", "take it out of the covariates"
    for name in ("strata", "covariates", "sensitivity", "secondary", "estimate_strata"):
        values = getattr(plan, name)
        if len(set(values)) < len(values):
            yield f"analysis.{name}", "an entry stands there twice", "write every entry once"


def _secondary(read: ProtocolFile) -> Iterator[Contradiction]:
    """Secondary outcomes beside the primary one, and the tables that they need."""
    key, plan = "analysis.secondary", read.analysis
    if plan.primary in plan.secondary:
        yield key, f"{plan.primary} is the primary outcome", "take it out of the secondary ones"
    needed = {"pain": ("pain_difference", "painless_share"), "anxiety": ("anxiety_change",)}
    for name, outcomes in needed.items():
        if getattr(read, name) is None and (missing := [s for s in plan.secondary if s in outcomes]):
            yield key, f"{missing[0]} needs the table [{name}]", "add the table, or take the outcome out"


def _pain(read: ProtocolFile) -> Iterator[Contradiction]:
    """The scores that count as no and as mild pain, against their scale."""
    if (pain := read.pain) is None:
        return
    highest = SCALES[pain.scale][1]
    if pain.painless_at_most > highest:
        yield "pain.painless_at_most", "no score is as high as this", "write the highest score that counts as no pain"
    if pain.mild_at_most is not None and not pain.painless_at_most <= pain.mild_at_most < highest:
        what = "mild pain is at least as much as none, and less than the worst"
        yield "pain.mild_at_most", what, "write the highest score that counts as mild"


def _allocation(read: ProtocolFile, rule: AllocationRule) -> Iterator[Contradiction]:
    """How arms are allocated, against the design and the arms."""
    design = read.study.design
    if read.study.allocation != "randomised":
        what = f"arms are not randomised here but come about by {read.study.allocation}"
        mend = 'take the table [allocation] out, or write allocation = "randomised" under [study]'
        yield "allocation", what, mend
    paired = design in PAIRED
    if paired != (rule.method == "paired"):
        mend = 'write method = "paired"' if paired else 'write method = "permuted_blocks" or "minimisation"'
        yield "allocation.method", f"{rule.method} does not belong to the design {design}", mend
    if rule.washout_days and not paired:
        mend = "take washout_days out; each patient has one injection here"
        yield "allocation.washout_days", f"there is no second injection in the design {design}", mend
    if rule.ratio and len(rule.ratio) != len(read.arms):
        what = f"{len(rule.ratio)} numbers for {len(read.arms)} arms"
        yield "allocation.ratio", what, "write one number for each arm"
    if paired and len(set(rule.ratio)) > 1:
        yield "allocation.ratio", "each patient has every arm once here", "take ratio out"
    parts = sum(rule.ratio) if rule.ratio else len(read.arms)
    if not rule.block_sizes_digest:
        if odd := [size for size in rule.block_sizes if size % parts]:
            what = f"a block of {odd[0]} cannot hold the arms in their ratio"
            yield "allocation.block_sizes", what, f"use multiples of {parts}"
        return
    if rule.block_sizes:
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
        unknown = detail["type"] in ("extra_forbidden", "unexpected_keyword_argument")
        if not unknown and ".".join(map(str, location)) not in HARMLESS:
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
    tables_of = {table: {table, *TOGETHER.get(table, ())} for table in ProtocolFile.model_fields}
    return [found for found in contradictions(read) if not doubtful & tables_of[found[0].partition(".")[0]]]


def _adoption(read: ProtocolFile) -> Iterator[Contradiction]:
    """A rule of adoption is whole, or says why there is none."""
    if (rule := read.adoption) is None:
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
    *tables_of, key = itertools.takewhile(lambda part: not isinstance(part, int), location)
    for name in tables_of:
        tables = tables.get(name) if isinstance(tables, dict) else None
    if isinstance(tables, dict):
        tables.pop(key, None)
