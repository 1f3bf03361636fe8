"""A drawing as PNG, for those who can't open an SVG: light paper, twice the size, by the resvg library."""

from __future__ import annotations

from functools import cache
from typing import Final

from netaudit.errors import OutOfRange

# Families that are common on small Linux boxes and free; the renderer must be told one by name.
_FAMILIES: Final = ("DejaVu Sans", "Noto Sans", "Liberation Sans", "FreeSans", "Cantarell")
_LETTER: Final = (
    '<svg xmlns="http://www.w3.org/2000/svg" width="20" height="20"><text x="2" y="16" font-size="16">M</text></svg>'
)
# A picture larger than this in memory (4 bytes a pixel) is beyond a small box; the SVG has no such bound.
_MOST_PIXELS: Final = 60e6


@cache
def _family() -> str | None:
    import resvg_py  # noqa: PLC0415 - a native library that only drawing needs

    empty = _render(resvg_py, _LETTER, None, 1.0)
    return next((name for name in _FAMILIES if _render(resvg_py, _LETTER, name, 1.0) != empty), None)


def _render(library: object, svg: str, family: str | None, zoom: float) -> bytes:
    render = library.svg_to_bytes  # type: ignore[attr-defined]  # the wheel has no type hints
    return bytes(render(svg_string=svg, font_family=family, sans_serif_family=family, zoom=zoom))


def png(svg: str, *, width_px: float, height_px: float) -> bytes | None:
    """
    Render a drawing; None when this machine has no typeface that we know, for a picture without its words would mislead.

    Raises:    OutOfRange: the drawing is too large for a picture; the SVG remains.
    """
    import resvg_py  # noqa: PLC0415

    zoom = min(2.0, (_MOST_PIXELS / (width_px * height_px)) ** 0.5)
    if zoom < 0.5:
        raise OutOfRange(f"a drawing of {width_px:g} by {height_px:g} px is too large for a PNG; print the SVG instead")
    family = _family()
    return None if family is None else _render(resvg_py, svg, family, zoom)
