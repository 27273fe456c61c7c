"""What holds for every kind of block, found by its settings: new kinds are tested as they come.

Random settings lie within each control's usual range (or its limits where there is none).
"""

from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from simchain.blocks import Block, Moment, kinds
from simchain.settings import limits_of, usual_of

RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
KINDS = {name: kind for name, kind in kinds().items() if kind.__module__.startswith("simchain.")}
LOUDEST_VOLTS = 20.0
LINEAR_DB = -200.0
MOVING_BY_DB = {"compressor": -30.0, "drive": -30.0, "modulation": -20.0, "gate": 0.0}
# Peak volts: a gate that is wide open is linear, so it is tried about its threshold.
TRIED_VOLTS = {"gate": 0.002}
MOVING_BY_AT_LEAST_DB = -60.0

every_kind = pytest.mark.parametrize("name", KINDS)
some_examples = settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


def number(field: FieldInfo, whole: bool) -> st.SearchStrategy[Any] | None:
    low, high = limits_of(field)
    usual = usual_of(field)
    if usual is not None:
        low = usual[0] if low is None else max(low, usual[0])
        high = usual[1] if high is None else min(high, usual[1])
    if low is None or high is None:
        return None
    if whole:
        return st.integers(int(np.ceil(low)), int(np.floor(high)))
    return st.floats(low, high) | st.sampled_from((float(low), float(high)))


def values(field: FieldInfo, kind: Any) -> st.SearchStrategy[Any] | None:
    """Return values for a control of that type, or None where only its default is tried."""
    origin, parts = get_origin(kind), get_args(kind)
    if origin is Literal:
        return st.sampled_from(parts)
    if origin in (Union, UnionType):
        tried = [values(field, part) for part in parts]
        found = [one for one in tried if one is not None]
        return st.one_of(*found) if found else None
    if origin is tuple and len(parts) == 2 and parts[1] is Ellipsis:
        inner = parts[0]
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            return st.lists(tables(inner), max_size=4)
        return None
    if kind is bool:
        return st.booleans()
    if kind in (float, int):
        return number(field, whole=kind is int)
    return None


def tables(model: type[BaseModel]) -> st.SearchStrategy[dict[str, Any]]:
    """Return tables that `model` accepts, of its own controls and its numbers of channels."""
    known = set(Block.model_fields) - {"inputs", "outputs", "mono"}
    wanted, needed = {}, {}
    for name, field in model.model_fields.items():
        if issubclass(model, Block) and name in known:
            continue
        strategy = values(field, field.annotation)
        if strategy is not None:
            (needed if field.is_required() else wanted)[name] = strategy
    drawn = st.fixed_dictionaries(needed, optional=wanted)
    return drawn.map(lambda table: accepted(model, table, set(needed)))


def accepted(model: type[BaseModel], table: dict[str, Any], needed: set[str]) -> dict[str, Any]:
    """Return as much of `table` as `model` takes: some controls do not go together."""
    kept = {name: table[name] for name in needed}
    for one_by_one in (table, *({name: value} for name, value in table.items())):
        if is_taken(model, kept | one_by_one):
            kept |= one_by_one
    return kept


def is_taken(model: type[BaseModel], table: dict[str, Any]) -> bool:
    try:
        unit = model.model_validate(table)
    except ValidationError:
        return False
    if not isinstance(unit, Block):
        return True
    refused_at = getattr(unit, "refused_at", lambda _rate: None)
    return unit.not_yet() is None and all(refused_at(rate) is None for rate in RATES)


def sound(channels: int, frames: int, loudest: float, flavour: str, seed: int) -> np.ndarray:
    """Return volts of shape (channels, frames) within ±loudest."""
    rng = np.random.default_rng(seed)
    if flavour == "noise":
        return rng.uniform(-loudest, loudest, (channels, frames))
    if flavour == "steady":
        return np.full((channels, frames), loudest)
    if flavour == "clicks":
        clicks = np.where(rng.random((channels, frames)) < 0.02, loudest, 0.0)
        clicks[:, 0] = -loudest
        return clicks
    if flavour == "square":
        return np.tile(np.where(np.arange(frames) // 50 % 2, loudest, -loudest), (channels, 1))
    return np.full((channels, frames), 1e-310)


flavours = st.sampled_from(("noise", "steady", "clicks", "square", "denormal"))
lengths = st.sampled_from((1, 2, 3, 31, 32, 33)) | st.integers(1, 2000)
seeds = st.integers(0, 2**31)


def drawn_unit(data: st.DataObject, name: str) -> Block:
    table = data.draw(tables(KINDS[name]), label="settings")
    return KINDS[name].model_validate(table)


def check_sound(unit: Block, volts: np.ndarray, now: Moment) -> None:
    before = volts.copy()
    out = unit.process(volts, now)
    assert np.array_equal(volts, before), "wrote to its input"
    assert not np.shares_memory(out, volts), "gave back its input's own memory"
    assert out.shape == (unit.outputs, volts.shape[1])
    assert out.dtype == np.float64
    assert out.flags.c_contiguous
    assert np.isfinite(out).all()
    assert np.array_equal(unit.process(volts, now), out), "does not repeat itself"
    assert not unit.process(np.zeros_like(volts), now).any(), "makes sound of silence"


@every_kind
def test_a_kind_describes_itself(name: str) -> None:
    kind = KINDS[name]
    assert kind.kind == name
    assert len(kind.about.splitlines()) == 2
    assert all(len(line) <= 100 for line in kind.about.splitlines())
    assert kind.checked_against
    for control, field in kind.model_fields.items():
        assert field.description, control
        low, high = limits_of(field)
        usual = usual_of(field)
        if usual is not None:
            assert low is None or low <= usual[0], control
            assert high is None or usual[1] <= high, control
    if kind.is_lti is not Block.is_lti:
        assert isinstance(kind().is_lti(), bool)


@every_kind
def test_defaults_are_within_their_own_limits(name: str) -> None:
    """Pydantic does not check defaults: they are given back here as if a user had written them."""
    kind = KINDS[name]
    unit = kind()
    written = unit.model_dump(exclude_none=True)
    assert kind.model_validate(written) == unit
    assert unit.not_yet() is None


@every_kind
@pytest.mark.parametrize("rate", RATES)
def test_default_settings_on_any_sound(name: str, rate: int) -> None:
    unit = KINDS[name]()
    for frames, flavour in ((1, "steady"), (700, "noise"), (1500, "clicks"), (900, "denormal")):
        volts = sound(unit.inputs, frames, LOUDEST_VOLTS, flavour, seed=frames)
        check_sound(unit, volts, Moment(rate))


@every_kind
@some_examples
@given(data=st.data())
def test_any_usual_settings_on_any_sound(name: str, data: st.DataObject) -> None:
    unit = drawn_unit(data, name)
    now = Moment(
        data.draw(st.sampled_from(RATES), label="rate"),
        seed=data.draw(seeds),
        turn=data.draw(st.floats(0, 1)),
    )
    loudest = data.draw(st.floats(1e-6, LOUDEST_VOLTS), label="volts")
    frames, flavour = data.draw(lengths, label="frames"), data.draw(flavours, label="sound")
    check_sound(unit, sound(unit.inputs, frames, loudest, flavour, data.draw(seeds)), now)


def defect_db(wanted: np.ndarray, found: np.ndarray, scale: float) -> float:
    """Largest difference relative to `scale`, in decibels."""
    worst = float(np.max(np.abs(wanted - found)))
    return 20 * np.log10(worst / scale) if worst > 0 else -np.inf


def superposition_db(unit: Block, one: np.ndarray, other: np.ndarray, now: Moment) -> float:
    """By how much f(one/2 - 3 other) differs from f(one)/2 - 3 f(other)."""
    parts = 0.5 * unit.process(one, now), -3.0 * unit.process(other, now)
    scale = max(float(np.max(np.abs(part))) for part in parts) or 1.0
    return defect_db(parts[0] + parts[1], unit.process(0.5 * one - 3.0 * other, now), scale)


def shift_db(unit: Block, volts: np.ndarray, later: int, now: Moment) -> float:
    """By how much the answer to `volts` played `later` frames later differs from it."""
    silence = np.zeros((volts.shape[0], later))
    first = unit.process(np.concatenate((volts, silence), axis=1), now)
    second = unit.process(np.concatenate((silence, volts), axis=1), now)
    waited = np.concatenate((np.zeros((first.shape[0], later)), first[:, : volts.shape[1]]), axis=1)
    return defect_db(waited, second, float(np.max(np.abs(first))) or 1.0)


def check_linear(unit: Block, one: np.ndarray, other: np.ndarray, later: int, now: Moment) -> None:
    assert superposition_db(unit, one, other, now) < LINEAR_DB
    assert shift_db(unit, one, later, now) < LINEAR_DB


@every_kind
@some_examples
@given(data=st.data())
def test_what_says_it_is_linear_is_so(name: str, data: st.DataObject) -> None:
    """Superposition and time shift at -200 dB wherever `is_lti()` says so."""
    unit = drawn_unit(data, name)
    if not unit.is_lti():
        return
    now = Moment(data.draw(st.sampled_from(RATES), label="rate"), seed=data.draw(seeds))
    frames, later = data.draw(lengths, label="frames"), data.draw(st.integers(1, 500))
    one = sound(unit.inputs, frames, 1.0, "noise", data.draw(seeds))
    other = sound(unit.inputs, frames, 1.0, "clicks", data.draw(seeds))
    check_linear(unit, one, other, later, now)


@pytest.mark.parametrize("name", [name for name, kind in KINDS.items() if kind().is_lti()])
def test_linear_by_default_over_a_second(name: str) -> None:
    unit, now = KINDS[name](), Moment(48_000)
    one = sound(unit.inputs, 48_000, 1.0, "noise", 1)
    other = sound(unit.inputs, 48_000, 1.0, "square", 2)
    check_linear(unit, one, other, 12_345, now)


@pytest.mark.parametrize("name", [name for name, kind in KINDS.items() if not kind().is_lti()])
def test_what_says_it_is_not_linear_is_not(name: str) -> None:
    """At default settings and a level that works it, superposition or time shift must break."""
    unit, now = KINDS[name](), Moment(48_000)
    t = np.arange(48_000) / 48_000
    peak = TRIED_VOLTS.get(name, 3.0)
    low, high = (
        np.tile(peak * np.sin(2 * np.pi * hz * t), (unit.inputs, 1)) for hz in (196.0, 330.0)
    )
    sums = superposition_db(unit, low, high, now)
    shifts = shift_db(unit, low, 15_000, now)
    print(f"{name}: superposition off by {sums:.1f} dB, time shift by {shifts:.1f} dB")
    assert max(sums, shifts) > MOVING_BY_DB.get(name, MOVING_BY_AT_LEAST_DB)
