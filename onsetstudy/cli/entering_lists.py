"""Lists of arms entered in the ledger: as they are drawn, or as they are found if they were drawn before the lock."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from onsetstudy.cli import say
from onsetstudy.cli.ledger_entries import enter_missing, entered, keeps_ledger
from onsetstudy.core.errors import RecordsError
from onsetstudy.files.ledger.ledger import ledger_path
from onsetstudy.files.ledger.side_files import folders_beside
from onsetstudy.files.sealed.described_list import read_description
from onsetstudy.files.sealed.kept_allocation import digests_of, read_allocation_list, unlike_copies
from onsetstudy.protocol.model import Protocol


def enter_list(
    protocol: Path, promised: Protocol, *, commitment: str, slips: int, paths: Sequence[Path], drawn_under: str = ""
) -> bool:
    """Enter that a list was drawn: digests of its files, none of their content; whether it was not there before.

    ``drawn_under`` is the digest of the protocol that the list was drawn under, where it is not today's.
    """
    if not keeps_ledger(protocol, promised):
        return False
    files = digests_of(paths)
    body = {"protocol": drawn_under or promised.digest, "commitment": commitment, "slips": slips, "files": files}
    # What minimisation draws has no list, and is none that was there before.
    return enter_missing(
        ledger_path(protocol), "list_drawn", [body], lambda told: told["files"].get("list.csv", object())
    )


def enter_list_there(protocol: Path, promised: Protocol, folder: Path, *, drawn_under: str = "") -> bool:
    """Enter a list that was written, if the power failed before it was entered; whether it was not there before.

    A list with the commitment of one that was entered, and another content, is a changed copy and never entered.
    """
    listed, commitment = read_allocation_list(folder / "list.csv")
    if commitment and any(e.body["commitment"] == commitment for e in entered(protocol, "list_drawn")):
        return False
    names = ("commitments.json", "passphrases.csv", "list.json", "list.csv")
    paths = [*sorted(folder.glob("sealed-*.json")), *(folder / n for n in names if (folder / n).exists())]
    slips = int(listed["slip"].nunique())
    return enter_list(protocol, promised, commitment=commitment, slips=slips, paths=paths, drawn_under=drawn_under)


def enter_lists_beside(protocol: Path, promised: Protocol) -> tuple[str, ...]:
    """Enter every list of this study that lies beside its protocol, or in a folder there; what was done, as sentences.

    A list that was drawn before the lock would otherwise never stand in the ledger, and could be changed unseen. Once
    a list was entered no other is entered so: it would be vouched for, whoever wrote it.
    """
    if entered(protocol, "list_drawn"):
        return ()
    told: list[str] = []
    found: list[tuple[Path, str, str]] = []
    for folder in folders_beside(protocol):
        if not (folder / "list.csv").is_file() or not (folder / "list.json").is_file():
            continue
        with _told_unread(folder, told):
            about = read_description(folder / "list.json")
            if about.get("study") == promised.study.id:
                found.append((folder, str(about.get("protocol", "")), str(about.get("commitment", ""))))
    if alike := unlike_copies([(folder, commitment) for folder, _, commitment in found]):
        names = ", ".join(folder.name for folder in alike)
        return (*told, say.to_look_at(f"{names} hold one list with different contents: none of these was entered."))
    for folder, under, _ in found:
        with _told_unread(folder, told):
            if not enter_list_there(protocol, promised, folder, drawn_under=under):
                continue
            told.append(f"Entered as it is today: the list in {folder.name}, which was drawn before.")
            if under != promised.digest:
                told.append(say.to_look_at(f"the list in {folder.name} was drawn under another text of this protocol."))
    return tuple(told)


@contextmanager
def _told_unread(folder: Path, told: list[str]) -> Iterator[None]:
    """What is done with a list inside is left undone, and told, where the list cannot be read."""
    try:
        yield
    except RecordsError as error:
        told.append(f"The list in {folder.name} is not entered, as it cannot be read: {error}")
