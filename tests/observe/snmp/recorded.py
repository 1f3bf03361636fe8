"""A client that opens no socket and answers from rows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Mapping, Sequence
    from types import TracebackType

    from netaudit.observe.snmp.oid import Oid, Value


class RecordedClient:
    """Answers from `rows`, which may be another set at each visit; an exception in its place is raised by every question."""

    def __init__(self, rows: Mapping[Oid, Value] | Exception) -> None:
        self.rows = rows

    async def __aenter__(self) -> Self:
        """Begin a visit."""
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End it."""

    async def get(self, oids: Sequence[Oid]) -> dict[Oid, Value]:
        """Give those of these OIDs that are there."""
        rows = self._rows()
        return {oid: rows[oid] for oid in oids if oid in rows}

    async def bulkwalk(self, root: Oid) -> AsyncGenerator[tuple[Oid, Value], None]:
        """Give what is under an OID, in order."""
        for oid, value in sorted(self._rows().items()):
            if oid[: len(root)] == root:
                yield oid, value

    def _rows(self) -> Mapping[Oid, Value]:
        if isinstance(self.rows, Exception):
            raise self.rows
        return self.rows
