"""The census against what two other decoders say of real captures made by others."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import pytest

from netaudit.errors import CaptureError
from netaudit.observe.census import Census
from netaudit.observe.census_document import describe
from netaudit.observe.census_file import read_capture
from netaudit.observe.census_sort import FrameSorter

if TYPE_CHECKING:
    from pathlib import Path

# Expected values: ground_truth.json beside the shared captures, which is tshark 4.0.17 compared with scapy 2.8.0.
FILES = [
    "gopacket_dot11_BeaconExtension.frombytes.pcap",
    "jnetpcap_test-sip-rtp.pcap",
    "libpcap_wpa2linkuppassphraseiswireshark.pcap",
    "packetfu_sample_lldp.pcap",
    "packetfu_vlan-pcapr.cap",
    "packetgen_mdns.pcapng",
    "packetnet_80211_beacon_no_fcs.pcap",
    "packetnet_80211_per_packet_information.pcap",
    "packetnet_80211_plus_radiotap_header.pcap",
    "packetnet_80211_raw_with_fcs.pcap",
    "packetnet_ipv6_ndp.pcap",
    "pcapplusplus_DnsPackets.pcap",
    "pcapplusplus_VlanPackets.pcap",
    "pcapplusplus_nanosecs_big_endian.pcap",
    "pcapplusplus_sll.pcap",
    "pypacker_packets_lldp.pcap",
    "radiotapjava_full.frames8001-8600.pcapng",
    "scapy_bad_rsn_parsing_overrides_ssid.pcap",
    "tcpdump_802.1ad_QinQ.pcap",
    "tcpdump_arp-oobr.pcap",
    "tcpdump_dcb_ets.pcap",
    "tcpdump_dhcp-option-108.pcapng",
    "tcpdump_dhcp-rfc4388.pcap",
    "tcpdump_dhcpv6-ia-na.pcap",
    "tcpdump_eapon1.pcap",
    "tcpdump_icmpv6-length-zero.pcapng",
    "tcpdump_lldp-infinite-loop-1.pcap",
    "tcpdump_lldp_asan.pcap",
    "tcpdump_lldp_mudurl.pcap",
    "tcpdump_radiotap-heapoverflow.pcap",
    "wireshark_dhcp-nanosecond.pcap",
    "wireshark_dhcp-nanosecond.pcapng",
    "wireshark_logistics_multicast.pcapng",
    "wireshark_wpa3-sae.pcapng",
]
# Files of which nothing can be read, and what the refusal has to name.
REFUSED = [
    ("libpcap_shb-option-too-long.pcapng", "section header"),
]


def census_of(path: Path) -> dict[str, Any]:
    """Take the census of one file, as the command does."""
    census = Census()
    sorter = FrameSorter(census)
    with path.open("rb") as stream:
        read = read_capture(sorter, stream, path.name)
    sorter.settle()
    return describe(census, [asdict(read)])


def as_truth_says_it(document: dict[str, Any]) -> dict[str, Any]:
    """Put a document into the words of ground_truth.json, values that it has no word for left out."""
    protocols = document["protocols"]
    neighbours = document["neighbours"]
    radios = document["radios"]
    return {
        "frames": document["frames"],
        "truncated_frames": document["faults"]["snapped"],
        "source_macs": [device["mac"] for device in document["devices"]],
        "arp_frames": protocols.get("arp", 0),
        "rarp_frames": protocols.get("rarp", 0),
        "arp_claims": sorted([pair["address"], pair["mac"]] for pair in document["arp_pairs"]),
        "vlan_ids": document["vlans"],
        "nd_pairs": sorted([pair["address"], pair["mac"]] for pair in document["nd_pairs"]),
        "dhcp_messages": document["dhcp"]["by_type"],
        "dhcp_hostnames": document["dhcp"]["hostnames"],
        "dhcp_fqdns": document["dhcp"]["fqdns"],
        "dhcp6_messages": document["dhcp6"]["by_type"],
        "mdns_frames": document["mdns"]["frames"],
        "mdns_names": document["mdns"]["names"],
        "ssdp_frames": protocols.get("ssdp", 0),
        "lldp_frames": protocols.get("lldp", 0),
        "neighbours": sorted(
            [link[key] for key in ("chassis_subtype", "chassis_id", "port_subtype", "port_id", "ttl_s")]
            for link in neighbours
        ),
        "power": [
            [link["chassis_id"], link["port_id"], *(link["power"][key] for key in ("mdi_support", "class_field"))]
            for link in neighbours
            if link["power"]
        ],
        "beacons": sum(radio["beacons"] for radio in radios),
        "probe_responses": sum(radio["probe_responses"] for radio in radios),
        "bssids": [radio["bssid"] for radio in radios],
        "ssids": sorted({name["hex"] for radio in radios for name in radio["ssids"]}),
        "bss_load": sorted(
            {(radio["bssid"], load["stations"], load["busy_raw"]) for radio in radios for load in radio["loads"]}
        ),
    }


def truth(entry: dict[str, Any]) -> dict[str, Any]:
    """Take out of one entry of ground_truth.json what a census has to say."""
    wifi, lldp, arp = entry["wifi"], entry["lldp"], entry["arp"]
    return {
        "frames": entry["frames"],
        "truncated_frames": entry["truncated_frames"],
        "source_macs": sorted(entry["source_macs"]["list"]),
        "arp_frames": arp["frames"],
        "rarp_frames": arp["rarp_frames"],
        "arp_claims": sorted(arp["claims"]),
        "vlan_ids": sorted(entry["vlan_ids"]),
        "nd_pairs": sorted(entry["nd_pairs"]),
        "dhcp_messages": entry["dhcpv4"]["messages"],
        "dhcp_hostnames": sorted(entry["dhcpv4"]["hostnames"]),
        "dhcp_fqdns": sorted(entry["dhcpv4"]["client_fqdn"]),
        "dhcp6_messages": entry["dhcpv6"]["messages"],
        "mdns_frames": entry["mdns"]["frames"],
        "mdns_names": sorted(entry["mdns"]["names"]),
        "ssdp_frames": entry["ssdp_frames"],
        "lldp_frames": lldp["frames"],
        "neighbours": sorted(
            [link[key] for key in ("chassis_id_subtype", "chassis_id", "port_id_subtype", "port_id", "ttl_s")]
            for link in lldp["neighbours"]
        ),
        "power": [
            [link[key] for key in ("chassis_id", "port_id", "mdi_support", "power_class_field")]
            for link in lldp["power_via_mdi_802_3"]
        ],
        "beacons": wifi["beacons"],
        "probe_responses": wifi["probe_responses"],
        "bssids": sorted(wifi["bssids"]),
        "ssids": sorted(name["hex"] for name in wifi["ssids"]),
        "bss_load": sorted(
            (load["bssid"], load["station_count"], load["channel_utilisation_raw"]) for load in wifi["bss_load"]
        ),
    }


@pytest.mark.parametrize("file", FILES)
def test_the_census_says_what_two_other_decoders_say(captures: Path, file: str) -> None:
    """Every count, MAC, pair, name, neighbour and radio of a real capture is that of the reference decoders."""
    entry = json.loads((captures / "ground_truth.json").read_text())["files"][file]
    assert as_truth_says_it(census_of(captures / file)) == truth(entry)


@pytest.mark.parametrize(("file", "named"), REFUSED)
def test_a_file_of_which_nothing_can_be_read_is_refused(captures: Path, file: str, named: str) -> None:
    """The refusal names the file and what is wrong with it."""
    with pytest.raises(CaptureError, match=f"{file}: .*{named}"):
        census_of(captures / file)


def test_every_shared_capture_is_compared(captures: Path) -> None:
    """No capture of the shared folder is left out of the comparison."""
    known = json.loads((captures / "ground_truth.json").read_text())["files"]
    assert sorted(known) == sorted([*FILES, *(file for file, _ in REFUSED)])
