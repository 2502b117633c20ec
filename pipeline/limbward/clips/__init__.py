"""Films of other devices: what they are, and pictures out of them."""
