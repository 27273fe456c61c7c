"""What the wires do: source, cable, pots and loads between two active terminals as one circuit."""

from simchain.electrics.link import Cable, Guitar, Output, Piezo, Pot, as_recorded, link_response

__all__ = ["Cable", "Guitar", "Output", "Piezo", "Pot", "as_recorded", "link_response"]
