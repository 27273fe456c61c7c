"""Levels against references: 0 dBu is 1 mW in 600 ohm; +4 dBu, -10 dBV and their gap."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simchain import units


@pytest.mark.parametrize(
    ("computed", "expected"),
    [
        (units.dbu_to_volts(0.0), math.sqrt(1e-3 * 600.0)),
        (units.dbu_to_peak_volts(0.0), 1.0954451150103321),
        (units.dbu_to_volts(4.0), 1.2276529880),
        (units.dbu_to_peak_volts(4.0), 1.7361635),
        (units.volts_to_dbv(units.dbu_to_volts(4.0)), 1.781513),
        (units.dbv_to_volts(-10.0), 0.3162277660),
        (units.volts_to_dbu(units.dbv_to_volts(-10.0)), -7.781512504),
        (units.volts_to_dbu(1.0), 2.218487496),
        (4.0 - units.volts_to_dbu(units.dbv_to_volts(-10.0)), 11.781512504),
        (units.dbu_to_volts(18.0), 6.152840),
        (units.dbu_to_volts(24.0), 12.276530),
    ],
)
def test_levels_of_the_trade(computed: float, expected: float) -> None:
    """Closed forms of 1 mW in 600 ohm; the two full scales are EBU R 68's and SMPTE RP 155's,
    whose alignment (+18 and +24 dBu) is from memory."""
    assert computed == pytest.approx(expected, abs=5e-7)  # half of the last digit printed


def test_rails_of_3_5_volts_read_10_1_dbu() -> None:
    """The peak is taken for a sine's: 20 log10(3.5 / sqrt 2 / 0.7746) = 10.09."""
    assert units.peak_volts_to_dbu(3.5) == pytest.approx(10.09, abs=0.005)


def test_nothing_is_minus_infinity() -> None:
    for convert in (
        units.ratio_to_db,
        units.volts_to_dbu,
        units.volts_to_dbv,
        units.peak_volts_to_dbu,
    ):
        assert convert(0.0) == -math.inf
    assert units.db_to_ratio(-math.inf) == 0.0


@given(st.floats(min_value=-300.0, max_value=300.0))
def test_there_and_back(db: float) -> None:
    pairs = (
        (units.db_to_ratio, units.ratio_to_db),
        (units.dbu_to_volts, units.volts_to_dbu),
        (units.dbu_to_peak_volts, units.peak_volts_to_dbu),
        (units.dbv_to_volts, units.volts_to_dbv),
    )
    for there, back in pairs:
        assert back(there(db)) == pytest.approx(db, abs=1e-11)
