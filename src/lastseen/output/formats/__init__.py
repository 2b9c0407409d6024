"""File formats: one module for each."""
