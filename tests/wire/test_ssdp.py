from __future__ import annotations

import tracemalloc
from typing import TYPE_CHECKING

import pytest

from netaudit.wire.ssdp import Ssdp, decode_ssdp
from tests.wire.abuse import noise, spoilt
from tests.wire.heard import datagrams, truth

if TYPE_CHECKING:
    from pathlib import Path

# Laid out as UPnP Device Architecture 2.0 section 1.2.2 shows it, with values of our own.
ALIVE = b"\r\n".join(
    [
        b"NOTIFY * HTTP/1.1",
        b"HOST: 239.255.255.250:1900",
        b"CACHE-CONTROL: max-age = 1800",
        b"Location: http://192.0.2.7:80/about.xml",
        b"NT: upnp:rootdevice",
        b"NTS: ssdp:alive",
        b"server:attic/1 UPnP/2.0 lamp/3",
        b"USN: uuid:02000000-0000-0000-0000-000000000001::upnp:rootdevice",
        b"",
        b"",
    ]
)
SEARCH = b'M-SEARCH * HTTP/1.1\r\nMAN: "ssdp:discover"\r\nST: ssdp:all\r\nUSER-AGENT: attic/1\r\n\r\n'


def test_as_many_messages_as_other_programs_read(captures: Path) -> None:
    """In each shared capture as many SSDP messages are read as the ground truth counts."""
    counts = {
        name: sum(decode_ssdp(one.payload) is not None for one in datagrams(captures / name) if one.on(1900))
        for name in truth(captures)
    }
    assert counts == {name: expected["ssdp_frames"] for name, expected in truth(captures).items()}
    assert sum(counts.values()) >= 91


def test_an_announcement() -> None:
    """Fields are found whatever the case of their names and the blanks around their values."""
    assert decode_ssdp(ALIVE) == Ssdp(
        method="NOTIFY",
        server="attic/1 UPnP/2.0 lamp/3",
        location="http://192.0.2.7:80/about.xml",
        usn="uuid:02000000-0000-0000-0000-000000000001::upnp:rootdevice",
        target="upnp:rootdevice",
        state="ssdp:alive",
        user_agent=None,
    )


def test_a_search_and_its_answer() -> None:
    """A search tells what it looks for and who asks, an answer what was found."""
    asked = decode_ssdp(SEARCH)
    assert asked is not None
    assert (asked.method, asked.target, asked.user_agent) == ("M-SEARCH", "ssdp:all", "attic/1")
    answer = decode_ssdp(b"HTTP/1.1 200 OK\r\nST: upnp:rootdevice\r\nSERVER: \r\n\r\n")
    assert answer is not None
    assert (answer.method, answer.target, answer.server) == ("RESPONSE", "upnp:rootdevice", None)


def test_lines_may_end_without_carriage_return_and_the_body_is_not_read() -> None:
    """Bare line feeds do, a line without colon is passed over, and nothing behind the empty line is a field."""
    heard = decode_ssdp(b"NOTIFY * HTTP/1.1\nnonsense\nNT: one\n\nUSN: body\n")
    assert heard is not None
    assert (heard.target, heard.usn) == ("one", None)


@pytest.mark.parametrize("payload", [b"", b"GET / HTTP/1.1\r\n\r\n", b"notify * HTTP/1.1\r\n\r\n", b"NOTIFYX\r\n"])
def test_another_start_line_is_none(payload: bytes) -> None:
    """Methods are case-sensitive (RFC 9110 section 9.1) and only those of SSDP count."""
    assert decode_ssdp(payload) is None


def test_no_cut_flip_or_noise_raises(captures: Path) -> None:
    """Every cut and every flipped bit of real and built messages gives a message or None, and noise too."""
    real = {one.payload for name in truth(captures) for one in datagrams(captures / name) if one.on(1900)}
    for payload in spoilt([ALIVE, SEARCH, *real]):
        decode_ssdp(payload)
    for head in (b"", b"NOTIFY \n"):
        for payload in noise(20_000, head):
            decode_ssdp(payload)


def test_64_kb_of_fields_cost_little_memory() -> None:
    """Floods of lines and one endless line leave short values and little memory taken."""
    tracemalloc.start()
    for flood in (b"NOTIFY * HTTP/1.1\n" + b"a:b\n" * 16_000, b"NOTIFY * HTTP/1.1\nNT:" + b"a" * 65_000):
        heard = decode_ssdp(flood)
        assert heard is not None
        assert len(heard.target or "") <= 255
    _now, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 500_000
