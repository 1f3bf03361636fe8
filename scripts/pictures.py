"""
Make the pictures of the README and the manual from real output: `python scripts/pictures.py`.

Needs chromium. Runs the demo into a temporary folder and writes docs/pictures/*.png.
"""

from __future__ import annotations

import io
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from rich.console import Console
from rich.text import Text

ROOT = Path(__file__).resolve().parents[1]
PICTURES = ROOT / "docs" / "pictures"
# Loopback and no profile: a browser that only draws local files.
QUIET = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--force-device-scale-factor=1",
)
PAGE = """<!doctype html><meta charset="utf-8"><style>
body{{margin:0;padding:18px 22px;background:#fcfdf9;color:#1c2931}}
pre{{margin:0;font:13px/1.28 "DejaVu Sans Mono",monospace}}{stylesheet}</style>
<pre>{code}</pre>"""


def shoot(page: Path, picture: Path, width: int, height: int) -> None:
    """Draw a local page into a PNG."""
    with tempfile.TemporaryDirectory() as profile:
        subprocess.run(
            [
                shutil.which("chromium") or "chromium",
                *QUIET,
                f"--user-data-dir={profile}",
                f"--screenshot={picture}",
                f"--window-size={width},{height}",
                page.as_uri(),
            ],
            check=True,
            capture_output=True,
        )


def ledger(folder: Path, picture: Path) -> None:
    """Draw what `netaudit dimension` prints, with the colours that it has on a terminal."""
    said = subprocess.run(
        [sys.executable, "-m", "netaudit", "dimension", str(folder / "site.toml")],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
        env={**os.environ, "FORCE_COLOR": "1", "COLUMNS": "100", "TERM": "xterm"},
    ).stdout
    console = Console(record=True, width=100, file=io.StringIO(), force_terminal=True)
    console.print(Text.from_ansi(said))
    page = folder / "ledger.html"
    page.write_text(console.export_html(code_format=PAGE))
    shoot(page, picture, 850, 1060)


def main() -> None:
    """Make all pictures."""
    PICTURES.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "demo"
        subprocess.run([sys.executable, "-m", "netaudit", "demo", "--out", str(folder)], check=True, cwd=ROOT)
        ledger(folder, PICTURES / "ledger.png")
        shoot(folder / "drawings" / "site.svg", PICTURES / "site.png", 1180, 1000)
        shoot(folder / "report.html", PICTURES / "report.png", 1000, 1100)
    for picture in sorted(PICTURES.glob("*.png")):
        print(f"{picture.relative_to(ROOT)}: {picture.stat().st_size / 1024:.0f} kB")


if __name__ == "__main__":
    main()
