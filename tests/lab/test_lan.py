"""The laboratory itself: what it plays is what was asked for, and nothing of it survives."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import textwrap
import time
from ipaddress import IPv4Network, IPv6Network
from pathlib import Path

import pytest
from scapy.layers.dhcp import BOOTP, DHCP
from scapy.layers.dns import DNS, DNSQR
from scapy.layers.inet import IP, UDP
from scapy.layers.inet6 import ICMPv6ND_NA, ICMPv6NDOptDstLLAddr, IPv6
from scapy.layers.l2 import ARP, Ether

from tests.lab.host import Host, Pool, crowd
from tests.lab.lan import ROOT, Lab, LabError

NET = IPv4Network("192.0.2.0/24")
pytestmark = pytest.mark.timeout(60)


def _own_namespace() -> str:
    return str(Path("/proc/self/ns/net").readlink())


def _fail() -> None:
    raise ValueError("said inside")


def _reach(address: str, port: int) -> str:
    try:
        with socket.create_connection((address, port), timeout=2):
            return "open"
    except ConnectionRefusedError:
        return "refused"
    except TimeoutError:
        return "silent"


def _ask_arp(interface: str, wanted: list[str], seconds: float) -> list[tuple[str, str]]:
    """Ask with frames from an independent library and give (address, mac) of every reply, in order."""
    with socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(0x0806)) as sock:
        sock.bind((interface, 0x0806))
        mac = sock.getsockname()[4].hex(":")
        for address in wanted:
            sock.send(bytes(Ether(src=mac, dst="ff:ff:ff:ff:ff:ff") / ARP(hwsrc=mac, psrc="192.0.2.1", pdst=address)))
        end, replies = time.monotonic() + seconds, []
        while (left := end - time.monotonic()) > 0:
            sock.settimeout(left)
            try:
                reply = Ether(sock.recv(2048))[ARP]
            except TimeoutError:
                break
            replies.append((reply.psrc, reply.hwsrc))
        return replies


def test_a_call_runs_in_the_other_namespace_and_the_test_stays_in_its_own(lab: Lab) -> None:
    """What is called inside sees another network namespace; the test's own is what it was."""
    before = _own_namespace()
    inside = lab.call(_own_namespace)
    assert inside != before
    assert _own_namespace() == before


def test_what_is_raised_inside_is_raised_here(lab: Lab) -> None:
    """An error inside reaches the test as itself."""
    with pytest.raises(ValueError, match="said inside"):
        lab.call(_fail)


def test_hosts_answer_an_independent_asker(lab: Lab) -> None:
    """Each present host answers ARP once with its own MAC; absent, removed and silent ones don't."""
    hosts = crowd(NET, 20)
    segment = lab.segment(hosts, own=["192.0.2.1/24"])
    segment.set(hosts[3].but(present=False), hosts[4].but(silent=("arp",)))
    segment.remove(hosts[5])
    replies = lab.call(_ask_arp, segment.interface, [host.address or "" for host in hosts], 0.5)
    there = [host for number, host in enumerate(hosts) if number not in (3, 4, 5)]
    assert sorted(replies) == sorted((host.address, host.mac) for host in there)
    assert segment.counts().answered["arp"] == len(there)


def test_two_hosts_with_one_address_both_answer_and_duplicates_come_twice(lab: Lab) -> None:
    """An address conflict gives two MACs; `duplicate` 1 gives every answer twice."""
    one = Host(mac="02:00:00:00:00:01", address="192.0.2.9")
    segment = lab.segment([one, one.but(mac="02:00:00:00:00:02", duplicate=1.0)], own=["192.0.2.1/24"])
    replies = lab.call(_ask_arp, segment.interface, ["192.0.2.9"], 0.3)
    assert sorted(mac for _, mac in replies) == ["02:00:00:00:00:01", "02:00:00:00:00:02", "02:00:00:00:00:02"]


def test_the_same_seed_loses_the_same_questions(lab: Lab) -> None:
    """Loss is drawn from the seed: two segments with the same seed and hosts lose the same ones, another seed others."""
    hosts = [host.but(loss=0.5) for host in crowd(NET, 60)]
    wanted = [host.address or "" for host in hosts]
    heard = []
    for seed in (7, 7, 8):
        segment = lab.segment(hosts, seed=seed)
        heard.append(sorted(lab.call(_ask_arp, segment.interface, wanted, 0.3)))
        assert segment.counts().lost == 60 - len(heard[-1])
    assert heard[0] == heard[1] != heard[2]
    # 60 draws at 1/2: outside of 12..48 once in about 1.3 million (scipy.stats.binom.cdf(11, 60, 0.5) = 3.78e-7, two-sided)
    assert 12 <= len(heard[0]) <= 48


def test_the_kernel_pings_played_hosts_over_both_protocols(lab: Lab) -> None:
    """The kernel's own ARP, ND and echo find the played hosts: its checksums accept ours."""
    hosts = crowd(NET, 2, network6=IPv6Network("2001:db8::/64"))
    segment = lab.segment(hosts, own=["192.0.2.1/24", "2001:db8::1/64"])
    ping = textwrap.dedent(
        """
        import socket, sys
        six = ":" in sys.argv[1]
        kind, hello = (socket.IPPROTO_ICMPV6, 128) if six else (socket.IPPROTO_ICMP, 8)
        with open("/proc/sys/net/ipv4/ping_group_range", "w") as groups:
            groups.write("0 0")
        sock = socket.socket(socket.AF_INET6 if six else socket.AF_INET, socket.SOCK_DGRAM, kind)
        sock.settimeout(3)
        sock.sendto(bytes([hello, 0, 0, 0, 0, 0, 0, 7]) + b"abcdefgh", (sys.argv[1], 0))
        print(sock.recv(100)[8:].decode())
        """
    )
    for address in ("192.0.2.2", "192.0.2.3", "2001:db8::2", "2001:db8::3"):
        assert lab.run([sys.executable, "-c", ping, address]).stdout.strip() == "abcdefgh"
    counts = segment.counts()
    assert (counts.answered["echo"], counts.answered["echo6"]) == (2, 2)


def test_tcp_ports_are_open_or_refused(lab: Lab) -> None:
    """The kernel's connect succeeds on a played open port and is refused on another."""
    lab.segment([Host(mac="02:00:00:00:00:05", address="192.0.2.5", ports=(80,))], own=["192.0.2.1/24"])
    assert lab.call(_reach, "192.0.2.5", 80) == "open"
    assert lab.call(_reach, "192.0.2.5", 81) == "refused"


def test_an_independent_client_gets_a_lease(lab: Lab) -> None:
    """DISCOVER, OFFER, REQUEST, ACK with messages made and read by an independent library."""
    pool = Pool(first="192.0.2.100", count=5, mask="255.255.255.0", router="192.0.2.254", dns=("192.0.2.253",))
    segment = lab.segment([Host(mac="02:00:00:00:00:fe", address="192.0.2.254", pool=pool)])
    offered, acknowledged, router = lab.call(_take_lease, segment.interface)
    assert offered == acknowledged == "192.0.2.100"
    assert router == "192.0.2.254"
    assert segment.counts().leases == {"02:00:00:00:00:77": "192.0.2.100"}


def _take_lease(interface: str) -> tuple[str, str, str]:
    mac = "02:00:00:00:00:77"
    client = bytes.fromhex(mac.replace(":", ""))

    def ask(*options: tuple[str, object]) -> BOOTP:
        bootp = BOOTP(chaddr=client, xid=99, flags=0x8000) / DHCP(options=[*options, "end"])
        packet = Ether(src=mac, dst="ff:ff:ff:ff:ff:ff") / IP(src="0.0.0.0", dst="255.255.255.255")  # noqa: S104
        sock.send(bytes(packet / UDP(sport=68, dport=67) / bootp))
        while True:
            answer = Ether(sock.recv(2048))
            # scapy sums what it parsed anew when a checksum is deleted: equal means ours was right.
            if UDP in answer and answer[UDP].sport == 67:
                ours = answer[UDP].chksum
                del answer[UDP].chksum
                assert Ether(bytes(answer))[UDP].chksum == ours
                return answer

    with socket.socket(socket.AF_PACKET, socket.SOCK_RAW, socket.htons(0x0800)) as sock:
        sock.bind((interface, 0x0800))
        sock.settimeout(3)
        offer = ask(("message-type", "discover"))
        options = {one[0]: one[1] for one in offer[DHCP].options if isinstance(one, tuple)}
        given = offer[BOOTP].yiaddr
        done = ask(("message-type", "request"), ("requested_addr", given), ("server_id", options["server_id"]))
        return given, done[BOOTP].yiaddr, options["router"]


def _overhear(interface: str, seconds: float) -> list[bytes]:
    """Give every frame that comes in on an interface."""
    with socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0) as sock:
        sock.bind((interface, 3))
        end, frames = time.monotonic() + seconds, []
        while (left := end - time.monotonic()) > 0:
            sock.settimeout(left)
            try:
                frame, (_, _, direction, *_) = sock.recvfrom(2048)
            except TimeoutError:
                break
            if direction != socket.PACKET_OUTGOING:
                frames.append(frame)
        return frames


def test_what_hosts_say_unasked_is_what_an_independent_library_reads(lab: Lab) -> None:
    """Announcement, advertisement, multicast DNS, DISCOVER and REQUEST of one host, in the order in which it was told."""
    host = Host(
        mac="02:00:00:00:00:31",
        address="192.0.2.31",
        address6="2001:db8::31",
        name="printer",
        services=("_ipp._tcp",),
    )
    segment = lab.segment([host])

    def speak() -> None:
        for what in ("arp", "nd", "mdns", "discover", "request"):
            segment.say(host, what)

    with lab.later(0.2, speak):
        arp, nd, mdns, discover, request = map(Ether, lab.call(_overhear, segment.interface, 1.0))
    assert {frame.src for frame in (arp, nd, mdns, discover, request)} == {host.mac}
    assert (arp[ARP].op, arp[ARP].psrc, arp[ARP].pdst, arp[ARP].hwsrc) == (1, "192.0.2.31", "192.0.2.31", host.mac)
    assert (nd[ICMPv6ND_NA].tgt, nd[ICMPv6NDOptDstLLAddr].lladdr, nd[IPv6].hlim) == (host.address6, host.mac, 255)
    assert (mdns[IP].dst, mdns[IP].ttl, mdns[UDP].dport, mdns[DNS].qr, mdns[DNS].aa) == ("224.0.0.251", 255, 5353, 1, 1)
    records = {(record.rrname, record.type): record for record in mdns[DNS].an}
    assert records[b"printer.local.", 1].rdata == "192.0.2.31"
    assert records[b"_ipp._tcp.local.", 12].rdata == b"printer._ipp._tcp.local."
    assert records[b"printer._ipp._tcp.local.", 33].target == b"printer.local."
    for frame, kind in ((discover, 1), (request, 3)):
        options: dict[str, object] = dict(one[:2] for one in frame[DHCP].options if isinstance(one, tuple))
        assert (options["message-type"], options["hostname"]) == (kind, b"printer")
        assert frame[BOOTP].chaddr[:6].hex(":") == host.mac
        assert options.get("requested_addr") == (host.address if kind == 3 else None)
    for frame in (nd, mdns, discover, request):
        assert _sums(frame) == _sums(_summed_anew(frame))


def _sums(frame: Ether) -> list[int]:
    return [frame[layer].chksum for layer in (IP, UDP) if layer in frame] + [
        frame[layer].cksum for layer in (ICMPv6ND_NA,) if layer in frame
    ]


def _summed_anew(frame: Ether) -> Ether:
    """Let the library fill in every checksum itself."""
    copy = frame.copy()
    for layer, field in ((IP, "chksum"), (UDP, "chksum"), (ICMPv6ND_NA, "cksum")):
        if layer in copy:
            delattr(copy[layer], field)
    return Ether(bytes(copy))


def _ask_mdns(interface: str, name: str, kind: str) -> list[str]:
    """Ask by multicast DNS with an independent library and name who answered."""
    with socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0) as sock:
        sock.bind((interface, 0x0800))
        mac = sock.getsockname()[4].hex(":")
        question = Ether(src=mac, dst="01:00:5e:00:00:fb") / IP(src="192.0.2.1", dst="224.0.0.251", ttl=255)
        sock.send(bytes(question / UDP(sport=5353, dport=5353) / DNS(qd=DNSQR(qname=name, qtype=kind))))
        sock.settimeout(0.5)
        found = []
        try:
            while True:
                found.append(Ether(sock.recv(2048)).src)
        except TimeoutError:
            return sorted(found)


def test_multicast_dns_questions_are_answered_by_whom_they_concern(lab: Lab) -> None:
    """A name by its one owner, a service type by all that offer it, another name by nobody."""
    hosts = [
        host.but(name=f"thing{number}", services=("_ipp._tcp",) if number < 2 else ())
        for number, host in enumerate(crowd(NET, 3))
    ]
    segment = lab.segment(hosts)
    assert lab.call(_ask_mdns, segment.interface, "thing2.local", "A") == [hosts[2].mac]
    assert lab.call(_ask_mdns, segment.interface, "_ipp._tcp.local", "PTR") == [hosts[0].mac, hosts[1].mac]
    assert lab.call(_ask_mdns, segment.interface, "nothing.local", "A") == []


def test_delay_and_jitter_are_kept(lab: Lab) -> None:
    """With 20 ms and up to 20 ms more, answers take 20 ms or longer, and are spread over the jitter."""
    host = Host(mac="02:00:00:00:00:32", address="192.0.2.32", delay_s=0.02, jitter_s=0.02)
    segment = lab.segment([host], own=["192.0.2.1/24"])
    took_s = lab.call(_arp_times, segment.interface, "192.0.2.32", 40)
    assert min(took_s) >= 0.02
    # 40 even draws; fewer than five of them in the upper half have a chance of 9e-8 (scipy.stats.binom.cdf(4, 40, 0.5)).
    assert sorted(took_s)[-5] > 0.03
    assert min(took_s) < 0.03


def _arp_times(interface: str, address: str, count: int) -> list[float]:
    with socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0) as sock:
        sock.bind((interface, 0x0806))
        mac = sock.getsockname()[4].hex(":")
        question = bytes(Ether(src=mac, dst="ff:ff:ff:ff:ff:ff") / ARP(hwsrc=mac, psrc="192.0.2.1", pdst=address))
        sock.settimeout(2)
        took_s = []
        for _ in range(count):
            began_s = time.monotonic()
            sock.send(question)
            sock.recv(2048)
            took_s.append(time.monotonic() - began_s)
        return took_s


def test_a_cut_cable_loses_the_carrier(lab: Lab) -> None:
    """After cut() the monitor's interface has no carrier; after mend() it has one and hosts answer again."""
    segment = lab.segment(crowd(NET, 1), own=["192.0.2.1/24"])
    segment.cut()
    assert "NO-CARRIER" in lab.run(["ip", "link", "show", segment.interface]).stdout
    segment.mend()
    assert "NO-CARRIER" not in lab.run(["ip", "link", "show", segment.interface]).stdout
    assert lab.call(_ask_arp, segment.interface, ["192.0.2.2"], 0.3) == [("192.0.2.2", "02:00:c0:00:02:02")]


def test_a_guest_with_a_real_stack_shares_a_bridged_segment(lab: Lab) -> None:
    """Played hosts and a guest's kernel answer on the same segment."""
    segment = lab.segment(crowd(NET, 3), own=["192.0.2.1/24"], bridged=True)
    segment.guest("02:00:00:00:01:50", "192.0.2.50/24")
    replies = lab.call(_ask_arp, segment.interface, ["192.0.2.2", "192.0.2.50"], 0.5)
    assert sorted(replies) == [("192.0.2.2", "02:00:c0:00:02:02"), ("192.0.2.50", "02:00:00:00:01:50")]


def test_guests_are_refused_on_a_plain_segment(lab: Lab) -> None:
    """A guest on a segment without a bridge is an error that says what to write."""
    with pytest.raises(LabError, match="bridged=True"):
        lab.segment().guest("02:00:00:00:01:50")


def test_a_wrong_command_is_an_error(lab: Lab) -> None:
    """What the responder can't do reaches the test as an error, and the responder lives on."""
    segment = lab.segment(crowd(NET, 1))
    with pytest.raises(LabError, match="can't say boo"):
        segment.say(crowd(NET, 1)[0], "boo")
    assert segment.counts().drops == 0


def test_it_works_without_any_rights(plain_lab: Lab) -> None:
    """In a user namespace the same hosts answer."""
    hosts = crowd(NET, 30)
    segment = plain_lab.segment(hosts, own=["192.0.2.1/24"], bridged=True)
    replies = plain_lab.call(_ask_arp, segment.interface, [host.address or "" for host in hosts], 0.5)
    assert sorted(replies) == sorted((host.address, host.mac) for host in hosts)


# A test that builds everything there is, says who is in it, and is then killed.
VICTIM = """
import os, sys, time
from tests.lab.host import Host
from tests.lab.lan import Lab
lab = Lab(unprivileged=bool(int(sys.argv[1])))
segment = lab.segment([Host(mac="02:00:00:00:00:01", address="192.0.2.2")], own=["192.0.2.1/24"], bridged=True)
segment.guest("02:00:00:00:00:02", "192.0.2.3/24").popen(["sleep", "1000"])
lab.popen(["sleep", "1000"])
print(*(child.pid for child in lab._children), flush=True)
time.sleep(1000)
"""


@pytest.mark.parametrize("unprivileged", [False, True])
def test_nothing_survives_when_the_test_is_killed(unprivileged: bool, lab: Lab) -> None:  # noqa: FBT001
    """After SIGKILL of the test process its children are gone, and with them every namespace they were in."""
    if not unprivileged and lab.unprivileged:
        pytest.skip("needs root")
    victim = subprocess.Popen(
        [sys.executable, "-c", VICTIM, str(int(unprivileged))], stdout=subprocess.PIPE, text=True, cwd=ROOT
    )
    with victim:
        try:
            assert victim.stdout is not None
            pids = [int(word) for word in victim.stdout.readline().split()]
            # monitor, responder, guest, two programs; the programs need a moment to get where they belong
            assert len(pids) == 5
            own, spaces = _own_namespace(), set[str]()
            end = time.monotonic() + 10
            while (not spaces or own in spaces) and time.monotonic() < end:
                spaces = {_space(pid) for pid in pids}
            assert own not in spaces
            assert len(spaces) == 3
        finally:
            victim.send_signal(signal.SIGKILL)
    end = time.monotonic() + 10
    while (left := _alive(pids, spaces)) and time.monotonic() < end:
        time.sleep(0.02)
    assert left == []


def test_nothing_starts_after_the_test_was_killed(lab: Lab) -> None:
    """A test killed while its programs are still on their way into the lab leaves none of them either."""
    for _ in range(5):
        victim = subprocess.Popen(
            [sys.executable, "-c", VICTIM, str(int(lab.unprivileged))], stdout=subprocess.PIPE, text=True, cwd=ROOT
        )
        with victim:
            assert victim.stdout is not None
            pids = [int(word) for word in victim.stdout.readline().split()]
            victim.send_signal(signal.SIGKILL)
        assert len(pids) == 5
        end = time.monotonic() + 10
        while (left := _alive(pids, set())) and time.monotonic() < end:
            time.sleep(0.02)
        assert left == []


def _space(pid: int | str) -> str:
    return str(Path(f"/proc/{pid}/ns/net").readlink())


def _alive(pids: list[int], spaces: set[str]) -> list[str]:
    """Name every process that is one of these or lives in one of these namespaces; a zombie holds neither."""
    found = []
    for entry in Path("/proc").iterdir():
        if not entry.name.isdigit():
            continue
        try:
            state = (entry / "stat").read_text().rpartition(")")[2].split()[0]
            space = _space(entry.name)
        except OSError:  # ended while we looked
            continue
        if state != "Z" and (int(entry.name) in pids or space in spaces):
            found.append(f"{entry.name} {space}")
    return found
