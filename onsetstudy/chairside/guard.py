"""What stands before every request: one host, one origin, small bodies, and headers that forbid everything else."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Sequence
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from onsetstudy.files.guard import deeper_than

LARGEST_BODY = 64 * 1024
BODY_S = 5.0
DEEPEST = 6
HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "img-src 'self'; worker-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}


class Unreadable(Exception):
    """A body that is not what the page sends."""


class Guard:
    """Refuses what does not come from the page itself, before anything reads it.

    Parameters
    ----------
    app : ASGI application
    origins : sequence of str
        Addresses of this server as a browser writes them: ``http://127.0.0.1:8123``.
    """

    def __init__(self, app: ASGIApp, origins: Sequence[str]) -> None:
        self._app = app
        self._origins = frozenset(origins)
        self._hosts = frozenset(origin.split("://", 1)[1] for origin in origins)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(HEADERS)
            await send(message)

        answer = self._refusal(scope) or self._app
        await answer(scope, receive, send_with_headers)

    def _refusal(self, scope: Scope) -> PlainTextResponse | None:
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self._hosts:
            return PlainTextResponse("This address does not lead here.", 421)
        if scope["method"] in ("GET", "HEAD"):
            return None
        if scope["method"] != "POST":
            return PlainTextResponse("Not allowed.", 405)
        own = [o for o in self._origins if o.endswith("://" + hosts[0].lower())]
        if headers.getlist("origin") != own or headers.get("sec-fetch-site", "same-origin") != "same-origin":
            return PlainTextResponse("Only the page itself may send.", 403)
        if headers.get("content-type", "").split(";")[0].strip() != "application/json":
            return PlainTextResponse("Only JSON is read.", 415)
        length = headers.get("content-length", "0")
        if not length.isdecimal() or len(length) > 12 or int(length) > LARGEST_BODY:
            return PlainTextResponse("Too large.", 413)
        return None


async def read_json(request: Request) -> dict[str, Any]:
    """Body of a request as a JSON object; read within five seconds, and no further than it may be long.

    Raises
    ------
    Unreadable
        If it is too large, too slow, too deep, or no JSON object.
    """
    try:
        async with asyncio.timeout(BODY_S):
            body = bytearray()
            async for chunk in request.stream():
                body += chunk
                if len(body) > LARGEST_BODY:
                    raise Unreadable("too large")
    except TimeoutError:
        raise Unreadable("too slow") from None
    try:
        value = json.loads(body.decode("utf-8"), parse_constant=_no_constant)
    except (ValueError, RecursionError):
        raise Unreadable("no JSON") from None
    if not isinstance(value, dict) or deeper_than(DEEPEST, value):
        raise Unreadable("no object")
    return value


def _no_constant(name: str) -> float:
    raise ValueError(name)
