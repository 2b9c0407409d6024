"""Pages for a browser in one file each, and the replay."""
