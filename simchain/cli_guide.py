"""The command that shows the guide."""

from typing import Annotated

import typer

from simchain.cli_console import out, print_json
from simchain.cli_options import Json


def guide(
    page: Annotated[
        str | None, typer.Argument(metavar="[PAGE]", help="Which page; without one, the list.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Show the short guide: what pages there are, or one of them."""
    from simchain.report.guide import PAGES
    from simchain.report.guide import page as text_of

    if as_json:
        shown = [page] if page else list(PAGES)
        print_json({"pages": [{"name": name, "text": text_of(name)} for name in shown]})
    elif page is None:
        width = max(map(len, PAGES))
        for name, title in PAGES.items():
            out.print(f"{name:{width}}  {title}")
        out.print(f"\nread one with: simchain guide {next(iter(PAGES))}")
    else:
        from rich.markdown import Markdown

        out.print(Markdown(text_of(page), hyperlinks=False))
