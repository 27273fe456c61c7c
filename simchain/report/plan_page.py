"""The sheets of a plan: one page to print, and the tones to check it with."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Literal

import numpy as np

from simchain import files
from simchain.errors import RequestError
from simchain.report import plan_words as words
from simchain.report.page import sheet
from simchain.report.plan_document import TONE_FILES
from simchain.report.plan_faults import fault_tree
from simchain.report.wording import capital, spoken
from simchain.signal import faded, pcm_wav, tone
from simchain.units import db_to_ratio

Paper = Literal["a4", "letter"]

STYLES = ("sheet.css", "plan.css")
PASSAGES_A_TABLE = 4
TONE_RATE, TONE_S, TONE_PEAK_DBFS, TONE_FADE_S = 48_000, 60.0, -12.0, 0.02
_NO_PDF = (
    "--pdf needs weasyprint: pip install 'simchain[pdf]'; or open the sheets in a browser and "
    "print them to a file there"
)


def refuse_files(board: Path, out: Path | None, pdf: Path | None) -> Path:
    """Return where the sheets go.

    Raises RequestError or OutputError for files that cannot be written, or should not be.
    """
    if out is None:
        raise RequestError("--out is missing: a name for the sheets is wanted, --out plan.html")
    for option, file, endings in (("--out", out, (".html", ".htm")), ("--pdf", pdf, (".pdf",))):
        if file is None:
            continue
        if file.is_dir():
            raise RequestError(f"{option} {file}: is a folder; the name of a file is wanted")
        if file.suffix.lower() not in endings or file.resolve() == board.resolve():
            raise RequestError(f"{option} {file}: a name that ends in {endings[0]} is wanted")
        files.prepare_folder(file.parent)
    if pdf is not None:
        _weasyprint()
    return out


def write_plan(document: Mapping[str, Any], out: Path, pdf: Path | None, paper: Paper) -> None:
    """Write the sheets, the tones beside them, and a PDF where one is wanted.

    Raises OutputError when something cannot be written, RequestError where nothing makes a PDF.
    """
    page = plan_page(document, paper)
    files.prepare_folder(out.parent)
    for hz, name in TONE_FILES.items():
        files.write_bytes(out.parent / name, tone_wav(hz))
    if pdf is not None:
        files.write_bytes(pdf, plan_pdf(page))
    files.write_text(out, page)


def plan_page(document: Mapping[str, Any], paper: Paper = "a4") -> str:
    """Return the sheets of a `plan_document` as one page of HTML, which fetches nothing."""
    return sheet(
        "plan.html.j2",
        (),
        (*STYLES, f"paper_{paper}.css"),
        plan=document,
        words=words,
        fault_tree=fault_tree,
        spoken=spoken,
        capital=capital,
        tone_tables=list(_tone_tables(document)),
    )


def plan_pdf(page: str) -> bytes:
    """Return the sheets as PDF. Raises RequestError where weasyprint is not installed."""
    pdf: bytes = _weasyprint().HTML(string=page).write_pdf()
    return pdf


def tone_wav(hz: float) -> bytes:
    """Return a minute of a sine as 16-bit WAV, faded in and out so that it does not click."""
    line = tone(hz, db_to_ratio(TONE_PEAK_DBFS), round(TONE_S * TONE_RATE), TONE_RATE)[0]
    line = faded(line, round(TONE_FADE_S * TONE_RATE))
    return pcm_wav(line[np.newaxis], TONE_RATE, 16)


def _tone_tables(document: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield tables of a few passages each: the jacks, and what each tone reads there."""
    passages = list(document["tones"]["passages"].items())
    for first in range(0, len(passages), PASSAGES_A_TABLE):
        part = passages[first : first + PASSAGES_A_TABLE]
        tones = list(part[0][1])
        yield {
            "passages": [name for name, _ in part],
            "tones": tones,
            "rows": [
                {"jack": jack, "readings": [read[hz][jack] for _, read in part for hz in tones]}
                for jack in part[0][1][tones[0]]
            ],
        }


def _weasyprint() -> Any:
    try:
        import weasyprint
    except (ImportError, OSError) as error:
        raise RequestError(_NO_PDF) from error
    return weasyprint
