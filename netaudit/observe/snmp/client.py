"""
The port through which switches are asked.

A client gives what is there under an OID: numbers, octets, addresses and OIDs as text. It knows no table. Which library is
behind the port is the business of `opening` alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Protocol, Self

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Sequence
    from types import TracebackType

    from netaudit.observe.snmp.oid import Oid, Value

# Rows of one answer: 25 of 40 octets stay within one Ethernet frame, so no answer is ever fragmented.
REPETITIONS: Final = 25


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
