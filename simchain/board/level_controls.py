"""Which settings of a block may be named in [set_levels] controls."""

from simchain.blocks.base import Block
from simchain.board.models import OF_THE_UNIT
from simchain.board.wording import listed, shown, with_article
from simchain.errors import nearest


def turnable(block: Block) -> tuple[str, ...]:
    """Return the controls of `block` that can be turned in fine steps: numbers, not whole ones."""
    return tuple(
        name
        for name, field in type(block).model_fields.items()
        if name not in OF_THE_UNIT and float in _types(field.annotation)
    )


def control_fault(name: str, block: Block) -> str:
    """Say why control `name` of `block` cannot be turned to set a level, or return ''."""
    known, unit = type(block).model_fields, with_article(block.kind)
    if name not in known:
        return f"{unit} has no control {shown(name)}{nearest(name, known)}"
    if name in OF_THE_UNIT:
        return f"{shown(name)} of {unit} belongs to the unit and its wiring, and is not turned"
    if name not in turnable(block):
        return f"{shown(name)} of {unit} is not set by a number that can be turned in fine steps"
    if getattr(block, name) is None:
        return (
            f"{shown(name)} is left out in the file, so there is nothing to turn from; write "
            "its value first"
        )
    return ""


def allowed_controls(block: Block) -> str:
    """Return the controls of `block` that can be turned, as words."""
    return listed(turnable(block))


def _types(annotation: object) -> tuple[object, ...]:
    return (annotation, *getattr(annotation, "__args__", ()))
