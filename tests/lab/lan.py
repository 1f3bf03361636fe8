"""
A laboratory network in anonymous namespaces: the monitor's side runs the program, the far side is played.

    monitor namespace            one namespace per segment
    [ program ] seg0 <--veth--> lan [ responder: hundreds of hosts ]
                seg1 <--veth--> lan [ responder ]

No namespace has a name, so none can be left behind: each lives as long as a process in it, and each such process dies with
the test that started it (parent-death signal, and end of its standard input), even when that is killed with SIGKILL.
The test itself never changes its namespace: what must run inside is a program (`run`, `popen`) or a function (`call`).
"""

from __future__ import annotations

import json
import os
import pickle
import select
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import contextmanager
from ipaddress import IPv4Interface, IPv6Interface
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, ParamSpec, Self, TypeVar, overload

from tests.lab.host import Counts, Host, Question

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine, Iterable, Iterator, Sequence

ROOT = Path(__file__).resolve().parents[2]
P = ParamSpec("P")
T = TypeVar("T")
# Locally administered, unlike any that crowd() makes.
MONITOR_MAC = "02:ff:00:00:00:{:02x}"
ANSWER_TIMEOUT_S = 20.0
# Under the 300 s that pytest gives a test.
CALL_TIMEOUT_S = 240.0
# The signal is only for deaths to come: a test that died before it was set is noticed by the changed parent.
DIES_WITH_PARENT = ("setpriv", "--pdeathsig", "KILL", "--", "sh", "-c", 'test "$PPID" = "$0" && exec "$@"')


class LabError(Exception):
    """The laboratory can't be built, or a command to it was wrong."""


class Lab:
    """
    The monitor's namespace and the segments it is connected to; a context manager.

    With `unprivileged` it is built inside a user namespace, which needs no rights (and gets no real-time priority there).
    """

    def __init__(self, *, unprivileged: bool = False) -> None:
        self.unprivileged = unprivileged
        self.segments: list[Segment] = []
        self.players: list[Players] = []
        self.guests: list[Guest] = []
        self._children: list[subprocess.Popen[Any]] = []
        self._calling = threading.Event()
        unshare = ["unshare", "--user", "--map-root-user", "--net"] if unprivileged else ["unshare", "--net"]
        self._monitor = self._hold(unshare)
        self.ip("link set lo up")

    def __enter__(self) -> Self:
        """Give the lab itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """End every process of the lab; the namespaces go with them."""
        self.close()

    def _hold(self, unshare: Sequence[str]) -> subprocess.Popen[str]:
        """Start a process that does nothing but keep a new namespace alive until our end of its pipe closes."""
        child = subprocess.Popen(
            [*unshare, *_bound(), "sh", "-c", "echo ready; exec cat >/dev/null"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self._children.append(child)
        if _line(child) != "ready":
            said = child.communicate(timeout=ANSWER_TIMEOUT_S)[1].strip()
            self.close()
            raise LabError(f"no network namespace to be had here: {said}")
        return child

    @property
    def pid(self) -> int:
        """The process that keeps the monitor's namespace alive."""
        return self._monitor.pid

    def enter(self, pid: int | None = None) -> list[str]:
        """Give the words that run what follows them in a namespace: the monitor's, or that of process `pid`."""
        user = ["--user", "--preserve-credentials"] if self.unprivileged else []
        return ["nsenter", "--target", str(pid or self._monitor.pid), *user, "--net", "--"]

    def unshare(self) -> list[str]:
        """Give the words that run what follows them in a new network namespace, still under our user namespace."""
        if not self.unprivileged:
            return ["unshare", "--net", "--"]
        return [*self.enter(), "unshare", "--net", "--"]

    def ip(self, *commands: str, pid: int | None = None) -> None:
        """Run `ip` commands in one go, in the monitor's namespace or that of process `pid`."""
        done = subprocess.run(
            [*self.enter(pid), "ip", "-batch", "-"],
            input="\n".join(commands) + "\n",
            capture_output=True,
            text=True,
            check=False,
            timeout=30,
        )
        if done.returncode:
            raise LabError(f"ip: {done.stderr.strip()}")

    def segment(
        self,
        hosts: Iterable[Host] = (),
        *,
        own: Iterable[str] = (),
        seed: int = 1,
        precise: bool = False,
        log: bool = False,
        bridged: bool = False,
    ) -> Segment:
        """
        Connect a new segment with these hosts on it.

        Args:      own: the monitor's own addresses there, as 192.0.2.1/24; seed: of all chance on the segment;
                   precise: keep delays to some microseconds, if real-time priority can be had (`segment.is_precise`);
                   log: keep every question with its arrival stamp; bridged: let guests join.
        """
        segment = Segment(self, len(self.segments), list(own), seed=seed, precise=precise, log=log, bridged=bridged)
        self.segments.append(segment)
        segment.set(*hosts)
        return segment

    def run(
        self, args: Sequence[str], *, timeout_s: float = 60.0, check: bool = True, pid: int | None = None, **kwargs: Any
    ) -> subprocess.CompletedProcess[str]:
        """Run a program to its end in the monitor's namespace, or that of process `pid`; its output is captured as text."""
        return subprocess.run(
            [*self.enter(pid), *_bound(), *args],
            **{"capture_output": True, "text": True, "cwd": ROOT, **kwargs},
            timeout=timeout_s,
            check=check,
        )

    def popen(self, args: Sequence[str], **kwargs: Any) -> subprocess.Popen[Any]:
        """Start a program in the monitor's namespace; it ends with the lab at the latest."""
        child = subprocess.Popen([*self.enter(), *_bound(), *args], **{"cwd": ROOT, **kwargs})
        self._children.append(child)
        return child

    @overload
    def call(self, function: Callable[P, Coroutine[Any, Any, T]], *args: P.args, **kwargs: P.kwargs) -> T: ...
    @overload
    def call(self, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T: ...
    def call(self, function: Callable[P, Any], *args: P.args, **kwargs: P.kwargs) -> Any:
        """
        Call a module's function (or coroutine function) in a fresh process in the monitor's namespace.

        Gives what it gave; raises what it raised. Arguments and result must be picklable. Warnings are errors there too.
        """
        begun, begins = os.pipe()
        with tempfile.TemporaryFile() as work, tempfile.TemporaryFile() as out:
            pickle.dump((_module(function), function.__qualname__, args, kwargs), work)
            work.seek(0)
            words = [sys.executable, "-W", "error", "-m", "tests.lab.inside", str(out.fileno()), str(begins)]
            with subprocess.Popen(
                [*self.enter(), *_bound(), *words],
                stdin=work,
                stderr=subprocess.PIPE,
                pass_fds=[out.fileno(), begins],
                cwd=ROOT,
            ) as child:
                os.close(begins)
                os.read(begun, 1)
                os.close(begun)
                self._calling.set()
                try:
                    said = child.communicate(timeout=CALL_TIMEOUT_S)[1]
                finally:
                    child.kill()
            out.seek(0)
            result = out.read()
        if child.returncode or not result:
            raise LabError(f"{function.__qualname__} ended with {child.returncode}: {said.decode()}")
        good, value = pickle.loads(result)  # noqa: S301 - written by our own child
        if not good:
            raise value
        return value

    @contextmanager
    def later(self, seconds: float, act: Callable[[], object]) -> Iterator[None]:
        """
        Let something happen while the block runs: `act` is called `seconds` after what `call` runs is about to begin.

        At the block's end its error, if any, is raised; if the block was over first, that is an error too.
        """
        trouble: list[BaseException] = []

        def wait_and_act() -> None:
            try:
                if self._calling.wait(ANSWER_TIMEOUT_S):
                    time.sleep(seconds)
                    act()
            except BaseException as error:  # noqa: BLE001 - raised again where the test can see it
                trouble.append(error)

        self._calling.clear()
        thread = threading.Thread(target=wait_and_act, daemon=True)
        thread.start()
        yield
        if not self._calling.is_set():
            raise LabError("nothing was called, so nothing could happen meanwhile")
        if thread.is_alive():
            thread.join(ANSWER_TIMEOUT_S)
            raise LabError("it was over before something could happen meanwhile: let it last longer")
        if trouble:
            raise trouble[0]

    def close(self) -> None:
        """End every process of the lab, last started first."""
        for child in reversed(self._children):
            child.kill()
        for child in reversed(self._children):
            for pipe in (child.stdin, child.stdout, child.stderr):
                if pipe is not None:
                    pipe.close()
            child.wait(timeout=ANSWER_TIMEOUT_S)
        self._children.clear()

    def start_responder(self, *words: str) -> subprocess.Popen[str]:
        """Start a responder process; it moves into a namespace of its own by itself."""
        prefix = self.enter() if self.unprivileged else []
        child = subprocess.Popen(
            [*prefix, sys.executable, "-m", "tests.lab.responder", *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )
        self._children.append(child)
        return child


class Players:
    """A responder with its hosts, in a namespace of its own, until it is connected to something by `attach`."""

    def __init__(self, lab: Lab, name: str, *, seed: int = 1, precise: bool = False, log: bool = False) -> None:
        self.lab = lab
        self.name = name
        self._child = lab.start_responder(str(seed), str(int(precise)), str(int(log)))
        self.is_precise: bool = self._answer()["first"]
        lab.players.append(self)

    def __str__(self) -> str:
        """Name it in messages."""
        return f"the responder of {self.name}"

    @property
    def pid(self) -> int:
        """The process that keeps its namespace alive."""
        return self._child.pid

    def attach(self, interface: str) -> None:
        """Let it play on an interface of its namespace."""
        self._order(do="attach", interface=interface)

    @property
    def alive(self) -> bool:
        """Does the responder still run?"""
        return self._child.poll() is None

    def _answer(self) -> dict[str, Any]:
        line = _line(self._child)
        if not line:
            raise LabError(f"{self} ended or is stuck (status {self._child.poll()})")
        answer: dict[str, Any] = json.loads(line)
        if "error" in answer:
            raise LabError(f"{self}: {answer['error']}")
        return answer

    def _order(self, **order: Any) -> dict[str, Any]:
        if self._child.stdin is None:
            raise LabError("the responder has no ear")
        self._child.stdin.write(json.dumps(order) + "\n")
        self._child.stdin.flush()
        return self._answer()

    def set(self, *hosts: Host) -> None:
        """Add hosts, or give those with a known MAC their new quirks; done when this returns."""
        self._order(do="set", hosts=[host.as_json() for host in hosts])

    def remove(self, *hosts: Host) -> None:
        """Take hosts away."""
        self._order(do="remove", macs=[host.mac for host in hosts])

    def say(self, host: Host, what: str) -> None:
        """Let a host speak unasked: arp, nd, mdns, discover, request."""
        self._order(do="say", mac=host.mac, what=what)

    def send(self, frame: bytes) -> None:
        """Put any frame on the segment."""
        self._order(do="send", frame=frame.hex())

    def counts(self) -> Counts:
        """Give what the responder did since it started."""
        return Counts(**self._order(do="counts"))

    def log(self) -> list[Question]:
        """Give every question that arrived, with its kernel stamp; the segment must have been made with `log`."""
        return [Question(*entry) for entry in self._order(do="log")["log"]]


class Segment(Players):
    """One segment: `interface` is its name on the monitor's side, `mac` the monitor's MAC there."""

    def __init__(
        self, lab: Lab, number: int, own: list[str], *, seed: int, precise: bool, log: bool, bridged: bool
    ) -> None:
        self.interface = f"seg{number}"
        super().__init__(lab, self.interface, seed=seed, precise=precise, log=log)
        self.mac = MONITOR_MAC.format(number + 1)
        self.bridged = bridged
        self._guests = 0
        far = self.pid
        lab.ip(
            f"link add {self.interface} address {self.mac} type veth peer name {'hub0' if bridged else 'lan'} netns {far}",
            f"link set {self.interface} addrgenmode none",
        )
        if bridged:
            lab.ip(
                "link add lan type veth peer name hub1",
                "link add hub type bridge forward_delay 0 mcast_snooping 0",
                *(f"link set {name} addrgenmode none" for name in ("lan", "hub0", "hub1", "hub")),
                "link set hub0 master hub",
                "link set hub1 master hub",
                *(f"link set {name} up" for name in ("lan", "hub0", "hub1", "hub")),
                pid=far,
            )
        else:
            lab.ip("link set lan addrgenmode none", "link set lan up", pid=far)
        lab.ip(
            # Both queues longer than any burst a test sends: what is lost here would be blamed on the program.
            f"link set {self.interface} txqueuelen 10000 up",
            *(_add(address, self.interface) for address in own),
        )
        self.attach("lan")

    def cut(self) -> None:
        """Pull the cable at the far end: the monitor's interface loses its carrier."""
        self.lab.ip(f"link set {'hub0' if self.bridged else 'lan'} down", pid=self._child.pid)

    def mend(self) -> None:
        """Plug the cable in again."""
        self.lab.ip(f"link set {'hub0' if self.bridged else 'lan'} up", pid=self._child.pid)

    def guest(self, mac: str, *addresses: str) -> Guest:
        """Let a namespace with a real kernel stack join a bridged segment, for programs that must run on the far side."""
        if not self.bridged:
            raise LabError("guests join bridged segments only: lab.segment(..., bridged=True)")
        self._guests += 1
        guest = Guest(self.lab)
        port = f"port{self._guests}"
        self.lab.ip(f"link add {port} type veth peer name eth0 netns {guest.pid}", pid=self._child.pid)
        self.lab.ip(
            f"link set {port} addrgenmode none",
            f"link set {port} master hub",
            f"link set {port} up",
            pid=self._child.pid,
        )
        self.lab.ip(
            "link set lo up",
            f"link set eth0 address {mac}",
            "link set eth0 addrgenmode none",
            "link set eth0 up",
            *(_add(address, "eth0") for address in addresses),
            pid=guest.pid,
        )
        self.lab.guests.append(guest)
        return guest


class Guest:
    """A namespace on a bridged segment with the kernel's own stack in it."""

    def __init__(self, lab: Lab) -> None:
        self.lab = lab
        self._child = lab._hold(lab.unshare())

    @property
    def pid(self) -> int:
        """The process that keeps the namespace alive."""
        return self._child.pid

    def popen(self, args: Sequence[str], **kwargs: Any) -> subprocess.Popen[Any]:
        """Start a program on the guest; it ends with the lab at the latest."""
        child = subprocess.Popen([*self.lab.enter(self.pid), *_bound(), *args], **{"cwd": ROOT, **kwargs})
        self.lab._children.append(child)
        return child


def _module(function: Callable[..., Any]) -> str:
    """Name the module to import for a function; one that runs as a program has its name in its spec."""
    spec = getattr(sys.modules["__main__"], "__spec__", None)
    return spec.name if function.__module__ == "__main__" and spec is not None else function.__module__


def _bound() -> list[str]:
    """Give the words that let the program after them die with this process."""
    return [*DIES_WITH_PARENT, str(os.getpid())]


def _add(address: str, interface: str) -> str:
    """Write the `ip` command that adds an address; IPv6 without duplicate detection, which would take a second."""
    parsed = IPv6Interface(address) if ":" in address else IPv4Interface(address)
    return f"addr add {parsed} dev {interface}{' nodad' if parsed.version == 6 else ''}"


def _line(child: subprocess.Popen[str]) -> str:
    """Read one line of a child's standard output; empty when it ended or says nothing for too long."""
    out: IO[str] | None = child.stdout
    if out is None:
        return ""
    # One line is asked for at a time, so nothing can already wait in Python's buffer.
    ready, _, _ = select.select([out], [], [], ANSWER_TIMEOUT_S)
    return out.readline().strip() if ready else ""


def is_privileged() -> bool:
    """May this process make network namespaces by itself? CAP_SYS_ADMIN (21) and CAP_NET_ADMIN (12) are what it takes."""
    for line in Path(f"/proc/{os.getpid()}/status").read_text(encoding="ascii").splitlines():
        if line.startswith("CapEff:"):
            held = int(line.split()[1], 16)
            return bool(held >> 21 & 1) and bool(held >> 12 & 1)
    return False
