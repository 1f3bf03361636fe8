"""Radios by ear: beacons that an independent library wrote are told as the plan's radios and as neighbours; live and from files."""

from __future__ import annotations

import asyncio
import fcntl
import os
import socket
import struct
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.dot11 import Dot11, Dot11Beacon, Dot11Elt, Dot11EltDSSSet, RadioTap
from scapy.utils import PcapReader, PcapWriter

from netaudit.errors import LookError
from netaudit.observe.observation import Health, Notice, Observation, Sample
from netaudit.observe.radio_ear import MOST_NETWORKS, MOST_TOLD, Air, Ear, band_of, observations
from netaudit.wire import link
from netaudit.wire.record import Interface

if TYPE_CHECKING:
    from tests.lab.lan import Lab

AIR = Interface(link.RADIOTAP)
OWN = {"02:00:00:00:0c:01": "hall", "02:00:00:00:0c:02": "hall", "02:00:00:00:0c:05": "hall"}
AT_NS = 1_700_000_000_000_000_000


def beacon(
    bssid: str, ssid: str, channel: int, *, mhz: int | None = None, dbm: int = -50, load: tuple[int, int] | None = None
) -> bytes:
    """Let scapy write a beacon as a radio in monitor mode hears it; load is (stations, busy in 1/255)."""
    mhz = mhz or (2407 + 5 * channel if channel <= 14 else 5000 + 5 * channel)
    frame = (
        RadioTap(present="Channel+dBm_AntSignal", ChannelFrequency=mhz, ChannelFlags=0x0480, dBm_AntSignal=dbm)
        / Dot11(type=0, subtype=8, addr1="ff:ff:ff:ff:ff:ff", addr2=bssid, addr3=bssid)
        / Dot11Beacon()
        / Dot11Elt(ID=0, info=ssid.encode())
        / Dot11EltDSSSet(channel=channel)
    )
    if load is not None:
        # IEEE 802.11-2020, 9.4.2.27: count of stations (little-endian), channel utilisation, admission capacity.
        frame /= Dot11Elt(ID=11, info=struct.pack("<HBH", load[0], load[1], 0))
    return bytes(frame)


def hear(*frames: bytes) -> Air:
    """Take frames in, a second apart."""
    air = Air()
    for number, data in enumerate(frames):
        air.hear(data, len(data), AT_NS + number * 1_000_000_000, AIR)
    return air


def samples(told: tuple[Observation, ...]) -> dict[tuple[str, str], float | None]:
    """Give the samples by place and kind."""
    return {(one.place, one.kind): one.value for one in told if isinstance(one, Sample)}


def test_the_plans_radios_are_told_by_their_own_words() -> None:
    """Stations, busy share in 1/255, channel and level of each radio, by the BSSIDs of the plan; one radio's BSSIDs don't add."""
    air = hear(
        beacon("02:00:00:00:0c:01", "family", 6, dbm=-47, load=(14, 51)),
        beacon("02:00:00:00:0c:02", "guests", 6, dbm=-48, load=(14, 51)),
        beacon("02:00:00:00:0c:05", "family", 36, dbm=-55),
    )
    told = samples(observations(air, OWN))
    assert told["radio:hall/2.4", "stations"] == 14
    assert told["radio:hall/2.4", "busy_share"] == pytest.approx(0.2)
    assert told["radio:hall/2.4", "channel"] == 6
    assert told["radio:hall/5", "channel"] == 36
    assert told["radio:hall/5", "signal_dbm"] == -55
    assert ("radio:hall/5", "stations") not in told
    assert not any(place.startswith("channel:") for place, _ in told)


def test_the_latest_word_counts_with_its_own_time() -> None:
    """Of two beacons the second's load is told, at the second's time."""
    air = hear(
        beacon("02:00:00:00:0c:01", "family", 6, load=(14, 51)),
        beacon("02:00:00:00:0c:01", "family", 6, load=(15, 102)),
    )
    (one,) = [one for one in observations(air, OWN) if isinstance(one, Sample) and one.kind == "stations"]
    assert (one.value, one.at) == (15, datetime.fromtimestamp(AT_NS / 1e9 + 1, UTC))


def test_neighbours_are_told_by_channel() -> None:
    """Two networks on channel 1, the louder one's level; one on channel 44; each with its name."""
    air = hear(
        beacon("02:00:00:00:0d:01", "kettle", 1, dbm=-80),
        beacon("02:00:00:00:0d:02", "", 1, dbm=-60),
        beacon("02:00:00:00:0d:03", "heron", 44, dbm=-70),
    )
    told = observations(air, OWN)
    assert samples(told) == {
        ("channel:2.4/1", "neighbour_networks"): 2,
        ("channel:2.4/1", "neighbour_signal_dbm"): -60,
        ("channel:5/44", "neighbour_networks"): 1,
        ("channel:5/44", "neighbour_signal_dbm"): -70,
    }
    names = {dict(one.detail)["bssid"]: dict(one.detail)["name"] for one in told if isinstance(one, Notice)}
    assert names == {"02:00:00:00:0d:01": "kettle", "02:00:00:00:0d:02": "", "02:00:00:00:0d:03": "heron"}


def test_bands_are_told_by_the_frequency() -> None:
    """Channel 37 at 6,135 MHz is in 6 GHz (5,950 + 5 * 37); by its number alone it would not be."""
    assert band_of(37, 6135) == "6"
    assert (band_of(6, 2437), band_of(36, 5180), band_of(6, None), band_of(36, None)) == ("2.4", "5", "2.4", "5")


def test_a_flood_of_invented_networks_is_bounded() -> None:
    """Ten times as many as there is room for: the room stays, what is known goes on being heard, and it is counted."""
    air = hear(beacon("02:00:00:00:0c:01", "family", 6, load=(1, 1)))
    template = beacon("02:aa:00:00:00:00", "x", 1)
    for number in range(MOST_NETWORKS * 4):
        made = template.replace(bytes.fromhex("02aa00000000"), bytes.fromhex("02aa") + number.to_bytes(4, "big"))
        air.hear(made, len(made), AT_NS, AIR)
    again = beacon("02:00:00:00:0c:01", "family", 6, load=(9, 1))
    air.hear(again, len(again), AT_NS + 1, AIR)
    assert len(air.networks) == MOST_NETWORKS
    assert air.crowded == MOST_NETWORKS * 3 + 1
    told = observations(air, OWN)
    assert samples(told)["radio:hall/2.4", "stations"] == 9
    assert sum(isinstance(one, Notice) for one in told) <= MOST_TOLD


@given(st.binary(max_size=400), st.sampled_from((link.RADIOTAP, link.PPI, link.BARE_DOT11, 1)))
def test_noise_is_passed_over(data: bytes, linktype: int) -> None:
    """Whatever is on the air, nothing is raised and what is told is bounded."""
    air = Air()
    air.hear(data, len(data), AT_NS, Interface(linktype))
    assert len(observations(air, OWN)) <= 8


def test_cut_beacons_are_passed_over_or_read() -> None:
    """Every cut of a beacon is taken without a fault, and the good one after it is heard."""
    whole = beacon("02:00:00:00:0c:01", "family", 6, load=(14, 51))
    air = Air()
    for end in range(len(whole)):
        air.hear(whole[:end], len(whole), AT_NS, AIR)
    air.hear(whole, len(whole), AT_NS, AIR)
    assert samples(observations(air, OWN))["radio:hall/2.4", "stations"] == 14


async def test_a_file_that_grows_is_read_on(tmp_path: Path) -> None:
    """The second look tells only what came since the first; a file that is no capture, or isn't there, is told."""
    file = tmp_path / "air.pcap"

    def write(*loads: tuple[int, int]) -> None:
        with PcapWriter(str(file), linktype=127) as writer:
            for number, load in enumerate(loads):
                packet = RadioTap(beacon("02:00:00:00:0c:01", "family", 6, load=load))
                packet.time = 1_700_000_000 + number
                writer.write(packet)

    ear = Ear("ear:hall", OWN, file=file)
    write((3, 10))
    first = await ear.look()
    assert samples(first)["radio:hall/2.4", "stations"] == 3
    assert first[-1] == Health(first[-1].at, "ear:hall", good=True, reason="")
    write((3, 10), (5, 10))
    assert samples(await ear.look())["radio:hall/2.4", "stations"] == 5
    assert samples(await ear.look()) == {}
    file.write_bytes(b"hello, this is no capture")
    with pytest.raises(LookError, match="neither pcap nor pcapng"):
        await ear.look()
    file.unlink()
    with pytest.raises(LookError, match="No such file"):
        await ear.look()


@pytest.mark.parametrize(
    "name",
    [
        "packetnet_80211_plus_radiotap_header.pcap",
        "gopacket_dot11_BeaconExtension.frombytes.pcap",
        "radiotapjava_full.frames8001-8600.pcapng",
        "libpcap_wpa2linkuppassphraseiswireshark.pcap",
    ],
)
async def test_real_captures_hold_the_networks_that_another_library_finds(captures: Path, name: str) -> None:
    """Each BSSID that scapy finds in sound beacons and probe responses with a channel, and no other; loads alike."""
    theirs: dict[str, tuple[int, int] | None] = {}
    with PcapReader(str(captures / name)) as reader:
        for packet in reader:
            flags = getattr(packet.getlayer(RadioTap), "Flags", None)
            if Dot11 not in packet or packet[Dot11].subtype not in (5, 8) or packet[Dot11].type != 0:
                continue
            if flags is not None and "badFCS" in str(flags):
                continue
            elements: dict[int, bytes] = {}
            one = packet.getlayer(Dot11Elt)
            while one is not None:
                elements.setdefault(one.ID, bytes(one)[2 : 2 + one.len])
                one = one.payload.getlayer(Dot11Elt)
            if 3 in elements or 61 in elements:
                load = struct.unpack("<HB", elements[11][:3]) if 11 in elements else None
                theirs[packet[Dot11].addr3] = load or theirs.get(packet[Dot11].addr3)
    told = await Ear("ear:x", {bssid: bssid.replace(":", "") for bssid in theirs}, file=captures / name).look()
    ours = {place.split("/")[0] for place, kind in samples(told) if kind == "channel"}
    assert theirs
    assert ours == {f"radio:{bssid.replace(':', '')}" for bssid in theirs}
    for bssid, load in theirs.items():
        said = [
            value
            for (place, kind), value in samples(told).items()
            if kind == "stations" and bssid.replace(":", "") in place
        ]
        assert said == ([load[0]] if load else [])
    assert not any(isinstance(one, Notice) for one in told)


def _listen_on_a_made_radio(frames: list[bytes]) -> tuple[Observation, ...]:
    """Make an interface that looks to the kernel like a radio in monitor mode, put frames on it, and listen."""
    tun = os.open("/dev/net/tun", os.O_RDWR)
    # linux/if_tun.h: TUNSETIFF with IFF_TAP | IFF_NO_PI, TUNSETLINK with ARPHRD_IEEE80211_RADIOTAP; IFF_UP by SIOCSIFFLAGS.
    fcntl.ioctl(tun, 0x400454CA, struct.pack("16sH22x", b"mon0", 0x0002 | 0x1000))
    fcntl.ioctl(tun, 0x400454CD, 803)
    with socket.socket() as sock:
        fcntl.ioctl(sock, 0x8914, struct.pack("16sH22x", b"mon0", 0x1))

    def speak() -> None:
        time.sleep(0.3)
        for data in frames:
            os.write(tun, data)

    threading.Thread(target=speak).start()
    try:
        return asyncio.run(Ear("ear:hall", OWN, interface="mon0", listen_s=1.0).look())
    finally:
        os.close(tun)


def test_a_radio_in_monitor_mode_is_listened_to(root_lab: Lab) -> None:
    """Beacons and other frames that arrive on the interface: the plan's radio is told, what is no beacon is not."""
    if not Path("/dev/net/tun").exists():
        pytest.skip("this machine has no /dev/net/tun to make a radio from")
    data_frame = bytes(RadioTap() / Dot11(type=2, subtype=0, addr1="02:00:00:00:0c:01", addr2="02:00:00:00:0b:01"))
    told = root_lab.call(
        _listen_on_a_made_radio, [data_frame, beacon("02:00:00:00:0c:01", "family", 6, load=(14, 51)), data_frame]
    )
    assert samples(told)["radio:hall/2.4", "stations"] == 14
    assert told[-1] == Health(told[-1].at, "ear:hall", good=True, reason="")


def test_silence_on_the_air_is_told(root_lab: Lab) -> None:
    """No beacon in the whole time: a source in trouble, for a radio that works hears some."""
    if not Path("/dev/net/tun").exists():
        pytest.skip("this machine has no /dev/net/tun to make a radio from")
    (health,) = root_lab.call(_listen_on_a_made_radio, [])
    assert isinstance(health, Health)
    assert "heard no beacon" in health.reason


async def test_an_interface_that_is_no_radio_is_told() -> None:
    """Loopback is not in monitor mode, and an interface that isn't there is told so."""
    for interface, words in (("lo", "is not in monitor mode"), ("nothere0", "No such device")):
        with pytest.raises(LookError, match=words):
            await Ear("ear:x", OWN, interface=interface).look()
