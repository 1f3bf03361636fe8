"""All drawings and schedules of a plan, as files by name; what could not be made, and why."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from netaudit.errors import OutOfRange
from netaudit.publish.drawing import draw
from netaudit.publish.floor import draw_floor, floors
from netaudit.publish.picture import png
from netaudit.publish.printed import print_pages
from netaudit.publish.reception import Coverage, receptions
from netaudit.publish.schedule import schedule_csv, schedule_html

if TYPE_CHECKING:
    from collections.abc import Mapping

    from netaudit.capacity.ledger import Ledger
    from netaudit.site.model import Site

_SIZE: Final = re.compile(r'<svg [^>]*width="(\d+)" height="(\d+)"')
# Spreadsheet programs take a file without this mark for one in an old national encoding, and spoil every accent.
_BYTE_ORDER_MARK: Final = "\ufeff"


@dataclass(frozen=True, slots=True)
class Portfolio:
    """File name -> content, in the order in which a person would open them; and what was left out, one reason a line."""

    files: Mapping[str, bytes]
    left_out: tuple[str, ...]


def portfolio(site: Site, ledger: Ledger) -> Portfolio:
    """Make everything that can be drawn of a checked plan. File names are ours alone: no name of the plan is in them."""
    drawing = draw(site, ledger)
    files = {"site.svg": drawing.encode()}
    left_out: list[str] = []
    try:
        picture = _png(drawing)
    except OutOfRange as error:
        left_out.append(f"site.png: {error}")
    else:
        if picture is None:
            left_out.append("site.png: this machine has none of the typefaces that we know; open site.svg instead")
        else:
            files["site.png"] = picture
    files["print.html"] = print_pages(site, ledger).encode()
    reached, coverage = receptions(site), Coverage(site)
    for index, floor in enumerate(floors(site), 1):
        files[f"floor-{index}.svg"] = draw_floor(site, ledger, floor, reached, coverage).encode()
    files["schedule.html"] = schedule_html(site).encode()
    files["schedule.csv"] = (_BYTE_ORDER_MARK + schedule_csv(site)).encode()
    return Portfolio(files, tuple(left_out))


def _png(drawing: str) -> bytes | None:
    size = _SIZE.search(drawing)
    if size is None:
        raise OutOfRange("the drawing does not say its size")
    return png(drawing, width_px=float(size[1]), height_px=float(size[2]))
