"""The SNMP port over pysnmp: pure Python, for machines that gufo-snmp has no wheel for.

An engine a visit, so that its socket ends with it; that costs 65 to 85 ms of a small visit's second.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Self, SupportsInt

from pyasn1.type.univ import ObjectIdentifier, OctetString
from pysnmp.error import PySnmpError
from pysnmp.hlapi.v3arch.asyncio import (
    USM_AUTH_HMAC96_SHA,
    USM_AUTH_HMAC192_SHA256,
    USM_AUTH_HMAC384_SHA512,
    USM_PRIV_CFB128_AES,
    USM_PRIV_CFB256_AES_BLUMENTHAL,
    CommunityData,
    ContextData,
    ObjectIdentity,
    ObjectType,
    SnmpEngine,
    UdpTransportTarget,
    UsmUserData,
    bulk_cmd,
    get_cmd,
)
from pysnmp.proto.errind import EncryptionError, ErrorIndication, RequestTimedOut
from pysnmp.proto.rfc1902 import IpAddress
from pysnmp.proto.rfc1905 import EndOfMibView, NoSuchInstance, NoSuchObject, UnSpecified

from netaudit.errors import LookError
from netaudit.observe.snmp.agent import Community, no_answer, refused
from netaudit.observe.snmp.client import REPETITIONS
from netaudit.observe.snmp.oid import oid_text

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Sequence
    from types import TracebackType

    from netaudit.observe.snmp.agent import Agent
    from netaudit.observe.snmp.oid import Oid, Value

_AUTH: Final = {"sha-1": USM_AUTH_HMAC96_SHA, "sha-256": USM_AUTH_HMAC192_SHA256, "sha-512": USM_AUTH_HMAC384_SHA512}
_PRIVACY: Final = {"aes-128": USM_PRIV_CFB128_AES, "aes-256": USM_PRIV_CFB256_AES_BLUMENTHAL}


class PysnmpClient:
    """One agent over pysnmp."""

    def __init__(self, agent: Agent) -> None:
        self.agent = agent
        self._engine: SnmpEngine | None = None
        self._target: UdpTransportTarget | None = None
        if isinstance(agent.key, Community):
            self._auth = CommunityData(agent.key.word, mpModel=1)  # noqa: S508 - many small switches speak nothing better
        else:
            self._auth = UsmUserData(
                agent.key.name,
                agent.key.auth,
                agent.key.privacy,
                authProtocol=_AUTH[agent.key.auth_by],
                privProtocol=_PRIVACY[agent.key.privacy_by],
            )

    async def __aenter__(self) -> Self:
        """Get the engine ready."""
        agent = self.agent
        self._engine = SnmpEngine()
        self._target = await UdpTransportTarget.create(
            (str(agent.address), agent.port), timeout=agent.timeout_s, retries=agent.retries
        )
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the socket."""
        if self._engine is not None:
            self._engine.close_dispatcher()
        self._engine = self._target = None

    async def get(self, oids: Sequence[Oid]) -> dict[Oid, Value]:
        """Ask for single values."""
        wanted = [ObjectType(ObjectIdentity(oid_text(oid))) for oid in oids]
        try:
            error, status, _, rows = await get_cmd(
                self._engine, self._auth, self._target, ContextData(), *wanted, lookupMib=False
            )
        except PySnmpError as trouble:
            raise LookError(f"{self.agent.address} answers what is no SNMP ({type(trouble).__name__})") from trouble
        self._check(error, status)
        found = ((tuple(oid), _plain(value)) for oid, value in rows)
        return {oid: value for oid, value in found if value is not None}

    async def bulkwalk(self, root: Oid) -> AsyncGenerator[tuple[Oid, Value], None]:
        """Ask for all under an OID."""
        after = root
        while True:
            wanted = ObjectType(ObjectIdentity(oid_text(after)))
            try:
                error, status, _, rows = await bulk_cmd(
                    self._engine, self._auth, self._target, ContextData(), 0, REPETITIONS, wanted, lookupMib=False
                )
            except PySnmpError as trouble:
                raise LookError(f"{self.agent.address} answers what is no SNMP ({type(trouble).__name__})") from trouble
            self._check(error, status)
            for name, value in rows:
                oid = tuple(name)
                if isinstance(value, EndOfMibView) or oid[: len(root)] != root:
                    return
                plain = _plain(value)
                if plain is not None:
                    yield oid, plain
                if oid <= after:  # asking from here would go round for ever
                    return
                after = oid
            if not rows:
                return

    def _check(self, error: ErrorIndication | None, status: int) -> None:
        if error is not None:
            if isinstance(error, RequestTimedOut):
                raise no_answer(self.agent)
            if isinstance(error, EncryptionError):
                raise LookError("SNMP v3 by pysnmp needs cryptography: pip install 'netaudit[snmp-pure]'")
            if isinstance(self.agent.key, Community):
                raise LookError(f"{self.agent.address} answers what is no SNMP ({type(error).__name__})")
            raise refused(self.agent)
        if status:
            raise LookError(f"{self.agent.address} answers with SNMP error {int(status)}")


def _plain(value: object) -> Value | None:
    """Give a value without the library's types; None for what is not there."""
    if value is None or isinstance(value, NoSuchInstance | NoSuchObject | EndOfMibView | UnSpecified):
        return None
    if isinstance(value, IpAddress):
        return ".".join(map(str, value.asOctets()))
    if isinstance(value, OctetString):
        return bytes(value.asOctets())
    if isinstance(value, ObjectIdentifier):
        return oid_text(tuple(value))
    return int(value) if isinstance(value, SupportsInt) else None
