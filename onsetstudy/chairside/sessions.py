"""Who may: one-time tokens, sessions that end, and what each role may do."""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import secrets
from collections.abc import Callable

from onsetstudy.chairside.clock import Reading
from onsetstudy.files.store import EventStore, StoreUnavailable
from onsetstudy.records.chair.case_codes import ALPHABET

TESTER, TREATING, MIXER, ALONE = "tester", "treating", "mixer", "alone"
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
SEEN_EVERY_S = 60.0
BACKWARDS_S = 2.0
"""A time of day this much earlier after a restart was set (own choice: battery clocks are read to the second)."""
ATTEMPTS = 5


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


class Sessions:
    """Sessions in the store, so that a page goes on after the server was killed; tokens in memory, used once.

    Both end by the clock that runs on through sleep: whoever sets the time of day neither ends nor prolongs them. That
    clock begins anew when the computer does (where the system has none, when the server does). A session then keeps
    what it had left when the clocks were last seen, at most a minute before, less what the time of day says has
    passed since. If the time of day stands earlier than it did, nothing tells how long the computer was off, and all
    sessions end.

    Parameters
    ----------
    store : EventStore
    read : callable
        Both clocks of the computer.
    """

    def __init__(self, store: EventStore, read: Callable[[], Reading]) -> None:
        self._store, self._read = store, read
        self._tokens: dict[str, tuple[str, float]] = {}
        now = read()
        self._carry(now)
        self._see(now)

    def _carry(self, now: Reading) -> None:
        """Take over what sessions of an earlier start of the clock have left."""
        seen = self._store.clock_seen()
        if seen is not None and seen[0] != now.boot:
            boot, server_s, wall_s = seen
            away_s = now.server_wall_s - wall_s
            if away_s >= -BACKWARDS_S:
                self._store.carry_sessions(boot, now.boot, forward_s=now.server_s - server_s - max(away_s, 0.0))
        self._store.drop_sessions(boot=now.boot, now_s=now.server_s)

    def _see(self, now: Reading) -> None:
        self._seen_s = now.server_s
        self._store.see_clock(now.boot, now.server_s, now.server_wall_s)

    def new_token(self, role: str) -> str:
        """A token that lets one browser in, once, within an hour."""
        token = secrets.token_urlsafe(24)
        self._tokens[_digest(token)] = (role, self._read().server_s + TOKEN_S)
        return token

    def enter(self, token: str) -> str | None:
        """Secret of a new session, for a token that was not used yet."""
        role, ends = self._tokens.pop(_digest(token), ("", 0.0))
        return self.begin(role) if role and self._read().server_s < ends else None

    def begin(self, role: str) -> str:
        """Secret of a new session."""
        secret = secrets.token_urlsafe(32)
        now = self._read()
        self._store.add_session(_digest(secret), role, boot=now.boot, ends_s=now.server_s + SESSION_S)
        return secret

    def role_of(self, secret: str) -> str | None:
        """Role of a session; ``None`` if there is none or it has ended."""
        if not secret:
            return None
        now = self._read()
        if now.server_s - self._seen_s >= SEEN_EVERY_S:
            # Seen again in a minute if the disk is full now: nobody is kept from reading by it.
            with contextlib.suppress(StoreUnavailable):
                self._see(now)
        return self._store.session_role(_digest(secret), boot=now.boot, now_s=now.server_s)

    def end(self, secret: str) -> None:
        """End a session."""
        self._store.end_session(_digest(secret))


class PairingCodes:
    """A short code on the computer's screen that pairs one tablet; five wrong attempts close it.

    The code has 8 signs of 31: one guess in 5 of 31**8 finds it with a chance below 1e-11.

    Parameters
    ----------
    read : callable
        Both clocks of the computer; codes end by the one that runs on.
    """

    def __init__(self, read: Callable[[], Reading]) -> None:
        self._read = read
        self._code, self._role, self._ends, self._left = "", "", 0.0, 0

    def new(self, role: str) -> str:
        """A new code in place of an earlier one."""
        self._code = "".join(secrets.choice(ALPHABET) for _ in range(8))
        self._role, self._ends, self._left = role, self._read().server_s + PAIRING_S, ATTEMPTS
        return self._code

    def role_for(self, code: str) -> str | None:
        """Role that a code pairs for; used once. After five wrong ones nothing fits until there is a new code."""
        if not self._code or self._left <= 0 or self._read().server_s >= self._ends:
            return None
        given = "".join(code.upper().split()).replace("-", "")
        if hmac.compare_digest(given.encode("utf-8", "replace"), self._code.encode("ascii")):
            self._code = ""
            return self._role
        self._left -= 1
        return None
