"""Numbers in words, the same on every line, page and sheet."""

from __future__ import annotations

ROUNDING = 1e-9  # of sums of floats


def percent(share: float | None, decimals: int = 0) -> str:
    """A share in percent: ``20 %``, ``99.4 %``, ``no data``.

    What is not nothing is not called so, nor what is not all: ``under 1 %``, ``over 99 %``.
    """
    if share is None:
        return "no data"
    part, least = 100.0 * share, 10.0**-decimals
    if 0.0 < part < 0.5 * least:
        return f"under {least:g} %"
    if 100.0 - 0.5 * least <= part < 100.0 - ROUNDING:
        return f"over {100.0 - least:g} %"
    return f"{part:.{decimals}f} %"


def short_percent(share: float) -> str:
    """A share in percent, as short as it can be said: ``2.5 %``, ``20 %``, ``99.4 %``."""
    return percent(share, 1).replace(".0 %", " %")


def depth_text(depth_m: float) -> str:
    """A thickness of debris in tenths of a metre; some is never called none."""
    return "under 0.1 m" if 0.0 < depth_m < 0.05 else f"{depth_m:.1f} m"
