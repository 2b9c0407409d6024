"""Values and small tools that every room uses: errors, grid, place, outlines, scenario, threads, memory."""

import lazy_loader as _lazy

__getattr__, __dir__, __all__ = _lazy.attach_stub(__name__, __file__)
