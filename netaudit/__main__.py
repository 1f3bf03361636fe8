"""`python -m netaudit` is the command `netaudit`."""

import sys

from netaudit.cli import main

if __name__ == "__main__":
    sys.exit(main())
