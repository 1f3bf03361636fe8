"""Opening a client for an agent: gufo-snmp where it has a wheel, pysnmp (extra `snmp-pure`) elsewhere."""

from __future__ import annotations

import importlib.util
from typing import TYPE_CHECKING, Final, Literal

from netaudit.errors import LookError, OutOfRange
from netaudit.observe.permitted import check_address
from netaudit.observe.snmp.agent import User

if TYPE_CHECKING:
    from collections.abc import Sequence
    from ipaddress import IPv4Network, IPv6Network

    from netaudit.observe.snmp.agent import Agent
    from netaudit.observe.snmp.client import SnmpClient

# RFC 3414, 11.2: a password has at least eight characters; agents refuse shorter ones, each in its own way.
SHORTEST_SECRET: Final = 8


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
