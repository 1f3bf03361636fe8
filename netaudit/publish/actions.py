"""
What a person may change from the page: log in and out, acknowledge a finding, mute it. Each by POST, each answered with a redirect.

The guard has already held the request's origin against its host; here the form must bring its session's own secret.
"""

from __future__ import annotations

import hmac
from datetime import date
from typing import TYPE_CHECKING, Final
from urllib.parse import parse_qs

from starlette.concurrency import run_in_threadpool
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from netaudit.errors import NetauditError
from netaudit.publish.entry import SESSION_S, Pace
from netaudit.publish.guard import SESSION, cookie_name

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from starlette.requests import Request

    from netaudit.publish.entry import Access, Session, Sessions
    from netaudit.publish.kept import Kept

# A reason of 200 characters in UTF-8, each octet written as %XX, is 2,400; a key of a finding is shorter.
LONGEST_FORM: Final = 8192
_MOST_FIELDS: Final = 8
# A person mistypes a few times in a minute; who tries out tokens gets no further than this, from everywhere together.
TRIES, TRIES_PER_S = 5.0, 1 / 12
ALL_TRIES, ALL_TRIES_PER_S = 20.0, 1 / 3

Form = dict[str, str]


class Gate:
    """Logging in and out. `home` is the page that one who has logged in comes to."""

    def __init__(self, access: Access, sessions: Sessions, steady: Callable[[], float], *, home: str) -> None:
        self._access = access
        self._sessions = sessions
        self._home = home
        self._tries = Pace(TRIES, TRIES_PER_S, steady)
        self._all_tries = Pace(ALL_TRIES, ALL_TRIES_PER_S, steady)

    async def login(self, request: Request) -> Response:
        """Open a session for the token."""
        client = request.client.host if request.client else ""
        if not (self._tries.allows(client) and self._all_tries.allows("")):
            return PlainTextResponse("too many tries; wait a minute\n", 429, {"retry-after": "60"})
        form = await _form(request)
        if form is None or not self._access.opens(form.get("token", "")):
            return _to("/login?wrong")
        session = self._sessions.open()
        answer = _to(self._home)
        answer.set_cookie(
            cookie_name(self._access),
            session.number,
            max_age=int(SESSION_S),
            path="/",
            secure=self._access.secure,
            httponly=True,
            samesite="strict",
        )
        return answer

    async def logout(self, request: Request) -> Response:
        """End the session."""

        async def end(session: Session, _: Form) -> Response:
            self._sessions.close(session.number)
            answer = _to("/login")
            answer.delete_cookie(cookie_name(self._access), path="/", secure=self._access.secure, httponly=True)
            return answer

        return await self._logged_in(request, end)

    async def _logged_in(self, request: Request, act: Callable[[Session, Form], Awaitable[Response]]) -> Response:
        session: Session | None = request.scope[SESSION]
        form = await _form(request)
        if session is None:
            return _to("/login")
        if form is None or not hmac.compare_digest(form.get("form", "").encode(), session.form.encode()):
            return PlainTextResponse("this form is not from your session; reload the page and try again\n", 403)
        try:
            return await act(session, form)
        except NetauditError as error:
            return PlainTextResponse(f"{error}\n", 400)


class Actions(Gate):
    """What a person may change of one site as well."""

    def __init__(self, kept: Kept, access: Access, sessions: Sessions, steady: Callable[[], float]) -> None:
        super().__init__(access, sessions, steady, home="/findings")
        self._kept = kept

    async def acknowledge(self, request: Request) -> Response:
        """Note that a person has seen a finding."""

        async def note(_: Session, form: Form) -> Response:
            await run_in_threadpool(self._kept.acknowledge, form.get("key", ""), form.get("reason", ""))
            return _to("/findings")

        return await self._logged_in(request, note)

    async def mute(self, request: Request) -> Response:
        """Tell nothing of a finding up to a day."""

        async def note(_: Session, form: Form) -> Response:
            try:
                last = date.fromisoformat(form.get("until", ""))
            except ValueError:
                return PlainTextResponse("a mute needs its last day, such as 2026-03-31\n", 400)
            await run_in_threadpool(self._kept.mute, form.get("key", ""), last, form.get("reason", ""))
            return _to("/findings")

        return await self._logged_in(request, note)


async def _form(request: Request) -> Form | None:
    """Read a form of bounded size; None when it is too long or none."""
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > LONGEST_FORM:
            return None
    try:
        fields = parse_qs(body.decode("ascii"), max_num_fields=_MOST_FIELDS, errors="replace")
    except ValueError:
        return None
    return {name: values[0] for name, values in fields.items()}


def _to(path: str) -> RedirectResponse:
    """Send the browser to a page, so that a reload repeats nothing (RFC 9110, 303)."""
    return RedirectResponse(path, 303)
