"""Allocation on disk: the list for the person who keeps it, and the sealed files for practices."""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import pandas as pd

from onsetstudy.core.errors import DesignError, RecordsError
from onsetstudy.design.allocation.lists import list_quality
from onsetstudy.design.allocation.results import AllocationList, Slip
from onsetstudy.design.allocation.seal import continue_slips, seal_slips
from onsetstudy.files.output import json_bytes, write_bytes, write_csv, write_json
from onsetstudy.files.sealed.described_list import COORDINATOR, newer_parts, read_commitments, read_description
from onsetstudy.files.sealed.envelopes import KDF, passphrase_of, seal_envelope
from onsetstudy.files.sealed.kept_allocation import read_slips
from onsetstudy.files.sealed.opening_log import read_plain_table, read_sealed
from onsetstudy.files.sealed.sealed_check import newer_sealed_parts
from onsetstudy.protocol.model import Protocol
from onsetstudy.records.derived.allocation import JOIN

COMMITMENTS = (
    "Digest of every slip and of a nonce that lies inside it. It tells no arm; a slip that was opened shows with its "
    "nonce that it says what it said when the list was drawn."
)
WORDS = ("slip", "passphrase")
WAY_OF = {"list": "chain", "envelopes": "passphrases"}
"""In which way the slips of a sealed file of a kind are opened."""
HOW = {"chain": "one by the other", "passphrases": "by passphrases", COORDINATOR: "by its keeper"}
Seal = Callable[[str, list[dict[str, Any]], Mapping[str, Any]], dict[str, Any]]
KEEP_APART = "Keep this list away from everybody who treats, asks or tests patients until the study is closed."


def write_allocation(
    drawn: AllocationList, folder: Path, *, seed: int, earlier: Path | None = None, case_codes: str = ""
) -> list[Path]:
    """Write the list, its description, and a sealed file for each practice, in which each slip opens the next.

    Parameters
    ----------
    drawn : AllocationList
        All slips, or with ``earlier`` the new ones, drawn after those of the earlier list.
    folder : Path
        Another than ``earlier``.
    seed : int
        Of the new slips; not one of the earlier ones.
    earlier : Path or None
        Folder of a list of the same kind that is used up, with its sealed files: its slips stay as they are and stand
        before the new ones; its opening logs are copied.
    case_codes : str
        Pattern of the protocol's case codes, which the sealed files carry, in place of that of the earlier files;
        empty where none is declared.

    Raises
    ------
    DesignError
        If the earlier list is of another study, rule or kind, or its seed is used again.
    RecordsError
        If there is no earlier list.
    """
    begun = _begun(drawn, earlier, seed, "chain")

    def chained(stratum: str, contents: list[dict[str, Any]], held: Mapping[str, Any]) -> dict[str, Any]:
        secret = f"{drawn.commitment}:{seed}:{stratum}"
        if not held:
            key, slips = seal_slips(contents, secret=secret)
            return {"key": key, "slips": slips}
        return {**held, "slips": continue_slips(held["slips"], contents, first_key=held["key"], secret=secret)}

    paths = _write_sealed(drawn, folder, begun, chained, case_codes=case_codes, kind="list")
    return paths + _write_described(drawn, folder, begun, seed)


def write_enveloped(
    drawn: AllocationList, folder: Path, *, seed: int, secret: bytes, earlier: Path | None = None, case_codes: str = ""
) -> list[Path]:
    """Write the list, sealed files of which every slip has a passphrase of its own, and the published commitments.

    Parameters
    ----------
    secret : bytes
        Of chance, at least 32; passphrases and nonces come from it. It is written nowhere, the passphrases are.
    drawn, folder, seed, earlier, case_codes
        As of :func:`write_allocation`.

    Raises
    ------
    DesignError
        If the earlier list is another's, or not of this kind.
    """
    if len(secret) < 32:
        raise DesignError("the secret of the passphrases is shorter than 32 bytes")
    begun = _begun(drawn, earlier, seed, "passphrases")
    words = {} if earlier is None else read_passphrases(earlier)
    words |= {s.slip: passphrase_of(secret, s.slip) for s in drawn.slips}
    published = {} if earlier is None else read_commitments(earlier / "commitments.json")

    def enveloped(stratum: str, contents: list[dict[str, Any]], held: Mapping[str, Any]) -> dict[str, Any]:
        bound = f"{drawn.study_id}\n{stratum.partition(JOIN)[0]}\n{stratum}"
        new = [seal_envelope(content, secret=secret, bound_to=bound) for content in contents]
        published.update({s["slip"]: s["commitment"] for s in new})
        return {"slips": [*held.get("slips", ()), *new]}

    paths = _write_sealed(drawn, folder, begun, enveloped, case_codes=case_codes, kind="envelopes", kdf=KDF)
    public = {"study": drawn.study_id, "what": COMMITMENTS, "slips": published}
    paths.append(write_json(folder / "commitments.json", public))
    paths.append(write_csv(folder / "passphrases.csv", pd.DataFrame(words.items(), columns=list(WORDS)), private=True))
    return paths + _write_described(drawn, folder, begun, seed)


def write_list(
    drawn: AllocationList, folder: Path, *, seed: int, by_coordinator: bool = False, earlier: Path | None = None
) -> list[Path]:
    """Write the list and its description, which says so where its slips are opened by its keeper alone.

    Parameters
    ----------
    by_coordinator : bool
        Whether its keeper alone opens the slips.
    drawn, folder, seed, earlier
        As of :func:`write_allocation`.

    Raises
    ------
    DesignError
        If the earlier list is another's, or not opened by its keeper.
    """
    begun = _begun(drawn, earlier, seed, COORDINATOR)
    return _write_described(drawn, folder, begun, seed, **({"opening": COORDINATOR} if by_coordinator else {}))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Begun:
    """The list that a drawn one goes on from, with what its folder holds; all empty where there is none."""

    folder: Path | None = None
    about: Mapping[str, Any] = field(default_factory=dict)
    slips: tuple[Slip, ...] = ()
    logs: tuple[Path, ...] = ()


def _begun(drawn: AllocationList, earlier: Path | None, seed: int, way: str) -> _Begun:
    """The earlier list, which was begun under the same rule and in the same way."""
    if earlier is None:
        return _Begun()
    about = _about(earlier)
    if other := [name for name, ours in _rule(drawn).items() if about.get(name) != ours]:
        raise DesignError(
            f"the earlier list has another {other[0]} than this protocol. A list goes on only under the rule that it "
            "was begun with"
        )
    if seed in (about.get("seed"), *(part["seed"] for part in about.get("continued", []))):
        raise DesignError("the earlier list was drawn from this seed; it would repeat itself. Give another seed")
    sealed = {WAY_OF.get(read_sealed(path)["kind"], "") for path in earlier.glob("sealed-*.json")} or {"paper"}
    begun = {about["opening"]} if "opening" in about else sealed
    if begun != {way}:
        with_way = " or ".join(sorted(begun))
        raise DesignError(
            f"the slips of {earlier} are not opened {HOW[way]}; go on with --way {with_way}, as it was begun"
        )
    logs = (*sorted(earlier.glob("opened-*.csv")), *sorted(earlier.glob("nonces-*.csv")))
    return _Begun(folder=earlier, about=about, slips=read_slips(earlier / "list.csv"), logs=logs)


def read_passphrases(folder: Path) -> dict[str, str]:
    """Passphrase of every slip of a list.

    Raises
    ------
    RecordsError
        If the folder holds none.
    """
    words = read_plain_table(folder / "passphrases.csv", WORDS, "a list of passphrases").astype(str)
    return dict(zip(words["slip"], words["passphrase"], strict=True))


def _rule(drawn: AllocationList) -> dict[str, Any]:
    """By which rule a list was drawn: of a list and all that go on from it the same."""
    named = {name: list(getattr(drawn, name)) for name in ("arms", "ratio", "strata")}
    return {"study": drawn.study_id, "method": drawn.method, **named}


def _write_described(drawn: AllocationList, folder: Path, begun: _Begun, seed: int, **opening: str) -> list[Path]:
    """The list with what describes it, behind the slips of the earlier one, whose opening logs are copied beside it.

    The list comes last: where it is, everything else is.
    """
    whole = replace(drawn, slips=(*begun.slips, *drawn.slips))
    part = {"seed": seed, "commitment": drawn.commitment, "protocol": drawn.protocol_digest}
    part |= {"salt": drawn.salt} if drawn.salt else {}
    if begun.folder is None:
        about = {"what": KEEP_APART, **_rule(drawn), "block_sizes": list(drawn.block_sizes), **part, **opening}
    else:
        continued = [*begun.about.get("continued", []), {**part, "slips": len(drawn.slips)}]
        about = {**begun.about, "continued": continued}
    about["quality"] = asdict(list_quality(whole.slips, whole.arms, whole.ratio))
    return [
        *(write_bytes(folder / log.name, log.read_bytes(), private=True) for log in begun.logs),
        write_json(folder / "list.json", about, indent=2, private=True),
        write_csv(folder / "list.csv", whole.to_frame(), private=True),
    ]


def _write_sealed(
    drawn: AllocationList, folder: Path, begun: _Begun, seal: Seal, *, case_codes: str, **kind: Any
) -> list[Path]:
    """Each practice's sealed file, which keeps what a newer version put into the one that it had before.

    ``seal`` makes the place of a stratum of what its new slips say and of its earlier place.
    """
    whole = (*begun.slips, *drawn.slips)
    practices = sorted({s.practice_id for s in whole})
    # What levels and cases can be held against.
    columns = [name for name in drawn.strata if name != "practice_id"]
    about = {"study": drawn.study_id, "columns": columns, "practices": practices, **kind}
    about |= {"case_codes": case_codes} if case_codes else {}
    paths = []
    for practice in practices:
        name = f"sealed-{practice}.json"
        held = {} if begun.folder is None else read_sealed(begun.folder / name)
        before, strata = held.get("strata", {}), {}
        for stratum in sorted({s.stratum for s in whole if s.practice_id == practice}):
            contents = [_contents(s) for s in drawn.slips if s.stratum == stratum]
            strata[stratum] = seal(stratum, contents, before.get(stratum, {}))
        # Logs begin at the protocol under which the first list was drawn, and go on from there.
        begun_under = held.get("protocol", drawn.protocol_digest)
        body = {**about, "protocol": begun_under, "practice": practice, "strata": strata}
        if held:
            counts = {stratum: len(place["slips"]) for stratum, place in before.items()}
            body |= {"continues": True, "earlier": [*held.get("earlier", []), counts]}
            body |= {newer: held[newer] for newer in newer_sealed_parts(held)}
        paths.append(write_json(folder / name, body, private=True))
    return paths


def _contents(slip: Slip) -> dict[str, Any]:
    return {"slip": slip.slip, "arms": list(slip.arms), "sides": list(slip.sides)}


def goes_on_from(sealed: Path, digest: str) -> bool:
    """Whether a sealed file holds the one with this digest as it was, and further slips behind its slips.

    Of the further slips nothing is said: the digest does not know them.
    """
    try:
        content = read_sealed(sealed)
    except DesignError:
        return False
    now = ("strata", "earlier", "continues")
    same = {name: value for name, value in content.items() if name not in now}
    for k, counts in enumerate(content.get("earlier", [])):
        there = [(s, place, counts[s]) for s, place in content.get("strata", {}).items() if s in counts]
        same["strata"] = {s: {**place, "slips": place["slips"][:n]} for s, place, n in there}
        going_on = {"earlier": content["earlier"][:k], "continues": True}
        # Chained files say it only where they go on; those of earlier versions never said from where.
        for told in (going_on,) if k else ({}, {"continues": False}, {"continues": True}):
            if hashlib.sha256(json_bytes({**same, **told})).hexdigest() == digest:
                return True
    return False


def write_minimisation(protocol: Protocol, folder: Path, *, seed: int) -> list[Path]:
    """Write a sealed file for each practice whose arms are drawn one by one, each time it is opened."""
    if (rule := protocol.allocation) is None or rule.method != "minimisation":
        raise DesignError('this protocol does not say method = "minimisation" under [allocation]')
    arms = [arm.code for arm in protocol.arms]
    paths = []
    for number, practice in enumerate(protocol.study.practices):
        secret = {"slip": practice, "seed": seed * 1000 + number}
        first, sealed = seal_slips([secret], secret=f"{seed}:{practice}")
        body = {
            "study": protocol.study.id,
            "protocol": protocol.digest,
            "practice": practice,
            "kind": "minimisation",
            "factors": [f for f in rule.strata if f != "practice_id"],
            "arms": arms,
            "ratio": list(rule.ratio or (1,) * len(arms)),
            "key": first,
            "seed": sealed,
            "practices": list(protocol.study.practices),
            **({"case_codes": protocol.study.case_codes} if protocol.study.case_codes else {}),
        }
        paths.append(write_json(folder / f"sealed-{practice}.json", body, private=True))
    return paths


def _about(folder: Path) -> dict[str, Any]:
    path = folder / "list.json"
    try:
        return read_description(path)
    except RecordsError as error:
        raise DesignError(
            f"{path} cannot be read ({error.problems[0].what}). Give the folder that allocate has "
            "written, with all its files"
        ) from None


def newer_parts_of(folder: Path) -> tuple[str, ...]:
    """What a list's description and sealed files hold that this version does not know, and keeps where it goes on."""
    sealed = [newer_sealed_parts(read_sealed(path)) for path in sorted(folder.glob("sealed-*.json"))]
    return tuple(sorted({*newer_parts(_about(folder)), *itertools.chain(*sealed)}))
