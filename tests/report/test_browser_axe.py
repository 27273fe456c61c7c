"""The audition page held against WCAG 2.2 AA as far as a machine can tell, in both themes."""

from collections.abc import Callable
from typing import Any

import pytest

from tests.axe import looks, violations

pytestmark = pytest.mark.browser


@looks
def test_no_rule_of_axe_is_broken(
    opened: Callable[..., Any], two_amps: dict[str, Any], scheme: str, width: int
) -> None:
    sheet = opened(two_amps, color_scheme=scheme, viewport={"width": width, "height": 900})
    assert violations(sheet.page) == []
