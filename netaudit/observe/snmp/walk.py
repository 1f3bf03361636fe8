"""Walks that end: by the end of the table, by a bound on rows, or because the agent goes in circles."""

from __future__ import annotations

from contextlib import aclosing
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

    from netaudit.observe.snmp.client import SnmpClient
    from netaudit.observe.snmp.oid import Oid, Value

# One column of the largest table of a house: 16,384 entries are what a small switch's forwarding table holds at most
# (common practice, no source). At 100 octets a row that is under 2 MB.
MOST_ROWS: Final = 16_384
# An index of a table that we read has 14 parts at most (fdbId and MAC have 7); more is noise.
LONGEST_INDEX: Final = 64


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table: index -> value. `trouble` says why it is not whole; empty when it is."""

    rows: Mapping[Oid, Value]
    trouble: str = ""

    def numbers(self) -> dict[Oid, int]:
        """Give the rows that hold a number; an agent that puts text there has said nothing."""
        return {index: value for index, value in self.rows.items() if isinstance(value, int)}

    def octets(self) -> dict[Oid, bytes]:
        """Give the rows that hold octets."""
        return {index: value for index, value in self.rows.items() if isinstance(value, bytes)}


async def walk(client: SnmpClient, root: Oid, *, most_rows: int = MOST_ROWS) -> Column:
    """
    Read one column, by index.

    Raises:    LookError: no answer, a refused user, an answer that is none.
    """
    rows: dict[Oid, Value] = {}
    before = root
    async with aclosing(client.bulkwalk(root)) as steps:
        async for oid, value in steps:
            if oid[: len(root)] != root:
                break
            # RFC 3416, 4.2.2: each step gives a later name. An agent that steps back would be followed for ever.
            if oid <= before:
                return Column(rows, "the agent goes in circles")
            if len(rows) >= most_rows:
                return Column(rows, f"more than {most_rows} rows")
            before = oid
            if len(oid) - len(root) <= LONGEST_INDEX:
                rows[oid[len(root) :]] = value
    return Column(rows)
