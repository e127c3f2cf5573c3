"""How full a bus is and how long a frame can take: bounds, loads, and the bus played through."""
