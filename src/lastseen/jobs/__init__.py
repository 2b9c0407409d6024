"""The questions that users ask: a plan, a drawn search, traps, a reading, practice, the checks."""

import lazy_loader as _lazy

__getattr__, __dir__, __all__ = _lazy.attach_stub(__name__, __file__)
