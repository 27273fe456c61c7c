"""What axe-core finds on a page: WCAG 2.2 AA, as far as a machine can tell, and best practice."""

from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
RULES = {"runOnly": {"type": "tag", "values": TAGS}, "resultTypes": ["violations"]}

# Colours hang on the scheme and places on the width: two looks have each of both, and the soak run
# has all four.
looks = pytest.mark.parametrize(
    ("scheme", "width"),
    [
        ("light", 380),
        ("dark", 1280),
        pytest.param("dark", 380, marks=pytest.mark.soak),
        pytest.param("light", 1280, marks=pytest.mark.soak),
    ],
)


def violations(page: Any) -> list[str]:
    """Return each rule that is broken, with the element that breaks it."""
    found = Axe().run(page, options=RULES).response["violations"]
    return [f"{each['id']}: {node['html']}" for each in found for node in each["nodes"]]
