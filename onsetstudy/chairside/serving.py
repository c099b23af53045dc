"""Start the server on this computer alone: address, tokens, and an end that leaves nothing behind."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp

from onsetstudy.chairside.recorder import LedgerDoor, Recorder, roles_offered
from onsetstudy.chairside.server import ChairServer
from onsetstudy.chairside.sessions import PairingCodes, Sessions
from onsetstudy.chairside.set_up import Finish, SetUpPage
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.files.sources.recorded import facts_of, refuse_other_study
from onsetstudy.files.store import EventStore, preparations_path
from onsetstudy.protocol.model import Protocol

HERE = "127.0.0.1"


@dataclass(frozen=True, slots=True, kw_only=True)
class ServeOptions:
    """How the server is reached.

    ``port`` 0 takes the one kept in the store, or a free one. ``share`` is the address of this computer in the
    surgery's network, with ``certificate`` (chain) and ``key`` beside it; empty for this computer alone.
    ``ledger`` enters pauses, unblindings and openings.
    """

    practice: str
    sealed: Path | None = None
    port: int = 0
    practising: bool = False
    share: str = ""
    ledger: LedgerDoor | None = None
    certificate: Path | None = None
    key: Path | None = None


def serve(protocol: Protocol, path: Path, options: ServeOptions, *, say: Callable[[str, str], None]) -> None:
    """Serve until stopped; ``say(role, address)`` is told where each role's page is, once the server listens.

    Raises
    ------
    OnsetStudyError
        If the store cannot be used, or belongs to another study.
    """
    facts = facts_of(protocol, options.practice)
    with contextlib.ExitStack() as stack:
        store = stack.enter_context(EventStore(path, create=facts))
        preparations = stack.enter_context(EventStore(preparations_path(path), create=facts))
        refuse_other_study(path, store.facts(), facts)
        # The port of last time, so that an open page finds the server again.
        wanted = options.port or int(store.facts().get("port", "0"))
        listening = stack.enter_context(_listen(options.share or HERE, wanted))
        port = listening.getsockname()[1]
        store.keep_fact("port", str(port))
        recorder = Recorder(
            protocol,
            store,
            preparations,
            practice=options.practice,
            sealed=options.sealed,
            practising=options.practising,
            ledger=options.ledger,
            shared=bool(options.share),
        )
        sessions, pairing = Sessions(store, recorder.clock.read), PairingCodes(recorder.clock.read)
        scheme = "https" if options.share else "http"
        origins = [f"{scheme}://{host}:{port}" for host in (options.share, HERE, "localhost") if host]

        def announce(role: str, code: str) -> None:
            say(f"pairing code for one tablet ({role}, ten minutes): {code} at", f"{origins[0]}/")

        server = ChairServer(
            recorder=recorder, sessions=sessions, pairing=pairing, announce=announce, cookie=f"onset_{port}"
        )
        if options.share:
            first = roles_offered(protocol)[0]
            announce(first, pairing.new(first))
        for role in roles_offered(protocol):
            say(role, f"{origins[0]}/enter?token={sessions.new_token(role)}")
        config = _config(server.app(origins), certificate=options.certificate, key=options.key)
        uvicorn.Server(config).run(sockets=[listening])


def _config(app: ASGIApp, *, certificate: Path | None = None, key: Path | None = None) -> uvicorn.Config:
    return uvicorn.Config(
        app,
        log_level="error",
        access_log=False,
        lifespan="off",
        server_header=False,
        date_header=False,
        timeout_keep_alive=30,
        limit_concurrency=64,
        h11_max_incomplete_event_size=16 * 1024,
        ssl_certfile=certificate,
        ssl_keyfile=key,
    )


def _listen(host: str, wanted: int) -> socket.socket:
    """A socket that listens already; port 0 is any that is free."""
    # The protocol is named: without it the system gathers small answers and each takes 44 ms.
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, wanted))
    except OSError as error:
        listening.close()
        what = f"port {wanted} cannot be used ({error.strerror})"
        mend = (
            "is the recorder running already? Otherwise choose another with --port; open pages then have to be reopened"
        )
        raise OnsetStudyError(f"{what}. {mend}") from None
    listening.listen(128)
    return listening


def serve_set_up(finish: Finish, *, say: Callable[[str, str], None]) -> bool:
    """Serve the set-up on this computer until a protocol is written; returns whether it was.

    ``finish`` writes it from the answers; ``say`` is told the address, once the server listens.
    """
    done: list[bool] = []
    with _listen(HERE, 0) as listening:
        port = listening.getsockname()[1]

        def end() -> None:
            done.append(True)
            server.should_exit = True

        page = SetUpPage(finish, end, cookie=f"onset_set_up_{port}")
        origins = [f"http://{host}:{port}" for host in (HERE, "localhost")]
        server = uvicorn.Server(_config(page.app(origins)))
        say("set-up", f"{origins[0]}/enter?token={page.token}")
        server.run(sockets=[listening])
    return bool(done)
