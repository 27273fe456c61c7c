"""The guide in the browser: its pages and their pictures."""

from starlette.requests import Request
from starlette.responses import Response

from simchain.bench.answering import not_there
from simchain.bench.files import environment
from simchain.report.guide import PAGES, page_html, picture


async def guide_page(request: Request) -> Response:
    """Return a page of the guide, or a picture that one of them shows."""
    name = request.path_params["name"]
    if name in PAGES:
        html = (
            environment()
            .get_template("guide.html.j2")
            .render(here=name, title=PAGES[name], pages=PAGES, text=page_html(name))
        )
        return Response(html, media_type="text/html")
    content = picture(name)
    return not_there() if content is None else Response(content, media_type="image/png")
