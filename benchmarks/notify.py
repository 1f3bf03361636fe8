"""
What telling costs: the memory and the start of the child that delivers, and of the daemon's side of it.

Beside the child: the same library imported in a fresh interpreter, and an interpreter that imports nothing, in the same run.
All receivers are on loopback.

    python -m benchmarks.notify
"""

from __future__ import annotations

import asyncio
import subprocess
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

from netaudit.notify.post import child_post
from netaudit.store.store import Store

ROUNDS = 5
ASKS = 2000
# Prints the resident size [KiB] after the statements before it.
SIZE = "print(open('/proc/self/status').read().split('VmRSS:')[1].split()[0])"


class Receiver(BaseHTTPRequestHandler):
    """Takes everything."""

    def do_POST(self) -> None:
        """Take a message."""
        self.rfile.read(int(self.headers["Content-Length"]))
        self.send_response(200)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Say nothing."""


def size_mb(statements: str) -> float:
    """Give the resident size of an interpreter that has run these statements [MB]."""
    words = [sys.executable, "-W", "ignore", "-c", f"{statements}\n{SIZE}"]
    return int(subprocess.run(words, capture_output=True, text=True, check=True).stdout) * 1024 / 1e6


async def child(address: str) -> tuple[float, float, float]:
    """Give the child's peak size [MB], and the seconds to its first answer and to the next."""
    began = time.perf_counter()
    async with child_post(address) as post:
        trouble = await post.send("title", "title\nbody")
        first = time.perf_counter()
        trouble += await post.send("title", "title\nbody")
        second = time.perf_counter()
        pid = post._process.pid  # type: ignore[attr-defined]  # noqa: SLF001 - the size of this very process is asked for
        kept = Path(f"/proc/{pid}/status").read_text("ascii")  # noqa: ASYNC240 - nothing else waits
    if trouble:
        raise SystemExit(trouble)
    return int(kept.split("VmHWM:")[1].split()[0]) * 1024 / 1e6, first - began, second - first


def idle_s(folder: str) -> float:
    """Give the seconds of processor that one look into an empty outbox takes."""
    with Store.open(Path(folder) / "x.db", site="x", clock=lambda: datetime.now(UTC)) as store:
        began = time.process_time()
        for _ in range(ASKS):
            store.queued_letters("mail")
            store.queued_letters("mail/digest")
        return (time.process_time() - began) / ASKS


def main() -> None:
    """Measure and print."""
    bare, daemon = size_mb("import asyncio"), size_mb("import netaudit.notify.deliver, netaudit.notify.tell")
    library = size_mb("import apprise; apprise.Apprise.instantiate('json://127.0.0.1/x')")
    server = HTTPServer(("127.0.0.1", 0), Receiver)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        runs = [asyncio.run(child(f"json://127.0.0.1:{server.server_address[1]}/x")) for _ in range(ROUNDS)]
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
    peak, first, second = (sorted(column)[ROUNDS // 2] for column in zip(*runs, strict=True))
    print(f"interpreter with asyncio                 {bare:6.1f} MB")
    print(f"daemon's side of telling, imported alone {daemon:6.1f} MB")
    print(f"library with its receivers               {library:6.1f} MB  ({library / bare:.1f} of the interpreter)")
    print(f"child, peak                              {peak:6.1f} MB  ({peak / library:.2f} of the library)")
    print(f"child, start to first answer             {first:6.2f} s")
    print(f"child, next answer                       {second:6.3f} s")
    with tempfile.TemporaryDirectory() as folder:
        print(f"a look into an empty outbox              {idle_s(folder) * 1e3:6.2f} ms of processor, each 5 s")


if __name__ == "__main__":
    main()
