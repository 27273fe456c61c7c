"""Time of the amplifier's parts: python -m tests.benchmarks.amp"""

from simchain.amp import Amp, cabinet, power, preamp
from tests.benchmarks.timing import RATE, print_against_six_sections, ten_seconds


def main() -> None:
    amp, volts = Amp(gain_db=16), ten_seconds()[None]
    sent = preamp(amp, volts, RATE)
    spoken = power(amp, sent, RATE)
    print_against_six_sections(
        {
            "preamp (three triodes, tone network)": lambda: preamp(amp, volts, RATE),
            "power stage and speaker": lambda: power(amp, sent, RATE),
            "cabinet": lambda: cabinet(amp, spoken, RATE),
        }
    )


if __name__ == "__main__":
    main()
