"""Write the captures of the demo site into this folder, or the one that is named: `python pcaps/make.py [FOLDER]`."""

from __future__ import annotations

import sys
from importlib import resources
from pathlib import Path

from netaudit.demo.captures import make_captures
from netaudit.site.load import parse_site


def main(folder: Path) -> None:
    """Write each capture; the same bytes at each run."""
    site = parse_site(resources.files("netaudit.demo").joinpath("site.toml").read_text("utf-8"))
    for name, content in make_captures(site).items():
        (folder / name).write_bytes(content)
        print(f"{name}: {len(content)} bytes")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
