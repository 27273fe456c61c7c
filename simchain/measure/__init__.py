"""One file a measure: level, loudness, true peak, bands."""
