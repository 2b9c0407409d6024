"""What a plan says of events that did not come to rest, of persons who left or were not reached, and of its cells."""

from types import SimpleNamespace

import numpy as np
import pytest

from lastseen.core import NothingFoundError
from lastseen.jobs.notes import (
    describe_cell_error,
    note_open_edge,
    note_reach,
    note_unfinished,
    require_ground,
    require_reach,
    require_rest,
)
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


def leaving(**shares):
    """An ensemble whose persons left over some edges."""
    sides = dict.fromkeys(("west", "east", "south", "north", "no data"), 0.0)
    return SimpleNamespace(person_left_share=lambda: sides | {k.replace("_", " "): v for k, v in shares.items()})


def test_persons_who_left_are_told_first_with_the_ground_that_is_missing():
    """41 % in all: which edges, how far on; a tenth is no more than a note further down."""
    (note,) = note_open_edge(leaving(south=0.33, west=0.08), {"south": 420.0, "west": 12.0})
    assert note.startswith("41 % of the persons left the elevation model, 8 % over its western edge, 33 % over its sou")
    assert "give elevation for at least 450 m more in the south and at least 50 m more in the west" in note
    assert note.endswith("hold only the part of the debris that lies on the model")
    (note,) = note_open_edge(leaving(no_data=0.2), {})
    assert "20 % into gaps without data: where they lie is not known; give elevation for ground in the gaps" in note
    assert not note_open_edge(leaving(south=0.1), {"south": 420.0})


def test_an_open_edge_is_refused_unless_accepted():
    """Over half of the persons gone; what to do is said."""
    require_ground(leaving(east=0.5), {"east": 90.0}, accepted=False)
    require_ground(leaving(east=0.51), {"east": 90.0}, accepted=True)
    with pytest.raises(NothingFoundError, match=r"at least 100 m more in the east .* --accept-open-edge") as error:
        require_ground(leaving(east=0.51), {"east": 90.0}, accepted=False)
    assert error.value.exit_code == 4


@pytest.mark.parametrize(("hits", "refused", "noted"), [(10, False, 0), (9, False, 1), (4, False, 1), (3, True, 1)])
def test_a_release_that_does_not_reach_is_told_or_refused(hits, refused, noted):
    """Of 20 events at least 4 must take somebody; under 10 that is the first note."""
    ensemble = SimpleNamespace(reached=np.arange(20) < hits)
    assert len(note_reach(ensemble)) == noted
    if refused:
        with pytest.raises(NothingFoundError, match=r"only 15 % of the events .* --release-side") as error:
            require_reach(ensemble, SimpleNamespace(drawn=False))
        assert error.value.exit_code == 4
        with pytest.raises(NothingFoundError, match="no release that was found above, at, beside or below it reaches"):
            require_reach(SimpleNamespace(reached=np.zeros(20, bool)), SimpleNamespace(drawn=False))
    else:
        require_reach(ensemble, SimpleNamespace(drawn=True))


@pytest.mark.parametrize(
    ("shift_m", "way"), [(13.2, "13 m shorter"), (-8.7, "9 m farther"), (0.3, "as far"), (-0.3, "as far")]
)
def test_coarser_cells_are_told_with_their_way(shift_m, way):
    """A run-out that grows with finer cells is shorter on the coarse ones."""
    text = describe_cell_error(CellError(coarse_cell_m=12.0, events=3, overlap=0.634, runout_shift_m=shift_m))
    assert text.startswith(f"on cells of 12 m, 3 of the events cover the same ground to 63 % and run {way}:")
