"""
The pygal library, imported without its import hook.

It leaves a hook of an old kind behind, for plug-ins that we don't have; with it, every later import of something absent
warns. So whoever draws imports from here.
"""

from __future__ import annotations

import sys

from pygal import Bar, Line
from pygal.style import Style

sys.meta_path[:] = [hook for hook in sys.meta_path if type(hook).__module__ != "pygal"]

__all__ = ["Bar", "Line", "Style"]
