from __future__ import annotations

import io
import struct
from ipaddress import ip_network
from pathlib import Path

import dpkt
import pytest

from netaudit.demo.captures import present
from netaudit.site.load import load_site
from netaudit.wire.capture import open_capture
from netaudit.wire.dot11 import decode_dot11
from netaudit.wire.radiotap import decode_radiotap
from pcaps.make import main

ROOT = Path(__file__).resolve().parents[2]
HERE, PLAN = ROOT / "pcaps", ROOT / "netaudit" / "demo" / "site.toml"
NAMES = ("air.pcap", "uplink.pcapng", "wired.pcap")
# RFC 1918, RFC 5737, RFC 3927, multicast and the two addresses of nobody and everybody
OURS = [
    ip_network(text)
    for text in (
        "10.0.0.0/8",
        "192.0.2.0/24",
        "198.51.100.0/24",
        "203.0.113.0/24",
        "224.0.0.0/4",
        "0.0.0.0/32",
        "255.255.255.255/32",
    )
]


def test_the_captures_are_those_the_script_makes(tmp_path: Path) -> None:
    """Each capture beside the script is byte for byte what it makes; if this fails, run `python pcaps/make.py`."""
    main(tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == list(NAMES)
    for name in NAMES:
        assert (HERE / name).read_bytes() == (tmp_path / name).read_bytes(), name


@pytest.mark.parametrize("name", NAMES)
def test_another_program_reads_as_many_frames(name: str) -> None:
    """Another program opens each capture and reads the same frames at the same times; it is smaller than 200 kB."""
    content = (HERE / name).read_bytes()
    assert len(content) < 200_000
    theirs = [(round(float(at) * 1e6), bytes(frame)) for at, frame in dpkt.pcap.UniversalReader(io.BytesIO(content))]
    ours = [(at_ns / 1e3, frame) for at_ns, _length, frame, _interface in open_capture(io.BytesIO(content))]
    assert [frame for _, frame in ours] == [frame for _, frame in theirs]
    # a double holds the time since 1970 to a quarter of a microsecond
    assert all(abs(at - other) <= 1.5 for (at, _), (other, _) in zip(ours, theirs, strict=True))
    assert [at for at, _ in ours] == sorted(at for at, _ in ours)
    assert len(ours) > 500


def test_the_uplink_has_two_interfaces_with_names_and_nanoseconds() -> None:
    """Both interfaces carry frames and names, and times finer than a microsecond."""
    reader = open_capture(io.BytesIO((HERE / "uplink.pcapng").read_bytes()))
    records = list(reader)
    assert {interface.name for _, _, _, interface in records} == {"inside", "outside"}
    assert any(at_ns % 1000 for at_ns, _, _, _ in records)
    assert reader.cut is None


def test_every_planned_radio_is_on_the_air_with_its_load() -> None:
    """Each BSSID of the plan sends beacons on its channel, undamaged, with a load that changes."""
    site = load_site(PLAN)
    loads: dict[str | None, set[int]] = {}
    channels: dict[str | None, int | None] = {}
    for _, _, data, _ in open_capture(io.BytesIO((HERE / "air.pcap").read_bytes())):
        head = decode_radiotap(data)
        assert head is not None
        beacon = decode_dot11(data[head.length :], fcs=head.fcs_at_end)
        assert beacon is not None
        assert beacon.bss_load is not None
        assert not beacon.damaged
        loads.setdefault(beacon.bssid, set()).add(beacon.bss_load.busy_raw)
        channels[beacon.bssid] = beacon.channel
    planned = {
        bssid: radio.channel
        for point in site.access_point.values()
        for bssid, radio in zip(point.bssids, point.radio, strict=True)
    }
    assert channels == planned
    assert all(len(values) > 10 for values in loads.values())


def test_everybody_chosen_is_on_the_wire() -> None:
    """Some sixty planned devices are sources of the wired capture."""
    site = load_site(PLAN)
    sources = {frame[6:12].hex(":") for _, _, frame, _ in open_capture(io.BytesIO((HERE / "wired.pcap").read_bytes()))}
    chosen = {actor.mac for actor in present(site)}
    assert 50 <= len(chosen) <= 80
    assert chosen <= sources


@pytest.mark.parametrize("name", ["uplink.pcapng", "wired.pcap"])
def test_nobody_elses_addresses_are_in_it(name: str) -> None:
    """All MACs are locally administered or groups, all IPv4 addresses private, for documentation, or groups."""
    for _, _, frame, _ in open_capture(io.BytesIO((HERE / name).read_bytes())):
        assert frame[6] & 2
        assert frame[0] & 3
        ethernet = dpkt.ethernet.Ethernet(frame)
        if isinstance(ethernet.data, dpkt.ip.IP):
            for address in (ethernet.data.src, ethernet.data.dst):
                number = struct.unpack("!I", address)[0]
                assert any(int(net.network_address) <= number <= int(net.broadcast_address) for net in OURS)
