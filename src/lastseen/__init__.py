"""From an elevation model and a last-seen point to a walked avalanche signal search: a planning and training aid.

The names of ``__init__.pyi`` are the library; they are loaded when they are asked for.
"""

import lazy_loader as _lazy

__version__ = "0.1.0"
__getattr__, __dir__, __all__ = _lazy.attach_stub(__name__, __file__)
