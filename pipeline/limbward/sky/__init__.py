"""Sun and Moon as seen from a place on Earth."""
