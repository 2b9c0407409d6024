"""The commands, one module for what belongs together; ``lastseen.cli`` puts them into the command line."""
