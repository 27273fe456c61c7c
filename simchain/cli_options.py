"""What several commands share: arguments and options, and the line that says how far they are."""

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from simchain.decide.pace import Pace

BoardFile = Annotated[Path, typer.Argument(metavar="BOARD", help="The board file.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document and nothing else.")]
Folder = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the results.")]
Pictures = Annotated[
    bool,
    typer.Option("--pictures", help="Also draw level diagrams, spectra and spectrograms as PNG."),
]
Noise = Annotated[bool, typer.Option("--noise", help="Hum and hiss in the sound.")]
Amps = Annotated[
    str | None,
    typer.Option("--amp", metavar="NAME", help="Amplifier(s) of the board, or 'all'."),
]
AnOrder = Annotated[str, typer.Option(help="An order of the board.")]
Passages = Annotated[
    str | None, typer.Option(metavar="P,Q,...", help="Passages of the board; default all.")
]
HeardFiles = Annotated[
    str | None,
    typer.Option(
        "--heard", metavar="FILE,...", help="Results of blind tests that the page has saved."
    ),
]
Holds = Annotated[
    bool,
    typer.Option(
        "--holds",
        help="Try free moves softer, harder, at another volume, with levels 2 dB off: slow.",
    ),
]
Measures = Annotated[
    bool,
    typer.Option(
        "--measures",
        help="Also measure distortion and decay, by tones: up to half a second more a sound.",
    ),
]
OneAmp = Annotated[str | None, typer.Option(metavar="NAME", help="Another amplifier of the board.")]


class Progress:
    """A line on standard error while something takes longer than a moment."""

    def __init__(self, console: Console) -> None:
        self._status = console.status("reading")
        self._pace = Pace()

    def __enter__(self) -> "Progress":
        self._status.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._status.stop()

    def __call__(self, done: int, total: int, what: str) -> None:
        """Say that `done` of `total` parts are done, which was the last, and how long it takes."""
        left_s = self._pace.left_s(done, total)
        told = "" if left_s is None else f", about {_told(left_s)} left"
        self.say(f"{done} of {total}: {what}{told}")

    def say(self, text: str) -> None:
        """Show `text` in place of what stands there."""
        self._status.update(text)


def _told(seconds: float) -> str:
    if seconds < 100.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 6000.0 else f"{seconds / 3600.0:.1f} h"
