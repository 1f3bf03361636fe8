"""Receivers of alerts on loopback: mail, web and MQTT, each with a fault that a test can switch on."""

from __future__ import annotations

import asyncio
import json
import socket
import socketserver
import threading
from contextlib import contextmanager
from email import message_from_bytes, policy
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING, Any

from aiosmtpd.smtp import SMTP, AuthResult, Envelope, Session

if TYPE_CHECKING:
    from collections.abc import Iterator
    from email.message import EmailMessage


class Web:
    """An HTTP receiver; `status` is its answer to what comes next, `takes_files` off: 413 to what brings one."""

    def __init__(self) -> None:
        self.status = 200
        self.takes_files = True
        self.got: list[dict[str, Any]] = []
        self.tries = 0
        self.port = 0

    def bodies(self) -> list[str]:
        """Give the messages that were taken."""
        return [str(one["message"]) for one in self.got]


@contextmanager
def web() -> Iterator[Web]:
    """Run an HTTP receiver."""
    state = Web()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            said = self.rfile.read(int(self.headers["Content-Length"]))
            state.tries += 1
            message = json.loads(said)
            status = 413 if message.get("attachments") and not state.takes_files else state.status
            if status == 200:
                state.got.append(message)
            self.send_response(status)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    state.port = server.server_address[1]
    with _serving(server):
        yield state


@contextmanager
def _serving(server: socketserver.BaseServer) -> Iterator[None]:
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    try:
        yield
    finally:
        server.shutdown()
        thread.join(5)
        server.server_close()


class Mail:
    """An SMTP receiver, which wants a name and a password if it has them."""

    def __init__(self) -> None:
        self.got: list[EmailMessage] = []
        self.port = 0

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802, ARG002 - the library's names
        """Take a message."""
        content = envelope.content
        self.got.append(message_from_bytes(content if isinstance(content, bytes) else b"", policy=policy.default))
        return "250 OK"


@contextmanager
def mail(*, name: bytes = b"", password: bytes = b"", most_bytes: int = 1 << 25) -> Iterator[Mail]:
    """Run an SMTP receiver, which answers 552 to a message of more than so many octets."""
    state = Mail()

    def check(server: SMTP, session: Session, envelope: Envelope, mechanism: str, data: Any) -> AuthResult:  # noqa: ARG001
        # Not handled: the library answers, 235 or 535.
        return AuthResult(success=(data.login, data.password) == (name, password), handled=False)

    options: dict[str, Any] = {"auth_required": True, "auth_require_tls": False, "authenticator": check} if name else {}
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever)
    thread.start()

    sessions: list[SMTP] = []

    def session() -> SMTP:
        sessions.append(SMTP(state, hostname="localhost", loop=loop, data_size_limit=most_bytes, **options))
        return sessions[-1]

    async def begin() -> asyncio.Server:
        return await loop.create_server(session, "127.0.0.1", 0)

    async def end() -> None:
        server.close()
        left = asyncio.all_tasks() - {asyncio.current_task()}
        for task in left:
            task.cancel()
        await asyncio.gather(*left, return_exceptions=True)
        for one in sessions:
            if isinstance(one.transport, asyncio.Transport):
                one.transport.abort()
        # A transport lets go of its socket at the loop's next turn.
        await asyncio.sleep(0)

    server = asyncio.run_coroutine_threadsafe(begin(), loop).result(5)
    state.port = server.sockets[0].getsockname()[1]
    try:
        yield state
    finally:
        asyncio.run_coroutine_threadsafe(end(), loop).result(5)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(5)
        loop.close()


class Broker:
    """An MQTT 3.1.1 broker that takes and acknowledges; `acknowledges` off: it takes and says nothing."""

    def __init__(self) -> None:
        self.acknowledges = True
        self.got: list[tuple[str, int, str]] = []
        self.port = 0


# OASIS MQTT 3.1.1, section 2.2.1: control packet types.
CONNECT, PUBLISH, PINGREQ, DISCONNECT = 1, 3, 12, 14


@contextmanager
def broker() -> Iterator[Broker]:
    """Run a broker: CONNECT, PUBLISH with quality of service 0 and 1, PINGREQ, DISCONNECT."""
    state = Broker()

    class Handler(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            while head := self.rfile.read(1):
                kind, flags = head[0] >> 4, head[0] & 15
                said = self.rfile.read(self._length())
                if kind == CONNECT:
                    # Section 3.1.2.1: the protocol's name and level; 3.2: accepted, no session present.
                    assert said[:7] == b"\0\4MQTT\4"
                    self.wfile.write(b"\x20\2\0\0")
                elif kind == PUBLISH:
                    self._publish(flags >> 1 & 3, said)
                elif kind == PINGREQ:
                    self.wfile.write(b"\xd0\0")
                elif kind == DISCONNECT:
                    return

        def _length(self) -> int:
            """Section 2.2.3: seven bits an octet, the lowest first."""
            length = shift = 0
            while True:
                (octet,) = self.rfile.read(1)
                length |= (octet & 127) << shift
                shift += 7
                if octet < 128:
                    return length

        def _publish(self, quality: int, said: bytes) -> None:
            """Section 3.3: topic, packet identifier if it is to be acknowledged (3.4), payload."""
            end = 2 + int.from_bytes(said[:2], "big")
            start = end + 2 * (quality > 0)
            state.got.append((said[2:end].decode(), quality, said[start:].decode()))
            if quality == 1 and state.acknowledges:
                self.wfile.write(b"\x40\2" + said[end:start])

    class Server(socketserver.ThreadingTCPServer):
        daemon_threads = True
        block_on_close = False

        def handle_error(self, *_: object) -> None:
            """A client that was killed is no fault of ours."""

    server = Server(("127.0.0.1", 0), Handler)
    state.port = server.server_address[1]
    with _serving(server):
        yield state


def closed_port() -> int:
    """Give a port on which nobody listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
