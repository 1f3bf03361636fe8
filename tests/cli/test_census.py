"""The census command, as a person or a script calls it."""

from __future__ import annotations

import gzip
import json
import subprocess
import sys
from ipaddress import IPv4Address
from pathlib import Path

import pytest

from netaudit.cli import main
from netaudit.wire.arp import encode_arp_request
from netaudit.wire.capture import PcapWriter
from netaudit.wire.dhcp4 import encode_dhcp4_request
from netaudit.wire.ethernet import encode_ethernet
from netaudit.wire.ipv4 import encode_ipv4
from netaudit.wire.lldp import encode_lldp
from netaudit.wire.udp import encode_udp

ROOT = Path(__file__).resolve().parents[2]
MAC = bytes.fromhex("00005e005301")
HERE = IPv4Address("192.0.2.5")
HOSTILE = "\x1b]0;owned\x07\u202eevil\n[bold red]x" + "z" * 300


def call(*words: str, data: bytes | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command; a text pipe is fed with bytes by hand."""
    done = subprocess.run(
        [sys.executable, "-m", "netaudit", "census", *words],
        input=data,
        capture_output=True,
        cwd=ROOT,
        timeout=60,
        check=False,
    )
    return subprocess.CompletedProcess(done.args, done.returncode, done.stdout.decode(), done.stderr.decode())


def write(path: Path, *frames: bytes) -> str:
    """Write a capture of frames that are a second apart."""
    with path.open("wb") as stream:
        writer = PcapWriter(stream)
        for number, frame in enumerate(frames):
            writer.write(number * 1_000_000_000, frame)
    return str(path)


def request(hostname: str) -> bytes:
    """Give a DHCP request with a host name."""
    nobody, everybody = IPv4Address(0), IPv4Address("255.255.255.255")
    data = encode_dhcp4_request(MAC, 1, HERE, hostname=hostname)
    packet = encode_ipv4(nobody, everybody, 17, encode_udp(nobody, everybody, 68, 67, data))
    return encode_ethernet(b"\xff" * 6, MAC, 0x0800, packet)


def test_json_is_one_document_with_its_parts(tmp_path: Path) -> None:
    """The parts that scripts rely on are all there, in one document, with nothing else on standard output."""
    done = call(write(tmp_path / "a.pcap", request("lamp"), encode_arp_request(MAC, HERE, HERE)), "--json")
    assert (done.returncode, done.stderr) == (0, "")
    document = json.loads(done.stdout)
    assert {
        "frames",
        "devices",
        "arp_pairs",
        "dhcp",
        "names",
        "neighbours",
        "radios",
        "broadcast",
        "faults",
    } <= set(document)
    assert (document["frames"], document["dhcp"]["hostnames"]) == (2, ["lamp"])
    assert document["devices"][0]["addresses"][0]["address"] == "192.0.2.5"


def test_several_files_standard_input_and_gzip_are_one_census(tmp_path: Path) -> None:
    """Three sources, one device."""
    plain = write(tmp_path / "a.pcap", request("lamp"))
    packed = tmp_path / "b.pcap.gz"
    packed.write_bytes(
        gzip.compress(Path(write(tmp_path / "b.pcap", encode_arp_request(MAC, HERE, HERE))).read_bytes())
    )
    piped = Path(write(tmp_path / "c.pcap", encode_arp_request(MAC, HERE, IPv4Address("192.0.2.6")))).read_bytes()
    done = call(plain, str(packed), "-", "--json", data=piped)
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    assert [file["frames"] for file in document["files"]] == [1, 1, 1]
    assert (document["frames"], len(document["devices"])) == (3, 1)


@pytest.mark.parametrize("form", [[], ["--json"]])
def test_hostile_names_reach_no_terminal(tmp_path: Path, form: list[str]) -> None:
    """Escape sequences, direction marks, markup and length: nothing of a stranger's text steers what prints it."""
    frame = encode_ethernet(
        bytes.fromhex("0180c200000e"), MAC, 0x88CC, encode_lldp(MAC, "7", 120, system_name=HOSTILE[:200])
    )
    done = call(write(tmp_path / "a.pcap", request(HOSTILE[:60]), frame), *form)
    assert done.returncode == 0, done.stderr
    for harmful in ("\x1b", "\x07", "\u202e"):
        assert harmful not in done.stdout
    assert "owned" in done.stdout
    assert "[bold" in done.stdout.replace("\n", "")
    if not form:
        assert max(map(len, done.stdout.splitlines())) <= 100


def test_a_cut_file_is_read_and_said(tmp_path: Path) -> None:
    """What is whole is read, the cut is named with its file, and that is no failure of the network."""
    path = write(tmp_path / "a.pcap", request("lamp"), request("lamp"))
    Path(path).write_bytes(Path(path).read_bytes()[:-10])
    done = call(path)
    assert done.returncode == 0
    # The table may break the line anywhere.
    assert "ends inside record 2" in " ".join(done.stdout.split())


@pytest.mark.parametrize(
    ("data", "said"), [(b"", "it is empty"), (b"hello, world", "neither pcap nor pcapng"), (None, "No such file")]
)
def test_a_file_that_cannot_be_read_is_one_line(tmp_path: Path, data: bytes | None, said: str) -> None:
    """Status 2, the file's name and what is wrong with it; the document says the same, and of nobody else anything."""
    path = tmp_path / "odd.pcap"
    if data is not None:
        path.write_bytes(data)
    done = call(str(path), "--json")
    assert done.returncode == 2
    document = json.loads(done.stdout)
    assert (document["frames"], document["devices"]) == (0, [])
    assert said in document["faults"]["refused"][0]
    assert done.stderr.count("\n") == 1
    assert "odd.pcap" in done.stderr
    assert said in done.stderr


def test_what_is_wrong_gives_status_1(tmp_path: Path) -> None:
    """Two devices with one address: the table says so, and the status."""
    other = bytes.fromhex("00005e005302")
    frames = [encode_arp_request(mac, HERE, HERE) for mac in (MAC, other, MAC)]
    done = call(write(tmp_path / "a.pcap", *frames))
    assert done.returncode == 1
    assert "192.0.2.5 is claimed by several devices at once" in " ".join(done.stdout.split())


def test_the_demo_site_against_its_own_capture() -> None:
    """The example of the help works: planned names, a second DHCP server and a duplicate address are found."""
    done = call("pcaps/wired.pcap", "--site", "netaudit/demo/site.toml", "--json")
    assert done.returncode == 1, done.stderr
    document = json.loads(done.stdout)
    assert document["faults"]["dhcp_servers"]
    assert document["faults"]["duplicates"]
    assert "device:printer" in {device["planned"] for device in document["devices"]}


def test_where_the_plan_has_no_dhcp_each_server_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The router alone leases to the demo's gadgets: on a network with dhcp = false that is a fault, told once like the two of the family."""
    text = (ROOT / "netaudit/demo/site.toml").read_text("utf-8")
    for segment in ("family", "gadgets"):
        text = text.replace(f"[segment.{segment}]\n", f"[segment.{segment}]\ndhcp = false\n")
    plan = tmp_path / "site.toml"
    plan.write_text(text, encoding="utf-8")
    (tmp_path / "equipment.toml").write_bytes((ROOT / "netaudit/demo/equipment.toml").read_bytes())
    assert main(["census", str(ROOT / "pcaps/wired.pcap"), "--site", str(plan)]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "a DHCP server answers on vlan 10, where the plan has none: 10.71.10.1, 10.71.10.250" in said
    assert "a DHCP server answers on vlan 20, where the plan has none: 10.71.20.1" in said
    assert "more than one DHCP server" not in said


def test_every_shared_capture_gets_an_answer(captures: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each file by itself: a document; one that can't be read also one line and status 2; never a traceback."""
    for path in sorted(captures.iterdir()):
        if path.suffix not in (".pcap", ".pcapng", ".cap"):
            continue
        status = main(["census", str(path), "--json"])
        out, err = capsys.readouterr()
        document = json.loads(out)
        if status == 2:
            assert (document["frames"], err.count("\n")) == (0, 1), path.name
            assert len(document["faults"]["refused"]) == 1, path.name
        else:
            assert document["frames"] >= 1, path.name
            assert err == "", path.name
