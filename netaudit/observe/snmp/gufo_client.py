"""The SNMP port over gufo-snmp: quick and small, but without a context name and without 32-bit ARM."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Self, TypeVar

from gufo.snmp import (
    Aes128Key,
    Aes256Key,
    Sha1Key,
    Sha256Key,
    Sha512Key,
    SnmpAuthError,
    SnmpError,
)
from gufo.snmp import User as GufoUser
from gufo.snmp.aio import SnmpSession

from netaudit.errors import LookError
from netaudit.observe.snmp.agent import Community, User, no_answer, refused
from netaudit.observe.snmp.client import REPETITIONS
from netaudit.observe.snmp.oid import oid_of, oid_text

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Awaitable, Callable, Sequence
    from types import TracebackType

    from netaudit.observe.snmp.agent import Agent
    from netaudit.observe.snmp.oid import Oid, Value

T = TypeVar("T")

_AUTH: Final = {"sha-1": Sha1Key, "sha-256": Sha256Key, "sha-512": Sha512Key}
_PRIVACY: Final = {"aes-128": Aes128Key, "aes-256": Aes256Key}


class GufoClient:
    """One agent over gufo-snmp; a session a visit, as a v3 agent's clock must be learnt anew after 150 s anyway."""

    def __init__(self, agent: Agent) -> None:
        self.agent = agent
        self._session: SnmpSession | None = None

    async def __aenter__(self) -> Self:
        """Open a session; in v3 this learns the agent's engine and clock."""
        agent = self.agent
        try:
            if isinstance(agent.key, Community):
                session = SnmpSession(str(agent.address), agent.port, community=agent.key.word, timeout=agent.timeout_s)
            else:
                session = SnmpSession(str(agent.address), agent.port, user=_user(agent.key), timeout=agent.timeout_s)
            await self._ask(session.refresh)
        except OSError as error:
            if isinstance(error, LookError):
                raise
            raise LookError(f"no way to {agent.address}: {error.strerror or error}") from error
        self._session = session
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let the session go, and with it its socket."""
        self._session = None

    async def get(self, oids: Sequence[Oid]) -> dict[Oid, Value]:
        """Ask for single values."""
        session = self._open()
        found = await self._ask(lambda: session.get_many([oid_text(oid) for oid in oids]))
        return {oid_of(oid): value for oid, value in found.items() if isinstance(value, int | bytes | str)}

    async def bulkwalk(self, root: Oid) -> AsyncGenerator[tuple[Oid, Value], None]:
        """Ask for all under an OID; an answer that was lost is asked for again from where it was."""
        rows = self._open().getbulk(oid_text(root), REPETITIONS)

        async def step() -> tuple[str, object] | None:
            try:
                row: tuple[str, object] = await rows.__anext__()
            except StopAsyncIteration:
                return None
            return row

        while (row := await self._ask(step)) is not None:
            oid, value = row
            if isinstance(value, int | bytes | str):
                yield oid_of(oid), value

    def _open(self) -> SnmpSession:
        if self._session is None:
            raise LookError(f"{self.agent.address} is not being visited: use `async with`")
        return self._session

    async def _ask(self, question: Callable[[], Awaitable[T]]) -> T:
        """Ask, again after silence; turn the library's errors into one line each."""
        for left in range(self.agent.retries, -1, -1):
            try:
                return await question()
            except TimeoutError:
                if not left:
                    raise no_answer(self.agent) from None
            except SnmpAuthError:
                raise refused(self.agent) from None
            except SnmpError as error:
                raise LookError(f"{self.agent.address} answers what is no SNMP ({type(error).__name__})") from error
            except ConnectionRefusedError:
                raise LookError(
                    f"{self.agent.address} has nobody listening on UDP port {self.agent.port}: switch SNMP on there"
                ) from None
            except OSError as error:
                raise LookError(f"no way to {self.agent.address}: {error.strerror or error}") from error
        raise no_answer(self.agent)


def _user(user: User) -> GufoUser:
    return GufoUser(
        user.name,
        auth_key=_AUTH[user.auth_by](user.auth.encode()),
        priv_key=_PRIVACY[user.privacy_by](user.privacy.encode()),
    )
