from __future__ import annotations

import pytest

from netaudit.wire.text import field_text


# RFC 2132 section 2 for the NULs; U+FFFD is what Python and the Unicode standard put for octets that aren't UTF-8.
@pytest.mark.parametrize(
    ("octets", "text"),
    [(b"attic\0\0", "attic"), (b"attic\0junk", "attic"), (b"\0", None), (b"", None), (b"a\xffb", "a\ufffdb")],
)
def test_a_field_ends_at_its_first_nul(octets: bytes, text: str | None) -> None:
    """Text ends at the first NUL, nothing left is None, and what isn't UTF-8 is replaced."""
    assert field_text(octets) == text


def test_a_field_is_at_most_255_octets() -> None:
    """However much a stranger sends, 255 octets of it stay."""
    assert field_text(b"a" * 65535) == "a" * 255
