"""Which neighbours may change places at which point of a path, and on what condition.

The rule itself is tested with sounds in `test_proof` and `test_plan`; here, what it is asked.
"""

import numpy as np

from simchain.chain.path import Laying
from simchain.decide import commute
from simchain.decide.commute import Commutes
from tests.decide.conftest import MakeBoard
from tests.growing import Field

BLOCKS = """[blocks]
push = { kind = "boost", output_ohm = 500 }
tilt = { kind = "equalizer", bands = [{ hz = 800, db = 4, q = 2, shape = "peak" }] }
weak = { kind = "boost", input_ohm = 10e3, output_ohm = 10e3 }
grit = { kind = "drive" }
idle = { kind = "fuzz", bypass = "buffered", input_ohm = 1e6, output_ohm = 500 }
[orders.o]
front = ["push", "tilt", "weak", "grit", "idle"]
[passages.p]
on = ["push", "tilt", "weak", "grit"]
"""
SWITCHED = 'events = [{ at = 0.1, block = "grit", do = "off" }]\n'
FRAMES = 4800


def behind(make: MakeBoard, *names: str, text: str = BLOCKS, links: str = "ideal") -> Laying:
    laying = Field(make(text, np.full((1, FRAMES), 0.01), links)).ground.bare()
    for name in names:
        laying.add(name)
    return laying


def watched(here: Laying, first: str, then: str) -> tuple[str, ...] | None:
    found = Commutes(FRAMES).at(here, (first,), (then,))
    return None if found is None else tuple(sorted(found.watched))


def test_two_linear_ones_commute_below_the_rails_of_both(make_board: MakeBoard) -> None:
    here = behind(make_board)
    assert watched(here, "push", "tilt") == watched(here, "tilt", "push") == ("push", "tilt")


def test_a_drive_commutes_with_nothing_that_is_on(make_board: MakeBoard) -> None:
    here = behind(make_board)
    assert all(watched(here, "grit", name) is None for name in ("push", "tilt", "weak"))


def test_what_is_off_passes_anything_and_only_its_own_rail_counts(make_board: MakeBoard) -> None:
    here = behind(make_board)
    assert watched(here, "grit", "idle") == watched(here, "idle", "grit") == ("idle",)
    assert watched(here, "push", "idle") == ("idle",)


def test_links_count_as_they_are(make_board: MakeBoard) -> None:
    """10 kohm into 10 kohm is half the volts wherever the two meet; beside others it is not."""
    here = behind(make_board, links="real")
    assert watched(here, "push", "tilt") == ("push", "tilt")
    assert watched(here, "weak", "tilt") is None
    assert watched(behind(make_board), "weak", "tilt") == ("tilt", "weak")


def test_what_stands_before_them_counts_only_by_what_it_drives(make_board: MakeBoard) -> None:
    """A weak output before two with unlike inputs drives another link in each sequence."""
    text = BLOCKS.replace("output_ohm = 500 }\ntilt", "input_ohm = 500e3, output_ohm = 500 }\ntilt")
    strong = behind(make_board, "tilt", text=text, links="real")
    weak = behind(make_board, "weak", text=text, links="real")
    assert watched(strong, "push", "idle") == ("idle",)
    assert watched(weak, "push", "idle") is None


def test_behind_a_switched_unit_on_true_bypass_nothing_is_said(make_board: MakeBoard) -> None:
    here = behind(make_board, "grit", text=BLOCKS + SWITCHED)
    assert here.driven_by is None
    assert watched(here, "push", "tilt") is None
    assert watched(behind(make_board, "grit"), "push", "tilt") == ("push", "tilt")


def test_in_the_loop_too_but_not_across_the_split(make_board: MakeBoard) -> None:
    text = BLOCKS.replace("[orders", "[amps.mine]\n[orders")
    here = Field(make_board(text, np.full((1, FRAMES), 0.01)), "mine").ground.bare()
    here.split()
    assert watched(here, "push", "tilt") == ("push", "tilt")
    assert watched(here, "push", "grit") is None


def test_nothing_is_laid_and_what_is_known_is_not_asked_again(
    make_board: MakeBoard, monkeypatch
) -> None:
    asked = []
    rule = commute.why_not_alike

    def counted(*arguments):
        asked.append(arguments)
        return rule(*arguments)

    monkeypatch.setattr(commute, "why_not_alike", counted)
    known = Commutes(FRAMES)
    here, elsewhere = behind(make_board), behind(make_board, "grit")
    for place in (here, here, elsewhere):
        assert known.at(place, ("push",), ("tilt",)) is not None
    assert (len(here.steps), len(elsewhere.steps)) == (0, 1)
    assert 1 <= len(asked) <= 2
    known.at(here, ("tilt",), ("push",))
    assert len(asked) > 1
