"""The folder of weekly reports, as far as it may be shown: our own file names, nothing else, nothing outside."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from pathlib import Path

_NAME: Final = re.compile(r"[0-9A-Za-z][0-9A-Za-z_.-]{0,79}\.(?:html|pdf)", re.ASCII)
# Ten years of weeks; a folder with more is not ours alone, and its list would not be read.
_MOST: Final = 530
# A full week of six charts is a third of a megabyte; this keeps a strange file out of a small box's memory.
_LARGEST_BYTES: Final = 8 * 2**20


def report_names(folder: Path | None) -> tuple[str, ...]:
    """List the reports, the newest name first; none where there is no folder yet."""
    if folder is None or not folder.is_dir():
        return ()
    names = sorted((entry.name for entry in folder.iterdir() if _shown(entry)), reverse=True)
    return tuple(names[:_MOST])


def read_report(folder: Path | None, name: str) -> bytes | None:
    """Give one report's page; None for whatever is not one of the folder's own reports, or is gone or too large."""
    if folder is None or _NAME.fullmatch(name) is None:
        return None
    path = folder / name
    try:
        if not _shown(path) or path.stat().st_size > _LARGEST_BYTES:
            return None
        return path.read_bytes()
    except OSError:  # pruned between the two looks
        return None


def _shown(path: Path) -> bool:
    # A link could lead anywhere on the disk.
    return _NAME.fullmatch(path.name) is not None and path.is_file() and not path.is_symlink()
