"""The guide: short pages that lie in the package, and one that is made from the kinds of block."""

from collections.abc import Iterator
from functools import cache
from importlib import resources

from simchain.errors import unknown_name

# In the sequence in which they are read.
PAGES = {
    "start": "The job in ten minutes",
    "board": "Describing a board",
    "volts": "Finding the clip's volts",
    "units": "Your own units",
    "levels": "Reading the level diagram",
    "split": "Split, with four cables",
    "acoustic": "The acoustic board",
    "plan": "From the order to the floor",
    "verdicts": "What a verdict means",
    "models": "How each block is modelled and checked",
}
_BEFORE_MODELS = """\
Every block is a generic circuit or process from the open literature, with controls in physical \
units; none is a copy of a unit that is sold. Blocks that clip run at 352.8 kHz or more. Wires \
count: pickup, pots, cables and inputs load one another. What each kind is checked against stands \
beside it; the tests print the figures.
"""
_BEHIND_MODELS = """\
**The amplifier**: triode stages on a load line as tables (the published triode equation), a \
passive three-band network solved exactly, a loop whose send and return undo one another, a \
push-pull power stage with sag, a speaker that loads it, a cabinet of minimum phase. Checked \
against a solver of the whole stage, handbook gains and distortion, and circuit simulation of the \
network.

**The pickup and cables**: coil, pots, capacitance as one circuit. Checked against circuit \
simulation and published resonances.

**Loudness**: ITU-R BS.1770 with its conformance cases. **The ear's model** behind verdicts: \
rounded-exponential filters after Glasberg and Moore; its thresholds are ours.
"""


def page(name: str) -> str:
    """Return a page of the guide as Markdown. Raises RequestError for one that there is not."""
    if name not in PAGES:
        raise unknown_name("page", name, PAGES, "in the guide")
    if name == "models":
        return "\n".join(_models())
    return (_folder() / f"{name}.md").read_text(encoding="utf-8")


def picture(name: str) -> bytes | None:
    """Return a picture that a page shows, or None where there is none of that name."""
    known = {file.name: file for file in _folder().iterdir() if file.name.endswith(".png")}
    return known[name].read_bytes() if name in known else None


@cache
def page_html(name: str) -> str:
    """Return a page as HTML, without what stands around it; links between pages lead on."""
    from markdown_it import MarkdownIt

    text = page(name)
    for other in PAGES:
        text = text.replace(f"`simchain guide {other}`", f"[{PAGES[other]}]({other})")
    return str(MarkdownIt("commonmark").render(text))


def _folder() -> resources.abc.Traversable:
    return resources.files("simchain") / "guide"


def _models() -> Iterator[str]:
    from simchain.blocks import kinds

    yield f"# {PAGES['models']}\n"
    yield _BEFORE_MODELS
    for name, kind in sorted(kinds().items()):
        about = kind.about.replace("\n", " ")
        checked = f" Checked against: {kind.checked_against}." if kind.checked_against else ""
        yield f"**{name}**: {about}{checked}\n"
    yield _BEHIND_MODELS
