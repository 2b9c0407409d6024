"""The local page: the whole job on a map in the browser, on one's own machine, without a network."""

import lazy_loader as _lazy

__getattr__, __dir__, __all__ = _lazy.attach_stub(__name__, __file__)
