"""From the plain content of a protocol file to a checked ``Protocol``, or to every problem at once."""

from __future__ import annotations

import difflib
import hashlib
import itertools
import json
import types
import typing
from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel, ValidationError

from onsetstudy.core.errors import Problem, ProtocolError, Where
from onsetstudy.protocol.layout import ProtocolFile
from onsetstudy.protocol.model import (
    AllocationRule,
    AnalysisPlan,
    Arm,
    ChairTimeRule,
    ClinicLimit,
    Conduct,
    DoseRule,
    Eligibility,
    Instrument,
    LookRule,
    OnsetDefinition,
    PainPlan,
    PlanningAssumptions,
    Protocol,
    Quarter,
    RescueRule,
    Schedule,
    StudyIdentity,
    WatchRule,
)
from onsetstudy.protocol.vocabulary import SCALES

__all__ = ["check_protocol", "content_digest", "normalised_content", "protocol_digest"]


def check_protocol(content: Mapping[str, Any], *, file: str = "") -> Protocol:
    """Protocol described by the content of a file.

    Parameters
    ----------
    content : mapping
        Tables and keys as plain values.
    file : str
        Name of the file, for the messages.

    Returns
    -------
    Protocol

    Raises
    ------
    ProtocolError
        With one problem for every key that is missing, unknown, of the wrong kind, out of range or in
        contradiction with another.
    """
    try:
        read = ProtocolFile.model_validate(dict(content))
    except ValidationError as error:
        raise ProtocolError([_problem(detail, file) for detail in error.errors()]) from None
    problems = [
        Problem(what=what, where=Where(file=file, key=key), mend=mend, code="contradiction")
        for key, what, mend in _contradictions(read)
    ]
    if problems:
        raise ProtocolError(problems)
    return _protocol(read)


def protocol_digest(read: ProtocolFile) -> str:
    """SHA-256 of the content with every default filled in, whatever the order of keys and the spelling of numbers.

    Tables that are left out do not count: a protocol keeps its digest when the package learns new ones.
    """
    return content_digest(_dump(read))


def content_digest(content: Mapping[str, Any]) -> str:
    """SHA-256 of normalised content."""
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def normalised_content(content: Mapping[str, Any]) -> dict[str, Any]:
    """The content of a checked protocol file with every default filled in: what the digest is of."""
    return _dump(ProtocolFile.model_validate(dict(content)))


def _dump(read: ProtocolFile) -> dict[str, Any]:
    return read.model_dump(mode="json", exclude_none=True)


def _key(location: tuple[int | str, ...]) -> str:
    text = ""
    for part in location:
        if part == "[key]":
            continue
        text += f"[{part + 1}]" if isinstance(part, int) else f"{'.' if text else ''}{part}"
    return text


def _shown(value: Any) -> str:
    text = json.dumps(value, default=str, ensure_ascii=False)
    return text if len(text) <= 60 else text[:57] + "…"


def _problem(detail: Any, file: str) -> Problem:
    """One of pydantic's findings in the words of this house."""
    kind, location, value = detail["type"], detail["loc"], detail.get("input")
    context = detail.get("ctx", {})
    where = Where(file=file, key=_key(location))
    if kind == "missing":
        return Problem(what="this key is missing", where=where, mend=_what_belongs(location), code="missing")
    if kind == "extra_forbidden":
        return Problem(what="this key is not known", where=where, mend=_nearest(location), code="unknown_key")
    mend = {
        "string_type": "write a text between quotation marks",
        "string_too_short": "write a text that is not empty",
        "bool_type": "write true or false",
        "int_type": "write a whole number",
        "float_type": "write a number",
        "list_type": "write a list between square brackets",
        "too_short": f"write at least {context.get('min_length')} entries",
        "greater_than": f"write a number above {_number(context.get('gt'))}",
        "greater_than_equal": f"write a number of at least {_number(context.get('ge'))}",
        "less_than": f"write a number below {_number(context.get('lt'))}",
        "less_than_equal": f"write a number of at most {_number(context.get('le'))}",
        "string_pattern_mismatch": _pattern(location),
        "model_type": "write a table of keys",
        "dict_type": "write a table of keys",
        "value_error": str(context.get("error", "")),
    }.get(kind, str(detail["msg"]))
    return Problem(
        what=f"the value {_shown(value)} cannot be used",
        where=where,
        mend=mend,
        value=_shown(value),
        code=kind,
    )


def _number(value: Any) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def _pattern(location: tuple[int | str, ...]) -> str:
    if "quarters" in location:
        return "write a calendar quarter as 2026Q3"
    return "write letters, digits and hyphens only, beginning with a letter or digit, at most 60"


def _table(location: tuple[int | str, ...]) -> type[BaseModel] | None:
    """The model of the table in which a key stands."""
    model: type[BaseModel] | None = ProtocolFile
    for part in location[:-1]:
        if isinstance(part, int) or model is None:
            continue
        field = model.model_fields.get(str(part))
        model = None if field is None else _model_in(field.annotation)
    return model


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    origin = typing.get_origin(annotation)
    if origin in (typing.Union, types.UnionType, list, typing.Annotated):
        return next((found for a in typing.get_args(annotation) if (found := _model_in(a))), None)
    return None


def _nearest(location: tuple[int | str, ...]) -> str:
    model = _table(location)
    if model is None:
        return "leave it out"
    known = list(model.model_fields)
    near = difflib.get_close_matches(str(location[-1]), known, n=1)
    return f"did you mean {near[0]}?" if near else f"leave it out; the keys here are {', '.join(known)}"


def _what_belongs(location: tuple[int | str, ...]) -> str:
    name = str(location[-1])
    if len(location) == 1:
        return f"add the table [{name}]; the protocols that come with this package show what belongs in it"
    return f"add {name} = … to the table [{location[0]}]; the protocols that come with this package explain it"


def _contradictions(read: ProtocolFile) -> Iterator[tuple[str, str, str]]:
    """Keys that are right alone but not together: (key, what, mend)."""
    schedule = read.testing.schedule_min
    if any(later <= earlier for earlier, later in itertools.pairwise(schedule)):
        yield "testing.schedule_min", "the test minutes do not increase", "write every minute once, in order"
    if read.onset.target_min > read.onset.horizon_min:
        yield (
            "onset.target_min",
            f"the target of {read.onset.target_min:g} min lies beyond the horizon of {read.onset.horizon_min:g} min",
            "write a target no later than the horizon",
        )
    if read.onset.horizon_min > max(schedule):
        yield (
            "onset.horizon_min",
            f"the horizon of {read.onset.horizon_min:g} min lies beyond the last test at {max(schedule):g} min",
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
        if confirmable < read.onset.horizon_min <= max(schedule):
            yield (
                "onset.horizon_min",
                f"an onset at the horizon of {read.onset.horizon_min:g} min cannot be confirmed: with "
                f"{read.onset.confirmations} confirmations the last onset that can is at {confirmable:g} min",
                "test once more after the horizon, or write an earlier horizon",
            )
    codes = [arm.code for arm in read.arms]
    if len(set(codes)) < len(codes):
        yield "arms", "two arms have the same code", "give every arm its own code"
    if read.testing.reference_arm not in codes:
        yield (
            "testing.reference_arm",
            f"{read.testing.reference_arm} is not one of the arms",
            f"write one of {', '.join(codes)}",
        )
    yield from _wider_contradictions(read)


def _wider_contradictions(read: ProtocolFile) -> Iterator[tuple[str, str, str]]:
    quarters = [Quarter(label=label) for label in read.report.quarters]
    if any(later.label != earlier.next().label for earlier, later in itertools.pairwise(quarters)):
        yield "report.quarters", "the quarters do not follow one another", "write every quarter once, in order, no gap"
    if read.pain is None and read.analysis.primary == "pain":
        yield "analysis.primary", "pain is primary but there is no table [pain]", "add the table, or choose another"
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
    for name in ("strata", "covariates", "sensitivity", "secondary"):
        values = getattr(read.analysis, name)
        if len(set(values)) < len(values):
            yield f"analysis.{name}", "an entry stands there twice", "write every entry once"
    yield from _rule_contradictions(read)


def _rule_contradictions(read: ProtocolFile) -> Iterator[tuple[str, str, str]]:
    """Contradictions of the tables that may be left out."""
    if read.analysis.primary in read.analysis.secondary:
        yield (
            "analysis.secondary",
            f"{read.analysis.primary} is the primary outcome",
            "take it out of the secondary ones",
        )
    for name, table, needed in (
        ("pain", read.pain, ("pain", "painless_share")),
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
    if rule.ratio and len(rule.ratio) != len(read.arms):
        yield (
            "allocation.ratio",
            f"{len(rule.ratio)} numbers for {len(read.arms)} arms",
            "write one number for each arm",
        )
    parts = sum(rule.ratio) if rule.ratio else len(read.arms)
    if odd := [size for size in rule.block_sizes if size % parts]:
        yield (
            "allocation.block_sizes",
            f"a block of {odd[0]} cannot hold the arms in their ratio",
            f"use multiples of {parts}",
        )


def _protocol(read: ProtocolFile) -> Protocol:
    pain = None
    if read.pain is not None:
        pain = PainPlan(
            instrument=_instrument(read.pain.scale, read.pain.important_difference),
            moment=read.pain.moment,
            painless_at_most=read.pain.painless_at_most,
        )
    anxiety = None if read.anxiety is None else _instrument(read.anxiety.scale, read.anxiety.important_difference)
    study, population = read.study, read.population
    plan: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in read.analysis.model_dump().items()}
    return Protocol(
        study=StudyIdentity(
            id=study.id,
            title=study.title,
            question=study.question,
            design=study.design,
            allocation=study.allocation,
            ethics_status=study.ethics_status,
            invented=study.invented,
            practices=tuple(study.practices),
            blinding=tuple(sorted(study.blinding.items())),
        ),
        arms=tuple(Arm(**arm.model_dump()) for arm in read.arms),
        reference_arm=read.testing.reference_arm,
        eligibility=Eligibility(**{name: tuple(codes) for name, codes in population.model_dump().items()}),
        schedule=Schedule(
            clock_zero=read.testing.clock_zero,
            tests_min=tuple(float(t) for t in read.testing.schedule_min),
            tooth_notation=read.testing.tooth_notation,
            control_tooth=read.testing.control_tooth,
            control_window_min=read.testing.control_window_min,
            baseline_response=read.testing.baseline_response,
        ),
        onset=OnsetDefinition(**read.onset.model_dump()),
        rescue=RescueRule(**read.rescue.model_dump()),
        pain=pain,
        anxiety=anxiety,
        plan=AnalysisPlan(**plan),
        quarters=tuple(Quarter(label=label) for label in read.report.quarters),
        **_rules(read),
        digest=protocol_digest(read),
    )


def _rules(read: ProtocolFile) -> dict[str, Any]:
    """The tables that a protocol may leave out."""
    kinds: tuple[tuple[str, type], ...] = (
        ("looks", LookRule),
        ("allocation", AllocationRule),
        ("planning", PlanningAssumptions),
        ("chair_time", ChairTimeRule),
        ("watch", WatchRule),
    )
    found: dict[str, Any] = {}
    for name, kind in kinds:
        table = getattr(read, name)
        if table is not None:
            values = {k: tuple(v) if isinstance(v, list) else v for k, v in table.model_dump().items()}
            found[name] = kind(**values)
    if read.doses is not None:
        clinic = tuple(ClinicLimit(drug=d, **t.model_dump()) for d, t in sorted(read.doses.clinic.items()))
        found["doses"] = DoseRule(limits=read.doses.limits, clinic=clinic)
    if read.conduct is not None:
        found["conduct"] = Conduct(texts=tuple(sorted(read.conduct.items())))
    return found


def _instrument(scale: str, important_difference: float | None) -> Instrument:
    low, high, unit = SCALES[scale]
    return Instrument(scale=scale, low=low, high=high, unit=unit, important_difference=important_difference)
