"""The order in which a randomised study begins: its promises first, then the list, then the first slip."""

from __future__ import annotations

from pathlib import Path

from onsetstudy.cli import say
from onsetstudy.core.errors import Problem, ProtocolError, Where
from onsetstudy.files.ledger.lock import changes_since_lock, read_lock
from onsetstudy.files.sealed.opening_log import read_sealed
from onsetstudy.files.sources.protocol_toml import read_protocol
from onsetstudy.protocol.model import Protocol


def lock_fault(path: Path, promised: Protocol) -> Problem | None:
    """Why a randomised protocol may not begin: it is not locked, or was changed since; ``None`` if it may."""
    if not promised.study.randomised:
        return None
    where = Where(file=path.name)
    if read_lock(path) is None:
        mend = (
            f"lock it before anything is drawn or opened. The order: onsetstudy lock {path}; onsetstudy allocate "
            f"{path} --into FOLDER; onsetstudy open-slip FILE --protocol {path}"
        )
        what = "this randomised protocol is not locked, and a study begins with its promises"
        return Problem(what=what, where=where, mend=mend, code="not_locked")
    if changes_since_lock(path):
        mend = f"amend it with its reason: onsetstudy lock {path} --reason WHY"
        what = "this protocol was changed since it was locked"
        return Problem(what=what, where=where, mend=mend, code="changed_since_lock")
    return None


def held_to_order(path: Path) -> Protocol:
    """The protocol of a study that may begin: a randomised one of real patients is locked; an invented one is warned.

    Raises
    ------
    ProtocolError
        With the order to follow.
    """
    promised = read_protocol(path)
    if (fault := lock_fault(path, promised)) is not None:
        if not promised.study.invented:
            raise ProtocolError(fault)
        say.please_look(f"{fault} A study that is not invented would stop here.")
    return promised


def protocol_beside(sealed: Path) -> Path | None:
    """The protocol of a sealed file where none was named: beside it, or in the folder above.

    Where there is none, that is said: whether the promises came first is then not known.
    """
    study = read_sealed(sealed)["study"]
    home = sealed.absolute().parent
    for path in (*sorted(home.glob("*.toml")), *sorted(home.parent.glob("*.toml"))):
        try:
            promised = read_protocol(path)
        except ProtocolError:
            continue
        if promised.study.id == study:
            return path
    say.please_look("without --protocol, nothing shows whether the protocol was locked before this slip is opened.")
    return None
