"""What is handed over: one folder with layers, rasters, tracks, numbers and a map to print."""

from lastseen.products.folder import refuse_existing
from lastseen.products.layers import plan_layers
from lastseen.products.numbers import plan_numbers, search_numbers
from lastseen.products.writing import write_plan, write_search

__all__ = ["plan_layers", "plan_numbers", "refuse_existing", "search_numbers", "write_plan", "write_search"]
