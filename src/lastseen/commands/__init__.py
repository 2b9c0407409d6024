"""The commands, one module for what belongs together. Each puts its commands into the command line."""
