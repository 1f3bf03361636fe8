from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import pytest

from netaudit.errors import OutOfRange
from netaudit.publish import portfolio as subject
from netaudit.publish.picture import png
from netaudit.publish.portfolio import portfolio

if TYPE_CHECKING:
    from netaudit.capacity.ledger import Ledger
    from netaudit.site.model import Site

pytest.importorskip("resvg_py")
SVG = '<svg xmlns="http://www.w3.org/2000/svg" width="{}" height="{}"><text x="5" y="30" font-size="20">M</text></svg>'


def test_the_picture_is_twice_the_drawing() -> None:
    """A PNG (its signature and header chunk: PNG specification, 5.2 and 11.2.2) of twice the size."""
    made = png(SVG.format(50, 40), width_px=50, height_px=40)
    if made is None:
        pytest.skip("no known typeface on this machine")
    assert made[:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">II", made[16:24]) == (100, 80)
    blank = png(SVG.format(50, 40).replace(">M<", "><"), width_px=50, height_px=40)
    assert made != blank


def test_a_drawing_that_is_too_large_is_refused() -> None:
    """A picture that would fill the memory of a small box is an error that says what to do."""
    with pytest.raises(OutOfRange, match="print the SVG instead"):
        png(SVG.format(1, 1), width_px=1180, height_px=1e6)


def test_file_names_are_ours(hostile_site: Site, demo_ledger: Ledger) -> None:
    """No name of a plan becomes a file name; the order is that in which one would open them."""
    names = list(portfolio(hostile_site, demo_ledger).files)
    assert [name for name in names if name != "site.png"] == [
        "site.svg",
        "print.html",
        "floor-1.svg",
        "schedule.html",
        "schedule.csv",
    ]


def test_what_is_left_out_is_said(demo_site: Site, demo_ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a typeface there is no PNG with its words missing, but a reason."""
    monkeypatch.setattr(subject, "png", lambda *_, **__: None)
    made = portfolio(demo_site, demo_ledger)
    assert "site.png" not in made.files
    assert made.left_out[0].startswith("site.png: ")
