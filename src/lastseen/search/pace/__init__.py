"""Times along a walk, and how to share a walk out."""
