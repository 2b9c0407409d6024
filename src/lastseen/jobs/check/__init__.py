"""Reference values recomputed with the installed code: what `lastseen check` runs."""
