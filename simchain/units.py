"""Levels and ratios: the only place that knows 0.7746 V.

0 dBu is the voltage of 1 mW in 600 ohm, sqrt(0.6) V RMS; 0 dBV is 1 V RMS. Peaks are
converted as if the wave were a sine ("sine-equivalent"), so that a sine's RMS and peak
figures in dBu agree.
"""

import math

DBU_VOLTS = math.sqrt(0.6)
SQRT2 = math.sqrt(2.0)


def db_to_ratio(db: float) -> float:
    """Amplitude ratio of a level difference in decibels."""
    return float(10.0 ** (db / 20.0))


def ratio_to_db(ratio: float) -> float:
    """Decibels of an amplitude ratio; minus infinity for 0, NaN for NaN."""
    return -math.inf if ratio <= 0.0 else 20.0 * math.log10(ratio)


def dbu_to_volts(dbu: float) -> float:
    """RMS volts of a level in dBu."""
    return DBU_VOLTS * db_to_ratio(dbu)


def volts_to_dbu(volts: float) -> float:
    """Level in dBu of an RMS voltage; minus infinity for 0 V."""
    return ratio_to_db(volts / DBU_VOLTS)


def dbu_to_peak_volts(dbu: float) -> float:
    """Peak volts of a sine whose level is `dbu`."""
    return SQRT2 * dbu_to_volts(dbu)


def peak_volts_to_dbu(peak_volts: float) -> float:
    """Sine-equivalent level of a peak voltage: 3.5 V is +10.1 dBu."""
    return volts_to_dbu(peak_volts / SQRT2)


def dbv_to_volts(dbv: float) -> float:
    """RMS volts of a level in dBV."""
    return db_to_ratio(dbv)


def volts_to_dbv(volts: float) -> float:
    """Level in dBV of an RMS voltage; minus infinity for 0 V."""
    return ratio_to_db(volts)
