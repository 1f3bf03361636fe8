"""A document that is kept reads back as it was, and a slip of the pen in it is noticed."""

from __future__ import annotations

from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from netaudit.audit.sealed import digest, seal, unseal
from netaudit.errors import CaptureError

FORM: Final = TypeAdapter(dict[str, int])


@given(st.dictionaries(st.text(st.characters(exclude_categories=["Cs"]), max_size=8), st.integers(-9, 9)))
def test_what_was_sealed_reads_back_and_seals_to_the_same_text(value: dict[str, int]) -> None:
    """Whatever the words in it."""
    text = seal("thing", FORM, value)
    assert unseal("thing", FORM, text, "kept") == value
    assert seal("thing", FORM, unseal("thing", FORM, text, "kept")) == text


def test_every_changed_character_is_noticed_or_changes_nothing() -> None:
    """Any one character replaced: the file is refused, or what is read is what was written (white space, say)."""
    value = {"desk": 1, "lamp": 2}
    text = seal("thing", FORM, value)
    refused = 0
    for index in range(len(text)):
        changed = text[:index] + ("7" if text[index] != "7" else "8") + text[index + 1 :]
        try:
            assert unseal("thing", FORM, changed, "kept") == value, changed
        except CaptureError:
            refused += 1
    assert refused > len(text) * 0.9


# FIPS 180-4's example: the digest of "abc".
def test_the_digest_is_sha_256() -> None:
    """The standard's own example."""
    assert digest("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_a_document_of_another_kind_or_version_is_refused() -> None:
    """The line says which it is."""
    text = seal("thing", FORM, {})
    with pytest.raises(CaptureError, match="its format is not netaudit other"):
        unseal("other", FORM, text, "kept")
    with pytest.raises(CaptureError, match="version 2; this program reads version 1"):
        unseal("thing", FORM, text.replace('"version": 1', '"version": 2'), "kept")
    with pytest.raises(CaptureError, match="it is no JSON"):
        unseal("thing", FORM, "[" * 100_000, "kept")
