"""The user's own units: a recording to play through them, and what comes back made into settings.

`sent` is what is played, `received` what came back, in volts and in step with it. `unit` is a block
alone between an interface's output and input, `features` what is read of both, `search` the least
squares that brings one to the other, and `kinds` what each kind's controls look like in a
recording.
"""
