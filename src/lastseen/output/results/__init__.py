"""Each job's outcome as a result that can be handed over."""
