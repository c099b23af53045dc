"""The set-up on a page: the questions of the terminal, for whoever starts the recorder without a protocol."""

from __future__ import annotations

import hmac
import secrets
import threading
from collections.abc import Callable, Mapping, Sequence

from starlette.applications import Starlette
from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from onsetstudy.chairside.guard import Guard, Unreadable, read_json
from onsetstudy.chairside.server import answered, no_session, page_routes, told_response
from onsetstudy.protocol.guided.questions import GUIDED, SETTLED, GuidedQuestion
from onsetstudy.records.chair.case_questions import words

Finish = Callable[[Mapping[str, str]], tuple[str, ...]]
"""Writes the protocol from the answers by name and tells what it wrote; raises OnsetStudyError if it cannot."""


def _asked(question: GuidedQuestion) -> dict[str, object]:
    """One question as the page asks it, with its answers in words where there is a choice.

    ``needs`` is empty, or an earlier question and the answers to it after which this one is asked.
    """
    given = (("yes", "Yes"), ("no", "No")) if question.kind == "yes_no" else ()
    return {
        "name": question.name,
        "question": question.text,
        "kind": question.kind,
        "usual": question.default,
        "answers": given or [(code, words(code)) for code in question.codes],
        "needs": () if question.needs is None else (question.needs[0], *question.needs[1]),
    }


class SetUpPage:
    """Lets one browser in, once, and takes its answers until a protocol is written.

    Parameters
    ----------
    finish : callable
        Writes the protocol.
    end : callable
        Called once it is written and the browser was told.
    cookie : str
        Name of the cookie.
    """

    def __init__(self, finish: Finish, end: Callable[[], None], *, cookie: str) -> None:
        self._finish, self._end, self._cookie = finish, end, cookie
        self.token = secrets.token_urlsafe(24)
        self._secret, self._lock = "", threading.Lock()

    def app(self, origins: Sequence[str]) -> Guard:
        """The application of the set-up, behind the same guard as the recorder's."""
        routes = [
            *page_routes(),
            Route("/enter", self.enter),
            Route("/api/setup", self.setup),
            Route("/api/set-up", answered(self.take), methods=["POST"]),
        ]
        return Guard(Starlette(routes=routes), origins)

    async def enter(self, request: Request) -> Response:
        """Take the one-time token for a session."""
        given = request.query_params.get("token", "")[:200].encode("utf-8", "replace")
        if not self.token or not hmac.compare_digest(given, self.token.encode("ascii")):
            return PlainTextResponse("This address was used already. Start the recorder again for a new one.", 403)
        self.token, self._secret = "", secrets.token_urlsafe(32)
        response = RedirectResponse("/", 303)
        response.set_cookie(self._cookie, self._secret, httponly=True, samesite="strict")
        return response

    def _write(self, told: Mapping[str, str]) -> tuple[str, ...]:
        """Sent twice, the second finds what the first has written."""
        with self._lock:
            return self._finish(told)

    def _is_in(self, request: Request) -> bool:
        given = request.cookies.get(self._cookie, "").encode("utf-8", "replace")
        return bool(self._secret) and hmac.compare_digest(given, self._secret.encode("ascii"))

    async def setup(self, request: Request) -> Response:
        """The questions."""
        if not self._is_in(request):
            return no_session()
        # Questions for everybody, and those that are asked where chance decides.
        asked, settled = (list(map(_asked, questions)) for questions in (GUIDED, SETTLED))
        return told_response({"role": "set_up", "questions": asked, "settled": settled})

    async def take(self, request: Request) -> Response:
        """Write the protocol from the answers."""
        if not self._is_in(request):
            return no_session()
        told = (await read_json(request)).get("answers")
        if not isinstance(told, dict) or not all(isinstance(text, str) for text in told.values()):
            raise Unreadable("the answers are missing")
        response = told_response({"lines": await run_in_threadpool(self._write, told)})
        response.background = BackgroundTask(self._end)
        return response
