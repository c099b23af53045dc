"""Allocation on disk: the list for the person who keeps it, and the sealed files for practices."""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
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

COMMITMENTS = (
    "Digest of every slip and of a nonce that lies inside it. It tells no arm; a slip that was opened shows with its "
    "nonce that it says what it said when the list was drawn."
)
WORDS = ("slip", "passphrase")
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
    before = _earlier_slips(drawn, earlier, seed)
    if earlier is not None and _about(earlier).get("opening") == COORDINATOR:
        raise DesignError(f"the slips of {earlier} are opened by its keeper; go on with --way {COORDINATOR}")
    sealed = {p: _sealed_before(earlier, p) for p in sorted({s.practice_id for s in before or drawn.slips})}
    if any(held.get("kind", "list") != "list" for held in sealed.values()):
        raise DesignError(f"the slips of {earlier} have passphrases; go on without --way chain, as it was begun")
    named = _named(drawn, (*before, *drawn.slips), case_codes)
    paths = []
    for practice, held in sealed.items():
        own = [s for s in drawn.slips if s.practice_id == practice]
        strata: dict[str, Any] = {}
        for stratum in held.get("strata") or sorted({s.stratum for s in own}):
            secret = f"{drawn.commitment}:{seed}:{stratum}"
            place = held["strata"][stratum] if held else _empty_place(secret)
            new = [_contents(s) for s in own if s.stratum == stratum]
            slips = continue_slips(place["slips"], new, first_key=place["key"], secret=secret)
            strata[stratum] = {"key": place["key"], "slips": slips}
        content = {"kind": "list", "strata": strata, **named, **({"continues": True} if held else {})}
        paths.append(_write_sealed(folder, practice, drawn, held, content))
    # The list comes last: where it is, everything else is.
    return paths + _copied_logs(earlier, folder) + _write_described(drawn, before, folder, seed, earlier)


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
    before = _earlier_slips(drawn, earlier, seed)
    words, published = _earlier_envelopes(earlier)
    words |= {s.slip: passphrase_of(secret, s.slip) for s in drawn.slips}
    whole = (*before, *drawn.slips)
    named = _named(drawn, whole, case_codes)
    paths = []
    for practice in sorted({s.practice_id for s in whole}):
        held = _sealed_before(earlier, practice)
        strata = {}
        for stratum in sorted({s.stratum for s in whole if s.practice_id == practice}):
            bound = f"{drawn.study_id}\n{practice}\n{stratum}"
            contents = [_contents(s) for s in drawn.slips if s.stratum == stratum]
            new = [seal_envelope(content, secret=secret, bound_to=bound) for content in contents]
            strata[stratum] = {"slips": [*held.get("strata", {}).get(stratum, {}).get("slips", []), *new]}
            published |= {s["slip"]: s["commitment"] for s in new}
        content = {"kind": "envelopes", "kdf": KDF, "strata": strata, **named, "continues": earlier is not None}
        paths.append(_write_sealed(folder, practice, drawn, held, content))
    public = {"study": drawn.study_id, "what": COMMITMENTS, "slips": published}
    paths.append(write_json(folder / "commitments.json", public))
    paths.append(write_csv(folder / "passphrases.csv", pd.DataFrame(words.items(), columns=list(WORDS)), private=True))
    # The list comes last: where it is, everything else is.
    return paths + _copied_logs(earlier, folder) + _write_described(drawn, before, folder, seed, earlier)


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
    if earlier is not None and _about(earlier).get("opening") != COORDINATOR:
        raise DesignError(f"the slips of {earlier} are not opened by its keeper; go on with --way as it was begun")
    before = _earlier_slips(drawn, earlier, seed)
    opening = {"opening": COORDINATOR} if by_coordinator else {}
    return _copied_logs(earlier, folder) + _write_described(drawn, before, folder, seed, earlier, **opening)


def _earlier_slips(drawn: AllocationList, earlier: Path | None, seed: int) -> tuple[Slip, ...]:
    """Slips of the list that this one goes on from, under the same rule."""
    if earlier is None:
        return ()
    about = _about(earlier)
    for name, ours in (("study", drawn.study_id), ("method", drawn.method), ("arms", list(drawn.arms)),
                       ("ratio", list(drawn.ratio)), ("strata", list(drawn.strata))):  # fmt: skip
        if about.get(name) != ours:
            raise DesignError(
                f"the earlier list has another {name} than this protocol. A list goes on only under the rule that it "
                "was begun with"
            )
    if seed in (about.get("seed"), *(part["seed"] for part in about.get("continued", []))):
        raise DesignError("the earlier list was drawn from this seed; it would repeat itself. Give another seed")
    return read_slips(earlier / "list.csv")


def _sealed_before(earlier: Path | None, practice: str) -> dict[str, Any]:
    return {} if earlier is None else read_sealed(earlier / f"sealed-{practice}.json")


def _earlier_envelopes(earlier: Path | None) -> tuple[dict[str, str], dict[str, str]]:
    """Passphrases and commitments of the list that this one goes on from."""
    if earlier is None:
        return {}, {}
    if not (earlier / "passphrases.csv").exists():
        way = _about(earlier).get("opening", "chain")
        raise DesignError(f"the slips of {earlier} have no passphrases; go on with --way {way}, as it was begun")
    return read_passphrases(earlier), read_commitments(earlier / "commitments.json")


def read_passphrases(folder: Path) -> dict[str, str]:
    """Passphrase of every slip of a list.

    Raises
    ------
    RecordsError
        If the folder holds none.
    """
    words = read_plain_table(folder / "passphrases.csv", WORDS, "a list of passphrases").astype(str)
    return dict(zip(words["slip"], words["passphrase"], strict=True))


def _copied_logs(earlier: Path | None, folder: Path) -> list[Path]:
    """Logs of openings, and what proves the slips that were opened, copied beside the list that goes on."""
    logs = [] if earlier is None else [p for n in ("opened", "nonces") for p in sorted(earlier.glob(f"{n}-*.csv"))]
    return [write_bytes(folder / log.name, log.read_bytes(), private=True) for log in logs]


def _write_described(
    drawn: AllocationList, before: Sequence[Slip], folder: Path, seed: int, earlier: Path | None, **opening: str
) -> list[Path]:
    """The list with what describes it; behind the slips of an earlier one, under its description."""
    whole = replace(drawn, slips=(*before, *drawn.slips))
    if earlier is None:
        about: dict[str, Any] = {
            "what": KEEP_APART,
            "study": drawn.study_id,
            "protocol": drawn.protocol_digest,
            "method": drawn.method,
            "strata": list(drawn.strata),
            "ratio": list(drawn.ratio),
            "arms": list(drawn.arms),
            "block_sizes": list(drawn.block_sizes),
            "seed": seed,
            "commitment": drawn.commitment,
            **opening,
        }
    else:
        about = _about(earlier)
        part = {"seed": seed, "commitment": drawn.commitment, "protocol": drawn.protocol_digest}
        about["continued"] = [*about.get("continued", []), {**part, "slips": len(drawn.slips)}]
    about["quality"] = asdict(list_quality(whole.slips, whole.arms, whole.ratio))
    return [
        write_json(folder / "list.json", about, indent=2, private=True),
        write_csv(folder / "list.csv", whole.to_frame(), private=True),
    ]


def _contents(slip: Slip) -> dict[str, Any]:
    return {"slip": slip.slip, "arms": list(slip.arms), "sides": list(slip.sides)}


def _empty_place(secret: str) -> dict[str, Any]:
    """A stratum before its first slip: the key of that slip, which is yet to come."""
    first, slips = seal_slips((), secret=secret)
    return {"key": first, "slips": slips}


def _named(drawn: AllocationList, whole: Sequence[Slip], case_codes: str) -> dict[str, Any]:
    """What a sealed file says about the whole list, so that levels and cases can be held against it."""
    return {
        "columns": [name for name in drawn.strata if name != "practice_id"],
        "practices": sorted({s.practice_id for s in whole}),
        **({"case_codes": case_codes} if case_codes else {}),
    }


def _write_sealed(
    folder: Path, practice: str, drawn: AllocationList, held: Mapping[str, Any], content: Mapping[str, Any]
) -> Path:
    """A practice's sealed file, which keeps what a newer version put into the one ``held`` before."""
    kept = {name: held[name] for name in newer_sealed_parts(held)} if held else {}
    # Logs begin at the protocol under which the first list was drawn, and go on from there.
    begun = held.get("protocol", drawn.protocol_digest)
    body = {**kept, "study": drawn.study_id, "protocol": begun, "practice": practice, **content}
    if held:
        counts = {stratum: len(place["slips"]) for stratum, place in held["strata"].items()}
        body["earlier"] = [*held.get("earlier", []), counts]
    return write_json(folder / f"sealed-{practice}.json", body, private=True)


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
        there = [(s, place, counts[s]) for s, place in content["strata"].items() if s in counts]
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
