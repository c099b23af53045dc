"""One writer at a time: a lock that the system itself lets go when its holder dies."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from onsetstudy.core.errors import OnsetStudyError

__all__ = ["alone"]

WAIT_S = 20.0
STEP_S = 0.02


@contextmanager
def alone(path: Path) -> Iterator[None]:
    """Hold the lock of a file; the lock's own file, ``.name.lock``, stays behind empty and means nothing by itself.

    Parameters
    ----------
    path : Path
        The file that is to be written.

    Raises
    ------
    OnsetStudyError
        If somebody else goes on holding it for :data:`WAIT_S` seconds, or the folder cannot be written to.
    """
    lock = path.with_name(f".{path.name}.lock")
    try:
        lock.parent.mkdir(parents=True, exist_ok=True)
        number = os.open(lock, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o600)
    except OSError as error:
        raise OnsetStudyError(f"{lock.parent} cannot be written to ({error.strerror})") from None
    try:
        until = time.monotonic() + WAIT_S
        while not _taken(number):
            if time.monotonic() > until:
                raise OnsetStudyError(f"{path.name} is being written by another program. Try again in a minute")
            time.sleep(STEP_S)
        yield
    finally:
        os.close(number)


def _taken(number: int) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(number, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
