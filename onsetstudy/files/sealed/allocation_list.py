"""Allocation on disk: the list for the person who keeps it, and the sealed files for practices."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pandas as pd

from onsetstudy.core.errors import DesignError, RecordsError
from onsetstudy.design.allocation.lists import list_quality
from onsetstudy.design.allocation.results import AllocationList, Slip
from onsetstudy.design.allocation.seal import continue_slips, seal_slips
from onsetstudy.files.output import write_bytes
from onsetstudy.files.sealed.described_list import COORDINATOR, newer_parts, read_commitments, read_description
from onsetstudy.files.sealed.envelopes import KDF, passphrase_of, seal_envelope
from onsetstudy.files.sealed.kept_allocation import logs_in, read_slips
from onsetstudy.files.sealed.opening_log import read_plain_table, read_sealed
from onsetstudy.files.sealed.sealed_check import newer_sealed_parts
from onsetstudy.protocol.model import Protocol

__all__ = [
    "newer_parts_of",
    "read_passphrases",
    "write_allocation",
    "write_continued",
    "write_enveloped",
    "write_list",
    "write_minimisation",
]

COMMITMENTS = (
    "Digest of every slip and of a nonce that lies inside it. It tells no arm; a slip that was opened shows with its "
    "nonce that it says what it said when the list was drawn."
)
KEEP_APART = "Keep this list away from everybody who treats, asks or tests patients until the study is closed."


def write_allocation(drawn: AllocationList, folder: Path, *, seed: int, case_codes: str = "") -> list[Path]:
    """Write the list, its description, and a sealed file for each practice, which carries the pattern of its codes."""
    # The list comes last: where it is, everything else is.
    return _write_sealed_lists(drawn, Path(folder), seed, case_codes) + write_list(drawn, folder, seed=seed)


def write_enveloped(
    drawn: AllocationList,
    folder: Path,
    *,
    seed: int,
    secret: bytes,
    earlier: Path | None = None,
    case_codes: str = "",
) -> list[Path]:
    """Write the list, sealed files of which every slip has a passphrase of its own, and the published commitments.

    Parameters
    ----------
    drawn : AllocationList
        All slips, or with ``earlier`` the new ones.
    folder : Path
    seed : int
    secret : bytes
        Of chance, at least 32; passphrases and nonces come from it. It is written nowhere, the passphrases are.
    earlier : Path or None
        Folder of a list of the same kind that is used up: its slips stay as they are and stand before the new ones.
    case_codes : str
        Pattern of the protocol's case codes, which the sealed files carry; empty where none is declared.

    Raises
    ------
    DesignError
        If the earlier list is another's, or not of this kind.
    """
    if len(secret) < 32:
        raise DesignError("the secret of the passphrases is shorter than 32 bytes")
    folder = Path(folder)
    before, words, published = _earlier_envelopes(drawn, earlier, seed)
    whole = replace(drawn, slips=(*before, *drawn.slips))
    words |= {s.slip: passphrase_of(secret, s.slip) for s in drawn.slips}
    files: dict[str, bytes] = {}
    for practice in sorted({s.practice_id for s in whole.slips}):
        held = {} if earlier is None else read_sealed(earlier / f"sealed-{practice}.json")
        old = held.get("strata", {})
        strata = {}
        for stratum in sorted({s.stratum for s in whole.slips if s.practice_id == practice}):
            bound = f"{drawn.study_id}\n{practice}\n{stratum}"
            new = [
                seal_envelope(_contents(s), secret=secret, bound_to=bound) for s in drawn.slips if s.stratum == stratum
            ]
            strata[stratum] = {"slips": [*old.get(stratum, {}).get("slips", []), *new]}
            published |= {s["slip"]: s["commitment"] for s in new}
        body = {
            **({name: held[name] for name in newer_sealed_parts(held)} if held else {}),
            # Logs begin at the protocol under which the first list was drawn, and go on from there.
            "study": drawn.study_id, "protocol": held.get("protocol", drawn.protocol_digest), "practice": practice,
            "kind": "envelopes", "kdf": KDF, "strata": strata, "continues": earlier is not None,
            **_named(drawn.strata, whole.slips, case_codes),
        }  # fmt: skip
        files[f"sealed-{practice}.json"] = (json.dumps(body, indent=1, sort_keys=True) + "\n").encode()
    public = {"study": drawn.study_id, "what": COMMITMENTS, "slips": published}
    files["commitments.json"] = (json.dumps(public, indent=1, sort_keys=True) + "\n").encode()
    rows = "".join(f"{slip},{word}\n" for slip, word in words.items())
    files["passphrases.csv"] = f"slip,passphrase\n{rows}".encode()
    logs = [] if earlier is None else [p for n in ("opened", "nonces") for p in sorted(earlier.glob(f"{n}-*.csv"))]
    files |= {log.name: log.read_bytes() for log in logs}
    # The list comes last: where it is, everything else is.
    paths = [write_bytes(folder / n, c, private=n != "commitments.json") for n, c in files.items()]
    about = None if earlier is None else {**_about(earlier), "continued": _continued(_about(earlier), drawn, seed)}
    if about is None:
        return paths + write_list(drawn, folder, seed=seed)
    about["quality"] = asdict(list_quality(whole.slips, whole.arms, whole.ratio))
    return paths + _write_described(whole.to_frame(), about, folder)


def _continued(about: Mapping[str, Any], drawn: AllocationList, seed: int) -> list[dict[str, Any]]:
    new = {"seed": seed, "commitment": drawn.commitment, "protocol": drawn.protocol_digest, "slips": len(drawn.slips)}
    return [*about.get("continued", []), new]


def _earlier_envelopes(
    drawn: AllocationList, earlier: Path | None, seed: int
) -> tuple[tuple[Slip, ...], dict[str, str], dict[str, str]]:
    """Slips, passphrases and commitments of the list that this one goes on from."""
    if earlier is None:
        return (), {}, {}
    _refuse_other_list(drawn, _about(earlier), seed)
    if not (earlier / "passphrases.csv").exists():
        way = _about(earlier).get("opening", "chain")
        raise DesignError(f"the slips of {earlier} have no passphrases; go on with --way {way}, as it was begun")
    words = read_plain_table(earlier / "passphrases.csv", ("slip", "passphrase"), "a list of passphrases")
    published = read_commitments(earlier / "commitments.json")
    return read_slips(earlier / "list.csv"), dict(zip(words["slip"], words["passphrase"], strict=True)), published


def read_passphrases(folder: Path) -> dict[str, str]:
    """Passphrase of every slip of a list, for printing.

    Raises
    ------
    RecordsError
        If the folder holds none.
    """
    words = read_plain_table(Path(folder) / "passphrases.csv", ("slip", "passphrase"), "a list of passphrases")
    return dict(zip(words["slip"].astype(str), words["passphrase"].astype(str), strict=True))


def write_list(
    drawn: AllocationList, folder: Path, *, seed: int, by_coordinator: bool = False, earlier: Path | None = None
) -> list[Path]:
    """Write the list and its description, which says so where its slips are opened by its keeper alone.

    Parameters
    ----------
    drawn : AllocationList
        All slips, or with ``earlier`` the new ones.
    folder : Path
    seed : int
    by_coordinator : bool
        Whether its keeper alone opens the slips.
    earlier : Path or None
        Folder of a list that its keeper opens: its slips stand before the new ones, its logs of openings are copied.

    Raises
    ------
    DesignError
        If the earlier list is another's, or not opened by its keeper.
    """
    if earlier is not None:
        return _write_longer(drawn, Path(folder), Path(earlier), seed)
    about = {
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
        "quality": asdict(drawn.quality),
    }
    if by_coordinator:
        about["opening"] = COORDINATOR
    return _write_described(drawn.to_frame(), about, Path(folder))


def _write_longer(drawn: AllocationList, folder: Path, earlier: Path, seed: int) -> list[Path]:
    about = _about(earlier)
    if about.get("opening") != COORDINATOR:
        raise DesignError(f"the slips of {earlier} are not opened by its keeper; go on with --way as it was begun")
    _refuse_other_list(drawn, about, seed)
    whole = replace(drawn, slips=(*read_slips(earlier / "list.csv"), *drawn.slips))
    about["continued"] = _continued(about, drawn, seed)
    about["quality"] = asdict(list_quality(whole.slips, whole.arms, whole.ratio))
    logs = [write_bytes(folder / log.name, log.read_bytes(), private=True) for log in logs_in(earlier)]
    return logs + _write_described(whole.to_frame(), about, folder)


def _write_described(listed: pd.DataFrame, about: Mapping[str, Any], folder: Path) -> list[Path]:
    text = json.dumps(about, indent=2, sort_keys=True) + "\n"
    return [
        write_bytes(folder / "list.json", text.encode("utf-8"), private=True),
        write_bytes(folder / "list.csv", listed.to_csv(index=False, lineterminator="\n").encode("utf-8"), private=True),
    ]


def _write_sealed_lists(drawn: AllocationList, folder: Path, seed: int, case_codes: str) -> list[Path]:
    paths = []
    for practice in sorted({s.practice_id for s in drawn.slips}):
        strata: dict[str, Any] = {}
        for stratum in sorted({s.stratum for s in drawn.slips if s.practice_id == practice}):
            contents = [_contents(s) for s in drawn.slips if s.stratum == stratum]
            first, sealed = seal_slips(contents, secret=f"{drawn.commitment}:{seed}:{stratum}")
            strata[stratum] = {"key": first, "slips": sealed}
        content = {"strata": strata, **_named(drawn.strata, drawn.slips, case_codes)}
        paths.append(_write_sealed(folder, practice, drawn.study_id, drawn.protocol_digest, "list", content))
    return paths


def _contents(slip: Slip) -> dict[str, Any]:
    return {"slip": slip.slip, "arms": list(slip.arms), "sides": list(slip.sides)}


def _named(strata: Sequence[str], slips: Sequence[Slip], case_codes: str) -> dict[str, Any]:
    """What a sealed file says about the whole list, so that levels and cases can be held against it."""
    return {
        "columns": [name for name in strata if name != "practice_id"],
        "practices": sorted({s.practice_id for s in slips}),
        **({"case_codes": case_codes} if case_codes else {}),
    }


def write_minimisation(protocol: Protocol, folder: Path, *, seed: int) -> list[Path]:
    """Write a sealed file for each practice whose arms are drawn one by one, each time it is opened."""
    rule = protocol.allocation
    if rule is None or rule.method != "minimisation":
        raise DesignError('this protocol does not say method = "minimisation" under [allocation]')
    arms = [arm.code for arm in protocol.arms]
    paths = []
    for number, practice in enumerate(protocol.study.practices):
        secret = {"slip": practice, "seed": seed * 1000 + number}
        first, sealed = seal_slips([secret], secret=f"{seed}:{practice}")
        rules = {
            "factors": [f for f in rule.strata if f != "practice_id"],
            "arms": arms,
            "ratio": list(rule.ratio or (1,) * len(arms)),
            "key": first,
            "seed": sealed,
            "practices": list(protocol.study.practices),
            **({"case_codes": protocol.study.case_codes} if protocol.study.case_codes else {}),
        }
        paths.append(_write_sealed(Path(folder), practice, protocol.study.id, protocol.digest, "minimisation", rules))
    return paths


def _write_sealed(folder: Path, practice: str, study: str, digest: str, kind: str, content: Mapping[str, Any]) -> Path:
    body = {"study": study, "protocol": digest, "practice": practice, "kind": kind, **content}
    text = json.dumps(body, indent=1, sort_keys=True) + "\n"
    return write_bytes(folder / f"sealed-{practice}.json", text.encode("utf-8"), private=True)


def write_continued(
    drawn: AllocationList, folder: Path, earlier: Path, *, seed: int, case_codes: str = ""
) -> list[Path]:
    """Write a list that goes on from an earlier one: the slips that were there stay, the new ones stand behind them.

    Parameters
    ----------
    drawn : AllocationList
        The new slips, drawn after those of the earlier list.
    folder : Path
        Where the longer list, its sealed files and copies of the opening logs are written; another than ``earlier``.
    earlier : Path
        Folder of the earlier list with its sealed files.
    seed : int
        Seed of the new slips; not one of the earlier ones.
    case_codes : str
        Pattern of the protocol's case codes; it takes the place of that of the earlier files.

    Raises
    ------
    DesignError
        If the earlier list is of another study or rule, or its seed is used again.
    RecordsError
        If there is no earlier list.
    """
    folder, earlier = Path(folder), Path(earlier)
    before = read_slips(earlier / "list.csv")
    about = _about(earlier)
    _refuse_other_list(drawn, about, seed)
    if about.get("opening") == COORDINATOR:
        raise DesignError(f"the slips of {earlier} are opened by its keeper; go on with --way {COORDINATOR}")
    sealed = {p: read_sealed(earlier / f"sealed-{p}.json") for p in sorted({s.practice_id for s in before})}
    if any(content["kind"] != "list" for content in sealed.values()):
        raise DesignError(f"the slips of {earlier} have passphrases; go on without --way chain, as it was begun")
    whole = replace(drawn, slips=(*before, *drawn.slips))
    told = {
        **about,
        "continued": _continued(about, drawn, seed),
        "quality": asdict(list_quality(whole.slips, whole.arms, whole.ratio)),
    }
    paths = []
    for practice, content in sealed.items():
        strata = {
            stratum: {
                "key": place["key"],
                "slips": continue_slips(
                    place["slips"],
                    [_contents(s) for s in drawn.slips if s.stratum == stratum],
                    first_key=place["key"],
                    secret=f"{drawn.commitment}:{seed}:{stratum}",
                ),
            }
            for stratum, place in content["strata"].items()
        }
        kept = {name: value for name, value in content.items() if name != "case_codes"}
        more = {**kept, **_named(drawn.strata, whole.slips, case_codes), "strata": strata, "continues": True}
        text = json.dumps(more, indent=1, sort_keys=True) + "\n"
        paths.append(write_bytes(folder / f"sealed-{practice}.json", text.encode("utf-8"), private=True))
    paths += [
        write_bytes(folder / log.name, log.read_bytes(), private=True) for log in sorted(earlier.glob("opened-*.csv"))
    ]
    return paths + _write_described(whole.to_frame(), told, folder)


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
    sealed = {
        part for path in sorted(Path(folder).glob("sealed-*.json")) for part in newer_sealed_parts(read_sealed(path))
    }
    return tuple(sorted({*newer_parts(_about(Path(folder))), *sealed}))


def _refuse_other_list(drawn: AllocationList, about: Mapping[str, Any], seed: int) -> None:
    for name, ours in (("study", drawn.study_id), ("method", drawn.method), ("arms", list(drawn.arms)),
                       ("ratio", list(drawn.ratio)), ("strata", list(drawn.strata))):  # fmt: skip
        if about.get(name) != ours:
            raise DesignError(
                f"the earlier list has another {name} than this protocol. A list goes on only under the rule that it "
                "was begun with"
            )
    if seed in (about.get("seed"), *(part["seed"] for part in about.get("continued", []))):
        raise DesignError("the earlier list was drawn from this seed; it would repeat itself. Give another seed")
