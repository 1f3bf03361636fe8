"""Whom to ask, with which key, and what to say when nothing comes of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

from netaudit.errors import LookError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from ipaddress import IPv4Address, IPv6Address

Authentication = Literal["sha-1", "sha-256", "sha-512"]
Privacy = Literal["aes-128", "aes-256"]

PORT: Final = 161
# A small switch's processor answers within tens of milliseconds, a busy one within a second; common practice, no source.
TIMEOUT_S: Final = 2.0
RETRIES: Final = 1


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


def secret(environ: Mapping[str, str], variable: str, *, whose: str) -> str:
    """
    Look a secret up by the name of its environment variable; the plan and the log only ever hold that name.

    Raises:    LookError: the variable is not set or empty.
    """
    value = environ.get(variable, "")
    if not value:
        raise LookError(f"{whose}: the environment variable {variable} is not set; put the secret into the service's")
    return value


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
