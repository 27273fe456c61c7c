"""Results of blind tests, made up in the shape in which the audition page saves them."""

import json
from fractions import Fraction
from math import comb
from pathlib import Path
from typing import Any


def a_result(right: int = 12, of: int = 16, /, **changes: object) -> dict[str, Any]:
    """Return a result of which `right` of `of` trials are right; `changes` replace whole keys."""
    x = ["ab"[(place * place // 3) % 2] for place in range(of)]
    other = {"a": "b", "b": "a"}
    trials = [
        {
            "x": is_it,
            "answer": is_it if place < right else other[is_it],
            "seconds": 7.4 + place / 10,
            "plays": {"a": 1, "b": 2, "x": 3},
        }
        for place, is_it in enumerate(x)
    ]
    made = {
        "simchain": "0.1.0",
        "heard": 1,
        "board": "Train board",
        "a": "series",
        "b": "split",
        "passage": "solo",
        "amp": "crunch",
        "date": "2026-11-02T19:30:00.000Z",
        "trim_by_ear_db": 0.0,
        "planned": 16,
        "trials": trials,
        "right": right,
        "of": of,
        "probability": float(Fraction(sum(comb(of, k) for k in range(right, of + 1)), 2**of)),
        "fingerprints": {"a": "0123456789abcdef", "b": "fedcba9876543210"},
        "predicted": {"verdict": "subtle", "score": 1.9},
    }
    return {**made, **changes}


def saved(folder: Path, result: object, name: str = "heard.json") -> Path:
    """Write a result into `folder` and return its file."""
    path = folder / name
    path.write_text(json.dumps(result), encoding="utf-8")
    return path
