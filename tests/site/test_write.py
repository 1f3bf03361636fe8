"""A plan's data written as TOML reads back as what it was."""

from __future__ import annotations

import tomllib

from netaudit.site.write import plan_text

PLAN = """
[site]
name = "Laboratory"
[segment.home]
network = "192.0.2.0/24"
[switch.shelf]
ports = 8
[switch.shelf.snmp]
address = "192.0.2.9"
community_env = "SHELF_WORD"
[services]
resolver = "192.0.2.2"
names = ["host.example"]
[outside]
hosts = ["host.example:443"]
[isolation]
ports = [80, 443]
[source.wan]
url = "http://192.0.2.3:9100/metrics"
metric = "octets"
place = "link:wan"
kind = "down_bps"
[source.wan.labels]
port = "wan"
[command.radios]
run = ["/usr/local/bin/radios", "--all"]
"""


def test_tables_of_each_shape_read_back_as_they_were() -> None:
    """Tables that stand once, by name, and inside of those by name."""
    raw = tomllib.loads(PLAN)
    assert tomllib.loads(plan_text(raw)) == raw
