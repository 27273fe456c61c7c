"""How each kind's settings are found in a recording: one file a kind."""
