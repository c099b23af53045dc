"""From the plain content of a protocol file to a checked ``Protocol``, or to every problem at once."""

from __future__ import annotations

import dataclasses
import difflib
import hashlib
import json
import types
import typing
from collections.abc import Iterable, Mapping
from typing import Any

from pydantic import AfterValidator, BaseModel, ValidationError

from onsetstudy.core.errors import Problem, ProtocolError, Where
from onsetstudy.protocol.contradictions import Contradiction, contradictions, contradictions_beside
from onsetstudy.protocol.earlier_names import first_key, named_twice, todays_names, with_first_names
from onsetstudy.protocol.governance import AdoptionRule, Conduct, Governance
from onsetstudy.protocol.layout import ProtocolFile
from onsetstudy.protocol.model import (
    AllocationRule,
    AnalysisPlan,
    Arm,
    ChairTimeRule,
    ClinicLimit,
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
    twice = _twice(content, file)
    today = todays_names(content)
    try:
        read = ProtocolFile.model_validate(today)
    except ValidationError as error:
        found = [_problem(detail, file) for detail in error.errors()]
        found += _told(contradictions_beside(today, error), file)
        raise ProtocolError([*twice, *(_as_written(each, content) for each in found)]) from None
    problems = [*twice, *(_as_written(each, content) for each in _told(contradictions(read), file))]
    if problems:
        raise ProtocolError(problems)
    return _protocol(read)


def _twice(content: Mapping[str, Any], file: str) -> list[Problem]:
    """One key under both its names: whichever is meant, the other would be ignored without a word."""
    return [
        Problem(
            what=f"{earlier} is the earlier name of {now}, and both are given",
            where=Where(file=file, key=f"{table}.{now}"),
            mend=f"keep {now} and take {earlier} out",
            code="named_twice",
        )
        for table, earlier, now in named_twice(content)
    ]


def _as_written(problem: Problem, content: Mapping[str, Any]) -> Problem:
    """The problem told at the name under which the file gives the key."""
    table, _, key = (problem.where.key or "").partition(".")
    earlier, given = first_key(table, key), content.get(table)
    if earlier == key or not isinstance(given, Mapping) or key in given or earlier not in given:
        return problem
    return dataclasses.replace(problem, where=dataclasses.replace(problem.where, key=f"{table}.{earlier}"))


def _told(found: Iterable[Contradiction], file: str) -> list[Problem]:
    return [
        Problem(what=what, where=Where(file=file, key=key), mend=mend, code="contradiction")
        for key, what, mend in found
    ]


def protocol_digest(read: ProtocolFile) -> str:
    """SHA-256 of the content with every default filled in, whatever the order of keys and the spelling of numbers.

    Tables that are left out do not count, nor keys added since that say their default: a protocol keeps its digest when
    the package learns new ones. It is the digest of the first names, whichever the file uses.
    """
    return content_digest(_dump(read))


def content_digest(content: Mapping[str, Any]) -> str:
    """SHA-256 of normalised content."""
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def normalised_content(content: Mapping[str, Any]) -> dict[str, Any]:
    """The content of a checked protocol file, defaults filled in, under the first names: what the digest is of."""
    return _dump(ProtocolFile.model_validate(todays_names(content)))


def _dump(read: ProtocolFile) -> dict[str, Any]:
    content = read.model_dump(mode="json", exclude_none=True)
    if read.allocation is not None and read.allocation.block_sizes_digest:
        # Nothing is promised about sizes but the digest, least of all their default.
        content["allocation"].pop("block_sizes")
    return with_first_names(content)


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
    told = f"add {name} = … to the table [{location[0]}]"
    codes = _codes_of(location)
    if codes:
        return f"{told}: {codes}; the protocols that come with this package explain it"
    return f"{told}; the protocols that come with this package explain it"


def _codes_of(location: tuple[int | str, ...]) -> str:
    """What a key with codes says to a value that is none of them: ``write one of …``."""
    model = _table(location)
    field = None if model is None else model.model_fields.get(str(location[-1]))
    for rule in () if field is None else field.metadata:
        if isinstance(rule, AfterValidator):
            try:
                rule.func("")  # type: ignore[call-arg]
            except ValueError as error:
                return str(error)
    return ""


def _protocol(read: ProtocolFile) -> Protocol:
    pain = None
    if read.pain is not None:
        pain = PainPlan(
            instrument=_instrument(read.pain.scale, read.pain.important_difference),
            moment=read.pain.moment,
            painless_at_most=read.pain.painless_at_most,
            mild_at_most=read.pain.mild_at_most,
        )
    anxiety = None if read.anxiety is None else _instrument(read.anxiety.scale, read.anxiety.important_difference)
    testing = _values(read.testing)
    return Protocol(
        study=StudyIdentity(**{**_values(read.study), "blinding": tuple(sorted(read.study.blinding.items()))}),
        arms=tuple(Arm(**arm.model_dump()) for arm in read.arms),
        reference_arm=testing.pop("reference_arm"),
        eligibility=Eligibility(**_values(read.population)),
        schedule=Schedule(tests_min=tuple(map(float, testing.pop("schedule_min"))), **testing),
        onset=OnsetDefinition(**read.onset.model_dump()),
        rescue=RescueRule(**read.rescue.model_dump()),
        pain=pain,
        anxiety=anxiety,
        plan=AnalysisPlan(**_values(read.analysis)),
        quarters=tuple(Quarter(label=label) for label in read.report.quarters),
        **_rules(read),
        digest=protocol_digest(read),
    )


def _values(table: BaseModel) -> dict[str, Any]:
    """What stands in a table; lists as tuples."""
    return {key: tuple(v) if isinstance(v, list) else v for key, v in table.model_dump().items()}


def _rules(read: ProtocolFile) -> dict[str, Any]:
    """The tables that a protocol may leave out."""
    kinds: tuple[tuple[str, type], ...] = (
        ("looks", LookRule),
        ("allocation", AllocationRule),
        ("planning", PlanningAssumptions),
        ("chair_time", ChairTimeRule),
        ("watch", WatchRule),
        ("adoption", AdoptionRule),
    )
    found: dict[str, Any] = {}
    for name, kind in kinds:
        table = getattr(read, name)
        if table is not None:
            values = _values(table)
            if values.get("block_sizes_digest"):
                values["block_sizes"] = ()
            found[name] = kind(**values)
    if read.doses is not None:
        clinic = tuple(ClinicLimit(drug=d, **t.model_dump()) for d, t in sorted(read.doses.clinic.items()))
        found["doses"] = DoseRule(limits=read.doses.limits, country=read.doses.country, clinic=clinic)
    if read.conduct is not None:
        found["conduct"] = Conduct(texts=tuple(sorted(read.conduct.items())))
    if read.governance is not None:
        found["governance"] = Governance(texts=tuple(sorted(read.governance.items())))
    return found


def _instrument(scale: str, important_difference: float | None) -> Instrument:
    low, high, unit = SCALES[scale]
    return Instrument(scale=scale, low=low, high=high, unit=unit, important_difference=important_difference)
