"""From an order to the floor: units, places, cables, power."""
