"""Who may: one-time tokens, sessions that end, and what each role may do."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Callable

from onsetstudy.files.store import EventStore

__all__ = ["ALONE", "MAY", "MIXER", "ROLES", "TESTER", "TREATING", "PairingCodes", "Sessions"]

TESTER, TREATING, MIXER, ALONE = "tester", "treating", "mixer", "alone"
ROLES = (TESTER, TREATING, MIXER, ALONE)
MAY: dict[str, frozenset[str]] = {
    TESTER: frozenset({"chair"}),
    TREATING: frozenset({"chair", "study"}),
    MIXER: frozenset({"mixing"}),
    ALONE: frozenset({"chair", "study", "mixing"}),
}
"""``chair``: entries of a case; ``mixing``: slips and what was mixed; ``study``: pause, unblinding, follow-up.

``alone`` is one clinician who does everything, in a study whose assessor is not blinded.
"""
SESSION_S = 12 * 3600.0
TOKEN_S = 3600.0
PAIRING_S = 600.0
ATTEMPTS = 5
PAIRING_ALPHABET = "23456789ABCDEFGHJKLMNPQRSTVWXYZ"


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


class Sessions:
    """Sessions in the store, so that a page goes on after the server was killed; tokens in memory, used once.

    Parameters
    ----------
    store : EventStore
    now : callable
        Seconds since 1970.
    """

    def __init__(self, store: EventStore, now: Callable[[], float]) -> None:
        self._store, self._now = store, now
        self._tokens: dict[str, tuple[str, float]] = {}

    def new_token(self, role: str) -> str:
        """A token that lets one browser in, once, within an hour."""
        token = secrets.token_urlsafe(24)
        self._tokens[_digest(token)] = (role, self._now() + TOKEN_S)
        return token

    def enter(self, token: str) -> tuple[str, str] | None:
        """Secret of a new session and its role, for a token that was not used yet."""
        role, ends = self._tokens.pop(_digest(token), ("", 0.0))
        return (self.begin(role), role) if role and self._now() < ends else None

    def begin(self, role: str) -> str:
        """Secret of a new session."""
        secret = secrets.token_urlsafe(32)
        self._store.add_session(_digest(secret), role, self._now() + SESSION_S)
        return secret

    def role_of(self, secret: str) -> str | None:
        """Role of a session; ``None`` if there is none or it has ended."""
        return self._store.session_role(_digest(secret), self._now()) if secret else None

    def end(self, secret: str) -> None:
        """End a session."""
        self._store.end_sessions(digest=_digest(secret))


class PairingCodes:
    """A short code on the computer's screen that pairs one tablet; five wrong attempts close it.

    The code has 8 signs of 31: one guess in 5 of 31**8 finds it with a chance below 1e-11.
    """

    def __init__(self, now: Callable[[], float]) -> None:
        self._now = now
        self._code, self._role, self._ends, self._left = "", "", 0.0, 0

    def new(self, role: str) -> str:
        """A new code in place of an earlier one."""
        self._code = "".join(secrets.choice(PAIRING_ALPHABET) for _ in range(8))
        self._role, self._ends, self._left = role, self._now() + PAIRING_S, ATTEMPTS
        return self._code

    def role_for(self, code: str) -> str | None:
        """Role that a code pairs for; used once. After five wrong ones nothing fits until there is a new code."""
        if not self._code or self._left <= 0 or self._now() >= self._ends:
            return None
        given = "".join(code.upper().split()).replace("-", "")
        if hmac.compare_digest(given.encode("utf-8", "replace"), self._code.encode("ascii")):
            self._code = ""
            return self._role
        self._left -= 1
        return None
