"""The kinds of long work that the page may ask for: what each makes of a board.

A kind is a function from the board and what was asked to a title and the work itself. What is asked
is read before the work begins, so that a request that does not fit is refused at once.
"""

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from simchain.bench.asked import names_in, text_in, text_or_none_in
from simchain.bench.jobs import Job, Work
from simchain.bench.unit_jobs import fit_job, verify_job
from simchain.board import Board
from simchain.board.wording import shown
from simchain.chain.walk import stop_if_told
from simchain.errors import RequestError, unknown_name
from simchain.settings import unit_of

Asked = Mapping[str, Any]
# What the full pass, or the coarse one, leaves out; and how many of the best the beam follows.
HOW: dict[str, dict[str, Any]] = {"full": {}, "coarse": {"full": False}, "beam": {"beam": 20}}
PLACES = "Numbers are places in the ranking: those left out sound like one that is shown."
TONES = (
    "The command simchain plan writes these sheets too, and the tones to check with beside them."
)
Kind = Callable[[Board, Asked], tuple[str, Work]]


def work_asked(board: Board, asked: Asked) -> tuple[Job, Work]:
    """Return the work that a request asks for on `board`, not begun. Raises RequestError."""
    do = text_in(asked, "do")
    if do not in KINDS:
        raise RequestError(f"do = {shown(do)}: allowed is {', '.join(KINDS)}")
    title, work = KINDS[do](board, asked)
    return Job(do, title), work


def _search(board: Board, asked: Asked) -> tuple[str, Work]:
    passages, amp = _passages(board, asked), text_or_none_in(asked, "amp")
    wanted = text_or_none_in(asked, "how") or "full"
    if wanted not in HOW:
        raise RequestError(f"how = {shown(wanted)}: allowed is {', '.join(HOW)}")
    how = HOW[wanted]

    def work(job: Job) -> dict[str, Any]:
        from simchain.decide.search import search
        from simchain.report.search_document import search_document
        from simchain.report.search_page import auditions, write_search_page

        found = search(
            board, passages=passages, amp=amp, progress=job.progress, stop=job.stop, **how
        )
        heard = auditions(found, progress=job.progress, stop=job.stop)
        job.say("writing the page")
        job.page = write_search_page(job.folder, found, heard)
        opens = _opens(job, "open the page of the search, to listen to the best")
        return _of_search(search_document(found)) | opens

    return "The search", work


def _of_search(document: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the page tells of a search: the counts, and the best orders that sound apart."""
    from simchain.report.search_words import (
        best_of_groups,
        counts_sentence,
        goal_reading,
        group_words,
    )

    weights = document["weights"]
    orders = []
    for place, ranked, _ in best_of_groups(document):
        reads = [goal_reading(goal, ranked["values"].get(goal)) for goal in weights]
        says = f"{group_words(document, ranked['group'])}; {', '.join(reads)}"
        orders.append({"place": place, **ranked["order"], "says": says})
    return {
        "facts": list(filter(None, (counts_sentence(document), document["why"]))),
        "notes": [PLACES, *document["warnings"]],
        "orders": orders,
    }


def _levels(board: Board, asked: Asked) -> tuple[str, Work]:
    order, amp = text_in(asked, "order"), text_or_none_in(asked, "amp")
    passages = _passages(board, asked)
    board.order(order)

    def work(job: Job) -> dict[str, Any]:
        from simchain.decide.set_levels import set_levels
        from simchain.report.set_levels import (
            missed_sentences,
            passage_rows,
            set_levels_document,
        )

        found = set_levels(
            board, order, passages=passages, amp=amp, progress=job.say, stop=job.stop
        )
        document = set_levels_document(found, written=False)
        controls = [
            _control_row(board, block, name, found.before[block][name], value)
            for block, turned in found.settings.items()
            for name, value in turned.items()
        ]
        heads = ["passage", "should be", "is now", "is then", "LUFS then"]
        changes = [{"path": list(path), "value": value} for path, value in found.changes.items()]
        return {
            "say": f"levels of {order} set",
            "facts": [] if changes else ["Nothing is to be turned."],
            "notes": [*missed_sentences(document), *document["warnings"]],
            "tables": [
                _table(f"Controls, {order}", ["control", "now", "set to"], controls),
                _table("Passages", heads, passage_rows(document["passages"])),
            ],
            "changes": changes,
        }

    return "The setting of levels", work


def _control_row(board: Board, block: str, name: str, before: float, after: float) -> list[str]:
    """Return a control in words, and what it is set to and would be, in its unit."""
    unit = unit_of(type(board.blocks[block]).model_fields[name])
    figures = [f"{value:g} {unit}".rstrip().replace("-", "−") for value in (before, after)]
    return [f"{block}, {name.removesuffix('_db')}", *figures]


def _compare(board: Board, asked: Asked) -> tuple[str, Work]:
    compare = _comparison(board, asked)

    def work(job: Job) -> dict[str, Any]:
        return compare(job) | _opens(job, "open the page of the comparison, to listen")

    return "The comparison", work


def _blind(board: Board, asked: Asked) -> tuple[str, Work]:
    """The page of a comparison, opened where its blind test is."""
    compare = _comparison(board, asked)

    def work(job: Job) -> dict[str, Any]:
        return compare(job) | _opens(job, "open the blind test", "#blind-head")

    return "The blind test", work


def _comparison(board: Board, asked: Asked) -> Work:
    """Return the work that writes the page of a comparison."""
    orders, passages = names_in(asked, "orders") or [], _passages(board, asked)
    amp = text_or_none_in(asked, "amp")
    for order in orders:
        board.order(order)
    if len(orders) < 2:
        raise RequestError("choose two orders or more: it takes two to tell apart")

    def work(job: Job) -> dict[str, Any]:
        from simchain.decide.compare import compare
        from simchain.report.results import write_comparison

        compared = compare(
            board,
            orders,
            passages=passages,
            amps=None if amp is None else [amp],
            progress=job.progress,
            stop=job.stop,
        )
        job.say("writing the page")
        document, _ = write_comparison(compared, job.folder)
        job.page = job.folder / document["page"]
        return {"facts": [], "notes": list(compared.warnings)}

    return work


def _plan(board: Board, asked: Asked) -> tuple[str, Work]:
    order, amp = text_in(asked, "order"), text_or_none_in(asked, "amp")
    board.order(order)

    def work(job: Job) -> dict[str, Any]:
        from simchain.report.plan_document import plan, plan_document
        from simchain.report.plan_page import write_plan

        def progress(done: int, of: int, name: str) -> None:
            stop_if_told(job.stop)
            job.progress(done, of, name)

        made = plan_document(plan(board, order, amp=amp, progress=progress))
        job.say("writing the sheets")
        job.page = job.folder / "plan.html"
        write_plan(made, job.page, None, "a4")
        notes = [*made["warnings"], TONES]
        return {"facts": [], "notes": notes, **_opens(job, "open the patch plan, to print it")}

    return "The patch plan", work


KINDS: dict[str, Kind] = {
    "search": _search,
    "levels": _levels,
    "plan": _plan,
    "blind": _blind,
    "compare": _compare,
    "fit": fit_job,
    "verify": verify_job,
}


def _passages(board: Board, asked: Asked) -> list[str] | None:
    """Return the passages that are asked for; None, all, where none is named."""
    names: Iterable[str] | None = names_in(asked, "passages")
    for name in names or ():
        if name not in board.passages:
            raise unknown_name("passage", name, board.passages)
    return None if names is None else list(names)


def _opens(job: Job, words: str, at: str = "") -> dict[str, Any]:
    """Return where the page of a piece of work is, and the words that lead there."""
    return {"page": {"at": f"/job/{job.key}/page{at}", "words": words}}


def _table(caption: str, heads: list[str], rows: Iterable[Iterable[str]]) -> dict[str, Any]:
    return {"caption": caption, "heads": heads, "rows": [list(row) for row in rows]}
