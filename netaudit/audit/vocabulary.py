"""
The words of the collectors that judging understands. A number or a notice of another kind is kept, shown and not judged.

Places are the ledger's; a port is `switch:NAME/port:N` or `router/port:N`, the gateway of a segment `segment:NAME/gateway`, a device that the
plan doesn't know `device:MAC`.
"""

from __future__ import annotations

from typing import Final

# Samples. None as value: asked, not answered.
RTT_S: Final = "rtt_s"  # device:MAC, segment:NAME/gateway
STATIONS: Final = "stations"  # radio:AP/BAND, as the access point announces it
BUSY_SHARE: Final = "busy_share"  # radio:AP/BAND, as the access point announces it
POWER_W: Final = "power_w"  # switch:NAME, of all its powered ports
PORTS_UP: Final = "ports_up"  # switch:NAME, ports with a link
UPTIME_S: Final = "uptime_s"  # switch:NAME or access_point:NAME, since its last start
UP_BPS: Final = "up_bps"  # the ledger's link places; towards the router
DOWN_BPS: Final = "down_bps"
ROUTED_BPS: Final = "routed_bps"  # router
SPEED_BPS: Final = "speed_bps"  # link places and ports: what both ends agreed on
ERRORS: Final = "errors"  # link places and ports: frames with errors since the sample before
DISCARDS: Final = "discards"  # ports: sound frames that found no room, since the sample before
RX_BPS: Final = "rx_bps"  # ports: received and sent on the line
TX_BPS: Final = "tx_bps"
OUTSIDE_SHARE: Final = "outside_share"  # link:wan, share of the plan's hosts outside that took a connection
ISOLATION_BREACHES: Final = "isolation_breaches"  # segment:NAME, hosts that it reached against the plan; one a round
NTP_S: Final = "ntp_s"  # service:time, round trip of the question
NTP_OFFSET_S: Final = "ntp_offset_s"  # service:time, its clock minus ours
CHANNEL: Final = "channel"  # radio:AP/BAND, the primary channel that it announces
NEIGHBOUR_NETWORKS: Final = "neighbour_networks"  # channel:BAND/NUMBER, BSSIDs heard there that are not the plan's
KEPT_S: Final = "kept_s"  # recorder:NAME, how far back recordings reach when its disks are full
WRITE_BPS: Final = "write_bps"  # recorder:NAME

# Sources that are named here are told apart from the others, which look.
STORE: Final = "store"  # whether what is seen can be kept

# Notices, with the keys of their detail.
DHCP_SERVER: Final = "dhcp_server"  # segment:NAME; server (its address), mac
ADDRESS_CONFLICT: Final = "address_conflict"  # segment:NAME; address, macs (with blanks between)
LLDP_NEIGHBOUR: Final = "lldp_neighbour"  # switch:NAME/port:N; chassis (a MAC), name, port (what it calls its own end)
FORWARDING: Final = "forwarding"  # switch:NAME/port:N; mac
FIRMWARE: Final = "firmware"  # switch:NAME, access_point:NAME, router, recorder:NAME; text
RESOLVED: Final = "resolved"  # device:NAME; name, address ("" when there is none)
FLOOD: Final = "flood"  # segment:NAME; table, entries
RESOLVED_BACK: Final = "resolved_back"  # device:NAME; address, name that it leads back to ("" when there is none)
ISOLATION_BREACH: Final = "isolation_breach"  # segment:NAME; target, segment (the target's), by
REACH_MISSING: Final = "reach_missing"  # segment:NAME; target, segment (the target's), answer
WAY_OUT: Final = (
    "way_out"  # link:wan, told when nothing outside opens; where ("inside", "beyond the router", "unknown"), gateway
)
POWER_FAULT: Final = "power_fault"  # switch:NAME/port:N; status
POWER_UNIT: Final = "power_unit"  # switch:NAME; unit, reason
NEIGHBOUR_NETWORK: Final = "neighbour_network"  # channel:BAND/NUMBER; bssid, name
