"""Long sounds that wait: in a file without a name, where memory would hold several at once."""

import tempfile
import weakref
from contextlib import suppress

import numpy as np

from simchain.signal import Volts, pieces

# Some two minutes in stereo at 48 kHz: what is shorter waits in memory.
LARGE_BYTES = 100_000_000


class Aside:
    """A sound put aside, shape (channels, frames), to be fetched by `pieces`.

    The file is that of the system's temporary folder and goes with this object. Raises OSError
    where there is no room for it.
    """

    def __init__(self, volts: Volts):
        self.shape: tuple[int, ...] = volts.shape
        self._file = tempfile.TemporaryFile()  # noqa: SIM115
        weakref.finalize(self, self._file.close)
        try:
            for part in pieces(volts.shape[1]):
                self._file.write(np.ascontiguousarray(volts[:, part]).data)
            self._file.flush()
        except OSError:
            with suppress(OSError):  # it tries to write once more, and would complain later on
                self._file.close()
            raise

    def piece(self, part: slice) -> Volts:
        """Return one of its `pieces`."""
        volts = np.empty((self.shape[0], part.stop - part.start))
        self._file.seek(self.shape[0] * part.start * volts.itemsize)
        self._file.readinto(volts.data.cast("B"))
        return volts

    def whole(self) -> Volts:
        """Return all of it."""
        volts = np.empty(self.shape)
        for part in pieces(self.shape[1]):
            volts[:, part] = self.piece(part)
        return volts
