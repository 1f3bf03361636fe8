"""What tests may ask of the laboratory."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.lab.lan import Lab, LabError, is_privileged

if TYPE_CHECKING:
    from collections.abc import Iterator


def _build(*, unprivileged: bool) -> Lab:
    try:
        return Lab(unprivileged=unprivileged)
    except LabError as error:
        pytest.skip(f"no laboratory network on this machine: {error}")


def _settle(lab: Lab) -> None:
    """A frame that a responder's kernel dropped would have been blamed on the program: then the test proved nothing."""
    dropped = {one.name: one.counts().drops for one in lab.players if one.alive}
    assert not any(dropped.values()), f"the laboratory itself lost frames, the test proves nothing: {dropped}"


@pytest.fixture
def lab() -> Iterator[Lab]:
    """Give a laboratory network: as root where that can be had, else in a user namespace."""
    with _build(unprivileged=not is_privileged()) as built:
        yield built
        _settle(built)


@pytest.fixture
def root_lab() -> Iterator[Lab]:
    """Give a laboratory network with real-time responders, which need root."""
    if not is_privileged():
        pytest.skip("needs root: delays are kept to microseconds only with real-time priority")
    with _build(unprivileged=False) as built:
        yield built
        _settle(built)


@pytest.fixture
def plain_lab() -> Iterator[Lab]:
    """Give a laboratory network in a user namespace, as anyone may build it."""
    with _build(unprivileged=True) as built:
        yield built
        _settle(built)
