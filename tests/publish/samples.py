"""Plans, values and strangers' texts that several tests of what is shown use."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

from netaudit.audit.acceptance.evidence import freeze
from netaudit.audit.moving.baseline import Baseline, freeze_baseline
from netaudit.audit.standing import Observed, Standing
from netaudit.capacity.line import Kind, Line
from netaudit.observe.observation import How, Naming, Notice, Sighting
from netaudit.site.load import parse_site

if TYPE_CHECKING:
    from netaudit.capacity.ledger import Ledger
    from netaudit.site.model import Site

NOW = datetime(2026, 3, 9, 12, tzinfo=UTC)
MONDAY = datetime(2026, 3, 2, tzinfo=UTC)
# What a stranger may put into a name: markup, an end of our style, a formula, text turned around, a control character,
# marks heaped on a letter, and far too much of it.
EVIL = "</style></title><script>alert(1)</script><img src=http://198.51.100.7/x onerror=alert(1)>\u202egnp.exe\x1b[31m"
ZALGO = "z" + "\u0301\u0316\u0329" * 60
LOST, OLD_ROUTER = "02:00:5e:99:00:09", "02:00:5e:99:00:0a"
HUB, STRANGER, GATEWAY = "02:00:5e:21:00:05", "02:00:5e:99:00:01", "02:00:5e:00:00:fe"
CERTIFICATE = "Certificate of a test\n<script>alert(3)</script>\n"
EVIL_NAME = "<b>&x\u202e|x"


def plan(body: str, name: str = "Testbed") -> Site:
    """Give a checked plan from the tables after `[site]`."""
    return parse_site(f'[site]\nname = "{name}"\n[segment.lan]\nnetwork = "192.0.2.0/24"\n{body}')


def before_move(site: Site, name: str = EVIL) -> Baseline:
    """Give the baseline of a move: hub, stranger, a lost device that called itself something, and the router that served them."""
    at = NOW - timedelta(days=2)
    macs = (HUB, STRANGER, LOST, OLD_ROUTER)
    seen = [Sighting(at, "old", mac, f"10.0.0.{last}", How.ARP) for last, mac in enumerate(macs, 7)]
    served = Notice(at, "segment:old", "dhcp_server", (("mac", OLD_ROUTER), ("server", "10.0.0.10")))
    evidence = freeze([*seen, Naming(at, LOST, name, How.DHCP), served], at, at)
    return freeze_baseline("old-router", site, evidence, source="a test")


def standings_of(ledger: Ledger) -> tuple[Standing, ...]:
    """Put an observation beside every other line."""
    return tuple(
        Standing(line, Observed(line.planned * 0.8, None, NOW, "a test") if index % 2 else None)
        for index, line in enumerate(ledger.lines)
    )


def line(*, planned: float, supply: float = 10.0, place: str = "switch:pantry", kind: Kind = Kind.PORTS) -> Line:
    """Give a line with a ceiling of 0.8."""
    return Line(kind, place, "ports", supply, 0.8, "a test", planned, planned * 1.25, "a test")


def parsed(svg: str) -> ET.Element:
    """Parse a drawing."""
    return ET.fromstring(svg)  # noqa: S314 - our own output, from plans of these tests


class Page(HTMLParser):
    """Reads a page as a browser would: tags, attributes, and the text between."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.open: list[str] = []
        self.said: list[str] = []
        self.feed(page)
        self.text = " ".join(" ".join(self.said).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a tag."""
        self.tags.append(tag)
        self.attributes += attrs
        if tag not in ("meta", "link", "br", "img", "input"):
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note a tag without content."""
        self.tags.append(tag)
        self.attributes += attrs

    def handle_endtag(self, tag: str) -> None:
        """Hold that tags are closed in order."""
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        """Collect text."""
        if "style" not in self.open:
            self.said.append(data)


def assert_self_contained(page: str) -> Page:
    """Hold that a page loads nothing, runs nothing, and is well formed."""
    read = Page(page)
    assert read.open == []
    assert not {"script", "iframe", "object", "embed", "form", "base", "img"} & set(read.tags)
    for name, value in read.attributes:
        assert not name.startswith("on"), name
        assert name not in ("src", "srcset", "action", "style"), name
        if name == "href":
            assert value in ("data:,", "#drawing")
    assert "@import" not in page
    assert "url(" not in page
    return read


@dataclass(frozen=True)
class Answer:
    """What an app answered."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def text(self) -> str:
        """Give the body as text."""
        return self.body.decode()


Ask = Callable[..., Awaitable[Answer]]
