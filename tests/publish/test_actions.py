"""Logging in and what a person may change, asked of the whole app as a browser or an attacker would."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest
from prometheus_client import CollectorRegistry

from netaudit.publish.actions import ALL_TRIES, LONGEST_FORM, TRIES
from netaudit.publish.entry import Access
from netaudit.publish.guard import MOST_REQUESTS
from netaudit.publish.page import make_app
from tests.publish.samples import NOW, STRANGER, Ask

if TYPE_CHECKING:
    from starlette.types import ASGIApp

    from netaudit.publish.kept import Kept
    from netaudit.publish.views import PageState

TOKEN = "correct-horse-battery"  # noqa: S105 - of these tests
KEY = "outgrown radio:hall/2.4"
CHANGES = ("/findings/acknowledge", "/findings/mute", "/logout")


def app_with(state: PageState, kept: Kept, access: Access) -> ASGIApp:
    """Make an app whose clock stands still, so that no bucket fills again."""
    return make_app(lambda: state, kept, CollectorRegistry(), access=access, now=lambda: NOW, steady=lambda: 0.0)


@pytest.fixture
def app(page_state: PageState, kept: Kept) -> ASGIApp:
    """Give an app on loopback with a token."""
    return app_with(page_state, kept, Access(TOKEN))


async def log_in(app: ASGIApp, ask: Ask) -> tuple[dict[str, str], str]:
    """Log in; give the cookie's header and the form's secret."""
    got = await ask(app, "/login", method="POST", form={"token": TOKEN})
    assert (got.status, got.headers["location"]) == (303, "/findings")
    cookie = {"cookie": got.headers["set-cookie"].partition(";")[0]}
    page = (await ask(app, "/findings", headers=cookie)).text
    secret = re.search(r'name="form" value="([^"]+)"', page)
    assert secret
    return cookie, secret[1]


async def test_a_person_can_acknowledge_and_mute(app: ASGIApp, ask: Ask, kept: Kept) -> None:
    """Both are kept with their reasons; a mute lasts to the end of its day by the site's clock; all is shown."""
    cookie, secret = await log_in(app, ask)
    said = {"form": secret, "key": KEY, "reason": "a party"}
    got = await ask(app, "/findings/acknowledge", method="POST", headers=cookie, form=said)
    assert (got.status, got.headers["location"]) == (303, "/findings")
    muted = {"form": secret, "key": f"unknown device:{STRANGER}", "reason": "a guest's", "until": "2026-03-31"}
    assert (await ask(app, "/findings/mute", method="POST", headers=cookie, form=muted)).status == 303
    by_key = {finding.key: finding for finding in kept.open_findings()}
    assert (by_key[KEY].acknowledged_at, by_key[KEY].reason) == (NOW, "a party")
    # The last Sunday of March is past: Lisbon has summer time, one hour ahead of UTC (IANA time zone database).
    assert by_key[muted["key"]].muted_until == datetime(2026, 3, 31, 23, tzinfo=UTC)
    page = (await ask(app, "/findings", headers=cookie)).text
    assert "a party" in page
    assert "a guest&#39;s" in page


WRONG = [
    ({"key": KEY, "reason": " "}, "/findings/acknowledge", "with a reason"),
    ({"key": "nothing", "reason": "x"}, "/findings/acknowledge", "is not open"),
    ({"key": KEY, "reason": "x", "until": "soon"}, "/findings/mute", "needs its last day"),
    ({"key": KEY, "reason": "x", "until": "2026-03-08"}, "/findings/mute", "a day from today"),
    ({"key": KEY, "reason": "x", "until": "2028-01-01"}, "/findings/mute", "a day from today"),
]


@pytest.mark.parametrize(("form", "path", "said"), WRONG)
async def test_a_wrong_form_is_told_in_one_line(
    app: ASGIApp, ask: Ask, form: dict[str, str], path: str, said: str
) -> None:
    """No reason, no such finding, no day, a day that is over or far away: 400, one line, and nothing is kept."""
    cookie, secret = await log_in(app, ask)
    got = await ask(app, path, method="POST", headers=cookie, form={"form": secret, **form})
    assert (got.status, got.text.count("\n")) == (400, 1)
    assert said in got.text


@pytest.mark.parametrize("path", CHANGES)
async def test_nothing_changes_without_session_and_secret(app: ASGIApp, ask: Ask, kept: Kept, path: str) -> None:
    """Without a session one is sent to log in; with one but without its form's secret, or with another's, refused."""
    form = {"key": KEY, "reason": "x", "until": "2026-03-31"}
    got = await ask(app, path, method="POST", form=form)
    assert (got.status, got.headers["location"]) == (303, "/login")
    cookie, _ = await log_in(app, ask)
    _, other = await log_in(app, ask)
    for secret in ("", "x", other):
        refused = await ask(app, path, method="POST", headers=cookie, form={**form, "form": secret})
        assert refused.status == 403
    assert not any(finding.quiet for finding in kept.open_findings())


@pytest.mark.parametrize("path", CHANGES)
async def test_nothing_changes_by_get(app: ASGIApp, ask: Ask, path: str) -> None:
    """What changes something has no GET (RFC 9110, 9.2.1)."""
    assert (await ask(app, path)).status == 405


FOREIGN = [
    {"origin": "http://evil.example"},
    {"origin": "null"},
    {"origin": "http://127.0.0.1:9818"},
    {"sec-fetch-site": "cross-site"},
    {"sec-fetch-site": "same-site"},
]


@pytest.mark.parametrize("headers", FOREIGN, ids=str)
async def test_forms_of_other_sites_are_refused(app: ASGIApp, ask: Ask, headers: dict[str, str]) -> None:
    """A POST whose origin is not the host that was asked is refused, even with the right cookie and secret."""
    cookie, secret = await log_in(app, ask)
    for path in (*CHANGES, "/login"):
        got = await ask(app, path, method="POST", headers={**cookie, **headers}, form={"form": secret, "token": TOKEN})
        assert got.status == 403
    own = {**cookie, "origin": "http://127.0.0.1:9817"}
    assert (await ask(app, "/logout", method="POST", headers=own, form={"form": secret})).status == 303


async def test_logging_out_ends_the_session(app: ASGIApp, ask: Ask) -> None:
    """After it the old cookie opens nothing."""
    cookie, secret = await log_in(app, ask)
    assert (await ask(app, "/logout", method="POST", headers=cookie, form={"form": secret})).status == 303
    assert 'name="form"' not in (await ask(app, "/findings", headers=cookie)).text


async def test_the_cookie_is_kept_from_scripts_other_sites_and_plain_http(
    app: ASGIApp, page_state: PageState, kept: Kept, ask: Ask
) -> None:
    """HttpOnly and SameSite always; behind TLS also Secure and bound to the host (RFC 6265bis, 4.1.3.2), and HSTS."""
    plain = await ask(app, "/login", method="POST", form={"token": TOKEN})
    assert {"HttpOnly", "SameSite=strict", "Path=/"} <= set(plain.headers["set-cookie"].split("; "))
    assert "strict-transport-security" not in plain.headers
    behind = app_with(page_state, kept, Access(TOKEN, reading=True, secure=True))
    safe = await ask(behind, "/login", method="POST", form={"token": TOKEN})
    assert safe.headers["set-cookie"].startswith("__Host-netaudit=")
    assert "Secure" in safe.headers["set-cookie"].split("; ")
    assert safe.headers["strict-transport-security"].startswith("max-age=")


async def test_beyond_the_box_reading_needs_the_token(page_state: PageState, kept: Kept, ask: Ask) -> None:
    """Pages lead to the login, metrics ask for a bearer, and with either of the two all is there."""
    app = app_with(page_state, kept, Access(TOKEN, reading=True))
    for path in ("/", "/ledger", "/devices", "/findings", "/drawing.svg", "/reports/", "/fresh", "/reports/x.html"):
        got = await ask(app, path)
        assert (got.status, got.headers.get("location")) == (303, "/login"), path
    assert (await ask(app, "/login")).status == 200
    assert (await ask(app, "/metrics")).headers["www-authenticate"] == "Bearer"
    assert (await ask(app, "/metrics", headers={"authorization": f"Bearer {TOKEN}"})).status == 200
    assert (await ask(app, "/metrics", headers={"authorization": "Bearer wrong-wrong-wrong-"})).status == 401
    cookie, _ = await log_in(app, ask)
    assert (await ask(app, "/ledger", headers=cookie)).status == 200
    assert (await ask(app, "/ledger", headers={"cookie": 'netaudit="; x="'})).status == 303


async def test_tokens_can_not_be_tried_out(app: ASGIApp, ask: Ask) -> None:
    """One client gets so many tries, all together so many more; then even the right token must wait (RFC 6585, 429)."""
    for _ in range(int(TRIES)):
        got = await ask(app, "/login", method="POST", form={"token": "wrong"})
        assert (got.status, got.headers["location"]) == (303, "/login?wrong")
    assert (await ask(app, "/login", method="POST", form={"token": TOKEN})).status == 429
    tried = [
        (await ask(app, "/login", method="POST", form={"token": "wrong"}, client=f"192.0.2.{n}")).status
        for n in range(1, int(ALL_TRIES) + 5)
    ]
    assert tried.count(303) == ALL_TRIES - TRIES
    assert tried[-1] == 429


async def test_requests_have_a_pace(app: ASGIApp, ask: Ask) -> None:
    """One client that asks without a pause is told to wait; another is served."""
    for _ in range(int(MOST_REQUESTS)):
        assert (await ask(app, "/fresh")).status == 200
    assert (await ask(app, "/fresh")).status == 429
    assert (await ask(app, "/fresh", client="192.0.2.1")).status == 200


async def test_a_form_is_bounded(app: ASGIApp, ask: Ask) -> None:
    """A body beyond the most, with too many fields, or that is no form opens nothing."""
    for form in (
        {"token": TOKEN, "x": "y" * LONGEST_FORM},
        {"token": TOKEN, **{str(n): "" for n in range(50)}} | {"z": "1"},
    ):
        many = {name: value or "1" for name, value in form.items()}
        got = await ask(app, "/login", method="POST", form=many)
        assert got.headers["location"] == "/login?wrong"


async def test_without_a_token_nobody_logs_in(page_state: PageState, kept: Kept, ask: Ask) -> None:
    """On loopback without a token the pages are read, and no text whatever opens a session."""
    app = app_with(page_state, kept, Access())
    assert (await ask(app, "/")).status == 200
    got = await ask(app, "/login", method="POST", form={"token": ""})
    assert "set-cookie" not in got.headers
    assert "has no token" in (await ask(app, "/login")).text
