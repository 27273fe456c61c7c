"""The licences of what simchain needs to run, as installed, against the list in DEVELOPERS.md."""

import importlib.metadata
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).parents[1]
EXTRAS = ("cluster", "pdf")
# How metadata name a family of licences: SPDX expressions, classifiers, or the text itself.
FAMILIES = {
    "MIT": r"\bMIT\b",
    "BSD": r"BSD|Redistribution and use in source and binary forms",
    "Apache": r"Apache",
    "ISC": r"\bISC\b",
    "PSF": r"PSF|Python Software Foundation|matplotlib versions 1\.3\.0 and later",
    "Zlib": r"\bZlib\b",
    "CC0": r"\bCC0\b",
    "MPL": r"\bMPL\b",
    "LGPL": r"LGPL|Lesser General Public",
    "GPL": r"(?<!L)GPL|(?<!Lesser )General Public License",
}
# What may stand beside MIT code in any product. Of a choice one that is here is taken.
PERMISSIVE = {"MIT", "BSD", "Apache", "ISC", "PSF", "Zlib", "CC0"}
# Weak copyleft, each for a reason that DEVELOPERS.md gives.
ALLOWED_BESIDE = {"pyphen": "MPL"}


def plain(name: str) -> str:
    """Return a package's name as registries compare it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def needed() -> Iterator[tuple[str, str]]:
    """Yield direct dependencies with their extra, '' for none."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    for line in project["dependencies"]:
        yield plain(Requirement(line).name), ""
    for extra in EXTRAS:
        for line in project["optional-dependencies"][extra]:
            yield plain(Requirement(line).name), extra


def installed() -> dict[str, importlib.metadata.Distribution]:
    """Return what is installed of all that simchain needs, and of all that those need."""
    found: dict[str, importlib.metadata.Distribution] = {}
    left = [(name, "") for name, _ in needed()]
    done = set()
    while left:
        name, extra = left.pop()
        if (name, extra) in done:
            continue
        done.add((name, extra))
        try:
            found[name] = importlib.metadata.distribution(name)
        except importlib.metadata.PackageNotFoundError:
            continue
        for line in found[name].requires or ():
            one = Requirement(line)
            if one.marker is None or one.marker.evaluate({"extra": extra}):
                left += [(plain(one.name), more) for more in ("", *one.extras)]
    return found


def families(distribution: importlib.metadata.Distribution) -> set[str]:
    """Return the licences that a package's metadata name: the first of three ways that is there.

    The text is the last, since it may tell of parts and of other licences, too.
    """
    told = distribution.metadata
    classifiers = (each for each in told.get_all("Classifier") or () if each.startswith("License"))
    text = told.get("License-Expression") or "\n".join(classifiers) or told.get("License") or ""
    return {name for name, words in FAMILIES.items() if re.search(words, text)}


def listed() -> dict[str, set[str]]:
    """Return what the table in DEVELOPERS.md says of each package."""
    section = (ROOT / "DEVELOPERS.md").read_text().split("## Dependencies")[1].split("\n## ")[0]
    rows = [line.strip("| ").split(" | ") for line in section.splitlines() if line.startswith("|")]
    return {
        plain(name): {family for family in FAMILIES if re.search(rf"\b{family}\b", cells[2])}
        for cells in rows
        if len(cells) == 3
        for name in cells[0].split(", ")
    }


@pytest.mark.parametrize("name", sorted({name for name, _ in needed()}))
def test_the_table_names_the_licence_of_each_dependency(name: str) -> None:
    table = listed()
    assert name in table, f"DEVELOPERS.md, Dependencies: {name} has no row"
    try:
        told = families(importlib.metadata.distribution(name))
    except importlib.metadata.PackageNotFoundError:
        pytest.skip(f"{name} is not installed")
    assert told, f"{name}: no licence that is known here in its metadata"
    main = {"BSD"} if "BSD" in told else told  # numpy's lists parts that it holds, too
    assert main <= table[name], f"{name}: {told}, and the table says {table[name]}"


def test_nothing_that_is_brought_along_is_in_the_way_of_mit() -> None:
    """Every package that is loaded or may be, to the last one."""
    found = installed()
    assert {"numpy", "llvmlite", "pydantic-core"} <= set(found)
    for name, distribution in sorted(found.items()):
        told = families(distribution)
        assert told, f"{name}: no licence that is known here in its metadata"
        if name in ALLOWED_BESIDE:
            assert ALLOWED_BESIDE[name] in told, f"{name}: {told}"
        else:
            assert told <= PERMISSIVE, f"{name}: {told}"


def test_what_is_no_permissive_licence_is_told() -> None:
    section = (ROOT / "DEVELOPERS.md").read_text().split("## Dependencies")[1].split("\n## ")[0]
    beneath = section[section.rindex("\n|") :]
    for word in (*ALLOWED_BESIDE, *ALLOWED_BESIDE.values(), "libsndfile", "LGPL"):
        assert word in beneath, f"DEVELOPERS.md, Dependencies: nothing is said of {word}"
    for distribution in installed().values():
        for family in families(distribution) & PERMISSIVE:
            assert re.search(rf"\b{family}\b", section), f"{family} is not named"
