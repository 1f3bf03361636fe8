"""Print what the program was compared with, and how far it is from it, as a Markdown table."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent


def main() -> int:
    """Run every check; the exit status is 1 when one is outside its tolerance."""
    root = HERE.parents[1]
    sys.path.insert(0, str(root))
    failed = 0
    print("| subject | cells | largest error | allowed | source |")
    print("| --- | ---: | ---: | ---: | --- |")
    for path in sorted(HERE.glob("*.py")):
        if path.stem in ("check", "table", "test_truth"):
            continue
        for check in importlib.import_module(f"tests.truth.{path.stem}").CHECKS:
            result = check.run(root / "tests" / "reference")
            wrong = result.largest_error > result.tolerance
            failed += wrong
            unit = f" {result.unit}" if result.unit else ""
            print(
                f"| {check.subject}{' (FAILED)' if wrong else ''} | {result.cells} | {result.largest_error:.3g}{unit}"
                f" | {result.tolerance:.3g}{unit} | {check.source} |"
            )
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
