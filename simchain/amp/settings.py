"""What the user says about an amplifier."""

from pathlib import Path

from simchain.settings import Settings, control

CABINETS = ("open", "closed")

# Thermal noise of a grid stopper of 68 kohm, at 300 K: what a valve's own adds is small beside it.
INPUT_NV = 33.6


class Amp(Settings):
    """One amplifier: preamp, effects loop, power stage, speaker, cabinet."""

    input_ohm: float = control(
        1e6, "input impedance", unit="ohm", ge=1, le=100e6, usual=(500e3, 2e6)
    )
    gain_db: float = control(
        12.0,
        "small-signal gain from input to send at 1 kHz, tone controls at middle",
        unit="dB",
        ge=-60,
        le=80,
        usual=(0, 60),
    )
    bass: float = control(0.5, "bass control", ge=0, le=1)
    middle: float = control(0.5, "middle control", ge=0, le=1)
    treble: float = control(0.5, "treble control", ge=0, le=1)
    volume_db: float = control(
        0.0,
        "volume, after the return and before the power stage: lower for a stage that stays clean",
        unit="dB",
        ge=-60,
        le=80,
        usual=(-40, 12),
    )
    send_ohm: float = control(
        1e3, "output impedance of the send", unit="ohm", ge=1, le=100e6, usual=(100, 50e3)
    )
    return_ohm: float = control(
        100e3, "input impedance of the return", unit="ohm", ge=1, le=100e6, usual=(10e3, 1e6)
    )
    loop_level_dbu: float = control(
        -8.0,
        "level at the send for 1 kHz of -20 dBu at the input with all settings at their defaults",
        unit="dBu",
        ge=-60,
        le=40,
        usual=(-20, 4),
    )
    loop_mix: float = control(1.0, "share of the loop in what the power stage gets", ge=0, le=1)
    watts: float = control(
        20.0,
        "rated power: how loud; how soon it clips is volume_db, whatever the watts",
        unit="W",
        gt=0,
        le=1000,
        usual=(5, 50),
    )
    sag: float = control(0.3, "how far the supply gives way when pushed", ge=0, le=1)
    damping: float = control(1.0, "damping factor", gt=0, le=1000, usual=(0.2, 8))
    speaker_ohm: float = control(
        8.0, "nominal speaker impedance", unit="ohm", ge=1, le=100, usual=(4, 16)
    )
    speaker_hz: float = control(
        90.0, "speaker resonance", unit="Hz", ge=20, le=500, usual=(75, 110)
    )
    cabinet: str = control(
        "open", "open, closed, or an impulse response file beside the board", file=True
    )

    def named_files(self) -> dict[str, str]:
        """Return the cabinet's file, where it is one."""
        return {} if self.cabinet in CABINETS else {"cabinet": self.cabinet}

    def check_files(self, rate: int) -> None:
        """Raise ClipError when the cabinet's file cannot be used at `rate`."""
        if self.named_files():
            from simchain.amp.speaker import cabinet_taps

            cabinet_taps(Path(self.cabinet), rate)
