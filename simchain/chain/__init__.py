"""The walk: from a board, an order and a passage to the sound at every test point."""
