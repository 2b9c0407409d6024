"""Maps and figures."""
