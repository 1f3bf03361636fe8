"""Plans for the radio tests, as text: what a reader sees is what is loaded."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netaudit.site.load import parse_site

if TYPE_CHECKING:
    from netaudit.site.model import Site

HEAD = """
[site]
name = "Test house"
[segment.home]
network = "10.20.0.0/24"
ssid = "home"
[closet.hall]
[switch.hall]
"""


def plan(text: str, *, head: str = HEAD) -> Site:
    """Load a plan of one segment, one closet and one switch, and what a test adds."""
    return parse_site(head + text)


def one_radio(devices: str, *, radio: str = 'band = "2.4"\nchannel = 6') -> Site:
    """Load a plan with one access point of one radio."""
    return plan(f'[room.a]\n[access_point.ap]\nat = "a"\n[[access_point.ap.radio]]\n{radio}\n{devices}')
