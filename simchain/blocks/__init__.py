"""Blocks: one file a kind, with its settings and what it does to volts."""

from simchain.blocks.base import Block, Moment, kinds

__all__ = ["Block", "Moment", "kinds"]
