"""How long the rest takes, told from what is done: by a clock that the test turns."""

from simchain.decide.pace import SOON_S, Pace


class Clock:
    def __init__(self) -> None:
        self.at_s = 0.0

    def __call__(self) -> float:
        return self.at_s


def paced(*steps: tuple[float, int, int]) -> list[float | None]:
    clock = Clock()
    pace, told = Pace(clock), []
    for at_s, done, total in steps:
        clock.at_s = at_s
        told.append(pace.left_s(done, total))
    return told


def test_what_is_left_takes_as_long_a_part_as_what_is_done() -> None:
    assert paced((10.0, 1, 5), (20.0, 2, 5), (36.0, 3, 5)) == [40.0, 30.0, 24.0]


def test_nothing_is_told_at_first_and_of_what_is_soon_over() -> None:
    assert paced((0.9 * SOON_S, 1, 100)) == [None]
    assert paced((100.0, 98, 100)) == [None]


def test_fewer_parts_than_before_are_those_of_something_new() -> None:
    assert paced((60.0, 6, 6), (61.0, 1, 10), (71.0, 2, 10)) == [None, None, 40.0]
