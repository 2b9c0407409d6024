"""Ways to spread water over a cone, from the poorest to the best."""

from lastseen.jobs.check.ground import cone_area_error


def test_more_ways_follow_a_cone_better():
    """D8 is worst, D-infinity better, multiple flow best; exponent 1.1 is better than 1 (no published value)."""
    cone = {"gradient": 0.5, "cell_m": 10.0, "nearest_m": 100.0, "farthest_m": 450.0}
    errors = [
        cone_area_error(method, exponent, **cone)
        for method, exponent in (("D8", 1.0), ("D-infinity", 1.0), ("multiple", 1.0), ("multiple", 1.1))
    ]
    assert errors == sorted(errors, reverse=True)
