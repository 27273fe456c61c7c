"""Every command that writes files, as it is typed, with what it needs to do so."""

import re
from pathlib import Path
from typing import Any

import soundfile

from simchain.board import Board
from simchain.decide.search import search
from simchain.fit.received import given_volts
from simchain.report.search_document import search_document
from tests.conftest import TWO_ORDERS, Ran, board_beside_tone
from tests.fit.recorder import Interface
from tests.test_cli_body import RATE, bursts, through_two

# `{here}` is the folder with the board and its clip, `{out}` where the results go: both may be one.
WRITERS = {
    "new": "new {out}/new.toml",
    "tones": "tones {out}/tones.wav",
    "set-levels": "set-levels {here}/board.toml --order a --write",
    "render": "render {here}/board.toml --order a --passage riff --points --out {out}",
    "levels": "levels {here}/board.toml --order a --out {out}",
    "plan": "plan {here}/board.toml --order a --out {out}/plan.html --pdf {out}/plan.pdf",
    "compare": "compare {here}/board.toml --orders a,b --pictures --out {out}",
    "search": "search {here}/board.toml --checkpoint {out}/kept --out {out}",
    "body": "body {here}/pickup.wav {here}/mic.wav --out {out}/wood.wav",
    "fit": "fit {here}/board.toml push {here}/unit.wav --loopback {here}/loop.wav --write",
    "demo": "demo --out {out}",
}
# Those that take a moment: the others are for the soak run.
QUICK = ("new", "tones", "set-levels", "render")
WRITE_INTO_THE_BOARD = ("set-levels", "fit")
BOARD = TWO_ORDERS.replace(
    "[passages.off]", 'above = { passage = "off", lu = 12.0 }\n[passages.off]'
)


def typed(name: str, here: Path, out: Path) -> list[str]:
    """Return a command's words."""
    return [word.format(here=here, out=out) for word in WRITERS[name].split()]


def prepare(name: str, here: Path) -> None:
    """Lay what a command needs into a folder."""
    board_beside_tone(here, BOARD, seconds=1.0)
    if name == "fit":
        interface = Interface(full_scale_volts=6.0)
        interface.record(here / "loop.wav", given_volts(), begins_s=0.5, seed=1)
        interface.record(here / "unit.wav", 2.0 * given_volts(), begins_s=0.3, seed=2)
    if name == "body":
        pickup = bursts(1)
        soundfile.write(here / "pickup.wav", pickup, RATE, subtype="PCM_24")
        soundfile.write(here / "mic.wav", through_two(pickup), RATE, subtype="PCM_24")


def files_in(folder: Path) -> dict[str, bytes]:
    """Return every file of a folder, but for what fills a disk up, with what is in it."""
    return {
        path.name: path.read_bytes()
        for path in sorted(folder.iterdir())
        if path.is_file() and path.name != "filler"
    }


def refused_in_one_line(ran: Ran, where: Path, why: str) -> None:
    """Raise unless a command said in one line which file under `where` cannot be written, and why.

    `why` is a pattern.
    """
    told = ran.err.splitlines()
    assert (ran.status, ran.out, len(told)) == (2, "", 1), ran
    assert re.fullmatch(
        rf"cannot (write|write into|open) .*{re.escape(str(where))}.*: {why}", told[0]
    )


def found_by_search(board: Board, checkpoint: Path, **asked: Any) -> dict[str, Any]:
    """Return what a search finds, but for how much of it was new, and how long it took."""
    found = search_document(search(board, checkpoint=checkpoint, **asked), members=True)
    return {**found, "blocks_rendered": None, "seconds": None}
