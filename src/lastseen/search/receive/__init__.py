"""How far a transceiver hears, and how wide a strip may be.

Examples
--------
>>> round(range_factor(90.0), 3)
0.794
>>> round(statistical_width_m(45.0, 3.0), 1)
49.1
"""

from lastseen.search.receive.dipole import (
    coupled_range_factor,
    mean_range_factor,
    range_cdf,
    range_factor,
    range_quantile_m,
    reach_on_snow_m,
)
from lastseen.search.receive.pulses import chord_m, fastest_m_s, pulses_heard
from lastseen.search.receive.strips import (
    StripRule,
    optimised_width_m,
    statistical_width_m,
    strip_rules,
    worst_case_width_m,
)
from lastseen.search.receive.table import ReceiveRange, receive_range

__all__ = [
    "ReceiveRange",
    "StripRule",
    "chord_m",
    "coupled_range_factor",
    "fastest_m_s",
    "mean_range_factor",
    "optimised_width_m",
    "pulses_heard",
    "range_cdf",
    "range_factor",
    "range_quantile_m",
    "reach_on_snow_m",
    "receive_range",
    "statistical_width_m",
    "strip_rules",
    "worst_case_width_m",
]
