"""Memory is stated before it is used, and what does not fit is refused."""

import pytest

from lastseen.core import machine
from lastseen.core.errors import ResourceError
from lastseen.core.machine import require_memory


def test_what_fits_is_said(monkeypatch):
    """Two million cells at 0.3 GB a million are 0.6 GB."""
    monkeypatch.setattr(machine, "free_gb", lambda: 8.0)
    assert require_memory(2_000_000, 0.3, "a window") == "2.0 million cells, about 0.6 GB"


def test_what_does_not_fit_is_refused(monkeypatch):
    """The sentence tells what is needed, what is free, and what to do."""
    monkeypatch.setattr(machine, "free_gb", lambda: 0.5)
    with pytest.raises(ResourceError, match=r"needs about 0\.6 GB of memory and 0\.5 GB are free: choose"):
        require_memory(2_000_000, 0.3, "a window")


def test_silence_of_the_system_is_no_refusal(monkeypatch):
    """Where the system does not tell what is free, nothing is refused."""
    monkeypatch.setattr(machine, "free_gb", lambda: None)
    assert require_memory(10**9, 0.3, "a window").endswith("300.0 GB")
