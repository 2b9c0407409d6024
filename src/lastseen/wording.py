"""Numbers in words, the same on every line, page and sheet."""

from __future__ import annotations


def percent(share: float | None, decimals: int = 0) -> str:
    """A share in percent; what is not nothing is not called so: ``20 %``, ``99.4 %``, ``under 1 %``, ``no data``."""
    if share is None:
        return "no data"
    least = 10.0**-decimals
    return f"under {least:g} %" if 0.0 < 100.0 * share < 0.5 * least else f"{100.0 * share:.{decimals}f} %"


def short_percent(share: float) -> str:
    """A share in percent, as short as it can be said: ``2.5 %``, ``20 %``, ``99.4 %``."""
    return percent(share, 1).replace(".0 %", " %")


def depth_words(depth_m: float) -> str:
    """A thickness of debris in tenths of a metre; some is never called none."""
    return "under 0.1 m" if 0.0 < depth_m < 0.05 else f"{depth_m:.1f} m"
