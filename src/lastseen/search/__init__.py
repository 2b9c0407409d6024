"""How to look: lanes over a debris outline, the walk along them, and what it covers."""

import lazy_loader as _lazy

__getattr__, __dir__, __all__ = _lazy.attach_stub(__name__, __file__)
