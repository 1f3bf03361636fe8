"""The web server of the daemon: where it may listen, who may come, and TLS by the plan's own certificate."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import socket
import ssl
import subprocess
from typing import TYPE_CHECKING

import pytest
from starlette.responses import PlainTextResponse

from netaudit.daemon import serve
from netaudit.daemon.serve import Server, access_of
from netaudit.errors import LookError, OutOfRange
from netaudit.site.model import Serving

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.types import Receive, Scope, Send

TOKEN = "correct-horse-battery"  # noqa: S105 - of these tests

VARIABLE = "T"


async def whom(scope: Scope, receive: Receive, send: Send) -> None:
    """Answer with the client that the server believes to see, and the scheme."""
    await PlainTextResponse(f"{scope['scheme']} {scope['client'][0]}")(scope, receive, send)


async def asked(server: Server, context: ssl.SSLContext | None = None, header: str = "") -> str:
    """Start the server, ask it once, stop it; give the answer's body."""
    server.start()
    try:
        reader, writer = await asyncio.open_connection(
            "127.0.0.1", server.port, ssl=context, server_hostname="box.home.arpa" if context else None
        )
        writer.write(f"GET / HTTP/1.1\r\nHost: box.home.arpa\r\n{header}Connection: close\r\n\r\n".encode())
        answer = (await asyncio.wait_for(reader.read(), 10)).decode()
        writer.close()
        await writer.wait_closed()
    finally:
        await server.stop()
    return answer.rpartition("\r\n\r\n")[2]


def test_a_token_is_taken_from_the_environment_alone() -> None:
    """On loopback reading is free; beyond it, or behind a proxy, the token is needed, and cookies keep to TLS."""
    local = access_of(Serving(), {})
    assert (local.token, local.reading, local.secure) == (None, False, False)
    named = access_of(Serving(token_env=VARIABLE), {"T": TOKEN})
    assert (named.token, named.reading, named.secure) == (TOKEN, False, False)
    for serving in (
        Serving(token_env=VARIABLE, behind_proxy=True),
        Serving(token_env=VARIABLE, host="192.0.2.1", certificate="c", key="k"),
    ):
        beyond = access_of(serving, {"T": TOKEN})
        assert (beyond.token, beyond.reading, beyond.secure) == (TOKEN, True, True)


def test_without_its_token_the_daemon_does_not_serve() -> None:
    """An absent, empty or short token ends in one line that names the variable or what to write, and not the token."""
    for environment in ({}, {"T": ""}):
        with pytest.raises(LookError, match="T holds no token"):
            access_of(Serving(token_env=VARIABLE), environment)
    with pytest.raises(OutOfRange) as refused:
        access_of(Serving(token_env=VARIABLE), {"T": "shortsecret"})
    assert "shortsecret" not in str(refused.value)


async def test_it_speaks_tls_with_the_plans_certificate(tmp_path: Path) -> None:
    """A client that trusts that certificate alone gets its answer over TLS (the certificate is made by openssl)."""
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed")
    certificate, key = tmp_path / "cert.pem", tmp_path / "key.pem"
    words = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2",
             "-subj", "/CN=box.home.arpa", "-addext", "subjectAltName=DNS:box.home.arpa",
             "-keyout", str(key), "-out", str(certificate)]  # fmt: skip
    subprocess.run(words, check=True, capture_output=True, timeout=60)  # noqa: ASYNC221 - before anything is served
    context = ssl.create_default_context(cafile=str(certificate))
    server = Server(whom, Serving(port=0, certificate=str(certificate), key=str(key)))
    assert await asked(server, context) == "https 127.0.0.1"


def test_a_certificate_that_is_none_is_one_line(tmp_path: Path) -> None:
    """Files that are absent, or are no PEM, are told before anything is served."""
    (tmp_path / "not.pem").write_text("nothing")
    for name in ("absent.pem", "not.pem"):
        with pytest.raises(LookError, match="name two PEM files"):
            Server(whom, Serving(port=0, certificate=str(tmp_path / name), key=str(tmp_path / name)))


@pytest.mark.parametrize(("behind_proxy", "seen"), [(True, "https 192.0.2.77"), (False, "http 127.0.0.1")])
async def test_whom_a_proxy_speaks_for_is_believed_only_if_the_plan_has_one(behind_proxy: bool, seen: str) -> None:  # noqa: FBT001
    """Without a proxy in the plan anybody could name a client of his own and so escape the pace that is kept for each."""
    serving = Serving(port=0, behind_proxy=behind_proxy)
    header = "X-Forwarded-For: 192.0.2.77\r\nX-Forwarded-Proto: https\r\n"
    assert await asked(Server(whom, serving), header=header) == seen


async def test_who_holds_connections_doesn_t_take_the_files_of_the_watch(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of many visitors no more than the most are let in; when one leaves there is room for another, and it is answered."""
    monkeypatch.setattr(serve, "MOST_CONNECTIONS", 3)
    server = Server(whom, Serving(port=0))
    server.start()
    try:
        held = [await asyncio.open_connection("127.0.0.1", server.port) for _ in range(3)]
        late = await asyncio.open_connection("127.0.0.1", server.port)
        assert await asyncio.wait_for(late[0].read(), 10) == b""
        held[0][1].close()
        await held[0][1].wait_closed()
        await asyncio.sleep(0.1)
        reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
        writer.write(b"GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
        assert (await asyncio.wait_for(reader.read(), 10)).endswith(b"http 127.0.0.1")
        for _, one in (*held[1:], late, (reader, writer)):
            one.close()
    finally:
        await server.stop()


@pytest.mark.parametrize(
    "trickle", [b"", b"GET / HT", b"GET / HTTP/1.1\r\nHost: x\r\n\r\nGET"], ids=["idle", "cut", "next"]
)
async def test_who_doesn_t_ask_in_time_is_sent_away(monkeypatch: pytest.MonkeyPatch, trickle: bytes) -> None:
    """Who says nothing, or never ends its first or its next request, is gone when the time to ask is over."""
    monkeypatch.setattr(serve, "ASK_WITHIN_S", 0.2)
    server = Server(whom, Serving(port=0))
    server.start()
    try:
        reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
        writer.write(trickle)
        answered = b""
        with contextlib.suppress(ConnectionResetError):
            answered = await asyncio.wait_for(reader.read(), 4)
        assert (b"200 OK" in answered) is (b"Host" in trickle)
        writer.close()
    finally:
        await server.stop()


async def test_who_doesn_t_take_the_answer_in_time_is_sent_away(monkeypatch: pytest.MonkeyPatch) -> None:
    """An answer that isn't taken ends with the time for it, whatever else goes on."""
    monkeypatch.setattr(serve, "ASK_WITHIN_S", 0.1)
    monkeypatch.setattr(serve, "ANSWER_WITHIN_S", 0.2)

    async def endless(_: Scope, receive: Receive, send: Send) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})
        while (await receive())["type"] != "http.disconnect":
            pass

    server = Server(endless, Serving(port=0))
    server.start()
    try:
        reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
        writer.write(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
        with contextlib.suppress(ConnectionResetError):
            await asyncio.wait_for(reader.read(), 4)
        writer.close()
    finally:
        await server.stop()


def test_a_port_in_use_is_one_line() -> None:
    """Who already listens there is not disturbed, and the message says what to change."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(LookError, match="write another host or port, in \\[serving\\] of the plan or after --host"):
            Server(whom, Serving(port=port))
