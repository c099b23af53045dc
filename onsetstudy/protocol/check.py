"""From the plain content of a protocol file to a checked ``Protocol``, or to every problem at once."""

from __future__ import annotations

import dataclasses
import difflib
import json
import typing
from collections.abc import Iterable, Mapping
from typing import Any

from pydantic import AfterValidator, BaseModel, ValidationError

from onsetstudy.core.canonical import digest_of_content
from onsetstudy.core.errors import Problem, ProtocolError, Where
from onsetstudy.protocol import model
from onsetstudy.protocol.contradictions import Contradiction, contradictions, contradictions_beside
from onsetstudy.protocol.earlier_names import first_key, named_twice, todays_names, with_first_names
from onsetstudy.protocol.governance import Conduct, Governance
from onsetstudy.protocol.keys import Keys
from onsetstudy.protocol.layout import AnxietyTable, DosesTable, PainTable, ProtocolFile
from onsetstudy.protocol.vocabulary import SCALES

KINDS = {"unexpected_keyword_argument": "extra_forbidden", "dataclass_type": "model_type", "tuple_type": "list_type"}
"""Faults of the tables that are read as they stand, by the names of the same faults in the others."""

AS_THEY_STAND = ("onset", "rescue", "looks", "allocation", "planning", "chair_time", "watch", "adoption")
"""Tables that are values of the protocol under their own names."""


def check_protocol(content: Mapping[str, Any], *, file: str = "") -> model.Protocol:
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
        # Entries that were refused one by one are told; that none is left says nothing more.
        whole = [d for d in error.errors() if d["type"] != "too_short" or len(d["input"]) < d["ctx"]["min_length"]]
        found = [_problem(detail, file) for detail in whole]
        found += _told(contradictions_beside(today, error), file)
        raise ProtocolError([*twice, *(_as_written(each, content) for each in found)]) from None
    if problems := [*twice, *(_as_written(each, content) for each in _told(contradictions(read), file))]:
        raise ProtocolError(problems)
    return _protocol(read)


def _twice(content: Mapping[str, Any], file: str) -> list[Problem]:
    """One key under both its names: whichever is meant, the other would be ignored without a word."""
    found = []
    for table, earlier, now in named_twice(content):
        what, mend = f"{earlier} is the earlier name of {now}, and both are given", f"keep {now} and take {earlier} out"
        found.append(Problem.of_key(f"{table}.{now}", what, mend, code="named_twice", file=file))
    return found


def _as_written(problem: Problem, content: Mapping[str, Any]) -> Problem:
    """The problem told at the name under which the file gives the key."""
    table, _, key = (problem.where.key or "").partition(".")
    earlier, given = first_key(table, key), content.get(table)
    if earlier == key or not isinstance(given, Mapping) or key in given or earlier not in given:
        return problem
    return dataclasses.replace(problem, where=dataclasses.replace(problem.where, key=f"{table}.{earlier}"))


def _told(found: Iterable[Contradiction], file: str) -> list[Problem]:
    return [Problem.of_key(*each, code="contradiction", file=file) for each in found]


def normalised_content(content: Mapping[str, Any]) -> dict[str, Any]:
    """The content of a checked protocol file, defaults filled in, under the first names: what the digest is of.

    Tables that are left out do not count, nor keys added since that say their default: a protocol keeps its digest when
    the package learns new ones.
    """
    return _dump(ProtocolFile.model_validate(todays_names(content)))


def _dump(read: ProtocolFile) -> dict[str, Any]:
    content = read.model_dump(mode="json", exclude_none=True)
    if read.allocation is not None and read.allocation.block_sizes_digest:
        # Nothing is promised about sizes but the digest, least of all their default.
        content["allocation"].pop("block_sizes")
    return with_first_names(content)


def _key(location: tuple[int | str, ...]) -> str:
    parts = (f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in location if part != "[key]")
    return "".join(parts).removeprefix(".")


def _shown(value: Any) -> str:
    text = json.dumps(value, default=str, ensure_ascii=False)
    return text if len(text) <= 60 else text[:57] + "…"


def _problem(detail: Any, file: str) -> Problem:
    """One of pydantic's findings in the words of this house."""
    kind, location, value = KINDS.get(detail["type"], detail["type"]), detail["loc"], detail.get("input")
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
        "finite_number": "write a number that has an end",
        "list_type": "write a list between square brackets",
        "too_short": f"write at least {context.get('min_length')} entries",
        "greater_than": f"write a number above {_number(context.get('gt'))}",
        "greater_than_equal": f"write a number of at least {_number(context.get('ge'))}",
        "less_than": f"write a number below {_number(context.get('lt'))}",
        "less_than_equal": f"write a number of at most {_number(context.get('le'))}",
        "model_type": "write a table of keys",
        "dict_type": "write a table of keys",
        "value_error": str(context.get("error", "")),
    }.get(kind, str(detail["msg"]))
    shown = _shown(value)
    return Problem(what=f"the value {shown} cannot be used", where=where, mend=mend, value=shown, code=kind)


def _number(value: Any) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def _fields(location: tuple[int | str, ...]) -> Mapping[str, Any] | None:
    """Keys of the table in which a key stands, each with its type; ``None`` where its keys are not fixed."""
    table: type | None = ProtocolFile
    for part in location[:-1]:
        if not isinstance(part, int) and table is not None:
            table = _table_in(typing.get_type_hints(table, include_extras=True).get(part))
    return None if table is None else typing.get_type_hints(table, include_extras=True)


def _table_in(annotation: Any) -> type | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel | Keys):
        return annotation
    return next((found for each in typing.get_args(annotation) if (found := _table_in(each))), None)


def _nearest(location: tuple[int | str, ...]) -> str:
    if (known := _fields(location)) is None:
        return "leave it out"
    near = difflib.get_close_matches(str(location[-1]), known, n=1)
    return f"did you mean {near[0]}?" if near else f"leave it out; the keys here are {', '.join(known)}"


def _what_belongs(location: tuple[int | str, ...]) -> str:
    name = str(location[-1])
    if len(location) == 1:
        return f"add the table [{name}]; the protocols that come with this package show what belongs in it"
    told, codes = f"add {name} = … to the table [{location[0]}]", _codes_of(location)
    return f"{told}{f': {codes}' if codes else ''}; the protocols that come with this package explain it"


def _codes_of(location: tuple[int | str, ...]) -> str:
    """What a key with codes says to a value that is none of them: ``write one of …``."""
    for rule in getattr((_fields(location) or {}).get(str(location[-1])), "__metadata__", ()):
        if isinstance(rule, AfterValidator):
            try:
                rule.func("")  # type: ignore[call-arg]
            except ValueError as error:
                return str(error)
    return ""


def _protocol(read: ProtocolFile) -> model.Protocol:
    testing, study = _values(read.testing), _values(read.study)
    return model.Protocol(
        study=model.StudyIdentity(**{**study, "blinding": tuple(sorted(read.study.blinding.items()))}),
        arms=tuple(read.arms),
        reference_arm=testing.pop("reference_arm"),
        eligibility=read.population,
        schedule=model.Schedule(tests_min=tuple(map(float, testing.pop("schedule_min"))), **testing),
        pain=None if read.pain is None else _pain(read.pain),
        anxiety=None if read.anxiety is None else _instrument(read.anxiety),
        plan=read.analysis,
        quarters=tuple(model.Quarter(label=label) for label in read.report.quarters),
        doses=None if read.doses is None else _doses(read.doses),
        conduct=None if read.conduct is None else Conduct(texts=tuple(sorted(read.conduct.items()))),
        governance=None if read.governance is None else Governance(texts=tuple(sorted(read.governance.items()))),
        digest=digest_of_content(_dump(read)),
        **{name: getattr(read, name) for name in AS_THEY_STAND},
    )


def _doses(table: DosesTable) -> model.DoseRule:
    clinic = tuple(model.ClinicLimit(drug=drug, **limit.model_dump()) for drug, limit in sorted(table.clinic.items()))
    return model.DoseRule(limits=table.limits, country=table.country, clinic=clinic)


def _values(table: BaseModel) -> dict[str, Any]:
    """What stands in a table; lists as tuples."""
    return {key: tuple(v) if isinstance(v, list) else v for key, v in table.model_dump().items()}


def _pain(table: PainTable) -> model.PainPlan:
    return model.PainPlan(instrument=_instrument(table), **table.model_dump(exclude={"scale", "important_difference"}))


def _instrument(table: PainTable | AnxietyTable) -> model.Instrument:
    low, high, unit = SCALES[table.scale]
    return model.Instrument(
        scale=table.scale, low=low, high=high, unit=unit, important_difference=table.important_difference
    )
