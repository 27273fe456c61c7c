"""The bench held against WCAG 2.2 AA as far as a machine can tell: axe-core, in both themes."""

from typing import Any

import pytest

from tests.axe import looks, violations

pytestmark = pytest.mark.browser


@looks
def test_no_rule_of_axe_is_broken(opened: Any, scheme: str, width: int) -> None:
    sheet = opened(color_scheme=scheme, viewport={"width": width, "height": 900})
    assert violations(sheet.page) == []
    word = sheet.word("series", "grit")
    word.focus()
    sheet.page.keyboard.press("Enter")  # picked up: places are marked
    assert violations(sheet.page) == []
    sheet.page.keyboard.press("Escape")
    sheet.page.locator('.line[data-order="series"] [data-act="copy"]').click()
    assert violations(sheet.page) == []
