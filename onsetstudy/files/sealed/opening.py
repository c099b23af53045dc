"""Opening sealed slips on disk: in order, one case at a time, with a log that cannot be changed unseen."""

from __future__ import annotations

import datetime as dt
import difflib
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from onsetstudy.core.errors import DesignError
from onsetstudy.design.allocation.minimisation import minimise
from onsetstudy.design.allocation.seal import open_slip
from onsetstudy.files.output import alone, write_csv
from onsetstudy.files.sealed import opening_log
from onsetstudy.files.sealed.envelopes import open_envelope
from onsetstudy.files.sealed.opening_log import Opened, log_opening
from onsetstudy.protocol.keys import code_fault
from onsetstudy.protocol.model import StudyIdentity
from onsetstudy.protocol.vocabulary import CODES
from onsetstudy.records.chair.case_codes import is_case_code, likely_codes
from onsetstudy.records.checks.privacy import looks_like_a_person, may_be_a_name
from onsetstudy.records.derived.allocation import ARMS_JOIN, JOIN


def open_next(
    sealed: Path,
    *,
    case_id: str,
    levels: Mapping[str, str],
    opened_by: str,
    now: dt.datetime,
    passphrase: str | Callable[[str], str] = "",
    study: StudyIdentity | None = None,
) -> Opened:
    """Open the next slip of a stratum for a case, and log it.

    Parameters
    ----------
    sealed : Path
        File of the practice.
    case_id : str
        Code of the case (of the patient in a paired design). Asking again for a case gives its slip again.
    levels : mapping
        Level of each stratum column, ``{"technique": "ianb"}``.
    opened_by : str
        Code of the person who opens.
    now : datetime
        Time of opening.
    passphrase : str or callable
        What is printed inside the envelope of the next slip, or what asks for it by the slip's name; only for files
        whose slips each have one.
    study : StudyIdentity or None
        Of the protocol, whose pattern of codes the case has to fit where it declares one; otherwise it is the pattern
        that the file itself carries.

    Raises
    ------
    DesignError
        If the file is not there or not a sealed file, the case cannot be one of this practice, the stratum is not
        known, the slips are used up or a seal is broken. Nothing is opened then.
    RecordsError
        If the log was changed.
    """
    case_id, log_file = case_id.strip(), opening_log.log_path(sealed)
    if not sealed.exists():
        raise DesignError(f"there is no file {sealed}. Give the sealed file of your practice")
    with alone(log_file):
        content, log = opening_log.read_sealed(sealed), opening_log.log_so_far(log_file)
        _refuse_misfit(content, case_id, study)
        before, asked = opening_log.lines_of_case(log, case_id), _stratum(content, levels, sealed)
        again = len(before) > 0
        if again:
            stratum = str(before["stratum"].iloc[0])
            found = _told_before(content, stratum, log, str(before["slip"].iloc[0]), log_file)
        else:
            stratum = asked
            refuse_case(case_id, opened_by, content, log)
            found = _following(content, stratum, log, sealed, passphrase)
        arms, sides = tuple(found["arms"]), tuple(found["sides"])
        opened = Opened(slip=found["slip"], stratum=stratum, arms=arms, sides=sides, again=again, asked=asked)
        if not again:
            log_opening(log_file, log, content["protocol"], opened, case_id=case_id, opened_by=opened_by, now=now)
    return opened


def _refuse_misfit(content: Mapping[str, Any], case_id: str, study: StudyIdentity | None) -> None:
    """Refuse a code that does not fit the pattern of the protocol, or of the file where no protocol declares one."""
    if study is not None and study.id != content["study"]:
        raise DesignError("this sealed file is of another study than the protocol; nothing was opened. Give its own")
    pattern = (study.case_codes if study is not None else "") or str(content.get("case_codes", ""))
    if fault := code_fault(case_id, pattern, [str(content["practice"])]):
        raise DesignError(f"{fault}; nothing was opened. Give the code as it stands in the records")


def _following(
    content: dict[str, Any], stratum: str, log: pd.DataFrame, sealed: Path, passphrase: str | Callable[[str], str]
) -> dict[str, Any]:
    """What the next slip of a stratum says; what proves it is kept."""
    log_file = opening_log.log_path(sealed)
    if content.get("continues") and not len(log):
        raise DesignError(
            f"{sealed.name} goes on from an earlier list, but the log {log_file.name} is not beside it. "
            "Put the file where the log is, in place of the earlier one; if no slip was opened yet, open the "
            "first from the earlier file"
        )
    if content["kind"] != "envelopes":
        return _content_of(content, stratum, log, slip=None)
    found = _from_envelope(content, stratum, log, passphrase)
    _keep_nonce(log_file, found)
    return found


def refuse_case(case_id: str, opened_by: str, content: Mapping[str, Any], log: pd.DataFrame) -> None:
    """Refuse what cannot be the code of a case of this practice: a slip that was opened stays used."""
    for name, code in (("the code of the case", case_id), ("the code of who opens", opened_by)):
        if looks_like_a_person(code):
            what = f'"{code}" looks like a name, an address or a number of a person'
            raise DesignError(f"{what}; nothing was opened. Give {name}")
    if may_be_a_name(opened_by):
        what = "the code of who opens may be a name, and it is kept for ever; nothing was opened"
        raise DesignError(f"{what}. Give one with a digit, such as P01-A, or of at most four letters")
    practice = str(content["practice"])
    if not case_id:
        raise DesignError("the code of the case is empty; nothing was opened")
    if not case_id.isprintable() or unicodedata.normalize("NFKC", case_id) != case_id:
        # It would look like the code of another case, and be given a slip of its own.
        raise DesignError("the code of the case holds signs that codes do not have; nothing was opened. Type it anew")
    other = [p for p in content.get("practices", ()) if p != practice and _begins(case_id, p)]
    if other and not _begins(case_id, practice):
        raise DesignError(
            f"{case_id} is a case of {other[0]}, and this is the file of {practice}; nothing was opened. Correct the "
            "code, or give the file of that practice"
        )
    habit = len(log) > 0 and all(_begins(str(code), practice) for code in log["case_id"])
    if habit and not _begins(case_id, practice):
        raise DesignError(
            f"{case_id} does not begin with {practice} as the other cases of this file do; nothing was opened. "
            "Correct the code"
        )
    _refuse_mistyped(case_id, [str(code).strip() for code in log["case_id"]])


def _refuse_mistyped(case_id: str, earlier: Sequence[str]) -> None:
    """Refuse a code whose last sign does not fit, where all codes of the log so far have one that does.

    Codes that a practice makes itself have no such sign: where the log holds one of them, nothing is asked.
    """
    if not earlier or _has_check_sign(case_id) or not all(map(_has_check_sign, earlier)):
        return
    known = difflib.get_close_matches(case_id.upper(), [code.upper() for code in earlier], n=1, cutoff=0.85)
    meant = [code for code in earlier if code.upper() in known] or list(likely_codes(case_id))
    mend = f"Did you mean {' or '.join(meant)}?" if meant else "Copy it again from where it was made, sign by sign"
    raise DesignError(f"{case_id} was mistyped: its last sign does not fit the others; nothing was opened. {mend}")


def _has_check_sign(code: str) -> bool:
    practice, _, signs = code.rpartition("-")
    return is_case_code(f"{practice}-{signs.upper()}")


def _begins(code: str, practice: str) -> bool:
    """Whether a code begins with that of a practice: P01-0001 with P01, but P012 does not."""
    following = code[len(practice) :]
    return code.casefold().startswith(practice.casefold()) and not following[:1].isalnum()


def _stratum(content: dict[str, Any], levels: Mapping[str, str], sealed: Path) -> str:
    columns = content["factors"] if content["kind"] == "minimisation" else content.get("columns")
    if columns is None:
        # A file of an earlier version does not name its columns: a level may be a code of two of them.
        wanted = {content["practice"], *levels.values()}
        fits = [stratum for stratum in content["strata"] if set(stratum.split(JOIN)) == wanted]
    else:
        asked = stratum_of(content["practice"], columns, levels)
        fits = [asked] if content["kind"] == "minimisation" or asked in content["strata"] else []
    if not fits:
        known = "; ".join(sorted(content["strata"]))
        told = ", ".join(sorted({content["practice"], *levels.values()}))
        raise DesignError(f"{sealed.name} has no stratum of {told}. It has: {known}.")
    if len(fits) > 1:
        raise DesignError(f"these levels are those of {' and of '.join(sorted(fits))}; open the paper envelope")
    return str(fits[0])


def stratum_of(practice: str, columns: Sequence[str], levels: Mapping[str, str]) -> str:
    """The stratum of a practice that has these levels.

    Levels that the list does not ask for, that are missing, or that are no code of the dictionary are refused.
    """
    asked = ", ".join(columns) or "none"
    for name in levels:
        if name not in (*columns, "practice_id"):
            near = difflib.get_close_matches(name, columns, n=1)
            meant = f"the level is {near[0]}, not {name}" if near else f"{name} is not a level of this list"
            raise DesignError(f"{meant}; nothing was opened. It asks for: {asked}")
    if missing := [name for name in columns if name not in levels]:
        raise DesignError(f"{missing[0]} is needed to open the next slip; give it as --level {missing[0]}=…")
    for name in columns:
        codes = CODES.get(name, ())
        if codes and levels[name] not in codes:
            near = difflib.get_close_matches(levels[name].lower(), codes, n=1, cutoff=0.6)
            mend = f"Did you mean {near[0]}?" if near else f"Write one of {', '.join(codes)}"
            raise DesignError(f"{levels[name]} is not a code of {name}; nothing was opened. {mend}")
    return JOIN.join((practice, *(levels[name] for name in columns)))


def _content_of(content: dict[str, Any], stratum: str, log: pd.DataFrame, *, slip: str | None) -> dict[str, Any]:
    if content["kind"] == "minimisation":
        return _minimised(content, stratum, log, slip=slip)
    place = content["strata"][stratum]
    order = [s["slip"] for s in place["slips"]]
    number = order.index(slip) + 1 if slip is not None else int(log["slip"].isin(order).sum()) + 1
    return open_slip(place["slips"], number, first_key=place["key"])


def _told_before(content: dict[str, Any], stratum: str, log: pd.DataFrame, slip: str, file: Path) -> dict[str, Any]:
    """What a slip said that was opened for this case: where slips have passphrases, as it was logged."""
    if content["kind"] != "envelopes":
        return _content_of(content, stratum, log, slip=slip)
    arms = str(log.loc[log["slip"] == slip, "arms"].iloc[0]).split(ARMS_JOIN)
    _, sides = opening_log.read_nonces(file).get(slip, ("", []))
    return {"slip": slip, "arms": arms, "sides": sides}


def _from_envelope(
    content: dict[str, Any], stratum: str, log: pd.DataFrame, passphrase: str | Callable[[str], str]
) -> dict[str, Any]:
    slips = content["strata"][stratum]["slips"]
    used = int(log["slip"].isin([s["slip"] for s in slips]).sum())
    if used >= len(slips):
        raise DesignError(
            f"there are {len(slips)} slips and all have been opened; ask for a longer list. Who keeps the list makes "
            "it with the command allocate and its option --after"
        )
    following = slips[used]
    typed = passphrase(str(following["slip"])) if callable(passphrase) else passphrase
    bound_to = f"{content['study']}\n{content['practice']}\n{stratum}"
    return open_envelope(following, typed, kdf=content["kdf"], bound_to=bound_to)


def _keep_nonce(log: Path, found: Mapping[str, Any]) -> None:
    """Keep what proves the slip, before its opening is logged; again, if the power failed between the two."""
    held = opening_log.read_nonces(log) | {str(found["slip"]): (str(found["nonce"]), found["sides"])}
    rows = [(slip, nonce, ARMS_JOIN.join(sides)) for slip, (nonce, sides) in held.items()]
    write_csv(opening_log.nonces_path(log), pd.DataFrame(rows, columns=list(opening_log.NONCE_COLUMNS)), private=True)


def _minimised(content: dict[str, Any], stratum: str, log: pd.DataFrame, *, slip: str | None) -> dict[str, Any]:
    """Arms of all earlier slips drawn again in order, and then the one asked for: the log alone says everything."""
    seed = int(open_slip(content["seed"], 1, first_key=content["key"])["seed"])
    factors, arms = list(content["factors"]), tuple(content["arms"])
    asked = log if slip is None else log.iloc[: int((log["slip"] == slip).to_numpy().argmax())]
    rows: list[dict[str, str]] = []
    for name in [*asked["stratum"].astype(str), stratum]:
        level = dict(zip(factors, name.split(JOIN)[1:], strict=True))
        earlier = pd.DataFrame(rows, columns=[*factors, "arm"])
        step = minimise(earlier, level, arms=arms, seed=seed, ratio=tuple(content["ratio"]))
        rows.append({**level, "arm": step.arm})
    return {"slip": f"{content['practice']}-{len(asked) + 1:03d}", "arms": [rows[-1]["arm"]], "sides": []}


def recover_arms(log: pd.DataFrame, sealed: Path) -> pd.DataFrame:
    """The log with what its slips said, where it kept their numbers alone and the sealed file still lies beside it.

    No other slips are opened than those that the log shows as opened. Where the file does not know a slip, its line
    stays without arms.
    """
    empty = (log["arms"] == "").to_numpy()
    if not empty.any() or not sealed.exists():
        return log
    content = opening_log.read_sealed(sealed)
    arms = log["arms"].copy()
    for place in np.flatnonzero(empty):
        stratum, slip = str(log["stratum"].iloc[place]), str(log["slip"].iloc[place])
        # Slips with passphrases have no key; their logs have always kept what they said.
        held = content.get("strata", {}).get(stratum, {})
        if content["kind"] == "minimisation" or ("key" in held and slip in {s["slip"] for s in held["slips"]}):
            arms.iloc[int(place)] = ARMS_JOIN.join(_content_of(content, stratum, log, slip=slip)["arms"])
    return log.assign(arms=arms)
