"""What no station has alone: one timeline, one frame, one scale, the mean corona, what moved."""
