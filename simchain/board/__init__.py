"""What the user describes: the board file, its models, its messages, and boards to start from."""

from simchain.board.allowed import Allowed
from simchain.board.check import BoardWarning, check_board
from simchain.board.find_clips import clip_path, missing_clips
from simchain.board.gear import Cables, Floor, Outlet, Output, Pickup, Source, Supply
from simchain.board.models import Above, Board, Event, Order, Passage, Song, with_settings
from simchain.board.new import STARTERS, new_board, starter
from simchain.board.read import load_board, read_board
from simchain.board.rules import Rules, broken_rules, split_boxes
from simchain.board.wishes import Goals, Judging, SetLevels

__all__ = [
    "STARTERS",
    "Above",
    "Allowed",
    "Board",
    "BoardWarning",
    "Cables",
    "Event",
    "Floor",
    "Goals",
    "Judging",
    "Order",
    "Outlet",
    "Output",
    "Passage",
    "Pickup",
    "Rules",
    "SetLevels",
    "Song",
    "Source",
    "Supply",
    "broken_rules",
    "check_board",
    "clip_path",
    "load_board",
    "missing_clips",
    "new_board",
    "read_board",
    "split_boxes",
    "starter",
    "with_settings",
]
