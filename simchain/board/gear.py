"""What stands around the blocks: the source with its pickup, cables, supply, floor, output."""

from typing import Any, Literal, Self

from pydantic import SerializeAsAny, model_validator

from simchain.settings import Settings, SizeMm, control


class Pickup(Settings):
    """What every pickup has; a line source has no more than this."""

    capacitance_pf: float = control(
        115.0, "capacitance of the pickup itself", unit="pF", ge=0, le=1e6, usual=(70, 250)
    )
    recorded_ohm: float = control(
        1e6,
        "load the clip was recorded into, taken out again",
        unit="ohm",
        ge=1,
        le=100e6,
        usual=(100e3, 22e6),
    )
    recorded_pf: float = control(
        500.0, "capacitance the clip was recorded into", unit="pF", ge=0, le=1e6, usual=(0, 2000)
    )


class GuitarPickup(Pickup):
    """A passive magnetic pickup with its volume and tone pots."""

    inductance_h: float = control(
        2.6, "inductance of the coil", unit="H", gt=0, le=1000, usual=(1.8, 9)
    )
    resistance_ohm: float = control(
        6200.0, "resistance of the coil", unit="ohm", ge=1, le=1e6, usual=(4500, 16e3)
    )
    volume_ohm: float = control(250e3, "volume pot", unit="ohm", ge=1, le=100e6, usual=(100e3, 1e6))
    tone_ohm: float = control(250e3, "tone pot", unit="ohm", ge=1, le=100e6, usual=(100e3, 1e6))
    tone_nf: float = control(22.0, "tone capacitor", unit="nF", ge=0, le=1e4, usual=(10, 100))
    volume: float = control(1.0, "volume pot's position", ge=0, le=1, movable=True)
    tone: float = control(1.0, "tone pot's position", ge=0, le=1, movable=True)


class PiezoPickup(Pickup):
    """A bridge piezo: a capacitance."""

    capacitance_pf: float = control(
        500.0, "capacitance of the pickup itself", unit="pF", gt=0, le=1e6, usual=(300, 1500)
    )
    recorded_ohm: float = control(
        5e6,
        "load the clip was recorded into, taken out again",
        unit="ohm",
        ge=1,
        le=100e6,
        usual=(1e6, 22e6),
    )
    recorded_pf: float = control(
        300.0, "capacitance the clip was recorded into", unit="pF", ge=0, le=1e6, usual=(0, 2000)
    )


PICKUPS: dict[str, type[Pickup]] = {"guitar": GuitarPickup, "piezo": PiezoPickup, "line": Pickup}


class Source(Settings):
    """The guitar, and how its recordings are tied to volts.

    A sample at full scale is the peak of a sine of `full_scale_dbu`, or the clip's loudest sample
    is `loudest_peak_volts`.
    """

    kind: Literal["guitar", "piezo", "line"] = control(
        "guitar", "guitar (passive pickup), piezo, or line (buffered, 1 kohm)"
    )
    clip: str | None = control(None, "a clip that ships with simchain, or a file beside the board")
    full_scale_dbu: float = control(
        12.0,
        "level of a full-scale sine in the clip",
        unit="dBu",
        ge=-60,
        le=40,
        usual=(4, 22),
    )
    loudest_peak_volts: float | None = control(
        None, "volts of the clip's loudest sample", unit="V", gt=0, le=100, usual=(0.03, 3)
    )
    hum_dbu: float = control(
        -65.0, "hum at the guitar's jack", unit="dBu", ge=-200, le=40, usual=(-100, -45)
    )
    hum_hz: Literal[50, 60] = control(50, "mains frequency", unit="Hz")
    pickup: SerializeAsAny[Pickup] = control(GuitarPickup(), "the pickup's electrical data")

    @model_validator(mode="before")
    @classmethod
    def _gets_the_pickup_of_its_kind(cls, given: Any) -> Any:
        kind = given.get("kind", "guitar") if isinstance(given, dict) else None
        if not isinstance(kind, str) or kind not in PICKUPS:
            return given
        pickup = given.get("pickup", {})
        if isinstance(pickup, dict):
            pickup = PICKUPS[kind].model_validate(pickup)
        return {**given, "pickup": pickup}

    @model_validator(mode="after")
    def _has_one_calibration(self) -> Self:
        if {"full_scale_dbu", "loudest_peak_volts"} <= self.model_fields_set:
            raise ValueError(
                "full_scale_dbu and loudest_peak_volts are both given, and each ties the clip to "
                "volts: keep one of them"
            )
        return self


class Cables(Settings):
    """Lengths of cable; 0 m is no cable."""

    guitar_m: float = control(
        6.0, "from the guitar to the board", unit="m", ge=0, le=100, usual=(0.3, 10)
    )
    patch_m: float = control(
        0.15, "between blocks on the board", unit="m", ge=0, le=100, usual=(0.05, 0.6)
    )
    amp_m: float = control(6.0, "to the amplifier's input", unit="m", ge=0, le=100, usual=(2, 15))
    send_m: float = control(
        6.0, "from the amplifier's send to the board", unit="m", ge=0, le=100, usual=(2, 15)
    )
    return_m: float = control(
        6.0, "from the board to the amplifier's return", unit="m", ge=0, le=100, usual=(2, 15)
    )
    pf_per_m: float = control(
        100.0, "capacitance of a metre of cable", unit="pF/m", ge=0, le=1e4, usual=(40, 160)
    )


class Outlet(Settings):
    """One outlet of the supply."""

    name: str = control(..., "what is printed on the outlet")
    volts: float = control(9.0, "voltage", unit="V", gt=0, le=60, usual=(9, 18))
    ma: float = control(300.0, "current it can give", unit="mA", gt=0, le=5000, usual=(100, 500))
    isolated: bool = control(False, "whether its return is separate from the other outlets'")
    polarity: Literal["centre-negative", "centre-positive"] = control(
        "centre-negative", "polarity of the plug"
    )


class Supply(Settings):
    """The power supply beneath the board."""

    outlets: tuple[Outlet, ...] = control((), "its outlets")
    size_mm: SizeMm | None = control(None, "width and depth", unit="mm")
    height_mm: float | None = control(None, "height", unit="mm", gt=0, le=1000, usual=(18, 30))


class Floor(Settings):
    """The board that the blocks stand on."""

    size_mm: SizeMm | None = control(None, "width and depth", unit="mm")
    under_mm: float | None = control(
        None, "height of the room beneath", unit="mm", ge=0, le=1000, usual=(25, 1000)
    )


class Output(Settings):
    """Where an order ends: at amplifiers, or at a mixer's input."""

    amps: tuple[str, ...] = control((), "one amplifier, or two for stereo; none: a mixer's input")
    input_ohm: float = control(
        10e3, "impedance of the mixer's input", unit="ohm", ge=1, le=100e6, usual=(1e3, 10e6)
    )
    full_scale_dbu: float | None = control(
        None,
        "level at the output that is full scale in files",
        unit="dBu",
        ge=-60,
        le=60,
        usual=(4, 40),
    )
