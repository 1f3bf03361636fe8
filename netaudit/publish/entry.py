"""
Who may do what: the token of a site, the sessions that it opened, and how fast anybody may ask.

Nothing here is kept on the disk: with the daemon, all sessions end.
"""

from __future__ import annotations

import hmac
import secrets
from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from netaudit.errors import OutOfRange

if TYPE_CHECKING:
    from collections.abc import Callable

# What a person makes up is shorter; 16 random characters of 64 kinds are 96 bits, which nobody tries out over a network.
SHORTEST_TOKEN: Final = 16
# A working day; whoever leaves a browser open in the evening logs in again in the morning.
SESSION_S: Final = 12 * 3600.0
# A household has a few browsers; the oldest session makes room, so that memory is bounded.
MOST_SESSIONS: Final = 64
# Clients whose speed is remembered at once; beyond it the one that asked longest ago is forgotten.
MOST_CLIENTS: Final = 1024


@dataclass(frozen=True, slots=True)
class Access:
    """
    How the site's pages may be reached.

    token    opens a session; None: nobody can log in, pages can only be read
    reading  the token is needed for reading too, because others than this box's users reach the page
    secure   the browser speaks TLS, to us or to a proxy: cookies go over nothing else
    """

    token: str | None = None
    reading: bool = False
    secure: bool = False

    def __post_init__(self) -> None:
        """Refuse what would let everybody in. Raises OutOfRange."""
        if self.token is not None and len(self.token) < SHORTEST_TOKEN:
            raise OutOfRange(
                f"the token has {len(self.token)} characters; take {SHORTEST_TOKEN} random ones or more, such as "
                '`python3 -c "import secrets; print(secrets.token_urlsafe(24))"` writes'
            )
        if self.reading and self.token is None:
            raise OutOfRange("reading needs a token and there is none")

    def opens(self, given: str) -> bool:
        """Say whether this is the token, in a time that tells nothing of how near it comes."""
        return self.token is not None and hmac.compare_digest(given.encode(), self.token.encode())


@dataclass(frozen=True, slots=True)
class Session:
    """One browser that is logged in; `form` is the secret that its forms send back."""

    number: str
    form: str
    ends_s: float


class Sessions:
    """The open sessions. `steady` gives seconds that no clock change moves."""

    def __init__(self, steady: Callable[[], float]) -> None:
        self._steady = steady
        self._open: OrderedDict[str, Session] = OrderedDict()

    def open(self) -> Session:
        """Begin a session."""
        session = Session(secrets.token_urlsafe(32), secrets.token_urlsafe(32), self._steady() + SESSION_S)
        self._open[session.number] = session
        while len(self._open) > MOST_SESSIONS:
            self._open.popitem(last=False)
        return session

    def find(self, number: str) -> Session | None:
        """Give the session with this number, if it is open and not over."""
        session = self._open.get(number)
        if session is not None and session.ends_s <= self._steady():
            self.close(number)
            return None
        return session

    def close(self, number: str) -> None:
        """End a session."""
        self._open.pop(number, None)


class Pace:
    """A bucket of `most` requests for each client, which fills again at `per_s`."""

    def __init__(self, most: float, per_s: float, steady: Callable[[], float]) -> None:
        self._most, self._per_s, self._steady = most, per_s, steady
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def allows(self, client: str) -> bool:
        """Take one request out of a client's bucket; False when it is empty."""
        now = self._steady()
        left, at = self._left.pop(client, (self._most, now))
        left = min(self._most, left + (now - at) * self._per_s)
        self._left[client] = (left - 1.0 if left >= 1.0 else left, now)
        while len(self._left) > MOST_CLIENTS:
            self._left.popitem(last=False)
        return left >= 1.0
