"""The routes: thin, each asking the recorder for a view of one role."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from onsetstudy.chairside.guard import Guard, Unreadable, read_json
from onsetstudy.chairside.recorder import Answer, Recorder, roles_offered
from onsetstudy.chairside.sessions import MAY, SESSION_S, PairingCodes, Sessions
from onsetstudy.chairside.views import as_json
from onsetstudy.core.errors import OnsetStudyError
from onsetstudy.files.store import StoreUnavailable

PAGE = Path(__file__).parent / "page"
TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
Answering = Callable[[Request], Awaitable[Response]]
Handler = Callable[[Request, str], Awaitable[Response]]


def page_routes() -> list[Route]:
    """Routes of the files of the page."""
    files = [Route(f"/{p.name}", _file(p)) for p in sorted(PAGE.iterdir()) if p.suffix in TYPES]
    return [*files, Route("/", _file(PAGE / "index.html"))]


def _file(path: Path) -> Answering:
    content = path.read_bytes()

    async def answer(_: Request) -> Response:
        return Response(content, media_type=TYPES[path.suffix])

    return answer


def answered(handler: Answering) -> Answering:
    """The handler, and the refusal of a request that cannot be read or obeyed."""

    async def answer(request: Request) -> Response:
        try:
            return await handler(request)
        except Unreadable as error:
            return PlainTextResponse(f"The request cannot be read: {error}.", 400)
        except OnsetStudyError as error:
            return told_response({"why": str(error)}, 503 if isinstance(error, StoreUnavailable) else 409)

    return answer


async def _view(ask: Callable[..., object], *given: object, padded: bool = False) -> Response:
    """What the recorder answers, as the view of a role."""
    return view_response(await run_in_threadpool(ask, *given), padded=padded)


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class ChairServer:
    """Routes of one recorder.

    Parameters
    ----------
    recorder : Recorder
    sessions : Sessions
    pairing : PairingCodes
        Codes for a tablet.
    announce : callable
        Shows a role and its new pairing code on the computer's screen.
    cookie : str
        Name of its cookie; browsers do not tell ports apart, so the port stands in it.
    """

    recorder: Recorder
    sessions: Sessions
    pairing: PairingCodes
    announce: Callable[[str, str], None]
    cookie: str

    def app(self, origins: Sequence[str]) -> ASGIApp:
        """The application, behind its guard; ``origins`` are addresses under which a browser may reach it."""
        may = self._may
        routes = [
            *page_routes(),
            Route("/enter", self.enter),
            Route("/api/pair", answered(self.pair), methods=["POST"]),
            Route("/api/setup", may("", lambda _, role: _view(self.recorder.setup, role))),
            Route("/api/leave", may("", self.leave), methods=["POST"]),
            Route("/api/clock", may("", self.clock), methods=["POST"]),
            Route("/api/overview", may("", lambda _, __: _view(self.recorder.overview, dt.date.today()))),
            Route("/api/entries", may("", self.add), methods=["POST"]),
            Route("/api/chair", may("chair", self.chair)),
            Route("/api/training", may("chair", self.training)),
            Route("/api/card", may("chair", self.card), methods=["POST"]),
            Route("/api/pairing", may("study", self.new_code), methods=["POST"]),
            Route("/api/unblind", may("study", self.unblind), methods=["POST"]),
            Route("/api/mixing", may("mixing", lambda _, __: _view(self.recorder.mixing, padded=True))),
            Route("/api/mixing/drill", may("mixing", lambda _, __: _view(self.recorder.drill))),
            Route("/api/mixing/slip", may("mixing", self.open_slip), methods=["POST"]),
            Route("/api/mixing/prepared", may("mixing", self.prepare), methods=["POST"]),
        ]
        return Guard(Starlette(routes=routes), origins)

    def _may(self, right: str, handler: Handler) -> Answering:
        """The handler for those who have a session, and the right."""

        async def allowed(request: Request) -> Response:
            role = await run_in_threadpool(self.sessions.role_of, request.cookies.get(self.cookie, ""))
            if role is None:
                return no_session()
            if right and right not in MAY[role]:
                return PlainTextResponse("This role may not see that.", 403)
            return await handler(request, role)

        return answered(allowed)

    async def enter(self, request: Request) -> Response:
        """Take a one-time token for a session."""
        secret = await run_in_threadpool(self.sessions.enter, request.query_params.get("token", "")[:200])
        if secret is None:
            text = "This address was used already, or is too old. Start the recorder again for a new one."
            return PlainTextResponse(text, 403)
        return self._with_session(RedirectResponse("/", 303), secret)

    async def pair(self, request: Request) -> Response:
        """Take a pairing code for a session."""
        code = (await read_json(request)).get("code")
        role = self.pairing.role_for(code) if isinstance(code, str) else None
        if role is None:
            why = "the code does not fit; look at the computer's screen for the present one"
            return told_response({"why": why}, 403)
        return self._with_session(told_response({"role": role}), await run_in_threadpool(self.sessions.begin, role))

    async def new_code(self, request: Request, _: str) -> Response:
        """Make a pairing code for one more tablet; it stands on the computer's screen, and in no browser."""
        role = (await read_json(request)).get("role")
        if not self.recorder.shared or role not in roles_offered(self.recorder.protocol):
            return told_response({"why": "no tablet can be paired: start the recorder with --share"}, 409)
        self.announce(role, self.pairing.new(role))
        return told_response({})

    def _with_session(self, response: Response, secret: str) -> Response:
        kept_s, safe = int(SESSION_S), self.recorder.shared
        response.set_cookie(self.cookie, secret, max_age=kept_s, httponly=True, samesite="strict", secure=safe)
        return response

    async def leave(self, request: Request, _: str) -> Response:
        """End this session."""
        await run_in_threadpool(self.sessions.end, request.cookies.get(self.cookie, ""))
        response = told_response({})
        response.delete_cookie(self.cookie)
        return response

    async def clock(self, request: Request, _: str) -> Response:
        """The computer's clocks, for an anchor."""
        await read_json(request)
        return view_response(self.recorder.clock_view())

    async def add(self, request: Request, role: str) -> Response:
        """Store entries."""
        body = await read_json(request)
        return _answers(await run_in_threadpool(self.recorder.add, role, body.get("entries")))

    async def chair(self, request: Request, _: str) -> Response:
        """Entries behind a place."""
        text = request.query_params.get("after", "0")
        after = int(text) if text.isascii() and text.isdecimal() and len(text) < 16 else 0
        return await _view(self.recorder.chair, after)

    async def training(self, request: Request, _: str) -> Response:
        """A sequence to train on, in practice, and how far those who answered it agree."""
        assessor, sequence = (request.query_params.get(name, "")[:40] for name in ("assessor", "sequence"))
        return await _view(self.recorder.training, assessor, sequence)

    async def card(self, request: Request, _: str) -> Response:
        """What the code on a patient's card tells."""
        code = (await read_json(request)).get("code")
        if not isinstance(code, str):
            raise Unreadable("the code is missing")
        return await _view(self.recorder.card, code, dt.date.today())

    async def unblind(self, request: Request, role: str) -> Response:
        """Emergency unblinding."""
        body = await read_json(request)
        answer, view = await run_in_threadpool(self.recorder.unblind, role, body.get("entry"))
        return view_response(view, padded=True) if view is not None else _answers([answer], 409)

    async def open_slip(self, request: Request, _: str) -> Response:
        """Open a slip."""
        body = await read_json(request)
        case_id, by = (body.get(name) for name in ("case_id", "by"))
        passphrase = body.get("passphrase", "")
        if not isinstance(case_id, str) or not isinstance(by, str) or not isinstance(passphrase, str):
            raise Unreadable("case and person are missing")
        return await _view(self.recorder.open_slip, case_id, by, dt.datetime.now(), passphrase, padded=True)

    async def prepare(self, request: Request, role: str) -> Response:
        """What was mixed."""
        return _answers(await run_in_threadpool(self.recorder.prepare, role, await read_json(request)))


def no_session() -> Response:
    """The refusal of a browser that was not let in."""
    return PlainTextResponse("No session. Open the address shown on the computer.", 401)


def view_response(view: object, *, padded: bool = False) -> Response:
    """A view as an answer."""
    return Response(as_json(view, padded=padded), media_type="application/json")


def told_response(value: object, status: int = 200) -> Response:
    """A value as an answer."""
    return Response(json.dumps(value, sort_keys=True).encode("ascii"), status, media_type="application/json")


def _answers(answers: Sequence[Answer], status: int = 200) -> Response:
    return told_response({"entries": [dataclasses.asdict(a) for a in answers]}, status)
