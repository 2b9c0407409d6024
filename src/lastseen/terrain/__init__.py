"""What the ground is: elevation opened and read, layers on it, surface, neighbourhood, drainage."""

import lazy_loader as _lazy

__getattr__, __dir__, __all__ = _lazy.attach_stub(__name__, __file__)
