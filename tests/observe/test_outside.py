"""The way out: who opens, who doesn't and why, and on which side of the router the fault is."""

from __future__ import annotations

import asyncio
import socket
from datetime import UTC, datetime

import pytest

from netaudit.observe.observation import Health, Notice, Observation, Sample
from netaudit.observe.outside import Where, look_outside, place_fault


def now() -> datetime:
    """Give the present."""
    return datetime.now(UTC)


def closed_port() -> int:
    """Give a TCP port of loopback that nobody listens on."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        port: int = sock.getsockname()[1]
        return port


async def look(doors: list[tuple[str, int]], *, gateway: bool | None) -> tuple[Observation, ...]:
    """Look outside, the outside being this machine."""

    async def answers() -> bool | None:
        return gateway

    return await look_outside("outside", doors, gateway_answers=answers, now=now, timeout_s=1.0)


async def test_one_host_that_opens_is_a_way_out() -> None:
    """One of two opens: half of them, no trouble, and the router is not even asked."""
    server = await asyncio.start_server(lambda _, writer: writer.close(), "127.0.0.1", 0)
    async with server:
        port = server.sockets[0].getsockname()[1]
        shut = closed_port()
        told = await look([("127.0.0.1", port), ("127.0.0.1", shut)], gateway=None)
    values = {(one.place, one.kind): one.value for one in told if isinstance(one, Sample)}
    took_s = values[f"outside:127.0.0.1/{port}", "connect_s"]
    assert took_s is not None
    assert 0 < took_s < 1
    assert values[f"outside:127.0.0.1/{shut}", "connect_s"] is None
    assert values["link:wan", "outside_share"] == 0.5
    assert told[-1] == Health(told[-1].at, "outside", good=True, reason="")
    assert not any(isinstance(one, Notice) for one in told)


@pytest.mark.parametrize(("gateway", "where"), [(True, Where.BEYOND), (False, Where.INSIDE), (None, Where.UNKNOWN)])
async def test_the_router_tells_on_which_side_the_fault_is(gateway: bool | None, where: Where) -> None:  # noqa: FBT001
    """Nothing opens: beyond the router if it answers, inside if it doesn't, unknown if it can't be asked."""
    shut = closed_port()
    told = await look([("127.0.0.1", shut), ("no-such-host.invalid", 443)], gateway=gateway)
    (notice,) = [one for one in told if isinstance(one, Notice)]
    assert (notice.place, notice.kind, dict(notice.detail)["where"]) == ("link:wan", "way_out", where.value)
    health = told[-1]
    assert isinstance(health, Health)
    assert f"127.0.0.1:{shut} refuses" in health.reason
    assert "no-such-host.invalid:443 does not resolve" in health.reason
    assert place_fault(gateway) is where
