"""The camera clocks: measurements of the Moon against the Sun fitted to UTC."""
