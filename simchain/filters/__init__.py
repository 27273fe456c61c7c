"""Analogue filters as digital ones: one function for all linear circuits, and equalizer bands."""

from simchain.filters.analogue import (
    Running,
    analogue_sections,
    high_cut,
    high_cut_in_step,
    low_cut,
    run_sections,
)
from simchain.filters.bands import SHAPES, Shape, band_circuit, band_sections
from simchain.filters.sections import Sections

__all__ = [
    "SHAPES",
    "Running",
    "Sections",
    "Shape",
    "analogue_sections",
    "band_circuit",
    "band_sections",
    "high_cut",
    "high_cut_in_step",
    "low_cut",
    "run_sections",
]
