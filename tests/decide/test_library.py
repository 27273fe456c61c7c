"""What is kept of steps by their keys: found again, merged, and never taken for another's."""

import numpy as np
import pytest

from simchain.decide.library import Library, Notes


def keys_of(*names: bytes) -> np.ndarray:
    return np.frombuffer(b"".join(name.ljust(16, b"\0") for name in names), np.uint8).reshape(
        -1, 16
    )


def notes_of(**sounds: float | None) -> Notes:
    """Of each step a peak as large as its name's first letter, and a figure where it was read."""
    names = [name.encode() for name in sounds]
    read = [figure for figure in sounds.values() if figure is not None]
    numbers = iter(range(len(read)))
    return Notes(
        keys_of(*names),
        np.array([(name[0], np.nan) for name in names], dtype=np.float64),
        np.array([-1 if each is None else next(numbers) for each in sounds.values()], np.int32),
        np.array(read, dtype=np.float64).reshape(-1, 1),
        [np.array([figure], dtype=np.float32) for figure in read],
    )


def figures(notes: Notes, *names: bytes) -> list[float | None]:
    sounds = [notes.sounds[row] if row >= 0 else -1 for row in notes.rows(keys_of(*names))]
    assert all(notes.ears[each][0] == notes.figures[each, 0] for each in sounds if each >= 0)
    return [float(notes.figures[each, 0]) if each >= 0 else None for each in sounds]


def test_what_is_there_is_found_and_nothing_else() -> None:
    notes = notes_of(b=2.0, a=None, c=3.0)
    assert notes.rows(keys_of(b"a", b"b", b"c", b"d", b"")).tolist() == [1, 0, 2, -1, -1]
    assert notes_of().rows(keys_of(b"a")).tolist() == [-1]


def test_a_key_that_begins_like_another_is_not_taken_for_it() -> None:
    one, other = b"begins_alike_1", b"begins_alike_2"
    notes = notes_of(begins_alike_1=1.0)
    assert notes.rows(keys_of(one, other)).tolist() == [0, -1]


@pytest.mark.parametrize("count", [1, 300])
def test_notes_beside_older_ones_hold_both(count: int) -> None:
    older = notes_of(a=1.0, b=None, c=3.0, **{f"x{n}": float(n) for n in range(count)})
    both = notes_of(d=4.0, c=3.5).beside(older)
    assert figures(both, b"a", b"b", b"c", b"d", b"e") == [1.0, None, 3.5, 4.0, None]
    assert len(both.keys) == len(both.peaks) == len(both.sounds) == count + 4
    assert len(both.figures) == len(both.ears) == count + 3
    rows = both.rows(keys_of(b"a", b"b"))
    assert both.peaks[rows, 0].tolist() == [ord("a"), ord("b")]
    assert older.sounds.tolist()[:3] == [0, -1, 1], "the older ones stay as they are"


def test_a_library_keeps_runs_apart() -> None:
    library = Library()
    assert library.of("verse") is None
    library.add("verse", notes_of(a=1.0))
    library.add("solo", notes_of(a=2.0))
    library.add("verse", notes_of(b=3.0))
    for run, known in (("verse", [1.0, 3.0]), ("solo", [2.0, None])):
        notes = library.of(run)
        assert notes is not None
        assert figures(notes, b"a", b"b") == known
