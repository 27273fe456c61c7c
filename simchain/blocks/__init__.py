"""Blocks: one file a kind, with its settings and what it does to volts."""

from simchain.blocks.base import Block, Curve, Moment, Take, kinds

__all__ = ["Block", "Curve", "Moment", "Take", "kinds"]
