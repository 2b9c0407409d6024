"""What a plan says of events that did not come to rest, and of its cells."""

from types import SimpleNamespace

import pytest

from lastseen.core import NothingFoundError
from lastseen.jobs.notes import describe_cell_error, note_unfinished, require_rest
from lastseen.snow.ensemble import CellError, Ensemble


def events(late, count):
    """Events of which some were unfinished; the others came to rest."""
    members = [SimpleNamespace(end="unfinished" if n < late else "at rest") for n in range(count)]
    made = SimpleNamespace(members=members)
    made.count_ends = lambda: Ensemble.count_ends(made)
    return made


@pytest.mark.parametrize(("late", "said"), [(0, 0), (2, 0), (3, 1), (20, 1)])
def test_many_unfinished_events_are_told_first(late, said):
    """More than a tenth of 20 events, no less."""
    notes = note_unfinished(events(late, 20))
    assert len(notes) == said
    assert all(note.startswith(f"{late} of 20 events were not at rest") for note in notes)


def test_most_unfinished_events_are_refused_unless_accepted():
    """More than half of 20 events; what to do is said."""
    require_rest(events(10, 20), accepted=False)
    require_rest(events(11, 20), accepted=True)
    with pytest.raises(NothingFoundError, match=r"11 of 20 events .* --accept-unfinished") as error:
        require_rest(events(11, 20), accepted=False)
    assert error.value.exit_code == 4


@pytest.mark.parametrize(
    ("shift_m", "way"), [(13.2, "13 m shorter"), (-8.7, "9 m farther"), (0.3, "as far"), (-0.3, "as far")]
)
def test_coarser_cells_are_told_with_their_way(shift_m, way):
    """A run-out that grows with finer cells is shorter on the coarse ones."""
    text = describe_cell_error(CellError(coarse_cell_m=12.0, events=3, overlap=0.634, runout_shift_m=shift_m))
    assert text.startswith(f"on cells of 12 m, 3 of the events cover the same ground to 63 % and run {way}:")
