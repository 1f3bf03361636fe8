"""
The port through which switches are asked, and what it takes to open it.

A client gives what is there under an OID: numbers, octets, addresses and OIDs as text. It knows no table. Which of the two
clients is behind the port is nobody's business: gufo-snmp where it has a wheel, pysnmp (extra `snmp-pure`) elsewhere.
"""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal, Protocol, Self

from netaudit.errors import LookError, OutOfRange
from netaudit.observe.permitted import check_address

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Mapping, Sequence
    from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network
    from types import TracebackType

# A bare number for integers, counters, gauges and time ticks; octets as they are; OIDs and IpAddress as text.
Value = int | bytes | str
Oid = tuple[int, ...]
Authentication = Literal["sha-1", "sha-256", "sha-512"]
Privacy = Literal["aes-128", "aes-256"]

PORT: Final = 161
# A small switch's processor answers within tens of milliseconds, a busy one within a second; common practice, no source.
TIMEOUT_S: Final = 2.0
RETRIES: Final = 1
# RFC 3414, 11.2: a password has at least eight characters; agents refuse shorter ones, each in its own way.
SHORTEST_SECRET: Final = 8
# Rows of one answer: 25 of 40 octets stay within one Ethernet frame, so no answer is ever fragmented.
REPETITIONS: Final = 25


@dataclass(frozen=True, slots=True)
class Community:
    """The password of v2c, which goes over the wire as it is."""

    word: str = field(repr=False)


@dataclass(frozen=True, slots=True)
class User:
    """A v3 user with both secrets (authPriv, RFC 3414); v3 without them is no better than v2c and not offered."""

    name: str
    auth: str = field(repr=False)
    privacy: str = field(repr=False)
    auth_by: Authentication = "sha-256"
    privacy_by: Privacy = "aes-128"


@dataclass(frozen=True, slots=True)
class Agent:
    """Whom to ask: one switch's address, UDP port and key. `timeout_s` is per question, asked `retries` times more."""

    address: IPv4Address | IPv6Address
    key: Community | User
    port: int = PORT
    timeout_s: float = TIMEOUT_S
    retries: int = RETRIES


class SnmpClient(Protocol):
    """
    One agent to ask; each `async with` is one visit, and a client may be visited again and again.

    Both questions raise LookError with one line that holds no secret: no answer, a refused user, an answer that is none.
    """

    async def __aenter__(self) -> Self:
        """Begin a visit."""
        ...

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End it."""
        ...

    async def get(self, oids: Sequence[Oid]) -> dict[Oid, Value]:
        """Give the values of these OIDs; those that the agent doesn't have are left out."""
        ...

    def bulkwalk(self, root: Oid) -> AsyncGenerator[tuple[Oid, Value], None]:
        """Give what is under an OID, as the agent sends it; whoever reads must bound it (see `walk`)."""
        ...


def open_agent(
    agent: Agent,
    *,
    networks: Sequence[IPv4Network | IPv6Network],
    prefer: Literal["gufo", "pysnmp"] | None = None,
) -> SnmpClient:
    """
    Give a client for an agent; nothing is sent yet.

    Args:      networks: of the plan, the agent must be in one; prefer: the library, None takes the first that is installed.
    Raises:    LookError: the agent is not ours to ask, or neither library is installed. OutOfRange: port, time, retries, or
               a secret that is too short.
    """
    check_address(agent.address, networks)
    if not 1 <= agent.port <= 65535 or not 0 < agent.timeout_s <= 60 or not 0 <= agent.retries <= 5:
        raise OutOfRange(
            f"port {agent.port}, time-out {agent.timeout_s:g} s, {agent.retries} retries: "
            "write 1 to 65535, over 0 to 60, 0 to 5"
        )
    if isinstance(agent.key, User) and min(len(agent.key.auth), len(agent.key.privacy)) < SHORTEST_SECRET:
        raise OutOfRange(f"{agent.address}: a v3 secret has {SHORTEST_SECRET} characters or more; write longer ones")
    if prefer != "pysnmp" and importlib.util.find_spec("gufo") is not None:
        from netaudit.observe.snmp.gufo_client import GufoClient  # noqa: PLC0415 - only one of the two need be there

        return GufoClient(agent)
    if prefer != "gufo" and importlib.util.find_spec("pysnmp") is not None:
        from netaudit.observe.snmp.pysnmp_client import PysnmpClient  # noqa: PLC0415

        return PysnmpClient(agent)
    raise LookError(
        "asking switches needs gufo-snmp, or pysnmp where that has no wheel: pip install 'netaudit[snmp-pure]'"
    )


def secret(environ: Mapping[str, str], variable: str, *, whose: str) -> str:
    """
    Look a secret up by the name of its environment variable; the plan and the log only ever hold that name.

    Raises:    LookError: the variable is not set or empty.
    """
    value = environ.get(variable, "")
    if not value:
        raise LookError(f"{whose}: the environment variable {variable} is not set; put the secret into the service's")
    return value


def oid_text(oid: Oid) -> str:
    """Write an OID with dots."""
    return ".".join(map(str, oid))


def oid_of(text: str) -> Oid:
    """
    Read an OID with dots; empty when it is none. Never raises.

    >>> oid_of("1.3.6.1.2.1")
    (1, 3, 6, 1, 2, 1)
    """
    parts = text.strip(".").split(".")
    return tuple(map(int, parts)) if all(part.isascii() and part.isdigit() for part in parts) else ()


def no_answer(agent: Agent) -> LookError:
    """Say that nothing came, with what may be the reason."""
    why = (
        "a wrong community looks the same"
        if isinstance(agent.key, Community)
        else "a wrong privacy secret looks the same"
    )
    return LookError(f"{agent.address} gave no answer on UDP port {agent.port} within {agent.timeout_s:g} s ({why})")


def refused(agent: Agent) -> LookError:
    """Say that the agent knows the user not, or another secret."""
    user = agent.key.name if isinstance(agent.key, User) else ""
    return LookError(
        f"{agent.address} refuses user {user}: the user, a secret or its method (authentication, privacy) is another there"
    )
