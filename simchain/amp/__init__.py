"""The amplifier: preamp up to the send, power stage from the return, cabinet."""

from simchain.amp.settings import Amp
from simchain.amp.stages import cabinet, full_scale_dbu, power, preamp

__all__ = ["Amp", "cabinet", "full_scale_dbu", "power", "preamp"]
