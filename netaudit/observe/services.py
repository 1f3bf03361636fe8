"""What the site's devices rely on, tried as they would: do planned names lead to the planned devices, forth and back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from netaudit.observe.observation import Health, Notice
from netaudit.observe.resolver import PORT, Asked, resolve

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime
    from ipaddress import IPv4Address, IPv4Network

    from netaudit.observe.observation import Observation

RESOLVER: Final = "service:resolver"
TIME: Final = "service:time"


@dataclass(frozen=True, slots=True)
class NamedDevice:
    """A device of the plan with a name; `place` is `device:NAME`, `address` its fixed one if it has one."""

    place: str
    name: str
    address: IPv4Address | None


async def ask_names(
    source: str,
    server: IPv4Address,
    devices: Sequence[NamedDevice],
    others: Sequence[str],
    *,
    networks: Sequence[IPv4Network],
    now: Callable[[], datetime],
    timeout_s: float = 2.0,
    port: int = PORT,
) -> tuple[Observation, ...]:
    """
    Ask the site's resolver for each name, one after the other, and for the name of each fixed address.

    Gives `dns_s` samples, `resolved` and `resolved_back` notices (their detail empty where there is no answer), and last the
    health. A resolver that stays silent is asked no more in this round: its silence is one trouble, not many.

    Raises:    LookError: the server is not ours to ask. OutOfRange: a name that DNS can't carry.
    """
    told: list[Observation] = []
    wrong: list[str] = []

    async def ask(name: str, kind: Asked) -> tuple[str, ...] | None:
        answer = await resolve(
            server, name, kind, place=RESOLVER, networks=networks, timeout_s=timeout_s, port=port, now=now
        )
        told.append(answer.sample)
        if answer.code is None:
            wrong.append(f"resolver {server} gave no answer to {name} within {timeout_s:g} s")
            return None
        # 0 is an answer, 3 says that there is no such name (RFC 1035, 4.1.1): both are words; the others are failures.
        if answer.code not in (0, 3):
            wrong.append(f"resolver {server} failed on {name} with code {answer.code}")
            return ()
        return answer.names if kind is Asked.PTR else answer.addresses

    for device in devices:
        addresses = await ask(device.name, Asked.A)
        if addresses is None:
            break
        planned = str(device.address) if device.address is not None else ""
        address = planned if planned in addresses else next(iter(addresses), "")
        told.append(Notice(now(), device.place, "resolved", (("address", address), ("name", device.name))))
        if device.address is not None:
            names = await ask(device.address.reverse_pointer, Asked.PTR)
            if names is None:
                break
            plain = [name.removesuffix(".").lower() for name in names]
            wanted = device.name.removesuffix(".").lower()
            back = wanted if wanted in plain else next(iter(plain), "")
            told.append(Notice(now(), device.place, "resolved_back", (("address", planned), ("name", back))))
    else:
        for name in others:
            addresses = await ask(name, Asked.A)
            if addresses is None:
                break
            if not addresses:
                wrong.append(f"{name} does not resolve")
    told.append(Health(now(), source, good=not wrong, reason="; ".join(wrong)))
    return tuple(told)
