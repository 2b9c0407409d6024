"""``python -m lastseen``."""

from lastseen.cli import main

if __name__ == "__main__":
    main()
