"""
Call one function in a namespace and hand back what it gave or raised: `python -m tests.lab.inside OUT BEGINS`.

Standard input carries what to call, file descriptor OUT takes the result: pickles between two ends of one test. BEGINS is
closed when the call is about to be made, so that what should happen meanwhile can be timed.
"""

from __future__ import annotations

import asyncio
import importlib
import inspect
import os
import pickle
import sys


def main() -> None:
    """Read the call, make it, write the outcome."""
    # The other end is the test itself, on a pipe that nobody else has.
    module, name, args, kwargs = pickle.load(sys.stdin.buffer)  # noqa: S301
    try:
        function = getattr(importlib.import_module(module), name)
        os.close(int(sys.argv[2]))
        value = function(*args, **kwargs)
        outcome = (True, asyncio.run(value) if inspect.iscoroutine(value) else value)
    except Exception as error:  # noqa: BLE001 - whatever it is, the test wants to see it
        outcome = (False, error)
    with os.fdopen(int(sys.argv[1]), "wb") as out:
        pickle.dump(outcome, out)


if __name__ == "__main__":
    main()
