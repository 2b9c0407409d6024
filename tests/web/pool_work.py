"""What worker processes are given in the tests: in a module of its own, so that they load nothing else."""

import os
import time


def rest(seconds):
    """Sleep, and say in which process."""
    time.sleep(seconds)
    return os.getpid()


def end_at_once():
    """Die without a word."""
    os._exit(3)
